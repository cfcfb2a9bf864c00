"""A driver forgotten on request: nothing of the id remains in the store or comes back, and the totals stay."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.core.folded_text import SEPARATOR, fold_text
from fleetbrake.reports.names_in_text import telling
from fleetbrake.store.database import database_path, reading
from fleetbrake.store.forgetting.erase import Erased, erase_forgotten
from fleetbrake.store.forgetting.forgetter import Forgetter
from fleetbrake.store.forgetting.search import Remains, search
from fleetbrake.store.forgetting.tombstones import add_tombstone, one_tombstone, read_tombstones
from fleetbrake.store.holding.holds import active_holds
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.registers import read_register

__all__ = ["Forgotten", "erase_forgotten", "forget_driver"]

#: Where rows that a hold keeps may name a forgotten id.
_HELD_PLACES = ("held/", "lake/", "registers/", "holds.json")


@dataclass(frozen=True)
class Forgotten:
    """What forgetting a driver did.

    Attributes
    ----------
    known : the store named the id before.
    anywhere : the id was taken out of texts wherever it stood; a very short or common one only after "driver".
    erased : what was changed, by place, and what holds keep.
    held : holds that keep some of it, in words.
    alike : other drivers whose ids are written almost alike; they stay.
    vehicles : vehicles whose ids hold the id as a word; they stay.
    remains : where a search of every file still found it, but for what is held.
    held_places : where it still stands because it is held.
    files : number of files searched.
    unread : files that the search could not read.
    """

    known: bool
    anywhere: bool
    erased: Erased
    held: tuple[str, ...]
    alike: tuple[str, ...]
    vehicles: tuple[str, ...]
    remains: tuple[Remains, ...]
    held_places: tuple[Remains, ...]
    files: int
    unread: tuple[str, ...]

    @property
    def complete(self) -> bool:
        """Whether nothing of the id is left but what is held."""
        return not (self.remains or self.unread or self.erased.not_reached or self.vehicles)

    def facts(self) -> dict[str, Any]:
        """As JSON holds it."""
        return {
            "known": self.known,
            "anywhere": self.anywhere,
            "changed": dict(self.erased.changed),
            "held": dict(self.erased.held),
            "held_by": list(self.held),
            "alike": list(self.alike),
            "vehicles": list(self.vehicles),
            "remains": [f"{one.file}: {one.part}" for one in self.remains],
            "held_places": [f"{one.file}: {one.part}" for one in self.held_places],
            "not_reached": list(self.erased.not_reached),
            "files_searched": self.files,
            "unread": list(self.unread),
            "complete": self.complete,
        }


def forget_driver(store: Path, driver_id: str) -> Forgotten:
    """Erase a driver's id from lake, registers, published tables, entries, mappings, logs and history of runs.

    A keyed fingerprint is kept, so that the id is known again in whatever is read in later. What a legal hold freezes
    stays in the lake and the registers until it is released, and is never published. Ends with a search of every file.

    Raises
    ------
    InputError
        The id is empty, or the store knows no such driver but one whose id is written almost alike.
    StoreBusyError, StoreError
        Another run writes the store, or a part of it cannot be read or written; a second call does the rest.
    """
    if not driver_id.strip():
        raise InputError("Which driver? The id is empty.")
    if not (database_path(store).is_file() or (store / "lake").is_dir()):
        raise StoreError(f"{store}: there is no store here; nothing was done.")
    anywhere = telling(driver_id)
    with writer_lock(store, "forget-driver"):
        drivers, vehicles = _ids(store)
        alike = tuple(sorted(one for one in drivers if one != driver_id and _same(one) == _same(driver_id)))
        if alike and driver_id not in drivers and not Forgetter(read_tombstones(store)).knows(driver_id):
            raise InputError(f"No driver has just this id; meant is perhaps {' or '.join(alike)}. Nothing was done.")
        single = Forgetter(one_tombstone(driver_id, anywhere=anywhere))
        holding = tuple(sorted(one for one in vehicles if single.names(one)))
        add_tombstone(store, driver_id, anywhere=anywhere, vehicles=holding)
        erased = erase_forgotten(store, anew=True)
        finder = Forgetter(one_tombstone(driver_id, anywhere=anywhere, vehicles=holding))
        found = search(store, driver_id, finder)
        holds = [one for one in active_holds(store) if erased.held[one.hold_id] or one.driver_id == driver_id]
    kept = tuple(one for one in found.found if holds and one.file.startswith(_HELD_PLACES))
    return Forgotten(
        known=driver_id in drivers or bool(erased.changed) or bool(erased.held),
        anywhere=anywhere,
        erased=erased,
        held=tuple(f"{one.hold_id}: {one.what}" for one in holds),
        alike=alike,
        vehicles=holding,
        remains=tuple(one for one in found.found if one not in kept),
        held_places=kept,
        files=found.files,
        unread=found.unread,
    )


def _ids(store: Path) -> tuple[set[str], set[str]]:
    """Ids of the drivers and of the vehicles that the store knows."""
    drivers = set(read_register(store, "drivers").column("driver_id").to_pylist())
    drivers |= set(read_register(store, "trips").column("driver_id").to_pylist())
    vehicles = set(read_register(store, "vehicles").column("vehicle_id").to_pylist())
    if database_path(store).is_file():
        with reading(store) as con:
            rows = con.execute("SELECT DISTINCT driver_id, vehicle_id FROM events").fetchall()
        drivers |= {row[0] for row in rows}
        vehicles |= {row[1] for row in rows}
    return drivers - {None}, vehicles - {None}


def _same(driver_id: str) -> str:
    return fold_text(driver_id)[0].strip(SEPARATOR)

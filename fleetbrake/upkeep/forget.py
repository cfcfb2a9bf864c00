"""A driver forgotten on request: nothing of the id remains in the store or comes back, and the totals stay."""

import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.core.folded_text import SEPARATOR, fold_text
from fleetbrake.core.foreign_text import shortened
from fleetbrake.reports.names_in_text import telling
from fleetbrake.reports.own_words import OWN_WORDS
from fleetbrake.store.database import database_path, reading
from fleetbrake.store.forgetting.erase import Erased, erase_forgotten
from fleetbrake.store.forgetting.forgetter import Forgetter, driver_changed
from fleetbrake.store.forgetting.search import Remains, search
from fleetbrake.store.forgetting.tombstones import add_tombstone, one_tombstone, read_tombstones
from fleetbrake.store.holding.holds import active_holds
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.registers import read_register
from fleetbrake.store.unfinished import refuse_unexplained

__all__ = ["Forgotten", "erase_forgotten", "forget_driver"]

#: Where rows that a hold keeps may name a forgotten id.
_HELD_PLACES = ("held/", "lake/", "registers/", "holds.json", "entered.sqlite")
#: Ids that a sentence names, and letters of each (own choice).
_MOST_NAMED, _MOST_OF_ID = 5, 80


@dataclass(frozen=True)
class Forgotten:
    """What forgetting a driver did.

    Attributes
    ----------
    known : the store named the id before.
    anywhere : the id was taken out of texts wherever it stood; a very short or common one only after "driver".
    erased : what was changed, by place, and what holds keep.
    held : holds that keep some of it, in words.
    alike : other ids of drivers that are written almost alike or hold the id as a word; they are forgotten too.
    vehicles : vehicles whose ids hold the id as a word; they stay.
    remains : where a search of every file still found it, but for what is held and what is another one's name.
    perhaps : where its letters stand within longer words.
    of_others : where it stands as the name of a vehicle, a depot or one of our own words.
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
    perhaps: tuple[Remains, ...]
    of_others: tuple[Remains, ...]
    held_places: tuple[Remains, ...]
    files: int
    unread: tuple[str, ...]

    @property
    def complete(self) -> bool:
        """Whether nothing of the id is left but what is held, and what is the name of something else."""
        return not (self.remains or self.perhaps or self.unread or self.erased.not_reached)

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
            **{
                name: [f"{one.file}: {one.part}" for one in getattr(self, name)]
                for name in ("remains", "perhaps", "of_others", "held_places")
            },
            "not_reached": list(self.erased.not_reached),
            "files_searched": self.files,
            "unread": list(self.unread),
            "complete": self.complete,
        }


def forget_driver(store: Path, driver_id: str, *, alike_too: bool = False) -> Forgotten:
    """Erase a driver's id from lake, registers, published tables, entries, mappings, logs and history of runs.

    A keyed fingerprint is kept, so that the id is known again in whatever is read in later. What a legal hold freezes
    stays in the lake and the registers until it is released, and is never published. Ends with a search of every file.

    An id that differs in blanks, case, width or dashes alone is the same one to the fingerprint, and one that holds
    this id as a word (``North/123456``) would lose that word. Where the store knows such drivers beside this one, they
    are forgotten with it, if ``alike_too`` says that they may.

    Raises
    ------
    InputError
        The id is empty, the store knows no such driver but one whose id is written almost alike, or knows both.
    StoreBusyError, StoreError
        Another run writes the store, or a part of it cannot be read or written; a second call does the rest.
    """
    if not driver_id.strip():
        raise InputError("Which driver? The id is empty.")
    if not (database_path(store).is_file() or (store / "lake").is_dir()):
        raise StoreError(f"{store}: there is no store here; nothing was done.")
    anywhere = telling(driver_id) and not _of_our_words(driver_id)
    with writer_lock(store, "forget-driver"):
        active_holds(store)  # a list of holds that is lost is told before anything is written down
        drivers, vehicles = _ids(store)
        single = Forgetter(one_tombstone(driver_id, anywhere=anywhere))
        alike = tuple(sorted(one for one in drivers - {driver_id} if _goes_too(one, driver_id, single)))
        if alike and not Forgetter(read_tombstones(store)).knows(driver_id):
            _refuse_alike(driver_id, driver_id in drivers, alike, alike_too)
        holding = tuple(sorted(one for one in vehicles if single.names(one)))
        refuse_unexplained(store)  # as erasing would, once the id is written down
        add_tombstone(store, driver_id, anywhere=anywhere, vehicles=holding)
        erased = erase_forgotten(store, anew=True)
        finder = Forgetter(one_tombstone(driver_id, anywhere=anywhere, vehicles=holding))
        found = search(store, driver_id, finder, {one for one in drivers if not finder.knows(one)} | vehicles)
        holds = [one for one in active_holds(store) if erased.held[one.hold_id] or one.names(finder)]
    kept = tuple(one for one in found.found if holds and one.file.startswith(_HELD_PLACES))
    left = [one for one in found.found if one not in kept]
    return Forgotten(
        known=bool({driver_id, *alike} & drivers) or bool(erased.changed) or bool(erased.held),
        anywhere=anywhere,
        erased=erased,
        held=tuple(f"{one.hold_id}: {one.what}" for one in holds),
        alike=alike,
        vehicles=holding,
        remains=tuple(one for one in left if not one.perhaps and not one.of_others),
        perhaps=tuple(one for one in left if one.perhaps and not one.of_others),
        of_others=tuple(one for one in left if one.of_others),
        held_places=kept,
        files=found.files,
        unread=found.unread,
    )


def _goes_too(other: str, driver_id: str, single: Forgetter) -> bool:
    """Whether erasing ``driver_id`` takes the other driver's id too, or a part of it."""
    return _same(other) == _same(driver_id) or single.knows(other) or driver_changed(other, single.text) != other


def _refuse_alike(driver_id: str, known: bool, alike: tuple[str, ...], alike_too: bool) -> None:
    """Somebody else's id may be among those that would go too: a person decides. Forms of one letter are one id."""
    other = [one for one in alike if unicodedata.normalize("NFC", one) != unicodedata.normalize("NFC", driver_id)]
    if alike_too or not other:
        return
    if not known:
        raise InputError(
            f"No driver has just this id; meant is perhaps {_some(other, 'or')}: --alike-too forgets what is written "
            "almost alike or holds the id. Nothing was done."
        )
    raise InputError(
        f"The store knows {_some([driver_id, *other], 'and')}: ids that are written so much alike, or one within the "
        "other, can only be forgotten together. If they are one person, say --alike-too; if not, give the other one "
        "another id in recordings and registers first. Nothing was done."
    )


def _some(ids: list[str], word: str) -> str:
    """The first of the ids for a sentence."""
    shown = [shortened(one, _MOST_OF_ID) for one in ids[:_MOST_NAMED]]
    return f" {word} ".join(shown) + (f" {word} {len(ids) - len(shown)} more" if len(ids) > len(shown) else "")


def _of_our_words(driver_id: str) -> bool:
    """Whether each word of the id is one of our own: it is then no name that could be told from a sentence."""
    return all(word in OWN_WORDS for word in _same(driver_id).split(SEPARATOR))


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

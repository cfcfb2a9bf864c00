"""Everything that a store keeps, rid of the ids that were forgotten; a killed run is completed by the next one."""

from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

from fleetbrake.store.arriving import remove_left
from fleetbrake.store.database import database_path, reading
from fleetbrake.store.files import remove_parts
from fleetbrake.store.forgetting.at_rest import at_rest
from fleetbrake.store.forgetting.erase_database import erase_database
from fleetbrake.store.forgetting.erase_lake import ErasedRows, erase_lake, erase_registers
from fleetbrake.store.forgetting.erase_texts import erase_entered, erase_mappings
from fleetbrake.store.forgetting.own_names import names_in_store
from fleetbrake.store.forgetting.tombstones import Tombstones, mark_erased, read_tombstones
from fleetbrake.store.holding.hold_ends import rewrite_released
from fleetbrake.store.holding.holds import all_holds
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.remembered import REMEMBERED, noted_in, remembered
from fleetbrake.store.run_texts import rewrite_texts
from fleetbrake.store.schema import SETTINGS
from fleetbrake.store.unfinished import older_lake


@dataclass
class Erased:
    """What was changed, by place: rows, files or entries. ``held``: rows that a hold keeps, by hold.

    ``not_reached``: files that could not be read or written, with the reason.
    """

    changed: Counter[str] = field(default_factory=Counter)
    held: Counter[str] = field(default_factory=Counter)
    not_reached: tuple[str, ...] = ()


def erase_forgotten(store: Path, *, anew: bool = False) -> Erased:
    """Take all forgotten ids out of the store, as far as holds let them go.

    Nothing is looked at where nothing can be left of any; ``anew`` looks all the same.

    Raises
    ------
    StoreBusyError
        Another run writes the store.
    StoreError
        A part of the store cannot be read or written; what was done stays, the next run does the rest.
    """
    known = read_tombstones(store)
    if not known.stones or not (anew or known.some_left):
        return Erased()
    with writer_lock(store, "forget-driver"):
        return _erase(store)


def erase_due(store: Path) -> None:
    """Complete what a killed run, or a hold that was released meanwhile, left to be erased, and what came back with an
    older published file; nothing else is looked at.

    Every run that writes begins with it: rows read in again would else stand beside those that are still to be changed.
    Raises as :func:`erase_forgotten`.
    """
    known = read_tombstones(store)
    if known.stones and _published_before(store, len(known.stones)):
        erase_forgotten(store, anew=True)
    elif is_due(store, known):
        erase_forgotten(store)


def is_due(store: Path, known: Tombstones) -> bool:
    """Whether something of the forgotten is to be erased that no hold keeps. StoreError where holds cannot be read."""
    if not known.some_left:
        return False
    standing = {one.hold_id for one in all_holds(store) if one.released is None}
    return any(not stone.erased or not standing.issuperset(stone.held) for stone in known.stones)


def _published_before(store: Path, forgotten: int) -> bool:
    """Whether the published file is of before the last one was forgotten: an older copy that was put back."""
    if not database_path(store).is_file():
        return False
    with reading(store) as con:
        told = dict(con.execute(f"SELECT name, value FROM {SETTINGS}").fetchall())  # noqa: S608 - own name
    then = noted_in(told.get(REMEMBERED))
    if then is None:  # an earlier version wrote it
        return False
    return then.forgotten < forgotten or then.given_up < remembered(store).given_up


def _erase(store: Path) -> Erased:
    rest = replace(at_rest(store), rules=None)
    rest = rest.knowing(names_in_store(store, rest.forgetter))
    rows = ErasedRows()
    left = remove_left(store)  # of a run that was killed: nothing of it was taken in
    # what is read in again follows the lake and the registers; the published file follows last and is there or not
    erase_lake(store, rest, rows)
    erase_registers(store, rest, rows)
    changed = Counter(
        {
            "recordings": rows.pieces,
            "events": rows.events,
            "files in the log": rows.log_entries,
            "entries of people": erase_entered(store, rest.forgetter, rest.holds, rows.held),
            "mappings": erase_mappings(store, rest.forgetter),
            "ended holds": rewrite_released(store, rest.forgetter.text),
        }
    )
    changed.update({f"register {name}": count for name, count in rows.registers.items()})
    texts = rewrite_texts(store, rest.forgetter.text)
    changed["logs and history of runs"] = texts.changed
    changed.update({f"table {name}": count for name, count in erase_database(store, rest.forgetter).items()})
    remove_parts(store)
    not_reached = (*texts.not_reached, *left, *filter(None, [older_lake(store)]))
    if not not_reached:
        named = {one.hold_id for one in rest.holds if one.names(rest.forgetter)}
        mark_erased(store, held=named | set(+rows.held))
    return Erased(+changed, +rows.held, not_reached)

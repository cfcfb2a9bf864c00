"""What is lost and in no copy, taken for lost by a person who says so: nothing gives it up by itself."""

from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.core.tables import REGISTERS
from fleetbrake.store.ageing import dropped_rows
from fleetbrake.store.arrow import arrow_schema
from fleetbrake.store.database import database_path, reading, rebuilding
from fleetbrake.store.forgetting import tombstones
from fleetbrake.store.forgetting.at_rest import for_publishing
from fleetbrake.store.lake import Lake
from fleetbrake.store.log import LOG_SCHEMA, read_log
from fleetbrake.store.log_writing import lacks, write_log
from fleetbrake.store.lost import (
    is_older,
    lost_recordings,
    lost_registers,
)
from fleetbrake.store.publish import shown_log
from fleetbrake.store.registers import register_path, rows_there, write_register
from fleetbrake.store.remembered import PARTS, give_up, is_older_list, remembered, seen
from fleetbrake.store.run_numbers import number_anew
from fleetbrake.store.scores_lost import Scored, noted_scores, refuse_lost_scores, scored
from fleetbrake.store.table_seals import changed_tables, take_as_they_are
from fleetbrake.store.unfinished import lost_with_the_log
from fleetbrake.upkeep.check.entries_given_up import give_up_entries
from fleetbrake.upkeep.check.forgotten import list_is_missed
from fleetbrake.upkeep.check.log_and_index import check_index, check_log
from fleetbrake.upkeep.check.outcome import Damage, Outcome
from fleetbrake.upkeep.check.unreadable import unreadable_aside

#: What may be given up, and what that means.
GIVEN_UP: Final = {
    "forgotten": "who was forgotten is not known any more: forget them again before anything is read in",
    "holds": "legal holds of which nothing is left are not known any more: place again those that stand; recordings of "
    "holds whose copy is lost have none",
    "rules": "rules of retention are not known any more: set them again",
    "dropped": "register rows that were dropped come in again if they are read again",
    "aliases": "drivers get other aliases from now on than they had before",
    "registers": "rows of registers whose file is gone go with the next publishing, unless they are read again before; "
    "an older copy counts from now on",
    "entries": "what people entered and is gone, or cannot be read, goes with the next publishing, and an entry that "
    "is not what was entered counts as it stands; run `fleetbrake ingest` next",
    "recordings": "recordings that the lake does not have any more go from what is published, unless read again "
    "before; of what a hold keeps of them its copies stay; run `fleetbrake ingest` next",
    "runs": "what became of earlier unattended runs is not known any more, nor which folders hold their logs: names of "
    "those who are forgotten stay in logs of folders that only it named",
    "scores": "tables that something else changed are taken as they stand, and days that are gone stay so; run "
    "`fleetbrake ingest` next",
}


def give_up_part(store: Path, part: str) -> str:
    """Go on without one of ``GIVEN_UP``, which is lost; what was done, in a sentence.

    Only for the holder of the writer's lock.

    Raises
    ------
    InputError
        There is no such part, or nothing of it is lost.
    StoreError
        The store cannot be read or written.
    """
    if part not in GIVEN_UP:
        raise InputError(f"There is no part {part!r}; there are {', '.join(GIVEN_UP)}.")
    if part in _PUBLISHED_ANEW:
        _refuse_without_scores(store)
    done = _OTHERS[part](store) if part in _OTHERS else _of_note(store, part)
    if not done:
        raise InputError(f"Nothing is lost of this part ({part}); nothing was done.")
    return f"Given up: {GIVEN_UP[part]}."


def _refuse_without_scores(store: Path) -> None:
    """StoreError where what is published lacks scores: nothing else of it may be given up before."""
    if database_path(store).is_file():
        with reading(store) as con:
            refuse_lost_scores(con, store)


def _of_note(store: Path, part: str) -> bool:
    known = remembered(store)
    aside = unreadable_aside(store, part)  # before the note is lowered, which would say that nothing is lost
    now, older = seen(store), part in _OLDER and is_older_list(store, part)
    more = known.with_more(now)
    missed = part == "forgotten" and not aside and not more.forgotten and list_is_missed(store, read_log(store))
    if not (aside or older or missed) and all(getattr(more, name) == getattr(now, name) for name in PARTS[part]):
        return False
    if part == "runs":
        number_anew(store)
    give_up(store, part)
    if older:
        _OLDER[part](store)
    return True


def _registers(store: Path) -> bool:
    noted = remembered(store).registers
    unreadable_aside(store, "registers")
    gone = {name for name in noted if not register_path(store, name).is_file()}
    if database_path(store).is_file():
        with reading(store) as con:
            gone.update(lost_registers(con, store))
    for name in sorted(gone & set(REGISTERS)):
        write_register(store, name, _empty(name))
    older = [name for name in REGISTERS if is_older(store, name)]
    if older:  # it may be of before somebody was forgotten
        tombstones.mark_left(store)
    for name in older:
        write_register(store, name, rows_there(store, name))
    return bool(gone or older)


def _empty(name: str) -> pa.Table:
    return arrow_schema(dict(REGISTERS[name])).empty_table()


def _scores(store: Path) -> bool:
    changed, there = False, Scored()
    if database_path(store).is_file():
        with reading(store) as con:
            changed, there = bool(changed_tables(con)), scored(con)
    less = there.lacks(noted_scores(store))
    if less:
        give_up(store, "scores")
        tombstones.mark_left(store)  # it may be of before somebody was forgotten
    if (less or changed) and database_path(store).is_file():
        with rebuilding(store, accept=True) as con:  # notes what is left, which is not to be lost unseen, too
            if changed:
                take_as_they_are(con)
    return less or changed


def _recordings(store: Path) -> bool:
    _refuse_worn(store)
    rows, there = read_log(store).table(), pa.array(sorted(Lake(store).all_keys()), pa.string())
    gone = pc.and_(pc.is_valid(rows.column("key")), pc.invert(pc.is_in(rows.column("key"), value_set=there)))
    some_gone = bool(pc.any(gone, min_count=0).as_py())
    older = lacks(store) > 0
    if some_gone or older:
        write_log(store, rows.filter(pc.invert(gone)), newest=True)
    lost = _published_alone(store) if database_path(store).is_file() else []
    if lost:
        with rebuilding(store) as con:
            con.execute("DELETE FROM ingest_log WHERE path IN (SELECT unnest(?))", [lost])
    whole = lost_with_the_log(store, read_log(store)) is not None
    if whole:
        write_log(store, LOG_SCHEMA.empty_table(), newest=True)
        give_up(store, "recordings")
    return some_gone or older or bool(lost) or whole


def _published_alone(store: Path) -> list[str]:
    with reading(store) as con:
        return lost_recordings(con, shown_log(store, for_publishing(store), read_log(store)))


def _refuse_worn(store: Path) -> None:
    """StoreError where log or index are damaged: rows that seem to be gone may only not be found."""
    if not any((store / "lake").rglob("*.parquet")):
        return
    damage, out = Damage(), Outcome("recordings")
    log = check_log(store, out, damage)
    check_index(store, log, out, damage)
    if damage.log or damage.index:
        raise StoreError(
            f"{' '.join(out.wrong.all())} Run `fleetbrake check --repair` first: rows may be there that only cannot be "
            "found now. Nothing was given up."
        )


#: Parts of which what is given up is taken out of what is published.
_PUBLISHED_ANEW: Final = ("entries", "recordings")
#: Lets the older list that is there count from now on.
_OLDER: Final = {"forgotten": tombstones.take_older_list, "dropped": dropped_rows.take_older_list}
_OTHERS: Final = {"recordings": _recordings, "registers": _registers, "entries": give_up_entries, "scores": _scores}

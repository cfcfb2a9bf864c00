"""What is lost and in no copy, taken for lost by a person who says so: nothing gives it up by itself."""

from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import InputError
from fleetbrake.core.tables import REGISTERS
from fleetbrake.store.arrow import arrow_schema
from fleetbrake.store.database import database_path, reading, rebuilding
from fleetbrake.store.entered import entries
from fleetbrake.store.forgetting.at_rest import for_publishing
from fleetbrake.store.lake import Lake
from fleetbrake.store.log import read_log, write_log
from fleetbrake.store.lost import (
    ENTERED_FILE,
    ENTERED_UP_TO,
    is_older,
    lost_entries,
    lost_recordings,
    lost_registers,
    noted_entries_lost,
)
from fleetbrake.store.publish import shown_log
from fleetbrake.store.registers import register_path, rows_there, write_register
from fleetbrake.store.remembered import PARTS, give_up, remembered, seen
from fleetbrake.store.schema import SETTINGS
from fleetbrake.store.table_seals import changed_tables, take_as_they_are
from fleetbrake.upkeep.check.unreadable import unreadable_aside

#: What may be given up, and what that means.
GIVEN_UP: Final = {
    "forgotten": "who was forgotten is not known any more: forget them again before anything is read in",
    "holds": "legal holds of which nothing is left are not known any more: place again those that stand",
    "rules": "rules of retention are not known any more: set them again",
    "dropped": "register rows that were dropped come in again if they are read again",
    "aliases": "drivers get other aliases from now on than they had before",
    "registers": "rows of registers whose file is gone go with the next publishing, unless they are read again before; "
    "an older copy counts from now on",
    "entries": "what people entered and is gone goes with the next publishing",
    "recordings": "recordings that the lake does not have any more go from what is published, unless read again before",
    "scores": "tables that something else changed are taken as they stand",
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
    done = _OTHERS[part](store) if part in _OTHERS else _of_note(store, part)
    if not done:
        raise InputError(f"Nothing is lost of this part ({part}); nothing was done.")
    return f"Given up: {GIVEN_UP[part]}."


def _of_note(store: Path, part: str) -> bool:
    known = remembered(store)
    aside = unreadable_aside(store, part)  # before the note is lowered, which would say that nothing is lost
    now = seen(store)
    more = known.with_more(now)
    if not aside and all(getattr(more, name) == getattr(now, name) for name in PARTS[part]):
        return False
    give_up(store, part)
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
    for name in older:
        write_register(store, name, rows_there(store, name))
    return bool(gone or older)


def _empty(name: str) -> pa.Table:
    return arrow_schema(dict(REGISTERS[name])).empty_table()


def _entries(store: Path) -> bool:
    remembered(store)
    aside, published = unreadable_aside(store, "entries"), database_path(store).is_file()
    if not (aside or _entries_lost(store, published)):
        return False
    entries(store)  # StoreError before anything is given up, where what is left cannot be read
    if published:
        with rebuilding(store) as con:
            con.execute(f"DELETE FROM {SETTINGS} WHERE name IN ('{ENTERED_UP_TO}', '{ENTERED_FILE}')")  # noqa: S608 - own names
    give_up(store, "entries")
    return True


def _entries_lost(store: Path, published: bool) -> bool:
    if not published:
        return noted_entries_lost(store) is not None
    with reading(store) as con:
        return lost_entries(con, store) is not None


def _scores(store: Path) -> bool:
    with reading(store) as con:
        if not changed_tables(con):
            return False
    with rebuilding(store) as con:
        take_as_they_are(con)
    return True


def _recordings(store: Path) -> bool:
    rows, there = read_log(store).table(), pa.array(sorted(Lake(store).all_keys()), pa.string())
    gone = pc.and_(pc.is_valid(rows.column("key")), pc.invert(pc.is_in(rows.column("key"), value_set=there)))
    if pc.any(gone, min_count=0).as_py():
        write_log(store, rows.filter(pc.invert(gone)))
    with reading(store) as con:
        lost = lost_recordings(con, shown_log(store, for_publishing(store), read_log(store)))
    if lost:
        with rebuilding(store) as con:
            con.execute("DELETE FROM ingest_log WHERE path IN (SELECT unnest(?))", [lost])
    return bool(lost)


_OTHERS: Final = {"recordings": _recordings, "registers": _registers, "entries": _entries, "scores": _scores}

"""What is lost and in no copy, taken for lost by a person who says so: nothing gives it up by itself."""

from pathlib import Path
from typing import Final

import pyarrow as pa

from fleetbrake.core.errors import InputError
from fleetbrake.core.tables import REGISTERS
from fleetbrake.store.arrow import arrow_schema
from fleetbrake.store.database import database_path, reading, rebuilding
from fleetbrake.store.lost import ENTERED_FILE, ENTERED_UP_TO, lost_entries, lost_registers
from fleetbrake.store.registers import register_path, write_register
from fleetbrake.store.remembered import PARTS, give_up, remembered, seen
from fleetbrake.store.schema import SETTINGS
from fleetbrake.store.table_seals import changed_tables, take_as_they_are

#: What may be given up, and what that means.
GIVEN_UP: Final = {
    "forgotten": "who was forgotten is not known any more: forget them again before anything is read in",
    "holds": "legal holds are not known any more: place again those that stand",
    "rules": "rules of retention are not known any more: set them again",
    "dropped": "register rows that were dropped come in again if they are read again",
    "aliases": "drivers get other aliases from now on than they had before",
    "registers": "rows of registers whose file is gone go with the next publishing, unless they are read again before",
    "entries": "what people entered and is gone goes with the next publishing",
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
    done = _of_note(store, part) if part in PARTS else _OTHERS[part](store)
    if not done:
        raise InputError(f"Nothing is lost of this part ({part}); nothing was done.")
    return f"Given up: {GIVEN_UP[part]}."


def _of_note(store: Path, part: str) -> bool:
    if getattr(remembered(store), part) == getattr(seen(store), part):
        return False
    give_up(store, part)
    return True


def _registers(store: Path) -> bool:
    gone = {name for name in remembered(store).registers if not register_path(store, name).is_file()}
    if database_path(store).is_file():
        with reading(store) as con:
            gone.update(lost_registers(con, store))
    for name in sorted(gone & set(REGISTERS)):
        write_register(store, name, _empty(name))
    return bool(gone)


def _empty(name: str) -> pa.Table:
    return arrow_schema(dict(REGISTERS[name])).empty_table()


def _entries(store: Path) -> bool:
    with reading(store) as con:
        if lost_entries(con, store) is None:
            return False
    with rebuilding(store) as con:
        con.execute(f"DELETE FROM {SETTINGS} WHERE name IN ('{ENTERED_UP_TO}', '{ENTERED_FILE}')")  # noqa: S608 - own names
    return True


def _scores(store: Path) -> bool:
    with reading(store) as con:
        if not changed_tables(con):
            return False
    with rebuilding(store) as con:
        take_as_they_are(con)
    return True


_OTHERS: Final = {"registers": _registers, "entries": _entries, "scores": _scores}

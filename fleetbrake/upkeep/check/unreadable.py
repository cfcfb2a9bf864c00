"""Parts of a store that are there and cannot be read, put aside once a person says that they are lost for good."""

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Final

from pydantic import ValidationError

from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import REGISTERS
from fleetbrake.store.ageing.dropped_rows import DROPPED_NAME, kept_rows
from fleetbrake.store.ageing.retention import RETENTION_NAME, RetentionPolicy, read_state
from fleetbrake.store.aside import put_aside
from fleetbrake.store.disk_words import is_damaged, sqlite_reason
from fleetbrake.store.entered_seals import ENTERED_NAME
from fleetbrake.store.forgetting.tombstones import KEY_NAME, TOMBSTONES_NAME, listed_tombstones
from fleetbrake.store.holding.held_again import damaged_aside, holds_again
from fleetbrake.store.holding.held_files import without_lost_copies
from fleetbrake.store.holding.held_manifest import HELD_FOLDER
from fleetbrake.store.holding.holds import HOLDS_NAME, listed
from fleetbrake.store.registers import register_path, rows_there
from fleetbrake.store.remembered import seen
from fleetbrake.store.run_numbers import RUNS_NAME
from fleetbrake.store.secret_key import ALIASES_KEY
from fleetbrake.store.shut import looked_at
from fleetbrake.upkeep.check.log_and_index import broken_seal


def unreadable_aside(store: Path, part: str) -> bool:
    """Take files of a part that cannot be read out of use, with their partners; whether there were any.

    What is left of the part can be read afterwards. Only for the holder of the writer's lock.

    Raises
    ------
    StoreError
        A file cannot be read now, though it need not be damaged.
    """
    return _PARTS[part](store) if part in _PARTS else False


def _forgotten(store: Path) -> bool:
    try:
        listed_tombstones(store)
    except StoreError:
        return put_aside(store, [store / TOMBSTONES_NAME, store / KEY_NAME])
    return False


def _holds(store: Path) -> bool:
    """Holds that their copies tell are made again first; copies that no list names, or are damaged, then go too."""
    again = bool(holds_again(store))
    try:
        known, done = {row.hold_id for row in listed(store)}, again
    except StoreError:
        known, done = set(), put_aside(store, [store / HOLDS_NAME])
    unnamed = [path for path in sorted((store / HELD_FOLDER).glob("*")) if path.is_dir() and path.name not in known]
    done = put_aside(store, unnamed) or done
    done = damaged_aside(store) or done
    return without_lost_copies(store, lambda paths: put_aside(store, paths)) or done


def _rules(store: Path) -> bool:
    try:
        kept = read_state(store).get("policy")
        if kept is not None:
            RetentionPolicy.model_validate(kept)
    except (StoreError, ValidationError):
        return put_aside(store, [store / RETENTION_NAME])
    return False


def _dropped(store: Path) -> bool:
    path = store / DROPPED_NAME
    try:
        damaged = path.is_file() and broken_seal(path) is not None
        kept_rows(store)
    except StoreError:
        damaged = True
    return damaged and put_aside(store, [path])


def _aliases(store: Path) -> bool:
    return not seen(store).aliases and put_aside(store, [store / ALIASES_KEY])


def _registers(store: Path) -> bool:
    return put_aside(store, [register_path(store, name) for name in REGISTERS if _worn(store, name)])


def _worn(store: Path, name: str) -> bool:
    path = register_path(store, name)
    try:
        damaged = path.is_file() and broken_seal(path) is not None
        rows_there(store, name)
    except StoreError:
        return True
    return damaged


def _entries(store: Path) -> bool:
    return _sqlite(store, ENTERED_NAME, "what people entered")


def _runs(store: Path) -> bool:
    return _sqlite(store, RUNS_NAME, "the history of runs")


def _sqlite(store: Path, name: str, what: str) -> bool:
    path = store / name
    if not path.is_file() or not _damaged(path, what):
        return False
    return put_aside(store, [path, *(path.with_name(path.name + end) for end in ("-wal", "-shm", "-journal"))])


def _damaged(path: Path, what: str) -> bool:
    """Whether SQLite says so; StoreError where it is something else that keeps it from reading."""
    try:
        with looked_at(path) as con:
            return con.execute("PRAGMA integrity_check").fetchall() != [("ok",)]
    except UnicodeDecodeError:  # a damaged file's own words may be no text
        return True
    except sqlite3.Error as error:
        if is_damaged(error):
            return True
        raise StoreError(f"{path}: {what} cannot be read ({sqlite_reason(error)}).") from error


_PARTS: Final[dict[str, Callable[[Path], bool]]] = {
    "forgotten": _forgotten,
    "holds": _holds,
    "rules": _rules,
    "dropped": _dropped,
    "aliases": _aliases,
    "registers": _registers,
    "entries": _entries,
    "runs": _runs,
}

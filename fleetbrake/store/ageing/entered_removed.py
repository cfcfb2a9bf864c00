"""The one way in which something that was entered goes: the record it made has outlived its period."""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from fleetbrake.core.errors import StoreError
from fleetbrake.store.entered import ENTERED_NAME

_NEVER = "entered_never_removed"


def remove_entries(store: Path, entry_ids: Sequence[int]) -> None:
    """Remove entries so that nothing of them stays in the file. Only for the holder of the writer's lock.

    The triggers that forbid it are put aside and back in the same transaction; a killed run leaves all or nothing.

    Raises
    ------
    StoreError
        The file cannot be written.
    """
    if not entry_ids:
        return
    path = store / ENTERED_NAME
    try:
        with closing(sqlite3.connect(path, timeout=15.0, isolation_level=None)) as con:
            con.execute("PRAGMA secure_delete = ON")
            con.execute("BEGIN IMMEDIATE")
            try:
                _remove(con, entry_ids)
                con.execute("COMMIT")
            except BaseException:
                con.execute("ROLLBACK")
                raise
            con.execute("VACUUM")
    except sqlite3.Error as error:
        raise StoreError(f"{path}: what people entered cannot be written ({error}).") from error


def _remove(con: sqlite3.Connection, entry_ids: Sequence[int]) -> None:
    trigger = con.execute("SELECT sql FROM sqlite_master WHERE type = 'trigger' AND name = ?", [_NEVER]).fetchone()
    con.execute(f"DROP TRIGGER IF EXISTS {_NEVER}")
    con.executemany("DELETE FROM entered WHERE entry_id = ?", [(number,) for number in entry_ids])
    if trigger is not None:
        con.execute(trigger[0])

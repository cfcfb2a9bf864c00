"""How many unattended runs were begun, counted in the file of their history itself: one that is gone, or an older copy,
is known by what it lacks."""

import sqlite3
from pathlib import Path
from typing import Final

from fleetbrake.core.errors import StoreError
from fleetbrake.store.disk_words import sqlite_reason
from fleetbrake.store.entered_seals import Given
from fleetbrake.store.shut import drawn_number, looked_at, write_pragma

RUNS_NAME: Final = "runs.sqlite"


def count_run(con: sqlite3.Connection, *, after_a_loss: bool = False) -> None:
    """Count one more, within a transaction that is under way; the first one draws the number of the file.

    So does one after a loss: an older copy to which enough runs are added would look like the file itself. Both stand
    in the head of the file, where neither a row that is dropped nor a rewriting of the file reaches them.
    """
    file, begun = _numbers(con)
    if not file or after_a_loss:
        con.execute(f"PRAGMA application_id = {drawn_number()}")
    con.execute(f"PRAGMA user_version = {begun + 1}")


def number_anew(store: Path) -> None:
    """As :func:`fleetbrake.store.entered_seals.number_anew`, for the history of runs."""
    path = store / RUNS_NAME
    if path.is_file():
        write_pragma(path, "application_id", drawn_number())


def runs_begun(store: Path) -> Given:
    """Number of the last run that was begun, and of the file. StoreError where that cannot be read."""
    path = store / RUNS_NAME
    if not path.is_file():
        return Given()
    try:
        with looked_at(path) as con:
            file, begun = _numbers(con)
            return Given(begun, file)
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise StoreError(f"{path}: the history of runs cannot be read ({sqlite_reason(error)}).") from error


def _numbers(con: sqlite3.Connection) -> tuple[int, int]:
    file, begun = (con.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version"))
    return int(file), int(begun)

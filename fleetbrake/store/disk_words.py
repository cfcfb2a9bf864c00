"""What a disk, a network folder or the rights to it refused, in words that say what to do."""

import errno
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import duckdb

from fleetbrake.core.errors import StoreError

_ROOM: Final = "free some space there, then try again"
_RIGHTS: Final = "this user needs the right to write there"
_READ_ONLY: Final = "it is mounted to be read only; mount it for writing, then try again"
_AWAY: Final = "see that the disk or network folder is there and has room, then try again"

#: What to do, by number of the system's error.
_TO_DO: Final = {
    errno.ENOSPC: _ROOM,
    errno.EDQUOT: _ROOM,
    errno.EFBIG: "a limit of this user or of the file system to the size of files is too low",
    errno.EACCES: _RIGHTS,
    errno.EPERM: _RIGHTS,
    errno.EROFS: _READ_ONLY,
    errno.EIO: _AWAY,
    errno.ESTALE: _AWAY,
    errno.ENOTCONN: _AWAY,
    errno.ETIMEDOUT: _AWAY,
    errno.EHOSTDOWN: _AWAY,
    errno.ENXIO: _AWAY,
    errno.ENODEV: _AWAY,
}
#: Words of SQLite for the same.
_OF_SQLITE: Final = {
    "SQLITE_FULL": _ROOM,
    "SQLITE_READONLY": _RIGHTS,
    "SQLITE_CANTOPEN": "see that its folder is there and that this user may write in it",
    "SQLITE_IOERR": _AWAY,
    "SQLITE_PERM": _RIGHTS,
}
#: DuckDB has one kind of error for each of these, and after the first of them says "fatal" to whatever is asked.
_OF_THE_DISK: Final = (
    duckdb.IOException,
    duckdb.OutOfMemoryException,
    duckdb.FatalException,
    duckdb.PermissionException,
)


def reason(error: OSError) -> str:
    """The system's own words, and what to do where that is known."""
    said = error.strerror or str(error) or type(error).__name__
    todo = _TO_DO.get(error.errno or 0)
    return f"{said}: {todo}" if todo else said


def sqlite_reason(error: Exception) -> str:
    """As :func:`reason`, of an error of SQLite."""
    name = getattr(error, "sqlite_errorname", None) or ""
    todo = next((words for begin, words in _OF_SQLITE.items() if name.startswith(begin)), None)
    return f"{error}: {todo}" if todo and isinstance(error, sqlite3.Error) else str(error)


@contextmanager
def of_database(store: Path) -> Iterator[None]:
    """Let what the disk refuses to a database of the store be one sentence.

    Raises
    ------
    StoreError
        The disk is full or gone, may not be written, or memory does not suffice; the published database is unchanged.
    """
    try:
        yield
    except StoreError as error:
        if not isinstance(error.__cause__, _OF_THE_DISK):
            raise
        raise StoreError(_sentence(store, error.__cause__)) from error.__cause__
    except _OF_THE_DISK as error:
        raise StoreError(_sentence(store, error)) from error
    except duckdb.Error as error:
        raise_damaged(store, error)
        raise


def raise_damaged(store: Path, error: duckdb.Error) -> None:
    """``StoreError`` where the error says that a disk changed the published file; else nothing."""
    if "checksum" in str(error) or "Corrupt database" in str(error):
        raise StoreError(
            f"The published file of {store} is damaged: {str(error).splitlines()[0]}. `fleetbrake check --repair` "
            "makes it anew from what is left."
        ) from error


def _sentence(store: Path, error: Exception) -> str:
    said = (str(error).splitlines() or [type(error).__name__])[0].rstrip(".")
    known = next((number for number in _TO_DO if os.strerror(number) in said), None)
    what = said if known is None else reason(OSError(known, os.strerror(known)))
    return f"Cannot write the database of {store}: {what}. What was published before is unchanged."

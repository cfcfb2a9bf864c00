"""What a disk, a network folder or the rights to it refused, in words that say what to do."""

import errno
import os
import sqlite3
from typing import Final

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


def reason(error: OSError) -> str:
    """The system's own words, and what to do where that is known."""
    said = error.strerror or str(error) or type(error).__name__
    todo = _TO_DO.get(error.errno or 0)
    return f"{said}: {todo}" if todo else said


def reason_to_read(error: OSError) -> str:
    """As :func:`reason`, where a file was to be read."""
    if error.errno in (errno.EACCES, errno.EPERM):
        return f"{error.strerror or error}: this user needs the right to read it"
    return reason(error)


def no_access(error: BaseException | None) -> bool:
    """Whether something that is there could not be opened or read; it need not be damaged."""
    return isinstance(error, OSError) and not isinstance(error, FileNotFoundError | NotADirectoryError)


def sqlite_reason(error: Exception) -> str:
    """As :func:`reason`, of an error of SQLite."""
    name = getattr(error, "sqlite_errorname", None) or ""
    todo = next((words for begin, words in _OF_SQLITE.items() if name.startswith(begin)), None)
    return f"{error}: {todo}" if todo and isinstance(error, sqlite3.Error) else str(error)


def is_damaged(error: Exception) -> bool:
    """Whether SQLite says that its file is damaged, or none of its own."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def reason_in(said: str) -> str:
    """The words of a system's error that stand in a sentence of somebody else, with what to do; else the sentence."""
    known = next((number for number in _TO_DO if os.strerror(number) in said), None)
    return said if known is None else reason(OSError(known, os.strerror(known)))

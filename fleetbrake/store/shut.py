"""Database connections that reach nothing but what they were opened for, whatever text comes into a query."""

import secrets
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.store.disk_words import sqlite_reason

#: How long whoever opens a file of SQLite waits for another one (s); writes take milliseconds.
PATIENCE_S: Final = 15.0


def shut(con: duckdb.DuckDBPyConnection, *, lock: bool = True) -> None:
    """No other file, no network, no extension from now on; attach first what is needed. It cannot be undone.

    What does not fit into memory still goes to the temporary folder, and tables of Python come in by ``register``
    alone, no longer by the name of a variable.

    Parameters
    ----------
    lock : no other setting can be changed either; false where models have settings of their own.
    """
    con.execute("SET enable_external_access = false")
    if lock:
        con.execute("SET lock_configuration = true")


def wary(con: sqlite3.Connection) -> None:
    """What a file's own definitions say may call no function that reaches outside: the file may be another's."""
    con.execute("PRAGMA trusted_schema = OFF")


@contextmanager
def looked_at(path: Path) -> Iterator[sqlite3.Connection]:
    """A file of SQLite that nothing is changed in; the library's own errors where it cannot be.

    It is opened for writing all the same: a reader too may have to undo what a killed writer left half-written.
    """
    target = f"{path.resolve().as_uri()}?mode=rw"
    with closing(sqlite3.connect(target, uri=True, timeout=PATIENCE_S)) as con:
        wary(con)
        con.execute("PRAGMA query_only = ON")
        yield con


def drawn_number() -> int:
    """A number for the head of a file of SQLite; never 0, which stands for none."""
    return 1 + secrets.randbelow(2**31 - 2)


def write_pragma(path: Path, name: str, number: int) -> None:
    """Put a number into the head of a file of SQLite. StoreError where it cannot be written."""
    try:
        with closing(sqlite3.connect(path, timeout=PATIENCE_S)) as con:
            wary(con)
            con.execute(f"PRAGMA {name} = {number}")
    except sqlite3.Error as error:
        raise StoreError(f"{path} cannot be written ({sqlite_reason(error)}).") from error

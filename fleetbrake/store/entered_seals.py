"""A seal for each entry of a person, in a table beside the entries: what was entered can be told from what a disk, or
a hand, made of it.

Entries of earlier versions have none and pass. The file has a number that was drawn when its first entry was sealed: an
entry of the same number in another file is another entry.
"""

import hashlib
import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from fleetbrake.core.errors import StoreError
from fleetbrake.store.disk_words import sqlite_reason
from fleetbrake.store.shut import PATIENCE_S, drawn_number, looked_at, wary, write_pragma

ENTERED_NAME: Final = "entered.sqlite"
SEALS_SQL: Final = "CREATE TABLE IF NOT EXISTS entered_seals (entry_id INTEGER PRIMARY KEY, seal TEXT NOT NULL);"
_ROWS: Final = "SELECT entry_id, made_at, made_by, kind, vehicle_id, body FROM entered ORDER BY entry_id"
_INSERT: Final = "INSERT INTO entered (made_at, made_by, kind, vehicle_id, body) VALUES (?, ?, ?, ?, ?)"
#: What stands in the place of a seal that was broken when its entry was changed by rule.
_BROKEN: Final = "broken"


@dataclass(frozen=True)
class Given:
    """The last number that an entry was given, and the number of the file; 0 where there is none."""

    last: int = 0
    file: int = 0


@dataclass(frozen=True)
class Sealed:
    """Entries that are not what was entered, numbers of sealed ones that are gone, and how many have no seal."""

    broken: frozenset[int]
    gone: frozenset[int]
    bare: int


def insert_sealed(con: sqlite3.Connection, rows: Sequence[tuple[str, str, str, str, str]]) -> None:
    """Append entries (when, by whom, kind, vehicle, body) with their seals, within a transaction that is under way."""
    if not con.execute("PRAGMA user_version").fetchone()[0]:
        con.execute(f"PRAGMA user_version = {drawn_number()}")
    for row in rows:
        number = con.execute(_INSERT, row).lastrowid
        con.execute("INSERT OR REPLACE INTO entered_seals VALUES (?, ?)", (number, _seal((number, *row))))


def number_anew(store: Path) -> None:
    """Draw another number for the file, so that what was given up is known as another when it is put back later.

    StoreError where the file cannot be written; nothing where there is none.
    """
    path = store / ENTERED_NAME
    if path.is_file():
        write_pragma(path, "user_version", drawn_number())


def given(store: Path) -> Given:
    """What numbers the store's entries were given. StoreError where that cannot be read."""
    path = store / ENTERED_NAME
    if not path.is_file():
        return Given()
    try:
        with looked_at(path) as con:
            if not _there(con, "entered"):
                return Given()
            last = con.execute("SELECT max(seq) FROM sqlite_sequence WHERE name = 'entered'").fetchone()[0]
            return Given(int(last or 0), int(con.execute("PRAGMA user_version").fetchone()[0]))
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise StoreError(f"{path}: what people enter cannot be read ({sqlite_reason(error)}).") from error


def seals_there(store: Path) -> Sealed:
    """As :func:`seals_of`, of the store's file; nothing is wrong where there is none. StoreError where it cannot be
    read."""
    path = store / ENTERED_NAME
    if not path.is_file():
        return Sealed(frozenset(), frozenset(), 0)
    try:
        with looked_at(path) as con:
            return seals_of(con) if _there(con, "entered") else Sealed(frozenset(), frozenset(), 0)
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise StoreError(f"{path}: what people enter cannot be read ({sqlite_reason(error)}).") from error


def seal_as_they_are(store: Path) -> None:
    """Take the entries that are there for what was entered. StoreError where the file cannot be written."""
    path = store / ENTERED_NAME
    try:
        with closing(sqlite3.connect(path, timeout=PATIENCE_S, isolation_level="IMMEDIATE")) as con, con:
            wary(con)
            con.execute("BEGIN IMMEDIATE")
            now = seals_of(con)
            con.executemany("DELETE FROM entered_seals WHERE entry_id = ?", [(one,) for one in sorted(now.gone)])
            rows = [row for row in con.execute(_ROWS).fetchall() if row[0] in now.broken]
            con.executemany(
                "UPDATE entered_seals SET seal = ? WHERE entry_id = ?", [(_seal(row), row[0]) for row in rows]
            )
    except sqlite3.Error as error:
        raise StoreError(f"{path}: what people entered cannot be written ({sqlite_reason(error)}).") from error


def seals_of(con: sqlite3.Connection) -> Sealed:
    """What the seals say of the entries."""
    seals = dict(con.execute("SELECT entry_id, seal FROM entered_seals").fetchall()) if _there(con) else {}
    rows = con.execute(_ROWS).fetchall()
    return Sealed(
        broken=frozenset(row[0] for row in rows if row[0] in seals and seals[row[0]] != _seal(row)),
        gone=frozenset(seals) - {row[0] for row in rows},
        bare=sum(row[0] not in seals for row in rows),
    )


@contextmanager
def seals_follow(con: sqlite3.Connection) -> Iterator[None]:
    """Entries are changed or removed by rule within the block: their seals with them, but for those broken before."""
    if not (_there(con) and _there(con, "entered")):
        yield
        return
    before = seals_of(con)
    yield
    rows = {row[0]: row for row in con.execute(_ROWS).fetchall()}
    sealed = {row[0] for row in con.execute("SELECT entry_id FROM entered_seals").fetchall()}
    removed = sealed - set(rows) - before.gone
    con.executemany("DELETE FROM entered_seals WHERE entry_id = ?", [(number,) for number in sorted(removed)])
    again = [
        (_BROKEN if number in before.broken else _seal(rows[number]), number) for number in sorted(sealed & set(rows))
    ]
    con.executemany("UPDATE entered_seals SET seal = ? WHERE entry_id = ?", again)


def _there(con: sqlite3.Connection, table: str = "entered_seals") -> bool:
    return bool(con.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?", (table,)).fetchall())


def _seal(row: Sequence[object]) -> str:
    return hashlib.sha256(json.dumps(list(row)).encode()).hexdigest()[:32]

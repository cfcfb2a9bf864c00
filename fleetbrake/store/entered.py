"""What people enter: findings, fixed dates, deferrals, decisions on flags. One SQLite file in the store, append-only.

Several processes may write it at the same time, beside readers and a run that publishes; nothing in it is ever changed
or taken away, what is newer stands. ``fleet.duckdb`` is made from the lake and from this file, never the other way.
"""

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from pydantic import ValidationError

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.store.entered_rows import KINDS, Body

ENTERED_NAME = "entered.sqlite"
#: How long a writer waits for another one (s); writes take milliseconds.
_PATIENCE_S = 15.0

_TABLE = """
CREATE TABLE IF NOT EXISTS entered (
    entry_id INTEGER PRIMARY KEY AUTOINCREMENT,
    made_at TEXT NOT NULL,
    made_by TEXT NOT NULL,
    kind TEXT NOT NULL,
    vehicle_id TEXT NOT NULL,
    body TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS entered_vehicle ON entered (vehicle_id, kind);
CREATE TRIGGER IF NOT EXISTS entered_never_changed BEFORE UPDATE ON entered
BEGIN SELECT raise(ABORT, 'what was entered is never changed'); END;
CREATE TRIGGER IF NOT EXISTS entered_never_removed BEFORE DELETE ON entered
BEGIN SELECT raise(ABORT, 'what was entered is never removed'); END;
"""
_KIND_OF = {model: kind for kind, model in KINDS.items()}


@dataclass(frozen=True)
class Entry:
    """One thing that a person (or a run, where ``made_by`` says so) entered; ``made_at`` in UTC."""

    entry_id: int
    made_at: datetime
    made_by: str
    kind: str
    vehicle_id: str
    body: Body


def enter(store: Path, made_by: str, vehicle_id: str, *bodies: Body, made_at: datetime | None = None) -> None:
    """Append one or more entries about a vehicle: all of them or none.

    Raises
    ------
    InputError
        Nobody is named, or no vehicle.
    StoreError
        The file cannot be written.
    """
    enter_all(store, made_by, [(vehicle_id, body) for body in bodies], made_at=made_at)


def enter_all(
    store: Path, made_by: str, entries: Iterable[tuple[str, Body]], *, made_at: datetime | None = None
) -> None:
    """As :func:`enter` for several vehicles: all entries or none."""
    moment = (made_at or datetime.now(UTC)).isoformat(timespec="microseconds")
    rows = [(moment, made_by, _KIND_OF[type(body)], vehicle_id, body.model_dump_json()) for vehicle_id, body in entries]
    if not made_by.strip() or any(not row[3] for row in rows):
        raise InputError("An entry needs the name of whoever makes it, and a vehicle.")
    if not rows:
        return
    with _opened(store, write=True) as con, con:
        con.executemany("INSERT INTO entered (made_at, made_by, kind, vehicle_id, body) VALUES (?, ?, ?, ?, ?)", rows)


def entries(store: Path, kinds: Sequence[str] = (), vehicle_id: str | None = None) -> list[Entry]:
    """Entries in the order in which they were made, of some kinds and one vehicle, or all; empty without the file.

    Raises
    ------
    StoreError
        The file cannot be read, or holds something that no version of this program wrote.
    """
    if not (store / ENTERED_NAME).is_file():
        return []
    wanted, given = ["1 = 1"], []
    if kinds:
        wanted.append(f"kind IN ({', '.join('?' for _ in kinds)})")
        given += list(kinds)
    if vehicle_id is not None:
        wanted.append("vehicle_id = ?")
        given.append(vehicle_id)
    sql = f"SELECT entry_id, made_at, made_by, kind, vehicle_id, body FROM entered WHERE {' AND '.join(wanted)}"  # noqa: S608 - question marks only
    with _opened(store, write=False) as con:
        rows = con.execute(sql + " ORDER BY entry_id", given).fetchall()
    return [_entry(*row) for row in rows]


def stamp(store: Path) -> int:
    """Number of the newest entry: differs once something was entered; 0 without any."""
    if not (store / ENTERED_NAME).is_file():
        return 0
    with _opened(store, write=False) as con:
        return int(con.execute("SELECT coalesce(max(entry_id), 0) FROM entered").fetchone()[0])


def _entry(entry_id: int, made_at: str, made_by: str, kind: str, vehicle_id: str, body: str) -> Entry:
    if kind not in KINDS:
        raise StoreError(f"What was entered holds a {kind!r}, which this version does not know; update fleetbrake.")
    try:
        checked = KINDS[kind].model_validate_json(body)
    except ValidationError as error:
        raise StoreError(f"Entry {entry_id} of the store cannot be read: {error.errors()[0]['msg']}.") from error
    return Entry(entry_id, datetime.fromisoformat(made_at), made_by, kind, vehicle_id, checked)


@contextmanager
def _opened(store: Path, *, write: bool) -> Iterator[sqlite3.Connection]:
    """A connection that is closed at the end; the table is made by the first writer."""
    path = store / ENTERED_NAME
    try:
        mode = "rwc" if write else "ro"
        target = f"{path.resolve().as_uri()}?mode={mode}"
        with closing(sqlite3.connect(target, uri=True, timeout=_PATIENCE_S, isolation_level="IMMEDIATE")) as con:
            if write:
                con.executescript(_TABLE)
            yield con
    except sqlite3.Error as error:
        raise StoreError(f"{path}: what people enter cannot be {'written' if write else 'read'} ({error}).") from error

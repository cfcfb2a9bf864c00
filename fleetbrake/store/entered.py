"""What people enter: findings, fixed dates, deferrals, decisions on flags. One SQLite file in the store, append-only.

Several processes may write it at the same time, beside readers and a run that publishes; nothing in it is ever changed
or taken away but by retention and forgetting, what is newer stands. ``fleet.duckdb`` is made from the lake and from
this file, never the other way.
"""

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.core.foreign_text import MOST_NAME
from fleetbrake.store.disk_words import sqlite_reason
from fleetbrake.store.entered_lost import refuse_where_lost
from fleetbrake.store.entered_rows import KINDS, Body
from fleetbrake.store.entered_seals import ENTERED_NAME, SEALS_SQL, insert_sealed, seals_follow
from fleetbrake.store.files import made_for_all
from fleetbrake.store.forgetting.forgetter import Change, Forgetter, changed_json
from fleetbrake.store.forgetting.tombstones import Tombstones, read_tombstones
from fleetbrake.store.format import refuse_newer
from fleetbrake.store.remembered import no_copy, remember_entries
from fleetbrake.store.shut import PATIENCE_S, wary

__all__ = [
    "ENTERED_NAME",
    "KINDS",
    "TABLES_SQL",
    "Entry",
    "changed_body",
    "enter",
    "enter_all",
    "entries",
    "rewriting",
    "stamp",
]


TABLES_SQL = """
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
        The file cannot be written, or entries that were made before are gone from it.
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
    if len(made_by) > MOST_NAME:
        raise InputError(f"The name of whoever makes an entry has {MOST_NAME} letters at most.")
    if not rows:
        return
    noted = refuse_where_lost(store)
    try:
        with _opened(store, write=True) as con, con:
            con.execute("BEGIN IMMEDIATE")  # what is forgotten from here on is erased after this
            insert_sealed(con, _without_forgotten(store, rows))
    except UnicodeEncodeError as error:
        raise InputError("A name that was given holds characters that no text can keep.") from error
    remember_entries(store, noted)


def entries(store: Path, kinds: Sequence[str] = (), vehicle_id: str | None = None) -> list[Entry]:
    """Entries in the order in which they were made, of some kinds and one vehicle, or all; empty without the file.

    A forgotten id that a hold keeps in them is not shown.

    Raises
    ------
    StoreError
        The file cannot be read, or holds something that no version of this program wrote.
    """
    wanted, given = ["1 = 1"], []
    if kinds:
        wanted.append(f"kind IN ({', '.join('?' for _ in kinds)})")
        given += list(kinds)
    if vehicle_id is not None:
        wanted.append("vehicle_id = ?")
        given.append(vehicle_id)
    sql = f"SELECT entry_id, made_at, made_by, kind, vehicle_id, body FROM entered WHERE {' AND '.join(wanted)}"  # noqa: S608 - question marks only
    rows = _asked(store, sql + " ORDER BY entry_id", given)
    known = read_tombstones(store) if rows else Tombstones()
    if known.stones:  # also where all was erased: an older copy may have been put back since
        hide = Forgetter(known).text
        rows = [(no, at, hide(by), kind, of, changed_body(kind, body, hide)) for no, at, by, kind, of, body in rows]
    return [_entry(*row) for row in rows]


def stamp(store: Path) -> int:
    """Number of the newest entry: differs once something was entered; 0 without any."""
    rows = _asked(store, "SELECT max(entry_id) FROM entered", [])
    return int(rows[0][0] or 0) if rows else 0


_Row = tuple[str, str, str, str, str]


def _without_forgotten(store: Path, rows: list[_Row]) -> list[_Row]:
    """The rows as they may be kept."""
    forgetter = Forgetter(read_tombstones(store))
    if not forgetter:
        return rows
    return [
        (at, forgetter.text(by), kind, vehicle, changed_body(kind, body, forgetter.text))
        for at, by, kind, vehicle, body in rows
    ]


def changed_body(kind: str, body: str, change: Change) -> str:
    """The JSON of an entry with each text in it changed; texts that become too long for their place are cut."""
    new = changed_json(body, change)
    if new == body or kind not in KINDS:
        return new
    try:
        KINDS[kind].model_validate_json(new)
    except ValidationError:  # a word is longer than the id: nothing longer than before then
        return changed_json(body, lambda text: change(text)[: len(text)])
    return new


def _asked(store: Path, sql: str, given: list[str]) -> list[tuple[Any, ...]]:
    """Rows of a query; none where nobody has entered anything yet."""
    if not (store / ENTERED_NAME).is_file():
        return []
    with _opened(store, write=False) as con:
        # the first writer makes the file before the table, and may have been killed in between
        if not con.execute("SELECT 1 FROM sqlite_master WHERE name = 'entered'").fetchall():
            return []
        return con.execute(sql, given).fetchall()


def _entry(entry_id: int, made_at: str, made_by: str, kind: str, vehicle_id: str, body: str) -> Entry:
    if kind not in KINDS:
        raise StoreError(f"What was entered holds a {kind!r}, which this version does not know; update fleetbrake.")
    try:
        checked = KINDS[kind].model_validate_json(body)
    except ValidationError as error:
        first = error.errors()[0]
        if first["type"] == "extra_forbidden":
            raise StoreError(
                f"Entry {entry_id} of the store has a part that this version does not know; update fleetbrake."
            ) from error
        raise StoreError(
            f"Entry {entry_id} of the store cannot be read: {first['msg']}. Put entered.sqlite back from a copy of the "
            f"store. {no_copy('entries')}"
        ) from error
    return Entry(entry_id, datetime.fromisoformat(made_at), made_by, kind, vehicle_id, checked)


@contextmanager
def _opened(store: Path, *, write: bool) -> Iterator[sqlite3.Connection]:
    """A connection that is closed at the end; the table is made by the first writer."""
    path = store / ENTERED_NAME
    refuse_newer(store)
    try:
        if write:
            made_for_all(path)
        # a reader too may have to undo what a killed writer left half-written, hence never opened read-only
        target = f"{path.resolve().as_uri()}?mode={'rwc' if write else 'rw'}"
        with closing(sqlite3.connect(target, uri=True, timeout=PATIENCE_S, isolation_level="IMMEDIATE")) as con:
            wary(con)
            if write:
                con.executescript(TABLES_SQL + SEALS_SQL)
            else:
                con.execute("PRAGMA query_only = ON")
            yield con
    except (sqlite3.Error, UnicodeDecodeError) as error:  # a damaged file's own words may be no text
        raise StoreError(
            f"{path}: what people enter cannot be {'written' if write else 'read'} ({sqlite_reason(error)})."
        ) from error


@contextmanager
def rewriting(store: Path) -> Iterator[sqlite3.Connection]:
    """What was entered, open to be changed so that nothing old stays in the file: for retention and forgetting alone.

    Only for the holder of the writer's lock. The triggers that forbid it are put aside and back in one transaction; a
    killed run leaves all or nothing. Raises ``StoreError`` where the file cannot be read or written.
    """
    path = store / ENTERED_NAME
    try:
        with closing(sqlite3.connect(path, timeout=PATIENCE_S, isolation_level=None)) as con:
            wary(con)
            con.execute("PRAGMA secure_delete = ON")
            con.execute("BEGIN IMMEDIATE")
            try:
                asked = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'entered'"
                triggers = con.execute(asked).fetchall()
                for name, _ in triggers:
                    con.execute(f'DROP TRIGGER "{name}"')
                with seals_follow(con):
                    yield con
                for _, sql in triggers:
                    con.execute(sql)
                con.execute("COMMIT")
            except BaseException:
                con.execute("ROLLBACK")
                raise
            con.execute("VACUUM")
    except sqlite3.Error as error:
        raise StoreError(f"{path}: what people entered cannot be written ({sqlite_reason(error)}).") from error

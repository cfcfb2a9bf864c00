"""Feature rows and files for the tests of the store, written by hand: only what a test names differs from these."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa

from fleetbrake.store.arrow import arrow_schema
from fleetbrake.store.database import reading, rebuilding
from fleetbrake.store.lake import Lake, piece_key
from fleetbrake.store.lake_schema import LAKE_EVENT_WHEELS, LAKE_EVENTS
from fleetbrake.store.log import LogEntry
from fleetbrake.store.log_writing import commit_log
from fleetbrake.store.publish import publish_recordings
from fleetbrake.store.registers import merge_registers

START = datetime(2026, 1, 12, 8, 0, tzinfo=UTC)
SETTINGS = "settings-1"


def at(seconds: float) -> datetime:
    """So many seconds after ``START``."""
    return START + timedelta(seconds=seconds)


def event(event_id: str, **values: Any) -> dict[str, Any]:
    """A lake row of a plain brake application; NULL where nothing is given."""
    row = {
        "event_id": event_id,
        "vehicle_id": "van-1",
        "started_at": START,
        "samples": 400,
        "row_start": 0,
        "onset_s": 2.0,
        "continuous": False,
    }
    return row | values


def wheel(event_id: str, name: str, **values: Any) -> dict[str, Any]:
    """A lake row of a wheel."""
    return {"event_id": event_id, "wheel": name, "vehicle_id": "van-1"} | values


def ingest(store: Path, path: str, events: list[dict[str, Any]], wheels: list[dict[str, Any]] | None = None) -> str:
    """Write a file's rows and commit them, as a run does; the key of the piece."""
    key = piece_key(path, "sha-of-" + path, SETTINGS)
    Lake(store).write_piece(
        key,
        pa.Table.from_pylist(events, schema=arrow_schema(LAKE_EVENTS)),
        pa.Table.from_pylist(wheels or [], schema=arrow_schema(LAKE_EVENT_WHEELS)),
    )
    entry = LogEntry(path, "sha-of-" + path, SETTINGS, key, "loaded", rows=1000, events=len(events), loaded_at=START)
    commit_log(store, [entry])
    return key


def register(store: Path, **tables: list[dict[str, Any]]) -> None:
    """Merge register rows given as lists of dicts."""
    merge_registers(store, {name: pa.Table.from_pylist(rows) for name, rows in tables.items()})


def publish(store: Path) -> None:
    """Publish what was ingested."""
    with rebuilding(store) as con:
        publish_recordings(con, store)


def rows(store: Path, sql: str, *parameters: Any) -> list[tuple[Any, ...]]:
    """Rows of the published database."""
    with reading(store) as con:
        return con.execute(sql, list(parameters)).fetchall()


def column(store: Path, name: str, table: str = "events") -> list[Any]:
    """A column of a published table, in order of event id."""
    return [row[0] for row in rows(store, f"SELECT {name} FROM {table} ORDER BY event_id")]


def published(store: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every published table, as it stands in the file."""
    with reading(store) as con:
        names = [row[0] for row in con.execute("SHOW TABLES").fetchall()]
        return {name: con.execute(f'SELECT * FROM "{name}"').fetchall() for name in names}

"""A small fleet under clocks and zones that are wrong: its recordings, its nights, what came of them."""

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from faults.older_stores import write_inputs
from faults.time_clock import clock
from product_run import Stop, recording

from fleetbrake.core.tables import TABLES
from fleetbrake.store.database import reading
from fleetbrake.store.runs import last_runs
from fleetbrake.unattended.config import read_config
from fleetbrake.unattended.nightly import nightly

#: When the clock is right; the recordings are of the day before.
NOW = datetime(2026, 1, 6, 2, tzinfo=UTC)
#: What says when something was made, and not what is known.
_WHEN = {"ingest_log": ("loaded_at",), "predictions": ("made_on", "known_on")}
Tables = dict[str, list[tuple[str, ...]]]


def stop_of(vehicle: str, event: str, began: datetime, *, zone: str | None = "UTC") -> pa.Table:
    """A cut recording of one stop that begins at ``began``; its stamps in ``zone``, without one if None."""
    table = recording(Stop(16.0, 3.5, lag_s=0.1, rise_s=0.3), event, vehicle_id=vehicle, rate_hz=50.0)
    stamps = table.column("timestamp")
    moved = pc.add(pc.subtract(stamps, stamps[0]), pa.scalar(began, stamps.type))
    shown = moved.cast(pa.timestamp("us")) if zone is None else moved.cast(pa.timestamp("us", tz=zone))
    return table.set_column(table.schema.get_field_index("timestamp"), "timestamp", shown)


@dataclass(frozen=True)
class World:
    """A folder with recordings, registers, a configuration of the night and a store."""

    folder: Path

    @property
    def store(self) -> Path:
        return self.folder / "store"

    def night(self, at: datetime) -> tuple[int, dict[str, Any]]:
        """One night at this moment of the machine's clock; exit status and facts."""
        with clock(at):
            return nightly(read_config(self.folder / "fleet.toml", "recordings"))

    def add(self, vehicle: str, event: str, began: datetime) -> None:
        """Another recording."""
        pq.write_table(stop_of(vehicle, event, began), self.folder / "recordings" / f"{event}.parquet")

    def rows(self) -> Tables:
        """Every published table but for when things were made; predictions once for each day they are of."""
        found = {}
        with reading(self.store) as con:
            for name in TABLES:
                but = f" EXCLUDE ({', '.join(_WHEN[name])})" if name in _WHEN else ""
                rows = con.execute(f'SELECT DISTINCT *{but} FROM "{name}"').fetchall()
                found[name] = sorted(tuple(map(repr, row)) for row in rows)
        return found

    def told_on(self, at: datetime) -> int:
        """Number of predictions that were made on this day."""
        with reading(self.store) as con:
            return int(con.execute("SELECT count(*) FROM predictions WHERE made_on = ?", [at.date()]).fetchall()[0][0])

    def nights(self) -> list[tuple[int, str]]:
        """Year and ending of each run that the history knows, the newest first."""
        return [(run.started_at.year, run.outcome.value) for run in last_runs(self.store, 50)]


def world(folder: Path) -> World:
    """Two cars with three stops each on the day before :data:`NOW`, read and scored by nobody yet."""
    folder.mkdir(parents=True, exist_ok=True)
    write_inputs(folder)
    (folder / "fleet.toml").write_text(
        '[store]\nfolder = "store"\n[recordings]\nfolders = ["recordings"]\nregisters = "registers"\n', encoding="utf-8"
    )
    return World(folder)


@contextmanager
def machine_zone(zone: str) -> Iterator[None]:
    """The zone of the machine as this process sees it."""
    with patch.dict(os.environ, TZ=zone):
        time.tzset()
        try:
            yield
        finally:
            os.environ.pop("TZ")
    time.tzset()


def differs(one: Tables, other: Tables) -> list[str]:
    """Names of the tables that differ."""
    return [name for name, rows in one.items() if rows != other[name]]


def day_on(days: float) -> datetime:
    """The moment so many days after :data:`NOW`."""
    return NOW + timedelta(days=days)

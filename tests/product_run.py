"""Recordings from closed formulas, and the product's own way from them to the published tables."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.pipeline import IngestSummary, ingest
from fleetbrake.store.database import reading

START_US = 1_767_600_000_000_000  # 2026-01-05T08:00:00Z
#: Time between the recordings of one file: far more than the 60 s that make two events one incident.
APART_US = 600_000_000
WHEELS = ("1L", "1R", "2L", "2R")


@dataclass(frozen=True)
class Published:
    """What one run published: ``events`` by event id, ``wheels`` by event id and wheel."""

    events: pd.DataFrame
    wheels: pd.DataFrame
    summary: IngestSummary
    store: Path


@dataclass(frozen=True)
class Stop:
    """A stop in closed form: after ``lag_s`` of dead time the deceleration rises linearly in ``rise_s`` and then stays.

    The demand begins at time 0. With ``to_mps`` the brake is let go at that speed, which the vehicle then keeps.
    """

    from_mps: float
    decel_mps2: float
    lag_s: float = 0.0
    rise_s: float = 0.0
    to_mps: float = 0.0

    @property
    def end_s(self) -> float:
        """Time from the demand to standstill or release."""
        if self.decel_mps2 == 0.0:
            return self.lag_s
        return self.lag_s + 0.5 * self.rise_s + (self.from_mps - self.to_mps) / self.decel_mps2

    def speed(self, time_s: np.ndarray) -> np.ndarray:
        """Vehicle speed, m/s."""
        risen = time_s - self.lag_s
        half_way = np.clip(risen, 0.0, self.rise_s) ** 2 / (2.0 * self.rise_s) if self.rise_s else 0.0
        lost = self.decel_mps2 * (half_way + np.maximum(risen - self.rise_s, 0.0))
        return np.maximum(self.from_mps - lost, self.to_mps)


def recording(
    stop: Stop,
    event_id: str,
    *,
    rate_hz: float = 100.0,
    vehicle_id: str = "V1",
    number: int = 0,
    wheel_share: dict[str, Any] | None = None,
    **constant: float,
) -> pa.Table:
    """A cut recording of a stop: speed and pedal, 2 s before to 2 s after, contract names.

    ``wheel_share`` gives for each wheel a function of the time from the demand: its speed over the vehicle's.
    ``constant`` are further channels that stay as they are. ``number`` sets recordings of one file apart in time.
    """
    samples = int(np.ceil((stop.end_s + 4.0) * rate_hz)) + 1
    ticks = np.arange(samples) - round(2.0 * rate_hz)
    time_s = ticks / rate_hz
    speed = stop.speed(time_s)
    stamps = START_US + number * APART_US + np.round((time_s + 2.0) * 1e6).astype(np.int64)
    pressed = (time_s >= 0.0) & (time_s < stop.end_s if stop.to_mps else True)
    columns: dict[str, Any] = {
        "event_id": [event_id] * samples,
        "vehicle_id": [vehicle_id] * samples,
        "timestamp": pa.array(stamps, pa.timestamp("us", tz="UTC")),
        "speed_mps": speed,
        "brake_pedal_pct": np.where(pressed, 60.0, 0.0),
    }
    for wheel, share in (wheel_share or {}).items():
        columns[f"wheel_speed_{wheel.lower()}_mps"] = speed * share(time_s)
    for name, value in constant.items():
        columns[name] = np.full(samples, value)
    return pa.table(columns)


def stops_file(stops: Iterable[tuple[str, Stop]], **how: Any) -> pa.Table:
    """Several stops as one file of cut recordings, in order, well apart in time."""
    return pa.concat_tables([recording(stop, name, number=k, **how) for k, (name, stop) in enumerate(stops)])


class Together:
    """Files of several tests that went through one run: each as if it had been published alone.

    Ids of events and vehicles have the name of the file before them while they are in the store.
    """

    def __init__(self, run: Published) -> None:
        self._run = run

    def __getitem__(self, name: str) -> Published:
        events, wheels = (_of_file(rows, name) for rows in (self._run.events, self._run.wheels))
        return Published(events, wheels, self._run.summary, self._run.store)


def _of_file(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    levels, begin = rows.index.names, f"{name}/"
    rows = rows.reset_index()
    rows = rows[rows["event_id"].str.startswith(begin)].copy()
    for column in ("event_id", "vehicle_id"):
        rows[column] = rows[column].str.removeprefix(begin)
    return rows.set_index(list(levels))


def publish_together(
    folder: Path, files: dict[str, pa.Table], vehicles: dict[str, list[dict[str, Any]]] | None = None
) -> Together:
    """As ``publish`` for each of the files with its own register of vehicles, in one run."""
    marked = {}
    for name, table in files.items():
        own = table
        for column in ("event_id", "vehicle_id"):
            ids = pa.array([f"{name}/{value}" for value in table.column(column).to_pylist()])
            own = own.set_column(own.schema.get_field_index(column), column, ids)
        marked[f"{name}.parquet"] = own
    known = [
        row | {"vehicle_id": f"{name}/{row['vehicle_id']}"} for name, rows in (vehicles or {}).items() for row in rows
    ]
    return Together(publish(folder, marked, vehicles=known))


def publish(
    folder: Path,
    files: dict[str, pa.Table],
    *,
    vehicles: list[dict[str, Any]] | None = None,
    mapping: str | None = None,
) -> Published:
    """Write the files and the register of vehicles, run ``ingest``, read the published tables back."""
    drop, store, registers = folder / "recordings", folder / "store", None
    drop.mkdir(parents=True, exist_ok=True)
    for name, table in files.items():
        pq.write_table(table, drop / name)
    if vehicles:
        registers = folder / "registers"
        registers.mkdir(exist_ok=True)
        pd.DataFrame(vehicles).to_csv(registers / "vehicles.csv", index=False)
    summary = ingest([drop], store, registers=registers, mapping=mapping)
    with reading(store) as con:
        events = con.execute("SELECT * FROM events ORDER BY started_at, event_id").df()
        wheels = con.execute("SELECT * FROM event_wheels ORDER BY event_id, wheel").df()
    return Published(events.set_index("event_id"), wheels.set_index(["event_id", "wheel"]), summary, store)

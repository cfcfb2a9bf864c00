"""A store in which a driver's id stands wherever one can: columns, event ids, paths, notes, trips, entries, logs."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from product_run import APART_US, START_US, Stop, recording

from fleetbrake import pipeline
from fleetbrake.recordings.register_rows import Inspection
from fleetbrake.store import runs
from fleetbrake.store.database import reading
from fleetbrake.store.findings import enter_finding

DRIVER = "DRV-0042"
#: Another driver, who must stay.
OTHER = "DRV-0043"
MONTH = "2026-01"
#: Everything that is counted, by plain SQL.
TOTALS = (
    "SELECT strftime(started_at AT TIME ZONE 'UTC', '%Y-%m') AS month, count(*), count_if(hard_stop), "
    "count_if(lockup), sum(braking_distance_m ORDER BY started_at, vehicle_id) FROM events "
    "GROUP BY month ORDER BY month",
    "SELECT strftime(started_at AT TIME ZONE 'UTC', '%Y-%m') AS month, count(*), sum(distance_km) FROM trips "
    "GROUP BY month ORDER BY month",
    "SELECT * FROM month_figures ORDER BY ALL",
    "SELECT count(*), sum(rows), sum(events) FROM ingest_log",
    "SELECT vehicle_id, as_of, health_score, rank FROM vehicle_health ORDER BY ALL",
)


@dataclass(frozen=True)
class Made:
    """Folders of one made fleet."""

    recordings: Path
    registers: Path
    store: Path


def drive(driver: str, vehicle: str, event_ids: list[str], *, hour: int = 0, **how: float) -> pa.Table:
    """Stops of one driver as one table, one wheel to look at; all of them hard ones."""
    wheel = {"1L": lambda time: 1.0 + 0.0 * time}
    tables = [
        recording(
            Stop(20.0, 6.0), name, vehicle_id=vehicle, number=k + 6 * hour, rate_hz=20.0, wheel_share=wheel, **how
        )
        for k, name in enumerate(event_ids)
    ]
    whole = pa.concat_tables(tables)
    return whole.append_column("driver_id", pa.array([driver] * whole.num_rows, pa.string()))


def make(folder: Path, *drivers: str, scored: bool = False) -> Made:
    """The fleet: each of the drivers has a vehicle (V1, V2 ...), ``OTHER`` has ``W``.

    What ``X`` recorded names the first driver, its trip ``OTHER``.
    """
    made = Made(folder / "recordings", folder / "registers", folder / "store")
    made.registers.mkdir()
    for number, driver in enumerate(drivers, start=1):
        named = made.recordings / f"driver_id={driver}"
        named.mkdir(parents=True)
        pq.write_table(drive(driver, f"V{number}", [f"ev {driver} {k}" for k in range(3)]), named / "a.parquet")
        (made.recordings / f"{driver} bad.parquet").write_bytes(b"no Parquet")
    both = [drive(OTHER, "W", ["e-0", "e-1", "e-2"]), drive(drivers[0], "X", ["f-0", "f-1"])]
    pq.write_table(pa.concat_tables(both), made.recordings / "b.parquet")
    _write_registers(made, drivers)
    pipeline.ingest([made.recordings], made.store, registers=made.registers)
    if scored:
        pipeline.score(made.store)
        pipeline.plan(made.store)
    for driver in drivers:
        _people_and_logs(made.store, driver)
    return made


def _write_registers(made: Made, drivers: Sequence[str]) -> None:
    """Registers that name the drivers in columns, keys and texts."""

    def moment(us: int) -> str:
        return pd.Timestamp(us, unit="us", tz="UTC").isoformat()

    begun, ended = moment(START_US - 1_000_000), moment(START_US + 30 * APART_US)
    driven = [
        *((f"V{k}", one, one) for k, one in enumerate(drivers, start=1)),
        ("W", OTHER, "w"),
        ("X", OTHER, drivers[0]),
    ]
    trips = [
        {
            "trip_id": f"{named}/{vehicle}",
            "vehicle_id": vehicle,
            "driver_id": who,
            "started_at": begun,
            "ended_at": ended,
            "distance_km": 60,
        }
        for vehicle, who, named in driven
    ]
    tables = {
        "vehicles": [{"vehicle_id": one, "category": "N2", "axles": 2, "depot": "North"} for one, _, _ in driven],
        "drivers": [{"driver_id": one, "depot": "North"} for one in (*drivers, OTHER)],
        "trips": trips,
        "defect_reports": [
            {"vehicle_id": "V1", "reported_at": begun, "text": f"{one}: pulls to the left", "severity": 1}
            for one in drivers
        ],
    }
    for name, rows in tables.items():
        pd.DataFrame(rows).to_csv(made.registers / f"{name}.csv", index=False)


def _people_and_logs(store: Path, driver: str) -> None:
    note = f"driver {driver} says it pulls; see {driver}."
    row = Inspection(inspection_id=f"in-{driver}", vehicle_id="V1", inspected_on=date(2026, 1, 5), wheel="1L",
                     finding="none", severity=0, note=note)  # fmt: skip
    enter_finding(store, "A. Clerk", [row])
    at = datetime(2026, 1, 6, tzinfo=UTC)
    with runs.living(store, f"run-{len(driver)}"):
        runs.begin(store, f"run-{len(driver)}", "nightly", at, 400)
        summary = {"problems": [f"{driver} bad.parquet: no file"]}
        runs.end(store, f"run-{len(driver)}", at, runs.Outcome.DONE, 0, summary, note)
    (store / "logs").mkdir(exist_ok=True)
    line = json.dumps({"level": "warning", "text": f"/x/driver_id={driver}/a.parquet: {note}"})
    with (store / "logs" / "fleetbrake-2026-01-06.jsonl").open("a", encoding="utf-8") as log:
        log.write(line + "\n")


def totals(store: Path) -> list[list[tuple[object, ...]]]:
    """What is counted, whoever drove."""
    with reading(store) as con:
        return [con.execute(sql).fetchall() for sql in TOTALS]


def ask(store: Path, sql: str) -> list[tuple[object, ...]]:
    """Rows of the published database."""
    with reading(store) as con:
        return con.execute(sql).fetchall()

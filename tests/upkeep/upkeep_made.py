"""A small store made by the product's own ingest: drives of known days, drivers and places, with registers."""

import csv
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from product_run import Stop, recording

from fleetbrake.pipeline import ingest
from fleetbrake.store.database import reading

#: Ages are counted from here: 13 months before is 28 February 2025.
TODAY = date(2026, 3, 31)
#: Vehicle, driver in the file, day, latitude: two are older than 13 months, the third is of the last day kept.
DRIVES = (
    ("van-1", "D-one", "2025-01-10", 48.111111),
    ("van-2", None, "2025-02-27", 48.222222),  # its driver is known from the trip alone
    ("van-1", "D-one", "2025-02-28", 48.333333),
    ("van-2", "D-two", "2026-03-20", 48.444444),
)


def drive_file(folder: Path, vehicle: str, driver: str | None, day: str, latitude: float) -> Path:
    """A recording of one hard stop at 09:00 UTC of the day."""
    table = recording(Stop(20.0, 6.0, rise_s=0.3), f"{vehicle}-{day}", vehicle_id=vehicle, rate_hz=20.0)
    began = datetime.fromisoformat(f"{day}T09:00").replace(tzinfo=UTC)
    stamps = table.column("timestamp")
    shifted = pc.add(pc.subtract(stamps, stamps[0]), pa.scalar(began, stamps.type))
    table = table.set_column(table.schema.get_field_index("timestamp"), "timestamp", shifted)
    table = table.append_column("latitude_deg", pa.array(np.full(table.num_rows, latitude)))
    table = table.append_column("longitude_deg", pa.array(np.full(table.num_rows, latitude - 37.0)))
    if driver is not None:
        table = table.append_column("driver_id", pa.array([driver] * table.num_rows))
    path = folder / f"{vehicle}-{day}.parquet"
    folder.mkdir(parents=True, exist_ok=True)
    pq.write_table(table, path)
    return path


def write_registers(folder: Path, **more: list[dict[str, Any]]) -> Path:
    """Vehicles, drivers and a trip of 100 km around each drive, and what else is given."""
    trips = [
        {
            "trip_id": f"trip-{number}",
            "vehicle_id": vehicle,
            "driver_id": driver or "D-two",
            "started_at": f"{day}T08:00:00Z",
            "ended_at": f"{day}T10:00:00Z",
            "distance_km": 100,
        }
        for number, (vehicle, driver, day, _) in enumerate(DRIVES)
    ]
    tables: dict[str, list[dict[str, Any]]] = {
        "vehicles": [{"vehicle_id": name, "category": "N1", "depot": "North"} for name in ("van-1", "van-2")],
        "drivers": [{"driver_id": name, "depot": "North"} for name in ("D-one", "D-two")],
        "trips": trips,
        **more,
    }
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in tables.items():
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    return folder


def make_store(folder: Path, **more: list[dict[str, Any]]) -> Path:
    """The store, with ``recordings`` and ``registers`` beside it."""
    for drive in DRIVES:
        drive_file(folder / "recordings", *drive)
    ingest([folder / "recordings"], folder / "store", registers=write_registers(folder / "registers", **more))
    return folder / "store"


def read_again(folder: Path, store: Path) -> None:
    """Read the same files again, as if other settings had to be applied: nothing in the lake is known any more."""
    for piece in (store / "lake").rglob("*.parquet"):
        if piece.name != "log.parquet":
            piece.unlink()
    ingest([folder / "recordings"], store, registers=folder / "registers")


def asked(store: Path, sql: str) -> list[tuple[Any, ...]]:
    """Rows of the published file."""
    with reading(store) as con:
        return con.execute(sql).fetchall()


def totals(store: Path) -> list[tuple[Any, ...]]:
    """Events, hard stops and kilometres by month, by plain SQL on events and trips."""
    return asked(
        store,
        "SELECT strftime(started_at, '%Y-%m') AS month, count(*), count_if(hard_stop), 0.0 FROM events GROUP BY ALL "
        "UNION ALL SELECT strftime(started_at, '%Y-%m'), 0, 0, sum(distance_km) FROM trips GROUP BY ALL ORDER BY ALL",
    )


def everything(store: Path) -> dict[str, bytes]:
    """The bytes of every file of the store, but for what says who holds the lock."""
    return {
        str(path.relative_to(store)): path.read_bytes()
        for path in sorted(store.rglob("*"))
        if path.is_file() and not path.name.startswith("store.lock")
    }


def values_of(store: Path) -> set[Any]:
    """Every value of every Parquet file and of every table of every DuckDB file, decoded by DuckDB alone."""
    found: set[Any] = set()
    with duckdb.connect(":memory:") as con:
        for path in sorted((store).rglob("*.parquet")):
            if "held" not in path.relative_to(store).parts:
                for row in con.execute("SELECT * FROM read_parquet(?)", [str(path)]).fetchall():
                    found.update(value for value in row if not isinstance(value, list | dict))
        for path in sorted(store.glob("*.duckdb")):
            con.execute(f"ATTACH '{path}' AS one (READ_ONLY)")
            for (name,) in con.execute("SELECT table_name FROM duckdb_tables() WHERE database_name = 'one'").fetchall():
                for row in con.execute(f'SELECT * FROM one."{name}"').fetchall():
                    found.update(value for value in row if not isinstance(value, list | dict))
            con.execute("DETACH one")
    return found


def bytes_hold(store: Path, latitude: float) -> list[str]:
    """Files in which the position stands as a number in binary form."""
    needle = np.float64(latitude).tobytes()
    return [name for name, content in everything(store).items() if needle in content]

"""What publishing costs, by files that stand and files that are new. Asserts nothing.

    python tests/benchmarks/publish.py [--files 1000 10000 100000] [--new 50] [--events 8] [--folder DIR]

Each store has a hundred recording files a vehicle with a few events each and a trip a file. Values are random: no row
comes from a recording. Files that stand are written as blocks of the lake, as they are kept once they have aged; new
ones as pieces of their own, as a run leaves them. Each step is a process of its own, so that its processor time and
its peak memory are its own.
"""

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from fleetbrake.core.tables import REGISTERS
from fleetbrake.store.arrow import arrow_schema, in_schema
from fleetbrake.store.database import database_path, rebuilding
from fleetbrake.store.lake import BLOCK_PIECES, EVENTS_SCHEMA, PIECE_KEY, STAMPS_SCHEMA, WHEELS_SCHEMA, Lake, piece_key
from fleetbrake.store.lake_blocks import Blocks
from fleetbrake.store.log import LogEntry, read_log
from fleetbrake.store.log_writing import commit_log
from fleetbrake.store.publish import publish_recordings
from fleetbrake.store.registers import merge_registers

BEGIN = datetime(2025, 6, 1, 5, 0, tzinfo=UTC)
FILES_A_VEHICLE = 100
WHEELS = ("1L", "1R", "2L", "2R")
STEPS = ("all anew", "nothing new", "new files", "one file changed")


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    asked.add_argument("--files", type=int, nargs="+", default=[1_000, 10_000, 100_000])
    asked.add_argument("--new", type=int, default=50)
    asked.add_argument("--events", type=int, default=8, help="events a file")
    asked.add_argument("--folder", type=Path, help="where stores are made; by default a temporary folder")
    asked.add_argument("--step", choices=STEPS, help=argparse.SUPPRESS)
    given = asked.parse_args()
    if given.step:
        _run_step(given.folder, given.step, given.new, given.events)
        return
    print("files standing  step              clock s  processor s  log s  lake s  publish s  peak MiB  database MiB")
    for files in given.files:
        folder = Path(tempfile.mkdtemp(prefix=f"publish-{files}-", dir=given.folder))
        try:
            make_store(folder, files, given.events)
            for step in STEPS:
                _tell(files, step, _in_process(folder, step, given.new, given.events))
        finally:
            shutil.rmtree(folder)


def make_store(store: Path, files: int, events: int) -> None:
    """A store of so many files, all of them in blocks."""
    vehicles = max(1, files // FILES_A_VEHICLE)
    names = [f"V{number:05d}" for number in range(vehicles)]
    register = {
        "vehicle_id": names,
        "category": ["N3"] * vehicles,
        "depot": [f"depot-{n % 9}" for n in range(vehicles)],
    }
    register |= {"axles": [2] * vehicles, "actuation": ["air"] * vehicles, "max_mass_kg": [18_000.0] * vehicles}
    merge_registers(store, {"vehicles": pa.table(register)})
    entries = [_entry(number % vehicles, number // vehicles, events) for number in range(files)]
    _trips(store, range(files), vehicles)
    blocks, index = Blocks(store / "lake"), []
    for first in range(0, files, BLOCK_PIECES):
        some = range(first, min(first + BLOCK_PIECES, files))
        tables = _rows([(n % vehicles, n // vehicles, entries[n].key or "") for n in some], events, seed=first)
        keys = [entries[n].key for n in some]
        stamps = pa.table({"key": keys, "events_stamp": [0] * len(keys), "wheels_stamp": [0] * len(keys)})
        index.append(blocks.write(in_schema(stamps, STAMPS_SCHEMA, "stamps"), *tables))
    blocks.write_index(pa.concat_tables(index))
    commit_log(store, entries)


def add_files(store: Path, new: int, events: int) -> list[LogEntry]:
    """One more file of so many vehicles into the lake, as workers do, and their trips into the register."""
    log = read_log(store)
    vehicles = max(1, len(log) // FILES_A_VEHICLE)
    entries = [_entry(number % vehicles, FILES_A_VEHICLE + number // vehicles, events) for number in range(new)]
    for number, entry in enumerate(entries):
        _write(store, entry, number % vehicles, FILES_A_VEHICLE + number // vehicles, events)
    _trips(store, range(vehicles * FILES_A_VEHICLE, vehicles * FILES_A_VEHICLE + new), vehicles)
    return entries


def change_file(store: Path, events: int) -> list[LogEntry]:
    """A file in the middle of what stands with other bytes."""
    old = sorted(read_log(store).entries)[len(read_log(store)) // 2]
    vehicle, day = int(old[1:6]), int(old[11:14])
    entry = _entry(vehicle, day, events, bytes_="other")
    _write(store, entry, vehicle, day, events)
    return [entry]


def _write(store: Path, entry: LogEntry, vehicle: int, day: int, events: int) -> None:
    key = entry.key or ""
    tables = _rows([(vehicle, day, key)], events, seed=7 * day + vehicle + len(entry.sha256))
    Lake(store).write_piece(key, *(table.drop_columns(PIECE_KEY) for table in tables))


def _entry(vehicle: int, day: int, events: int, bytes_: str = "first") -> LogEntry:
    path = f"V{vehicle:05d}/day-{day:03d}.parquet"
    key = piece_key(path, bytes_, "settings")
    at = BEGIN + timedelta(days=day)
    facts: dict[str, Any] = {"rows": 800 * events, "events": events, "loaded_at": at + timedelta(days=1), "vehicles": 1}
    facts |= {"first_at": at, "last_at": at + timedelta(hours=8), "channels": "speed_mps,brake_pressure_kpa"}
    return replace(LogEntry(path, bytes_, "settings", key, "loaded"), **facts)


def _trips(store: Path, numbers: range, vehicles: int) -> None:
    at = [BEGIN + timedelta(days=number // vehicles) for number in numbers]
    trips = {
        "trip_id": [f"T{number:07d}" for number in numbers],
        "vehicle_id": [f"V{number % vehicles:05d}" for number in numbers],
        "driver_id": [f"D{number % (2 * vehicles):05d}" for number in numbers],
        "started_at": at,
        "ended_at": [one + timedelta(hours=9) for one in at],
        "distance_km": [200.0 + number % 50 for number in numbers],
    }
    merge_registers(store, {"trips": pa.table(trips, schema=_part("trips", trips))})


def _part(name: str, columns: dict[str, Any]) -> pa.Schema:
    return arrow_schema({column: type_ for column, type_ in REGISTERS[name] if column in columns})


def _rows(pieces: list[tuple[int, int, str]], events: int, seed: int) -> tuple[pa.Table, pa.Table]:
    """Random rows of the events and wheels of some pieces, given as (vehicle, day, key)."""
    rng, count = np.random.default_rng(seed), len(pieces) * events
    vehicles = np.repeat([f"V{vehicle:05d}" for vehicle, _, _ in pieces], events)
    number = np.tile(np.arange(events), len(pieces))
    day = np.repeat([day for _, day, _ in pieces], events)
    start = np.datetime64(BEGIN.replace(tzinfo=None), "us") + day * np.timedelta64(86_400_000_000, "us")
    keys = np.repeat([key for _, _, key in pieces], events)
    known: dict[str, Any] = {
        "event_id": [f"{key[:12]}-{n}" for key, n in zip(keys, number, strict=True)],
        "vehicle_id": vehicles,
        "driver_id": [None] * count,
        "started_at": start + number * np.timedelta64(1_800_000_000, "us"),
        "samples": np.full(count, 800),
        "row_start": number * 800,
        "onset_s": np.full(count, 2.0),
        "end_s": np.full(count, 6.0),
        "continuous": np.ones(count, bool),
        "not_braking": [None] * count,
        "driver_forgotten": [None] * count,
        PIECE_KEY: keys,
    }
    wide = {**_random(EVENTS_SCHEMA, count, rng), **known}
    again = len(WHEELS)
    wheels = {
        **_random(WHEELS_SCHEMA, count * again, rng),
        "event_id": np.repeat(known["event_id"], again),
        "vehicle_id": np.repeat(vehicles, again),
        "wheel": np.tile(WHEELS, count),
        PIECE_KEY: np.repeat(keys, again),
    }
    return _table(wide, EVENTS_SCHEMA), _table(wheels, WHEELS_SCHEMA)


def _random(schema: pa.Schema, count: int, rng: np.random.Generator) -> dict[str, Any]:
    """Values of every column: a quarter of them missing, numbers of three digits, words of a few."""
    makers: dict[pa.DataType, Callable[[], Any]] = {
        pa.float64(): lambda: np.round(rng.gamma(2.0, 3.0, count), 2),
        pa.int64(): lambda: rng.integers(0, 20, count),
        pa.bool_(): lambda: rng.random(count) < 0.2,
        pa.string(): lambda: rng.choice(["one", "two", "three"], count),
    }
    some = {field.name: makers[field.type]() for field in schema if field.type in makers}
    return {name: pa.array(values, mask=rng.random(count) < 0.25) for name, values in some.items()}


def _table(columns: dict[str, Any], schema: pa.Schema) -> pa.Table:
    arrays = {name: values if isinstance(values, pa.Array) else pa.array(values) for name, values in columns.items()}
    table = pa.table({name: arrays[name] for name in schema.names if name in arrays})
    place = table.schema.names
    for name in ("started_at",):
        if name in place:
            utc = table.column(name).cast(pa.timestamp("us")).cast(pa.timestamp("us", tz="UTC"))
            table = table.set_column(place.index(name), name, utc)
    return in_schema(table, schema, "rows")


def _run_step(store: Path, step: str, new: int, events: int) -> None:
    """One step in this process: what was read in goes to the lake first, which is not timed."""
    entries = {"new files": add_files, "one file changed": lambda s, _, e: change_file(s, e)}.get(step, lambda *_: [])(
        store, new, events
    )
    peak_before, spent, clock = _peak(), time.process_time(), time.perf_counter()
    parts = {}
    begun = time.process_time()
    log = commit_log(store, entries)
    parts["log"], begun = time.process_time() - begun, time.process_time()
    with rebuilding(store, memory_limit="400MB", threads=2) as con:
        publish_recordings(con, store, anew=step == "all anew")
    parts["publish"], begun = time.process_time() - begun, time.process_time()
    Lake(store).remove_unlisted(log.keys())
    parts["lake"] = time.process_time() - begun
    told = {**parts, "clock": time.perf_counter() - clock, "processor": time.process_time() - spent}
    print(
        json.dumps(
            {**told, "peak": _peak(), "before": peak_before, "size": database_path(store).stat().st_size / 2**20}
        )
    )


def _peak() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _in_process(store: Path, step: str, new: int, events: int) -> dict[str, float]:
    command = [
        sys.executable,
        __file__,
        "--folder",
        str(store),
        "--step",
        step,
        "--new",
        str(new),
        "--events",
        str(events),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    told: dict[str, float] = json.loads(done.stdout)
    return told


def _tell(files: int, step: str, told: dict[str, float]) -> None:
    print(
        f"{files:14,d}  {step:16s} {told['clock']:8.2f} {told['processor']:12.2f} {told['log']:6.2f} "
        f"{told['lake']:7.2f} {told['publish']:10.2f} {told['peak']:9.0f} {told['size']:13.0f}",
        flush=True,
    )


if __name__ == "__main__":
    main()

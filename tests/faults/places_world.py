"""A small fleet to try faults on: a store that has some of its recordings, and more that are still to come in."""

import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
from product_run import Stop, stops_file

from fleetbrake.pipeline import ingest

DRIVERS = ("driver-north-1", "driver-south-2", "driver-west-3")
MONTH = "2026-01"


@dataclass(frozen=True)
class World:
    """``first`` is in the ``store``; ``second`` and the newer state of the ``registers`` are not yet."""

    folder: Path
    first: Path
    second: Path
    registers: Path
    store: Path
    month: str = MONTH

    def with_store(self, store: Path) -> "World":
        """The same with a copy of the store elsewhere."""
        shutil.copytree(self.store, store)
        return replace(self, store=store)

    @property
    def ingest(self) -> list[str]:
        """The command that brings in what is not there yet."""
        named = [self.first, self.second, "--store", self.store, "--registers", self.registers]
        return ["ingest", *map(str, named)]


@dataclass(frozen=True)
class Size:
    """How many files come first and second, and events in each."""

    first: int
    second: int
    events: int


small_world = Size(3, 3, 2)


def make_world(folder: Path, size: Size = small_world) -> World:
    """The files, and the store after its first reading."""
    world = World(folder, folder / "first", folder / "second", folder / "registers", folder / "store")
    write_files(world.first, range(size.first), size.events)
    write_files(world.second, range(size.first, size.first + size.second), size.events)
    write_registers(world.registers, 2)
    ingest([world.first], world.store, registers=world.registers)
    write_registers(world.registers, 3)
    return world


def write_files(folder: Path, numbers: range, events: int = 2) -> None:
    """One recording a number, each a vehicle and driver of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    for n in numbers:
        stops = [(f"event-{n}-{k}", Stop(12.0 + n % 7 + k, 3.0 + n % 4)) for k in range(events)]
        table = stops_file(stops, vehicle_id=f"V{n % 3}", rate_hz=20.0)
        table = table.append_column("driver_id", [[DRIVERS[n % 3]] * table.num_rows])
        pq.write_table(table, folder / f"r{n:04}.parquet")


def write_registers(folder: Path, vehicles: int) -> None:
    """Vehicles, drivers and trips as CSV."""
    folder.mkdir(parents=True, exist_ok=True)
    ids = [f"V{k}" for k in range(vehicles)]
    pd.DataFrame({"vehicle_id": ids, "category": "M1", "axles": 2, "actuation": "hydraulic", "depot": "north"}).to_csv(
        folder / "vehicles.csv", index=False
    )
    pd.DataFrame({"driver_id": DRIVERS[:vehicles], "depot": "north"}).to_csv(folder / "drivers.csv", index=False)

"""From a nuisance, a seed and a vehicle to true states, sensor values and a recording at each logger rate."""

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from benchmarks.truth.states import Truth, truth_of

from fleetbrake.simulation.applications import VehicleSpec
from fleetbrake.simulation.loggers import TRUTH_HZ, Rows, Setup, record_rows, rows_of
from fleetbrake.simulation.nuisances import NUISANCES, Nuisance
from fleetbrake.simulation.run import Simulated, simulate
from fleetbrake.simulation.trials import SPECS, quicken_on_ice, trial
from fleetbrake.simulation.wheel_sensors import Loss, rolling_radii

START_US = 1_767_600_000_000_000  # 2026-01-05T08:00:00Z
APART_US = 600_000_000
BEFORE_S = AFTER_S = 2.0


@dataclass(frozen=True)
class Case:
    """One vehicle under one nuisance: everything that is known of it besides its recordings."""

    name: str
    seed: int
    spec: VehicleSpec
    nuisance: Nuisance
    setup: Setup
    sim: Simulated
    loss: Loss
    truth: Truth

    @property
    def wheels(self) -> int:
        """Number of wheels."""
        return 2 * self.spec.axles

    def vehicle_id(self, rate: float) -> str:
        """A vehicle of its own for every rate, so that nothing learned from one file helps another."""
        plain = re.sub("[^A-Za-z0-9]+", "_", self.name).strip("_")
        return f"{plain}-{self.seed}-{self.spec.name}-{rate:.0f}"

    @property
    def by_pressure(self) -> bool:
        """Whether the line pressure, not the pedal, tells of the demand."""
        return not self.setup.pedal or self.setup.source not in (None, "driver")

    @property
    def silent(self) -> list[int]:
        """Wheels whose sensors say nothing."""
        stage = self.nuisance.stage
        return [] if stage is None else [w % self.wheels if w < 0 else w for w in stage.silent if w < self.wheels]


def make_case(name: str, seed: int, spec: VehicleSpec, events: int) -> Case:
    """Draw, simulate, and read the truth."""
    nuisance = NUISANCES[name]
    # the applications under a nuisance of the sensors alone are those of "none": what differs is the nuisance
    apps = trial(spec, events, np.random.default_rng([seed, crc32(spec.name.encode())]))
    rng = np.random.default_rng([seed, crc32(spec.name.encode()), crc32(name.encode())])
    if nuisance.drive is not None:
        nuisance.drive(apps, spec, rng)
    quicken_on_ice(apps)
    setup = Setup(axles=spec.axles, radius_error=rng.uniform(-0.005, 0.005, 6))
    if nuisance.setup is not None:
        nuisance.setup(setup, spec, rng)
    sim = simulate(apps, rate_hz=TRUTH_HZ, before_s=BEFORE_S, after_s=AFTER_S)
    return _case(name, seed, spec, nuisance, setup, sim, rng)


def _case(name: str, seed: int, spec: VehicleSpec, nuisance: Nuisance, setup: Setup, sim: Simulated, rng: Any) -> Case:
    wheel = rolling_radii(sim, setup.radius_error)
    loss = Loss(wheel, np.zeros(wheel.shape, dtype=bool))
    if nuisance.sensors is not None:
        loss = nuisance.sensors(sim, wheel, spec, rng)
    by_pressure = not setup.pedal or setup.source not in (None, "driver")
    return Case(name, seed, spec, nuisance, setup, sim, loss, truth_of(sim, 2 * spec.axles, by_pressure=by_pressure))


def make_cases(name: str, seed: int, events: int) -> list[Case]:
    """All vehicles of one nuisance and seed."""
    if name == "multi-body model":
        from benchmarks.truth.multibody import simulated_cars  # an installed package of its own

        spec, sim = simulated_cars(seed, max(6, events // 2))
        rng = np.random.default_rng([seed, 99])
        setup = Setup(axles=2, radius_error=rng.uniform(-0.005, 0.005, 6))
        case = _case(name, seed, spec, Nuisance(), setup, sim, rng)
        no_class = np.full(len(sim.applications), "", dtype=object)  # its tyre is no road's published curve
        return [replace(case, truth=replace(case.truth, surface=no_class))]
    return [make_case(name, seed, spec, events) for spec in SPECS]


def write_recording(case: Case, rate: float, folder: Path) -> Rows:
    """The case's recording at a rate as ``folder/<vehicle>.parquet``; returns which true samples its rows are."""
    sim = case.sim
    rng = np.random.default_rng([case.seed, int(rate), crc32(case.name.encode()), crc32(case.spec.name.encode())])
    rows = rows_of(sim, case.setup, rate, rng)
    channels = record_rows(sim, case.setup, rows, case.loss.wheel, rng)
    if case.nuisance.stage is not None:
        case.nuisance.stage.change(channels, sim, rows, case.setup, rng)
    vehicle = case.vehicle_id(rate)
    us = START_US + rows.event.astype(np.int64) * APART_US
    us += np.round((sim.time_s[rows.index] + BEFORE_S) * 1e6).astype(np.int64)
    columns: dict[str, Any] = {
        "event_id": pa.array([f"{vehicle}-{e:03d}" for e in rows.event], pa.string()),
        "vehicle_id": pa.array([vehicle] * rows.index.size, pa.string()),
        "timestamp": pa.array(us, pa.timestamp("us", tz="UTC")),
    }
    for name, values in channels.items():
        columns[name] = pa.array(values.astype(np.float32) if values.dtype.kind == "f" else values)
    table = pa.table(columns)
    if case.setup.label is not None:
        table = table.replace_schema_metadata({"speed_source": case.setup.label})
    pq.write_table(table, folder / f"{vehicle}.parquet")
    return rows


def register_row(case: Case, rate: float) -> dict[str, Any]:
    """The vehicle in the register."""
    return {
        "vehicle_id": case.vehicle_id(rate),
        "category": case.spec.category,
        "axles": case.spec.axles,
        "actuation": case.spec.actuation,
    }

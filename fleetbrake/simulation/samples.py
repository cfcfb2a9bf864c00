"""``write_samples``: the small recordings of ``data_samples/recordings``, one surface or fault each."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.simulation.applications import BUS, LIGHT_TRUCK, TRUCK, VAN, Applications, VehicleSpec, applications
from fleetbrake.simulation.recordings import to_table
from fleetbrake.simulation.run import simulate
from fleetbrake.simulation.sensors import Logger, record
from fleetbrake.simulation.tyre import DRY, GRAVEL, ICE, SNOW, WET

SEED: Final = 7
_START_US: Final = 1_767_866_400_000_000  # 2026-01-08 10:00 UTC


@dataclass(frozen=True)
class Sample:
    """One file: who, what, how many applications, and what is set on the sound vehicle's applications."""

    name: str
    vehicle_id: str
    spec: VehicleSpec
    change: Callable[[Applications], None]
    shows: str
    events: int = 3


def _dry(apps: Applications) -> None:
    apps["pedal_pct"], apps["ramp_s"], apps["initial_speed_mps"] = 100.0, 0.15, [14.0, 18.0, 22.0]


def _wet_failed(apps: Applications) -> None:
    _dry(apps)
    apps["surface_left"] = apps["surface_right"] = WET
    apps["abs_on"][:, 1] = 0


def _weak(apps: Applications) -> None:
    apps["pedal_pct"] = np.linspace(12.0, 26.0, len(apps))
    apps["initial_speed_mps"] = np.linspace(10.0, 20.0, len(apps))
    apps["factor"][:, 0] = 0.5


def _icy_kerb(apps: Applications) -> None:
    apps["pedal_pct"], apps["initial_speed_mps"] = 24.0, [7.5, 8.5, 9.5]
    apps["surface_left"], apps["surface_right"] = DRY, ICE


def _gravel(apps: Applications) -> None:
    apps["pedal_pct"], apps["ramp_s"], apps["initial_speed_mps"] = 70.0, 0.3, [8.0, 10.0, 12.0]
    apps["surface_left"] = apps["surface_right"] = GRAVEL
    apps["abs_on"] = 0


def _snow(apps: Applications) -> None:
    apps["pedal_pct"], apps["initial_speed_mps"] = 35.0, [7.0, 9.0, 11.0]
    apps["surface_left"] = apps["surface_right"] = SNOW


SAMPLES: Final = (
    Sample("van_dry_full_stops", "SAMPLE-V1", VAN, _dry, "all wheels modulate, no lockup above the cut-off"),
    Sample("van_wet_failed_control", "SAMPLE-V2", VAN, _wet_failed, "wet road: wheel 1R locks, the others modulate"),
    Sample("van_weak_wheel", "SAMPLE-V3", VAN, _weak, "wheel 1L gives half of its brake force; everyday stops", 6),
    Sample("bus_icy_kerb", "SAMPLE-B1", BUS, _icy_kerb, "ice on the right side only: only the right wheels modulate"),
    Sample(
        "truck_gravel_locked",
        "SAMPLE-T1",
        TRUCK,
        _gravel,
        "control off on gravel: wheels lock, harmless",
    ),
    Sample("truck_snow", "SAMPLE-T2", LIGHT_TRUCK, _snow, "all wheels modulate at little friction"),
)


def sample_table(sample: Sample, number: int) -> pa.Table:
    """The recording of one sample, with the identifiers as columns."""
    rng = np.random.default_rng([SEED, number])
    apps = applications(sample.spec, sample.events, load=0.6)
    sample.change(apps)
    sim = simulate(apps)
    heavy = sample.spec.category != "N1"
    logger = Logger(axles=sample.spec.axles, radius_error=rng.uniform(-0.01, 0.01, 6), abs_flag=True, mass=heavy)
    ids = np.array([f"{sample.vehicle_id}-{i}" for i in range(1, sample.events + 1)], dtype=object)
    start = _START_US + np.arange(sample.events, dtype=np.int64) * 600_000_000
    table = to_table(dict(record(sim, logger, rng)), ids, start, sim)
    vehicle = pa.array([sample.vehicle_id] * table.num_rows, pa.string())
    return table.add_column(1, "vehicle_id", vehicle)


def write_samples(folder: Path) -> list[Path]:
    """Write ``folder/<name>.parquet`` for every sample; returns the paths."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for number, sample in enumerate(SAMPLES):
        path = folder / f"{sample.name}.parquet"
        pq.write_table(sample_table(sample, number), path, compression="zstd")
        paths.append(path)
    return paths


if __name__ == "__main__":
    write_samples(Path("data_samples") / "recordings")

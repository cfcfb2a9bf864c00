"""Recordings of any size: the package's own simulated fleet, four-wheeled vehicles, laid out one file a vehicle.

The simulator's eight weeks of the four-wheeled vehicles are the base (some 1.3 million samples at 50 Hz with the
resolution and types that its loggers write). Larger sizes repeat it under other ids: what is decoded and computed does
not know that it was seen before.
"""

from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.simulation import scenario
from fleetbrake.simulation.fleet import write_demo

SEED = 20260105

#: What the files have, each as far as its vehicle records it; the vehicle's id is in its folder's name.
COLUMNS = (
    "event_id", "timestamp", "speed_mps", "brake_pedal_pct", "brake_pressure_kpa", "brake_switch", "wheel_speed_1l_mps",
    "wheel_speed_1r_mps", "wheel_speed_2l_mps", "wheel_speed_2r_mps", "accel_long_mps2", "abs_active", "gross_mass_kg",
    "air_temp_c", "latitude_deg", "longitude_deg", "driver_id",
)  # fmt: skip


@dataclass(frozen=True)
class Made:
    """Where the recordings are, and how many; ``columns`` of a file as a mean."""

    folder: Path
    samples: int
    files: int
    megabytes: float
    columns: float


def base(folder: Path) -> list[tuple[str, pa.Table]]:
    """Id and samples of every four-wheeled vehicle of the simulated fleet; written once into ``folder``."""
    if not (folder / "truth.json").exists():
        write_demo(folder, seed=SEED, weeks=scenario.WEEKS)
    tables = []
    for vehicle in sorted((folder / "recordings").iterdir()):
        files = sorted(vehicle.glob("*.parquet"))
        names = set.intersection(*(set(pq.read_schema(f).names) for f in files))
        if "wheel_speed_2r_mps" in names and "wheel_speed_3l_mps" not in names:
            kept = [c for c in COLUMNS if c in names]
            rows = pa.concat_tables([pq.read_table(f, columns=kept, partitioning=None) for f in files])
            tables.append((vehicle.name.split("=")[1], rows.select(kept).combine_chunks()))
    return tables


def recordings(folder: Path, samples: int, vehicles: list[tuple[str, pa.Table]]) -> Made:
    """Write files of whole vehicles until there are ``samples`` of them, or a little more."""
    done, files, size, columns = 0, 0, 0, 0
    while done < samples:
        name, table = vehicles[files % len(vehicles)]
        other = f"{name}-{files // len(vehicles):03d}"
        place = folder / f"vehicle_id={other}" / "recordings.parquet"
        place.parent.mkdir(parents=True)
        pq.write_table(_renamed(table, name, other), place, compression="zstd")
        done, files, size = done + table.num_rows, files + 1, size + place.stat().st_size
        columns += table.num_columns
    return Made(folder, done, files, size / 1e6, columns / files)


def _renamed(table: pa.Table, name: str, other: str) -> pa.Table:
    """The same samples under the event ids of another vehicle."""
    ids = table["event_id"].combine_chunks().dictionary_encode()
    words = pa.array([other + word.removeprefix(name) for word in ids.dictionary.to_pylist()])
    return table.set_column(0, "event_id", pa.DictionaryArray.from_arrays(ids.indices, words).cast(pa.string()))

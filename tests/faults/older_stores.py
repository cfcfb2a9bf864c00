"""Stores as earlier versions of this program left them, and the recordings and registers that they were made from.

``older/*.tar.xz`` were written by the program itself as it stood at the end of earlier stages of its making (not by
converting newer ones): ``events`` knows no runs, entries or summaries; ``scored`` has the scores that rest on trips;
``entered`` has what people enter, an entry of each kind; ``kept`` has besides a legal hold on V1, the forgotten driver
D-2, rules of retention that were applied, and a night in the history of runs. They were made in ``/srv/fleet`` from
:func:`write_inputs` with interpreted kernels, on a machine called "host".
"""

import sqlite3
import tarfile
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from product_run import WHEELS, Stop, stops_file

OLDER = Path(__file__).with_name("older")
NAMES = ("events", "scored", "entered", "kept")
#: Where the stores were made.
MADE_IN = "/srv/fleet"

_REGISTERS = {
    "vehicles": [
        {
            "vehicle_id": name, "category": "M1", "axles": 2, "actuation": "hydraulic", "max_mass_kg": 2000,
            "depot": "North", "in_service_on": "2020-01-01", "odometer_km": 1000, "last_inspection_on": "2025-12-01",
            "inspection_due_on": "2026-01-12",
        }
        for name in ("V1", "V2")
    ],
    "drivers": [{"driver_id": "D-1", "depot": "North"}, {"driver_id": "D-2", "depot": "North"}],
    "trips": [
        {
            "trip_id": f"T{name}", "vehicle_id": name, "driver_id": f"D-{name[-1]}",
            "started_at": "2026-01-05T07:00:00Z", "ended_at": "2026-01-05T12:00:00Z", "distance_km": 100,
        }
        for name in ("V1", "V2")
    ],
    "inspections": [
        {
            "inspection_id": "I1", "vehicle_id": "V1", "inspected_on": "2026-01-04", "wheel": "1L",
            "finding": "brake_drag", "severity": 2, "note": "hot",
        }
    ],
    "defect_reports": [
        {
            "vehicle_id": "V2", "reported_at": "2026-01-05T07:30:00Z", "text": "pulls to the left", "severity": 2,
            "cleared_at": None,
        }
    ],
}  # fmt: skip


def write_inputs(folder: Path) -> tuple[Path, Path]:
    """The recordings (three stops of each of two cars) and registers; their folders."""
    recordings, registers = folder / "recordings", folder / "registers"
    for made in (recordings, registers):
        made.mkdir(parents=True, exist_ok=True)
    share = {wheel: lambda t: 1.0 - 0.03 * (t > 0) for wheel in WHEELS}
    for name in ("V1", "V2"):
        stops = [(f"{name}-{k}", Stop(15.0 + k, 3.0 + 0.3 * k, lag_s=0.1, rise_s=0.3)) for k in range(3)]
        table = stops_file(stops, vehicle_id=name, wheel_share=share, rate_hz=50.0, gross_mass_kg=1500.0)
        table = table.append_column("driver_id", pa.array([f"D-{name[-1]}"] * table.num_rows))
        pq.write_table(table, recordings / f"{name}.parquet")
    for name, rows in _REGISTERS.items():
        pd.DataFrame(rows).to_csv(registers / f"{name}.csv", index=False)
    return recordings, registers


def unpacked(name: str, folder: Path) -> Path:
    """The store, as if its recordings had always been in ``folder``: paths of the log are changed, and nothing else."""
    with tarfile.open(OLDER / f"{name}.tar.xz") as packed:
        packed.extractall(folder)
    log = folder / "store" / "lake" / "log.parquet"
    table = pq.read_table(log)
    paths = pc.replace_substring(table.column("path"), MADE_IN, str(folder))
    pq.write_table(table.set_column(table.schema.get_field_index("path"), "path", paths), log)
    return folder / "store"


def entered_rows(store: Path) -> list[tuple[object, ...]]:
    """All that people entered, letter by letter, in order."""
    con = sqlite3.connect(store / "entered.sqlite")
    try:
        return con.execute("SELECT * FROM entered ORDER BY entry_id").fetchall()
    finally:
        con.close()


def contents(store: Path) -> dict[str, bytes]:
    """Every file of a store but the locks, by name."""
    files = (path for path in sorted(store.rglob("*")) if path.is_file() and not path.name.endswith(".lock"))
    return {path.relative_to(store).as_posix(): path.read_bytes() for path in files}

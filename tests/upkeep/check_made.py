"""A store in which every part of a store is: pieces alone and in a block, a mapping, entries, runs, a hold, a forgotten
driver, rules of retention, scores and a plan. Made by the product's own commands."""

import shutil
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from product_run import WHEELS, Stop, recording
from upkeep_made import DRIVES, drive_file, write_registers

from fleetbrake.pipeline import ingest, plan, score
from fleetbrake.recordings.register_rows import Inspection
from fleetbrake.reports.aliases import aliases
from fleetbrake.store import lake as lakes
from fleetbrake.store import runs
from fleetbrake.store.ageing.dropped_rows import remember_dropped
from fleetbrake.store.ageing.retention import RetentionPolicy, set_policy
from fleetbrake.store.findings import enter_finding
from fleetbrake.upkeep import forget_driver, hold

FORGOTTEN = "D-gone"
_MAPPING = """[columns]
vehicle_id = "vehicle_id"
event_id = "event_id"
timestamp = "timestamp"
speed_mps = "speed_mps"
brake_pedal_pct = "brake_pedal_pct"
driver_id = "driver_id"
latitude_deg = "latitude_deg"
longitude_deg = "longitude_deg"
"""
#: Vehicle, driver, day, latitude: the first three stand in a block, one of them is of the forgotten driver.
FIRST = (*DRIVES[:2], ("van-1", FORGOTTEN, "2025-03-10", 48.5))
LATER = (*DRIVES[2:], ("van-2", None, "2026-03-21", 48.6))


def make_plain_store(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Nobody forgotten, nothing held; ``first``, ``later`` and ``mapped`` recordings and ``registers`` beside it."""
    store, registers = folder / "store", write_registers(folder / "registers", **_registers())
    for drive in FIRST:
        drive_file(folder / "first", *drive)
    for drive in LATER:
        drive_file(folder / "later", *drive)
    for number in range(2):
        wheels = dict.fromkeys(WHEELS, np.ones_like)
        made = recording(Stop(20.0, 6.0), f"wheels-{number}", vehicle_id="van-2", number=number, wheel_share=wheels)
        pq.write_table(made, folder / "later" / f"wheels-{number}.parquet")
    drive_file(folder / "mapped", "van-1", "D-two", "2026-03-22", 48.7)
    (folder / "mapping.toml").write_text(_MAPPING, encoding="utf-8")
    with monkeypatch.context() as small:
        small.setattr(lakes, "FOLD_FROM", 2)
        ingest([folder / "first"], store, registers=registers)
    ingest([folder / "mapped"], store, mapping=str(folder / "mapping.toml"))
    seen = Inspection(
        inspection_id="",
        vehicle_id="van-1",
        inspected_on=date(2026, 3, 23),
        finding="brake_drag",
        severity=1,
        wheel="1L",
    )
    enter_finding(store, "inspector", [seen])
    began = datetime(2026, 3, 24, tzinfo=UTC)
    runs.begin(store, "run-1", "nightly", began, None)
    runs.end(store, "run-1", began, runs.Outcome.DONE, 0, {"files": 3})
    aliases(store)
    ingest([folder / "later"], store)
    score(store)
    plan(store)
    return store


def with_all_parts(store: Path) -> Path:
    """The store with a forgotten driver, rules of retention and a hold besides."""
    forget_driver(store, FORGOTTEN)
    set_policy(store, RetentionPolicy(positions_and_drivers_months=1200))
    remember_dropped(store, "inspections", [{"inspection_id": "old", "vehicle_id": "van-1"}])
    hold(store, reason="collision", by="clerk", vehicle_id="van-1", from_at=datetime(2026, 3, 1, tzinfo=UTC))
    return store


def copied(store: Path, folder: Path) -> Path:
    """A copy of a store, in place of an earlier one."""
    target = folder / "store"
    shutil.rmtree(target, ignore_errors=True)
    shutil.copytree(store, target)
    return target


def _registers() -> dict[str, list[dict[str, object]]]:
    return {
        "drivers": [{"driver_id": name, "depot": "North"} for name in ("D-one", "D-two", FORGOTTEN)],
        "inspections": [
            {"inspection_id": "i-1", "vehicle_id": "van-1", "inspected_on": "2025-02-01", "finding": "none",
             "severity": 0, "wheel": ""}
        ],
        "capacity": [{"depot": "North", "weekday": "Mon", "bay_hours": 8}],
    }  # fmt: skip

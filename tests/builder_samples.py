"""Recordings with real samples for the built store: three stops a file, with events that match them."""

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

RATE_HZ = 100.0
WHEELS = ("1L", "1R", "2L", "2R")


def write_recording(
    path: Path, number: int, rng: np.random.Generator, blank: Callable[[str], dict[str, Any]]
) -> list[dict[str, Any]]:
    """Write one recording with three stops (modulated, locked at 1L, plain) and return their event rows.

    ``blank(kind)`` gives the event's row with its ids and time; classes and rows of the file are set here.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    rows, tables, start = [], [], 0
    for kind in ("modulated", "locked", "plain"):
        event = blank(kind)
        samples, lock_s = _stop_samples(kind, event, rng)
        event.update(_classes(kind, lock_s))
        event.update(source_path=str(path), row_start=start, row_stop=start + len(samples), samples=len(samples))
        start += len(samples)
        rows.append(event)
        tables.append(samples)
    table = pa.Table.from_pandas(pd.concat(tables, ignore_index=True), preserve_index=False)
    pq.write_table(table.replace_schema_metadata({"speed_source": "gnss"}), path, row_group_size=500)
    return rows


def _classes(kind: str, lock_s: float) -> dict[str, Any]:
    modulated, locked = kind == "modulated", kind == "locked"
    return {
        "hard_stop": True,
        "peak_decel_mps2": 6.1,
        "initial_speed_mps": 18.0,
        "braking_s": 3.1,
        "end_s": 5.1,
        "braking_distance_m": 28.4,
        "modulation": modulated,
        "modulation_cycles": 8 if modulated else 0,
        "modulation_hz": 4.0 if modulated else None,
        "wheels_modulated": "1L+1R+2L+2R" if modulated else None,
        "lockup": locked,
        "lockup_s": lock_s if locked else 0.0,
        "lockup_above_cutoff": locked,
        "wheels_locked": "1L" if locked else None,
    }


def _stop_samples(kind: str, event: dict[str, Any], rng: np.random.Generator) -> tuple[pd.DataFrame, float]:
    """Samples of one stop from 18 m/s at 6 m/s2; modulation 4 Hz, or wheel 1L locked from 2.5 s to 3.5 s."""
    time = np.arange(0.0, 7.0, 1 / RATE_HZ)
    speed = np.clip(18.0 - 6.0 * np.clip(time - 2.1, 0.0, None), 0.0, None)
    braking = (time > 2.0) & (speed > 0.0)
    pressure = np.where(braking, 380.0 * np.clip((time - 2.0) / 0.3, 0.0, 1.0), 0.0)
    frame = {
        "event_id": event["event_id"],
        "vehicle_id": event["vehicle_id"],
        "driver_id": event["driver_id"],
        "timestamp": [event["started_at"] + timedelta(seconds=float(t)) for t in time],
        "speed_mps": speed,
        "brake_pressure_kpa": pressure,
        "brake_pedal_pct": np.where(braking, 62.0, 0.0),
        "accel_long_mps2": np.where(braking & (time > 2.1), -6.0, 0.0) + rng.normal(0, 0.08, len(time)),
    }
    for position, wheel in enumerate(WHEELS):
        slip = np.where(braking, 0.03, 0.0)
        if kind == "modulated":
            slip = slip + np.where(braking & (time > 2.4), 0.14 * (1 + np.sin(8 * np.pi * time + position)), 0.0)
        if kind == "locked" and wheel == "1L":
            # it runs down and up again within 60 ms: a signal that fell in one row would be no lock
            slip = np.maximum(slip, 1.0 - np.clip(np.maximum(2.5 - time, time - 3.5 + 1 / RATE_HZ) / 0.06, 0.0, 1.0))
        noise = np.where(speed > 0, rng.normal(0, 0.03, len(time)), 0.0)
        frame[f"wheel_speed_{wheel.lower()}_mps"] = np.clip(speed * (1 - slip) + noise * (slip < 1), 0.0, None)
    return pd.DataFrame(frame), 1.0

"""A small, plain recording and a way to write it: tests change what they are about and nothing else."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

START_US = 1_767_600_000_000_000  # 2026-01-05T08:00:00Z


def stop_columns(samples: int = 300, event_id: str | None = "E1", vehicle_id: str = "V1") -> dict[str, Any]:
    """A stop from 20 m/s at 5 m/s2, 50 Hz, four rolling wheels, pedal from sample 50 on; contract names."""
    time_s = np.arange(samples) / 50.0
    speed = np.clip(20.0 - 5.0 * np.clip(time_s - 1.0, 0.0, None), 0.0, None)
    columns: dict[str, Any] = {} if event_id is None else {"event_id": [event_id] * samples}
    return columns | {
        "vehicle_id": [vehicle_id] * samples,
        "timestamp": pa.array(START_US + np.round(time_s * 1e6).astype(np.int64), pa.timestamp("us", tz="UTC")),
        "speed_mps": speed,
        **{f"wheel_speed_{wheel}_mps": speed * 0.99 for wheel in ("1l", "1r", "2l", "2r")},
        "brake_pedal_pct": np.where(time_s > 1.0, 40.0, 0.0),
        "brake_switch": time_s > 1.0,
    }


@pytest.fixture
def plain_stop() -> Callable[..., dict[str, Any]]:
    """Maker of the columns of one stop."""
    return stop_columns


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Writes columns (or several tables of them, one after the other) as one Parquet file."""

    def _write(
        *parts: dict[str, Any], name: str = "r.parquet", metadata: dict[str, str] | None = None, **how: Any
    ) -> Path:
        table = pa.concat_tables([pa.table(part) for part in parts])
        if metadata:
            table = table.replace_schema_metadata(metadata)
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        pq.write_table(table, path, **how)
        return path

    return _write

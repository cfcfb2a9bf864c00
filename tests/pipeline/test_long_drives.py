"""Long drives, read in portions, from the file to the published tables: half a drive is never taken in."""

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from fleetbrake import pipeline
from fleetbrake.recordings import reader
from fleetbrake.store.database import reading

START_US = 1_767_600_000_000_000
RATE = 10
ROWS = 9000


@pytest.fixture
def ingest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Takes in one drive of 15 minutes at 10 Hz in portions of at most 3000; summary, published ids, the file's log."""
    monkeypatch.setattr(reader, "LONGEST_DRIVE", 3000)

    def taken(pedal, time_s):
        speed = np.interp(np.arange(ROWS) % 600, [0, 400, 500, 600], [15.0, 15.0, 5.0, 15.0])
        columns = {
            "vehicle_id": ["V1"] * ROWS,
            "timestamp": pa.array(START_US + np.round(time_s * 1e6).astype(np.int64), pa.timestamp("us", tz="UTC")),
            "brake_pedal_pct": pedal,
            **dict.fromkeys(("speed_mps", "wheel_speed_1l_mps", "wheel_speed_1r_mps"), speed),
        }
        pq.write_table(pa.table(columns), tmp_path / "drive.parquet")
        summary = pipeline.ingest([tmp_path / "drive.parquet"], tmp_path / "store")
        with reading(tmp_path / "store") as con:
            ids = [one for (one,) in con.execute("SELECT event_id FROM events ORDER BY ALL").fetchall()]
            log = con.execute("SELECT status, events, events_rejected, reason FROM ingest_log").fetchall()
        assert len(log) == 1
        return summary, ids, log[0]

    return taken


def snubs() -> np.ndarray:
    """The pedal for 10 s in each minute."""
    return np.where((np.arange(ROWS) % 600 >= 400) & (np.arange(ROWS) % 600 < 500), 30.0, 0.0)


def test_a_long_drive_in_order(ingest):
    summary, ids, log = ingest(snubs(), np.arange(ROWS) / RATE)
    assert summary.events == len(ids) == 15 and log == ("loaded", 15, 0, None)


def test_a_long_drive_whose_second_half_begins_anew_is_rejected(ingest):
    """The second half lies within the first one's time: taken in by halves, its events would overlap."""
    time_s = np.arange(ROWS) / RATE
    time_s[4500:] -= 300.0
    summary, ids, log = ingest(snubs(), time_s)
    assert ids == [] and summary.events == 0 and summary.rejected == 1
    assert log == ("rejected", 0, 1, "drive of V1 (rows 0 to 8999) rejected: time runs backwards at row 4500")


def test_an_application_over_several_portions_counts_once_in_summary_table_and_log(ingest):
    summary, ids, (status, events, rejected, reason) = ingest(np.full(ROWS, 30.0), np.arange(ROWS) / RATE)
    assert summary.events == events == len(ids) == 1 and (status, rejected) == ("loaded", 0)
    assert reason == (
        f"application {ids[0]} goes on beyond the rows that are read together: its figures are of its first part"
    )

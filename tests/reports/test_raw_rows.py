"""Raw rows of an event: the file's own, by row range, without what a viewer may not see."""

from pathlib import Path

import pyarrow.parquet as pq
import pytest
from builders import PLAIN, build_store

from fleetbrake.reports import reads
from fleetbrake.reports.raw_rows import raw_csv, raw_rows
from fleetbrake.reports.traces import Unreadable

LOCKED = f"{PLAIN.vehicles[0]}/locked-0"


def test_rows_are_the_files_own_by_range(store: Path) -> None:
    row = reads.event(store, LOCKED)
    assert row is not None
    found = raw_rows(store, row, drivers=True, places=True)
    whole = pq.read_table(row["source_path"]).to_pandas().iloc[row["row_start"] : row["row_stop"]]
    assert list(found) == [name for name in found if name in whole] and len(found) == row["samples"]
    for name in found:
        assert found[name].tolist() == whole[name].tolist(), name


def test_who_drove_where_and_unknown_columns_stay_in_the_file(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    path = store / "recordings" / "day-0.parquet"
    rows = pq.read_table(path).to_pandas().assign(latitude_deg=47.0, longitude_deg=8.0, shift_leader="somebody")
    rows.to_parquet(path, row_group_size=500)
    row = reads.event(store, LOCKED)
    assert row is not None
    closed, opened = raw_rows(store, row), raw_rows(store, row, drivers=True, places=True)
    assert set(opened) - set(closed) == {"driver_id", "latitude_deg", "longitude_deg"}
    assert "shift_leader" not in opened


def test_a_gone_recording_is_a_sentence(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    row = reads.event(store, LOCKED)
    assert row is not None
    (store / "recordings" / "day-0.parquet").unlink()
    with pytest.raises(Unreadable, match="no longer"):
        raw_rows(store, row)


def test_csv_marks_what_a_spreadsheet_would_compute(store: Path) -> None:
    row = reads.event(store, LOCKED)
    assert row is not None
    rows = raw_rows(store, row).head(1).assign(event_id="=1+1")
    head, line = raw_csv(rows).decode().splitlines()
    assert head.split(",")[0] == "event_id" and line.startswith("'=1+1,") and "T" in line and line.count("Z")

"""The row range of an event leads back to its samples in the file, also where rows were dropped before it."""

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from product_run import Stop, recording

from fleetbrake.features.build import cut_applications
from fleetbrake.recordings.reader import open_recording


def test_rows_of_a_drive_with_repeated_stamps(tmp_path: Path) -> None:
    drive = recording(Stop(15.0, 5.0), "x").drop_columns(["event_id"])
    rows = np.sort(np.concatenate((np.arange(drive.num_rows), [5, 6, 20])))
    path = tmp_path / "drive.parquet"
    pq.write_table(drive.take(pa.array(rows)), path)
    (batch,) = open_recording(path).batches()
    events = cut_applications(batch)
    assert events.events == 1
    table = pq.read_table(path)
    stamps = table["timestamp"].cast(pa.int64()).to_numpy()
    first, last = int(events.row_start[0]), int(events.row_stop[0]) - 1
    assert stamps[first] == events.start_us[0]
    assert stamps[last] == events.start_us[0] + round(events.time_s[-1] * 1e6)

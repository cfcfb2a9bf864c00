"""The two measured recordings of ``data_samples/measured`` come in through their mapping files.

Figures: README of the samples, worked out by hand from the files (computed). ROADVIEW and comma2k19, MIT licence.
"""

from pathlib import Path

import numpy as np
import pytest

from fleetbrake.recordings.mapping import load_mapping
from fleetbrake.recordings.reader import open_recording

SAMPLES = Path(__file__).parents[2] / "data_samples"


def read(name):
    mapping = load_mapping(str(SAMPLES / "mappings" / f"{name}.toml"))
    recording = open_recording(SAMPLES / "measured" / f"{name}.parquet", mapping)
    (batch,) = recording.batches()
    assert recording.story.reasons == [] and recording.story.channels_left_out == []
    return batch


def test_full_brake_stop():
    batch = read("full_brake_stop")
    assert batch.continuous and batch.wheels == ("1L", "1R", "2L", "2R") and batch.samples == 961
    speed, pedal = batch.channels["speed_mps"], batch.channels["brake_pedal_pct"]
    begin = np.flatnonzero((pedal > 1.0) & (batch.time_s > 3.0))[0]
    # 10 ms rows, so that a time is right within one of them
    assert batch.time_s[begin] == pytest.approx(6.751, abs=0.011) and speed[begin] == pytest.approx(18.91, abs=0.01)
    end = begin + np.flatnonzero(speed[begin:] < 0.3)[0]
    assert batch.time_s[end] == pytest.approx(8.673, abs=0.011)
    distance = np.trapezoid(speed[begin : end + 1], batch.time_s[begin : end + 1])
    assert distance == pytest.approx(20.91, rel=0.02)
    assert np.nanmax(pedal) == pytest.approx(100.0)
    rolling = (batch.time_s > 5.0) & (batch.time_s < 6.7)
    # the radius was read from steady driving: wheels and vehicle agree within the 2 % of a coast-down
    np.testing.assert_allclose(np.median(batch.wheel_speed_mps[:, rolling] / speed[rolling], axis=1), 1.0, atol=0.02)


def test_everyday_driving():
    batch = read("everyday_driving")
    assert batch.samples == 4974 and set(batch.channels) == {"speed_mps"}
    # near stamps are kept; the kinematics have to live with them
    assert np.count_nonzero(np.diff(batch.time_s) <= 0.0005) == 13
    assert np.nanmax(np.abs(batch.wheel_speed_mps - batch.channels["speed_mps"])) < 1.0

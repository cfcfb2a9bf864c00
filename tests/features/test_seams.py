"""An application that runs on from one portion of a long drive into the next counts once, or not at all."""

from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.features.build import features
from fleetbrake.features.seams import Seams
from fleetbrake.recordings import reader
from fleetbrake.recordings.reader import open_recording
from fleetbrake.recordings.story import FileStory
from tests.recordings_made import braking, make_batch, pressed, rolling, times

START_US = 1_767_600_000_000_000
RATE = 10


@pytest.fixture
def drive(tmp_path, monkeypatch):
    """A drive at 20 m/s and 10 Hz in portions of at most 3000 rows, with the pedal as given; slowing while it is on."""
    monkeypatch.setattr(reader, "LONGEST_DRIVE", 3000)

    def make(pedal):
        speed = 20.0 + np.cumsum(np.where(pedal > 0.0, -0.002, 0.002))
        times = pa.array(START_US + np.arange(pedal.size) * 1_000_000 // RATE, pa.timestamp("us", tz="UTC"))
        columns = {"vehicle_id": ["V1"] * pedal.size, "timestamp": times, "brake_pedal_pct": pedal}
        columns |= dict.fromkeys(("speed_mps", "wheel_speed_1l_mps", "wheel_speed_1r_mps"), speed)
        path = tmp_path / "drive.parquet"
        pq.write_table(pa.table(columns), path)
        return open_recording(path)

    return make


def taken(recording, longest=3000):
    """Event table and story of a recording."""
    seams = Seams(DEFAULT, recording.story, longest)
    for batch in recording.batches():
        seams.add(batch, features(batch))
    parts = seams.finish()
    wheels = pa.concat_tables([part.wheels for part in parts])
    events = pa.concat_tables([part.events for part in parts])
    assert set(wheels["event_id"].to_pylist()) == set(events["event_id"].to_pylist())
    return events, recording.story


def held(rows, *stretches):
    pedal = np.zeros(rows)
    for first, stop in stretches:
        pedal[first:stop] = 30.0
    return pedal


def test_a_pedal_held_for_a_whole_long_drive_is_no_application(drive):
    events, story = taken(drive(held(6200, (0, 6200))))
    assert events.num_rows == 0 and story.events_rejected == 1
    (reason,) = story.reasons
    assert reason == (
        "application V1 2026-01-05T08:00:00.000Z (from row 0) rejected: 6200 rows are more than a brake application "
        "has; at most 3000"
    )


def test_an_application_over_one_seam_counts_once(drive):
    """The last quarter of the first portion (rows 1500 to 2000 of 4000) is braked throughout: no calm place to cut."""
    recording = drive(held(4000, (300, 350), (1400, 2100), (3000, 3050)))
    starts = [batch.row_start[0] for batch in recording.batches()]
    assert 1400 < starts[1] < 2100
    events, story = taken(recording)
    assert events.num_rows == 3 and story.events_rejected == 0
    (reason,) = story.reasons
    assert "goes on beyond the rows that are read together: its figures are of its first part" in reason
    assert events["event_id"][1].as_py() in reason
    assert events["row_stop"][1].as_py() == starts[1]


def test_an_application_after_the_seam_is_its_own(drive):
    """Released a second and more before the portion ends, and pressed again in the next one: two applications."""
    events, story = taken(drive(held(4000, (1400, 1980), (2010, 2100))))
    assert events.num_rows == 2 and story.reasons == []


@pytest.mark.parametrize(("second", "events"), [("V2", 2), ("V1", 1)])
def test_only_portions_of_one_drive_are_put_together(second, events):
    """Two runs of rows end to end, the pedal held from one into the other: of two vehicles these are two drives."""
    story = FileStory("two", "")
    seams = Seams(DEFAULT, story)
    t = times(10.0, 50.0)
    for vehicle, first in (("V1", 0), (second, t.size)):
        speed = braking(t, 20.0, 1.0, begin_s=2.0)
        channels = {"speed_mps": speed, "brake_pedal_pct": pressed(t, 0.0)}
        batch = make_batch(t, speed, rolling(speed), channels, vehicle_id=vehicle, start_us=START_US + first * 20_000)
        batch = replace(batch, continuous=True, row_start=batch.row_start + first, row_stop=batch.row_stop + first)
        seams.add(batch, features(batch))
    assert sum(part.events.num_rows for part in seams.finish()) == events
    assert len(story.reasons) == 2 - events

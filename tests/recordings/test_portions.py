"""Files of any size: what is read at once is bounded, and long drives are cut where nobody brakes."""

import numpy as np
import pyarrow as pa
import pytest

from fleetbrake.core.errors import InputError
from fleetbrake.recordings import bounds, plan, reader, stream
from fleetbrake.recordings.reader import open_recording

START_US = 1_767_600_000_000_000
STOP_S, CALM_S, RATE = 20, 40, 10


def drive(stops, *, demand=True, speed=True):
    """Stops of 20 s from 15 m/s at 10 Hz, each after 40 s of steady driving; rows as a recording has them."""
    cruise = np.full(CALM_S * RATE, 15.0)
    braking = np.linspace(15.0, 5.0, STOP_S * RATE)
    one = np.concatenate((cruise, braking))
    on = np.concatenate((np.zeros(cruise.size), np.full(braking.size, 30.0)))
    rows = one.size * stops
    columns = {
        "vehicle_id": ["V1"] * rows,
        "timestamp": pa.array(START_US + np.arange(rows) * 1_000_000 // RATE, pa.timestamp("us", tz="UTC")),
        "wheel_speed_1l_mps": np.tile(one, stops),
        "wheel_speed_1r_mps": np.tile(one, stops),
    }
    if speed:
        columns["speed_mps"] = np.tile(one, stops)
    return columns | ({"brake_pedal_pct": np.tile(on, stops)} if demand else {})


@pytest.fixture
def short(monkeypatch):
    """Bounds of some thousand rows: a portion ends within its last 75 s, which hold a whole stop and its calm."""
    monkeypatch.setattr(reader, "LONGEST_DRIVE", 3000)
    monkeypatch.setattr(reader, "LONGEST_EVENT", 1000)


@pytest.mark.parametrize("row_group", [37, 1000, 100_000])
@pytest.mark.parametrize(("demand", "speed"), [(True, True), (False, True), (False, False)])
def test_a_long_drive_is_cut_where_nobody_brakes(write, short, row_group, demand, speed):
    columns = drive(20, demand=demand, speed=speed)
    batches = list(open_recording(write(columns, row_group_size=row_group)).batches())
    assert all(batch.continuous and batch.events == 1 and batch.samples <= 3000 for batch in batches)
    starts = np.array([int(batch.row_start[0]) for batch in batches])
    stops = np.array([int(batch.row_stop[0]) for batch in batches])
    assert starts[0] == 0 and stops[-1] == 12_000 and starts[1:].tolist() == stops[:-1].tolist()
    assert 4 <= len(batches) <= 6  # not many more than needed
    # 15 s of calm on both sides: the 40 s between two stops hold such places
    place = starts[1:] % ((STOP_S + CALM_S) * RATE)
    assert (place >= 14 * RATE).all() and (place <= (CALM_S - 14) * RATE).all()
    first = [int(batch.start_us[0]) for batch in batches]
    assert first == (START_US + starts * 100_000).tolist()
    speeds = np.concatenate([batch.wheel_speed_mps[0] for batch in batches])
    np.testing.assert_array_equal(speeds, columns["wheel_speed_1l_mps"])


def test_portions_come_from_the_rows_alone(write, short):
    path = write(drive(20), row_group_size=512)
    ways = [open_recording(path, rows_per_batch=rows) for rows in (250_000, 999, 64)]
    cuts = [[batch.row_start.tolist() for batch in recording.batches()] for recording in ways]
    assert cuts[0] == cuts[1] == cuts[2] and len(cuts[0]) >= 4


def test_a_drive_within_the_bound_is_one(write, monkeypatch):
    monkeypatch.setattr(reader, "LONGEST_DRIVE", 12_000)
    (batch,) = open_recording(write(drive(20))).batches()
    assert batch.samples == 12_000


def test_a_drive_without_calm_is_cut_all_the_same(write, short):
    columns = drive(10) | {"brake_pedal_pct": np.full(6000, 50.0)}
    batches = list(open_recording(write(columns)).batches())
    assert sum(batch.samples for batch in batches) == 6000 and max(batch.samples for batch in batches) <= 3000


def test_a_gap_in_time_is_calm(write, short):
    columns = drive(6) | {"brake_pedal_pct": np.full(3600, 50.0)}
    shift = np.where(np.arange(3600) >= 1700, 60_000_000, 0)
    columns["timestamp"] = pa.array(START_US + np.arange(3600) * 100_000 + shift, pa.timestamp("us", tz="UTC"))
    first, second = open_recording(write(columns)).batches()
    assert (first.samples, second.samples) == (1700, 1900)


def with_times(columns, us, mask=None):
    """The columns with other stamps."""
    return columns | {"timestamp": pa.array(us, pa.int64(), mask=mask).cast(pa.timestamp("us", tz="UTC"))}


def stamps(columns):
    return columns["timestamp"].cast(pa.int64()).to_numpy().copy()


@pytest.mark.parametrize("row_group", [512, 100_000])
@pytest.mark.parametrize("back", ["within a portion", "where one may end", "by hours"])
def test_a_long_drive_whose_time_runs_back_is_rejected_whole(write, short, back, row_group):
    columns = drive(20)
    us = stamps(columns)
    if back == "within a portion":
        row = 5000
        us[row] = us[row - 10]
    else:
        row = {"where one may end": int(cuts_of(write, columns)[1]), "by hours": 6000}[back]
        us[row:] -= 100_000_000 if back == "where one may end" else us[row] - us[0] - 1_000_000
    recording = open_recording(write(with_times(columns, us), name="back", row_group_size=row_group))
    assert list(recording.batches()) == []
    assert recording.story.events_rejected == 1
    assert recording.story.reasons == [f"drive of V1 (rows 0 to 11999) rejected: time runs backwards at row {row}"]


def cuts_of(write, columns):
    """First rows of the portions."""
    return [batch.row_start[0] for batch in open_recording(write(columns, name="whole")).batches()]


def test_a_bad_long_drive_does_not_cost_the_next_vehicle(write, short):
    bad, good = drive(20), drive(20) | {"vehicle_id": ["V2"] * 12_000}
    us = stamps(bad)
    us[9000] = us[10]
    recording = open_recording(write(with_times(bad, us), good, row_group_size=700))
    batches = list(recording.batches())
    assert {batch.vehicle_id[0] for batch in batches} == {"V2"}
    assert sum(batch.samples for batch in batches) == 12_000 and batches[0].row_start[0] == 12_000
    assert recording.story.events_rejected == 1 and recording.story.vehicles == {"V2"}


def test_a_year_in_which_no_logger_ran_rejects_the_whole_long_drive(write, short):
    columns = drive(20)
    us = stamps(columns)
    us[11_000] = 10**16  # in the year 2286
    recording = open_recording(write(with_times(columns, us)))
    assert list(recording.batches()) == []
    assert recording.story.reasons == [
        "drive of V1 (rows 0 to 11999) rejected: time stamps lie in the year 2286: is the unit right?"
    ]


def test_a_long_drive_apart_or_without_a_vehicle_counts_once(write, short):
    one, other = drive(20), drive(2) | {"vehicle_id": ["V2"] * 1200}
    recording = open_recording(write(one, other, one, drive(20) | {"vehicle_id": pa.nulls(12_000, pa.string())}))
    (batch,) = recording.batches()
    assert batch.vehicle_id.tolist() == ["V2"] and recording.story.events_rejected == 3
    assert [reason.partition(" rejected: ")[2] for reason in recording.story.reasons] == [
        "rows of this vehicle do not stand together; sort the file by it",
        "rows of this vehicle do not stand together; sort the file by it",
        "no vehicle_id",
    ]


def test_what_was_mended_in_a_long_drive_is_counted_over_all_of_it(write, short):
    columns = drive(20)
    us = stamps(columns)
    us[[500, 5000, 11_000]] = us[[499, 4999, 10_999]]
    mask = np.zeros(us.size, dtype=bool)
    mask[[700, 9000]] = True
    pedal = columns["brake_pedal_pct"].copy()
    pedal[[10, 20]] = 500.0
    batches = list(open_recording(write(with_times(columns, us, mask) | {"brake_pedal_pct": pedal})).batches())
    times = "3 repeated time stamps dropped; 2 samples without time stamp dropped"
    last = batches[0].row_stop[0] - 1
    assert batches[0].notes.tolist() == [f"{times}; 2 implausible brake_pedal_pct values left out in rows 0 to {last}"]
    assert len(batches) > 3 and {batch.notes[0] for batch in batches[1:]} == {times}


def test_the_driver_is_of_the_whole_long_drive(write, short):
    several = drive(20) | {"driver_id": ["D1"] * 11_900 + ["D2"] * 100}
    batches = list(open_recording(write(several, name="two")).batches())
    assert {(batch.driver_id[0], batch.notes[0]) for batch in batches} == {
        (None, "more than one driver_id, none taken")
    }
    one = drive(20) | {"driver_id": [None] * 11_900 + ["D2"] * 100}
    assert {batch.driver_id[0] for batch in open_recording(write(one, name="one")).batches()} == {"D2"}


def test_a_pedal_is_judged_by_the_whole_long_drive(write, short):
    """Light braking in the first portions looks like fractions; one full stroke at the end says that it is per cent."""
    columns = drive(20)
    light = np.where(columns["brake_pedal_pct"] > 0.0, np.linspace(0.1, 0.9, 12_000), 0.0)
    strong = light.copy()
    strong[11_950] = 60.0
    percent = open_recording(write(columns | {"brake_pedal_pct": strong}, name="percent"))
    fractions = open_recording(write(columns | {"brake_pedal_pct": light}, name="fractions"))
    assert all("brake_pedal_pct" in batch.channels for batch in percent.batches())
    assert percent.story.channels_left_out == []
    assert not any("brake_pedal_pct" in batch.channels for batch in fractions.batches())
    assert fractions.story.channels_left_out == ["brake_pedal_pct"]


def test_stamps_that_stand_still_where_a_portion_ends(write, short):
    """The stamp that ends one portion and begins the next is taken once."""
    columns = drive(10)
    us = stamps(columns)
    us[2000:3500] = us[2000]
    batches = list(open_recording(write(with_times(columns, us))).batches())
    seen = np.concatenate([batch.start_us[0] + np.round(batch.time_s * 1e6) for batch in batches])
    assert (np.diff(seen) > 0).all() and len(seen) == 6000 - 1499
    assert {batch.notes[0] for batch in batches} == {"1499 repeated time stamps dropped"}


def test_times_and_gaps_where_a_portion_could_end(write, short):
    """Rows without time and repeated stamps stay with the rows before them."""
    columns = drive(20)
    us = columns["timestamp"].cast(pa.int64()).to_numpy().copy()
    us[1::2] = us[::2]
    mask = np.arange(us.size) % 7 == 0
    columns["timestamp"] = pa.array(us, pa.int64(), mask=mask).cast(pa.timestamp("us", tz="UTC"))
    recording = open_recording(write(columns))
    seen = np.concatenate([batch.start_us[0] + np.round(batch.time_s * 1e6) for batch in recording.batches()])
    assert (np.diff(seen) > 0).all() and recording.story.events_rejected == 0


def test_an_event_of_absurd_length_is_rejected_alone(write, plain_stop, short):
    parts = [plain_stop(), plain_stop(samples=3000, event_id="day"), plain_stop(event_id="E3")]
    recording = open_recording(write(*parts, row_group_size=700), rows_per_batch=1000)
    first, last = recording.batches()
    assert first.event_id.tolist() == ["E1"] and last.event_id.tolist() == ["E3"]
    assert last.row_start.tolist() == [3300] and recording.story.events_rejected == 1
    assert recording.story.reasons == [
        "event day (rows 300 to 3299) rejected: 3000 rows are more than a brake application has; at most 1000"
    ]


def test_ids_that_change_with_every_row(write, plain_stop, monkeypatch):
    monkeypatch.setattr(plan, "MOST_RUNS", 250)
    columns = plain_stop() | {"event_id": [f"row-{n}" for n in range(300)]}
    with pytest.raises(InputError, match=r"column event_id changes 300 times within 300 rows.*Is it the event_id"):
        list(open_recording(write(columns)).batches())


def test_very_long_ids(write, plain_stop, monkeypatch):
    monkeypatch.setattr(plan, "MOST_KEY_BYTES", 10_000)
    with pytest.raises(InputError, match="holds very long texts"):
        list(open_recording(write(plain_stop(event_id="x" * 20_000))).batches())


def test_a_table_of_contents_beyond_all_bounds(write, plain_stop, monkeypatch):
    monkeypatch.setattr(bounds, "MOST_CONTENTS", 10_000)
    with pytest.raises(InputError, match=r"too many row groups or columns; write it with larger row groups"):
        open_recording(write(plain_stop(), row_group_size=1))


def test_tiny_row_groups_are_read_together(write, plain_stop):
    parts = [plain_stop(samples=30, event_id=f"E{n}") for n in range(20)]
    one, many = (open_recording(write(*parts, name=f"{size}", row_group_size=size)) for size in (10_000, 3))
    (a,), (b,) = one.batches(), many.batches()
    assert a.event_id.tolist() == b.event_id.tolist() and a.vehicle_id.tolist() == b.vehicle_id.tolist()
    np.testing.assert_array_equal(a.wheel_speed_mps, b.wheel_speed_mps)


def test_rows_are_handed_on_once():
    parts = iter([pa.record_batch({"n": list(range(start, start + 7))}) for start in range(0, 70, 7)])
    rows = stream.RowStream(parts)
    assert rows.ahead(10)["n"].to_pylist() == rows.take(10)["n"].to_pylist() == list(range(10))
    rows.skip(25)
    assert rows.take(3)["n"].to_pylist() == [35, 36, 37]
    rows.skip(30)
    assert rows.take(2)["n"].to_pylist() == [68, 69]
    with pytest.raises(EOFError, match="its rows end at 70"):
        rows.take(1)

"""Reading recordings that are as they should be: shapes, identifiers, times, types, portions."""

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleetbrake.core.errors import InputError
from fleetbrake.recordings.batch import CHANNELS
from fleetbrake.recordings.contract import BY_NAME, CONTRACT
from fleetbrake.recordings.reader import file_sha256, find_recordings, open_recording, vehicle_in_path

START_US = 1_767_600_000_000_000


def only_batch(path, mapping=None, **how):
    batches = list(open_recording(path, mapping, **how).batches())
    assert len(batches) == 1
    return batches[0]


def found(paths):
    return [source.path for source in find_recordings(paths)]


def test_contract_holds_every_column_once_with_wheels_to_the_sixth_axle():
    names = [column.name for column in CONTRACT]
    assert len(names) == len(set(names)) == 27 + 2 * 12
    assert set(CHANNELS) < set(names)
    assert BY_NAME["wheel_speed_6r_mps"].unit == "m/s" and BY_NAME["brake_pressure_6r_kpa"].unit == "kPa"
    assert [column.name for column in CONTRACT if column.needed] == ["vehicle_id", "timestamp"]


def test_cut_recording(write, plain_stop):
    path = write(plain_stop(event_id="E1"), plain_stop(samples=100, event_id="E2", vehicle_id="V2"))
    recording = open_recording(path, logged_as="day/r.parquet")
    (batch,) = recording.batches()
    assert batch.offsets.tolist() == [0, 300, 400]
    assert batch.event_id.tolist() == ["E1", "E2"] and batch.vehicle_id.tolist() == ["V1", "V2"]
    assert batch.driver_id.tolist() == [None, None]
    assert not batch.continuous and batch.wheels == ("1L", "1R", "2L", "2R")
    assert batch.start_us.tolist() == [START_US, START_US]
    np.testing.assert_allclose(batch.time_s[:3], [0.0, 0.02, 0.04], atol=1e-9)
    assert batch.time_s[300] == 0.0
    assert batch.channels["brake_switch"][0] == 0.0 and batch.channels["brake_switch"][299] == 1.0
    assert np.isnan(batch.wheel_pressure_kpa).all() and batch.wheel_saturated is None
    assert batch.row_start.tolist() == [0, 300] and batch.row_stop.tolist() == [300, 400]
    assert batch.path == "day/r.parquet"
    story = recording.story
    assert (story.rows, story.events_rejected, story.reasons) == (400, 0, [])
    assert story.vehicles == {"V1", "V2"} and story.sha256 == file_sha256(path)
    assert (story.first_us, story.last_us) == (START_US, START_US + 299 * 20_000)


def test_continuous_recording_is_one_drive_a_vehicle(write, plain_stop):
    path = write(plain_stop(event_id=None), plain_stop(samples=50, event_id=None, vehicle_id="V2"))
    batch = only_batch(path)
    assert batch.continuous and batch.event_id.tolist() == [None, None]
    assert batch.vehicle_id.tolist() == ["V1", "V2"] and batch.offsets.tolist() == [0, 300, 350]


@pytest.mark.parametrize(
    ("name", "vehicle"),
    [
        ("vehicle_id=BUS%2041%2Fa/2026/r.parquet", "BUS 41/a"),
        ("vehicle_id=old/vehicle_id=new/r.parquet", "new"),
        ("vehicle_id=V.7.parquet", "V.7"),
    ],
)
def test_vehicle_from_path(write, plain_stop, name, vehicle):
    columns = plain_stop()
    del columns["vehicle_id"]
    path = write(columns, name=name)
    assert vehicle_in_path(path) == vehicle
    assert only_batch(path).vehicle_id.tolist() == [vehicle]


def test_vehicle_in_the_file_goes_before_the_path(write, plain_stop):
    path = write(plain_stop(), name="vehicle_id=other/r.parquet")
    assert only_batch(path).vehicle_id.tolist() == ["V1"]


@pytest.mark.parametrize("kind", [pa.float32(), pa.int16(), pa.uint8(), pa.int64(), pa.decimal128(10, 2)])
def test_numbers_of_any_width(write, plain_stop, kind):
    columns = plain_stop()
    columns["brake_pedal_pct"] = pa.array(columns["brake_pedal_pct"]).cast(kind)
    assert only_batch(write(columns)).channels["brake_pedal_pct"][[0, 299]].tolist() == [0.0, 40.0]


@pytest.mark.parametrize("kind", [pa.bool_(), pa.int8(), pa.float64()])
def test_yes_no_as_bool_or_number(write, plain_stop, kind):
    columns = plain_stop() | {"abs_active": pa.array([True, False, None] * 100).cast(kind)}
    np.testing.assert_array_equal(only_batch(write(columns)).channels["abs_active"][:3], [1.0, 0.0, np.nan])


def test_identifiers_as_dictionary_or_whole_numbers(write, plain_stop):
    columns = plain_stop()
    columns["event_id"] = pa.array(columns["event_id"]).dictionary_encode()
    columns["vehicle_id"] = pa.array([17] * 300)
    batch = only_batch(write(columns))
    assert batch.event_id.tolist() == ["E1"] and batch.vehicle_id.tolist() == ["17"]


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
@pytest.mark.parametrize("zone", [None, "UTC", "Europe/Berlin"])
def test_times_of_any_unit_and_zone_are_utc(write, plain_stop, unit, zone):
    columns = plain_stop(samples=3)
    moments = pa.array([1_767_600_000, 1_767_600_001, 1_767_600_002]).cast(pa.timestamp("s"))
    columns["timestamp"] = moments.cast(pa.timestamp(unit, tz=zone)) if zone else moments.cast(pa.timestamp(unit))
    batch = only_batch(write(columns))
    # Parquet keeps the instant; a zone only changes how it is shown
    assert batch.start_us.tolist() == [START_US] and batch.time_s.tolist() == [0.0, 1.0, 2.0]


def test_driver_is_the_one_who_is_named(write, plain_stop):
    columns = plain_stop() | {"driver_id": [None] * 100 + ["D1"] * 200}
    two = plain_stop(event_id="E2") | {"driver_id": ["D1"] * 100 + ["D2"] * 200}
    batch = only_batch(write(columns, two))
    assert batch.driver_id.tolist() == ["D1", None]
    assert batch.notes.tolist() == ["", "more than one driver_id, none taken"]


def test_brake_source_and_road_surface_are_codes(write, plain_stop):
    columns = plain_stop(samples=4) | {
        "brake_source": ["driver", "AEB", None, "ghost"],
        "road_surface": ["paved", "unpaved", None, "cheese"],
    }
    recording = open_recording(write(columns))
    (batch,) = recording.batches()
    assert batch.brake_source.tolist() == [0, 1, -1, 5]
    np.testing.assert_array_equal(batch.road_unpaved, [0.0, 1.0, np.nan, np.nan])
    assert "brake_source: unknown words taken as not known: ghost" in recording.story.reasons
    assert "road_surface: unknown words taken as not known: cheese" in recording.story.reasons


@pytest.mark.parametrize(("said", "found"), [("gnss", "gnss"), ("Driveline", "driveline"), ("guess", None)])
def test_speed_source_from_the_schema(write, plain_stop, said, found):
    assert only_batch(write(plain_stop(), metadata={"speed_source": said})).speed_source == found


def test_bursts_of_nan_stay_nan(write, plain_stop):
    columns = plain_stop()
    columns["wheel_speed_1l_mps"] = columns["wheel_speed_1l_mps"].copy()
    columns["wheel_speed_1l_mps"][100:150] = np.nan
    columns["speed_mps"] = pa.array([None] * 10 + columns["speed_mps"][10:].tolist())
    recording = open_recording(write(columns))
    (batch,) = recording.batches()
    assert np.flatnonzero(np.isnan(batch.wheel_speed_mps[0])).tolist() == list(range(100, 150))
    assert np.flatnonzero(np.isnan(batch.channels["speed_mps"])).tolist() == list(range(10))
    assert recording.story.reasons == [] and batch.notes.tolist() == [""]


def test_two_wheels_do_without_a_vehicle_speed(write, plain_stop):
    columns = plain_stop()
    for name in ("speed_mps", "wheel_speed_2l_mps", "wheel_speed_2r_mps"):
        del columns[name]
    batch = only_batch(write(columns))
    assert not batch.has("speed_mps") and batch.wheels == ("1L", "1R")


@pytest.mark.parametrize("rows_per_batch", [1, 7, 100, 299, 301, 100_000])
def test_events_across_row_groups_and_batches_stay_whole(write, plain_stop, rows_per_batch):
    parts = [plain_stop(samples=40 + 13 * number, event_id=f"E{number}") for number in range(8)]
    path = write(*parts, row_group_size=37, use_dictionary=rows_per_batch % 2 == 0)
    recording = open_recording(path, rows_per_batch=rows_per_batch)
    batches = list(recording.batches())
    ids = np.concatenate([batch.event_id for batch in batches])
    assert ids.tolist() == [f"E{number}" for number in range(8)]
    lengths = np.concatenate([np.diff(batch.offsets) for batch in batches])
    assert lengths.tolist() == [40 + 13 * number for number in range(8)]
    speed = np.concatenate([batch.channels["speed_mps"] for batch in batches])
    np.testing.assert_array_equal(speed, np.concatenate([part["speed_mps"] for part in parts]))
    assert len(list(recording.batches())) == len(batches)  # a recording can be read again
    assert recording.story.events_rejected == 0


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True)
@given(
    lengths=st.lists(st.integers(3, 60), min_size=1, max_size=12),
    row_group=st.integers(1, 80),
    rows_per_batch=st.integers(1, 200),
)
def test_any_split_into_events_survives(write, lengths, row_group, rows_per_batch):
    rows = sum(lengths)
    event = np.repeat(np.arange(len(lengths)), lengths)
    speed = np.random.default_rng(rows).uniform(0.0, 30.0, rows)
    columns = {
        "event_id": [f"e-{number}" for number in event],
        "vehicle_id": [f"v-{number % 3}" for number in event],
        "timestamp": pa.array(START_US + np.arange(rows) * 10_000, pa.timestamp("us", tz="UTC")),
        "speed_mps": speed,
    }
    batches = list(open_recording(write(columns, row_group_size=row_group), rows_per_batch=rows_per_batch).batches())
    assert np.concatenate([np.diff(batch.offsets) for batch in batches]).tolist() == lengths
    ids = np.concatenate([batch.event_id for batch in batches]).tolist()
    assert ids == [f"e-{number}" for number in range(len(lengths))]
    np.testing.assert_array_equal(np.concatenate([batch.channels["speed_mps"] for batch in batches]), speed)
    starts = np.concatenate([batch.row_start for batch in batches])
    assert starts.tolist() == np.concatenate(([0], np.cumsum(lengths)[:-1])).tolist()
    for batch in batches:
        inside = np.ones(batch.samples, dtype=bool)
        inside[batch.offsets[:-1]] = False
        assert (np.diff(batch.time_s)[inside[1:]] > 0).all() and (batch.time_s[batch.offsets[:-1]] == 0).all()


def test_find_recordings(write, plain_stop, tmp_path: Path):
    deep = write(plain_stop(), name="b/c/d/two.PARQUET")
    first = write(plain_stop(), name="a/one.parquet")
    (tmp_path / "a" / "note.txt").write_text("x")
    assert found([tmp_path]) == [first, deep]
    assert found([first, tmp_path, first]) == [first, deep]
    (tmp_path / "empty").mkdir()
    assert find_recordings([tmp_path / "empty"]) == []
    with pytest.raises(InputError, match="gone: no such file or folder"):
        find_recordings([tmp_path / "gone"])

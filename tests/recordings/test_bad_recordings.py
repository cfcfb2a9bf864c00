"""Bad recordings: each gets a sentence that says what is wrong, and what is good of it is in."""

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from fleetbrake.core.errors import InputError
from fleetbrake.recordings.reader import open_recording


def read(path, **how):
    recording = open_recording(path, **how)
    return list(recording.batches()), recording.story


def without(columns, *names):
    return {name: value for name, value in columns.items() if name not in names}


def shifted(columns, change):
    """The columns with their time stamps in microseconds changed by a function."""
    stamps = columns["timestamp"].cast(pa.int64()).to_numpy().copy()
    return columns | {"timestamp": pa.array(change(stamps), pa.timestamp("us", tz="UTC"))}


WHEELS = tuple(f"wheel_speed_{wheel}_mps" for wheel in ("1l", "1r", "2l", "2r"))


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda c: without(c, "timestamp"), "column timestamp is missing"),
        (lambda c: without(c, "vehicle_id"), "column vehicle_id is missing and the path has no vehicle_id="),
        (lambda c: without(c, "speed_mps", *WHEELS[1:]), "there is neither speed_mps nor two wheel speeds"),
        (
            lambda c: c | {"speed_mps": [str(v) for v in c["speed_mps"]]},
            "column speed_mps holds text where speed_mps needs numbers",
        ),
        (
            lambda c: c | {"timestamp": np.arange(300) / 50.0},
            "column timestamp holds values of type double where timestamp needs a timestamp; for seconds from a start",
        ),
        (
            lambda c: c | {"timestamp": ["2026-01-05"] * 300},
            "column timestamp holds text where timestamp needs a timestamp",
        ),
        (
            lambda c: c | {"brake_switch": ["on"] * 300},
            "column brake_switch holds text where brake_switch needs true/false or 0/1; give true_values",
        ),
        (
            lambda c: c | {"vehicle_id": np.full(300, 1.5)},
            "column vehicle_id holds values of type double where vehicle_id needs text or whole numbers",
        ),
        (lambda c: {name: pa.array(v)[:0] for name, v in c.items()}, "the file has no rows"),
    ],
)
def test_a_file_that_cannot_be_used(write, plain_stop, change, sentence):
    with pytest.raises(InputError) as told:
        open_recording(write(change(plain_stop())), logged_as="day/r.parquet")
    assert str(told.value).startswith("day/r.parquet: ") and sentence in str(told.value)


def test_two_wrong_columns_are_told_at_once(write, plain_stop):
    columns = plain_stop() | {"speed_mps": ["x"] * 300, "brake_pedal_pct": ["y"] * 300}
    with pytest.raises(InputError, match=r"column speed_mps holds text .*; column brake_pedal_pct holds text"):
        open_recording(write(columns))


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "the file is empty"),
        (b"event_id,vehicle_id\nE1,V1\n", "the file is not a Parquet file"),
        (b"PAR1\x15\x04\x15", "the file is cut off or damaged"),
    ],
)
def test_a_file_that_is_no_parquet(tmp_path, content, sentence):
    path = tmp_path / "r.parquet"
    path.write_bytes(content)
    with pytest.raises(InputError, match=sentence):
        open_recording(path)


def test_a_file_cut_off_halfway(write, plain_stop):
    path = write(plain_stop())
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(InputError, match="cut off or damaged; copy it again from its source"):
        open_recording(path)


def test_a_file_damaged_inside(write, plain_stop):
    path = write(plain_stop(), compression="zstd")
    content = bytearray(path.read_bytes())
    column = pq.ParquetFile(path).metadata.row_group(0).column(3)
    begin = column.dictionary_page_offset or column.data_page_offset
    content[begin : begin + column.total_compressed_size] = b"\xff" * column.total_compressed_size
    path.write_bytes(bytes(content))
    recording = open_recording(path)
    with pytest.raises(InputError, match="the file is damaged inside"):
        list(recording.batches())


def test_a_path_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match=r"gone\.parquet: cannot be read"):
        open_recording(tmp_path / "gone.parquet")


def test_time_that_runs_backwards_rejects_only_that_event(write, plain_stop):
    def back(stamps):
        stamps[150:] -= 1_000_000
        return stamps

    batches, story = read(write(shifted(plain_stop(event_id="bad"), back), plain_stop(event_id="good")))
    assert [batch.event_id.tolist() for batch in batches] == [["good"]]
    assert batches[0].row_start.tolist() == [300]
    assert story.events_rejected == 1
    assert story.reasons == ["event bad (rows 0 to 299) rejected: time runs backwards at row 150"]


def test_time_that_runs_backwards_in_a_drive(write, plain_stop):
    batches, story = read(write(shifted(plain_stop(event_id=None), lambda stamps: stamps[::-1])))
    assert batches == [] and story.reasons == ["drive of V1 (rows 0 to 299) rejected: time runs backwards at row 1"]


def test_rows_of_an_event_that_do_not_stand_together(write, plain_stop):
    """Also where the second part is read in another portion, after the first would have been given out."""
    parts = [plain_stop(event_id=name) for name in ("E1", "E2", "E1", "E3")]
    batches, story = read(write(*parts, row_group_size=100), rows_per_batch=300)
    assert [name for batch in batches for name in batch.event_id] == ["E2", "E3"]
    assert story.events_rejected == 2
    assert "event E1 (rows 0 to 299) rejected: rows of this event do not stand together" in story.reasons[0]
    assert story.reasons[1].startswith("event E1 (rows 600 to 899)")


def test_drives_that_are_mixed(write, plain_stop):
    parts = [plain_stop(event_id=None, vehicle_id=name) for name in ("V1", "V2", "V1")]
    batches, story = read(write(*parts))
    assert batches[0].vehicle_id.tolist() == ["V2"] and story.events_rejected == 2


def test_repeated_stamps_drop_the_later_sample(write, plain_stop):
    def repeat(stamps):
        stamps[[10, 11]] = stamps[9]
        return stamps

    batches, story = read(write(shifted(plain_stop(), repeat), plain_stop(event_id="E2")))
    (batch,) = batches
    assert batch.offsets.tolist() == [0, 298, 598]
    assert batch.notes.tolist() == ["2 repeated time stamps dropped", ""]
    assert batch.row_start.tolist() == [0, 300] and batch.row_stop.tolist() == [300, 600]
    assert story.events_rejected == 0 and story.reasons == []
    np.testing.assert_allclose(batch.time_s[8:11], [0.16, 0.18, 0.24], atol=1e-9)


def test_small_rising_steps_of_a_drive_stay(write, plain_stop):
    def near(stamps):
        stamps[10] = stamps[9] + 100  # 0.1 ms
        return stamps

    batches, _ = read(write(shifted(plain_stop(event_id=None), near)))
    assert batches[0].samples == 300 and batches[0].notes.tolist() == [""]


def test_samples_without_a_time_stamp_are_dropped(write, plain_stop):
    columns = plain_stop()
    columns["timestamp"] = pa.array([None, *columns["timestamp"].to_pylist()[1:]], pa.timestamp("us", tz="UTC"))
    batches, _ = read(write(columns))
    assert batches[0].samples == 299 and batches[0].notes.tolist() == ["1 sample without time stamp dropped"]


@pytest.mark.parametrize("samples", [1, 2])
def test_an_event_too_short(write, plain_stop, samples):
    batches, story = read(write(plain_stop(samples=samples), plain_stop(event_id="E2")))
    assert batches[0].event_id.tolist() == ["E2"]
    assert f"rejected: only {samples} usable samples, at least 3 needed" in story.reasons[0]


def test_rows_without_event_or_vehicle(write, plain_stop):
    nobody = plain_stop(event_id="E2") | {"vehicle_id": pa.array([None] * 300, pa.string())}
    nameless = plain_stop() | {"event_id": pa.array([None] * 300, pa.string())}
    several = plain_stop(event_id="E4") | {"vehicle_id": ["V1"] * 100 + ["V2"] * 200}
    batches, story = read(write(nobody, nameless, several, plain_stop(event_id="E5")))
    assert batches[0].event_id.tolist() == ["E5"] and story.events_rejected == 3
    for part in (
        "event E2 (rows 0 to 299) rejected: no vehicle_id",
        "rejected: no event_id",
        "more than one vehicle_id",
    ):
        assert any(part in reason for reason in story.reasons)


def test_impossible_values_become_nan_and_are_told(write, plain_stop):
    columns = plain_stop()
    wheel = columns["wheel_speed_1l_mps"].copy()
    wheel[[5, 6]] = (300.0, -np.inf)
    batches, story = read(write(columns | {"wheel_speed_1l_mps": wheel}, plain_stop(event_id="E2")))
    (batch,) = batches
    assert np.flatnonzero(np.isnan(batch.wheel_speed_mps[0])).tolist() == [5, 6]
    assert batch.notes.tolist() == ["2 implausible wheel_speed_1l_mps values left out", ""]
    assert story.reasons == ["wheel_speed_1l_mps: 2 values outside -30 to 120 m/s left out"]


def test_a_switch_that_is_neither_yes_nor_no(write, plain_stop):
    columns = plain_stop() | {"abs_active": np.array([0, 1, 3] * 100, dtype=np.int8)}
    batches, story = read(write(columns))
    np.testing.assert_array_equal(batches[0].channels["abs_active"][:3], [0.0, 1.0, np.nan])
    assert story.reasons == ["abs_active: 100 values other than 0 and 1 left out"]


def test_a_channel_wholly_out_of_range(write, plain_stop):
    columns = plain_stop() | {"air_temp_c": np.full(300, 285.0)}
    batches, story = read(write(columns))
    assert np.isnan(batches[0].channels["air_temp_c"]).all()
    assert story.channels_left_out == ["air_temp_c"]
    assert "air_temp_c: every value is outside -80 to 90 degC: is the unit right?" in story.reasons[0]


def test_a_pedal_given_as_fraction(write, plain_stop):
    pedal = np.clip(np.linspace(-0.5, 1.0, 300), 0.0, None)
    batches, story = read(write(plain_stop() | {"brake_pedal_pct": pedal}))
    assert np.isnan(batches[0].channels["brake_pedal_pct"]).all()
    assert story.channels_left_out == ["brake_pedal_pct"]
    assert story.reasons == [
        "brake_pedal_pct never exceeds 1: are these fractions, not %? Use a mapping with factor 100; left out"
    ]


def test_a_resting_pedal_is_no_fraction(write, plain_stop):
    """Rest noise of 0 to 0.8 % in the bus's steps of 0.4 %: nobody braked, and that is true."""
    pedal = np.array([0.0, 0.4, 0.8] * 100)
    batches, story = read(write(plain_stop() | {"brake_pedal_pct": pedal}))
    np.testing.assert_array_equal(batches[0].channels["brake_pedal_pct"], pedal)
    assert story.reasons == []


@pytest.mark.parametrize(("factor", "text"), [(3.6, "3.56 times"), (20.0, "19.80 times"), (1 / 3.6, "0.28 times")])
def test_wheels_and_vehicle_in_different_units(write, plain_stop, factor, text):
    columns = plain_stop()
    columns |= {name: columns[name] * factor for name in WHEELS}
    recording = open_recording(write(columns))
    with pytest.raises(
        InputError, match=f"the wheel speeds are {text} speed_mps throughout: one of them is not in m/s"
    ):
        list(recording.batches())


def test_one_wheel_in_another_unit_is_left_out(write, plain_stop):
    columns = plain_stop()
    columns["wheel_speed_2r_mps"] = columns["wheel_speed_2r_mps"] * 3.6
    batches, story = read(write(columns))
    assert np.isnan(batches[0].wheel_speed_mps[3]).all() and np.isfinite(batches[0].wheel_speed_mps[:3]).all()
    assert story.channels_left_out == ["wheel_speed_2r_mps"]


def test_a_dead_or_locked_wheel_is_no_unit(write, plain_stop):
    columns = plain_stop()
    columns["wheel_speed_1l_mps"] = np.zeros(300)
    batches, story = read(write(columns))
    assert (batches[0].wheel_speed_mps[0] == 0.0).all() and story.reasons == []


def test_many_bad_events_are_counted(write, plain_stop):
    parts = [plain_stop(samples=1, event_id=f"E{number}") for number in range(50)]
    batches, story = read(write(*parts))
    assert batches == [] and story.events_rejected == 50
    assert len(story.reasons) == 21 and story.reasons[-1] == "and 30 more rejected"


def test_channels_without_a_type_or_a_value(write, plain_stop):
    """A column of nulls only says "not recorded", whatever its type."""
    nothing = pa.nulls(300)
    columns = plain_stop() | {"driver_id": nothing, "abs_active": nothing, "grade": nothing, "brake_source": nothing}
    batches, story = read(write(columns))
    (batch,) = batches
    assert batch.driver_id.tolist() == [None] and (batch.brake_source == -1).all()
    assert np.isnan(batch.channels["abs_active"]).all() and np.isnan(batch.channels["grade"]).all()
    assert story.reasons == []


def test_text_that_is_not_utf_8(write, plain_stop):
    binary = pa.array([b"\xff\xfe"] * 300, pa.binary())
    text = pa.Array.from_buffers(pa.string(), 300, binary.buffers())
    recording = open_recording(write(plain_stop() | {"driver_id": text}))
    with pytest.raises(InputError, match="text that is not UTF-8"):
        list(recording.batches())

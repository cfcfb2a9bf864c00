"""Recordings that nobody writes on purpose: impossible times, odd names, damaged bytes. Each ends in a sentence."""

import os
import random

import numpy as np
import pyarrow as pa
import pytest

from fleetbrake.core.errors import InputError
from fleetbrake.recordings.mapping import parse_mapping
from fleetbrake.recordings.reader import find_recordings, open_recording, vehicle_in_path

POSIX = pytest.mark.skipif(os.name != "posix", reason="file names are bytes only there")


def read(path, **how):
    recording = open_recording(path, **how)
    return list(recording.batches()), recording.story


def found(paths):
    return [source.path for source in find_recordings(paths)]


def stamps_of(columns):
    return columns["timestamp"].cast(pa.int64()).to_numpy()


@pytest.mark.parametrize("event_id", ["E1", None])
@pytest.mark.parametrize(
    ("change", "unit", "where"),
    [
        (lambda us: us // 1000, "s", "after the year 9999"),  # ms ticks kept as s
        (lambda us: us, "s", "after the year 9999"),
        (lambda us: us, "ms", "after the year 9999"),
        (lambda us: us // 1000, "us", "in the year 1970"),
        (lambda us: np.arange(len(us)) + (2**63 - 1 - len(us)), "us", "after the year 9999"),
        (lambda us: np.arange(len(us)) + (2**63 - 1 - len(us)), "ns", "in the year 2262"),
        (lambda us: np.arange(len(us)) + (5 - 2**63), "us", "before the year 1"),
        (lambda us: us - us[0] + 253_402_300_800_000_000, "us", "after the year 9999"),
        (lambda us: np.where(np.arange(len(us)) > 200, 5 * 10**18, -5 * 10**18), "us", "before the year 1"),
        (lambda us: np.where(np.arange(len(us)) > 200, us + 10**17, us), "us", "in the year 5194"),
    ],
)
def test_times_that_no_recording_has(write, plain_stop, event_id, change, unit, where):
    columns = plain_stop(event_id=event_id)
    columns["timestamp"] = pa.array(change(stamps_of(columns)), pa.int64()).cast(pa.timestamp(unit, tz="UTC"))
    batches, story = read(write(columns))
    assert batches == [] and story.events_rejected == 1 and story.first_us is None
    assert story.reasons[0].endswith(f"rejected: time stamps lie {where}: is the unit right?")


def test_only_the_event_of_an_impossible_year_is_rejected(write, plain_stop):
    bad = plain_stop(event_id="bad")
    bad["timestamp"] = pa.array(stamps_of(bad) // 1000, pa.timestamp("us", tz="UTC"))
    batches, story = read(write(bad, plain_stop(event_id="good")))
    assert batches[0].event_id.tolist() == ["good"] and story.events_rejected == 1


@pytest.mark.parametrize("year", [1971, 2199])
def test_the_first_and_last_year_stand(write, plain_stop, year):
    columns = plain_stop()
    start = int(np.datetime64(f"{year}-06-01", "us").astype(np.int64))
    columns["timestamp"] = pa.array(stamps_of(columns) - stamps_of(columns)[0] + start, pa.timestamp("us", tz="UTC"))
    batches, _ = read(write(columns))
    assert batches[0].start_us.tolist() == [start]


@POSIX
def test_names_that_are_not_utf_8(write, plain_stop, tmp_path):
    columns = {name: value for name, value in plain_stop().items() if name != "vehicle_id"}
    written = write(columns)
    folder = tmp_path / "in" / os.fsdecode(b"vehicle_id=V\xff")
    folder.mkdir(parents=True)
    written.rename(folder / os.fsdecode(b"a\xfe.parquet"))
    (source,) = find_recordings([tmp_path / "in"])
    path = source.path
    recording = open_recording(source)
    (batch,) = recording.batches()
    assert batch.vehicle_id.tolist() == ["V\\xff"] == [vehicle_in_path(path)]
    assert recording.rows(0, 300).samples == 300
    recording.story.path.encode()  # can be written to any table
    os.truncate(path, 100)
    with pytest.raises(InputError, match=r"a\\xfe\.parquet: the file is cut off or damaged"):
        open_recording(path)


def test_a_path_with_a_blank_vehicle(tmp_path):
    assert vehicle_in_path(tmp_path / "vehicle_id=%20" / "r.parquet") is None


@pytest.mark.parametrize("how", [{"compression": "none", "use_dictionary": False}, {"row_group_size": 150}])
def test_flipped_bits_end_in_a_sentence(write, plain_stop, how):
    """Wherever a bit flips, the file is read or refused; nothing else comes out, and the process lives."""
    path = write(plain_stop(), plain_stop(event_id="E2"), **how)
    whole = path.read_bytes()
    footer = int.from_bytes(whole[-8:-4], "little") + 8
    chance = random.Random(20260105)
    alternatives = parse_mapping(
        b'[columns]\nvehicle_id = "vehicle_id"\ntimestamp = "timestamp"\n'
        b'speed_mps = ["speed_mps", "wheel_speed_1l_mps"]\nevent_id = ["event_id", "vehicle_id"]\n',
        "m.toml",
    )
    refused = 0
    for trial in range(120):
        content = bytearray(whole)
        least = len(whole) - footer if trial % 2 else 0
        content[chance.randrange(least, len(whole))] ^= 1 << chance.randrange(8)
        path.write_bytes(bytes(content))
        try:
            recording = open_recording(path, alternatives if trial % 3 else None)
            list(recording.batches())
            recording.rows(10, 100)
        except InputError as error:
            assert str(error).startswith(str(path)) and str(error).isprintable()
            refused += 1
    assert refused > 10  # the flips do reach what matters


def test_a_file_with_fewer_rows_than_it_says(write, plain_stop, monkeypatch):
    recording = open_recording(write(plain_stop(event_id=None)))
    monkeypatch.setattr("pyarrow.parquet.ParquetFile.iter_batches", lambda *_, **__: iter(()))
    with pytest.raises(InputError, match="the file is damaged inside"):
        list(recording.batches())


def test_whatever_the_decoder_raises_is_told(write, plain_stop, monkeypatch):
    recording = open_recording(write(plain_stop()))

    def fails(*_, **__):
        raise RuntimeError("odd \x1b[31m")

    monkeypatch.setattr("pyarrow.parquet.ParquetFile.iter_batches", fails)
    with pytest.raises(InputError, match=r"the file is damaged inside \(odd \N{REPLACEMENT CHARACTER}\[31m\)"):
        list(recording.batches())


@pytest.mark.parametrize("name", ["brake_pedal_pct", "wheel_speed_2r_mps"])
def test_true_and_false_are_no_numbers(write, plain_stop, name):
    columns = plain_stop()
    path = write(columns | {name: np.asarray(columns[name]) > 5})
    for _ in range(2):  # also when it is read again
        recording = open_recording(path)
        (batch,) = recording.batches()
        assert recording.story.channels_left_out == [name] and name not in recording.story.channels
        assert recording.story.reasons == [f"column {name} holds true/false where {name} needs numbers; left out"]
    assert not batch.has(name) and len(batch.wheels) == (4 if name == "brake_pedal_pct" else 3)


def test_a_speed_of_true_and_false(write, plain_stop):
    columns = plain_stop()
    with pytest.raises(InputError, match="column speed_mps holds true/false where speed_mps needs numbers"):
        open_recording(write(columns | {"speed_mps": columns["speed_mps"] > 5}))


def test_wheels_of_true_and_false_alone(write, plain_stop):
    columns = {name: value for name, value in plain_stop().items() if name != "speed_mps"}
    columns |= {name: [True] * 300 for name in columns if name.startswith("wheel_speed")}
    with pytest.raises(InputError, match=r"neither speed_mps nor two wheel speeds .*; column wheel_speed_1l_mps holds"):
        open_recording(write(columns))


def test_events_and_drives_without_a_name(write, plain_stop):
    nothing = pa.array([None] * 300, pa.string())
    _, story = read(write(plain_stop() | {"event_id": nothing}))
    assert story.reasons == ["an event without an id (rows 0 to 299) rejected: no event_id"]
    _, story = read(write(plain_stop(event_id=None) | {"vehicle_id": nothing}))
    assert story.reasons == ["a drive without a vehicle (rows 0 to 299) rejected: no vehicle_id"]


@pytest.mark.parametrize("word", ["\x1b[31m", "a\nb", "\x00", "\u202eabc", "x" * 5000])
def test_words_from_the_file_are_made_fit_to_be_shown(write, plain_stop, word):
    columns = plain_stop(samples=2, event_id=word) | {"brake_source": [word] * 2}
    batches, story = read(write(columns, plain_stop(event_id="E2") | {"brake_source": [word] * 300}))
    assert batches[0].event_id.tolist() == ["E2"] and len(story.reasons) == 2
    assert all(reason.isprintable() and len(reason) < 250 for reason in story.reasons)


def test_a_column_name_is_made_fit_to_be_shown(write, plain_stop):
    columns = {name: value for name, value in plain_stop().items() if name != "timestamp"}
    with pytest.raises(InputError) as told:
        open_recording(write({"\x1b[2J": [1] * 300} | columns), logged_as="a\nb.parquet")
    assert str(told.value).isprintable()


@POSIX
def test_only_files_and_folders_are_recordings(write, plain_stop, tmp_path):
    good = write(plain_stop(), name="in/good.parquet")
    os.mkfifo(tmp_path / "in" / "pipe.parquet")
    (tmp_path / "in" / "folder.parquet").mkdir()
    (tmp_path / "in" / "gone.parquet").symlink_to(tmp_path / "nowhere")
    assert found([tmp_path / "in"]) == [good]
    for path in (tmp_path / "in" / "pipe.parquet", "/dev/null"):
        with pytest.raises(InputError, match="is neither a file nor a folder"):
            find_recordings([type(tmp_path)(path)])
    with pytest.raises(InputError, match="cannot be read"):
        find_recordings([tmp_path / ("x" * 5000)])

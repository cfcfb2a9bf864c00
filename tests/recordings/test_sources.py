"""Where recordings lie: paths and addresses, an object store on loopback, and a bad way to it."""

import hashlib
import pickle
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from fleetbrake.core.errors import InputError
from fleetbrake.recordings import at_hand as module
from fleetbrake.recordings import remote
from fleetbrake.recordings.at_hand import at_hand, file_sha256
from fleetbrake.recordings.reader import open_recording
from fleetbrake.recordings.sources import find_recordings, is_there, source_of
from fleetbrake.taking_in import inputs
from tests.recordings.object_stores import BUCKET, Faults, faulty_way, object_store

NAME = f"s3://{BUCKET}/night 1/vehicle_id=BUS%2041/r.parquet"


@pytest.fixture(scope="module")
def endpoint() -> Iterator[str]:
    with pytest.MonkeyPatch.context() as patch, object_store(patch) as address:
        yield address


@pytest.fixture
def put(endpoint):
    """Puts the bytes of a file at an address."""

    def _put(path: Path, address: str = NAME) -> bytes:
        system, where = remote.file_system(address)
        with system.open_output_stream(where) as stream:
            stream.write(path.read_bytes())
        return path.read_bytes()

    return _put


@pytest.fixture
def quick(monkeypatch):
    """Short waits between attempts; and file systems of its own."""
    monkeypatch.setattr(remote, "FIRST_PAUSE_S", 0.01)
    remote._system.cache_clear()
    yield
    remote._system.cache_clear()


def soon_late(monkeypatch, kind):
    """A second is too long for one request, where a test is about that only: a busy machine may take it."""
    if kind in ("silent", "trickling"):
        monkeypatch.setattr(remote, "LONGEST_REQUEST_S", 1.0)


def without_vehicle(columns):
    return {name: values for name, values in columns.items() if name != "vehicle_id"}


# --- addresses -----------------------------------------------------------------------------------------------------


def test_a_path_and_its_address_are_the_same_source(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    path = tmp_path / "a b.parquet"
    monkeypatch.chdir(tmp_path)
    written = [
        path,
        str(path),
        Path("a b.parquet"),
        path.as_uri(),
        path.as_uri().replace("file://", "file://localhost"),
    ]
    sources = [source_of(one) for one in written]
    assert set(sources) == {sources[0]} and sources[0].address == str(path)
    assert sources[2].path == Path("a b.parquet")  # as it was given
    assert pickle.loads(pickle.dumps(sources)) == sources
    assert len(pickle.dumps(sources[0])) < 400  # what travels is small


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("https://there.example.org/r.parquet", r"https://\.\.\.: only file://, s3:// and gs:// addresses"),
        ("s3://key:hush@bucket/r.parquet", r"s3://bucket: name, password and port do not belong into an address"),
        ("s3://:hush@bucket/r", r"s3://bucket: name, password"),
        ("s3://bucket:9000/r", r"s3://bucket:9000: name, password and port"),
        ("s3://?region=here", "names no bucket"),
        ("s3:///key", "names no bucket"),
        ("file://other/r.parquet", "a file of another machine"),
    ],
)
def test_addresses_that_cannot_be_read(address: str, said: str):
    with pytest.raises(InputError, match=said) as told:
        source_of(address)
    assert "hush" not in str(told.value)


def test_an_object_is_no_path():
    source = source_of("S3://bucket/a/vehicle_id=V%201/r.parquet")
    assert source.address == "s3://bucket/a/vehicle_id=V%201/r.parquet" and not source.is_local
    with pytest.raises(ValueError, match="no file of this machine"):
        _ = source.path
    assert pickle.loads(pickle.dumps(source)) == source == source_of(source)


def test_a_file_is_hashed_once_and_read_as_it_was_opened(write, plain_stop, tmp_path: Path):
    path = write(plain_stop())
    content = path.read_bytes()
    with at_hand(path) as data:
        replaced = write(plain_stop(samples=100), name="new.parquet")
        replaced.replace(path)  # as a logger that writes anew does it
        assert data.sha256 == hashlib.sha256(content).hexdigest()
        recording = open_recording(data)
        assert recording.story.rows == 300 and recording.story.sha256 == data.sha256
        assert data.facts.size == len(content)
        data.save(tmp_path / "copy")
    assert (tmp_path / "copy").read_bytes() == content
    assert file_sha256(path) != data.sha256


# --- an object store -----------------------------------------------------------------------------------------------


def test_a_prefix_is_a_folder(write, plain_stop, put):
    path = write(plain_stop())
    names = ["one/b.parquet", "one/deep/a #?%.PARQUET", "one/note.txt", "one-more/c.parquet"]
    for name in names:
        put(path, f"s3://{BUCKET}/listed/{name}")
    under = f"s3://{BUCKET}/listed/one"
    found = find_recordings([f"{under}/", under, f"{under}/b.parquet", path])
    assert [one.address for one in found] == [str(path), f"{under}/b.parquet", f"{under}/deep/a #?%.PARQUET"]
    assert found[1].listed is not None and found[1].listed[:2] == found[1].stat()[:2]
    assert found[1].stat().size == path.stat().st_size and is_there(found[2])
    assert not is_there(source_of(f"{under}/gone.parquet"))


@pytest.mark.parametrize("address", [f"s3://{BUCKET}/gone/", f"s3://{BUCKET}/gone.parquet", "s3://bucket-two/x"])
def test_what_is_not_there_is_told(endpoint, address: str):
    with pytest.raises(InputError, match=rf"^{address}: cannot be listed \(no such object or folder\)$"):
        find_recordings([address])
    with pytest.raises(InputError, match=rf"^{address}: cannot be read \(no such object or folder\)$"):
        open_recording(address)


@pytest.mark.parametrize("most", [module.MOST_IN_MEMORY, 1000])
def test_an_object_gives_what_the_file_gives(write, plain_stop, put, monkeypatch, tmp_path, most):
    monkeypatch.setattr(module, "MOST_IN_MEMORY", most)
    monkeypatch.setattr(module, "REQUEST_BYTES", 4001)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "passing"))
    (tmp_path / "passing").mkdir()
    path = write(
        without_vehicle(plain_stop()), without_vehicle(plain_stop(event_id="E2")), name="vehicle_id=X/r.parquet"
    )
    content = put(path)
    recording = open_recording(NAME)
    assert list((tmp_path / "passing").iterdir()) == []  # nothing stays, not even if the run is killed now
    (batch,), (same,) = recording.batches(), open_recording(path).batches()
    assert recording.story.path == NAME == batch.path and recording.data.facts.etag
    assert recording.story.sha256 == hashlib.sha256(content).hexdigest() == file_sha256(path)
    assert set(batch.vehicle_id) == {"BUS 41"} and batch.event_id.tolist() == same.event_id.tolist()
    np.testing.assert_array_equal(batch.channels["speed_mps"], same.channels["speed_mps"])
    np.testing.assert_array_equal(batch.wheel_speed_mps, same.wheel_speed_mps)
    recording.data.save(tmp_path / "copy")
    assert (tmp_path / "copy").read_bytes() == content


def test_a_few_rows_of_an_object_do_not_fetch_it(endpoint, write, plain_stop, put, quick, monkeypatch):
    """A page that draws one event asks for its row group and the footer, not for the whole day."""
    chance = np.random.default_rng(0)
    parts = [plain_stop(event_id=f"E{n}") | {"accel_long_mps2": chance.normal(size=300)} for n in range(100)]
    size = len(put(write(*parts, row_group_size=300, compression="none")))
    asked: list[int] = []
    piece = module._Object._piece

    def counted(self, start, length):
        asked.append(length)
        return piece(self, start, length)

    monkeypatch.setattr(module._Object, "_piece", counted)
    recording = open_recording(NAME, fingerprint=False)
    batch = recording.rows(300 * 70, 300 * 71)
    assert batch.event_id.tolist() == ["E70"] and recording.story.sha256 == ""
    assert sum(asked) < size / 3  # a footer of a hundred groups is most of it
    same = open_recording(NAME).rows(300 * 70, 300 * 71)
    np.testing.assert_array_equal(batch.channels["accel_long_mps2"], same.channels["accel_long_mps2"])


# --- a bad way there -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["ill", "silent", "dropped", "trickling"])
@pytest.mark.parametrize("part", ["first", "second"])
def test_trouble_that_passes_costs_nothing(endpoint, write, plain_stop, put, quick, monkeypatch, kind, part):
    path = write(without_vehicle(plain_stop()))
    content = put(path)
    monkeypatch.setattr(module, "REQUEST_BYTES", len(content) // 2 + 1)
    faults = Faults("r.parquet", [kind] if part == "first" else ["", kind, kind], wait_s=2.0)
    soon_late(monkeypatch, kind)
    with faulty_way(endpoint, monkeypatch, faults):
        assert open_recording(NAME).story.sha256 == hashlib.sha256(content).hexdigest()
        # only the request that failed is asked again; after a silence the transport itself may ask once more
        asked = 3 if part == "first" else 4
        assert len(faults.seen) == asked or (kind in ("silent", "trickling") and len(faults.seen) > asked)


def test_an_answer_that_takes_some_seconds_is_waited_for(endpoint, write, plain_stop, put, quick, monkeypatch):
    """The client library's own bound is 3 s: a busy store is asked once, and answers."""
    content = put(write(without_vehicle(plain_stop())))
    with faulty_way(endpoint, monkeypatch, Faults("r.parquet", ["late"], wait_s=4.0)) as faults:
        assert open_recording(NAME).story.sha256 == hashlib.sha256(content).hexdigest()
        assert len(faults.seen) == 1


@pytest.mark.parametrize(
    ("kind", "said", "asked"),
    [
        ("denied", r"cannot be read \(the object store denies it\)", 1),
        ("ill", r"cannot be read after 4 attempts \(the object store failed or is overloaded\)", 4),
        ("dropped", r"cannot be read after 4 attempts \(the connection was broken or could not be made\)", 4),
        ("silent", r"cannot be read after 4 attempts \(no answer for 1 s\)", 4),
        ("trickling", r"cannot be read after 4 attempts \(no answer for 1 s\)", 4),
    ],
)
def test_trouble_that_lasts_is_told_in_bounded_time(
    endpoint, write, plain_stop, put, quick, monkeypatch, kind, said, asked
):
    put(write(without_vehicle(plain_stop())))
    soon_late(monkeypatch, kind)
    with faulty_way(endpoint, monkeypatch, Faults("r.parquet", [kind] * 100, wait_s=1.5)) as faults:
        with pytest.raises(InputError, match=said) as told:
            open_recording(NAME)
        assert str(told.value).startswith(f"{NAME}: ")
        assert len(faults.seen) == asked or (kind == "silent" and len(faults.seen) > asked)


@pytest.mark.parametrize("kind", ["dropped", "denied"])
def test_a_store_that_goes_away_while_rows_are_read(endpoint, write, plain_stop, put, quick, monkeypatch, kind):
    parts = [plain_stop(event_id=f"E{n}") for n in range(3)]
    put(write(*parts, row_group_size=300, compression="none", use_dictionary=False))
    with faulty_way(endpoint, monkeypatch, Faults("r.parquet", [])) as faults:
        recording = open_recording(NAME, fingerprint=False)
        faults.kinds = [kind] * 100
        with pytest.raises(InputError, match=rf"^{NAME}: cannot be read .*(connection|denies)"):
            recording.rows(0, 300)


def test_listing_is_tried_again_and_denied(endpoint, write, plain_stop, put, quick, monkeypatch):
    put(write(plain_stop()))
    with faulty_way(endpoint, monkeypatch, Faults(BUCKET, ["ill"])) as faults:
        assert NAME in [one.address for one in find_recordings([f"s3://{BUCKET}/night 1/"])]
        faults.kinds = ["denied"] * 9
        with pytest.raises(InputError, match=r"cannot be listed \(the object store denies it\)"):
            find_recordings([f"s3://{BUCKET}/night 1/"])


def test_what_cannot_be_listed_does_not_cost_the_others(endpoint, write, plain_stop, put, quick, monkeypatch):
    put(write(plain_stop()))
    here, there, gone = write(plain_stop()), f"s3://{BUCKET}/night 1/", f"s3://{BUCKET}/no such/"
    with faulty_way(endpoint, monkeypatch, Faults(BUCKET, ["denied"])):
        files, _, problems = inputs([str(here), there], None)
        assert [one.path for one in files] == [here]
        assert problems == [f"{there}: cannot be listed (the object store denies it)"]
    files, _, problems = inputs([here, there, gone], None)
    assert len(files) > 1 and len(problems) == 1 and problems[0].startswith(f"{gone}: cannot be listed")
    for alone in ([gone], [gone, str(here.parent / "gone")]):
        with pytest.raises(InputError, match="no such"):
            inputs(alone, None)


def test_a_store_that_is_not_there(quick, monkeypatch):
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")
    with pytest.raises(InputError, match=r"after 4 attempts \(the connection was broken or could not be made\)"):
        at_hand(NAME)


def test_an_object_that_is_replaced_meanwhile_is_told(endpoint, write, plain_stop, put, quick, monkeypatch):
    """Halves of two versions are no recording."""
    content = put(write(plain_stop()))
    other = write(plain_stop(samples=500), name="other.parquet")
    monkeypatch.setattr(module, "REQUEST_BYTES", len(content) // 3)
    piece = module._Object._piece

    def replaced(self, start, length):
        if start:
            put(other)
        return piece(self, start, length)

    monkeypatch.setattr(module._Object, "_piece", replaced)
    with pytest.raises(InputError, match="changed while it was read"):
        at_hand(NAME)

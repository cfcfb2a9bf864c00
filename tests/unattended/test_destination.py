"""Where the month goes: a folder, an object store on loopback, and what is left when it cannot be written."""

import hashlib
import json
import os
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from pyarrow import fs

from fleetbrake.core.errors import FleetbrakeError, StoreBusyError
from fleetbrake.store import runs
from fleetbrake.unattended import destination as module
from fleetbrake.unattended.destination import Destination, alone, destination, draft_for, shown_address

FILES = {"brakes-2026-01.pdf": b"%PDF made up", "csv/events.csv": b"event_id\n1\n"}


@pytest.fixture(autouse=True)
def no_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    """Attempts follow one another at once."""
    monkeypatch.setattr(module, "_FIRST_PAUSE_S", 0.0)


def _deliver(place: Destination, files: dict[str, bytes]) -> list[str]:
    with draft_for(place) as draft:
        for name, content in files.items():
            (draft / name).parent.mkdir(exist_ok=True)
            (draft / name).write_bytes(content)
        return place.deliver(draft, list(files), {"as_of": "2026-01-31"}, lambda done, of: None)


def _there(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize("kind", ["folder", "address"])
def test_a_folder_gets_the_set_and_nothing_else(tmp_path: Path, kind: str) -> None:
    out = tmp_path / "out put"
    place = destination(out if kind == "folder" else out.as_uri(), "2026-01")
    assert place.folder == out / "2026-01"
    told = _deliver(place, FILES)
    _deliver(place, FILES)  # again, over the first
    there = _there(out / "2026-01")
    manifest = json.loads(there.pop("brakes-2026-01.json"))
    assert there == FILES and set(told) == {str(p) for p in (out / "2026-01").rglob("*") if p.is_file()}
    assert manifest == {
        "as_of": "2026-01-31",
        "month": "2026-01",
        "files": [
            {"name": name, "bytes": len(FILES[name]), "sha256": hashlib.sha256(FILES[name]).hexdigest()}
            for name in sorted(FILES)
        ],
    }


def test_a_set_that_could_not_be_put_in_place_has_no_manifest(tmp_path: Path) -> None:
    place = destination(tmp_path, "2026-01")
    _deliver(place, FILES)
    (tmp_path / "2026-01" / "csv" / "events.csv").unlink()
    (tmp_path / "2026-01" / "csv" / "events.csv").mkdir()
    with pytest.raises(FleetbrakeError, match="cannot be put there"):
        _deliver(place, FILES)
    assert not (tmp_path / "2026-01" / "brakes-2026-01.json").exists()
    assert not list((tmp_path / "2026-01").glob(".monthly-*")), "what was made aside is gone"


def test_what_a_killed_run_left_is_removed_by_the_next(tmp_path: Path) -> None:
    left = tmp_path / "2026-01" / ".monthly-abc"
    left.mkdir(parents=True)
    with draft_for(destination(tmp_path, "2026-01")) as draft:
        assert draft.is_dir() and not left.exists()


def test_two_monthly_runs_of_a_store_exclude_each_other_and_the_second_names_the_first(tmp_path: Path) -> None:
    now = datetime.now(UTC)
    with runs.living(tmp_path, "first"), alone(tmp_path, 0), runs.living(tmp_path, "second"):
        runs.begin(tmp_path, "first", "monthly", now - timedelta(minutes=1), 400)
        runs.begin(tmp_path, "second", "monthly", now, 400)
        began = (now - timedelta(minutes=1)).isoformat(timespec="seconds")
        with pytest.raises(StoreBusyError, match=rf"process {os.getpid()} on .*, since {re.escape(began)}"):  # noqa: SIM117
            with alone(tmp_path, 0):
                pass
    with alone(tmp_path, 0):
        pass


@pytest.mark.parametrize(
    ("address", "shown"),
    [
        ("s3://key:hush@bucket/a/b?region=x&access_key=hush#hush", "s3://bucket/a/b"),
        ("gs://bucket", "gs://bucket"),
        ("abfss://box@there.example.org/a?sas=hush", "abfss://box@there.example.org/a"),
    ],
)
def test_an_address_is_told_without_what_may_be_secret(address: str, shown: str) -> None:
    assert shown_address(address) == shown


# --- an object store: another project's server on loopback ---------------------------------------------------------


@pytest.fixture(scope="module")
def objects() -> Iterator[fs.S3FileSystem]:
    """An S3 server of this machine with a bucket; the environment names it and its keys as it would another one."""
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AWS_ACCESS_KEY_ID", "test")
        patch.setenv("AWS_SECRET_ACCESS_KEY", "hush")
        patch.setenv("AWS_DEFAULT_REGION", "us-east-1")
        patch.setenv("AWS_ENDPOINT_URL", f"http://{host}:{port}")
        patch.setenv("AWS_EC2_METADATA_DISABLED", "true")
        system = fs.S3FileSystem(allow_bucket_creation=True, endpoint_override=f"http://{host}:{port}")
        system.create_dir("bucket-one")
        yield system
    server.stop()


def _objects(system: fs.S3FileSystem, under: str) -> dict[str, bytes]:
    found = system.get_file_info(fs.FileSelector(under, recursive=True, allow_not_found=True))
    files = [one.path for one in found if one.type == fs.FileType.File]
    return {path.removeprefix(f"{under}/"): system.open_input_stream(path).read() for path in files}


def test_an_object_store_gets_the_set_with_the_manifest_last(
    objects: fs.S3FileSystem, monkeypatch: pytest.MonkeyPatch
) -> None:
    put, sent = module._Upload._put, []

    def noted(self: module._Upload, path: str, content: bytes) -> None:
        put(self, path, content)
        sent.append(path.rpartition("/")[2])

    monkeypatch.setattr(module._Upload, "_put", noted)
    told = _deliver(destination("s3://bucket-one/brake%20reports", "2026-01"), FILES)
    assert told[-1] == "s3://bucket-one/brake%20reports/2026-01/brakes-2026-01.json"
    assert sent == ["brakes-2026-01.pdf", "events.csv", "brakes-2026-01.json"]
    there = _objects(objects, "bucket-one/brake reports/2026-01")
    manifest = json.loads(there.pop("brakes-2026-01.json"))
    assert [one["name"] for one in manifest["files"]] == sorted(FILES) and there == FILES


def test_an_upload_that_breaks_off_leaves_no_manifest_of_an_earlier_set(
    objects: fs.S3FileSystem, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = destination("s3://bucket-one/broken", "2026-01", 2)
    _deliver(place, FILES)
    put, tried = module._Upload._put, []

    def breaks(self: module._Upload, path: str, content: bytes) -> None:
        tried.append(path)
        if path.endswith("events.csv"):
            raise OSError("the network went away")
        put(self, path, content)

    monkeypatch.setattr(module._Upload, "_put", breaks)
    with pytest.raises(FleetbrakeError, match=r"csv/events.csv cannot be written after 2 attempts \(the network went"):
        _deliver(place, FILES)
    assert tried.count("bucket-one/broken/2026-01/csv/events.csv") == 2
    assert set(_objects(objects, "bucket-one/broken/2026-01")) == set(FILES)


def test_a_hiccup_is_passed_over(objects: fs.S3FileSystem, monkeypatch: pytest.MonkeyPatch) -> None:
    put, tried = module._Upload._put, []

    def hiccups(self: module._Upload, path: str, content: bytes) -> None:
        tried.append(path)
        if tried.count(path) == 1:
            raise OSError("try again")
        put(self, path, content)

    monkeypatch.setattr(module._Upload, "_put", hiccups)
    assert len(_deliver(destination("s3://bucket-one/hiccup", "2026-01", 2), FILES)) == 3


def test_a_bucket_that_is_not_there_is_told_by_its_address_without_secrets(objects: fs.S3FileSystem) -> None:
    place = destination("s3://bucket-two/a?region=us-east-1", "2026-01", 1)
    with pytest.raises(FleetbrakeError, match=r"s3://bucket-two/a/2026-01: .* cannot be written") as told:
        _deliver(place, FILES)
    assert "hush" not in str(told.value) and "region=" not in str(told.value)

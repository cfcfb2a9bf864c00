"""The place for rows on their way: what is left of it at the end, told and removed, whatever the end was."""

import json
from collections.abc import Iterator
from contextlib import AbstractContextManager, ExitStack
from pathlib import Path

import pytest
from pyarrow import fs

from fleetbrake.core.errors import ClusterError, StoreError
from fleetbrake.recordings import remote
from fleetbrake.store.arriving import ARRIVING, NOTE, drop_of_run, remove_left
from fleetbrake.store.lake import EVENTS_SCHEMA, PIECE_KEY, WHEELS_SCHEMA, Lake
from tests.recordings.object_stores import BUCKET, Faults, faulty_way, object_store

ROWS = [schema.empty_table().drop_columns([PIECE_KEY]) for schema in (EVENTS_SCHEMA, WHEELS_SCHEMA)]


@pytest.fixture(scope="module")
def endpoint() -> Iterator[str]:
    with pytest.MonkeyPatch.context() as patch, object_store(patch) as address:
        remote._system.cache_clear()
        yield address
    remote._system.cache_clear()


def _noted(store: Path) -> list[str]:
    return list(json.loads((store / NOTE).read_text(encoding="utf-8"))["addresses"])


def _objects(prefix: str) -> list[str]:
    """Keys of all objects below, the empty ones that stand for folders too."""
    boto3 = pytest.importorskip("boto3")
    found = boto3.client("s3").list_objects_v2(Bucket=BUCKET, Prefix=prefix)
    return [one["Key"] for one in found.get("Contents", [])]


def _made_at(store: Path, handover: str) -> None:
    with drop_of_run(store, handover):
        pass


def test_a_place_that_cannot_be_removed_is_told_and_ends_nothing(
    endpoint: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    handover, left = f"s3://{BUCKET}/kept", []

    def denied() -> AbstractContextManager[Faults]:
        return faulty_way(endpoint, monkeypatch, Faults("", ["denied"] * 99, method="DELETE"))

    with ExitStack() as way:
        with drop_of_run(tmp_path, handover, left) as drop:
            drop.write_piece("0" * 32, *ROWS)
            drop.into(Lake(tmp_path), ["0" * 32])
            (tmp_path / ARRIVING / "near").mkdir(parents=True)
            object.__setattr__(drop, "near", tmp_path / ARRIVING / "near")
            way.enter_context(denied())
        assert len(left) == 1 and left[0].startswith("Rows of this run may still lie there")
        assert "the object store denies it" in left[0] and not (tmp_path / ARRIVING / "near").exists()
    assert _noted(tmp_path) == [handover]
    with ExitStack() as way, pytest.raises(ClusterError, match="the true reason"), drop_of_run(tmp_path, handover):
        way.enter_context(denied())
        raise ClusterError("the true reason")
    assert remove_left(tmp_path) == [] and _noted(tmp_path) == []
    assert not any("fleetbrake" in key for key in _objects("kept"))


def test_nothing_stays_noted_whose_rows_are_gone(endpoint: str, tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt), drop_of_run(tmp_path, f"s3://{BUCKET}/broken"):
        raise KeyboardInterrupt
    assert _noted(tmp_path) == []


def test_an_address_that_took_nothing_is_not_noted_for_good(
    endpoint: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refused = faulty_way(endpoint, monkeypatch, Faults("", ["denied"] * 99, method="POST"))
    with refused, pytest.raises(StoreError, match=r"cannot be written .*denies"):
        _made_at(tmp_path, f"s3://{BUCKET}/no")
    with pytest.raises(StoreError, match="cannot be written"):
        _made_at(tmp_path, "s3://no-such-bucket/way")
    assert _noted(tmp_path) == []


def test_runs_do_not_add_up_to_empty_objects(endpoint: str, tmp_path: Path) -> None:
    """The client library puts an empty object for a folder whose last file is removed: one of the handover's own."""
    for _ in range(3):
        with drop_of_run(tmp_path, f"s3://{BUCKET}/way") as drop:
            drop.check()
            drop.write_piece("0" * 32, *ROWS)
    assert _objects("way") in ([], ["way/"])
    with drop_of_run(tmp_path / "other", f"s3://{BUCKET}/way") as drop:
        drop.check()
        with drop_of_run(tmp_path, f"s3://{BUCKET}/way"):
            pass
        drop.check()  # another store's place is left alone
    system, root = remote.file_system(f"s3://{BUCKET}/way")
    assert not [one for one in system.get_file_info(fs.FileSelector(root, recursive=True)) if one.is_file]


@pytest.mark.parametrize("way", [None, "way"])
def test_a_folder_that_cannot_be_removed_is_told_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str | None
) -> None:
    store, left = tmp_path / "store", []
    store.mkdir()

    def read_only(path: Path, missing_ok: bool = False) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    with monkeypatch.context() as patch:
        with drop_of_run(store, way and (tmp_path / way).as_uri(), left) as drop:
            drop.check()
            patch.setattr(Path, "unlink", read_only)
        assert len(left) == 1 and left[0].endswith("cannot be removed (Permission denied)")
        told = remove_left(store)
        assert len(told) == 1 and told[0].startswith("Rows of a run that broke off may still lie there: ")
    assert remove_left(store) == [] and not list(tmp_path.rglob("run"))

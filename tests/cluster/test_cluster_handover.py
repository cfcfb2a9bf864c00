"""Rows that come over an object store: recordings there, workers that see no store of ours, nothing left behind."""

from pathlib import Path

import pytest
from pyarrow import fs

from fleetbrake import pipeline
from fleetbrake.cluster.machines import Machines
from fleetbrake.core.errors import ClusterError, StoreError
from fleetbrake.recordings import remote
from fleetbrake.store import arriving
from fleetbrake.store.arriving import ARRIVING, AddressDrop, FolderDrop, drop_of_run, remove_left
from fleetbrake.store.database import reading
from fleetbrake.store.lake import Lake
from fleetbrake.store.log import read_log
from tests.cluster.engine_made import Engine
from tests.cluster.same_rows import assert_same
from tests.recordings.object_stores import BUCKET

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def far(recordings: Path, store_of_objects: str) -> str:
    """The small fleet's recordings as objects, of those alike two."""
    system, root = remote.file_system(f"s3://{BUCKET}/fleet")
    for path in sorted(recordings.rglob("*.parquet")):
        if path.name.startswith("stops-") and path.name[6] not in "01":
            continue
        with system.open_output_stream(f"{root}/{path.relative_to(recordings).as_posix()}") as stream:
            stream.write(path.read_bytes())
    return f"s3://{BUCKET}/fleet"


def _objects(prefix: str) -> list[str]:
    system, root = remote.file_system(f"s3://{BUCKET}/{prefix}")
    found = system.get_file_info(fs.FileSelector(root, recursive=True, allow_not_found=True))
    return [one.path for one in found if one.type == fs.FileType.File]


def test_recordings_and_rows_over_an_object_store_give_the_same(engine: Engine, far: str, tmp_path: Path) -> None:
    store, alone = tmp_path / "store", tmp_path / "alone"
    handover = f"s3://{BUCKET}/way"
    summary = pipeline.ingest([far], store, machines=Machines(engine.address, handover))
    assert (summary.loaded, summary.rejected) == (10, 1)
    assert all(entry.path.startswith(f"{far}/") for entry in read_log(store))
    assert _objects("way") == [] and not (store / ARRIVING).exists()
    pipeline.ingest([far], alone)
    assert_same(alone, store)
    again = pipeline.ingest([far], store, machines=Machines(engine.address, handover))
    assert (again.unchanged, again.rejected) == (10, 1)


def test_a_folder_can_be_the_way_too(engine: Engine, recordings: Path, tmp_path: Path) -> None:
    way = tmp_path / "way"
    summary = pipeline.ingest(
        [recordings / "stops-1.parquet"], tmp_path / "store", machines=Machines(engine.address, way.as_uri())
    )
    assert summary.loaded == 1 and not [path for path in way.rglob("*") if path.is_file()]


def test_a_worker_that_sees_another_folder_is_named_and_nothing_is_read(
    engine: Engine, recordings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same path on two machines can be two folders: what stands in it tells."""
    begin = FolderDrop.begin

    def elsewhere(self: FolderDrop) -> None:
        begin(FolderDrop(self.folder, "another word", self.advice))

    monkeypatch.setattr(FolderDrop, "begin", elsewhere)
    with pytest.raises(ClusterError, match=r"Nothing was read: worker tcp://.* sees another folder.* address to hand"):
        pipeline.ingest([recordings], tmp_path / "store", machines=Machines(engine.address))
    assert len(read_log(tmp_path / "store")) == 0


def test_a_bucket_that_is_not_there_is_told(engine: Engine, recordings: Path, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"s3://no-such-bucket/way/.*"):
        pipeline.ingest([recordings], tmp_path / "store", machines=Machines(engine.address, "s3://no-such-bucket/way"))


def test_nobody_writes_for_a_run_that_is_over(store_of_objects: str, tmp_path: Path) -> None:
    """A worker that goes on after its client died must not bring anything back."""
    (tmp_path / "piece").mkdir()
    rows = _piece(tmp_path / "piece")
    for handover in (None, f"s3://{BUCKET}/over"):
        with drop_of_run(tmp_path / "store", handover) as drop:
            drop.check()
            drop.write_piece("0" * 32, *rows)
        with pytest.raises(StoreError):
            drop.write_piece("1" * 32, *rows)
    assert not (tmp_path / "store" / ARRIVING).exists() or not list((tmp_path / "store" / ARRIVING).rglob("*"))
    assert _objects("over") == []


def test_what_a_dead_run_left_at_an_address_is_removed_by_any_next_run(
    store_of_objects: str, recordings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, other = tmp_path / "store", tmp_path / "other"
    rows = _piece(tmp_path / "piece")
    with monkeypatch.context() as patch:  # killed: nothing is cleaned up
        patch.setattr(AddressDrop, "end", lambda self: None)
        patch.setattr(arriving, "_note", lambda *a, over=False, note=arriving._note, **k: None if over else note(*a))
        for one in (store, other):
            with drop_of_run(one, f"s3://{BUCKET}/left") as drop:
                drop.write_piece("0" * 32, *rows)
    assert len(_objects("left")) == 6
    summary = pipeline.ingest([recordings / "stops-0.parquet"], store)  # a run of this machine alone
    assert summary.problems == []
    assert len(_objects("left")) == 3, "what is another store's is left alone"
    assert remove_left(other) == [] and _objects("left") == []


def test_an_address_that_cannot_be_looked_through_is_told_by_each_run(
    store_of_objects: str, recordings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = tmp_path / "store"
    arriving._note(store, f"s3://{BUCKET}/left")
    with monkeypatch.context() as patch:
        patch.setattr(arriving, "remove_under", _denied)
        for _ in range(2):
            told = pipeline.ingest([recordings / "stops-0.parquet"], store).problems
            assert told == ["Rows of a run that broke off may still lie there: s3://x: denied"]
    assert pipeline.ingest([recordings / "stops-0.parquet"], store).problems == []


def test_rows_on_their_way_that_may_not_be_removed_cost_no_publishing(
    engine: Engine, recordings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, machines = tmp_path / "store", Machines(engine.address, f"s3://{BUCKET}/stays")
    with monkeypatch.context() as patch:
        patch.setattr(arriving, "remove_under", _denied)
        summary = pipeline.ingest([recordings / "stops-0.parquet"], store, machines=machines)
    assert summary.problems == ["Rows of this run may still lie there; the next one removes them: s3://x: denied"]
    assert not (store / ARRIVING).exists()
    with reading(store) as con:
        assert con.execute("SELECT count(*) FROM events").fetchall() == [(2,)]
    assert pipeline.ingest([recordings / "stops-0.parquet"], store).problems == [] and _objects("stays") == []


def _denied(address: str) -> None:
    raise StoreError("s3://x: denied")


def _piece(folder: Path):  # type: ignore[no-untyped-def]
    """The rows of one file, as they are in a lake."""
    from fleetbrake.store.lake import EVENTS_SCHEMA, PIECE_KEY, WHEELS_SCHEMA

    folder.mkdir(exist_ok=True)
    assert isinstance(Lake(folder), Lake)
    return EVENTS_SCHEMA.empty_table().drop_columns([PIECE_KEY]), WHEELS_SCHEMA.empty_table().drop_columns([PIECE_KEY])

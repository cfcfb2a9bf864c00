"""Blocks of the lake: pieces that stand alone become part of one, and no kill or rewrite loses or leaves a row."""

import pickle
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from store_rows import event, ingest, publish, rows, wheel

from fleetbrake.core.errors import StoreError
from fleetbrake.store import lake as lake_module
from fleetbrake.store.lake import Lake
from fleetbrake.store.lake_blocks import Blocks
from fleetbrake.store.log import read_log

FILES = 7


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Seven pieces in three blocks, none of them alone."""
    monkeypatch.setattr(lake_module, "FOLD_FROM", 4)
    monkeypatch.setattr(lake_module, "BLOCK_PIECES", 3)
    for number in range(FILES):
        add(tmp_path, number)
    tidy(tmp_path)
    return tmp_path


def add(store: Path, number: int, driver: str = "D1") -> str:
    """One more file; the last of them without events."""
    events = [event(f"e{number}-{i}", driver_id=driver) for i in range(number % 3)]
    return ingest(store, f"f{number}", events, [wheel(one["event_id"], "1L") for one in events])


def tidy(store: Path) -> None:
    """As a run ends."""
    Lake(store).remove_unlisted(read_log(store).keys())


def alone(store: Path) -> list[str]:
    """Keys of files of pieces that stand alone."""
    return sorted({path.stem for half in ("events", "event_wheels") for path in (store / "lake" / half).iterdir()})


def whole(store: Path) -> list[str]:
    """Ids of all events that the lake gives, and that they have their wheels."""
    events, wheels = Lake(store).pieces(read_log(store).keys())
    ids = sorted(events.to_table().column("event_id").to_pylist())
    assert sorted(wheels.to_table(["event_id"]).column(0).to_pylist()) == ids
    assert events.count_rows() == len(ids)
    assert sorted(id_ for batch in events.to_batches(["event_id"], 2) for id_ in batch.column(0).to_pylist()) == ids
    return ids


def in_files(store: Path) -> set[str]:
    """Every driver that stands in any file of the lake's rows."""
    tables = [
        pq.read_table(path) for path in (store / "lake").rglob("*.parquet") if path.parent.name in ("events", "blocks")
    ]
    return {
        one for table in tables if "driver_id" in table.column_names for one in table.column("driver_id").to_pylist()
    }


IDS = sorted(f"e{number}-{i}" for number in range(FILES) for i in range(number % 3))


def test_pieces_become_blocks_and_read_as_before(store: Path) -> None:
    assert alone(store) == []
    assert len({path.name[:32] for path in (store / "lake" / "blocks").iterdir()}) == 3
    assert whole(store) == IDS
    lake = Lake(store)
    keys = read_log(store).keys()
    for key in keys:
        assert lake.has(key)
        events = lake.events_of(key)
        assert set(events.column("piece_key").to_pylist()) <= {key}
        assert lake.events_of(key, ["event_id"]).column(0).to_pylist() == events.column("event_id").to_pylist()
        assert lake.wheels_of(key).num_rows == events.num_rows
    publish(store)
    assert [row[0] for row in rows(store, "SELECT event_id FROM events ORDER BY event_id")] == IDS


def test_few_pieces_stay_alone_until_they_are_many(store: Path) -> None:
    added = [add(store, number) for number in range(10, 13)]
    tidy(store)
    assert alone(store) == sorted(added)
    add(store, 13)
    tidy(store)
    assert alone(store) == []
    assert len(whole(store)) > len(IDS)


def test_a_piece_written_anew_counts_at_once_and_its_old_rows_go(store: Path) -> None:
    lake, key = Lake(store), add(store, 2)
    before = lake.stamps().to_pylist()
    events = lake.events_of(key)
    place = events.schema.get_field_index("driver_id")
    lake.rewrite_events(key, events.set_column(place, "driver_id", pa.nulls(events.num_rows, pa.string())))
    other = [row["key"] for row in lake.stamps().to_pylist() if row not in before]
    assert other == [key]
    assert set(Lake(store).events_of(key).column("driver_id").to_pylist()) == {None}
    assert whole(store) == IDS
    tidy(store)
    assert whole(store) == IDS
    assert set(Lake(store).events_of(key).column("driver_id").to_pylist()) == {None}


def test_no_row_of_a_removed_file_is_left_in_a_block(store: Path) -> None:
    add(store, 20, driver="D-gone")
    for number in range(21, 24):
        add(store, number)
    key = add(store, 26, driver="D-gone")
    tidy(store)
    assert alone(store) == [] and "D-gone" in in_files(store)
    lake = Lake(store)
    lake.tidy(set(read_log(store).keys()) - {key, ingest(store, "f20", [], [])})
    assert "D-gone" not in in_files(store)
    assert not lake.has(key)
    with pytest.raises(StoreError, match="feature rows of 1 recording"):
        lake.pieces([key])


@pytest.mark.parametrize("dies_at", ["write", "write_index", "remove_unnamed", "unlink"])
def test_a_run_killed_while_it_tidies_leaves_every_piece(
    store: Path, monkeypatch: pytest.MonkeyPatch, dies_at: str
) -> None:
    for number in range(10, 17):
        add(store, number)
    add(store, 1)  # one that is in a block already
    expected = whole(store)

    def dies(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as broken:
        broken.setattr(Path if dies_at == "unlink" else Blocks, dies_at, dies)
        with pytest.raises(KeyboardInterrupt):
            Lake(store).tidy(read_log(store).keys())
    assert whole(store) == expected
    tidy(store)
    assert whole(store) == expected
    assert alone(store) == []
    named = set(Blocks(store / "lake").index().column("block").to_pylist())
    assert {path.name[:32] for path in (store / "lake" / "blocks").iterdir()} == named


def test_a_block_that_is_gone_is_told_and_its_files_are_read_again(store: Path) -> None:
    lake, log = Lake(store), read_log(store)
    block = sorted((store / "lake" / "blocks").glob("*.event_wheels.parquet"))[0]
    block.unlink()
    (store / "lake" / "blocks.parquet").touch()
    keys = log.keys()
    gone = [key for key in keys if not lake.has(key)]
    assert gone
    with pytest.raises(StoreError, match=f"feature rows of {len(gone)} recording files"):
        lake.pieces(log.keys())
    entries = [entry for entry in log if entry.key in gone]
    assert all(log.known(entry.path, entry.sha256, entry.settings) is None for entry in entries)


def test_the_order_of_writing_and_of_asking_leaves_no_trace(
    store: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    other = tmp_path_factory.mktemp("other")
    for number in reversed(range(FILES)):
        add(other, number)
    tidy(other)
    files = [sorted(path.name for path in (folder / "lake" / "blocks").iterdir()) for folder in (store, other)]
    assert files[0] == files[1]
    for name in files[0]:
        assert (store / "lake" / "blocks" / name).read_bytes() == (other / "lake" / "blocks" / name).read_bytes()


def test_a_lake_is_small_to_send_and_sees_what_another_one_wrote(store: Path) -> None:
    lake = Lake(store)
    keys: Sequence[str] = read_log(store).keys()
    assert lake.has(keys[0])
    sent = pickle.dumps(lake)
    assert len(sent) < 1000
    other = pickle.loads(sent)
    assert all(map(other.has, keys))
    for number in range(30, 34):
        add(store, number)
    tidy(store)
    assert all(map(other.has, read_log(store).keys()))

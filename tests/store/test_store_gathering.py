"""Rows of many recordings written together: the same rows as one by one, and nothing lost or left by a kill."""

import random
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from store_rows import SETTINGS, START, event, publish, rows, wheel

from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import TABLES
from fleetbrake.store import gathering
from fleetbrake.store import lake as lake_module
from fleetbrake.store.arrow import arrow_schema
from fleetbrake.store.gathering import Gathering
from fleetbrake.store.lake import Lake, piece_key
from fleetbrake.store.lake_blocks import Blocks
from fleetbrake.store.lake_schema import LAKE_EVENT_WHEELS, LAKE_EVENTS
from fleetbrake.store.log import LogEntry, read_log
from fleetbrake.store.log_writing import commit_log

FILES = range(8)
Piece = tuple[str, pa.Table, pa.Table]


@pytest.fixture(autouse=True)
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of three pieces, of two where fewer are left."""
    monkeypatch.setattr(lake_module, "BLOCK_PIECES", 3)
    monkeypatch.setattr(gathering, "FEWEST", 2)


def key_of(number: int) -> str:
    return piece_key(f"f{number}", f"sha-{number}", SETTINGS)


def piece(number: int, driver: str = "D1") -> Piece:
    """Rows of a file with no, one or two events; every fourth writes its columns in another order."""
    events = [event(f"e{number}-{i}", driver_id=driver) for i in range(number % 3)]
    wheels = [wheel(one["event_id"], name) for one in events for name in ("1L", "1R")]
    columns = dict(reversed(LAKE_EVENTS.items())) if number % 4 == 3 else LAKE_EVENTS
    return (
        key_of(number),
        pa.Table.from_pylist(events, schema=arrow_schema(columns)),
        pa.Table.from_pylist(wheels, schema=arrow_schema(LAKE_EVENT_WHEELS)),
    )


def commit(store: Path, numbers: Any) -> None:
    """The log names these files, as a portion ends."""
    entries = [
        LogEntry(f"f{n}", f"sha-{n}", SETTINGS, key_of(n), "loaded", rows=9, events=n % 3, loaded_at=START)
        for n in numbers
    ]
    commit_log(store, entries)


def gather(store: Path, numbers: Any, driver: str = "D1", shuffled: int | None = None) -> None:
    """Read these files as a run does; ``shuffled``: a seed by which threads are done in another order."""
    numbers, writer = list(numbers), Gathering(store)
    read = list(numbers)
    if shuffled is not None:
        random.Random(shuffled).shuffle(read)
    for number in read:
        writer.write_piece(*piece(number, driver))
    for number in numbers:
        writer.come(key_of(number))
    writer.bring([key_of(number) for number in numbers])


def whole(store: Path) -> list[str]:
    """Ids of all events that the log names, after a look at their wheels."""
    events, wheels = Lake(store).pieces(read_log(store).keys())
    ids: list[str] = sorted(events.to_table().column("event_id").to_pylist())
    assert sorted(wheels.to_table(["event_id"]).column(0).to_pylist()) == sorted(ids * 2)
    return ids


def in_files(store: Path) -> set[str]:
    """Every driver in any file of the lake's events."""
    files = [*store.glob("lake/events/*.parquet"), *store.glob("lake/blocks/*.events.parquet")]
    return {one for path in files for one in pq.read_table(path, columns=["driver_id"]).column(0).to_pylist()}


def alone(store: Path) -> set[str]:
    return {path.stem for path in store.glob("lake/events/*.parquet")}


def ids_of(numbers: Any) -> list[str]:
    return sorted(f"e{n}-{i}" for n in numbers for i in range(n % 3))


def published(store: Path) -> dict[str, list[tuple[Any, ...]]]:
    publish(store)
    return {name: sorted(map(repr, rows(store, f'SELECT * FROM "{name}"'))) for name in TABLES}


def test_the_rows_are_those_of_pieces_written_one_by_one(tmp_path: Path) -> None:
    together, single = tmp_path / "together", tmp_path / "single"
    together.mkdir(), single.mkdir()
    gather(together, FILES)
    for number in FILES:
        Lake(single).write_piece(*piece(number))
    for store in (together, single):
        commit(store, FILES)
    assert alone(together) == set() and len(alone(single)) == len(FILES)
    for number in FILES:
        assert Lake(together).events_of(key_of(number)).equals(Lake(single).events_of(key_of(number)))
        assert Lake(together).wheels_of(key_of(number)).equals(Lake(single).wheels_of(key_of(number)))
    assert whole(together) == whole(single) == ids_of(FILES)
    assert published(together) == published(single)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_order_in_which_threads_are_done_leaves_no_trace(tmp_path: Path, seed: int) -> None:
    stores = [tmp_path / "one", tmp_path / "other"]
    for store, shuffled in zip(stores, (None, seed), strict=True):
        store.mkdir()
        gather(store, FILES, shuffled=shuffled)
    files = [{path.relative_to(store): path for path in store.rglob("*.parquet")} for store in stores]
    assert files[0].keys() == files[1].keys() and len(files[0]) > 6
    for name, path in files[0].items():
        assert path.read_bytes() == files[1][name].read_bytes()


def test_few_files_and_big_ones_stand_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    gather(tmp_path, [1])
    assert alone(tmp_path) == {key_of(1)}
    monkeypatch.setattr(gathering, "MOST_BYTES", sum(table.nbytes for table in piece(10)[1:]))  # one event
    gather(tmp_path, [4, 5, 7, 10])
    assert alone(tmp_path) == {key_of(1), key_of(5)}
    commit(tmp_path, [1, 4, 5, 7, 10])
    assert whole(tmp_path) == ids_of([1, 4, 5, 7, 10])


def test_rows_held_in_memory_are_bounded_in_bytes_and_events(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for bound in (("BLOCK_EVENTS", 2, lake_module), ("BLOCK_BYTES", 1, gathering)):
        with monkeypatch.context() as bounded:
            bounded.setattr(bound[2], bound[0], bound[1])
            writer = Gathering(tmp_path)
            writer.write_piece(*piece(2 if bound[0] == "BLOCK_EVENTS" else 5))
            before = len(list(tmp_path.glob("lake/blocks/*")))
            writer.come(key_of(2 if bound[0] == "BLOCK_EVENTS" else 5))
            assert len(list(tmp_path.glob("lake/blocks/*"))) == before + 2


@pytest.mark.parametrize("dies_at", ["first block", "last block", "write_index", "log"])
def test_a_run_killed_at_any_point_leaves_what_was_committed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, dies_at: str
) -> None:
    old, new = range(10, 16), FILES
    gather(tmp_path, old, driver="D-old")
    commit(tmp_path, old)
    calls, real = 0, Blocks.write_new

    def dies(*arguments: Any) -> Any:
        nonlocal calls
        calls += 1
        if dies_at == "last block" and calls < 3:
            return real(*arguments)
        raise KeyboardInterrupt

    with monkeypatch.context() as broken:
        broken.setattr(Blocks, "write_index" if dies_at == "write_index" else "write_new", dies)
        if dies_at == "log":
            broken.undo()
            gather(tmp_path, new, driver="D-gone")
        else:
            with pytest.raises(KeyboardInterrupt):
                gather(tmp_path, new, driver="D-gone")
    assert whole(tmp_path) == ids_of(old)
    gather(tmp_path, new)  # the next run, by which somebody may be forgotten
    commit(tmp_path, new)
    assert whole(tmp_path) == ids_of([*old, *new])
    drivers = Lake(tmp_path).pieces(read_log(tmp_path).keys())[0].to_table(["driver_id"]).column(0).to_pylist()
    assert set(drivers) == {"D-old", "D1"}
    Lake(tmp_path).remove_unlisted(read_log(tmp_path).keys())
    assert whole(tmp_path) == ids_of([*old, *new])
    assert in_files(tmp_path) == {"D-old", "D1"}
    named = set(Blocks(tmp_path / "lake").index().column("block").to_pylist())
    assert {path.name[:32] for path in (tmp_path / "lake" / "blocks").iterdir()} == named


@pytest.mark.parametrize("half", ["both", "events", "event_wheels"])
def test_a_piece_that_a_killed_run_left_alone_does_not_count(tmp_path: Path, half: str) -> None:
    Lake(tmp_path).write_piece(*piece(4, driver="D-gone"))
    if half != "both":
        (tmp_path / "lake" / half / f"{key_of(4)}.parquet").unlink()
    gather(tmp_path, FILES)
    commit(tmp_path, FILES)
    assert whole(tmp_path) == ids_of(FILES)
    assert set(Lake(tmp_path).events_of(key_of(4)).column("driver_id").to_pylist()) == {"D1"}
    assert in_files(tmp_path) == {"D1"}


def test_pieces_of_blocks_are_written_anew_and_removed_as_others(tmp_path: Path) -> None:
    gather(tmp_path, FILES)
    commit(tmp_path, FILES)
    lake = Lake(tmp_path)
    before = lake.stamps().to_pylist()
    events = lake.events_of(key_of(5))
    place = events.schema.get_field_index("driver_id")
    lake.rewrite_events(key_of(5), events.set_column(place, "driver_id", pa.array(["D-new"] * 2)))
    assert [row["key"] for row in lake.stamps().to_pylist() if row not in before] == [key_of(5)]
    lake.tidy({key_of(number) for number in FILES if number != 4})
    assert not lake.has(key_of(4))
    ids = lake.pieces([key_of(n) for n in FILES if n != 4])[0].to_table(["event_id"]).column(0).to_pylist()
    assert sorted(ids) == ids_of(n for n in FILES if n != 4)


def test_an_id_twice_in_one_file_is_refused_when_it_is_read(tmp_path: Path) -> None:
    key, events, wheels = piece(2)
    with pytest.raises(StoreError, match="two events of one id"):
        Gathering(tmp_path).write_piece(key, pa.concat_tables([events, events]), wheels)

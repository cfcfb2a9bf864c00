"""Rows that the log does not name: those of a run that was broken off go, those of a log that was lost stay."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest
from product_run import Stop, stops_file

from fleetbrake import pipeline
from fleetbrake.core.errors import StoreError
from fleetbrake.store import unfinished
from fleetbrake.store.database import DATABASE_NAME, reading
from fleetbrake.store.lake import Lake
from fleetbrake.store.log import read_log
from fleetbrake.store.log_mark import log_path
from fleetbrake.store.log_writing import write_log
from fleetbrake.upkeep.check import check_store
from tests.cluster.same_rows import assert_same, tables

FILES = 3


@pytest.fixture(scope="module")
def read_in(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of some recordings, and beside it the log as it was when one of them was not read yet."""
    folder = tmp_path_factory.mktemp("read_in")
    (folder / "recordings").mkdir()
    for number in range(FILES):
        _write(folder / "recordings" / f"{number}.parquet", f"V{number}", 4.0)
        if number == FILES - 2:
            pipeline.ingest([folder / "recordings"], folder / "store")
            shutil.copy(log_path(folder / "store"), folder / "older.parquet")
    pipeline.ingest([folder / "recordings"], folder / "store")
    return folder


@pytest.fixture
def copy(read_in: Path, tmp_path: Path) -> Path:
    """The same, to be damaged; recordings lie at the same place."""
    shutil.copytree(read_in / "store", tmp_path / "store")
    return tmp_path / "store"


def _write(path: Path, vehicle: str, decel: float) -> None:
    pq.write_table(stops_file([("stop", Stop(16.0, decel))], vehicle_id=vehicle), path)


def _without_log(store: Path, read_in: Path) -> None:
    log_path(store).unlink()


def _older_log(store: Path, read_in: Path) -> None:
    shutil.copy(read_in / "older.parquet", log_path(store))


LOST: dict[str, Callable[[Path, Path], None]] = {"no log": _without_log, "an older log": _older_log}


@pytest.mark.parametrize("lost", LOST)
def test_rows_of_a_lost_log_stay_without_the_published_file(copy: Path, read_in: Path, lost: str) -> None:
    """Both that tell of the rows are gone: no run removes any, and what is left is mended from the rows themselves."""
    LOST[lost](copy, read_in)
    (copy / DATABASE_NAME).unlink()
    pieces = Lake(copy).all_keys()
    for _ in range(2):
        with pytest.raises(StoreError, match="check --repair"):
            pipeline.ingest([read_in / "recordings" / "0.parquet"], copy)
        assert Lake(copy).all_keys() == pieces
    assert check_store(copy).damage.log
    check_store(copy, repair=True)
    assert Lake(copy).all_keys() == pieces == set(read_log(copy).keys())
    pipeline.ingest([read_in / "recordings"], copy)  # reads them again where their bytes were known by the log alone
    assert_same(copy, read_in / "store")
    assert check_store(copy).sound


@pytest.mark.parametrize("lost", LOST)
def test_the_published_copy_stands_in_for_the_log(copy: Path, read_in: Path, lost: str) -> None:
    LOST[lost](copy, read_in)
    if lost == "an older log":
        with pytest.raises(StoreError, match="older copy"):
            pipeline.ingest([read_in / "recordings"], copy)
        check_store(copy, repair=True)
    summary = pipeline.ingest([read_in / "recordings"], copy)
    assert summary.unchanged == FILES
    assert tables(copy) == tables(read_in / "store")


def test_rows_of_a_run_that_was_broken_off_go(copy: Path, read_in: Path) -> None:
    unfinished.begin(copy)
    key = "0" * 32
    for path, there in zip(Lake(copy).files_of(key), Lake(copy).files_of(read_log(copy).keys()[0]), strict=True):
        path.parent.mkdir(exist_ok=True)
        if there.is_file():
            shutil.copy(there, path)
    assert key in Lake(copy).all_keys()
    unfinished.refuse_unexplained(copy)
    pipeline.ingest([read_in / "recordings"], copy)
    assert tables(copy) == tables(read_in / "store")
    assert not (copy / "lake" / unfinished.NAME).exists()


def test_an_older_log_is_told_from_what_is_published_even_then(copy: Path, read_in: Path) -> None:
    unfinished.begin(copy)
    _older_log(copy, read_in)
    with pytest.raises(StoreError, match="older copy"):
        pipeline.ingest([read_in / "recordings"], copy)


def test_a_lake_begins_with_a_log(tmp_path: Path) -> None:
    """A lake with rows and without a log is one that lost it, also where the first run was broken off."""
    unfinished.begin(tmp_path)
    unfinished.begin(tmp_path)
    assert len(read_log(tmp_path)) == 0 and log_path(tmp_path).is_file()
    unfinished.settle(tmp_path)
    unfinished.settle(tmp_path)
    assert not (tmp_path / "lake" / unfinished.NAME).exists()


def test_what_ages_does_not_take_rows_along(copy: Path, read_in: Path) -> None:
    """Retention tidies the lake by the log as well."""
    from fleetbrake.upkeep import RetentionPolicy, retain

    _older_log(copy, read_in)
    pieces = Lake(copy).all_keys()
    with pytest.raises(StoreError, match="check --repair"):
        retain(copy, RetentionPolicy(positions_and_drivers_months=12))
    assert Lake(copy).all_keys() == pieces


def test_recordings_that_the_lake_lost_stay_published(copy: Path, read_in: Path) -> None:
    """An empty place where the lake was: nothing is published over its rows, and reading again mends it."""
    shutil.rmtree(copy / "lake")
    before = tables(copy)
    with pytest.raises(StoreError, match=r"2 recording files are missing.*lost-for-good recordings"):
        pipeline.ingest([read_in / "recordings" / "0.parquet"], copy)
    assert tables(copy) == before
    assert not check_store(copy).sound
    pipeline.ingest([read_in / "recordings"], copy)
    assert_same(copy, read_in / "store")


def test_an_older_lake_does_not_shorten_what_is_published(copy: Path, read_in: Path) -> None:
    """Log and rows of before the last recording: nothing in the lake tells that anything is missing."""
    before = tables(copy)
    (last,) = [entry for entry in read_log(copy) if entry.path.endswith("2.parquet")]
    write_log(copy, read_log(copy).table().filter(pc.not_equal(read_log(copy).table().column("path"), last.path)))
    for path in Lake(copy).files_of(str(last.key)):
        path.unlink()
    with pytest.raises(StoreError, match=r"1 recordings are published.*2.parquet.*lost-for-good recordings"):
        pipeline.ingest([read_in / "recordings" / "0.parquet"], copy)
    assert not check_store(copy).sound
    check_store(copy, repair=True)
    assert tables(copy)["events"] == before["events"]
    pipeline.ingest([read_in / "recordings"], copy)
    assert_same(copy, read_in / "store")


def test_a_person_gives_recordings_up(copy: Path, read_in: Path) -> None:
    shutil.rmtree(copy / "lake")
    check_store(copy, lost_for_good="recordings")
    pipeline.ingest([read_in / "recordings" / "0.parquet"], copy)
    with reading(copy) as con:
        assert con.execute("SELECT DISTINCT vehicle_id FROM events").fetchall() == [("V0",)]
    assert check_store(copy).sound


def test_a_log_and_a_published_file_of_before_a_run_that_was_broken_off(copy: Path, read_in: Path) -> None:
    unfinished.begin(copy)
    _older_log(copy, read_in)
    (copy / DATABASE_NAME).unlink()
    pieces = Lake(copy).all_keys()
    with pytest.raises(StoreError, match="it is an older copy"):
        pipeline.ingest([read_in / "recordings" / "0.parquet"], copy)
    assert Lake(copy).all_keys() == pieces


@pytest.mark.parametrize("share", [0.3, 0.67, 0.95])
def test_a_published_file_that_was_cut_is_told_and_made_again(copy: Path, read_in: Path, share: float) -> None:
    path = copy / DATABASE_NAME
    os.truncate(path, int(path.stat().st_size * share))
    assert check_store(copy).damage.database
    with pytest.raises(StoreError, match="check --repair"):
        pipeline.score(copy)
    check_store(copy, repair=True)
    assert tables(copy) == tables(read_in / "store")

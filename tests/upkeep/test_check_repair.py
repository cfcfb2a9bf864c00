"""Repair brings back what can be made again, row for row, and says what has to be read anew; that brings the rest."""

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from check_damages import (
    DATABASE,
    FORGOTTEN_SHOWN,
    INDEX,
    KEPT,
    LOG,
    PIECES,
    RECOUNT,
    TABLES,
    files_of,
    flip,
    unpublished,
)
from check_made import FORGOTTEN, copied
from everywhere import places_of
from typer.testing import CliRunner
from upkeep_made import everything

from fleetbrake.cli import app
from fleetbrake.core.errors import StoreError
from fleetbrake.pipeline import ingest, score
from fleetbrake.store.holding.held_files import checked_copies
from fleetbrake.store.log import read_log
from fleetbrake.store.recount import RECOUNTED
from fleetbrake.store.sealed import SET_ASIDE
from fleetbrake.upkeep import release_hold
from fleetbrake.upkeep.check import Checked, check_store
from tests.cluster.same_rows import tables

Rows = dict[str, list[tuple[Any, ...]]]


@pytest.fixture(scope="module")
def right(sound_store: Path) -> Rows:
    """Every row of every published table as it is to be."""
    return tables(sound_store)


def _read_again(sound_store: Path, store: Path) -> Any:
    """What a person does then: name all recordings as before."""
    beside = sound_store.parent
    mapped = ingest([beside / "mapped"], store, mapping=str(beside / "mapping.toml"))
    return mapped, ingest([beside / "first", beside / "later"], store)


def _repaired(store: Path, *, sound: bool = True) -> Checked:
    done = check_store(store, repair=True)
    assert done.after is not None and done.mended and not done.sound
    told = [(one.name, one.wrong.all(), one.left_out) for one in done.after.outcomes if one.wrong.count or one.left_out]
    assert done.after.sound is sound, told
    return done


def _made_by_publishing(rows: Rows) -> Rows:
    return {name: content for name, content in rows.items() if name in RECOUNTED}


def test_a_published_file_that_is_damaged_in_parts(sound_store: Path, right: Rows, tmp_path: Path) -> None:
    """What can be read of it comes over: scores and what was told before stay."""
    store = copied(sound_store, tmp_path)
    for damage in DATABASE[2:]:
        damage.do(store)
    done = _repaired(store)
    found = tables(store)
    assert {name for name in right if found[name] != right[name]} == {"plan_days"}  # the one that was not there
    assert not any("Of days gone by" in sentence for sentence in done.mended)
    for damage in RECOUNT:
        damage.do(store)
    unpublished(store)
    _repaired(store)
    found = tables(store)
    assert [row for row in found.pop("events") if "'other rows'" in row]
    assert {name: right[name] for name in _made_by_publishing(found)} == _made_by_publishing(found)


def test_a_published_file_that_is_none(sound_store: Path, right: Rows, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    DATABASE[1].do(store)
    done = _repaired(store)
    found = tables(store)
    assert _made_by_publishing(found) == _made_by_publishing(right)
    assert next((store / SET_ASIDE).rglob("fleet.duckdb")).read_bytes() == b"{ no"
    assert any("vehicle_health" in sentence and "fleetbrake score" in sentence for sentence in done.mended)
    score(store)
    assert found["vehicle_health"] == [] and tables(store)["vehicle_health"] == right["vehicle_health"]


@pytest.mark.long
def test_scored_rows_against_the_rules_are_told_and_stay(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    TABLES[0].do(store)
    done = check_store(store, repair=True)
    assert done.after is not None and not done.after.sound
    assert any("fleetbrake score" in sentence for sentence in done.not_mended)


@pytest.mark.parametrize("number", [0, pytest.param(2, marks=pytest.mark.long)])
def test_a_log_that_is_damaged_or_gone(sound_store: Path, right: Rows, tmp_path: Path, number: int) -> None:
    store = copied(sound_store, tmp_path)
    LOG[number].do(store)
    done = _repaired(store)
    assert any("9 files as they were published, 0 from their rows" in sentence for sentence in done.mended)
    assert read_log(store).table().equals(read_log(sound_store).table())
    assert tables(store) == right
    mapped, others = _read_again(sound_store, store)
    assert (mapped.unchanged, others.unchanged) == (1, 8)


def test_log_and_published_file_lost_together(sound_store: Path, right: Rows, tmp_path: Path) -> None:
    """Rows whose recordings may be gone stay in; named again, the recordings are read again and all is as it was."""
    store = copied(sound_store, tmp_path)
    LOG[0].do(store)
    DATABASE[1].do(store)
    done = _repaired(store)
    assert any("9 from their rows alone" in sentence for sentence in done.mended)
    for name in ("events", "event_wheels", "month_work"):
        assert tables(store)[name] == right[name]
    mapped, others = _read_again(sound_store, store)
    assert (mapped.loaded, others.loaded) == (1, 8)
    assert _made_by_publishing(tables(store)) == _made_by_publishing(right)


def test_an_index_that_is_damaged_or_gone(sound_store: Path, right: Rows, tmp_path: Path) -> None:
    for damage in INDEX[:1]:
        store = copied(sound_store, tmp_path)
        damage.do(store)
        _repaired(store)
        assert tables(store) == right and len(read_log(store)) == 9
        assert [path.name for path in (store / SET_ASIDE).rglob("*.parquet")] == ["blocks.parquet"]


def test_a_lost_index_costs_no_row_before_it_is_repaired(sound_store: Path, tmp_path: Path) -> None:
    """A run in between must not take the blocks for what a killed run left."""
    store = copied(sound_store, tmp_path)
    INDEX[1].do(store)
    drop = tmp_path / "more"
    shutil.copytree(sound_store.parent / "later", drop)
    before = sorted((store / "lake" / "blocks").iterdir())
    told = CliRunner().invoke(app, ["ingest", str(drop), "--store", str(store)])
    assert told.exit_code == 2 and "missing" in told.stderr
    assert sorted((store / "lake" / "blocks").iterdir()) == before


def test_damaged_pieces_are_read_again(sound_store: Path, right: Rows, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    for damage in PIECES[0]:
        damage.do(store)
    lost = 7  # four pieces alone, and a block of three
    done = check_store(store, repair=True)
    assert done.after is not None
    assert any(sentence.startswith(f"{lost} files whose rows are damaged or gone") for sentence in done.mended)
    # until they are read again the published rows stay, and that they do is told
    assert {one.name for one in done.after.outcomes if one.wrong.count} == {"published"}
    assert tables(store) == right and len(read_log(store)) == 9 - lost
    with pytest.raises(StoreError, match=r"6 recordings are published.*what was read is kept"):
        _read_again(sound_store, store)
    assert tables(store) == right
    others = ingest([sound_store.parent / "first", sound_store.parent / "later"], store)
    assert others.loaded == lost - 1
    assert tables(store) == right and check_store(store).sound
    assert any((store / SET_ASIDE).rglob("*.parquet"))


def test_rows_whose_recording_is_gone_are_named(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    path = files_of(store, "wheels-0")[0]
    flip(path)
    recording = sound_store.parent / "later" / "wheels-0.parquet"
    kept = recording.rename(tmp_path / "elsewhere.parquet")
    try:
        done = check_store(store, repair=True)
    finally:
        kept.rename(recording)
    (told,) = done.not_mended
    assert str(recording) in told and "1 of these recordings are not there any more" in told
    aside = next((store / SET_ASIDE).rglob("fleet.duckdb"))
    assert aside.read_bytes() == (store / "fleet.duckdb").read_bytes()


def test_nobody_who_was_forgotten_comes_back(sound_store: Path, full_store: Path, tmp_path: Path) -> None:
    """A block of before the driver was forgotten lies there, and the index is lost; then scores name him."""
    assert places_of(sound_store / "lake" / "blocks", FORGOTTEN) != []
    assert places_of(full_store / "lake", FORGOTTEN) == []
    store = copied(full_store, tmp_path)
    for path in (sound_store / "lake" / "blocks").iterdir():
        shutil.copy(path, store / "lake" / "blocks")
    (store / "lake" / "blocks.parquet").unlink()
    LOG[0].do(store)
    done = check_store(store, repair=True)
    assert done.after is not None and done.after.sound
    for name in ("lake", "registers"):
        assert places_of(store / name, FORGOTTEN) == []
    FORGOTTEN_SHOWN(store)
    done = check_store(store, repair=True)
    assert any("taken out of the store once more" in sentence for sentence in done.mended)
    assert FORGOTTEN not in str(tables(store))


def test_held_rows_and_copies(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    for damage in (KEPT["holds"][0], LOG[0], DATABASE[1]):
        damage.do(store)
    done = _repaired(store)
    assert not any(item.state == "damaged" for item in checked_copies(store, "hold-1").files)
    assert done.after is not None and done.after.sound
    release_hold(store, "hold-1", by="clerk", reason="over")


def test_what_people_gave_is_never_touched(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    for name in ("registers", "entries", "runs", "mappings"):
        KEPT[name][0].do(store)
    RECOUNT[0].do(store)
    before = everything(store)
    done = CliRunner().invoke(app, ["check", "--store", str(store), "--repair"])
    assert done.exit_code == 1 and "Not repaired" in done.output
    for name, content in everything(store).items():
        if name.startswith(("registers/", "entered", "runs", "mappings/", "fleet.duckdb", "lake/")):
            assert before[name] == content, name


def test_nothing_is_repaired_while_it_is_not_known_who_was_forgotten(full_store: Path, tmp_path: Path) -> None:
    for damage in (KEPT["forgotten"][0], KEPT["holds"][5]):
        store = copied(full_store, tmp_path)
        damage.do(store)
        INDEX[0].do(store)
        before = everything(store)
        done = check_store(store, repair=True)
        assert done.not_mended[0].startswith("Nothing was repaired") and everything(store) == before


#: A repair, ended as a kill would at the Nth time that a file takes its place or goes aside.
_KILLED = """
import os, sys
from pathlib import Path
from fleetbrake.upkeep.check import check_store
whole, left = Path.replace, [int(sys.argv[2])]
def replace(self, target):
    left[0] -= 1
    if not left[0]:
        os._exit(9)
    return whole(self, target)
Path.replace = replace
check_store(Path(sys.argv[1]), repair=True)
print("never reached", left[0])
"""


@pytest.mark.parametrize("number", [6, *(pytest.param(number, marks=pytest.mark.long) for number in (2, 9, 11))])
def test_a_repair_that_is_killed_is_completed_by_the_next(
    sound_store: Path, right: Rows, tmp_path: Path, number: int
) -> None:
    store = copied(sound_store, tmp_path)
    for damage in (*PIECES[0][:1], PIECES[0][2], LOG[0], INDEX[0], DATABASE[5]):
        damage.do(store)
    killed = subprocess.run(
        [sys.executable, "-c", _KILLED, str(store), str(number)],
        capture_output=True, text=True, check=False, env={**os.environ, "PYTHONPATH": str(Path.cwd())},
    )  # fmt: skip
    assert killed.returncode == 9, killed.stdout + killed.stderr
    check_store(store, repair=True)
    _read_again(sound_store, store)
    assert _made_by_publishing(tables(store)) == _made_by_publishing(right)
    assert check_store(store, repair=True).after is None  # a third repair finds nothing to do

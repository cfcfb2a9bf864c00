"""The lake, its index, or what was published, lost or put back from an older copy: nothing of it goes in silence."""

import shutil
from datetime import date, timedelta
from pathlib import Path

import pytest
from check_made import copied
from check_told import wrong_of
from upkeep_made import drive_file

from fleetbrake.core.errors import StoreError
from fleetbrake.pipeline import ingest, score
from fleetbrake.store.database import rebuilding
from fleetbrake.store.lake import PIECE_KEY, Lake
from fleetbrake.store.log import read_log
from fleetbrake.store.log_mark import log_path
from fleetbrake.store.log_writing import write_log
from fleetbrake.store.remembered import remembered
from fleetbrake.upkeep.check import check_store
from fleetbrake.upkeep.check.given_up import give_up_part
from tests.cluster.same_rows import tables


def _events(store: Path) -> int:
    return len(tables(store)["events"])


def _own_recordings(store: Path, tmp_path: Path) -> Path:
    """Recordings that a test may damage, read in and published; their bytes are no others'."""
    own = tmp_path / "own"
    for latitude, day in enumerate(("2026-03-11", "2026-03-12"), start=40):
        drive_file(own, "van-1", "D-two", day, float(latitude))
    ingest([own], store)
    return own


def _rows_gone(store: Path, recording: Path) -> None:
    key = next(entry.key for entry in read_log(store) if Path(entry.path) == recording)
    assert key
    for path in Lake(store).files_of(key):
        path.unlink()


def test_rows_are_lost_and_the_recording_cannot_be_used_any_more(sound_store: Path, tmp_path: Path) -> None:
    """What is published is all there is of it: it stays until a person gives it up, whatever the next reading says."""
    store = copied(sound_store, tmp_path)
    own = _own_recordings(store, tmp_path)
    right = _events(store)
    drop = min(own.glob("*.parquet"))
    content = drop.read_bytes()
    _rows_gone(store, drop)
    drop.write_bytes(content[: len(content) // 2])
    with pytest.raises(StoreError, match="1 recordings are published that the lake does not have any more"):
        ingest([own], store)
    assert _events(store) == right
    assert any(str(drop.name) in said for said in wrong_of(store))
    drop.write_bytes(content)
    ingest([own], store)
    assert _events(store) == right and check_store(store).sound


def test_the_very_bytes_are_rejected_by_other_rules(sound_store: Path, tmp_path: Path) -> None:
    """Told and gone, as it is written: nothing else stops, and with the right rules they are in again."""
    store = copied(sound_store, tmp_path)
    own, right = _own_recordings(store, tmp_path), _events(store)
    wrong = tmp_path / "wrong.toml"
    wrong.write_text('[columns]\nvehicle_id = "no such column"\n')
    assert ingest([own], store, mapping=str(wrong)).rejected == 2
    ingest([sound_store.parent / "later"], store)
    assert _events(store) < right and check_store(store).sound
    ingest([own], store)
    assert _events(store) == right and check_store(store).sound


def test_bytes_that_are_not_known_name_no_other_recording(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    drop, *others = sorted(_own_recordings(store, tmp_path).glob("*.parquet"))
    rows = read_log(store).table()
    bare = rows.set_column(rows.column_names.index("sha256"), "sha256", [[""] * rows.num_rows])
    write_log(store, bare)
    with rebuilding(store) as con:
        con.execute("UPDATE ingest_log SET sha256 = ''")
    right = _events(store)
    _rows_gone(store, drop)
    check_store(store, repair=True)
    with pytest.raises(StoreError, match="1 recordings are published that the lake does not have any more"):
        ingest(others, store)
    assert _events(store) == right


def test_the_index_of_the_blocks_is_gone(sound_store: Path, tmp_path: Path) -> None:
    """Giving up asks for a repair first, which finds every row."""
    store = copied(sound_store, tmp_path)
    right = _events(store)
    (store / "lake" / "blocks.parquet").unlink()
    with pytest.raises(StoreError, match=r"check --repair`, ingest the recordings again"):
        ingest([sound_store.parent / "later"], store)
    with pytest.raises(StoreError, match=r"Run `fleetbrake check --repair` first.*Nothing was given up"):
        give_up_part(store, "recordings")
    check_store(store, repair=True)
    ingest([sound_store.parent / "later"], store)
    assert _events(store) == right and check_store(store).sound


def test_an_older_index_of_the_blocks(sound_store: Path, tmp_path: Path) -> None:
    """Blocks that it does not know hold the only rows: they are read, not removed."""
    store = copied(sound_store, tmp_path)
    right, keys = tables(store)["events"], sorted(read_log(store).keys())
    path = store / "lake" / "blocks.parquet"
    older = path.read_bytes()
    lake = Lake(store)
    for key in keys:  # out of their blocks, and into one of all
        lake.rewrite_events(key, lake.events_of(key))
    lake.tidy(keys)
    bare = [[half(key).drop_columns([PIECE_KEY]) for half in (lake.events_of, lake.wheels_of)] for key in keys]
    blocks = [(key, events, wheels) for key, (events, wheels) in zip(keys, bare, strict=True)]
    rows = lake.write_block(blocks)
    lake.add_blocks([rows])
    for key in keys:
        for half in lake.files_of(key):
            half.unlink()
    assert Lake(store).all_keys() == set(keys)
    path.write_bytes(older)
    assert any("it is the index of other blocks" in said for said in wrong_of(store, "index"))
    check_store(store, repair=True)
    assert Lake(store).all_keys() == set(keys) and sorted(read_log(store).keys()) == keys
    ingest([sound_store.parent / "later"], store)
    assert tables(store)["events"] == right and check_store(store).sound


def test_lake_and_published_file_are_gone_together(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    ingest([sound_store.parent / "later"], store)
    right, number = _events(store), len(read_log(store))
    kept = tmp_path / "kept"
    shutil.copytree(store / "lake", kept)
    shutil.rmtree(store / "lake")
    published = (store / "fleet.duckdb").read_bytes()
    (store / "fleet.duckdb").unlink()
    with pytest.raises(StoreError, match=f"The log of {number} recordings"):
        ingest([sound_store.parent / "later"], store)
    assert any(f"The log of {number} recordings" in said for said in wrong_of(store, "log"))
    shutil.rmtree(store / "lake", ignore_errors=True)
    shutil.copytree(kept, store / "lake")
    (store / "fleet.duckdb").write_bytes(published)
    ingest([sound_store.parent / "later"], store)
    assert _events(store) == right and check_store(store).sound
    shutil.rmtree(store / "lake")
    (store / "fleet.duckdb").unlink()
    give_up_part(store, "recordings")
    give_up_part(store, "scores")
    ingest([sound_store.parent / "first", sound_store.parent / "later"], store)
    assert log_path(store).is_file() and check_store(store).sound


@pytest.mark.parametrize("older", [False, pytest.param(True, marks=pytest.mark.long)])
def test_scored_days_are_lost_with_the_published_file(sound_store: Path, tmp_path: Path, older: bool) -> None:
    """No other file has them: refused until the newest is back, or a person goes on without."""
    store = copied(sound_store, tmp_path)
    path = store / "fleet.duckdb"
    before, first = path.read_bytes(), remembered(store).scored_to
    score(store, as_of=date.fromisoformat(first) + timedelta(days=1))
    newest, day = path.read_bytes(), remembered(store).scored_to
    assert day > first
    score_rows = tables(store)["vehicle_health"]
    if older:
        path.write_bytes(before)
        with pytest.raises(StoreError, match=r"fleet\.duckdb is gone or an older copy"):
            score(store)
    else:
        path.unlink()
    with pytest.raises(StoreError, match=f"Scores up to {day} were published"):
        ingest([sound_store.parent / "later"], store)
    assert any(f"Scores up to {day} were published" in said for said in wrong_of(store, "database"))
    check_store(store, repair=True)
    path.write_bytes(newest)
    ingest([sound_store.parent / "later"], store)
    assert tables(store)["vehicle_health"] == score_rows and check_store(store).sound
    path.unlink()
    give_up_part(store, "scores")
    ingest([sound_store.parent / "later"], store)
    score(store)
    assert remembered(store).scored_to == first and check_store(store).sound

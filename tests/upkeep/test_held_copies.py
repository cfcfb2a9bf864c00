"""Copies of held recordings and their lists: damaged, lost, or all that is left. Each test ends with rows whole."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from check_made import copied
from upkeep_made import drive_file

from fleetbrake.core.errors import StoreError
from fleetbrake.pipeline import ingest
from fleetbrake.store.database import reading
from fleetbrake.store.files import sha256_of
from fleetbrake.store.holding.held_again import holds_again
from fleetbrake.store.holding.held_files import copy_held
from fleetbrake.store.holding.held_manifest import MANIFEST_NAME, folder_of, read_manifest, write_manifest
from fleetbrake.store.holding.hold_ends import released, rewrite_released
from fleetbrake.store.holding.holds import HOLDS_NAME, all_holds
from fleetbrake.store.lake import Lake
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.log import read_log
from fleetbrake.store.log_mark import log_path
from fleetbrake.upkeep import forget_driver, hold, list_holds, release_hold
from fleetbrake.upkeep.check import Checked, check_store
from fleetbrake.upkeep.check import kept as kept_checks
from fleetbrake.upkeep.check.given_up import give_up_part
from fleetbrake.upkeep.check.outcome import Damage, Outcome


def _holds(store: Path) -> Outcome:
    out = Outcome("holds")
    kept_checks.check_holds(store, out, Damage())
    return out


def _repaired(store: Path) -> Checked:
    found = check_store(store, repair=True)
    assert found.after is not None, "there was something to repair"
    return found.after


def _rows(store: Path) -> list[tuple[object, ...]]:
    with reading(store) as con:
        return con.execute("SELECT * FROM events ORDER BY ALL").fetchall()


def _nowhere(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fleetbrake.store.holding.held_files._bytes_of", lambda source: (0, None))


def test_a_hold_that_ended_stays_ended_and_names_nobody_who_was_forgotten(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    hold(store, reason="about driver D-two", by="clerk", driver_id="D-two")
    for hold_id in ("hold-2", "hold-1"):
        release_hold(store, hold_id, by="clerk", reason="over", keep_copies=True)
    forget_driver(store, "D-two", alike_too=True)
    before = all_holds(store)
    assert before[1].released is not None and "D-two" not in (store / HOLDS_NAME).read_text()
    (store / HOLDS_NAME).unlink()
    with writer_lock(store, "test"):
        assert holds_again(store) == ["hold-1", "hold-2"]
    assert all_holds(store) == before
    assert "D-two" not in (folder_of(store, "hold-2") / MANIFEST_NAME).read_text()


def test_a_name_that_came_back_with_an_older_list_of_holds(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    with writer_lock(store, "test"):
        released(store, "hold-1", by="driver D-two", reason="over", copies_kept=True)
    older = {path: path.read_bytes() for path in (store / HOLDS_NAME, folder_of(store, "hold-1") / MANIFEST_NAME)}
    forget_driver(store, "D-two", alike_too=True)
    whole = all_holds(store)
    for path, content in older.items():
        path.write_bytes(content)
    assert any("names a driver who was forgotten" in said for said in _holds(store).wrong.all())
    assert _repaired(store).sound
    assert all_holds(store) == whole
    with writer_lock(store, "test"):
        assert rewrite_released(store, str.upper) == 1
        assert read_manifest(store, "hold-1").hold["released"]["reason"] == "OVER"


@pytest.mark.parametrize("ended", [False, True])
def test_a_damaged_list_of_copies(full_store: Path, sound_store: Path, tmp_path: Path, ended: bool) -> None:
    store = copied(full_store, tmp_path)
    if ended:
        with writer_lock(store, "test"):
            released(store, "hold-1", by="clerk", reason="over", copies_kept=True)
    manifest = folder_of(store, "hold-1") / MANIFEST_NAME
    before = read_manifest(store, "hold-1")
    copies = {path.name: path.read_bytes() for path in manifest.parent.glob("*.parquet")}
    manifest.write_bytes(manifest.read_bytes()[:300])
    with pytest.raises(StoreError, match=r"is damaged.*--repair"):
        list_holds(store)
    if not ended:
        with pytest.raises(StoreError, match=r"is damaged.*--repair"):
            ingest([sound_store.parent / "later"], store)
    assert _repaired(store).sound
    after = read_manifest(store, "hold-1")
    assert {(item.path, item.sha256) for item in after.files} == {(item.path, item.sha256) for item in before.files}
    assert after.hold == before.hold
    assert {path.name: path.read_bytes() for path in manifest.parent.glob("*.parquet")} == copies
    assert list((store / "set-aside").rglob(MANIFEST_NAME))
    assert ingest([sound_store.parent / "later"], store).held_not_copied == []


def test_copies_that_no_list_names(full_store: Path, tmp_path: Path) -> None:
    """A later version that was not taken in: the list is lost, and nothing else says where it came from."""
    store = copied(full_store, tmp_path)
    later = drive_file(tmp_path, "van-1", "D-else", "2026-03-20", 10.5)
    own = folder_of(store, "hold-1") / f"{sha256_of(later)[:32]}.parquet"
    shutil.copyfile(later, own)
    (own.with_name(f"{'0' * 32}.parquet")).write_bytes(b"other bytes than its name says")
    (folder_of(store, "hold-1") / MANIFEST_NAME).unlink()
    after = _repaired(store)
    assert after.sound and not any("does not name" in said for one in after.outcomes for said in one.notes.all())
    (item,) = [one for one in read_manifest(store, "hold-1").files if one.copy == own.name]
    assert item.state == "copied" and item.path == f"held/hold-1/{own.name}"
    assert [path.name for path in (store / "set-aside").rglob("*.parquet")] == [f"{'0' * 32}.parquet"]
    own.write_bytes(b"damaged")
    assert len(_holds(store).wrong.all()) == 1, "it is watched again"


def _with_a_log_of_before(store: Path, tmp_path: Path) -> Path:
    """A recording of the hold whose rows are in the lake, and which the log does not name; its folder."""
    older = log_path(store).read_bytes()
    drive_file(tmp_path / "more", "van-1", "D-one", "2026-03-25", 48.6)
    ingest([tmp_path / "more"], store)
    log_path(store).write_bytes(older)
    return tmp_path / "more"


def test_a_log_made_again_knows_the_bytes_of_held_recordings(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    more = _with_a_log_of_before(store, tmp_path)
    (store / "fleet.duckdb").unlink()
    give_up_part(store, "scores")
    _repaired(store)
    (entry,) = [one for one in read_log(store) if "/more/" in one.path]
    (file,) = more.iterdir()
    assert entry.sha256 == sha256_of(file) and entry.size == file.stat().st_size
    before = _rows(store)
    done = ingest([more], store)
    assert done.problems == [] and done.held_not_copied == [] and _rows(store) == before


def test_bytes_that_nobody_knows_are_not_told_as_changed(full_store: Path, tmp_path: Path) -> None:
    """Without a word in the list of copies: of then nothing is known, so that what is there is copied, and kept."""
    store = copied(full_store, tmp_path)
    more = _with_a_log_of_before(store, tmp_path)
    manifest = read_manifest(store, "hold-1")
    for item in [one for one in manifest.files if "/more/" in one.path]:
        (folder_of(store, "hold-1") / str(item.copy)).unlink()
        manifest.files.remove(item)
    write_manifest(store, manifest)
    (store / "fleet.duckdb").unlink()
    give_up_part(store, "scores")
    _repaired(store)
    (entry,) = [one for one in read_log(store) if "/more/" in one.path]
    assert entry.sha256 == ""
    for _ in range(2):  # night after night
        done = ingest([more], store)
        assert done.problems == [] and done.held_not_copied == []
    (file,) = more.iterdir()
    (item,) = [one for one in read_manifest(store, "hold-1").files if "/more/" in one.path]
    assert (item.state, item.sha256) == ("copied", sha256_of(file))
    first = file.read_bytes()
    drive_file(more, "van-1", "D-else", "2026-03-25", 48.7)
    assert ingest([more], store).held_not_copied == []
    kept = {path.read_bytes() for path in folder_of(store, "hold-1").glob("*.parquet")}
    assert {first, file.read_bytes()} <= kept, "another version is kept beside the first"


def test_a_copy_that_is_in_no_place_any_more(full_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It costs no other repair, and a person may go on without it."""
    _nowhere(monkeypatch)
    store = copied(full_store, tmp_path)
    (one,) = folder_of(store, "hold-1").glob("*.parquet")
    one.unlink()
    after = _repaired(store)
    assert not after.sound and all(out.left_out is None for out in after.outcomes), "all was recounted"
    told = copy_held(store)[0].sentences
    assert len(told) == 1 and "--lost-for-good holds" in told[0]
    give_up_part(store, "holds")
    found = check_store(store)
    assert found.sound and any("is not there any more" in said for said in _holds(store).notes.all())
    assert list_holds(store)[0].files == {"missing": 1}
    monkeypatch.undo()
    assert copy_held(store)[0].files == {"copied": 1}, "and is copied once it is there again"


def test_a_recording_of_which_a_hold_has_the_only_copy(
    full_store: Path, sound_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, beside = copied(full_store, tmp_path), sound_store.parent
    whole = _rows(store)
    (entry,) = [one for one in read_log(store) if "/mapped/" in one.path]
    for path in Lake(store).files_of(str(entry.key)):
        path.unlink()
    monkeypatch.setattr("fleetbrake.upkeep.check.repair.still_there", lambda path: False)
    done = check_store(store, repair=True)
    wanted = f"hold-1 has a copy of 1 of them, which `fleetbrake ingest {folder_of(store, 'hold-1')}` reads"
    assert any(wanted in said for said in done.not_mended), done.not_mended
    with pytest.raises(StoreError, match="hold-1 has a copy of 1 of them"):
        ingest([beside / "first"], store)
    assert _rows(store) == whole
    manifest = read_manifest(store, "hold-1")
    (item,) = [one for one in manifest.files if one.path == entry.path]
    ingest([folder_of(store, "hold-1")], store, mapping=str(beside / "mapping.toml"))
    assert len(_rows(store)) == len(whole) and check_store(store).sound
    assert item.copy and replace(item, state="copied") in read_manifest(store, "hold-1").files


def test_lists_that_are_none(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    path = folder_of(store, "hold-1") / MANIFEST_NAME
    for content in (b"[]", b"{}", b"\xff", json.dumps({"files": [{}]}).encode()):
        path.write_bytes(content)
        with pytest.raises(StoreError, match="is damaged"):
            read_manifest(store, "hold-1")
    path.write_bytes(b"[]")
    with writer_lock(store, "test"):
        assert "Given up" in give_up_part(store, "holds")
        assert copy_held(store)[0].files.keys() == {"copied"}

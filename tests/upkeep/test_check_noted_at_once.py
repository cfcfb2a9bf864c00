"""What is lost before any run could note it, the history of unattended runs, and a published file of the same day."""

import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from check_made import copied
from check_told import wrong_of
from filelock import FileLock

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.pipeline import ingest, not_counted, plan, score
from fleetbrake.reports.aliases import aliases
from fleetbrake.store import note_lock, runs
from fleetbrake.store.entered import enter, entries
from fleetbrake.store.entered_rows import DateFixed
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.log import read_log
from fleetbrake.store.log_writing import replace_log
from fleetbrake.store.remembered import remembered
from fleetbrake.store.run_numbers import runs_begun
from fleetbrake.store.runs_lost import lost_runs
from fleetbrake.upkeep import forget_driver
from fleetbrake.upkeep.check import check_store
from fleetbrake.upkeep.check.given_up import give_up_part
from tests.cluster.same_rows import tables
from tests.faults.kill_state import contents

_NIGHT = datetime(2026, 3, 25, tzinfo=UTC)
_FIXED = DateFixed(on=date(2026, 4, 1))


def _a_night(store: Path, number: int, keep_days: int | None = None) -> None:
    runs.begin(store, f"night-{number}", "nightly", _NIGHT + timedelta(days=number), keep_days)


def _gone(store: Path) -> None:
    (store / "runs.sqlite").unlink()


def _begun_anew(store: Path) -> None:
    _gone(store)
    for number in range(9):  # more than there were
        _a_night(store, number)


def _damaged(store: Path) -> None:
    (store / "runs.sqlite").write_bytes(b"no database at all" * 100)


@pytest.mark.parametrize("loss", [_gone, _begun_anew, pytest.param(_damaged, marks=pytest.mark.long)])
def test_a_history_of_runs_that_is_gone(sound_store: Path, tmp_path: Path, loss: Callable[[Path], None]) -> None:
    store = copied(sound_store, tmp_path)
    _a_night(store, 1)
    kept = (store / "runs.sqlite").read_bytes()
    loss(store)
    told = "cannot be read" if loss is _damaged else "history of unattended runs"
    assert any(told in said for said in wrong_of(store, "runs"))
    (store / "runs.sqlite").write_bytes(kept)
    assert not wrong_of(store, "runs")
    loss(store)
    give_up_part(store, "runs")
    assert not wrong_of(store, "runs")
    _a_night(store, 99)
    assert not wrong_of(store, "runs")
    (store / "runs.sqlite").unlink()
    assert wrong_of(store, "runs")


def test_runs_after_a_loss_do_not_hide_it(sound_store: Path, tmp_path: Path) -> None:
    """An older copy to which as many are added counts as much as the file that was lost."""
    store = copied(sound_store, tmp_path)
    older = (store / "runs.sqlite").read_bytes()
    _a_night(store, 1)
    (store / "runs.sqlite").write_bytes(older)
    for number in range(2, 5):
        _a_night(store, number)
        assert lost_runs(store) is not None
    give_up_part(store, "runs")
    _a_night(store, 9)
    assert lost_runs(store) is None


def test_what_was_given_up_is_known_when_it_is_put_back_later(sound_store: Path, tmp_path: Path) -> None:
    """As many were added meanwhile as it has more: the numbers alone would not tell."""
    store = copied(sound_store, tmp_path)
    older = {name: (store / name).read_bytes() for name in ("entered.sqlite", "runs.sqlite")}
    enter(store, "planner", "van-1", _FIXED)
    _a_night(store, 1)
    newest = {name: (store / name).read_bytes() for name in older}
    for name, content in older.items():
        (store / name).write_bytes(content)
    give_up_part(store, "entries"), give_up_part(store, "runs")
    enter(store, "another", "van-1", _FIXED)
    _a_night(store, 2)
    assert check_store(store).sound
    for name, content in newest.items():
        (store / name).write_bytes(content)
    assert wrong_of(store, "entries") and wrong_of(store, "runs")
    with pytest.raises(StoreError, match="those that are there are others"):
        score(store)


def test_first_runs_at_once_are_all_counted(tmp_path: Path) -> None:
    store = tmp_path / "store"
    store.mkdir()
    with ThreadPoolExecutor(4) as nights:
        list(nights.map(lambda number: _a_night(store, number), range(40)))
    assert runs_begun(store).last == len(runs.last_runs(store, 99)) == 40 and lost_runs(store) is None


def test_a_history_that_is_damaged_names_the_way_out(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    _damaged(store)
    with pytest.raises(StoreError, match="--lost-for-good runs"):
        forget_driver(store, "D-one")
    assert any("--lost-for-good runs" in said for said in wrong_of(store, "runs"))


def test_an_older_copy_of_the_history_is_told_and_whoever_is_forgotten_may_stand_in_logs(
    sound_store: Path, tmp_path: Path
) -> None:
    store = copied(sound_store, tmp_path)
    older = (store / "runs.sqlite").read_bytes()
    _a_night(store, 1)
    newest = (store / "runs.sqlite").read_bytes()
    (store / "runs.sqlite").write_bytes(older)
    assert "is an older copy or another file" in (lost_runs(store) or "")
    done = forget_driver(store, "D-one")
    assert any("history of unattended runs" in said for said in done.erased.not_reached) and not done.complete
    (store / "runs.sqlite").write_bytes(newest)
    assert forget_driver(store, "D-one").erased.not_reached == ()


def test_rows_that_outlive_their_period_are_no_loss(sound_store: Path, tmp_path: Path) -> None:
    """The count does not go back with them, nor when the file is written anew."""
    store = copied(sound_store, tmp_path)
    _a_night(store, 1)
    _a_night(store, 1000, keep_days=30)
    forget_driver(store, "nobody")
    assert len(runs.last_runs(store, 9)) == 1 and lost_runs(store) is None


def test_entries_that_are_lost_before_the_next_run_are_missed(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    older = (store / "entered.sqlite").read_bytes()
    enter(store, "planner", "van-1", _FIXED)
    newest = (store / "entered.sqlite").read_bytes()
    for loss in (older, None):
        (store / "entered.sqlite").unlink()
        if loss is not None:
            (store / "entered.sqlite").write_bytes(loss)
        with pytest.raises(StoreError, match="Nothing was entered"):
            enter(store, "planner", "van-1", _FIXED)
        with pytest.raises(StoreError, match=r"entered\.sqlite back"):
            score(store)
        assert wrong_of(store, "entries")
    (store / "entered.sqlite").write_bytes(newest)
    enter(store, "planner", "van-1", _FIXED)
    score(store)
    assert not wrong_of(store, "entries")


@pytest.mark.parametrize("older_note", [False, True])
def test_entries_that_are_lost_with_the_note_are_missed_by_what_is_published(
    sound_store: Path, tmp_path: Path, older_note: bool
) -> None:
    store = copied(sound_store, tmp_path)
    older = {name: (store / name).read_bytes() for name in ("entered.sqlite", "remembered.json")}
    enter(store, "planner", "van-1", _FIXED)
    score(store)
    for name, content in older.items():
        (store / name).write_bytes(content)
    if not older_note:
        (store / "remembered.json").unlink()
    with pytest.raises(StoreError, match="Nothing was entered"):
        enter(store, "planner", "van-1", _FIXED)


def test_the_first_entry_of_all_is_missed_too(tmp_path: Path) -> None:
    store = tmp_path / "store"
    store.mkdir()
    enter(store, "planner", "van-1", _FIXED)
    (store / "entered.sqlite").unlink()
    with pytest.raises(StoreError, match="Nothing was entered"):
        enter(store, "planner", "van-1", _FIXED)


def test_entries_at_a_time_are_all_noted_and_a_note_that_another_holds_stops_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = tmp_path / "store"
    store.mkdir()
    with ThreadPoolExecutor(8) as people:
        list(people.map(lambda _: enter(store, "planner", "van-1", _FIXED), range(40)))
    assert remembered(store).entries == len(entries(store)) == 40
    monkeypatch.setattr(note_lock, "_PATIENCE_S", 0.01)
    with FileLock(store / "remembered.lock"):
        enter(store, "planner", "van-1", _FIXED)
    assert len(entries(store)) == 41 and remembered(store).entries == 41


def test_a_note_that_cannot_be_written_undoes_no_entry(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise StoreError("the disk is full")

    store = tmp_path / "store"
    store.mkdir()
    monkeypatch.setattr("fleetbrake.store.remembered.write_bytes", full)
    enter(store, "planner", "van-1", _FIXED)
    assert len(entries(store)) == 1 and remembered(store).entries == 0


def test_a_key_of_aliases_that_is_lost_before_the_next_run_is_missed(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    (store / "driver-aliases.key").unlink()
    give_up_part(store, "aliases")
    aliases(store)
    (store / "driver-aliases.key").unlink()
    assert any("drivers get other aliases" in said for said in wrong_of(store, "key files"))
    with pytest.raises(StoreError, match="--lost-for-good aliases"):
        aliases(store)
    assert not (store / "driver-aliases.key").exists()


def test_a_damaged_key_of_aliases_names_the_way_out(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    (store / "driver-aliases.key").write_bytes(b"short")
    with pytest.raises(StoreError, match=r"is damaged: put it back from a copy.* --lost-for-good aliases"):
        aliases(store)
    give_up_part(store, "aliases")
    assert aliases(store)("D-one").startswith("driver-")


@pytest.mark.parametrize("part", ["entries", "recordings"])
def test_nothing_else_is_given_up_of_a_published_file_that_lacks_scores(
    sound_store: Path, tmp_path: Path, part: str
) -> None:
    store = copied(sound_store, tmp_path)
    older = (store / "fleet.duckdb").read_bytes()
    score(store)
    (store / "fleet.duckdb").write_bytes(older)
    (store / "entered.sqlite").write_bytes(b"no database at all" * 100)
    replace_log(store, list(read_log(store))[:1])
    before = contents(store)
    with pytest.raises(StoreError, match="of the publishing number"):
        give_up_part(store, part)
    assert contents(store) == before


@pytest.mark.parametrize("what", [score, pytest.param(plan, marks=pytest.mark.long)])
def test_an_older_published_file_of_the_same_day(
    sound_store: Path, tmp_path: Path, what: Callable[[Path], object]
) -> None:
    store = copied(sound_store, tmp_path)
    path = store / "fleet.duckdb"
    older, day = path.read_bytes(), remembered(store).scored_to
    what(store)
    newest = path.read_bytes()
    assert remembered(store).scored_to == day
    path.write_bytes(older)
    for run in (score, plan, lambda there: ingest([sound_store.parent / "later"], there)):
        with pytest.raises(StoreError, match=r"fleet\.duckdb is gone or an older copy"):
            run(store)
    assert any("of the publishing number" in said for said in wrong_of(store, "database"))
    path.write_bytes(newest)
    ingest([sound_store.parent / "later"], store)  # publishes, and no scores: an older copy of before it is none
    score(store)
    last = path.read_bytes()
    path.write_bytes(newest)
    give_up_part(store, "scores")
    assert not wrong_of(store, "database")
    path.unlink()
    assert wrong_of(store, "database"), "what was left is noted"
    path.write_bytes(newest)
    give_up_part(store, "scores")
    score(store)
    assert check_store(store).sound
    path.write_bytes(last)  # numbers do not begin anew: it is known as the older one
    assert wrong_of(store, "database")


def test_an_older_published_file_after_a_damaged_one_was_made_anew(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    path = store / "fleet.duckdb"
    whole = path.read_bytes()
    path.write_bytes(b"no database at all" * 100)
    check_store(store, repair=True)
    assert not wrong_of(store, "database")
    score(store)
    path.write_bytes(whole)
    with pytest.raises(StoreError, match="of the publishing number"):
        score(store)


def test_published_files_of_before_recordings_came_in_lose_no_scores(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    older = (store / "fleet.duckdb").read_bytes()
    shutil.copy(next((sound_store.parent / "later").glob("*.parquet")), tmp_path / "again.parquet")
    ingest([tmp_path / "again.parquet"], store)
    right = tables(store)
    (store / "fleet.duckdb").write_bytes(older)
    score(store)
    (told,) = not_counted(store)
    assert told.startswith("1 recordings were read in and are not published")
    with writer_lock(store, "ingest"):  # who reads recordings now publishes them at the end
        assert not_counted(store) == []
    ingest([], store, registers=sound_store.parent / "registers")
    assert tables(store)["events"] == right["events"] and not_counted(store) == []


def test_a_day_that_has_not_come_is_not_scored(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    with pytest.raises(InputError, match="a day that has come"):
        score(store, datetime.now(UTC).date() + timedelta(days=2))

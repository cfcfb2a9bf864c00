"""What is noted between runs, so that a part that goes back to an older copy at any moment is told, or set right."""

import json
import os
from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from check_made import FORGOTTEN, copied
from check_told import wrong_of

from fleetbrake.core.errors import StoreError
from fleetbrake.pipeline import ingest, not_counted, plan, score
from fleetbrake.reports.aliases import aliases
from fleetbrake.store import runs
from fleetbrake.store.ageing.retention import RetentionPolicy
from fleetbrake.store.ageing.retention_published import is_older_published
from fleetbrake.store.arrow import write_parquet
from fleetbrake.store.database import reading
from fleetbrake.store.entered import enter
from fleetbrake.store.entered_rows import DateFixed
from fleetbrake.store.format_mark import FORMAT_NAME
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.log import IngestLog, LogEntry, commit_log, is_older_log, read_log, write_log
from fleetbrake.store.remembered import REMEMBERED_NAME, remembered
from fleetbrake.store.runs_lost import lost_runs
from fleetbrake.store.unfinished import begin
from fleetbrake.upkeep import forget_driver, retain
from fleetbrake.upkeep.check import check_store
from fleetbrake.upkeep.check.given_up import give_up_part
from tests.faults.kill_state import contents

_FIXED = DateFixed(on=date(2026, 4, 1))
#: All drivers of the store are older at this time.
_RULES, _LATE = RetentionPolicy(positions_and_drivers_months=1), date(2026, 5, 30)


def _kept(store: Path, *names: str) -> dict[str, bytes | None]:
    return {name: (store / name).read_bytes() if (store / name).exists() else None for name in names}


def _put_back(store: Path, older: dict[str, bytes | None]) -> None:
    for name, content in older.items():
        (store / name).unlink(missing_ok=True)
        if content is not None:
            (store / name).write_bytes(content)


def _lake(store: Path) -> dict[str, bytes]:
    return {f"lake/{name}": content for name, content in contents(store / "lake").items()}


def _counted(store: Path, rows: str) -> int:
    with reading(store) as con:
        return int(con.execute(f"SELECT count(*) FROM {rows}").fetchall()[0][0])


@pytest.mark.parametrize("what", [score, plan, lambda store: ingest([], store, registers=store.parent / "registers")])
def test_what_retention_dropped_does_not_come_back_with_an_older_published_file(
    sound_store: Path, tmp_path: Path, what: Callable[[Path], object]
) -> None:
    store = copied(sound_store, tmp_path)
    (tmp_path / "registers").symlink_to(sound_store.parent / "registers")
    older = _kept(store, "fleet.duckdb")
    with_drivers = "events WHERE driver_id IS NOT NULL OR latitude_deg IS NOT NULL"
    days = f"driver_style WHERE as_of < DATE '{_LATE}'"
    assert _counted(store, with_drivers) and _counted(store, days)
    retain(store, _RULES, _LATE)
    assert _counted(store, with_drivers) == _counted(store, days) == 0
    _put_back(store, older)
    what(store)
    assert _counted(store, with_drivers) == 0
    assert what is score or _counted(store, days) == 0  # scores of that day are made again
    assert not wrong_of(store, "published", "retention")


def test_runs_that_publish_nothing_are_noted(sound_store: Path, tmp_path: Path) -> None:
    """Else forgetting would not look into the logs that only they named."""
    store = copied(sound_store, tmp_path)
    older = _kept(store, "runs.sqlite")
    runs.begin(store, "month-1", "monthly", datetime(2026, 4, 1, tzinfo=UTC), None)
    _put_back(store, older)
    assert lost_runs(store) is not None and wrong_of(store, "runs")
    assert not forget_driver(store, "D-one").complete


@pytest.mark.parametrize(("part", "lost"), [("runs", "runs.sqlite"), ("entries", "entered.sqlite")])
def test_an_entry_is_not_lost_after_something_was_given_up(
    sound_store: Path, tmp_path: Path, part: str, lost: str
) -> None:
    """The note that a page wrote knew less of give-ups than the published file, and more of entries."""
    store = copied(sound_store, tmp_path)
    before = _kept(store, REMEMBERED_NAME, FORMAT_NAME)
    (store / lost).unlink()
    give_up_part(store, part)
    enter(store, "planner", "van-1", _FIXED)
    score(store)
    _put_back(store, before)
    older = _kept(store, "entered.sqlite")
    enter(store, "planner", "van-1", _FIXED)
    _put_back(store, older)
    with pytest.raises(StoreError, match="Nothing was entered"):
        enter(store, "planner", "van-1", _FIXED)
    with pytest.raises(StoreError, match="entries` goes on without"):
        score(store)


@pytest.mark.parametrize("lost", [(REMEMBERED_NAME,), (REMEMBERED_NAME, FORMAT_NAME)])
def test_an_entry_after_the_notes_were_lost_is_noted_twice(
    sound_store: Path, tmp_path: Path, lost: tuple[str, ...]
) -> None:
    store = copied(sound_store, tmp_path)
    _put_back(store, dict.fromkeys(lost))
    older = _kept(store, "entered.sqlite")
    enter(store, "planner", "van-1", _FIXED)
    _put_back(store, {**older, REMEMBERED_NAME: None})
    with pytest.raises(StoreError, match="Nothing was entered"):
        enter(store, "planner", "van-1", _FIXED)


def test_no_other_key_of_aliases_is_drawn_while_the_published_file_knows_one(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    _put_back(store, dict.fromkeys((REMEMBERED_NAME, FORMAT_NAME, "driver-aliases.key")))
    with pytest.raises(StoreError, match="--lost-for-good aliases"):
        aliases(store)
    assert not (store / "driver-aliases.key").exists()


def _read_in_a_refused_run(store: Path, recording: Path) -> None:
    """The recording is in the lake and in the log, and nowhere else: what people entered is gone meanwhile."""
    whole = _kept(store, "entered.sqlite")
    recording.write_bytes(next((store / "made" / "later").glob("*.parquet")).read_bytes())
    _put_back(store, {"entered.sqlite": None})
    with pytest.raises(StoreError, match="entries` goes on without"):
        ingest([recording], store)
    assert str(recording) in read_log(store)
    _put_back(store, whole)


def _older(store: Path) -> bool:
    return any("is an older copy" in said for said in wrong_of(store, "log"))


@pytest.fixture
def refused(sound_store: Path, tmp_path: Path) -> tuple[Path, dict[str, bytes], Path]:
    """A store after such a run, the files of its lake before, and the recording."""
    store, recording = copied(sound_store, tmp_path), tmp_path / "again.parquet"
    (store / "made").symlink_to(sound_store.parent)
    lake = _lake(store)
    _read_in_a_refused_run(store, recording)
    (store / "made").unlink()
    return store, lake, recording


def test_recordings_that_a_refused_run_read_are_missed_with_an_older_lake(
    refused: tuple[Path, dict[str, bytes], Path], tmp_path: Path
) -> None:
    """They were never published: the log is all that named them."""
    store, lake, recording = refused
    newest = _lake(store)
    _put_back(store, {**dict.fromkeys(newest), **lake})
    for number in range(3):  # however much is read in meanwhile
        assert _older(store) and any("is an older copy" in said for said in not_counted(store))
        another = tmp_path / f"another-{number}.parquet"
        another.write_bytes(recording.read_bytes())
        assert any("is an older copy" in said for said in ingest([another], store).problems)
    assert not forget_driver(store, "D-one").complete
    _put_back(store, {**dict.fromkeys(_lake(store)), **newest})
    assert not _older(store)
    _put_back(store, {**dict.fromkeys(newest), **lake})
    give_up_part(store, "recordings")
    assert not _older(store)
    lake = _lake(store)
    assert not any("is an older copy" in said for said in ingest([recording], store).problems)
    assert not _older(store)
    _put_back(store, {**dict.fromkeys(_lake(store)), **lake})
    assert _older(store)


def test_rows_that_only_a_newer_log_named_are_not_removed(refused: tuple[Path, dict[str, bytes], Path]) -> None:
    """Not as those of the run that was refused, whose mark still stands."""
    store, lake, recording = refused
    assert (store / "lake" / "unfinished").exists()
    _put_back(store, {"lake/log.parquet": lake["lake/log.parquet"]})
    for run in (lambda: ingest([recording], store), lambda: retain(store, _RULES, _LATE)):
        with pytest.raises(StoreError, match="does not name 1 recordings that are in the lake"):
            run()
    check_store(store, repair=True)
    assert str(recording) in read_log(store) and not wrong_of(store, "log")


@pytest.mark.parametrize("damaged", [False, True])
def test_a_log_that_is_made_again_and_lacks_files_is_told(
    refused: tuple[Path, dict[str, bytes], Path], damaged: bool
) -> None:
    store, lake, recording = refused
    newest = _lake(store)
    _put_back(store, {**dict.fromkeys(newest), **lake, "lake/log.parquet": b"damaged" if damaged else None})
    check_store(store, repair=True)
    assert str(recording) not in read_log(store) and _older(store)
    _put_back(store, {**dict.fromkeys(_lake(store)), **newest})
    assert not _older(store)


def test_a_reading_of_changed_bytes_is_missed_though_no_file_is(
    refused: tuple[Path, dict[str, bytes], Path], sound_store: Path
) -> None:
    """The log that is made again names as many files as there were, one of them by its reading before."""
    store, _, recording = refused
    ingest([recording], store)
    lake, whole = _lake(store), _kept(store, "entered.sqlite")
    changed = next((sound_store.parent / "first").glob("*.parquet")).read_bytes()
    recording.write_bytes(changed)
    _put_back(store, {"entered.sqlite": None})
    with pytest.raises(StoreError, match="entries` goes on without"):
        ingest([recording], store)
    _put_back(store, {**dict.fromkeys(_lake(store)), **lake, "lake/log.parquet": None, **whole})
    check_store(store, repair=True)
    assert _older(store)
    before = _lake(store)
    ingest([recording], store)  # as the sentence says
    assert not _older(store)
    _put_back(store, {**dict.fromkeys(_lake(store)), **before})
    give_up_part(store, "recordings")
    assert not _older(store)


def test_rows_that_a_killed_run_left_are_no_lost_ones(
    refused: tuple[Path, dict[str, bytes], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A log that is lost with the same machine is made again with them."""
    store, _, recording = refused
    ingest([recording], store)
    another = tmp_path / "another.parquet"
    another.write_bytes(recording.read_bytes())
    with monkeypatch.context() as killed:
        killed.setattr("fleetbrake.pipeline.commit_log", _killed_with_entries)
        with pytest.raises(KeyboardInterrupt):
            ingest([another], store)
    _put_back(store, {"lake/log.parquet": None})
    check_store(store, repair=True)
    assert str(another) in read_log(store) and not _older(store)


def _killed_with_entries(store: Path, entries: Iterable[LogEntry]) -> IngestLog:
    listed = list(entries)
    if listed:
        raise KeyboardInterrupt
    return commit_log(store, listed)


def test_a_log_without_a_number_is_older_where_one_was_noted(refused: tuple[Path, dict[str, bytes], Path]) -> None:
    store, lake, _ = refused
    rows = read_log(store).table()
    _put_back(store, {**dict.fromkeys(_lake(store)), **lake})
    write_parquet(store / "lake" / "log.parquet", rows)
    assert is_older_log(store)
    _put_back(store, dict.fromkeys((REMEMBERED_NAME, FORMAT_NAME, "fleet.duckdb")))
    assert not is_older_log(store)
    write_log(store, rows)
    assert remembered(store).writings["log"] == 1 and not is_older_log(store)


def test_a_log_is_noted_by_the_next_run_where_a_kill_came_before(
    sound_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = copied(sound_store, tmp_path)
    number = remembered(store).writings["log"]
    with monkeypatch.context() as killed:
        killed.setattr("fleetbrake.store.log.remember_log", lambda *_: None)
        write_log(store, read_log(store).table())
    assert remembered(store).writings["log"] == number
    begin(store)
    assert remembered(store).writings["log"] == number + 1


def test_publishings_after_dropping_have_numbers_of_their_own(
    sound_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A kill before the number is noted, then more is dropped: else both files would have one number."""
    store = copied(sound_store, tmp_path)
    with monkeypatch.context() as killed:
        killed.setattr("fleetbrake.store.ageing.publish_dropped.note_published", lambda *_: None)
        retain(store, RetentionPolicy(positions_and_drivers_months=14), date(2026, 3, 30))
    older = _kept(store, "fleet.duckdb")
    retain(store, _RULES, _LATE)
    _put_back(store, older)
    assert is_older_published(store) and _counted(store, "events WHERE driver_id IS NOT NULL")
    score(store)
    assert _counted(store, "events WHERE driver_id IS NOT NULL") == 0


def test_older_rules_do_not_vouch_for_an_older_published_file(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    retain(store, RetentionPolicy(positions_and_drivers_months=14), date(2026, 3, 30))
    older = _kept(store, "fleet.duckdb", "retention.json")
    with_drivers = "events WHERE driver_id IS NOT NULL"
    before = _counted(store, with_drivers)
    retain(store, today=_LATE)  # by the same rules
    after = _counted(store, with_drivers)
    assert after < before
    _put_back(store, older)
    score(store)
    assert _counted(store, with_drivers) == after


def test_rules_that_were_given_up_stop_no_later_run(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    retain(store, _RULES, _LATE)
    (store / "retention.json").unlink()
    give_up_part(store, "rules")
    for _ in range(2):
        ingest([sound_store.parent / "later"], store)
    score(store)
    assert check_store(store).sound


def test_scores_given_up_over_an_older_file_bring_nobody_back(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    older = _kept(store, "fleet.duckdb")
    score(store)
    forget_driver(store, FORGOTTEN)
    _put_back(store, older)
    give_up_part(store, "scores")
    score(store)
    assert _counted(store, f"driver_style WHERE driver_id = '{FORGOTTEN}'") == 0
    assert not wrong_of(store, "forgotten", "tables")


def test_days_that_a_repair_could_not_save_do_not_come_back_with_an_older_note(
    sound_store: Path, tmp_path: Path
) -> None:
    store = copied(sound_store, tmp_path)
    older = _kept(store, FORMAT_NAME)
    (store / "fleet.duckdb").write_bytes(b"no database at all" * 100)
    check_store(store, repair=True)
    _put_back(store, older)
    assert not ingest([sound_store.parent / "later"], store).problems
    assert check_store(store).sound


def test_a_kill_between_the_two_writings_of_the_note(
    sound_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = copied(sound_store, tmp_path)
    older = _kept(store, REMEMBERED_NAME)
    with monkeypatch.context() as killed:
        killed.setattr("fleetbrake.store.remembered.keep_note", lambda *_: None)
        enter(store, "planner", "van-1", _FIXED)
    with writer_lock(store, "test"):  # the next run writes it
        pass
    number = remembered(store).entries
    _put_back(store, older)
    assert remembered(store).entries == number


@pytest.mark.skipif(os.name != "posix", reason="elsewhere a file has the rights of its folder")
def test_the_note_keeps_its_rights_whoever_enters(sound_store: Path, tmp_path: Path) -> None:
    """Else one of a group with a narrow umask would shut out all others."""
    store = copied(sound_store, tmp_path)
    for name in (REMEMBERED_NAME, FORMAT_NAME):
        (store / name).chmod(0o660)
    before = os.umask(0o077)
    try:
        enter(store, "planner", "van-1", _FIXED)
    finally:
        os.umask(before)
    assert {(store / name).stat().st_mode & 0o777 for name in (REMEMBERED_NAME, FORMAT_NAME)} == {0o660}


@pytest.mark.parametrize("content", [b"[" * 100_000, b'{"format": ' + b"[" * 100_000])
def test_a_mark_that_nests_without_end_is_told(sound_store: Path, tmp_path: Path, content: bytes) -> None:
    store = copied(sound_store, tmp_path)
    (store / FORMAT_NAME).write_bytes(content)
    with pytest.raises(StoreError, match="put it back from a copy"):
        score(store)


def test_a_mark_that_may_not_be_read_is_no_damage(
    sound_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = copied(sound_store, tmp_path)
    mark = json.loads((store / FORMAT_NAME).read_bytes())
    assert mark["note"]
    read_bytes = Path.read_bytes

    def closed(path: Path) -> bytes:
        if path.name == FORMAT_NAME:
            raise PermissionError(13, "Permission denied")
        return read_bytes(path)

    monkeypatch.setattr(Path, "read_bytes", closed)
    with pytest.raises(StoreError, match=r"this user needs the right to read it\.$"):
        score(store)

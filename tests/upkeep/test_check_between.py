"""What is noted between runs, so that a part that goes back to an older copy at any moment is told, or set right."""

import json
import os
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from check_made import FORGOTTEN, copied
from check_told import wrong_of
from put_back import kept, put_back

from fleetbrake.core.errors import StoreError
from fleetbrake.pipeline import ingest, plan, score
from fleetbrake.reports.aliases import aliases
from fleetbrake.store import runs
from fleetbrake.store.ageing.retention import RetentionPolicy
from fleetbrake.store.ageing.retention_published import is_older_published
from fleetbrake.store.database import reading
from fleetbrake.store.entered import enter
from fleetbrake.store.entered_rows import DateFixed
from fleetbrake.store.format_mark import FORMAT_NAME
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.remembered import REMEMBERED_NAME, remembered
from fleetbrake.store.runs_lost import lost_runs
from fleetbrake.upkeep import forget_driver, retain
from fleetbrake.upkeep.check import check_store
from fleetbrake.upkeep.check.given_up import give_up_part

_FIXED = DateFixed(on=date(2026, 4, 1))
#: All drivers of the store are older at this time.
_RULES, _LATE = RetentionPolicy(positions_and_drivers_months=1), date(2026, 5, 30)


def _counted(store: Path, rows: str) -> int:
    with reading(store) as con:
        return int(con.execute(f"SELECT count(*) FROM {rows}").fetchall()[0][0])


@pytest.mark.parametrize("what", [score, plan, lambda store: ingest([], store, registers=store.parent / "registers")])
def test_what_retention_dropped_does_not_come_back_with_an_older_published_file(
    sound_store: Path, tmp_path: Path, what: Callable[[Path], object]
) -> None:
    store = copied(sound_store, tmp_path)
    (tmp_path / "registers").symlink_to(sound_store.parent / "registers")
    older = kept(store, "fleet.duckdb")
    with_drivers = "events WHERE driver_id IS NOT NULL OR latitude_deg IS NOT NULL"
    days = f"driver_style WHERE as_of < DATE '{_LATE}'"
    assert _counted(store, with_drivers) and _counted(store, days)
    retain(store, _RULES, _LATE)
    assert _counted(store, with_drivers) == _counted(store, days) == 0
    put_back(store, older)
    what(store)
    assert _counted(store, with_drivers) == 0
    assert what is score or _counted(store, days) == 0  # scores of that day are made again
    assert not wrong_of(store, "published", "retention")


def test_runs_that_publish_nothing_are_noted(sound_store: Path, tmp_path: Path) -> None:
    """Else forgetting would not look into the logs that only they named."""
    store = copied(sound_store, tmp_path)
    older = kept(store, "runs.sqlite")
    runs.begin(store, "month-1", "monthly", datetime(2026, 4, 1, tzinfo=UTC), None)
    put_back(store, older)
    assert lost_runs(store) is not None and wrong_of(store, "runs")
    assert not forget_driver(store, "D-one").complete


@pytest.mark.parametrize(("part", "lost"), [("runs", "runs.sqlite"), ("entries", "entered.sqlite")])
def test_an_entry_is_not_lost_after_something_was_given_up(
    sound_store: Path, tmp_path: Path, part: str, lost: str
) -> None:
    """The note that a page wrote knew less of give-ups than the published file, and more of entries."""
    store = copied(sound_store, tmp_path)
    before = kept(store, REMEMBERED_NAME, FORMAT_NAME)
    (store / lost).unlink()
    give_up_part(store, part)
    enter(store, "planner", "van-1", _FIXED)
    score(store)
    put_back(store, before)
    older = kept(store, "entered.sqlite")
    enter(store, "planner", "van-1", _FIXED)
    put_back(store, older)
    with pytest.raises(StoreError, match="Nothing was entered"):
        enter(store, "planner", "van-1", _FIXED)
    with pytest.raises(StoreError, match="entries` goes on without"):
        score(store)


@pytest.mark.parametrize("lost", [(REMEMBERED_NAME,), (REMEMBERED_NAME, FORMAT_NAME)])
def test_an_entry_after_the_notes_were_lost_is_noted_twice(
    sound_store: Path, tmp_path: Path, lost: tuple[str, ...]
) -> None:
    store = copied(sound_store, tmp_path)
    put_back(store, dict.fromkeys(lost))
    older = kept(store, "entered.sqlite")
    enter(store, "planner", "van-1", _FIXED)
    put_back(store, {**older, REMEMBERED_NAME: None})
    with pytest.raises(StoreError, match="Nothing was entered"):
        enter(store, "planner", "van-1", _FIXED)


def test_no_other_key_of_aliases_is_drawn_while_the_published_file_knows_one(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    put_back(store, dict.fromkeys((REMEMBERED_NAME, FORMAT_NAME, "driver-aliases.key")))
    with pytest.raises(StoreError, match="--lost-for-good aliases"):
        aliases(store)
    assert not (store / "driver-aliases.key").exists()


def test_publishings_after_dropping_have_numbers_of_their_own(
    sound_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A kill before the number is noted, then more is dropped: else both files would have one number."""
    store = copied(sound_store, tmp_path)
    with monkeypatch.context() as killed:
        killed.setattr("fleetbrake.store.ageing.publish_dropped.note_published", lambda *_: None)
        retain(store, RetentionPolicy(positions_and_drivers_months=14), date(2026, 3, 30))
    older = kept(store, "fleet.duckdb")
    retain(store, _RULES, _LATE)
    put_back(store, older)
    assert is_older_published(store) and _counted(store, "events WHERE driver_id IS NOT NULL")
    score(store)
    assert _counted(store, "events WHERE driver_id IS NOT NULL") == 0


def test_older_rules_do_not_vouch_for_an_older_published_file(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    retain(store, RetentionPolicy(positions_and_drivers_months=14), date(2026, 3, 30))
    older = kept(store, "fleet.duckdb", "retention.json")
    with_drivers = "events WHERE driver_id IS NOT NULL"
    before = _counted(store, with_drivers)
    retain(store, today=_LATE)  # by the same rules
    after = _counted(store, with_drivers)
    assert after < before
    put_back(store, older)
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
    older = kept(store, "fleet.duckdb")
    score(store)
    forget_driver(store, FORGOTTEN)
    put_back(store, older)
    give_up_part(store, "scores")
    score(store)
    assert _counted(store, f"driver_style WHERE driver_id = '{FORGOTTEN}'") == 0
    assert not wrong_of(store, "forgotten", "tables")


def test_days_that_a_repair_could_not_save_do_not_come_back_with_an_older_note(
    sound_store: Path, tmp_path: Path
) -> None:
    store = copied(sound_store, tmp_path)
    older = kept(store, FORMAT_NAME)
    (store / "fleet.duckdb").write_bytes(b"no database at all" * 100)
    check_store(store, repair=True)
    put_back(store, older)
    assert not ingest([sound_store.parent / "later"], store).problems
    assert check_store(store).sound


def test_a_kill_between_the_two_writings_of_the_note(
    sound_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = copied(sound_store, tmp_path)
    older = kept(store, REMEMBERED_NAME)
    with monkeypatch.context() as killed:
        killed.setattr("fleetbrake.store.remembered.keep_note", lambda *_: None)
        enter(store, "planner", "van-1", _FIXED)
    with writer_lock(store, "test"):  # the next run writes it
        pass
    number = remembered(store).entries
    put_back(store, older)
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

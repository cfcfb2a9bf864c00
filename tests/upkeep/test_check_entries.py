"""What people entered, put back from an older copy or changed by a hand: nothing is entered, published or dropped over
it in silence, and what is in no copy is given up by a person alone."""

import shutil
import sqlite3
from contextlib import closing
from datetime import date
from pathlib import Path

import pytest
from check_made import copied

from fleetbrake.core.errors import StoreError
from fleetbrake.pipeline import ingest, score
from fleetbrake.recordings.register_rows import Inspection
from fleetbrake.store.database import reading
from fleetbrake.store.entered import entries
from fleetbrake.store.entered_lost import unsealed_entries_lost
from fleetbrake.store.findings import enter_finding
from fleetbrake.upkeep.check import check_store


def _found_on(store: Path, day: int) -> None:
    found = Inspection(
        inspection_id="", vehicle_id="van-1", inspected_on=date(2026, 3, day), finding="none", severity=0, wheel=None
    )
    enter_finding(store, "inspector", [found])


def _published(store: Path) -> list[date]:
    with reading(store) as con:
        return [row[0] for row in con.execute("SELECT inspected_on FROM inspections ORDER BY 1").fetchall()]


def _by_hand(store: Path, *statements: str) -> None:
    """Change the file behind the program's back."""
    with closing(sqlite3.connect(store / "entered.sqlite")) as con, con:
        triggers = con.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            con.execute(f"DROP TRIGGER {name}")
        for statement in (*statements, *(sql for _, sql in triggers)):
            con.execute(statement)


def test_an_older_copy_does_not_catch_up_in_number(sound_store: Path, tmp_path: Path) -> None:
    """Enough entered into the older copy would make it look like the newest."""
    store, older = copied(sound_store, tmp_path), tmp_path / "older.sqlite"
    shutil.copy(store / "entered.sqlite", older)
    _found_on(store, 20)
    score(store)
    newest = (store / "entered.sqlite").read_bytes()
    shutil.copy(older, store / "entered.sqlite")
    before = entries(store)
    with pytest.raises(StoreError, match=r"up to number 2 were kept, and 1 is the last .* Nothing was entered"):
        _found_on(store, 21)
    assert entries(store) == before
    (store / "entered.sqlite").write_bytes(newest)
    _found_on(store, 21)
    ingest([sound_store.parent / "first"], store)
    assert _published(store) == [date(2025, 2, 1), *(date(2026, 3, day) for day in (20, 21, 23))]


def test_an_older_copy_is_given_up_and_entered_into(sound_store: Path, tmp_path: Path) -> None:
    store, older = copied(sound_store, tmp_path), tmp_path / "older.sqlite"
    shutil.copy(store / "entered.sqlite", older)
    _found_on(store, 20)
    score(store)
    shutil.copy(older, store / "entered.sqlite")
    told = check_store(store, lost_for_good="entries").mended
    assert len(told) == 1 and "run `fleetbrake ingest` next" in told[0], told
    _found_on(store, 21)
    ingest([sound_store.parent / "first"], store)
    assert _published(store) == [date(2025, 2, 1), date(2026, 3, 21), date(2026, 3, 23)]
    assert check_store(store).sound


#: What a hand does to the finding of a day.
_DAMAGES = {
    11: "DELETE FROM entered WHERE body LIKE '%2026-03-11%'",
    12: "UPDATE entered SET body = '{}' WHERE body LIKE '%2026-03-12%'",
    13: "UPDATE entered SET kind = 'findinx' WHERE body LIKE '%2026-03-13%'",
    14: "UPDATE entered SET made_by = '' WHERE body LIKE '%2026-03-14%'",
    15: "UPDATE entered SET body = replace(body, '2026-03-15', '2026-03-16') WHERE body LIKE '%2026-03-15%'",
}


def test_entries_that_a_hand_took_or_changed(sound_store: Path, tmp_path: Path) -> None:
    """No run drops their published rows; given up, one that can be read counts as it stands, and the rest stays."""
    store = copied(sound_store, tmp_path)
    for day in _DAMAGES:
        _found_on(store, day)
    score(store)
    before, whole = _published(store), (store / "entered.sqlite").read_bytes()
    for damage in _DAMAGES.values():
        _by_hand(store, damage)
        assert "1 entries of people" in str(unsealed_entries_lost(store)), damage
        (store / "entered.sqlite").write_bytes(whole)
    _by_hand(store, *_DAMAGES.values())
    for run in (lambda: score(store), lambda: ingest([sound_store.parent / "first"], store)):
        with pytest.raises(StoreError, match=r"5 entries of people .*--lost-for-good entries"):
            run()
    assert _published(store) == before
    check_store(store, lost_for_good="entries")
    ingest([sound_store.parent / "first"], store)
    assert _published(store) == [date(2025, 2, 1), date(2026, 3, 16), date(2026, 3, 23)]
    assert check_store(store).sound
    with closing(sqlite3.connect(next((store / "set-aside").rglob("entered.sqlite")))) as con:
        assert con.execute("SELECT count(*) FROM entered WHERE body = '{}'").fetchall() == [(1,)]
    _found_on(store, 19)


def test_an_entry_of_a_newer_version_is_not_given_up(sound_store: Path, tmp_path: Path) -> None:
    """It can be read by an update."""
    store = copied(sound_store, tmp_path)
    _by_hand(
        store,
        "INSERT INTO entered (made_at, made_by, kind, vehicle_id, body) "
        "SELECT made_at, made_by, 'of a later version', vehicle_id, body FROM entered WHERE entry_id = 1",
        "DELETE FROM entered WHERE entry_id = 1",
    )
    with pytest.raises(StoreError, match="update fleetbrake"):
        check_store(store, lost_for_good="entries")
    with closing(sqlite3.connect(store / "entered.sqlite")) as con:
        kinds = {row[0] for row in con.execute("SELECT kind FROM entered").fetchall()}
    assert "of a later version" in kinds

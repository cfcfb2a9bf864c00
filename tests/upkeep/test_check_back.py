"""Who was forgotten does not come back with an older copy that is put back, and a list that is given up is given up."""

import shutil
from datetime import date
from pathlib import Path

import pytest
from check_made import FORGOTTEN, copied
from everywhere import places_of
from upkeep_made import drive_file

from fleetbrake.core.errors import StoreError
from fleetbrake.pipeline import ingest, score
from fleetbrake.recordings.register_rows import Inspection
from fleetbrake.store.ageing.retention import RetentionPolicy
from fleetbrake.store.database import reading
from fleetbrake.store.findings import enter_finding
from fleetbrake.store.forgetting.tombstones import TOMBSTONES_NAME, read_tombstones
from fleetbrake.upkeep import forget_driver, retain
from fleetbrake.upkeep.check import Checked, check_store


def _told(found: Checked, name: str = "forgotten") -> list[str]:
    return [told for one in found.outcomes if one.name == name for told in one.wrong.all()]


def _rows(store: Path) -> list[tuple[object, ...]]:
    with reading(store) as con:
        return con.execute("SELECT event_id, driver_id, vehicle_id, started_at FROM events ORDER BY 1").fetchall()


def _older_lake(of: Path, store: Path) -> None:
    shutil.rmtree(store / "lake")
    shutil.copytree(of / "lake", store / "lake")


def test_an_older_lake_brings_nobody_back(sound_store: Path, tmp_path: Path) -> None:
    """The next ingest neither publishes the name nor keeps it in the lake."""
    store = copied(sound_store, tmp_path)
    forget_driver(store, FORGOTTEN)
    before = _rows(store)
    _older_lake(sound_store, store)
    ingest([sound_store.parent / "later"], store)
    assert _rows(store) == before
    assert places_of(store, FORGOTTEN) == []
    assert check_store(store).sound


def test_check_tells_of_an_older_lake_and_mends_it(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    forget_driver(store, FORGOTTEN)
    _older_lake(sound_store, store)
    done = check_store(store, repair=True)
    assert _told(done) == ["1 events of the lake name drivers who were forgotten: they are of an older copy."]
    assert done.after is not None and done.after.sound
    assert places_of(store, FORGOTTEN) == []


def test_what_a_hold_keeps_in_the_lake_is_not_told(full_store: Path, tmp_path: Path) -> None:
    """A sound store with a held event of a forgotten driver stays sound."""
    store = copied(full_store, tmp_path)
    forget_driver(store, "D-two")
    found = check_store(store)
    assert found.sound, _told(found)


def test_older_entries_bring_nobody_back(sound_store: Path, tmp_path: Path) -> None:
    """The same number of entries, so that nothing else misses them; a note of one names the driver."""
    store = copied(sound_store, tmp_path)
    named = Inspection(
        inspection_id="",
        vehicle_id="van-1",
        inspected_on=date(2026, 3, 20),
        finding="none",
        severity=0,
        wheel=None,
        note=f"by driver {FORGOTTEN}",
    )
    enter_finding(store, "inspector", [named])
    older = (store / "entered.sqlite").read_bytes()
    forget_driver(store, FORGOTTEN)
    (store / "entered.sqlite").write_bytes(older)
    ingest([sound_store.parent / "first"], store)
    assert places_of(store / "fleet.duckdb", FORGOTTEN) == []
    with reading(store) as con:
        notes = con.execute("SELECT note FROM inspections WHERE note IS NOT NULL").fetchall()
    assert len(notes) == 1 and notes[0][0].startswith("by driver forgotten"), notes
    done = check_store(store, repair=True)
    assert _told(done) == ["1 entries of people name drivers who were forgotten: they are of an older copy."]
    assert done.after is not None and done.after.sound
    assert places_of(store, FORGOTTEN) == []


@pytest.mark.parametrize("given_up", [True, False])
def test_an_older_register_brings_nobody_back(sound_store: Path, tmp_path: Path, given_up: bool) -> None:
    """Given up, or read again into the older copy."""
    store = copied(sound_store, tmp_path)
    forget_driver(store, FORGOTTEN)
    shutil.copy(sound_store / "registers" / "drivers.parquet", store / "registers" / "drivers.parquet")
    beside = sound_store.parent
    with pytest.raises(StoreError, match="Register drivers is an older copy"):
        ingest([beside / "first"], store)
    if given_up:
        check_store(store, lost_for_good="registers")
    ingest([beside / "first"], store, registers=None if given_up else beside / "registers")
    assert places_of(store, FORGOTTEN) == []
    assert check_store(store).sound


def test_a_list_that_was_given_up_is_no_fault_any_more(full_store: Path, sound_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    (store / TOMBSTONES_NAME).unlink()
    (store / "forgotten.key").unlink()
    assert "1 drivers were forgotten here" in _told(check_store(store))[0]
    found = check_store(store, lost_for_good="forgotten")
    assert found.sound, _told(found)
    notes = [told for one in found.outcomes if one.name == "forgotten" for told in one.notes.all()]
    assert len(notes) == 1 and "the list of the forgotten is gone, as a person said" in notes[0], notes
    ingest([sound_store.parent / "later"], store)
    assert check_store(store).sound
    forget_driver(store, FORGOTTEN)
    found = check_store(store)
    assert found.sound and not [told for one in found.outcomes if one.name == "forgotten" for told in one.notes.all()]


def test_nobody_is_put_on_the_list_under_an_older_log(sound_store: Path, tmp_path: Path) -> None:
    """What is refused changes nothing: a name on the list that still stands on the pages would be read as done."""
    store = copied(sound_store, tmp_path)
    older = (store / "lake" / "log.parquet").read_bytes()
    drive_file(tmp_path / "more", "van-1", "D-one", "2026-03-25", 48.6)
    ingest([tmp_path / "more"], store)
    (store / "lake" / "log.parquet").write_bytes(older)
    with pytest.raises(StoreError, match="check --repair`; nothing was changed"):
        forget_driver(store, FORGOTTEN)
    assert read_tombstones(store).stones == ()
    check_store(store, repair=True)
    shutil.rmtree(store / "set-aside")
    assert forget_driver(store, FORGOTTEN).complete
    score(store)
    assert places_of(store, FORGOTTEN) == []


def test_an_older_lake_is_aged_again(sound_store: Path, tmp_path: Path) -> None:
    """Its rows were read before the rules were applied, and would pass for looked at."""
    store, rules, day = (
        copied(sound_store, tmp_path),
        RetentionPolicy(positions_and_drivers_months=13),
        date(2026, 4, 1),
    )
    first = retain(store, rules, today=day).emptied["events"]
    assert retain(store, today=day).emptied == {} and first > 0
    _older_lake(sound_store, store)
    notes = [told for one in check_store(store).outcomes if one.name == "retention" for told in one.notes.all()]
    assert len(notes) == 1 and "until the next `fleetbrake retain`" in notes[0], notes
    assert retain(store, today=day).emptied == {"events": first}
    assert retain(store, today=day).emptied == {}
    assert check_store(store).sound

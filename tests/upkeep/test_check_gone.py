"""Parts of a store that are gone whole: no run takes them for what never was, and a copy put back is all it takes.

Each loss is made on a store as found on disk; what follows is what a person, or a night, does next.
"""

import json
import shutil
import sqlite3
from collections.abc import Iterable
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
import pytest
from check_damages import CHANGED
from check_made import FORGOTTEN, copied
from check_told import wrong_of
from everywhere import places_of
from faults.older_stores import NAMES, unpacked
from typer.testing import CliRunner
from upkeep_made import write_registers

from fleetbrake.cli import app
from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.pipeline import ingest, plan, score
from fleetbrake.recordings.register_rows import Inspection
from fleetbrake.store.ageing.retention import RetentionPolicy
from fleetbrake.store.database import reading, rebuilding
from fleetbrake.store.entered import enter
from fleetbrake.store.entered_rows import DateFixed
from fleetbrake.store.findings import enter_finding
from fleetbrake.store.format import STORE_FORMAT
from fleetbrake.store.format_mark import FORMAT_NAME
from fleetbrake.store.holding.held_files import checked_copies
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.log import read_log
from fleetbrake.store.registers import read_register
from fleetbrake.store.remembered import REMEMBERED_NAME, remembered
from fleetbrake.upkeep import forget_driver, retain
from fleetbrake.upkeep.check import check_store
from fleetbrake.upkeep.check import kept as kept_checks
from fleetbrake.upkeep.check.forgotten import check_forgotten
from fleetbrake.upkeep.check.given_up import give_up_part
from fleetbrake.upkeep.check.outcome import Damage, Outcome
from tests.cluster.same_rows import tables

_SEEN = Inspection(
    inspection_id="", vehicle_id="van-2", inspected_on=date(2026, 3, 23), finding="none", severity=0, wheel=None
)


def _gone(store: Path, names: Iterable[str]) -> dict[str, bytes]:
    """Take files away; what they held."""
    content = {name: (store / name).read_bytes() for name in names}
    for name in content:
        (store / name).unlink()
    return content


def _back(store: Path, content: dict[str, bytes]) -> None:
    for name, told in content.items():
        (store / name).write_bytes(told)
        (store / name).chmod(0o600)


def _refused(store: Path, *words: str) -> str:
    """What a command that may not go on says; what is published stays."""
    before = (store / "fleet.duckdb").read_bytes()
    ran = CliRunner().invoke(app, [*words, "--store", str(store)])
    assert ran.exit_code == 2, ran.output
    assert (store / "fleet.duckdb").read_bytes() == before
    return " ".join(ran.stderr.split())


def test_who_was_forgotten_is_lost_with_its_key(full_store: Path, sound_store: Path, tmp_path: Path) -> None:
    """His recordings are read again, as a night would: nobody is shown, and a copy puts all right."""
    store = copied(full_store, tmp_path)
    content = _gone(store, ("forgotten.json", "forgotten.key"))
    again = tmp_path / "again"
    shutil.copytree(sound_store.parent / "first", again)
    for words in (("ingest", str(again)), ("score",), ("plan",), ("check", "--lost-for-good", "aliases")):
        said = _refused(store, *words)
        assert "forgotten" in said or words[0] == "check", said
    assert places_of(store / "lake", FORGOTTEN) == []
    _back(store, content)
    assert "forgotten" not in " ".join(wrong_of(store))
    ingest([again], store)
    assert places_of(store / "lake", FORGOTTEN) == []
    _gone(store, content)
    assert "forget them again" in give_up_part(store, "forgotten")
    out = Outcome("forgotten")
    check_forgotten(store, read_log(store), out, Damage())
    assert "a driver was forgotten, and the list of the forgotten is gone" in out.notes.all()[0] and not out.wrong.count
    forget_driver(store, FORGOTTEN)
    assert remembered(store).forgotten == 1 and not wrong_of(store, "forgotten")


def test_a_store_of_before_the_note_tells_by_its_rows(tmp_path: Path) -> None:
    store = unpacked("kept", tmp_path)
    _gone(store, ("forgotten.json", "forgotten.key"))
    assert any("the list of the forgotten is gone" in said for said in wrong_of(store, "forgotten"))
    check_store(store, lost_for_good="forgotten")
    assert not wrong_of(store, "forgotten")


@pytest.mark.parametrize("name", NAMES)
def test_older_stores_are_whole(name: str, tmp_path: Path) -> None:
    found = check_store(unpacked(name, tmp_path))
    assert found.sound, [one.wrong.all() for one in found.outcomes]


def test_rules_of_retention_and_what_they_dropped(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    content = _gone(store, ("retention.json", "dropped.parquet"))
    told = wrong_of(store, "retention")
    assert len(told) == 2 and "rules of retention" in told[0] and "1 rows of registers were dropped" in told[1]
    registers = str(write_registers(tmp_path / "registers"))
    assert "rules of retention" in _refused(store, "ingest", "--registers", registers)
    retain(store, RetentionPolicy(positions_and_drivers_months=1200), publish=False)
    assert "dropped.parquet" in _refused(store, "ingest", "--registers", registers)
    _back(store, {"dropped.parquet": content["dropped.parquet"]})
    ingest([], store, registers=Path(registers))
    _gone(store, ("dropped.parquet",))
    give_up_part(store, "dropped")
    assert not wrong_of(store, "retention")
    with pytest.raises(InputError, match="Nothing is lost"):
        give_up_part(store, "dropped")


def test_copies_for_a_hold(full_store: Path, tmp_path: Path) -> None:
    """Copied again from what is left: the recordings, and copies of which only the list is gone."""
    store = copied(full_store, tmp_path)
    before = checked_copies(store, "hold-1").files
    shutil.rmtree(store / "held")
    done = check_store(store, repair=True)
    assert done.after is not None and done.after.sound and not done.sound
    assert [one.sha256 for one in checked_copies(store, "hold-1").files] == [one.sha256 for one in before]
    (store / "held" / "hold-1" / "manifest.json").unlink()
    recording = Path(before[0].path)
    kept = recording.rename(tmp_path / "elsewhere.parquet")
    try:
        ingest([], store, registers=write_registers(tmp_path / "registers"))
    finally:
        kept.rename(recording)
    assert [(one.state, one.sha256) for one in checked_copies(store, "hold-1").files] == [
        ("copied", one.sha256) for one in before
    ]
    shutil.rmtree(store / "held")
    (store / "holds.json").unlink()
    assert "lack 1 that were placed" in _refused(store, "ingest", str(recording))


def test_log_and_rows_are_lost_together(sound_store: Path, tmp_path: Path) -> None:
    store, beside = copied(sound_store, tmp_path), sound_store.parent
    right = tables(store)
    shutil.rmtree(store / "lake")
    for nowhere in (9, 0):  # a second repair gives no more up than the first
        done = check_store(store, repair=True)
        told = [said for one in done.outcomes if one.name == "pieces" for said in one.wrong.all()]
        assert sum(said.endswith("are nowhere.") for said in told) == nowhere
        assert done.after is not None and not done.after.sound and tables(store) == right
        assert any("read the recordings again" in said for said in done.not_mended), done.not_mended
    with pytest.raises(StoreError, match="8 recordings are published"):  # read, and not published before the others
        ingest([beside / "mapped"], store, mapping=str(beside / "mapping.toml"))
    assert tables(store) == right
    ingest([beside / "first", beside / "later"], store)
    assert tables(store)["events"] == right["events"] and check_store(store).sound


def test_the_lake_is_lost_and_a_night_comes_first(sound_store: Path, tmp_path: Path) -> None:
    """Recordings of one day are named: what the others gave stays published until they are read again."""
    store = copied(sound_store, tmp_path)
    shutil.rmtree(store / "lake")
    one = next((sound_store.parent / "later").glob("*.parquet"))
    assert "The feature rows of 8 recording files are missing" in _refused(store, "ingest", str(one))


def test_a_register_that_is_lost(sound_store: Path, tmp_path: Path) -> None:
    store, beside = copied(sound_store, tmp_path), sound_store.parent
    right = tables(store)["events"]
    _gone(store, ("registers/trips.parquet",))
    drop = str(next((beside / "later").glob("*.parquet")))
    assert "Register trips is gone" in _refused(store, "ingest", drop)
    part = write_registers(tmp_path / "part")
    lines = (part / "trips.csv").read_text().splitlines()
    (part / "trips.csv").write_text("\n".join(lines[:3]) + "\n")
    said = _refused(store, "ingest", "--registers", str(part))
    assert f"lacks {len(lines) - 3} of its rows" in said
    ingest([], store, registers=beside / "registers")
    assert tables(store)["events"] == right and not wrong_of(store)
    content = _gone(store, ("registers/inspections.parquet",))  # what people enter stands in that table too
    assert "Register inspections is gone" in _refused(store, "ingest", drop)
    _back(store, content)
    _gone(store, ("registers/trips.parquet",))
    with rebuilding(store) as con:  # a store of before the note: the published rows tell
        con.execute("DELETE FROM settings WHERE name = 'remembered'")
    _gone(store, (REMEMBERED_NAME,))
    with duckdb.connect(str(store / "fleet.duckdb")) as con:
        con.execute("DELETE FROM settings WHERE name = 'remembered'")
    assert "Register trips is gone" in _refused(store, "ingest", drop)
    give_up_part(store, "registers")
    ingest([drop], store)
    assert read_register(store, "trips").num_rows == 0


def test_entries_that_are_lost_or_others(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    content = _gone(store, ("entered.sqlite",))
    for words in (("score",), ("plan",)):
        assert "what people found would be dropped" in _refused(store, *words)
    with pytest.raises(StoreError, match=r"0 is the last that is there: .* Nothing was entered"):
        enter(store, "inspector", "van-1", DateFixed(on=None))
    (tmp_path / "other").mkdir()
    enter(tmp_path / "other", "inspector", "van-1", DateFixed(on=None))
    shutil.copy(tmp_path / "other" / "entered.sqlite", store)  # another file, with as many entries
    assert "those that are there are others" in _refused(store, "score")
    _back(store, content)
    enter_finding(store, "inspector", [_SEEN])
    score(store)
    newer = _gone(store, content)
    _back(store, content)  # an older copy of the same file
    assert "and 1 is the last that is there" in _refused(store, "score")
    _back(store, newer)
    score(store)
    _gone(store, content)
    give_up_part(store, "entries")
    plan(store)


def test_entries_without_a_seal_and_of_days_to_come(full_store: Path, tmp_path: Path) -> None:
    """An earlier version's entries pass, and so does what retention and forgetting change by rule."""
    store = copied(full_store, tmp_path)
    later = datetime.now(UTC) + timedelta(days=400)
    enter(store, "inspector", "van-1", DateFixed(on=None), made_at=later)
    enter(store, "driver D-two", "van-2", DateFixed(on=None))  # no hold is on it
    with closing(sqlite3.connect(store / "entered.sqlite")) as con, con:
        con.execute("DELETE FROM entered_seals WHERE entry_id = 1")
    assert forget_driver(store, "D-two", alike_too=True).erased.changed["entries of people"] == 1
    out = Outcome("entries")
    kept_checks.check_entries(store, out)
    assert out.wrong.all() == []
    assert [said.split(" ", 1)[0] for said in out.notes.all()] == ["1", "1"], out.notes.all()
    with closing(sqlite3.connect(store / "entered.sqlite")) as con, con:
        con.execute("DROP TABLE entered_seals")
    out = Outcome("entries")
    kept_checks.check_entries(store, out)
    assert out.wrong.all() == [] and any("have no seal" in said for said in out.notes.all())


def test_a_damaged_entry_stays_told_after_others_were_changed_by_rule(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    enter(store, "driver D-two", "van-2", DateFixed(on=None))  # no hold is on it
    with closing(sqlite3.connect(store / "entered.sqlite")) as con, con:
        con.execute("DROP TRIGGER entered_never_changed")
        con.execute("UPDATE entered SET made_by = 'inspectos' WHERE entry_id = 1")
    enter(store, "inspector", "van-1", DateFixed(on=None))  # makes the trigger again
    assert forget_driver(store, "D-two", alike_too=True).erased.changed["entries of people"] == 1
    out = Outcome("entries")
    kept_checks.check_entries(store, out)
    assert len(out.wrong.all()) == 1 and out.wrong.all()[0].startswith("Entry 1: it is not what was entered")


def test_changed_scores_stay_told_until_somebody_takes_them(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    CHANGED[0].do(store)
    plan(store)  # seals all tables anew, and remembers which one was another
    (said,) = wrong_of(store)
    assert said.startswith("vehicle_health: its rows are not those")
    done = CliRunner().invoke(app, ["check", "--store", str(store), "--lost-for-good", "scores", "--json"])
    facts = json.loads(done.stdout.strip().splitlines()[-1])
    assert done.exit_code == 0 and facts["sound"] and facts["mended"][0].startswith("Given up:"), done.output


def test_the_note_itself(full_store: Path, tmp_path: Path) -> None:
    """The published file has a copy, the file of the format another; without all of them it is said."""
    store = copied(full_store, tmp_path)
    known = remembered(store)
    assert (known.forgotten, known.holds, known.rules, known.dropped) == (1, 1, True, 1)
    with rebuilding(store):
        pass
    for damaged in (None, b'{"kept": {"forgotten": 0}, "seal": ""}', b"\xff"):
        (store / REMEMBERED_NAME).unlink() if damaged is None else (store / REMEMBERED_NAME).write_bytes(damaged)
        with writer_lock(store, "test"):
            assert remembered(store) == known
    (store / REMEMBERED_NAME).write_bytes((store / REMEMBERED_NAME).read_bytes().replace(b'"holds": 1', b'"holds": 0'))
    with pytest.raises(StoreError, match="cannot be read"):
        remembered(store)
    with duckdb.connect(str(store / "fleet.duckdb")) as con:
        con.execute("DELETE FROM settings WHERE name = 'remembered'")
    mark = (store / FORMAT_NAME).read_bytes()
    (store / FORMAT_NAME).write_bytes(json.dumps({"format": STORE_FORMAT}).encode())
    out = Outcome("holds")
    kept_checks.check_holds(store, out, Damage())
    assert "the note of what the store holds, cannot be read" in out.wrong.all()[0]
    assert "the note of what the store holds" in _refused(store, "score")
    (store / FORMAT_NAME).write_bytes(mark)
    with writer_lock(store, "test"):
        assert remembered(store) == known


def test_nothing_is_given_up_that_is_there(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    for part in ("forgotten", "holds", "rules", "dropped", "aliases", "registers", "entries", "scores", "else"):
        with pytest.raises(InputError, match=r"Nothing is lost|There is no part"):
            give_up_part(store, part)
    with reading(store) as con:
        assert con.execute("SELECT count(*) FROM events").fetchall() != [(0,)]

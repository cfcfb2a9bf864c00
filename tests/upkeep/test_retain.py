"""What has outlived its period is gone from every file, and stays gone; what is counted, open or held stays."""

import json
import shutil
import sqlite3
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner
from upkeep_made import (
    DRIVES,
    TODAY,
    asked,
    bytes_hold,
    everything,
    make_store,
    read_again,
    totals,
    values_of,
    write_registers,
)

from fleetbrake.cli import app
from fleetbrake.pipeline import ingest
from fleetbrake.recordings.register_rows import Inspection, Repair
from fleetbrake.reports import reads
from fleetbrake.reports.raw_rows import raw_rows
from fleetbrake.reports.traces import event_traces
from fleetbrake.store.ageing.retention import RetentionPolicy, policy
from fleetbrake.store.database import rebuilding
from fleetbrake.store.entered import enter, entries
from fleetbrake.store.entered_rows import FindingEntered, WorkEntered
from fleetbrake.store.forgetting.at_rest import at_rest
from fleetbrake.store.format_mark import FORMAT_NAME
from fleetbrake.store.lake import Lake
from fleetbrake.store.log import read_log
from fleetbrake.store.remembered import REMEMBERED_NAME
from fleetbrake.upkeep import hold, release_hold, retain

#: Answered findings and their work, an open one, a cleared and an uncleared report; all older than any period below.
RECORDS: dict[str, list[dict[str, Any]]] = {
    "inspections": [
        {"inspection_id": "answered", "vehicle_id": "van-1", "inspected_on": "2023-01-10", "finding": "brake_drag",
         "severity": 2, "wheel": "1L"},
        {"inspection_id": "newest", "vehicle_id": "van-1", "inspected_on": "2024-01-10", "finding": "none",
         "severity": 0, "wheel": ""},
        {"inspection_id": "open", "vehicle_id": "van-2", "inspected_on": "2023-01-10", "finding": "brake_drag",
         "severity": 3, "wheel": "1R"},
        {"inspection_id": "since", "vehicle_id": "van-2", "inspected_on": "2023-05-10", "finding": "other",
         "severity": 1, "wheel": ""},
    ],
    "repairs": [{"vehicle_id": "van-1", "repaired_on": "2023-01-12", "wheel": "1L", "work": "adjustment"}],
    "defect_reports": [
        {"vehicle_id": "van-1", "reported_at": "2023-01-09T08:00:00Z", "text": "pulls", "severity": 2,
         "cleared_at": "2023-01-12T08:00:00Z"},
        {"vehicle_id": "van-1", "reported_at": "2023-01-08T08:00:00Z", "text": "squeals", "severity": 1,
         "cleared_at": ""},
    ],
}  # fmt: skip
ALL_PERIODS = RetentionPolicy(inspections_months=14, repairs_months=14, defect_reports_months=14, brake_tests_months=14)


@dataclass(frozen=True)
class Before:
    """A store that rules were applied to, with what it was before and what was told."""

    store: Path
    totals: list[tuple[Any, ...]]
    told: dict[str, Any]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Recordings and the store of them, which is copied; of drivers there is one day scored before the cutoff."""
    folder = tmp_path_factory.mktemp("made")
    with rebuilding(make_store(folder, **RECORDS)) as con:
        con.execute("INSERT INTO driver_style (driver_id, as_of, rank) VALUES ('D-one', '2025-02-27', 1)")
        con.execute("INSERT INTO driver_style (driver_id, as_of, rank) VALUES ('D-one', '2025-02-28', 1)")
        con.execute("INSERT INTO driver_coaching (driver_id, as_of, position) VALUES ('D-one', '2025-02-27', 1)")
    return folder


@pytest.fixture
def store(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made / "store", tmp_path / "store")
    return tmp_path / "store"


@pytest.fixture(scope="module")
def retained(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Before:
    """All rules applied once; nobody changes it."""
    store = tmp_path_factory.mktemp("retained") / "store"
    shutil.copytree(made / "store", store)
    before = totals(store)
    assert bytes_hold(store, DRIVES[0][3]) and _drivers(store) == ["D-one", "D-two", "D-one", "D-two"]
    return Before(store, before, retain(store, ALL_PERIODS, TODAY).facts())


@pytest.fixture
def bare(retained: Before, tmp_path: Path) -> Path:
    """A copy of that."""
    shutil.copytree(retained.store, tmp_path / "bare")
    return tmp_path / "bare"


def _drivers(store: Path) -> list[str | None]:
    return [row[0] for row in asked(store, "SELECT driver_id FROM events ORDER BY started_at")]


def test_old_drivers_and_positions_are_in_no_file_and_totals_stay(retained: Before) -> None:
    store = retained.store
    assert retained.told["emptied"] == {"events": 2, "trips": 2} and retained.told["refused"] is None
    assert _drivers(store) == [None, None, "D-one", "D-two"]
    assert totals(store) == retained.totals
    assert sum(row[2] for row in retained.totals) == 4 and sum(row[3] for row in retained.totals) == 400.0
    values = values_of(store)
    for _, _, day, latitude in DRIVES:
        old = day < "2025-02-28"
        assert (latitude in values) is not old, day
        assert bool(bytes_hold(store, latitude)) is not old, f"{day}: also in blocks that no table uses any more"
    assert asked(store, "SELECT count(*) FROM trips WHERE driver_id IS NULL") == [(2,)]


def test_pages_do_not_read_it_from_the_recording_again(retained: Before) -> None:
    old, young = (f"van-1-{day}" for day in ("2025-01-10", "2025-02-28"))
    for event_id, told in ((old, False), (young, True)):
        row = reads.event(retained.store, event_id)
        assert row is not None
        rows = raw_rows(retained.store, row, drivers=True, places=True)
        assert {"driver_id", "latitude_deg"} <= set(rows) if told else not {"driver_id", "latitude_deg"} & set(rows)
        traces = event_traces(retained.store, event_id)
        assert traces is not None and len(traces.vehicle) > 0 and bool(len(traces.place)) is told


def test_days_scored_before_the_cutoff_keep_no_drivers(retained: Before) -> None:
    assert asked(retained.store, "SELECT as_of FROM driver_style") == [(date(2025, 2, 28),)]
    assert asked(retained.store, "SELECT count(*) FROM driver_coaching") == [(0,)]
    assert {name: retained.told["dropped"][name] for name in ("driver_style", "driver_coaching")} == {
        "driver_style": 1,
        "driver_coaching": 1,
    }


def test_answered_records_go_and_open_ones_stay(retained: Before) -> None:
    store, told = retained.store, retained.told
    assert asked(store, "SELECT inspection_id FROM inspections ORDER BY ALL") == [("newest",), ("open",), ("since",)]
    assert asked(store, "SELECT count(*) FROM repairs") == [(0,)]
    assert asked(store, "SELECT text FROM defect_reports") == [("squeals",)]
    assert {name: told["dropped"][name] for name in RECORDS} == {"inspections": 1, "repairs": 1, "defect_reports": 1}
    assert told["needed"] == {"inspections": 3, "defect_reports": 1}
    assert not any("pulls" in str(value) for value in values_of(store))


def test_a_second_time_changes_no_byte_but_its_own_note(bare: Path) -> None:
    before = everything(bare)
    again = retain(bare, today=TODAY)
    after = everything(bare)
    assert not again.changed
    assert {name for name in after if after[name] != before.get(name)} <= {
        "retention.json",
        REMEMBERED_NAME,
        FORMAT_NAME,
    }


def test_a_dry_run_tells_the_same_and_changes_no_byte(retained: Before, store: Path) -> None:
    before = everything(store)
    told = retain(store, ALL_PERIODS, TODAY, dry_run=True)
    assert everything(store) == before and policy(store) is None
    assert told.facts() | {"dry_run": False, "applied_on": "2026-03-31"} == retained.told and told.changed


def test_old_files_read_again_stay_bare(made: Path, bare: Path) -> None:
    drivers, records = _drivers(bare), _records(bare)
    read_again(made, bare)
    assert _drivers(bare) == drivers and _records(bare) == records
    assert DRIVES[0][3] not in values_of(bare)


def _records(store: Path) -> dict[str, list[tuple[Any, ...]]]:
    return {name: asked(store, f"SELECT * FROM {name} ORDER BY ALL") for name in RECORDS}


def test_one_register_read_again_without_the_others_opens_nothing(bare: Path) -> None:
    """The finding's repair is gone: were the finding read again alone, it would stop a sound vehicle."""
    before = _records(bare)
    ingest([], bare, registers=write_registers(bare.parent / "alone", inspections=RECORDS["inspections"]))
    assert _records(bare) == before


def test_entered_records_go_without_a_trace_and_entering_goes_on(store: Path) -> None:
    when = date(2023, 3, 1)
    found = Inspection(inspection_id="typed", vehicle_id="van-1", inspected_on=when, finding="other", severity=2,
                       note="seen by A. Mechanic")  # fmt: skip
    work = Repair(vehicle_id="van-1", repaired_on=when, work="other", note="put right by A. Mechanic")
    enter(store, "A. Mechanic", "van-1", FindingEntered(row=found), WorkEntered(row=work))
    young = work.model_copy(update={"repaired_on": date(2026, 3, 1), "note": "lately"})
    enter(store, "A. Mechanic", "van-1", WorkEntered(row=young))
    retain(store, ALL_PERIODS, TODAY)
    assert [entry.body for entry in entries(store, ("finding", "work"))] == [WorkEntered(row=young)]
    assert not any(b"seen by" in content or b"put right" in content for content in everything(store).values())
    enter(store, "A. Mechanic", "van-1", WorkEntered(row=work))
    with sqlite3.connect(store / "entered.sqlite") as con, pytest.raises(sqlite3.IntegrityError, match="never removed"):
        con.execute("DELETE FROM entered")


def test_held_rows_stay_whole_and_are_counted_until_the_release(made: Path, store: Path) -> None:
    kept = hold(store, vehicle_id="van-1", reason="collision", by="A. Clerk").hold
    done = retain(store, ALL_PERIODS, TODAY)
    assert done.held == {kept.hold_id: {"events": 1, "trips": 1, "inspections": 2, "repairs": 1, "defect_reports": 2}}
    assert done.emptied == {"events": 1, "trips": 1}
    assert _drivers(store) == ["D-one", None, "D-one", "D-two"]
    assert DRIVES[0][3] in values_of(store) and DRIVES[1][3] not in values_of(store)
    assert asked(store, "SELECT count(*) FROM repairs") == [(1,)]
    read_again(made, store)
    assert _drivers(store) == ["D-one", None, "D-one", "D-two"], "read again, held rows come as they are"
    ended = release_hold(store, kept.hold_id, by="B. Clerk", reason="settled", today=TODAY)
    assert ended.retained is not None and ended.retained.emptied == {"events": 1, "trips": 1}
    assert _drivers(store) == [None, None, "D-one", "D-two"]
    assert not bytes_hold(store, DRIVES[0][3])


def test_a_run_killed_between_pieces_is_completed_by_the_next(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before, real, calls = totals(store), Lake.rewrite_events, list[str]()

    def dies(lake: Lake, key: str, events: Any) -> None:
        if calls:
            raise KeyboardInterrupt
        calls.append(key)
        real(lake, key, events)

    with monkeypatch.context() as broken, pytest.raises(KeyboardInterrupt):
        broken.setattr(Lake, "rewrite_events", dies)
        retain(store, RetentionPolicy(), TODAY)
    assert sum(driver is None for driver in _drivers(store)) == 0, "what is published is still the whole of before"
    retain(store, today=TODAY)
    assert _drivers(store) == [None, None, "D-one", "D-two"]
    assert totals(store) == before and not bytes_hold(store, DRIVES[0][3])


def test_reading_publishes_for_retention_too(made: Path, store: Path) -> None:
    """A night drops first and reads then: the whole lake is published once, and in a new file all the same."""
    told = retain(store, RetentionPolicy(), TODAY, publish=False)
    assert told.emptied == {"events": 2, "trips": 2} and _drivers(store)[0] == "D-one"
    ingest([made / "recordings"], store)
    assert _drivers(store) == [None, None, "D-one", "D-two"] and not bytes_hold(store, DRIVES[0][3])
    assert asked(store, "SELECT as_of FROM driver_style") == [(date(2025, 2, 28),)]
    before = everything(store)["fleet.duckdb"]
    later = retain(store, today=TODAY)
    assert everything(store)["fleet.duckdb"] == before, "nothing is left to publish"
    later.add(told)
    assert later.emptied == told.emptied


@pytest.mark.long  # the note it rests on is held by the test before as well
def test_a_run_killed_before_publishing_is_completed_by_the_next(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By then nothing in the lake is old any more: the note that publishing is due has to tell."""
    with monkeypatch.context() as broken, pytest.raises(KeyboardInterrupt):
        broken.setattr("fleetbrake.store.ageing.publish_dropped.publish_recordings", _dies)
        retain(store, RetentionPolicy(), TODAY)
    assert _drivers(store)[0] == "D-one"
    retain(store, today=TODAY)
    assert _drivers(store) == [None, None, "D-one", "D-two"] and not bytes_hold(store, DRIVES[0][3])


def _dies(*_: Any) -> None:
    raise KeyboardInterrupt


def test_a_clock_years_ahead_drops_nothing(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = everything(store)

    class Ahead(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> datetime:
            return datetime(2062, 1, 1, tzinfo=UTC)

    monkeypatch.setattr("fleetbrake.store.ageing.retention_clock.datetime", Ahead)
    done = retain(store, RetentionPolicy())
    assert done.refused is not None and "2062-01-01" in done.refused
    changed = {name for name, content in everything(store).items() if before.get(name) != content}
    assert changed == {"retention.json", REMEMBERED_NAME, FORMAT_NAME}
    assert at_rest(store).rules is None, "nor does what is read in"


def test_the_command_says_what_went_and_what_a_hold_keeps(store: Path) -> None:
    run = CliRunner()
    held = run.invoke(
        app, ["hold", "--store", str(store), "--driver", "D-one", "--reason", "collision", "--by", "A. Clerk"]
    )
    assert held.exit_code == 0, held.output
    told = run.invoke(
        app, ["retain", "--store", store, "--months", "13", "--repairs-months", "6", "--today", "2026-03-31", "--json"]
    )
    assert told.exit_code == 0, told.output
    facts = json.loads(told.stdout.splitlines()[-1])
    assert facts["emptied"] == {"events": 1, "trips": 1} and facts["held"]["hold-1"]["events"] == 1
    assert any("49 CFR 396.3" in sentence for sentence in facts["sentences"])
    assert "hold-1 keeps older rows: " in told.stdout
    assert policy(store) == RetentionPolicy(repairs_months=6)
    refused = run.invoke(app, ["retain", "--store", str(store), "--months", "0"])
    assert refused.exit_code == 2


def test_without_rules_everything_is_kept(store: Path) -> None:
    before = everything(store)
    done = retain(store)
    assert not done.changed and "No rules" in done.sentences[0]
    short = retain(store, RetentionPolicy(positions_and_drivers_months=6), TODAY, dry_run=True)
    assert "look back 12 months" in short.sentences[-1]
    assert everything(store) == before
    assert len(read_log(store)) == len(DRIVES)

"""Findings back into the scores: what is entered counts like the register's own rows, from the next run on."""

import shutil
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest
from product_run import Stop, recording

from fleetbrake import pipeline
from fleetbrake.core.errors import InputError
from fleetbrake.planning.flags import flags
from fleetbrake.planning.wishes import decide, defer, fix_date, meet_date, wishes
from fleetbrake.recordings.register_rows import Inspection, Repair
from fleetbrake.reports import reads
from fleetbrake.store.database import reading
from fleetbrake.store.entered import stamp
from fleetbrake.store.entered_rows import ReportAnswered
from fleetbrake.store.findings import Taken, enter_finding, import_findings

STOP = Stop(from_mps=15.0, decel_mps2=5.0)
#: Day of the recordings of ``product_run``.
DAY = date(2026, 1, 5)
ROWS = pd.DataFrame(
    {
        "inspection_id": ["i1", "i2", "i3", "i4"],
        "vehicle_id": ["V1", "V1", "V2", "V3"],
        "inspected_on": ["2026-01-05", "2026-01-04", "2026-01-05", "2026-01-03"],
        "wheel": ["1L", None, "2R", None],
        "finding": ["brake_drag", "none", "other", "none"],
        "severity": [2, 0, 3, 0],
        "note": ["drags", None, "hose = open; \"wet\"", None],
    }
)  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of recordings and registers of three vehicles, and a store that has them, not scored yet."""
    folder = tmp_path_factory.mktemp("findings")
    (folder / "recordings").mkdir()
    (folder / "registers").mkdir()
    for name in ("V1", "V2", "V3"):
        recording(STOP, name, vehicle_id=name).to_pandas().to_parquet(folder / "recordings" / f"{name}.parquet")
    register = {"vehicle_id": ["V1", "V2", "V3"], "axles": 2, "depot": "North", "category": "N3"}
    pd.DataFrame(register).to_csv(folder / "registers" / "vehicles.csv", index=False)
    pipeline.ingest([folder / "recordings"], folder / "store", registers=folder / "registers")
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "run"))


@pytest.fixture(scope="module")
def made_scored(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store with nothing entered, scored once for all who begin there."""
    store = Path(shutil.copytree(made / "store", tmp_path_factory.mktemp("scored") / "store"))
    pipeline.score(store)
    return store


@pytest.fixture
def scored(made_scored: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made_scored, tmp_path / "scored"))


@pytest.fixture(scope="module")
def made_found(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store with the findings of ``ROWS`` from the register, scored once for all who begin there."""
    folder = Path(shutil.copytree(made, tmp_path_factory.mktemp("found") / "run"))
    ROWS.to_csv(folder / "registers" / "inspections.csv", index=False)
    pipeline.ingest([folder / "recordings"], folder / "store", registers=folder / "registers")
    pipeline.score(folder / "store")
    return folder / "store"


@pytest.fixture
def found_scored(made_found: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made_found, tmp_path / "found"))


def asked(store: Path, sql: str) -> list[tuple[Any, ...]]:
    with reading(store) as con:
        return con.execute(sql).fetchall()


def tables(store: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Every table that a score fills, and the registers."""
    names = ("vehicle_health", "indicators", "inspection_evidence", "model_quality", "inspections", "repairs", "flags",
             "inspection_plan")  # fmt: skip
    return {name: asked(store, f"SELECT * FROM {name} ORDER BY ALL") for name in names}


def priorities(store: Path) -> dict[str, str]:
    return dict(asked(store, "SELECT vehicle_id, priority FROM vehicle_health"))


def test_a_file_of_findings_scores_like_the_same_register(
    made: Path, scored: Path, found_scored: Path, tmp_path: Path
) -> None:
    sheet = tmp_path / "sheet.csv"
    ROWS.to_csv(sheet, index=False)
    without = tables(scored)
    assert import_findings(scored, sheet, "workshop") == Taken(len(ROWS), 0, [])
    assert tables(scored) == without  # nothing moves before a run
    pipeline.score(scored)
    for store in (scored, found_scored):
        pipeline.plan(store)
    entered, registered = tables(scored), tables(found_scored)
    assert entered["vehicle_health"] != without["vehicle_health"]
    assert priorities(scored) == {"V1": "this_week", "V2": "before_next_trip", "V3": "too_little_evidence"}
    assert entered == registered
    # and neither scoring again nor reading the registers again takes it away
    pipeline.ingest([made / "recordings"], scored, registers=made / "registers")
    pipeline.score(scored)
    assert tables(scored) == registered


def test_findings_move_the_scores_and_what_answers_them_moves_them_back(folder: Path) -> None:
    """Work answers a finding (V1), the visit an open report (V2), a clean inspection what an earlier one found (V3)."""
    store = folder / "store"
    report = {"vehicle_id": ["V2"], "reported_at": ["2026-01-05T06:00:00Z"], "text": ["pulls, left"], "severity": [3]}
    pd.DataFrame(report).to_csv(folder / "registers" / "defect_reports.csv", index=False)
    pipeline.ingest([folder / "recordings"], store, registers=folder / "registers")
    drag = Inspection(inspection_id="", vehicle_id="V1", inspected_on=DAY, wheel="1L", finding="brake_drag", severity=2)
    earlier = Inspection(
        inspection_id="a", vehicle_id="V3", inspected_on=DAY - timedelta(days=1), wheel="1L", finding="brake_drag",
        severity=3,
    )  # fmt: skip
    enter_finding(store, "workshop", [drag])
    enter_finding(store, "workshop", [earlier])
    pipeline.score(store)
    assert priorities(store) == {"V1": "this_week", "V2": "before_next_trip", "V3": "before_next_trip"}
    (flag,) = flags(store, "V1")
    assert (flag.indicator, flag.state, flag.priority) == ("open_report", "open", "this_week")
    pipeline.score(store)
    assert [known.state for known in flags(store, "V1")] == ["open"]  # it stays, and there is still one
    enter_finding(store, "workshop", work=[Repair(vehicle_id="V1", repaired_on=DAY, wheel="1L", work="adjustment")])
    clean = Inspection(inspection_id="b", vehicle_id="V3", inspected_on=DAY, finding="none", severity=0)
    enter_finding(store, "workshop", [clean])
    at = datetime(2026, 1, 5, 6, tzinfo=UTC)
    answer = ReportAnswered(reported_at=at, text="pulls, left", cleared_at=at + timedelta(hours=9))
    enter_finding(store, "workshop", answered=answer, vehicle_id="V2")
    pipeline.ingest([folder / "recordings"], store, registers=folder / "registers")  # the register still has it open
    pipeline.score(store)
    # back to what the recordings say, never to a clean score
    assert set(priorities(store).values()) == {"too_little_evidence"}
    assert asked(store, "SELECT DISTINCT health_score FROM vehicle_health") == [(None,)]


def test_a_statutory_date_that_was_met_is_overdue_no_more(folder: Path) -> None:
    """And the register alone can be read again, without any recording."""
    store = folder / "store"
    register = {"vehicle_id": ["V1", "V2", "V3"], "axles": 2, "inspection_due_on": ["2026-01-02", None, None]}
    pd.DataFrame(register).to_csv(folder / "registers" / "vehicles.csv", index=False)
    yearly = {"vehicle_id": ["V1"], "kind": ["tachograph"], "due_on": ["2026-01-03"]}
    pd.DataFrame(yearly).to_csv(folder / "registers" / "due_dates.csv", index=False)
    summary = pipeline.ingest([], store, registers=folder / "registers")
    assert (summary.files, summary.registers, summary.problems) == (0, ["vehicles", "due_dates"], [])
    planned = "SELECT due_on, statutory FROM inspection_plan WHERE vehicle_id = 'V1'"
    listed = "SELECT inspection_due_on FROM vehicle_health WHERE vehicle_id = 'V1'"
    pipeline.score(store)
    pipeline.plan(store)
    assert asked(store, planned) == [(date(2026, 1, 2), "inspection + tachograph")]
    assert len(asked(store, "SELECT * FROM events")) == 3
    meet_date(store, "V1", "inspection", DAY, date(2027, 1, 5), "workshop")
    meet_date(store, "V1", "tachograph", DAY, date(2028, 1, 5), "workshop")
    pipeline.plan(store)
    assert asked(store, planned) == []
    pipeline.ingest([], store, registers=folder / "registers")  # the register still has the old ones
    pipeline.score(store)
    pipeline.plan(store)
    assert (asked(store, planned), asked(store, listed)) == ([], [(date(2027, 1, 5),)])
    row = reads.ranked(store).set_index("vehicle_id").loc["V1"]
    assert not reads.overdue(row.to_dict())


def test_something_must_be_named(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Nothing was named"):
        pipeline.ingest([], folder / "store")
    with pytest.raises(InputError, match="No register can be used"):
        pipeline.ingest([], folder / "store", registers=tmp_path)


def test_wishes_reach_the_plan(found_scored: Path) -> None:
    store = found_scored
    pipeline.plan(store)
    planned = "SELECT planned_on, fixed FROM inspection_plan WHERE vehicle_id = 'V1'"
    assert asked(store, planned)[0][0] == date(2026, 1, 6)
    fix_date(store, "V1", date(2026, 1, 14), "planner")
    pipeline.plan(store)
    assert asked(store, planned) == [(date(2026, 1, 14), True)]
    defer(store, "V1", date(2026, 1, 16), "no parts before", "planner")
    pipeline.plan(store)
    assert wishes(store).fixed == {}
    assert asked(store, planned)[0][0] >= date(2026, 1, 16)


def test_a_plan_shows_the_decisions_made_since_the_scores(found_scored: Path) -> None:
    store = found_scored
    (flag,) = flags(store, "V1")
    decide(store, flag, "watch", "planner", "seen yesterday", date(2026, 2, 1))
    shown = "SELECT state, decision, decided_by FROM flags WHERE vehicle_id = 'V1'"
    assert asked(store, shown) == [("open", None, None)]
    pipeline.plan(store)
    assert asked(store, shown) == [("decided", "watch", "planner")]


def test_a_run_that_fails_leaves_the_tables_and_the_next_one_is_whole(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = folder / "store"
    ROWS.to_csv(folder / "registers" / "inspections.csv", index=False)
    pipeline.ingest([folder / "recordings"], store, registers=folder / "registers")
    before = tables(store)

    def broken(*_: Any) -> None:
        raise duckdb.Error("disk full")

    with monkeypatch.context() as patched:
        patched.setattr(pipeline, "publish_flags", broken)
        with pytest.raises(duckdb.Error):
            pipeline.score(store)
    assert tables(store) == before
    entered = stamp(store)
    pipeline.score(store)
    assert stamp(store) == entered  # what the failed run raised is not raised twice
    assert asked(store, "SELECT vehicle_id, state FROM flags ORDER BY ALL") == [("V1", "open"), ("V2", "open")]


def test_a_store_without_entries_scores_as_before(scored: Path) -> None:
    assert stamp(scored) == 0
    assert asked(scored, "SELECT count(*) FROM flags") == [(0,)]


def test_the_plan_knows_a_finding_that_no_scores_have_seen_yet(scored: Path) -> None:
    store = scored
    row = Inspection(inspection_id="", vehicle_id="V3", inspected_on=DAY + timedelta(days=1), wheel="1L",
                     finding="brake_drag", severity=3)  # fmt: skip
    enter_finding(store, "Workshop", [row])
    assert priorities(store)["V3"] != "before_next_trip"
    pipeline.plan(store)
    (found,) = asked(store, "SELECT planned_on, priority, note FROM inspection_plan WHERE vehicle_id = 'V3'")
    assert found[:2] == (None, "before_next_trip") and "must not go on the road" in found[2]
    assert ("V3",) in asked(store, "SELECT vehicle_id FROM inspections WHERE severity = 3 AND vehicle_id = 'V3'")

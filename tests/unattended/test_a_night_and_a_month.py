"""Night and month end to end: what they do, what they say, what they leave behind."""

import hashlib
import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pyarrow.parquet as pq
import pytest
from product_run import Stop, recording

from fleetbrake import pipeline, upkeep
from fleetbrake.core.errors import StoreError
from fleetbrake.pipeline import IngestSummary
from fleetbrake.reports.run_reads import newest_runs
from fleetbrake.store.ageing.retention import policy
from fleetbrake.store.database import reading
from fleetbrake.store.runs import Outcome, last_runs
from fleetbrake.upkeep import Retained
from tests.unattended.small_fleet import DRIVER, Fleet, Night, strict_json


def test_a_night_reads_scores_and_plans_and_says_so_in_one_line(night: Night) -> None:
    assert night.status == 1, "a file was rejected, and a folder is not there"
    assert len(night.lines) == 1, "nothing but the line goes to standard output"
    facts = night.facts
    assert (facts["job"], facts["status"], facts["outcome"]) == ("nightly", 1, "some input rejected")
    assert (facts["loaded"], facts["rejected"], facts["events"], facts["as_of"]) == (1, 1, 1, "2026-01-05")
    assert set(facts["steps"]) == {"ingest", "unusual", "holds", "retention", "score", "plan"}
    assert set(facts["steps"].values()) == {"done", "refused"}, "by recordings this old the clock cannot be believed"
    assert facts["problem_count"] == len(facts["problems"]) == 2
    assert datetime.fromisoformat(facts["ended_at"]) >= datetime.fromisoformat(facts["started_at"])
    with reading(night.fleet.store) as con:
        assert con.execute("SELECT count(*) FROM vehicle_health").fetchone() == (1,)
        assert con.execute("SELECT count(*) FROM plan_summary").fetchone() != (0,)


def test_the_log_tells_the_run_line_by_line(night: Night) -> None:
    lines = night.fleet.log_lines()
    assert {"at", "level", "job", "run_id", "stage", "said"} <= set.intersection(*(set(line) for line in lines))
    assert {line["run_id"] for line in lines} == {night.facts["run_id"]}
    assert all(datetime.fromisoformat(line["at"]).utcoffset() == datetime.now(UTC).utcoffset() for line in lines)
    assert [line["said"] for line in lines if line["level"] == "warning"] == [
        *night.facts["problems"],
        *night.facts["warnings"],
    ]
    said = re.sub(r"^\S+ \S+ (warning: )?", "", night.said, flags=re.MULTILINE).splitlines()
    assert said == [line["said"] for line in lines], "standard error has the same, to read"


def test_no_driver_is_named_in_line_log_history_and_heartbeat(night: Night) -> None:
    """The rejected file lies in a folder named after the driver, and its sentence names the file."""
    store = night.fleet.store
    with reading(store) as con:
        assert con.execute("SELECT driver_id FROM events").fetchone() == (DRIVER,), "else there is nothing to leave out"
    assert night.facts["unknown_drivers"] == 1 and any(said.startswith("file ") for said in night.facts["problems"])
    left = [*(store / "logs").iterdir(), store / "heartbeat-nightly.json", store / "runs.sqlite"]
    assert len(left) == 3 and not [file for file in left if DRIVER.encode() in file.read_bytes()]
    assert DRIVER not in night.said and DRIVER not in night.lines[0]


def test_heartbeat_and_history_say_how_it_ended(night: Night) -> None:
    beat = night.fleet.heartbeat("nightly")
    assert (beat["ended"], beat["status"], beat["outcome"]) == (True, 1, "some input rejected")
    run = last_runs(night.fleet.store, 99)[-1]
    assert (run.run_id, run.job, run.outcome) == (night.facts["run_id"], "nightly", Outcome.SOME_REJECTED)
    assert run.status == 1 and run.summary["loaded"] == 1 and run.error is None and run.pid == beat["pid"]
    assert "problems" not in run.summary, "the store's log of files has them"
    assert not (night.fleet.store / "running").exists(), "the lock of a run that is over is gone"


def test_the_default_rules_of_retention_hold_where_none_are_given(night: Night) -> None:
    kept = policy(night.fleet.store)
    assert kept is not None and kept.positions_and_drivers_months == 13
    assert night.facts["steps"]["retention"] == "refused" and "Nothing was dropped" in night.facts["warnings"][-1]


@pytest.fixture(scope="module")
def month(night: Night) -> tuple[int, dict[str, Any]]:
    """The month of the night's store."""
    return night.fleet.facts("monthly", "--month", "2026-01")


def test_a_month_writes_its_files_and_the_manifest_that_says_they_are_whole(
    night: Night, month: tuple[int, dict[str, Any]]
) -> None:
    status, facts = month
    assert (status, facts["month"], facts["as_of"]) == (0, "2026-01", "2026-01-05")
    assert facts["steps"] == {"report": "done", "delivery": "done"}
    out = night.fleet.folder / "out" / "2026-01"
    manifest = strict_json(json.dumps(json.loads((out / "brakes-2026-01.json").read_text("utf-8"))))
    assert (manifest["month"], manifest["as_of"], manifest["run_id"]) == ("2026-01", "2026-01-05", facts["run_id"])
    told = {one["name"]: (one["bytes"], one["sha256"]) for one in manifest["files"]}
    there = {p.relative_to(out).as_posix(): p.read_bytes() for p in out.rglob("*") if p.is_file()}
    there.pop("brakes-2026-01.json")
    assert told == {name: (len(content), hashlib.sha256(content).hexdigest()) for name, content in there.items()}
    assert {"brakes-2026-01.pdf", "brakes-2026-01.xlsx", "csv/events.csv", "parquet/events.parquet"} <= set(told)
    assert sorted(facts["files"]) == sorted(str(out / name) for name in [*told, "brakes-2026-01.json"])


def test_a_month_is_in_history_and_heartbeat_beside_the_night(night: Night, month: tuple[int, dict[str, Any]]) -> None:
    run = last_runs(night.fleet.store, 1)[0]
    assert (run.job, run.outcome, run.summary["files"]) == ("monthly", Outcome.DONE, len(month[1]["files"]))
    assert night.fleet.heartbeat("monthly")["ended"] and night.fleet.heartbeat("nightly")["status"] == 1
    shown = newest_runs(night.fleet.store)
    assert shown["job"].tolist() == ["monthly", "nightly"] and shown["well"].all()
    assert shown["did"][0] == f"2026-01, scored as of 2026-01-05, {run.summary['files']} files"
    since = night.facts["retention"]["refused_since"]
    assert shown["did"][1] == (
        "1 file loaded, 1 rejected, 1 event, 0 visits planned, scored as of 2026-01-05, "
        f"nothing too old dropped since {since}"
    )


@pytest.fixture
def kept_short(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Score and plan without their work: these tests are about the order of steps."""
    done: list[str] = []
    monkeypatch.setattr(pipeline, "score", lambda store, **_: done.append("score") or datetime(2026, 1, 5, tzinfo=UTC))
    monkeypatch.setattr(pipeline, "plan", lambda store: done.append("plan") or 0)
    return done


@pytest.fixture
def no_work(kept_short: list[str], monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """No step does its work: these tests are about the frame. What came in is an empty published file."""

    def ingested(_: object, store: Path, **how: object) -> IngestSummary:
        (store / "fleet.duckdb").touch()
        return IngestSummary(files=1, loaded=1)

    monkeypatch.setattr(pipeline, "ingest", ingested)
    monkeypatch.setattr("fleetbrake.unattended.nightly.tell_unusual", lambda run: None)
    monkeypatch.setattr(upkeep, "copy_held", lambda store: [])
    monkeypatch.setattr(upkeep, "retain", lambda store, rules, **_: Retained(datetime(2026, 1, 5, tzinfo=UTC).date()))
    return kept_short


def test_a_failed_score_leaves_what_came_in_and_the_plan_is_made(
    fleet: Callable[..., Fleet], kept_short: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise duckdb.OutOfMemoryException(f"could not allocate for {DRIVER}\nsecond line")

    monkeypatch.setattr(pipeline, "score", fails)
    here = fleet()
    status, facts = here.facts("nightly")
    assert (status, facts["outcome"], facts["loaded"]) == (2, "failed", 1)
    assert facts["steps"]["score"] == "failed" and facts["steps"]["plan"] == "done" and kept_short == ["plan"]
    assert facts["error"] == "OutOfMemoryException: could not allocate for …" and facts["as_of"] is None
    (told,) = [line for line in here.log_lines() if line["level"] == "error"]
    assert told["said"] == facts["error"] and any("in" not in place for place in told["where"])
    assert last_runs(here.store, 1)[0].error == facts["error"]


def test_nothing_to_read_is_told_and_the_rest_of_the_night_goes_on(
    fleet: Callable[..., Fleet], no_work: list[str]
) -> None:
    here = fleet(recordings=False)
    status, facts = here.facts("nightly")
    assert status == 2 and "Nothing is in the store yet" in facts["error"] and not no_work
    pq.write_table(recording(Stop(15.0, 5.0), "one"), here.folder / "recordings" / "a.parquet")
    assert here.facts("nightly")[0] == 0
    (here.folder / "recordings" / "a.parquet").unlink()
    no_work.clear()
    status, facts = here.facts("nightly")
    assert status == 1 and "no recordings" in facts["problems"][0] and no_work == ["score", "plan"]


def test_a_disk_that_takes_no_log_and_no_heartbeat_does_not_end_the_night(
    fleet: Callable[..., Fleet], no_work: list[str]
) -> None:
    """A file stands where the folders would be: every write there fails, as on a full disk."""
    here = fleet(more='folder = "blocked/heart"\n[logs]\nfolder = "blocked/logs"\n')
    (here.folder / "blocked").write_text("")
    status, facts = here.facts("nightly")
    assert (status, facts["loaded"]) == (0, 1) and last_runs(here.store, 1)[0].outcome is Outcome.DONE


def test_a_history_that_cannot_be_written_does_not_end_the_night(
    fleet: Callable[..., Fleet], no_work: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    here = fleet()
    here.store.mkdir()
    (here.store / "runs.sqlite").write_bytes(b"this is no database, whatever its name says " * 40)
    status, facts = here.facts("nightly")
    assert (status, facts["loaded"]) == (0, 1)
    assert any("history of runs" in line["said"] for line in here.log_lines())


def test_an_error_before_any_step_is_a_failed_run(fleet: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object, **__: object) -> None:
        raise StoreError("the folder is read-only")

    monkeypatch.setattr("fleetbrake.unattended.nightly.writer_lock", fails)
    status, facts = fleet().facts("nightly")
    assert (status, facts["outcome"], facts["error"]) == (2, "failed", "the folder is read-only")


def test_the_sample_configuration_works_beside_a_fleets_folders(
    fleet: Callable[..., Fleet], kept_short: list[str]
) -> None:
    here = fleet()
    registers = here.folder / "registers"
    registers.mkdir()
    (registers / "vehicles.csv").write_text("vehicle_id,category\nV1,N3\n")
    sample = Path(__file__).resolve().parents[2] / "data_samples" / "fleet.toml"
    here.config.write_bytes(sample.read_bytes())
    status, facts = here.facts("nightly")
    assert (status, facts["loaded"], facts["registers"]) == (0, 1, ["vehicles"])


@pytest.mark.parametrize(("days", "status"), [(31, 0), (32, 1)])
def test_nights_that_drop_nothing_for_over_a_month_end_otherwise_than_well(
    fleet: Callable[..., Fleet], no_work: list[str], monkeypatch: pytest.MonkeyPatch, days: int, status: int
) -> None:
    today = datetime.now(UTC).date()
    refused = Retained(
        today, refused="Nothing was dropped: a clock.", refused_since=today - timedelta(days=days), applied_on=today
    )
    monkeypatch.setattr(upkeep, "retain", lambda store, rules, **_: refused)
    found, facts = fleet().facts("nightly")
    assert (found, facts["steps"]["retention"]) == (status, "refused")
    assert facts["retention"]["refused_since"] == str(today - timedelta(days=days))
    assert facts["retention"]["applied_on"] == str(today)
    assert any("Nothing was dropped" in said for said in facts["problems" if status else "warnings"])

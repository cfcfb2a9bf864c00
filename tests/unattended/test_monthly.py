"""The month's run: which month, whether its last day must be scored, what is refused."""

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from fleetbrake import pipeline
from fleetbrake.reports.measures import US, Measures
from fleetbrake.reports.monthly.month_data import month_scored
from fleetbrake.store.database import rebuilding, replace_table
from fleetbrake.unattended import monthly as module
from fleetbrake.unattended import sheets
from fleetbrake.unattended.monthly import month_before, needs_score
from tests.unattended.small_fleet import Fleet, held_by_another, make_fleet


@pytest.fixture(scope="module")
def unscored(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """A store with an event of 5 January 2026 that was never scored."""
    made = make_fleet(tmp_path_factory.mktemp("month") / "fleet")
    pipeline.ingest([made.folder / "recordings"], made.store)
    return made


def test_the_month_before() -> None:
    assert month_before(date(2026, 1, 31)) == "2025-12"
    assert month_before(date(2024, 3, 1)) == "2024-02"


def test_a_month_that_is_over_and_has_events_needs_a_score(unscored: Fleet) -> None:
    assert needs_score(unscored.store, "2026-01", date(2026, 2, 1))
    assert not needs_score(unscored.store, "2026-01", date(2026, 1, 31)), "it is not over"
    assert not needs_score(unscored.store, "2025-12", date(2026, 2, 1)), "it has no events"


@pytest.mark.long
def test_a_month_over_is_scored_on_its_last_day_and_the_newer_scores_stay(tmp_path: Path) -> None:
    here = make_fleet(tmp_path / "fleet")
    pipeline.ingest([here.folder / "recordings"], here.store)
    pipeline.score(here.store, date(2026, 2, 10))
    status, facts = here.facts("monthly", "--month", "2026-01")
    assert (status, facts["as_of"], facts["steps"]["score"]) == (0, "2026-01-31", "done")
    assert month_scored(here.store, "2026-02") == date(2026, 2, 10)


@pytest.fixture
def reported(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """What the report was asked for; it writes one small file instead of its own."""
    asked: list[dict[str, Any]] = []

    def report(store: Path, month: str, out: Path, *, safety_role: bool, measures: Measures) -> list[Path]:
        asked.append({"month": month, "safety_role": safety_role, "measures": measures})
        file = out / f"brakes-{month}.pdf"
        file.write_bytes(b"%PDF")
        return [file]

    monkeypatch.setattr(pipeline, "report", report)
    return asked


def test_last_month_is_the_default_and_the_configuration_is_obeyed(
    unscored: Fleet, reported: list[dict[str, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    config = unscored.config.read_text("utf-8")
    more = 'out = "us"\nunits = "us"\nwith_driver_names = true'
    unscored.config.write_text(config.replace('out = "out"', more), encoding="utf-8")
    monkeypatch.setattr(module, "month_before", lambda day: "2025-12")
    status, facts = unscored.facts("monthly")
    unscored.config.write_text(config, encoding="utf-8")
    assert (status, facts["month"], facts["as_of"], facts["steps"].keys()) == (
        0, "2025-12", None, {"report", "delivery"},
    )  # fmt: skip
    assert reported == [{"month": "2025-12", "safety_role": True, "measures": US}]
    assert (unscored.folder / "us" / "2025-12" / "brakes-2025-12.json").is_file()


def test_a_report_alone_does_not_wait_for_whoever_writes_the_store(
    unscored: Fleet, reported: list[dict[str, Any]]
) -> None:
    with held_by_another(unscored.store, "nightly"):
        status, facts = unscored.facts("monthly", "--month", "2025-10")
        assert (status, facts["steps"]) == (0, {"report": "done", "delivery": "done"})


def test_a_month_that_must_be_scored_waits_and_says_for_whom(unscored: Fleet, reported: list[dict[str, Any]]) -> None:
    config = unscored.config.read_text("utf-8")
    unscored.config.write_text(config.replace('out = "out"', 'out = "out"\nwait_s = 0.1'), encoding="utf-8")
    with held_by_another(unscored.store, "nightly"):
        status, facts = unscored.facts("monthly", "--month", "2026-01")
    unscored.config.write_text(config, encoding="utf-8")
    assert (status, facts["busy"]) == (2, True) and "'nightly'" in facts["error"] and not reported


def test_sheets_are_made_of_vehicles_that_the_list_asks_for_in_its_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    monkeypatch.setattr(sheets, "vehicle_sheets", lambda store, ids, measures: asked.extend(ids) or b"%PDF")
    priorities = ["this_week", "before_next_trip", "no_sign", "next_service", "watch", "too_little_evidence"]
    rows = [
        {"vehicle_id": f"V{rank}", "as_of": day, "rank": rank, "priority": priority}
        for day, first in ((date(2026, 1, 31), 10), (date(2026, 2, 28), 1))
        for rank, priority in enumerate(priorities, start=first)
    ]
    with rebuilding(tmp_path) as con:
        replace_table(con, "vehicle_health", pd.DataFrame(rows))
    assert sheets.sheets_of_flagged(tmp_path, US) == b"%PDF" and asked == ["V1", "V2", "V4"]
    with rebuilding(tmp_path) as con:
        con.execute("UPDATE vehicle_health SET priority = 'no_sign'")
    assert sheets.sheets_of_flagged(tmp_path, US) is None


def test_a_report_that_fails_delivers_nothing(unscored: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device", "/somewhere/x.pdf")

    monkeypatch.setattr(pipeline, "report", fails)
    status, facts = unscored.facts("monthly", "--month", "2025-11")
    assert (status, facts["steps"]) == (2, {"report": "failed"})
    assert facts["error"] == "/somewhere/x.pdf: No space left on device" and "files" not in facts
    assert not (unscored.folder / "out" / "2025-11").exists()


def test_a_month_that_is_none_is_refused(unscored: Fleet) -> None:
    status, facts = unscored.facts("monthly", "--month", "2026-13")
    assert status == 2 and "is no month" in facts["error"]


def test_a_store_that_is_not_there_is_refused_and_not_made(fleet: Callable[..., Fleet]) -> None:
    here = fleet()
    status, facts = here.facts("monthly", "--month", "2026-01")
    assert (status, facts["status"], facts["outcome"]) == (2, 2, "failed") and "no such store" in facts["error"]
    assert not here.store.exists()

"""Evidence before inspections: strictly from before, computed once, told where missing."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
import pytest
from inspected_fleet import FEW, LAST, fleet_of, inspect, run
from scoring_fleet import DAY, only

from fleetbrake.scoring import inspection_history
from fleetbrake.scoring.inspection_history import LN_LR, fingerprint
from fleetbrake.scoring.learning_priors import DEFAULT_LEARNING
from fleetbrake.scoring.priors import DEFAULT
from fleetbrake.scoring.run import score

#: What one inspection's row must never take from later.
EVIDENCE = ("evidence_as_of", "prior_probability", *LN_LR, "events_used", "place", "found", "part")


def rows(con: duckdb.DuckDBPyConnection) -> dict[str, dict[str, Any]]:
    cursor = con.execute("select * from inspection_evidence order by inspected_on, vehicle_id")
    names = [column[0] for column in cursor.description]
    return {row[0]: dict(zip(names, row, strict=True)) for row in cursor.fetchall()}


def test_nothing_later_is_in_the_evidence_of_an_inspection() -> None:
    """Later events, inspections, repairs, tests, reports and trips leave every figure of an earlier one as it was."""
    plain, more = fleet_of(), fleet_of()
    for fleet in (plain, more):
        inspect(fleet, "a", "v00", DAY + timedelta(days=22), "side_imbalance")
        inspect(fleet, "b", "v01", DAY + timedelta(days=23))
        inspect(fleet, "c", "v02", DAY + timedelta(days=23))
    before = rows(run(plain))
    when = DAY + timedelta(days=24)
    for day in range(22, 35):  # from the day of the first inspection on
        for number in range(6):
            more.event(
                f"v{number:02d}", DAY + timedelta(days=day), {"1L": {"steady_slip": 0.0, "dropout_s": 3.0}},
                demand_kind="pressure", effectiveness=0.002, surface="dry_paved",
            )  # fmt: skip
    inspect(more, "d", "v00", when, "brake_drag", severity=3)
    inspect(more, "e", "v01", when + timedelta(days=5), "other")
    more.add("repairs", vehicle_id="v00", repaired_on=when, wheel="1L", work="lining")
    more.add("brake_tests", vehicle_id="v02", tested_on=when, method="roller", wheel="1L", axle_load_kg=8000.0,
             max_force_n=100.0)  # fmt: skip
    moment = datetime(2026, 3, 26, tzinfo=UTC)
    more.add("defect_reports", vehicle_id="v01", reported_at=moment, text="pulls to one side", severity=2)
    more.add("trips", trip_id="t", vehicle_id="v01", driver_id="d", started_at=moment, distance_km=100.0)
    after = rows(run(more))
    assert {"d", "e"} <= set(after)
    for name in ("a", "b", "c"):
        for column in EVIDENCE[:-1]:
            assert before[name][column] == after[name][column], (name, column)
        assert before[name]["prior_probability"] is not None
    assert before["a"]["evidence_as_of"] == DAY + timedelta(days=20)
    assert before["a"]["events_used"] == 21, "an event a day up to and with that Sunday"


def test_evidence_ends_on_the_newest_sunday_before() -> None:
    """DAY is a Monday, so 20 and 27 are Sundays: an inspection on one has the evidence of the one before."""
    ends = {20: 13, 21: 20, 22: 20, 26: 20, 27: 20, 28: 27}
    fleet = fleet_of(len(ends))
    for number, offset in enumerate(ends):
        inspect(fleet, f"after {offset}", f"v{number:02d}", DAY + timedelta(days=offset))
    found = rows(run(fleet, all_weeks=True))
    for offset, expected in ends.items():
        row = found[f"after {offset}"]
        assert row["evidence_as_of"] == DAY + timedelta(days=expected) < row["inspected_on"], offset


@pytest.mark.long
def test_a_run_scores_a_few_missing_weeks_newest_first_and_none_when_nothing_is_new(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    scored: list[date] = []
    evaluate = inspection_history.evaluate
    monkeypatch.setattr(
        inspection_history, "evaluate", lambda con, day, priors: (scored.append(day), evaluate(con, day, priors))
    )
    fleet = fleet_of()
    for number, offset in enumerate((15, 16, 22, 29)):
        inspect(fleet, f"i{number}", f"v{number:02d}", DAY + timedelta(days=offset))
    con = run(fleet)
    sundays = [DAY + timedelta(days=offset) for offset in (27, 20, 13)]
    assert scored == sundays[:2]
    assert {name for name, row in rows(con).items() if row["left_out_reason"]} == {"i0", "i1"}
    missing = only(con, "select value, note from model_quality where figure = 'weeks_not_scored'")
    assert missing["value"] == 1
    score(con, LAST, learning=FEW)
    assert scored == sundays
    first = rows(con)
    score(con, LAST, learning=FEW)
    assert scored == sundays, "nothing is new, nothing is scored again"
    assert rows(con) == first
    score(con, LAST, learning=FEW, all_weeks=True)
    assert scored == sundays * 2
    assert rows(con) == first


@pytest.mark.long
def test_a_week_is_scored_once_when_its_inspections_are_all_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """Inspections on Tuesday and Thursday, a run every night: the Sunday before is scored on the Sunday after."""
    scored: list[date] = []
    evaluate = inspection_history.evaluate
    monkeypatch.setattr(
        inspection_history, "evaluate", lambda con, day, priors: (scored.append(day), evaluate(con, day, priors))
    )
    fleet = fleet_of()
    inspect(fleet, "a", "v00", DAY + timedelta(days=29))
    inspect(fleet, "b", "v01", DAY + timedelta(days=31))
    con = fleet.connect()
    for offset in range(31, 35):
        score(con, DAY + timedelta(days=offset), learning=FEW)
        reasons = {row["left_out_reason"] for row in rows(con).values()}
        assert reasons == ({inspection_history.NOT_OVER} if offset < 34 else {None})
    assert scored == [DAY + timedelta(days=27)]


@pytest.mark.long
def test_all_weeks_at_once_is_what_runs_in_turn_come_to() -> None:
    fleet = fleet_of()
    for number, offset in enumerate((9, 16, 22, 29)):
        inspect(fleet, f"i{number}", f"v{number:02d}", DAY + timedelta(days=offset))
    once, turns = run(fleet, all_weeks=True), run(fleet)
    score(turns, LAST, learning=FEW)
    assert rows(once) == rows(turns)


@pytest.mark.long
def test_evidence_by_other_numbers_is_computed_anew() -> None:
    fleet = fleet_of()
    for number in range(3):
        inspect(fleet, f"i{number}", f"v{number:02d}", DAY + timedelta(days=29))
    con = run(fleet)
    first = rows(con)["i0"]
    other = replace(DEFAULT, lookback_days=10.0)
    score(con, LAST, learning=FEW, priors=other)
    again = rows(con)["i0"]
    assert again["rules"] == fingerprint(other) != first["rules"]
    assert again["events_used"] < first["events_used"]


def test_with_too_few_inspections_no_past_week_is_scored() -> None:
    fleet = fleet_of(2)
    inspect(fleet, "a", "v00", DAY + timedelta(days=22))
    con = run(fleet, learning=DEFAULT_LEARNING)
    assert rows(con)["a"]["left_out_reason"] == inspection_history.NOT_YET


def test_what_is_left_out_says_why() -> None:
    fleet = fleet_of()
    inspect(fleet, "good", "v01", DAY + timedelta(days=29))
    inspect(fleet, "good2", "v02", DAY + timedelta(days=29), "side_imbalance")
    inspect(fleet, "ghost", "nobody", DAY + timedelta(days=29))
    inspect(fleet, "later", "v03", LAST + timedelta(days=3))
    inspect(fleet, "mute", "v03", DAY + timedelta(days=29), None)
    inspect(fleet, "odd", "v04", DAY + timedelta(days=29), "none", severity=3)
    inspect(fleet, "early", "v05", DAY + timedelta(days=2))
    inspect(fleet, "few", "v05", DAY + timedelta(days=8))
    inspect(fleet, "hit", "v00", DAY + timedelta(days=29), "side_imbalance")
    inspect(fleet, "check", "v00", DAY + timedelta(days=31))
    fleet.add("repairs", vehicle_id="v05", repaired_on=DAY + timedelta(days=29), wheel=None, work="lining")
    inspect(fleet, "mended", "v05", DAY + timedelta(days=30))
    told = {name: row["left_out_reason"] for name, row in rows(run(fleet, all_weeks=True)).items()}
    assert told["good"] is told["good2"] is told["hit"] is None
    for name, word in {
        "ghost": "in no register", "later": "later than", "mute": "no finding", "odd": "contradicts",
        "early": "no brake application", "few": "too few", "check": "days before", "mended": "days before",
    }.items():  # fmt: skip
        assert word in told[name], name


def test_an_older_day_uses_no_inspection_from_after_it() -> None:
    fleet = fleet_of()
    for number, offset in enumerate((15, 16, 29, 30)):
        inspect(fleet, f"i{number}", f"v{number:02d}", DAY + timedelta(days=offset))
    con = run(fleet, all_weeks=True)
    score(con, DAY + timedelta(days=20), learning=FEW)
    found = rows(con)
    assert [found[f"i{n}"]["part"] == "left_out" for n in range(4)] == [False, False, True, True]
    assert found["i3"]["prior_probability"] is not None, "kept for the next run"
    counted = "select value from model_quality where figure = 'inspections' and as_of = ?"
    assert only(con, counted, DAY + timedelta(days=20))["value"] == 2
    assert only(con, counted, LAST)["value"] == 4


def test_rows_of_one_vehicle_and_day_are_one_inspection_and_no_temporary_table_is_left() -> None:
    fleet = fleet_of()
    inspect(fleet, "b", "v00", DAY + timedelta(days=29), "none")
    inspect(fleet, "a", "v00", DAY + timedelta(days=29), "side_imbalance")
    inspect(fleet, "c", "v01", DAY + timedelta(days=29), "brake_drag", severity=1)
    inspect(fleet, "d", "v02", DAY + timedelta(days=29), "brake_drag", severity=None)
    con = run(fleet)
    assert con.execute("select table_name from duckdb_tables() where temporary").fetchall() == []
    found = rows(con)
    assert (found["a"]["findings"], found["a"]["found"]) == (2, True)
    assert "b" not in found
    assert found["c"]["found"] is False, "minor: no significant effect on safety"
    assert found["d"]["found"] is True, "a finding without a severity"


def test_a_day_before_every_event_and_no_inspection_at_all() -> None:
    fleet = fleet_of(2, 9)
    con = run(fleet, date(1990, 1, 1))
    assert rows(con) == {}
    row = only(con, "select * from model_quality where figure = 'in_use'")
    assert (row["model"], row["in_use"], row["as_of"]) == ("prior", True, date(1990, 1, 1))


def test_the_order_of_rows_changes_nothing() -> None:
    fleet = fleet_of()
    for number, offset in enumerate((29, 29, 30, 31)):
        inspect(fleet, f"i{number}", f"v{number:02d}", DAY + timedelta(days=offset), "other" if number % 2 else "none")
    tables = []
    for reverse in (False, True):
        con = fleet.connect(reverse=reverse)
        score(con, LAST, learning=FEW)
        tables.append((rows(con), con.execute("select * from model_quality").fetchall()))
    assert tables[0] == tables[1]


@pytest.mark.long
def test_a_run_scores_no_past_week_beyond_its_budget_of_events_and_says_how() -> None:
    fleet = fleet_of()
    for number in range(3):
        inspect(fleet, f"i{number}", f"v{number:02d}", DAY + timedelta(days=29))
    # 6 vehicles: 35 events each up to the day scored and 28 each up to the Sunday before
    for budget, scored in ((6 * (35 + 28), True), (6 * (35 + 28) - 1, False)):
        con = run(fleet, learning=replace(FEW, events_a_run=budget))
        assert {row["left_out_reason"] is None for row in rows(con).values()} == {scored}
    note = only(con, "select note from model_quality where figure = 'weeks_not_scored'")["note"]
    assert "378 events" in note
    assert "--all-history" in note
    score(con, LAST, learning=replace(FEW, events_a_run=1), all_weeks=True)
    assert {row["left_out_reason"] for row in rows(con).values()} == {None}

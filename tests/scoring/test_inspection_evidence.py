"""Evidence before inspections: strictly from before, computed once, told where missing; and the model in a run."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pytest
from learning_rows_made import invented
from scoring_fleet import DAY, Fleet, only

from fleetbrake.scoring import inspection_history, models
from fleetbrake.scoring import run as scoring_run
from fleetbrake.scoring.inspection_history import LN_LR, fingerprint
from fleetbrake.scoring.learning_priors import DEFAULT_LEARNING
from fleetbrake.scoring.priors import DEFAULT, PRIORITY_ORDER, Priors
from fleetbrake.scoring.run import score

LAST = DAY + timedelta(days=34)  # a Sunday
FEW = replace(DEFAULT_LEARNING, quality_least=2, weeks_a_run=2)
#: What one inspection's row must never take from later.
EVIDENCE = ("evidence_as_of", "prior_probability", *LN_LR, "events_used", "place", "found", "part")


def fleet_of(vehicles: int = 6, days: int = 35) -> Fleet:
    """One application a day and vehicle; v00 brakes ever less on wheel 1L, half as much in the end."""
    rng = np.random.default_rng(1)
    fleet = Fleet()
    for number in range(vehicles):
        fleet.vehicle(f"v{number:02d}")
        for day in range(days):
            weak = 1 - 0.015 * day if number == 0 else 1.0
            slips = {w: {"steady_slip": 0.02 * rng.lognormal(0, 0.1), "dropout_s": 0.0} for w in ("1L", "1R")}
            slips["1L"]["steady_slip"] *= weak
            fleet.event(
                f"v{number:02d}", DAY + timedelta(days=day), slips, demand_kind="pressure",
                effectiveness=0.01 * rng.lognormal(0, 0.1), surface="dry_paved",
            )  # fmt: skip
    return fleet


def inspect(fleet: Fleet, name: str, vehicle: str, day: date, finding: str | None = "none", **more: Any) -> None:
    severity = None if finding is None else 0 if finding == "none" else 2
    row = {"inspection_id": name, "vehicle_id": vehicle, "inspected_on": day, "finding": finding, "severity": severity}
    fleet.add("inspections", **row | more)


def rows(con: duckdb.DuckDBPyConnection) -> dict[str, dict[str, Any]]:
    cursor = con.execute("select * from inspection_evidence order by inspected_on, vehicle_id")
    names = [column[0] for column in cursor.description]
    return {row[0]: dict(zip(names, row, strict=True)) for row in cursor.fetchall()}


def run(fleet: Fleet, as_of: date = LAST, **more: Any) -> duckdb.DuckDBPyConnection:
    con = fleet.connect()
    score(con, as_of, learning=more.pop("learning", FEW), **more)
    return con


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


@pytest.mark.parametrize(("offset", "expected"), [(20, 13), (21, 20), (22, 20), (26, 20), (27, 20), (28, 27)])
def test_evidence_ends_on_the_newest_sunday_before(offset: int, expected: int) -> None:
    """DAY is a Monday, so 20 and 27 are Sundays: an inspection on one has the evidence of the one before."""
    fleet = fleet_of(2)
    inspect(fleet, "a", "v00", DAY + timedelta(days=offset))
    inspect(fleet, "b", "v01", DAY + timedelta(days=offset))
    row = rows(run(fleet))["a"]
    assert row["evidence_as_of"] == DAY + timedelta(days=expected)
    assert row["evidence_as_of"] < row["inspected_on"]


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


def test_rows_of_one_vehicle_and_day_are_one_inspection() -> None:
    fleet = fleet_of()
    inspect(fleet, "b", "v00", DAY + timedelta(days=29), "none")
    inspect(fleet, "a", "v00", DAY + timedelta(days=29), "side_imbalance")
    inspect(fleet, "c", "v01", DAY + timedelta(days=29), "brake_drag", severity=1)
    inspect(fleet, "d", "v02", DAY + timedelta(days=29), "brake_drag", severity=None)
    found = rows(run(fleet))
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
    for number, offset in enumerate((22, 22, 29, 30)):
        inspect(fleet, f"i{number}", f"v{number:02d}", DAY + timedelta(days=offset), "other" if number % 2 else "none")
    tables = []
    for reverse in (False, True):
        con = fleet.connect(reverse=reverse)
        score(con, LAST, learning=FEW)
        tables.append((rows(con), con.execute("select * from model_quality").fetchall()))
    assert tables[0] == tables[1]


def test_a_run_leaves_no_temporary_table() -> None:
    fleet = fleet_of()
    for number in range(3):
        inspect(fleet, f"i{number}", f"v{number:02d}", DAY + timedelta(days=29))
    con = run(fleet)
    assert con.execute("select table_name from duckdb_tables() where temporary").fetchall() == []


# --- the learned model in a run -------------------------------------------------------------------------------------


def learned_store(
    coefficients: dict[str, float] | None, n: int = 1500, priors: Priors = DEFAULT
) -> duckdb.DuckDBPyConnection:
    """A fleet with ``n`` inspections on file whose evidence earlier runs have left in the store."""
    fleet = fleet_of()
    visits = invented(1, n, coefficients)
    newest = DAY + timedelta(days=27)
    back = newest.toordinal() - int(visits.day.max())
    rules, evidence = fingerprint(priors), []
    for i in range(n):
        name, day = f"x{i:04d}", date.fromordinal(int(visits.day[i]) + back)
        fleet.event(name, date(2020, 1, 1))
        found = bool(visits.found[i])
        inspect(fleet, f"i{i:04d}", name, day, "other" if found else "none")
        evidence.append(
            {
                "vehicle_id": name,
                "evidence_as_of": day - timedelta(days=day.isoweekday()),
                "prior_probability": float(visits.prior[i]),
                **{column: _value(visits.ln_lr[i, k]) for k, column in enumerate(LN_LR)},
                "events_used": 20,
                "place": float(visits.place[i]),
                "fleet_vehicles": 200,
                "rules": rules,
            }
        )
    for row in evidence:
        fleet.add("inspection_evidence", **row)
    return fleet.connect()


def _value(x: float) -> float | None:
    return None if np.isnan(x) else float(x)


WRONG = {"wheel_speed_dropout": 0.0, "brake_drag": 0.0, "side_imbalance": 0.3, "slow_response": 2.5}


def test_a_model_that_wins_gives_the_scores_and_the_store_says_so() -> None:
    con = learned_store(WRONG)
    score(con, LAST)
    row = only(con, "select * from model_quality where figure = 'in_use'")
    assert (row["model"], row["in_use"]) == ("learned", True)
    assert "it is used" in row["note"]
    told = con.execute("select distinct score_model from vehicle_health where health_score is not null").fetchall()
    assert told == [("learned",)]
    health = con.execute("select * from vehicle_health where health_score is not null order by rank").df()
    assert (health["score_low"] < health["health_score"]).all()
    assert (health["health_score"] < health["score_high"]).all()
    assert health["health_score"].max() <= 100 * (1 - DEFAULT_LEARNING.probability_floor)
    within = health.groupby("priority")["health_score"].apply(lambda s: s.is_monotonic_increasing)
    assert within.all(), "within a priority the learned probability decides"
    figures = con.execute("select distinct figure from model_quality where model = 'learned'").df()["figure"]
    assert {"log_loss", "brier", "precision_first_10", "lift_first_10_percent", "calibration_bin_1"} <= set(figures)


def test_a_model_moves_what_is_flagged_and_never_clears_it() -> None:
    """v00 is flagged for an indicator that inspections never bore out: it is seen to later, and still told."""
    calm = replace(DEFAULT, urgent_deviation=1e9)  # nothing is urgent: before the next trip is not for a model to move
    without = fleet_of().connect()
    score(without, LAST, priors=calm)
    by_prior = only(without, "select * from vehicle_health where vehicle_id = 'v00'")
    con = learned_store({"side_imbalance": 0.0, "brake_drag": 2.0}, 3000, calm)
    score(con, LAST, priors=calm)
    learned = only(con, "select * from vehicle_health where vehicle_id = 'v00'")
    assert (by_prior["score_model"], learned["score_model"]) == ("prior", "learned")
    assert by_prior["leading_indicator"] == learned["leading_indicator"] == "side_imbalance"
    assert learned["health_score"] > by_prior["health_score"]
    places = [list(PRIORITY_ORDER).index(row["priority"]) for row in (by_prior, learned)]
    assert by_prior["priority"] == "this_week"
    assert places[0] < places[1] <= list(PRIORITY_ORDER).index("watch")
    urgent = learned_store({"side_imbalance": 0.0, "brake_drag": 2.0}, 3000)
    score(urgent, LAST)
    stays = only(urgent, "select * from vehicle_health where vehicle_id = 'v00'")
    assert (stays["score_model"], stays["priority"]) == ("learned", "before_next_trip")


def test_a_model_that_loses_leaves_the_scores_of_the_priors() -> None:
    con = learned_store(None)
    score(con, LAST)
    row = only(con, "select * from model_quality where figure = 'in_use'")
    assert (row["model"], row["in_use"]) == ("prior", True)
    assert "the priors stay in use" in row["note"]
    losses = dict(con.execute("select model, value from model_quality where figure = 'log_loss'").fetchall())
    assert set(losses) == {"prior", "learned"}
    without = fleet_of().connect()
    score(without, LAST)
    wanted = "select vehicle_id, health_score, score_low, score_high from vehicle_health where vehicle_id like 'v%'"
    assert con.execute(wanted + " order by all").fetchall() == without.execute(wanted + " order by all").fetchall()
    assert con.execute("select distinct score_model from vehicle_health").fetchall() == [("prior",)]


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


@pytest.mark.parametrize(("probability", "priority"), [(0.9, "this_week"), (0.3, "next_service"), (0.2, "no_sign")])
def test_what_the_learned_model_alone_asks_for_has_a_priority_and_says_why(
    probability: float, priority: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """v03 shows nothing that stands out; what inspections taught must not stay behind a 'no sign'."""
    given = pd.DataFrame({"vehicle_id": ["v03"], "probability": [probability], "log_odds": [0.0], "model_width": [0.5]})
    monkeypatch.setattr(
        scoring_run, "give_scores",
        lambda con, _: models.give(con, "learned_scores", given.assign(weighed_most="brake_drag")),
    )  # fmt: skip
    con = run(fleet_of())
    row = only(con, "select * from vehicle_health where vehicle_id = 'v03'")
    assert row["priority"] == priority
    assert row["health_score"] == pytest.approx(100 * (1 - probability))
    if priority != "no_sign":
        assert (row["leading_indicator"], row["suspect_wheel"]) == ("brake_drag", None)
        assert f"{100 * probability:.0f} %" in row["reason"]
        assert "brake drag" in row["reason"]
    others = con.execute("select distinct priority from vehicle_health where vehicle_id > 'v03'").fetchall()
    assert others == [("no_sign",)]


def test_the_published_score_of_the_learned_model_by_hand() -> None:
    """Given and expected: the same evidence, once with narrow and once with wide bounds of the priors."""
    con = duckdb.connect()
    for macro in ("logit(p) as ln(p / (1 - p))", "from_logit(x) as 1 / (1 + exp(-x))"):
        con.execute(f"create temp macro {macro}")
    scores = pd.DataFrame(
        {
            "vehicle_id": ["few", "many", "other"], "probability": [0.2, 0.2, 0.3], "score": [80.0, 80.0, 70.0],
            "score_low": [20.0, 70.0, 60.0], "score_high": [99.0, 88.0, 75.0], "strength": [1.0, 2.0, 3.0],
            "indicators_missing": [4, 0, 0],
        }
    )  # fmt: skip
    models.give(con, "int_vehicle_scores", scores)
    learned = pd.DataFrame(
        {"vehicle_id": ["few", "many"], "probability": [0.4, 0.4], "log_odds": [np.log(2 / 3)] * 2, "model_width": 0.3}
    )
    models.give(con, "learned_scores", learned)
    found = con.execute(models.sql_of("int_final_scores")).df().set_index("vehicle_id")
    assert list(found["score_model"].loc[["few", "many", "other"]]) == ["learned", "learned", "prior"]
    assert found.loc["other", "score_low"] == 60.0
    assert found.loc["few", "score"] == found.loc["many", "score"] == pytest.approx(60.0)
    up = np.hypot(np.log(0.3 / 0.7) - np.log(0.2 / 0.8), 0.3)
    assert found.loc["many", "score_low"] == pytest.approx(100 / (1 + np.exp(np.log(2 / 3) + up)), abs=1e-3)
    assert found.loc["few", "score_low"] < found.loc["many", "score_low"]
    assert found.loc["few", "score_high"] > found.loc["many", "score_high"]
    assert found.loc["many", "strength"] > found.loc["few", "strength"], "equal probability: the order of the priors"
    assert found.loc["few", "strength"] == pytest.approx(np.log1p(2 / 3), abs=1e-6)

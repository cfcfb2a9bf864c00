"""The model learned from inspections in a run of scores: what it gives, what it moves, and what it never clears."""

from dataclasses import replace
from datetime import date, timedelta

import duckdb
import numpy as np
import pandas as pd
import pytest
from a_few import a_few
from inspected_fleet import LAST, fleet_of, inspect, run
from learning_rows_made import invented
from scoring_fleet import DAY, only

from fleetbrake.scoring import models
from fleetbrake.scoring import run as scoring_run
from fleetbrake.scoring.inspection_history import LN_LR, fingerprint
from fleetbrake.scoring.learning_priors import DEFAULT_LEARNING
from fleetbrake.scoring.priors import DEFAULT, PRIORITY_ORDER, Priors
from fleetbrake.scoring.run import score


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


@pytest.mark.parametrize(
    ("probability", "priority"), a_few([(0.9, "this_week"), (0.3, "next_service"), (0.2, "no_sign")], 0, 2)
)
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

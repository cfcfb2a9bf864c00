"""Learning from inspections, arrays in: it wins where priors are wrong, loses where it must, and never looks ahead."""

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from a_few import a_few
from learning_rows_made import WORDS, invented
from sklearn.calibration import CalibratedClassifierCV, calibration_curve
from sklearn.frozen import FrozenEstimator

from fleetbrake.core.vocabulary import INDICATORS
from fleetbrake.scoring.learning import LEARNED, PRIOR, Learning, learn
from fleetbrake.scoring.learning_model import LearnedModel, choose, fit, never_less, spread, with_one
from fleetbrake.scoring.learning_priors import BANDS, DEFAULT_LEARNING, PENALTIES
from fleetbrake.scoring.learning_rows import (
    CALIBRATE,
    DESIGNS,
    FEATURES,
    HELD_OUT,
    TRAIN,
    Visits,
    design,
    effective_number,
    from_logit,
    logit,
    parts_by_time,
    selection_weights,
)

NUMBERS = DEFAULT_LEARNING
#: One indicator means nothing, one too little was made of, one too much.
WRONG_PRIORS = {"wheel_speed_dropout": 0.0, "brake_drag": 0.0, "side_imbalance": 0.3, "slow_response": 2.5}


def figure(learning: Learning, model: str, name: str) -> float:
    (row,) = [f for f in learning.figures if (f.model, f.figure) == (model, name)]
    assert row.value is not None
    return row.value


def log_odds_of(learning: Learning, visits: Visits) -> np.ndarray:
    assert learning.model is not None
    return learning.model.log_odds(visits.ln_lr, visits.prior)


# --- it must win, it must lose --------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", a_few([1, 2, 3], 0))
def test_the_learned_model_wins_and_is_used_where_the_priors_are_wrong(seed: int) -> None:
    visits = invented(seed, 1500, WRONG_PRIORS)
    learning = learn(visits)
    assert learning.in_use == LEARNED
    assert "it is used" in learning.why
    assert figure(learning, LEARNED, "log_loss") < figure(learning, PRIOR, "log_loss")
    assert figure(learning, LEARNED, "brier") < figure(learning, PRIOR, "brier")
    told = dict(zip(FEATURES, learning.model.coefficients(), strict=True))
    assert told["prior_log_odds"] < 0.3, "the priors' word would carry in again what means nothing"
    assert max(told["wheel_speed_dropout"], told["brake_drag"]) + 0.3 < told["slow_response"]


def test_the_model_that_won_is_calibrated_on_inspections_that_nobody_saw() -> None:
    learning = learn(invented(4, 3000, WRONG_PRIORS))
    fresh = invented(1004, 6000, WRONG_PRIORS)
    p = learning.model.probability(fresh.ln_lr, fresh.prior)
    observed, predicted = calibration_curve(fresh.found, p, n_bins=5, strategy="quantile")
    # 1200 a bin: 3 standard errors of a share near 0.5 are 0.043; the rest is that the model was itself estimated
    assert np.abs(observed - predicted).max() < 0.08


@pytest.mark.parametrize("seed", a_few(range(6), 0, 1))
def test_the_priors_stay_where_they_are_right(seed: int) -> None:
    learning = learn(invented(seed, 500))
    assert learning.in_use == PRIOR
    assert learning.model is not None, "it was fitted and compared, and lost"
    assert "the priors stay in use" in learning.why


@pytest.mark.parametrize("seed", a_few([1, 2, 3], 0))
def test_a_change_of_regime_in_the_newest_inspections_is_lost(seed: int) -> None:
    """What was learned from older inspections turns round: only a comparison on later ones can show it."""
    old = invented(seed, 2000, WRONG_PRIORS)
    new = invented(seed + 50, 2000, {"wheel_speed_dropout": 2.0, "brake_drag": 2.0, "slow_response": 0.0})
    held = parts_by_time(old.day, NUMBERS) == HELD_OUT
    found = np.where(held, new.found, old.found)
    ln_lr = np.where(held[:, None], new.ln_lr, old.ln_lr)
    changed = replace(old, found=found, ln_lr=ln_lr, prior=np.where(held, new.prior, old.prior))
    assert learn(old).in_use == LEARNED, "else the change would not be what loses"
    assert learn(changed).in_use == PRIOR


@pytest.mark.long
def test_findings_by_lot_at_the_rate_that_the_priors_say_are_hardly_ever_taken_for_a_law() -> None:
    """The evidence looks as it always does, the findings have nothing to do with it, and the priors say their rate."""
    visits = replace(invented(1, 400), prior=np.full(400, 0.2))
    lots = [np.random.default_rng(seed).random(400) < 0.2 for seed in range(15)]
    wins = sum(learn(replace(visits, found=lot)).in_use == LEARNED for lot in lots)
    assert wins <= 3  # one draw in 20 may win by chance: more than 3 of 15 would happen in one test of 180


# --- strictly by time -----------------------------------------------------------------------------------------------


def test_parts_follow_time_and_never_split_a_day() -> None:
    visits = invented(1, 400, days=40)
    part = parts_by_time(visits.day, NUMBERS)
    days = [set(visits.day[part == name]) for name in (TRAIN, CALIBRATE, HELD_OUT)]
    assert max(days[0]) < min(days[1]) <= max(days[1]) < min(days[2])
    assert (visits.week < visits.day).all()


def test_what_is_found_later_changes_nothing_in_what_was_learned() -> None:
    visits = invented(2, 600, WRONG_PRIORS)
    held = parts_by_time(visits.day, NUMBERS) == HELD_OUT
    mixed = visits.found.copy()
    mixed[held] = np.random.default_rng(0).permutation(~mixed[held])
    ln_lr = visits.ln_lr.copy()
    ln_lr[held] = ln_lr[held][::-1]
    before, after = learn(visits), learn(replace(visits, found=mixed, ln_lr=ln_lr))
    probe = invented(3, 50)
    assert np.array_equal(log_odds_of(before, probe), log_odds_of(after, probe))


def test_the_calibration_part_changes_no_coefficient() -> None:
    visits = invented(2, 600, WRONG_PRIORS)
    later = parts_by_time(visits.day, NUMBERS) == CALIBRATE
    found = visits.found.copy()
    found[later] = np.roll(found[later], 7)
    before, after = learn(visits).model, learn(replace(visits, found=found)).model
    assert np.array_equal(before.regression[1].coef_, after.regression[1].coef_)
    assert before.slope != after.slope


def test_columns_and_penalty_are_chosen_by_later_inspections() -> None:
    """No law at all: the simplest columns, the strongest penalty. Right priors: their word alone. A law of one
    indicator that the priors do not know: the evidence."""
    rng = np.random.default_rng(5)
    visits = invented(5, 800)
    x, day, ones = design(visits.ln_lr, visits.prior, NUMBERS), visits.day, np.ones(800)
    assert choose(x, rng.random(800) < 0.3, ones, day, NUMBERS) == (next(iter(DESIGNS)), PENALTIES[0])
    assert choose(x, visits.found, ones, day, NUMBERS)[0] == "priors"
    law = rng.random(800) < from_logit(2 * x[:, 0] - 3)
    name, penalty = choose(x, law, ones, day, NUMBERS)
    assert name != "priors"
    assert penalty > PENALTIES[0]


def test_evidence_of_a_fault_never_makes_one_less_likely() -> None:
    """Even where chance, or a fault of the register, has it so: the column is left out."""
    rng = np.random.default_rng(1)
    visits = invented(1, 2000)
    x = design(visits.ln_lr, visits.prior, NUMBERS)
    against = rng.random(2000) < from_logit(x[:, 1] - 1.5 * x[:, 0])
    model, columns = never_less(x, against, np.ones(2000), FEATURES, 3.0)
    assert 0 not in columns and 1 in columns
    free = columns.index(FEATURES.index("indicators_observed"))
    assert np.delete(model[1].coef_[0], free).min() >= 0


@pytest.mark.parametrize("seed", a_few(range(4), 0))
def test_more_evidence_never_lowers_a_probability(seed: int) -> None:
    model = learn(invented(seed, 900, WRONG_PRIORS)).model
    probe = invented(seed + 100, 200, unseen=0.0)
    lower = model.log_odds(probe.ln_lr, probe.prior)
    for column in range(len(INDICATORS)):
        more = probe.ln_lr.copy()
        more[:, column] += 2.0
        assert (model.log_odds(more, np.minimum(probe.prior + 0.01, 0.999)) >= lower - 1e-12).all()


# --- too few, or of one kind ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n", "found", "word"),
    [(0, None, "0 inspections"), (1, None, "1 inspections"), (199, None, "199 inspections"), (600, True, "600 of them"),
     (600, False, "0 of them")],
)  # fmt: skip
def test_too_few_all_with_and_all_without_a_defect(n: int, found: bool | None, word: str) -> None:
    visits = invented(1, max(n, 2)).where(np.arange(max(n, 2)) < n)
    visits = visits if found is None else replace(visits, found=np.full(n, found))
    learning = learn(visits)
    assert (learning.in_use, learning.model) == (PRIOR, None)
    assert word in learning.why
    assert figure(learning, PRIOR, "inspections") == n
    assert len(learning.part) == len(learning.weights) == n
    names = {f.figure for f in learning.figures}
    assert ("log_loss" in names) == (n > 0), "the priors are still held against what was found"
    assert all(f.value is None or np.isfinite(f.value) for f in learning.figures)


@pytest.mark.parametrize("name", [TRAIN, CALIBRATE, HELD_OUT])
@pytest.mark.parametrize("value", [True, False])
def test_one_kind_only_in_a_part(name: str, value: bool) -> None:
    visits = invented(1, 900, WRONG_PRIORS)
    part = parts_by_time(visits.day, NUMBERS)
    learning = learn(replace(visits, found=np.where(part == name, value, visits.found)))
    assert learning.in_use == PRIOR
    assert learning.model is None


@pytest.mark.parametrize(("vehicles", "used"), [(1, "prior"), (19, "prior"), (40, "learned")])
def test_of_a_handful_of_vehicles_no_model_is_believed(vehicles: int, used: str) -> None:
    """A bootstrap over one vehicle has no width: any gain would win. 19 are one too few, whatever they show."""
    visits = invented(1, 1500, WRONG_PRIORS)
    learned = learn(replace(visits, vehicle=np.arange(len(visits)) % vehicles))
    assert learned.in_use == used
    if used == "prior":
        assert learned.model is None
        assert f"of {vehicles} vehicle" in learned.why


def test_what_weighed_most_is_the_evidence_that_stands_out() -> None:
    model = _fitted(invented(1, 3000, WRONG_PRIORS))
    names = [FEATURES[k] for k in model.chosen.columns if FEATURES[k] in INDICATORS]
    assert names, "the priors are wrong here: evidence of its own is in the model"
    ln_lr = np.full((len(names), len(INDICATORS)), -1.0)
    ln_lr[np.arange(len(names)), [WORDS[name] for name in names]] = 8.0
    found = model.weighed_most(ln_lr, np.full(len(names), 0.15))
    weights = model.coefficients()
    strong = [name for name in names if weights[FEATURES.index(name)] > 0.2]
    assert strong
    assert [told for told, name in zip(found, names, strict=True) if name in strong] == strong
    assert model.weighed_most(np.empty((0, len(INDICATORS))), np.empty(0)) == []


def test_all_inspections_on_one_day() -> None:
    visits = invented(1, 600, WRONG_PRIORS)
    learning = learn(replace(visits, day=np.full(len(visits), 20_000), week=np.full(len(visits), 19_999)))
    assert learning.in_use == PRIOR
    assert "part has 0 inspections" in learning.why


def test_nothing_observed_at_all_teaches_no_more_than_how_many_have_a_defect() -> None:
    visits = invented(1, 600)
    silent = replace(visits, ln_lr=np.full_like(visits.ln_lr, np.nan), prior=np.full(len(visits), 0.15))
    model = learn(silent).model
    p = model.probability(silent.ln_lr, silent.prior)
    later = parts_by_time(visits.day, NUMBERS) == CALIBRATE
    assert np.ptp(p) == 0
    # the sigmoid method draws a share a little towards one half: (hits + 1) / (hits + 2) for one
    assert p[0] == pytest.approx(np.average(visits.found[later], weights=learn(silent).weights[later]), abs=0.02)


# --- what the model may say -----------------------------------------------------------------------------------------


def test_a_score_never_clears_and_never_condemns() -> None:
    model = learn(invented(1, 1500, WRONG_PRIORS)).model
    for value in (-50.0, 0.0, 50.0, np.nan):
        p = model.probability(np.full((1, len(INDICATORS)), value), np.array([1e-12 if value < 0 else 1 - 1e-12]))
        assert NUMBERS.probability_floor <= p[0] <= NUMBERS.probability_ceiling


def test_unobserved_is_silent_but_counted() -> None:
    ln_lr = np.array([[np.nan] * len(INDICATORS), [0.0] * len(INDICATORS), [99.0] + [-99.0] * 7])
    x = design(ln_lr, np.array([0.5, 0.5, 0.5]), NUMBERS)
    seen = FEATURES.index("indicators_observed")
    assert x[:, seen].tolist() == [0, 8, 8]
    assert np.array_equal(np.delete(x[0], seen), np.delete(x[1], seen))
    assert x[1, 0] == pytest.approx(np.log(2)), "ln(1 + LR) with LR = 1"
    assert x[2, 0] == pytest.approx(np.log1p(np.exp(NUMBERS.evidence_most)))
    assert x[2, 1] == pytest.approx(0)


@pytest.mark.long
def test_doubt_is_that_of_models_learned_from_other_inspections() -> None:
    """The Laplace standard error against the scatter of models from fresh inspections of the same fleet."""
    probe = invented(99, 40)
    models = [_fitted(invented(seed, 1200, WRONG_PRIORS)) for seed in range(16)]
    scatter = np.std([m.log_odds(probe.ln_lr, probe.prior) for m in models], axis=0, ddof=1)
    said = np.mean([m.log_odds_se(probe.ln_lr, probe.prior) for m in models], axis=0)
    # 16 models tell a standard deviation to 18 %; penalty and choice of it add and take
    assert 0.6 < np.median(said / scatter) < 1.6


def _fitted(visits: Visits) -> LearnedModel:
    return fit(visits, selection_weights(visits, NUMBERS), parts_by_time(visits.day, NUMBERS), NUMBERS)


def test_more_inspections_leave_less_doubt() -> None:
    probe = invented(99, 20)
    few, many = (_fitted(invented(1, n, WRONG_PRIORS)) for n in (600, 6000))
    assert (many.log_odds_se(probe.ln_lr, probe.prior) < few.log_odds_se(probe.ln_lr, probe.prior)).mean() > 0.9


def test_with_hardly_a_penalty_the_regression_is_that_of_statsmodels() -> None:
    """Coefficients and standard errors of the weighted maximum likelihood, from a generalised linear model."""
    visits = invented(6, 1500, WRONG_PRIORS)
    weights = np.linspace(0.5, 1.5, len(visits))
    x = design(visits.ln_lr, visits.prior, NUMBERS)
    model, columns = never_less(x, visits.found, weights, DESIGNS["evidence"], 1e9)
    scaled = with_one(model[0].transform(x[:, list(columns)]))
    theirs = sm.GLM(visits.found.astype(float), scaled, family=sm.families.Binomial(), freq_weights=weights).fit()
    ours = np.append(model[1].coef_[0], model[1].intercept_)
    assert ours == pytest.approx(theirs.params, abs=1e-4)
    errors = np.sqrt(np.diag(spread(scaled, scaled @ ours, weights, 0.0)))
    assert errors == pytest.approx(theirs.bse, rel=1e-3)


def test_the_calibration_is_that_of_scikit_learn() -> None:
    visits = invented(6, 900, WRONG_PRIORS)
    part, weights = parts_by_time(visits.day, NUMBERS), np.linspace(0.5, 1.5, len(visits))
    model = fit(visits, weights, part, NUMBERS)
    x = design(visits.ln_lr, visits.prior, NUMBERS)[:, list(model.chosen.columns)]
    later = part == CALIBRATE
    theirs = CalibratedClassifierCV(FrozenEstimator(model.regression), method="sigmoid")
    with pytest.warns(UserWarning, match="FrozenEstimator"):
        theirs.fit(x[later], visits.found[later].astype(int), sample_weight=weights[later])
    p = np.clip(theirs.predict_proba(x)[:, 1], NUMBERS.probability_floor, NUMBERS.probability_ceiling)
    assert model.probability(visits.ln_lr, visits.prior) == pytest.approx(p, abs=1e-9)


def test_twice_is_equal() -> None:
    visits = invented(2, 700, WRONG_PRIORS)
    first, second = learn(visits), learn(visits)
    assert first.figures == second.figures
    assert np.array_equal(log_odds_of(first, visits), log_odds_of(second, visits))


# --- weights --------------------------------------------------------------------------------------------------------


def test_weights_are_the_inverse_of_the_share_inspected() -> None:
    """Two weeks of 100 vehicles: of the first band (2 vehicles a week) all 4 were seen, of the last (120) 12."""
    place = np.array([0.005, 0.015, 0.005, 0.015] + [0.7] * 12)
    week = np.array([0, 0, 7, 7] + [0] * 6 + [7] * 6)
    n = len(place)
    visits = Visits(
        np.arange(n), week + 3, week, np.zeros(n, bool), np.full(n, 0.1), np.zeros((n, 8)), place, np.full(n, 100.0)
    )
    weights = selection_weights(visits, replace(NUMBERS, weight_most=100))
    assert weights.mean() == pytest.approx(1)
    assert weights[-1] / weights[0] == pytest.approx((120 / 12) / (4 / 4))
    cut = selection_weights(visits, replace(NUMBERS, weight_most=1.1))
    assert cut[-1] / cut[0] < weights[-1] / weights[0]


def test_weights_bring_back_the_fleet_from_a_biased_choice() -> None:
    """Inspections that prefer the head of the list overstate the share of defects; weighted they do not."""
    off, raw_off = np.array([_share_off(seed) for seed in range(30)]).T
    assert abs(off.mean()) < 3 * off.std(ddof=1) / np.sqrt(30)
    assert raw_off.min() > 0.05


def _share_off(seed: int) -> tuple[float, float]:
    """Weighted and plain share of defects less that of the whole fleet: half of the list's head seen."""
    rng = np.random.default_rng(seed)
    place = np.tile((np.arange(400) + 0.5) / 400, 30)
    week = np.repeat(np.arange(30) * 7, 400)
    found = rng.random(len(place)) < 0.4 * np.exp(-5 * place)
    seen = rng.random(len(place)) < np.where(place < 0.1, 0.5, 0.03)
    n = int(seen.sum())
    visits = Visits(
        np.arange(n), week[seen] + 3, week[seen], found[seen], np.full(n, 0.1), np.zeros((n, 8)), place[seen],
        np.full(n, 400.0),
    )  # fmt: skip
    weights = selection_weights(visits, NUMBERS)
    assert effective_number(weights) < n
    return np.average(visits.found, weights=weights) - found.mean(), visits.found.mean() - found.mean()


def test_bands_cover_the_whole_list() -> None:
    assert (BANDS[0], BANDS[-1]) == (0.0, 1.0)
    assert list(BANDS) == sorted(set(BANDS))


def test_logit_and_back() -> None:
    p = np.array([0.0, 1e-6, 0.5, 0.999, 1.0])
    assert np.isfinite(logit(p)).all()
    assert from_logit(logit(p)) == pytest.approx(p, abs=1e-8)


def test_every_indicator_has_a_column_of_its_own() -> None:
    assert FEATURES[: len(INDICATORS)] == INDICATORS or tuple(FEATURES[: len(INDICATORS)]) == tuple(INDICATORS)
    assert set(WORDS) == set(INDICATORS)

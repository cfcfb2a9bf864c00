"""The figures of ``model_quality``: against scikit-learn, closed forms, and what a person can count."""

import numpy as np
import pytest
from learning_rows_made import invented
from scipy import optimize
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss, log_loss

from fleetbrake.scoring.learning import PRIOR
from fleetbrake.scoring.learning_priors import DEFAULT_LEARNING
from fleetbrake.scoring.learning_quality import (
    calibration_bins,
    figures_of,
    hits_among_first,
    losses,
    mean_with_interval,
    share_with_interval,
    squares,
)

NUMBERS = DEFAULT_LEARNING


def test_losses_are_those_of_scikit_learn() -> None:
    visits = invented(1, 300)
    w = np.linspace(0.2, 2, 300)
    ours, _, _ = mean_with_interval(losses(visits.found, visits.prior), w, visits.vehicle, NUMBERS)
    assert ours == pytest.approx(log_loss(visits.found, visits.prior, sample_weight=w))
    ours, _, _ = mean_with_interval(squares(visits.found, visits.prior), w, visits.vehicle, NUMBERS)
    assert ours == pytest.approx(brier_score_loss(visits.found, visits.prior, sample_weight=w))


@pytest.mark.parametrize("seed", range(4))
def test_the_calibration_curve_is_that_of_scikit_learn(seed: int) -> None:
    visits = invented(seed, 237)  # with ties: unobserved vehicles share the floor
    bins = calibration_bins(visits.found, visits.prior, 5)
    observed, predicted = calibration_curve(visits.found, visits.prior, n_bins=5, strategy="quantile")
    assert [b[0] for b in bins] == pytest.approx(predicted)
    assert [b[1] / b[2] for b in bins] == pytest.approx(observed)
    assert sum(b[2] for b in bins) == 237


def test_the_binomial_interval_is_the_exact_one() -> None:
    """Closed forms: no hit in n leaves the upper end 1 - tail^(1/n), all hits the lower end tail^(1/n)."""
    assert share_with_interval(0, 10, 0.9) == pytest.approx((0, 0, 1 - 0.05**0.1))
    assert share_with_interval(10, 10, 0.9) == pytest.approx((1, 0.05**0.1, 1))
    found = optimize.brentq(lambda p: 1 - (1 - p) ** 4 - 4 * p * (1 - p) ** 3 - 0.05, 1e-6, 1)
    assert share_with_interval(2, 4, 0.9)[1] == pytest.approx(found)


def test_equal_places_at_the_cut_count_in_the_mean() -> None:
    found = np.array([True, False, True, False])
    assert hits_among_first(found, np.array([0.9, 0.5, 0.5, 0.1]), 2) == 1.5
    assert hits_among_first(found[::-1], np.array([0.1, 0.5, 0.5, 0.9]), 2) == 1.5
    assert hits_among_first(found, np.full(4, 0.2), 3) == 1.5


def test_the_bootstrap_interval_covers_a_mean_and_widens_for_vehicles_seen_again() -> None:
    rng = np.random.default_rng(8)
    covered = 0
    for _ in range(100):
        values = rng.normal(1.0, 1.0, 60)
        _, low, high = mean_with_interval(values, np.ones(60), np.arange(60), NUMBERS)
        covered += low <= 1.0 <= high
    assert 80 <= covered <= 98  # 90 of 100 with a standard deviation of 3
    same = np.repeat(rng.normal(0, 1, 20), 3)
    _, low, high = mean_with_interval(same, np.ones(60), np.repeat(np.arange(20), 3), NUMBERS)
    _, low_apart, high_apart = mean_with_interval(same, np.ones(60), np.arange(60), NUMBERS)
    assert high - low > 1.4 * (high_apart - low_apart)  # sqrt(3) = 1.73 in the limit


def test_figures_count_without_weights_what_a_person_can_count() -> None:
    visits = invented(1, 200)
    rows = {f.figure: f for f in figures_of(PRIOR, visits.found, visits.prior, np.ones(200), visits.vehicle, NUMBERS)}
    best = np.argsort(-visits.prior, kind="stable")[:10]
    ties = (visits.prior == visits.prior[best[-1]]).sum()
    assert ties == 1, "else the next line would depend on the order"
    assert rows["precision_first_10"].value == pytest.approx(visits.found[best].mean())
    assert rows["lift_first_10_percent"].n == 20
    assert sum(f.n for name, f in rows.items() if name.startswith("calibration_bin")) == 200

"""The learned model: regularised logistic regression on the evidence, calibrated on later inspections."""

import warnings
from dataclasses import dataclass

import numpy as np
from sklearn.calibration import CalibratedClassifierCV
from sklearn.frozen import FrozenEstimator
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import Pipeline, make_pipeline
from sklearn.preprocessing import StandardScaler

from fleetbrake.scoring.learning_priors import PENALTIES, LearningPriors
from fleetbrake.scoring.learning_rows import (
    CALIBRATE,
    DESIGNS,
    FEATURES,
    TRAIN,
    Bools,
    Visits,
    Whole,
    design,
    from_logit,
)
from fleetbrake.scoring.rates import Floats

#: The one column whose coefficient may have either sign.
FREE = "indicators_observed"


@dataclass(frozen=True)
class Chosen:
    """Columns of ``FEATURES`` (numbers) and inverse penalty, as the folds in time chose them."""

    design: str
    columns: tuple[int, ...]
    penalty: float


@dataclass(frozen=True)
class LearnedModel:
    """A fitted model. Log odds are ``slope * f + shift`` with ``f`` the regression's; bounded only as probability."""

    regression: Pipeline
    chosen: Chosen
    slope: float
    shift: float
    #: covariances of (coefficients, intercept) and of (slope, shift)
    spread: Floats
    calibration_spread: Floats
    numbers: LearningPriors

    def log_odds(self, ln_lr: Floats, prior: Floats) -> Floats:
        """``(n,)`` calibrated log odds before they are bounded."""
        return np.asarray(self.slope * self._raw(ln_lr, prior) + self.shift, dtype=np.float64)

    def probability(self, ln_lr: Floats, prior: Floats) -> Floats:
        """``(n,)`` probability that an inspection finds a defect, within floor and ceiling."""
        p = from_logit(self.log_odds(ln_lr, prior))
        return np.clip(p, self.numbers.probability_floor, self.numbers.probability_ceiling)

    def log_odds_se(self, ln_lr: Floats, prior: Floats) -> Floats:
        """``(n,)`` standard error of the log odds from the inspections being few (Laplace approximation)."""
        x = with_one(self.regression[0].transform(self._columns(ln_lr, prior)))
        f = self._raw(ln_lr, prior)
        ends = np.column_stack([f, np.ones_like(f)])
        own = np.einsum("ij,jk,ik->i", x, self.spread, x) * self.slope**2
        return np.sqrt(own + np.einsum("ij,jk,ik->i", ends, self.calibration_spread, ends))

    def coefficients(self) -> Floats:
        """Change of the log odds for one unit of each of ``FEATURES``, calibrated; 0 for what the model leaves out."""
        every = np.zeros(len(FEATURES))
        every[list(self.chosen.columns)] = self.slope * self.regression[1].coef_[0] / self.regression[0].scale_
        return every

    def weighed_most(self, ln_lr: Floats, prior: Floats) -> list[str]:
        """Of each row the one of ``FEATURES`` that raises its log odds most above the mean of those learned from."""
        if not len(prior):
            return []
        raised = self.slope * self.regression[0].transform(self._columns(ln_lr, prior)) * self.regression[1].coef_[0]
        return [FEATURES[self.chosen.columns[k]] for k in np.argmax(np.round(raised, 9), axis=1)]

    def _raw(self, ln_lr: Floats, prior: Floats) -> Floats:
        if not len(prior):
            return np.empty(0)
        found: Floats = self.regression.decision_function(self._columns(ln_lr, prior))
        return found

    def _columns(self, ln_lr: Floats, prior: Floats) -> Floats:
        return design(ln_lr, prior, self.numbers)[:, list(self.chosen.columns)]


def fit(visits: Visits, weights: Floats, part: np.ndarray, numbers: LearningPriors) -> LearnedModel:
    """Coefficients from the training part, calibration from the part after it; nothing else is looked at.

    Both parts must hold inspections with and without a defect.
    """
    train, later = part == TRAIN, part == CALIBRATE
    x = design(visits.ln_lr, visits.prior, numbers)
    old = (x[train], visits.found[train], weights[train])
    name, penalty = choose(*old, visits.day[train], numbers)
    regression, columns = never_less(*old, DESIGNS[name], penalty)
    x = x[:, list(columns)]
    slope, shift = calibrate(regression, x[later], visits.found[later], weights[later])
    f = regression.decision_function(x)
    return LearnedModel(
        regression,
        Chosen(name, columns, penalty),
        slope,
        shift,
        spread(with_one(regression[0].transform(x[train])), f[train], weights[train], 1.0 / penalty),
        spread(with_one(f[later, None]), slope * f[later] + shift, weights[later], 0.0),
        numbers,
    )


def choose(x: Floats, found: Bools, weights: Floats, day: Whole, numbers: LearningPriors) -> tuple[str, float]:
    """Design and inverse penalty with the least log loss on later inspections (expanding folds); simpler ones first."""
    edges = np.quantile(day, np.linspace(0, 1, int(numbers.fold_blocks) + 1)[1:-1], method="higher")
    options = [(name, penalty) for name in DESIGNS for penalty in PENALTIES]
    losses = np.zeros(len(options))
    for start, stop in zip(edges, [*edges[1:], day.max() + 1], strict=True):
        old, new = day < start, (day >= start) & (day < stop)
        if not new.any() or found[old].all() or not found[old].any():
            continue
        for number, (name, penalty) in enumerate(options):
            regression, columns = never_less(x[old], found[old], weights[old], DESIGNS[name], penalty)
            f = regression.decision_function(x[new][:, list(columns)])
            losses[number] += float(weights[new] @ np.logaddexp(0.0, np.where(found[new], -f, f)))
    return options[int(np.argmin(np.round(losses, 9)))]


def never_less(
    x: Floats, found: Bools, weights: Floats, names: tuple[str, ...], penalty: float
) -> tuple[Pipeline, tuple[int, ...]]:
    """A regression in which evidence of a fault never makes a fault less likely, and the columns that are in it.

    A column whose coefficient comes out below zero is left out, the least one first, and the rest is fitted again.
    """
    columns = tuple(FEATURES.index(name) for name in names)
    while True:
        model = _regression(x[:, list(columns)], found, weights, penalty)
        signed = [
            (coefficient, column)
            for coefficient, column in zip(model[1].coef_[0], columns, strict=True)
            if FEATURES[column] != FREE
        ]
        least, worst = min(signed, default=(0.0, -1))
        if least >= 0 or len(columns) == 1:
            return model, columns
        columns = tuple(column for column in columns if column != worst)


def calibrate(regression: Pipeline, x: Floats, found: Bools, weights: Floats) -> tuple[float, float]:
    """Slope and shift of the log odds by the sigmoid method (Platt 1999, as scikit-learn has it)."""
    with warnings.catch_warnings():
        # it says that the weights do not reach the regression, which is frozen here and had its own
        warnings.filterwarnings("ignore", message="Since FrozenEstimator does not appear to accept sample_weight")
        calibrated = CalibratedClassifierCV(FrozenEstimator(regression), method="sigmoid")
        calibrated.fit(x, found.astype(np.int64), sample_weight=weights)
    sigmoid = calibrated.calibrated_classifiers_[0].calibrators[0]  # p = 1 / (1 + exp(a f + b))
    return -float(sigmoid.a_), -float(sigmoid.b_)


def _regression(x: Floats, found: Bools, weights: Floats, penalty: float) -> Pipeline:
    model = make_pipeline(StandardScaler(), LogisticRegression(C=penalty, solver="newton-cholesky", tol=1e-8))
    return model.fit(x, found.astype(np.int64), logisticregression__sample_weight=weights)


def with_one(x: Floats) -> Floats:
    """The columns and one of ones, for the intercept."""
    return np.column_stack([x, np.ones(len(x))])


def spread(x: Floats, log_odds: Floats, weights: Floats, penalty: float) -> Floats:
    """``(k, k)`` covariance of the coefficients: inverse information at the fit; the penalty holds all but the last."""
    p = from_logit(log_odds)
    held = np.full(x.shape[1], penalty)
    held[-1] = 0.0
    information = (x * (weights * p * (1 - p))[:, None]).T @ x + np.diag(held)
    return np.asarray(np.linalg.pinv(information, hermitian=True), dtype=np.float64)

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
from fleetbrake.scoring.learning_rows import CALIBRATE, TRAIN, Bools, Visits, Whole, design, from_logit
from fleetbrake.scoring.rates import Floats


@dataclass(frozen=True)
class LearnedModel:
    """A fitted model. Log odds are ``slope * f + shift`` with ``f`` the regression's; bounded only as probability."""

    regression: Pipeline
    slope: float
    shift: float
    penalty: float
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
        x = _with_one(self.regression[0].transform(design(ln_lr, prior, self.numbers)))
        f = self._raw(ln_lr, prior)
        ends = np.column_stack([f, np.ones_like(f)])
        own = np.einsum("ij,jk,ik->i", x, self.spread, x) * self.slope**2
        return np.sqrt(own + np.einsum("ij,jk,ik->i", ends, self.calibration_spread, ends))

    def coefficients(self) -> Floats:
        """Change of the log odds for one unit of each of ``FEATURES``, calibrated."""
        scale = np.asarray(self.regression[0].scale_, dtype=np.float64)
        return np.asarray(self.slope * self.regression[1].coef_[0] / scale, dtype=np.float64)

    def _raw(self, ln_lr: Floats, prior: Floats) -> Floats:
        if not len(prior):
            return np.empty(0)
        found: Floats = self.regression.decision_function(design(ln_lr, prior, self.numbers))
        return found


def fit(visits: Visits, weights: Floats, part: np.ndarray, numbers: LearningPriors) -> LearnedModel:
    """Coefficients from the training part, calibration from the part after it; nothing else is looked at.

    Both parts must hold inspections with and without a defect.
    """
    train, later = part == TRAIN, part == CALIBRATE
    x = design(visits.ln_lr, visits.prior, numbers)
    penalty = choose_penalty(x[train], visits.found[train], weights[train], visits.day[train], numbers)
    regression = _regression(x[train], visits.found[train], weights[train], penalty)
    slope, shift = calibrate(regression, x[later], visits.found[later], weights[later])
    f = regression.decision_function(x[later])
    return LearnedModel(
        regression,
        slope,
        shift,
        penalty,
        _spread(_with_one(regression[0].transform(x[train])), regression.decision_function(x[train]), weights[train],
                1.0 / penalty),
        _spread(_with_one(f[:, None]), slope * f + shift, weights[later], 0.0),
        numbers,
    )  # fmt: skip


def choose_penalty(x: Floats, found: Bools, weights: Floats, day: Whole, numbers: LearningPriors) -> float:
    """Inverse penalty with the least log loss on later inspections (expanding folds); the stronger one of equals."""
    edges = np.quantile(day, np.linspace(0, 1, int(numbers.fold_blocks) + 1)[1:-1], method="higher")
    losses = np.zeros(len(PENALTIES))
    for start, stop in zip(edges, [*edges[1:], day.max() + 1], strict=True):
        old, new = day < start, (day >= start) & (day < stop)
        if not new.any() or found[old].all() or not found[old].any():
            continue
        for number, penalty in enumerate(PENALTIES):
            f = _regression(x[old], found[old], weights[old], penalty).decision_function(x[new])
            losses[number] += float(weights[new] @ np.logaddexp(0.0, np.where(found[new], -f, f)))
    return PENALTIES[int(np.argmin(np.round(losses, 9)))]


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


def _with_one(x: Floats) -> Floats:
    return np.column_stack([x, np.ones(len(x))])


def _spread(x: Floats, log_odds: Floats, weights: Floats, penalty: float) -> Floats:
    """Inverse of the information at the fit; the penalty holds all but the last column."""
    p = from_logit(log_odds)
    held = np.full(x.shape[1], penalty)
    held[-1] = 0.0
    information = (x * (weights * p * (1 - p))[:, None]).T @ x + np.diag(held)
    return np.asarray(np.linalg.pinv(information, hermitian=True), dtype=np.float64)

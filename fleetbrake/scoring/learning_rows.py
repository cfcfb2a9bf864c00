"""Inspections as arrays: what was known before each, the parts by time, and the weights by how they were chosen."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.vocabulary import INDICATORS
from fleetbrake.scoring.learning_priors import BANDS, LearningPriors
from fleetbrake.scoring.rates import Floats

Whole = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

TRAIN, CALIBRATE, HELD_OUT = "train", "calibrate", "held_out"
PARTS = (TRAIN, CALIBRATE, HELD_OUT)

#: Columns of the design matrix: evidence by indicator, how many of them spoke, and the priors' own word.
FEATURES = (*INDICATORS, "indicators_observed", "prior_log_odds")

#: Sets of columns to choose from, simplest first. With the priors' word alone the model only calibrates them anew; with
#: the evidence alone it can unlearn an indicator, which the priors' word would carry in again.
DESIGNS = {
    "priors": ("indicators_observed", "prior_log_odds"),
    "evidence": (*INDICATORS, "indicators_observed"),
    "both": FEATURES,
}


@dataclass(frozen=True)
class Visits:
    """Inspections with evidence from before, ``n`` rows.

    Attributes
    ----------
    vehicle : ``(n,)`` whole numbers, one a vehicle.
    day : ``(n,)`` day of the inspection, as a whole number of days.
    week : ``(n,)`` day up to which the evidence goes; less than ``day``.
    found : ``(n,)`` whether the inspection found a defect.
    prior : ``(n,)`` probability by the priors, 0 to 1.
    ln_lr : ``(n, indicators)`` ln likelihood ratio, NaN where the indicator could not be observed.
    place : ``(n,)`` share of the fleet with a greater prior probability in that week, 0 to 1.
    fleet : ``(n,)`` vehicles in the fleet in that week.
    """

    vehicle: Whole
    day: Whole
    week: Whole
    found: Bools
    prior: Floats
    ln_lr: Floats
    place: Floats
    fleet: Floats

    def __len__(self) -> int:
        return len(self.day)

    def where(self, keep: Bools) -> "Visits":
        """The rows named, in their order."""
        return Visits(**{name: values[keep] for name, values in vars(self).items()})


def logit(probability: Floats) -> Floats:
    """ln of the odds, finite also at 0 and 1."""
    p = np.clip(probability, 1e-9, 1 - 1e-9)
    return np.asarray(np.log(p) - np.log1p(-p), dtype=np.float64)


def from_logit(log_odds: Floats) -> Floats:
    """Probability of log odds."""
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(log_odds, -700, 700))), dtype=np.float64)


def design(ln_lr: Floats, prior: Floats, numbers: LearningPriors) -> Floats:
    """``(n, len(FEATURES))``: ln(1 + LR) of each indicator, how many spoke, log odds by the priors.

    ln(1 + LR) grows with evidence of a fault and hardly falls with evidence of none: many sound brakes do not make up
    for a bad one, as in the probability of any defect. What could not be observed has LR 1: it says nothing either way.
    """
    seen = np.isfinite(ln_lr)
    told = np.clip(np.where(seen, ln_lr, 0.0), None, numbers.evidence_most)
    return np.column_stack([np.logaddexp(0.0, told), seen.sum(axis=1), logit(prior)])


def parts_by_time(day: Whole, numbers: LearningPriors) -> npt.NDArray[np.str_]:
    """Part of each row: the oldest train, the next calibrate, the newest are held out. A day is never split."""
    if not len(day):
        return np.empty(0, dtype="<U9")
    ordered, n = np.sort(day), len(day)
    calibrate_from = ordered[min(n - 1, int(numbers.train_share * n))]
    held_from = ordered[min(n - 1, int((numbers.train_share + numbers.calibrate_share) * n))]
    return np.where(day < calibrate_from, TRAIN, np.where(day < held_from, CALIBRATE, HELD_OUT))


def selection_weights(visits: Visits, numbers: LearningPriors) -> Floats:
    """Inverse of the chance of being inspected, mean 1, ``(n,)``.

    The chance is the share of vehicle-weeks of a band of the fleet's list that was inspected. Weeks without any
    inspection are missing in all bands alike, which the mean takes out again. Inverse-probability weighting is
    standard (Horvitz and Thompson 1952, from memory); the greatest weight is cut (``weight_most``).
    """
    if not len(visits):
        return np.empty(0)
    band = np.clip(np.searchsorted(BANDS, visits.place, side="right") - 1, 0, len(BANDS) - 2)
    _, first = np.unique(visits.week, return_index=True)
    vehicle_weeks = np.diff(BANDS) * visits.fleet[first].sum()
    chance = np.bincount(band, minlength=len(BANDS) - 1) / np.maximum(vehicle_weeks, 1e-9)
    weight = 1.0 / chance[band]
    weight = np.minimum(weight / weight.mean(), numbers.weight_most)
    return np.asarray(weight / weight.mean(), dtype=np.float64)


def effective_number(weights: Floats) -> float:
    """Number of equally weighted rows with the same scatter (Kish: square of the sum over the sum of squares)."""
    return float(weights.sum() ** 2 / (weights**2).sum()) if len(weights) else 0.0

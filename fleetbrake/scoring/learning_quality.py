"""How good a probability was, held against what inspections found: the figures of the table ``model_quality``."""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from fleetbrake.scoring.learning_priors import SEED, LearningPriors
from fleetbrake.scoring.learning_rows import Bools, Whole
from fleetbrake.scoring.rates import Floats


@dataclass(frozen=True)
class Figure:
    """One row of ``model_quality`` but for its day. ``predicted`` only for bins of the calibration curve."""

    model: str
    figure: str
    value: float | None
    n: int
    low: float | None = None
    high: float | None = None
    predicted: float | None = None
    note: str | None = None


def losses(found: Bools, probability: Floats) -> Floats:
    """``(n,)`` log loss of each inspection, in nats."""
    return -np.log(np.where(found, probability, 1.0 - probability))


def squares(found: Bools, probability: Floats) -> Floats:
    """``(n,)`` squared error of each probability; their mean is the Brier score (Brier 1950)."""
    return (probability - found) ** 2


def mean_with_interval(
    values: Floats, weights: Floats, vehicle: Whole, numbers: LearningPriors, level: float | None = None
) -> tuple[float, float, float]:
    """Weighted mean with a two-sided bootstrap interval; whole vehicles are drawn, since theirs belong together."""
    level = numbers.interval_level if level is None else level
    _, code = np.unique(vehicle, return_inverse=True)
    clusters = int(code.max()) + 1
    top = np.bincount(code, weights * values, clusters)
    bottom = np.bincount(code, weights, clusters)
    drawn = np.random.default_rng(SEED).multinomial(clusters, np.full(clusters, 1 / clusters), int(numbers.draws))
    means = (drawn @ top) / (drawn @ bottom)
    low, high = np.quantile(means, [(1 - level) / 2, (1 + level) / 2])
    return float(top.sum() / bottom.sum()), float(low), float(high)


def share_with_interval(hits: float, n: int, level: float) -> tuple[float, float, float]:
    """Share with its exact binomial interval (Clopper and Pearson 1934); hits may be a mean over equal places."""
    tail = (1 - level) / 2
    low = 0.0 if hits <= 0 else float(stats.beta.ppf(tail, hits, n - hits + 1))
    high = 1.0 if hits >= n else float(stats.beta.ppf(1 - tail, hits + 1, n - hits))
    return hits / n, low, high


def hits_among_first(found: Bools, probability: Floats, first: int) -> float:
    """Defects among the ``first`` by probability; of equal ones at the cut the mean over all orders."""
    cut = np.sort(probability)[::-1][first - 1]
    above, equal = probability > cut, probability == cut
    return float(found[above].sum() + (first - above.sum()) * found[equal].mean())


def calibration_bins(found: Bools, probability: Floats, bins: int) -> list[tuple[float, int, int]]:
    """Mean predicted, defects and number in each bin between quantiles of the probability; empty bins are left out.

    As ``sklearn.calibration.calibration_curve`` with ``strategy="quantile"``, which gives no counts.
    """
    edges = np.quantile(probability, np.linspace(0, 1, bins + 1))
    number = np.searchsorted(edges[1:-1], probability)
    return [
        (float(probability[number == k].mean()), int(found[number == k].sum()), int((number == k).sum()))
        for k in range(bins)
        if (number == k).any()
    ]


def figures_of(
    model: str, found: Bools, probability: Floats, weights: Floats, vehicle: Whole, numbers: LearningPriors
) -> list[Figure]:
    """Log loss and Brier score (weighted by how inspections were chosen), precision, lift and calibration curve.

    The last three count the inspections as they were made: no weights, so that they can be followed by hand.
    """
    n = len(found)
    if not n:
        return []
    level, weighted = numbers.interval_level, "weighted by the inverse chance of being inspected"
    rows = []
    for figure, values in (("log_loss", losses(found, probability)), ("brier", squares(found, probability))):
        value, low, high = mean_with_interval(values, weights, vehicle, numbers)
        rows.append(Figure(model, figure, value, n, low, high, note=weighted))
    first = min(n, int(numbers.first))
    value, low, high = share_with_interval(hits_among_first(found, probability, first), first, level)
    rows.append(Figure(model, f"precision_first_{int(numbers.first)}", value, first, low, high))
    tenth, base = max(1, round(numbers.first_share * n)), float(found.mean())
    value, low, high = share_with_interval(hits_among_first(found, probability, tenth), tenth, level)
    if base > 0:
        name = f"lift_first_{100 * numbers.first_share:.0f}_percent"
        note = "share of defects among them over that among all; interval of the first share alone"
        rows.append(Figure(model, name, value / base, tenth, low / base, high / base, note=note))
    for number, (predicted, hits, count) in enumerate(calibration_bins(found, probability, int(numbers.bins)), start=1):
        value, low, high = share_with_interval(hits, count, level)
        rows.append(Figure(model, f"calibration_bin_{number}", value, count, low, high, predicted))
    return rows

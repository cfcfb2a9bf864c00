"""Rates from few counts: gamma-Poisson shrinkage and exact Poisson intervals, vectorised over drivers."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Posterior:
    """Posterior of a rate under a gamma prior; arrays of one length, in counts per unit of exposure."""

    mean: Floats
    sd: Floats
    low: Floats
    high: Floats
    prior_weight: Floats


def gamma_poisson(
    counts: npt.ArrayLike,
    exposure: npt.ArrayLike,
    *,
    shape: float,
    rate: float,
    level: float = 0.90,
) -> Posterior:
    """Rate behind ``counts`` in ``exposure`` when rates are spread as Gamma(shape, rate).

    mean = (shape + count) / (rate + exposure), the prior's weight is rate / (rate + exposure); equal-tailed interval.
    Standard result; Hauer et al. 2002 (TRR 1784) writes the same with shape = phi * length, rate = phi / (mu * length).
    """
    count = np.asarray(counts, dtype=np.float64)
    time = np.asarray(exposure, dtype=np.float64)
    after_shape, after_rate = shape + count, rate + time
    tail = (1.0 - level) / 2.0
    return Posterior(
        mean=after_shape / after_rate,
        sd=np.sqrt(after_shape) / after_rate,
        low=stats.gamma.ppf(tail, after_shape) / after_rate,
        high=stats.gamma.ppf(1.0 - tail, after_shape) / after_rate,
        prior_weight=rate / after_rate,
    )


def exact_interval(counts: npt.ArrayLike, *, level: float = 0.95) -> tuple[Floats, Floats]:
    """Exact (Garwood) limits of a Poisson mean from a count: half chi-square quantiles; lower limit of 0 is 0."""
    count = np.asarray(counts, dtype=np.float64)
    tail = (1.0 - level) / 2.0
    low = np.where(count > 0, stats.chi2.ppf(tail, np.maximum(2.0 * count, 1e-300)) / 2.0, 0.0)
    return low, stats.chi2.ppf(1.0 - tail, 2.0 * count + 2.0) / 2.0


def shape_by_moments(counts: npt.ArrayLike, expected: npt.ArrayLike, *, least: float, greatest: float) -> float:
    """Gamma shape of the ratios observed / expected (mean 1), from Var(count) = E + E**2 / shape.

    1 / shape = sum((count - E)**2 - E) / sum(E**2), held between ``least`` and ``greatest``.
    """
    count = np.asarray(counts, dtype=np.float64)
    mean = np.asarray(expected, dtype=np.float64)
    excess = float(np.sum((count - mean) ** 2 - mean))
    if excess <= 0.0:
        return greatest
    return float(np.clip(np.sum(mean**2) / excess, least, greatest))

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


def mean_of_rates(counts: npt.ArrayLike, exposure: npt.ArrayLike, *, shape: float) -> float:
    """Mean of the rates by maximum likelihood when they are spread as a gamma distribution of this shape.

    Counts are then negative binomial. The mean of the posterior means, taken again and again (expectation-maximisation,
    standard): every rate counts once, however great its exposure. Counts that were divided by a dispersion need not be
    whole numbers. Not all counts may be 0.
    """
    count = np.asarray(counts, dtype=np.float64)
    time = np.asarray(exposure, dtype=np.float64)
    mean = float(count.sum() / time.sum())
    for _ in range(500):
        before, mean = mean, float(np.mean((shape + count) / (shape / mean + time)))
        if abs(mean - before) <= 1e-9 * mean:
            break
    return mean


def widened(posterior: Posterior, log_se: npt.ArrayLike, *, level: float = 0.90) -> tuple[Floats, Floats]:
    """Interval of a rate whose exposure is itself only known within ``log_se`` (standard error of its logarithm).

    The gamma distribution with the posterior's mean whose relative variance is the posterior's plus that of the
    exposure times the square of the data's own weight: to first order, what an exposure off by a factor does.
    """
    own = (1.0 - posterior.prior_weight) * np.asarray(log_se, dtype=np.float64)
    shape = 1.0 / ((posterior.sd / posterior.mean) ** 2 + own**2)
    tail = (1.0 - level) / 2.0
    return (
        stats.gamma.ppf(tail, shape) * posterior.mean / shape,
        stats.gamma.ppf(1.0 - tail, shape) * posterior.mean / shape,
    )

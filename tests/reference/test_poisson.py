"""Shrinkage and Poisson limits against published figures, through the functions that driver style uses."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from fleetbrake.scoring.rates import exact_interval, gamma_poisson, widened

#: Limits computed with a general-purpose statistics library; k = 0 and 10 agree with calculatorhub.com (verified).
GARWOOD = {
    0: (0, 3.6889),
    1: (0.0253, 5.5716),
    2: (0.2422, 7.2247),
    3: (0.6187, 8.7673),
    5: (1.6235, 11.6683),
    10: (4.7954, 18.3904),
    20: (12.2165, 30.8884),
    50: (37.1110, 65.9188),
    100: (81.3640, 121.6268),
}
#: Byar's approximation (formula verified at stats.stackexchange.com/questions/281673; values computed).
BYAR = {
    5: (1.6113, 11.6682),
    10: (4.7874, 18.3915),
    20: (12.2114, 30.8899),
    50: (37.1081, 65.9202),
    100: (81.3621, 121.6279),
}


def test_gamma_poisson_closed_form() -> None:
    """Standard result, computed example: a 2, b 0.5, y 7, t 3 -> 2.571, weight of the prior 0.143."""
    posterior = gamma_poisson([7], [3], shape=2.0, rate=0.5)
    assert posterior.mean[0] == pytest.approx(2.571, abs=5e-4)
    assert posterior.prior_weight[0] == pytest.approx(0.143, abs=5e-4)


@pytest.mark.parametrize(("count", "limits"), GARWOOD.items())
def test_exact_limits(count: int, limits: tuple[float, float]) -> None:
    """Garwood's exact 95 % limits, four decimals of the table."""
    low, high = exact_interval([count])
    assert (low[0], high[0]) == (pytest.approx(limits[0], abs=5e-5), pytest.approx(limits[1], abs=5e-5))


@pytest.mark.parametrize(("count", "limits"), BYAR.items())
def test_exact_limits_agree_with_byar(count: int, limits: tuple[float, float]) -> None:
    """An independent formula: from five events on Byar is within 0.015 of the lower and 0.002 of the upper limit."""
    low, high = exact_interval([count])
    assert low[0] == pytest.approx(limits[0], abs=0.015)
    assert high[0] == pytest.approx(limits[1], abs=0.002)


@pytest.mark.parametrize(
    ("years", "count", "estimate", "sd", "per_km", "sd_per_km", "weight"),
    [(1, 12, 8.476, None, 4.71, 1.19, 0.460), (3, 27, 7.97, 1.44, 4.43, None, 0.221)],
)
def test_hauer_tutorial(
    years: int, count: int, estimate: float, sd: float | None, per_km: float, sd_per_km: float | None, weight: float
) -> None:
    """Hauer, Harwood, Council & Griffith 2002, worked example of one and of three years.

    Answers verified (secondary) at slideplayer.com/amp/12880660, inputs from memory: ADT 4 000, section of 1.8 km,
    mu = 0.0224 ADT^0.564 per km and year, phi 2.05 per km; 12 crashes, then 12 + 7 + 8. The weight and the 8.476
    are recomputed. In gamma terms: shape phi L, rate phi / mu a year.
    """
    mu, length, phi = 0.0224 * 4000**0.564, 1.8, 2.05
    posterior = gamma_poisson([count], [years], shape=phi * length, rate=phi / mu)
    assert posterior.mean[0] == pytest.approx(estimate, abs=6e-3)
    assert posterior.mean[0] / length == pytest.approx(per_km, abs=6e-3)
    assert posterior.prior_weight[0] == pytest.approx(weight, abs=6e-4)
    if sd is not None:
        assert posterior.sd[0] == pytest.approx(sd, abs=6e-3)
    if sd_per_km is not None:
        assert posterior.sd[0] / length == pytest.approx(sd_per_km, abs=6e-3)


def test_published_rate_example() -> None:
    """137 events in an exposure of 24.19893: inputs verified (help page of a rate interval, no printed answer); exact
    95 % limits of the rate 4.7531 to 6.6927 computed with SciPy."""
    limits = [side[0] / 24.19893 for side in exact_interval([137])]
    assert limits == [pytest.approx(4.7531, abs=5e-5), pytest.approx(6.6927, abs=5e-5)]


def test_an_exactly_known_exposure_widens_nothing_and_a_doubtful_one_adds_its_variance() -> None:
    """By hand: with own weight w and standard error s the relative variance is 1 / (a + y) + (w s)^2."""
    posterior = gamma_poisson([20.0], [10.0], shape=5.0, rate=5.0, level=0.9)
    low, high = widened(posterior, [0.0], level=0.9)
    assert (low[0], high[0]) == (pytest.approx(posterior.low[0]), pytest.approx(posterior.high[0]))
    shape = 1.0 / (1.0 / 25.0 + (10.0 / 15.0 * 0.3) ** 2)
    low, high = widened(posterior, [0.3], level=0.9)
    limits = stats.gamma.ppf([0.05, 0.95], shape, scale=25.0 / 15.0 / shape)
    assert (low[0], high[0]) == (pytest.approx(limits[0]), pytest.approx(limits[1]))


def test_widened_limits_hold_what_they_promise() -> None:
    """20 000 rates from Gamma(4, 4), exposure off by a log-normal factor of known spread: 90 % within 1.5 %.

    The exposure's doubt enters to first order only; that and not chance (0.2 %) is the tolerance.
    """
    rng = np.random.default_rng(20260302)
    rate = rng.gamma(4.0, 0.25, 20_000)
    stated = rng.uniform(5, 30, rate.size)
    counts = rng.poisson(rate * stated * np.exp(rng.normal(0.0, 0.2, rate.size)))
    posterior = gamma_poisson(counts, stated, shape=4.0, rate=4.0)
    low, high = widened(posterior, np.full(rate.size, 0.2))
    assert np.mean((low <= rate) & (rate <= high)) == pytest.approx(0.9, abs=0.015)
    plain = np.mean((posterior.low <= rate) & (rate <= posterior.high))
    assert plain < 0.87


@given(st.integers(0, 60), st.floats(0.1, 50), st.floats(0.5, 20), st.floats(0.1, 20))
def test_posterior_mean_is_between_prior_and_data_and_in_its_interval(
    count: int, exposure: float, shape: float, rate: float
) -> None:
    posterior = gamma_poisson([count], [exposure], shape=shape, rate=rate)
    ends = sorted((shape / rate, count / exposure))
    assert ends[0] * (1 - 1e-9) <= posterior.mean[0] <= ends[1] * (1 + 1e-9)
    assert posterior.low[0] < posterior.mean[0] < posterior.high[0]


def test_interval_holds_its_level_of_the_posterior_by_quadrature() -> None:
    """Prior times Poisson likelihood integrated between the limits, without the conjugate formula: 0.90."""
    posterior = gamma_poisson([4], [2.5], shape=2.0, rate=0.5, level=0.9)

    def density(rate: float) -> float:
        return float(stats.gamma.pdf(rate, 2.0, scale=2.0) * stats.poisson.pmf(4, 2.5 * rate))

    inside = integrate.quad(density, posterior.low[0], posterior.high[0])[0]
    assert inside / integrate.quad(density, 0, 60)[0] == pytest.approx(0.9, abs=1e-6)

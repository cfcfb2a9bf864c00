"""The smoother and the vehicle's calibration against their slow twins, SciPy and NumPy's least squares."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from fleetbrake.kinematics import calibration, fusion
from tests.naive import naive_fusion as naive
from tests.naive.random_cases import case

SEEDS = range(60)
#: Sums in another order differ by rounding only.
CLOSE = {"rtol": 1e-9, "atol": 1e-9}
#: Two orders of solving the same normal equations.
FILTERED = {"rtol": 1e-6, "atol": 1e-6}
#: Two forms of the covariance update and of the inverse; beside a channel with a noise of 1e-5 m/s the short form keeps
#: about five digits of a variance. Speed and its error in m/s, acceleration and bias in m/s2 (a speed over 0.01 s).
SMOOTHED = ({"rtol": 1e-6, "atol": 1e-5}, {"rtol": 1e-5, "atol": 1e-3}, {"rtol": 1e-5, "atol": 1e-3},
            {"rtol": 1e-5, "atol": 1e-5})  # fmt: skip


def same(found, expected, close=CLOSE):
    found, expected = np.asarray(found, float), np.asarray(expected, float)
    np.testing.assert_allclose(found, expected.reshape(found.shape), equal_nan=True, **close)


def driven(c):
    """Sources of a vehicle that brakes now and then: wheels that slip and lock, a late held speed, a sensor."""
    rng, n, events = c.rng, c.samples, c.events
    accel = np.zeros(n)
    speed = np.zeros(n)
    for a, b in zip(c.offsets[:-1], c.offsets[1:], strict=True):
        accel[a:b] = np.repeat(rng.choice([0.0, -1.0, -4.0, -8.0, 1.0], b - a), 10)[: b - a]
        fall = integrate.cumulative_trapezoid(accel[a:b], c.time_s[a:b], initial=0.0)
        speed[a:b] = np.maximum(rng.uniform(2.0, 25.0) + fall, 0.0)
    free = accel > -0.5
    wheel = speed * (1.0 - rng.choice([0.0, 0.0, 0.02, 0.1, 1.0], n)) + rng.normal(0.0, 0.02, n)
    shown = rng.random(events) < 0.6
    sensor = np.where(np.repeat(shown, np.diff(c.offsets)), accel + 0.4 + rng.normal(0.0, 0.1, n), np.nan)
    has_channel = np.repeat(rng.random(events) < 0.6, np.diff(c.offsets))
    return fusion.Sources(
        accel=c.blend(sensor),
        accel_noise=rng.choice([0.0, 0.1], events),
        gain=rng.uniform(0.9, 1.1, events),
        gain_se=rng.choice([0.01, 0.05], events),
        speed=c.blend(np.where(has_channel, speed + rng.normal(0.0, 0.1, n), np.nan)),
        fresh=rng.random(n) < rng.choice([0.2, 1.0]),
        speed_noise=rng.choice([0.0, 0.1], events),
        delay=rng.choice([0.0, 0.033, 0.2, 0.5], events),
        free=c.blend(np.where(free, wheel, np.nan)),
        braked=c.blend(np.where(free, np.nan, wheel)),
        wheel_noise=rng.choice([0.0, 0.03], events),
        wheel_hz=rng.choice([np.nan, 0.0, 10.0, 50.0], events),
        alone=rng.random(events) < 0.3,
    )


def check_smoother(c):
    sources = driven(c)
    same(fusion.wander(c.time_s, sources.accel, sources.gain, c.offsets),
         naive.wander(c.time_s, sources.accel, sources.gain, c.offsets))  # fmt: skip
    found = fusion.smooth(c.time_s, c.offsets, sources)
    expected = naive.smooth(c.time_s, c.offsets, sources)
    for one, other, close in zip(found, expected, SMOOTHED, strict=True):
        same(one, other, close)


def check_wheel_reading(c):
    rng = c.rng
    for _ in range(20):
        v = float(rng.choice([0.0, 0.2, 1.0, 20.0]))
        args = (
            float(rng.choice([0.0, 0.29, 0.5, v, 0.98 * v, 0.7 * v, 1.3 * v])), v, float(rng.normal(0.0, 3.0)),
            float(rng.normal(0.0, 0.4)), float(rng.choice([0.01, 0.5])), 0.02, float(rng.choice([1.0, 25.0])),
            bool(rng.random() < 0.3),
        )  # fmt: skip
        off, doubt = naive.wheel_reading(*args)
        same(fusion.wheel_reading(*args), (off, -1.0 if doubt is None else doubt))


def check_running_integral(c):
    x = c.blend(c.rng.normal(size=c.samples))
    found = calibration.running_integral(c.time_s, x, c.offsets)
    for a, b in zip(c.offsets[:-1], c.offsets[1:], strict=True):
        expected = integrate.cumulative_trapezoid(x[a:b], c.time_s[a:b], initial=0.0)
        same(found[a:b], expected + 0.0 * x[a])  # SciPy begins at the value given, known or not


def check_radius(c):
    base = c.blend(c.wander())
    rows = c.blend(base * c.rng.uniform(0.95, 1.05, (3, 1)))
    args = (rows, base, c.marks(0.5), c.offsets, 3)
    ratio = calibration.mean_ratio(*args)
    same(ratio, naive.mean_ratio(*args))
    groups = c.events + 1
    group = c.rng.integers(0, groups, c.events)
    same(calibration.group_radius(ratio, group, groups), naive.group_radius(ratio, group, groups))


def check_delay_by_wheels(c):
    # one vehicle more than there are events: nothing is known of it
    group, groups = c.rng.integers(0, 2, c.events), 3
    wheel = c.blend(c.wander())
    speed = c.blend(wheel + c.rng.normal(0.0, 0.1, c.samples))
    # a window between whole steps, so that no comparison hangs on the rounding of a difference
    same(calibration.mean_fall(c.time_s, wheel, c.offsets, 0.153),
         naive.mean_fall(c.time_s, wheel, c.offsets, 0.153))  # fmt: skip
    args = (c.time_s, c.offsets, wheel, speed, c.marks(), group, groups, 2)
    same(calibration.delay_by_wheels(*args), naive.delay_by_wheels(*args), FILTERED)


def check_gain_and_delay_step(c):
    accel = c.blend(c.rng.normal(-2.0, 2.0, c.samples))
    speed = c.blend(c.wander())
    group, groups = c.rng.integers(0, 2, c.events), 2
    integral = calibration.running_integral(c.time_s, accel, c.offsets)
    late, use, start = bool(c.rng.random() < 0.6), c.marks(), float(c.rng.choice([0.0, 0.0373, 0.2501]))
    found = np.empty((5, groups))
    found[:] = np.array([1.0, start, 0.05, 0.05, np.nan])[:, None]
    calibration._fit(
        c.time_s, c.offsets, accel, integral, speed, use, group, late, 1, found[0], found[1], found[2], found[3],
        found[4],
    )  # fmt: skip
    for g in range(groups):
        members = np.flatnonzero(group == g)
        expected = naive.gauss_newton(c.time_s, c.offsets, accel, speed, use, members, late, 1, start)
        same(found[:, g], expected, FILTERED)


CHECKS = [value for name, value in sorted(globals().items()) if name.startswith("check_")]


@pytest.mark.parametrize("check", CHECKS, ids=lambda f: f.__name__[6:])
def test_kernel_equals_its_twin_on_seeded_batches(check):
    for seed in SEEDS:
        check(case(seed))


@pytest.mark.parametrize("check", CHECKS, ids=lambda f: f.__name__[6:])
def test_kernel_equals_its_twin_on_searched_batches(check):
    @settings(max_examples=40, deadline=None, derandomize=True, database=None)
    @given(seed=st.integers(0, 2**32 - 1), longest=st.integers(4, 50))
    def search(seed, longest):
        check(case(seed, longest=longest))

    search()


def test_a_converged_fit_is_the_same_from_the_twin():
    """Realistic stops with a late speed and a gain of 1.04: all starts are tried, the best valley wins in both."""
    rng = np.random.default_rng(3)
    time_s = np.arange(400) / 50.0
    true = np.where(time_s < 2.0, 0.0, -4.0 - np.sin(time_s))
    offsets = np.array([0, 400, 800], np.int64)
    late = np.concatenate([20.0 + integrate.cumulative_trapezoid(np.interp(time_s - 0.2, time_s, true), time_s,
                                                                 initial=0.0) for _ in range(2)])  # fmt: skip
    accel = np.tile(true / 1.04, 2) + 0.3 + rng.normal(0.0, 0.05, 800)
    speed = late + rng.normal(0.0, 0.05, 800)
    args = (np.tile(time_s, 2), offsets, accel, speed, np.arange(800) % 5 == 0, np.zeros(2, np.int64), 1)
    found = calibration.gain_and_delay(*args, True, 8)
    same(found, naive.gain_and_delay(*args, True, 8), FILTERED)
    assert found[0][0] == pytest.approx(1.04, abs=0.01)
    assert found[2][0] == pytest.approx(0.2, abs=0.01)
    same(calibration.gain_and_delay(*args, False, 8), naive.gain_and_delay(*args, False, 8), FILTERED)

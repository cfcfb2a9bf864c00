"""Every compiled kernel of ``fleetbrake.kinematics`` against its slow twin, on random batches."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbrake.kinematics import deceleration, energy, rates, reference_speed, response, slip, smoothing
from tests.naive import naive_kinematics as naive
from tests.naive.random_cases import case

SEEDS = range(60)
#: Sums in another order differ by rounding only.
CLOSE = {"rtol": 1e-9, "atol": 1e-9}


def same(found, expected):
    found, expected = np.asarray(found, float), np.asarray(expected, float)
    np.testing.assert_allclose(found, expected.reshape(found.shape), equal_nan=True, **CLOSE)


def check_rates(c):
    held = c.coarse(2)
    held[:, ::2] = np.nan if c.rng.random() < 0.2 else held[:, ::2]
    same(rates.row_rate(c.time_s, c.offsets), naive.row_rate(c.time_s, c.offsets))
    same(rates.effective_rate(c.time_s, held, c.offsets), naive.effective_rate(c.time_s, held, c.offsets))
    same(rates.seen_rate(c.time_s, held, c.offsets), naive.seen_rate(c.time_s, held, c.offsets))


def check_noise_and_median(c):
    begin, end = np.maximum(c.start, 0), c.stop
    x = c.blend(c.rng.normal(size=c.samples))
    same(rates.white_noise(x, begin, end), naive.white_noise(x, c.start, c.stop))
    same(rates.event_median(x, begin, end), naive.event_median(x, c.start, c.stop))


def check_three_point(c):
    x = c.blend(c.rng.normal(size=(2, c.samples)))
    smooth = c.rng.random(c.events) < 0.7
    same(smoothing.three_point(x, c.offsets, smooth), naive.three_point(x, c.offsets, smooth))


def check_unheld(c):
    x = c.blend(np.floor(np.cumsum(c.rng.random(c.samples)) / c.rng.choice([1, 4])))
    hz = c.rng.choice([0.0, np.nan, 1.0, 5.0, 20.0, 100.0], c.events)
    same(reference_speed.unheld(c.time_s, x, hz, c.offsets), naive.unheld(c.time_s, x, hz, c.offsets))


def check_slope(c):
    speed = c.blend(c.wander())
    window = c.rng.choice([0.015, 0.04, 0.2, 1.0], c.events)
    same(deceleration.slope(c.time_s, speed, window, c.offsets), naive.slope(c.time_s, speed, window, c.offsets))


def check_travelled(c):
    speed = c.blend(c.wander(low=-2.0))
    found = deceleration.travelled(c.time_s, speed, c.start, c.stop)
    same(found, naive.travelled(c.time_s, speed, c.start, c.stop))


def check_greatest_mean(c):
    speed = c.blend(c.wander())
    begin, end = np.maximum(c.start, 0), c.stop
    window = c.rng.choice([0.02, 0.2, 0.5], c.events)
    gap = c.rng.choice([0.05, 0.5], c.events)
    level = np.zeros(c.samples)
    found = deceleration.greatest_mean(c.time_s, speed, level, begin, end, window, gap)
    same(found, naive.greatest_mean(c.time_s, speed, c.start, c.stop, window, gap))
    same(deceleration.longest_step(c.time_s, begin, end), naive.longest_step(c.time_s, c.start, c.stop))


def check_mean_fully_developed(c):
    speed = np.maximum(c.wander() - 6.0 * (c.time_s % 5.0), 0.0)
    args = (c.time_s, speed, naive.travelled(c.time_s, speed, c.start, c.stop))
    slack = float(c.rng.choice([0.0, 0.02, 0.3]))
    found = deceleration.mean_fully_developed(*args, np.maximum(c.start, 0), c.stop, slack)
    same(found, naive.mean_fully_developed(*args, c.start, c.stop, slack))


def check_phase_mean_and_peak(c):
    x, use = c.coarse(3), c.marks()
    same(slip.phase_mean(x, use, c.time_s, c.offsets, 0.05), naive.phase_mean(x, use, c.time_s, c.offsets, 0.05))
    same(slip.peak(x, np.maximum(c.start, 0), c.stop), naive.peak(x, c.start, c.stop))


def check_steady(c):
    level = 20.0 * c.coarse(1, most=2)[0] + 15.0
    greatest = c.blend(c.rng.random(c.samples) * 0.1)
    args = (c.time_s, level, greatest, c.wander(), c.start, c.stop, 0.05, 0.08, 2.5, 0.3)
    same(response.steady(*args), naive.steady(*args))


def check_effectiveness(c):
    args = (c.time_s, c.wander(), c.coarse(1)[0], c.rng.random(c.samples) + 0.2, c.marks(), c.start, c.stop, 0.06)
    same(response.effectiveness(*args), naive.effectiveness(*args))


def check_build_up(c):
    rest = c.rng.normal(0.0, 0.5, c.events)
    args = (c.time_s, c.coarse(1)[0], c.blend(c.rng.normal(size=c.samples)), rest, c.start, c.stop, 0.75)
    same(response.build_up(*args), naive.build_up(*args))
    args = (c.time_s, c.coarse(1)[0], c.start, c.stop, 0.75)
    same(response.rise_time(*args), naive.rise_time(*args))


def check_release_time(c):
    fall = c.blend(c.rng.normal(size=c.samples) + np.linspace(2.0, 0.0, c.samples))
    first = np.where(c.start >= 0, c.start, c.offsets[1:])
    gone = np.where(c.start >= 0, np.minimum(c.start + c.rng.integers(0, 20, c.events), c.offsets[1:] - 1), -1)
    args = (c.time_s, c.coarse(1)[0], fall, gone, first, c.offsets[1:], 0.75, 0.2, 0.1, 0.03)
    for found, expected in zip(response.release_time(*args), naive.release_time(*args), strict=True):
        same(found, expected)


def check_time_integral(c):
    bridge = c.rng.choice([0.02, 0.1, 1.0], c.events)
    args = (c.time_s, c.blend(c.rng.normal(size=c.samples)), c.start, c.stop, bridge)
    same(energy.time_integral(*args), naive.time_integral(*args))


def check_long_above(c):
    args = (c.coarse(2), 0.5, c.time_s, c.start, c.stop, float(c.rng.choice([0.0, 0.03, 0.2])))
    same(
        response.long_above(args[0], args[1], c.time_s, np.maximum(c.start, 0), c.stop, args[5]),
        naive.long_above(*args),
    )


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

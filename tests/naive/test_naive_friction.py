"""The compiled kernels of ``kinematics.friction`` against their slow twins, on random batches."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbrake.kinematics import friction
from tests.naive import naive_friction as naive
from tests.naive.random_cases import case

SEEDS = range(40)
RISE = np.array([5.0, 30.0, 300.0])


def same(found, expected):
    """Sums in another order differ by rounding only."""
    found = np.asarray(found, float)
    np.testing.assert_allclose(found, np.asarray(expected, float).reshape(found.shape), rtol=1e-9, atol=1e-9)


def drawn(c):
    slip = c.blend(c.rng.choice([-0.1, 0.0, 0.05, 0.2, 0.9, 1.0, 1.2], (3, c.samples)))
    return slip, np.array([0.3, 0.3, 0.4]), c.blend(c.rng.normal(size=c.samples))


def pairs(c):
    slip, share, extra = drawn(c)
    window = c.rng.choice([0.02, 0.1, 0.5], c.events)
    gap = c.rng.choice([0.05, 0.5, 5.0], c.events)
    use = c.marks(0.93)
    return (c.time_s, c.blend(c.wander()), extra, slip, share, use, c.start, c.stop, window, gap)


def check_braking_points(c):
    args = pairs(c)
    for found, expected in zip(friction.braking_points(*args), naive.braking_points(*args), strict=True):
        same(found, expected)


def check_basis(c):
    args = pairs(c)
    _, first, last, _, _ = friction.braking_points(*args)
    for found, expected in zip(
        friction.basis(c.time_s, args[3], args[4], first, last, RISE),
        naive.basis(c.time_s, args[3], args[4], first, last, RISE),
        strict=True,
    ):
        same(found, expected)


def check_curve_fits(c):
    count = int(c.rng.integers(0, 12)) if c.events else 0
    event = np.sort(c.rng.integers(0, max(c.events, 1), count))
    up, down = c.rng.random((count, 2)), -c.rng.random(count)
    rate, weight = c.rng.random(count), c.rng.choice([1.0, 100.0, 400.0], count)
    mean = c.rng.random((c.events, 2, 2))
    sd = c.rng.uniform(0.05, 0.3, (c.events, 2, 2))
    both = 0.5 * sd[..., 0] * sd[..., 1]
    cov = np.stack([sd[..., 0] ** 2, both, sd[..., 1] ** 2], axis=2)
    args = (event, rate, weight, up, down, mean, cov)
    for found, expected in zip(friction.curve_fits(*args), naive.curve_fits(*args), strict=True):
        same(found, expected)


def check_lock_cost(c):
    slip, share, extra = drawn(c)
    locked = c.rng.random((3, c.samples)) < 0.2
    curve = np.stack([c.rng.uniform(0.1, 1.2, (c.events, 3)), c.rng.uniform(-0.2, 0.5, (c.events, 3))], axis=2)
    instead = c.rng.random((c.events, 3))
    args = (c.time_s, c.blend(c.wander()), extra, slip, share, locked, c.start, c.stop, RISE, curve, instead, 0.01)
    same(friction.lock_cost(*args), naive.lock_cost(*args))


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

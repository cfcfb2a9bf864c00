"""The compiled kernels of modulation against their slow twins, on seeded and on searched random batches."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbrake.detection import cycle_counting, modulation
from tests.naive import naive_cycles as naive
from tests.naive.random_cases import case

SEEDS = range(60)


def same(found, expected):
    found, expected = np.asarray(found, float), np.asarray(expected, float)
    # sums in another order differ by rounding only
    np.testing.assert_allclose(found, expected.reshape(found.shape), equal_nan=True, rtol=1e-9, atol=1e-9)


def check_count_cycles(c):
    period = c.rng.choice([3, 5, 9])
    wave = 0.15 + 0.15 * np.sin(2 * np.pi * np.arange(c.samples) / period + c.rng.random())
    value = c.blend(np.vstack((wave, c.rng.random(c.samples) * 0.4, np.round(c.rng.random(c.samples), 1))))
    depth = np.full(value.shape, 0.05) + 0.1 * c.rng.random(value.shape)
    held = (
        c.blend(c.rng.choice([1.0, 1.0, 1.0, 0.5], c.samples)) if c.rng.random() < 0.6 else np.full(c.samples, np.nan)
    )
    way = c.blend(c.time_s * c.rng.uniform(2.0, 20.0) + 0.1 * c.rng.random(c.samples))
    foot = c.rng.choice([0.0, 0.03, 0.2], c.events)
    turn = (0.05, 5.0, float(c.rng.choice([0.1, 0.5])))
    args = (c.time_s, way, value, depth, c.marks(0.9), held, foot, c.start, c.stop, 0.07, 0.35, 0.6,
            float(c.rng.choice([0.2, 0.8])), turn)  # fmt: skip
    for found, expected in zip(cycle_counting.count_cycles(*args), naive.count_cycles(*args), strict=True):
        same(found, expected)


def check_free_swing(c):
    args = (c.blend(c.rng.normal(size=(2, c.samples))), c.marks(0.9), c.time_s, c.offsets)
    window = c.rng.choice([0.045, 0.333, 1.7], c.events)  # clear of whole steps
    same(modulation.free_swing(*args, window), naive.free_swing(*args, window))


def check_mean_around(c):
    value = c.blend(c.rng.normal(size=(2, c.samples)))
    half = float(c.rng.choice([0.0, 0.023, 0.051, 0.4]))
    same(modulation.mean_around(value, c.time_s, c.offsets, half), naive.mean_around(value, c.time_s, c.offsets, half))


def check_taking_part(c):
    axle, left = np.repeat(np.arange(1, 4), 2), np.tile([True, False], 3)
    took = c.rng.random((6, c.events)) < c.rng.choice([0.2, 0.5, 0.9])
    seen = took | (c.rng.random(took.shape) < 0.5)
    wheels = np.sort(c.rng.permutation(6)[: c.rng.integers(0, 7)])
    args = (took[wheels], seen[wheels], axle[wheels], left[wheels])
    same(modulation.taking_part(*args), naive.taking_part(*args))


CHECKS = (check_count_cycles, check_free_swing, check_mean_around, check_taking_part)


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


def test_the_batches_reach_every_word():
    """Otherwise the equalities would compare nothing: wheels that pulse with their turning, and a foot that lifts."""
    way, time_s = np.arange(0.0, 60.0, 0.4), None
    speed = 20.0 - 10.0 * way / way[-1]
    time_s = np.concatenate(([0.0], np.cumsum(np.diff(way) / speed[1:])))
    value = (0.1 - 0.1 * np.cos(2 * np.pi * way / 2.0))[None, :]
    held = np.where((time_s > 1.0) & (time_s < 2.0), 0.5, 1.0)
    n = np.array([len(way)])
    args = (time_s, way, value, 0.05 + 0.0 * value, np.ones(n[0], bool), held, np.zeros(1), 0 * n, n, 0.07, 0.35, 0.7,
            0.8, (1.6, 3.6, 0.12))  # fmt: skip
    for found, expected in zip(cycle_counting.count_cycles(*args), naive.count_cycles(*args), strict=True):
        same(found, expected)
    assert naive.count_cycles(*args)[5].all()
    unlifted = naive.count_cycles(*args[:5], 0 * held + 1, *args[6:])[0]
    assert 0 < naive.count_cycles(*args)[0][0, 0] < unlifted[0, 0]

"""The kernels of the wheels' own speed, of held channels and of a channel's independence against their slow twins."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbrake.kinematics import believable, independence, rates, wheel_speed
from tests.naive import naive_wheel_speed as naive
from tests.naive.random_cases import case

SEEDS = range(60)
#: Sums in another order differ by rounding only.
CLOSE = {"rtol": 1e-9, "atol": 1e-9}


def same(found, expected):
    found, expected = np.asarray(found, float), np.asarray(expected, float)
    np.testing.assert_allclose(found, expected.reshape(found.shape), equal_nan=True, **CLOSE)


def holed(c, wheels):
    """Single readings missing here and there, also in the first wheel alone."""
    wheels = wheels.copy()
    wheels[c.rng.random(wheels.shape) < c.rng.choice([0.0, 0.2])] = np.nan
    return wheels


def check_across_wheels(c):
    wheels = holed(c, c.wheels(c.wander(), int(c.rng.integers(1, 6))))
    for name in ("fastest", "second_fastest", "rolling", "spread"):
        same(getattr(wheel_speed, name)(wheels), getattr(naive, name)(wheels))


def check_leaps(c):
    wheels = holed(c, c.wheels(c.wander(), int(c.rng.integers(1, 5))))
    if c.rng.random() < 0.7:  # bursts of broken readings, on several wheels at once
        wheels[:, c.rng.random(wheels.shape[1]) < 0.1] += float(c.rng.choice([3.0, 50.0]))
    same(wheel_speed.leaps(c.time_s, wheels, c.offsets), naive.leaps(c.time_s, wheels, c.offsets))


def check_bursts(c):
    values = holed(c, c.wheels(c.wander(), 1))[0]
    values[c.rng.random(values.size) < c.rng.choice([0.0, 0.1, 0.5])] *= float(c.rng.choice([0.0, 5.0]))
    same(believable.bursts(c.time_s, values, c.offsets), naive.bursts(c.time_s, values, c.offsets))


def check_envelope(c):
    top = naive.fastest(holed(c, c.wheels(c.wander())))
    args = (c.time_s, np.array(top, float), c.offsets)
    same(wheel_speed.falling(*args), naive.falling(*args))
    same(wheel_speed.envelope(*args), naive.envelope(*args))


def check_carried(c):
    top = np.array(naive.fastest(holed(c, c.wheels(c.wander()))), float)
    least = np.array(naive.envelope(c.time_s, top, c.offsets), float)
    args = (c.time_s, top, least, c.offsets)
    for found, expected in zip(wheel_speed.carried(*args), naive.carried(*args), strict=True):
        same(found, expected)


def check_settled_and_unread(c):
    # thresholds between whole steps, so that no comparison hangs on the rounding of a difference
    after = float(c.rng.choice([0.0, 0.055, 0.333]))
    asked = c.marks(0.1)
    same(wheel_speed.settled(c.time_s, asked, c.offsets, after), naive.settled(c.time_s, asked, c.offsets, after))
    longest = c.rng.choice([0.0, 0.055, 0.333], c.events)
    read = c.marks(float(c.rng.choice([0.0, 0.1, 0.5])))
    same(wheel_speed.unread(c.time_s, read, longest, c.offsets), naive.unread(c.time_s, read, longest, c.offsets))


def check_updates(c):
    held = c.blend(np.floor(np.cumsum(c.rng.random(c.samples)) / c.rng.choice([1, 4, 30])))
    hz = c.rng.choice([0.0, np.nan, 1.1, 4.7, 23.0], c.events)
    marks = naive.fresh(c.time_s, held, hz, c.offsets)
    same(rates.fresh(c.time_s, held, hz, c.offsets), marks)
    noisy = held + c.rng.normal(size=c.samples)
    use = np.array(marks, bool)
    same(rates.update_noise(noisy, use, c.offsets), naive.update_noise(noisy, use, c.offsets))
    dead = rates.fresh(c.time_s, np.full(c.samples, np.nan), hz, c.offsets)
    assert not dead.any()


def check_independence(c):
    axle = np.array([0, 0, 1, 2], np.int64)[: int(c.rng.integers(1, 5))]
    wheels = holed(c, c.wheels(c.wander(), len(axle)))
    means = independence.wheel_means(wheels, axle)
    same(means, naive.wheel_means(wheels, axle))
    least = wheel_speed.falling(c.time_s, wheel_speed.fastest(wheels), c.offsets)
    groups = max(1, c.events - 1)
    group = c.rng.integers(0, groups, c.events)
    speed = means[int(c.rng.integers(0, len(means)))] + c.rng.choice([0.0, 0.2, 4.0]) * c.rng.normal(size=c.samples)
    args = (c.time_s, c.offsets, speed, least, means, c.marks(0.6), group, groups)
    same(independence.follows_wheels(*args), naive.follows_wheels(*args))


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


def test_the_random_batches_reach_both_answers_about_a_channel():
    """The comparison would be empty if no random channel ever followed its wheels."""
    answers = set()
    for seed in SEEDS:
        c = case(seed)
        wheels = c.wheels(c.wander())
        means = independence.wheel_means(wheels, np.array([0, 0]))
        least = wheel_speed.falling(c.time_s, wheel_speed.fastest(wheels), c.offsets)
        group = np.zeros(c.events, np.int64)
        args = (c.time_s, c.offsets, means[0].copy(), least, means, c.marks(1.0), group, 1)
        answers.add(bool(independence.follows_wheels(*args)[0]))
    assert answers == {True, False}

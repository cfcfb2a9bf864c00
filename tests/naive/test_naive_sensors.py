"""The kernels that judge wheel-speed sensors and near misses against their slow twins."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbrake.detection import near_miss
from fleetbrake.kinematics import sensor_floor, signal_loss
from tests.naive import naive_sensors as naive
from tests.naive.random_cases import case

SEEDS = range(60)


def same(found, expected):
    found, expected = np.asarray(found, float), np.asarray(expected, float)
    # lines through points in another order of sums: near nothing, the difference is of the size of the rounding
    np.testing.assert_allclose(found, expected.reshape(found.shape), equal_nan=True, rtol=1e-7, atol=1e-7)


def check_signal_loss(c):
    speed = c.wander()
    wheel = c.wheels(speed, 3)
    if c.rng.random() < 0.3:
        wheel[0] = 0.0
    braking = c.event_of >= 0 if c.rng.random() < 0.5 else c.marks(0.3)
    turns = c.rng.choice([0.1, 0.9], c.events)
    same(
        signal_loss.dead(wheel, speed, braking, c.offsets, 3.0, turns),
        naive.dead(wheel, speed, braking, c.offsets, 3.0, turns),
    )
    if c.rng.random() < 0.5:  # the other wheels roll, so that the deceleration speaks
        wheel[1:] = speed * 0.98
    hz = c.rng.choice([np.nan, 10.0, 50.0], c.events)
    decel = c.blend(c.rng.choice([0.0, 1.0, 3.0], c.samples))
    level = c.blend(c.rng.choice([0.0, 30.0, 30.0, 30.0], c.samples))
    suspect = c.rng.random((len(wheel), c.events)) < 0.2
    args = (
        c.time_s, wheel, speed, decel, level, braking, suspect, c.offsets, hz,
        3.0, 0.08, 500.0, 130.0, 0.07, 0.6, 0.5, 0.025,
    )  # fmt: skip
    marks = naive.lost(*args)
    same(signal_loss.lost(*args), marks)
    same(signal_loss.marked_time(c.time_s, marks, c.offsets), naive.marked_time(c.time_s, marks, c.offsets))


def check_rolling_loss(c):
    speed = c.wander()
    wheel = c.wheels(speed, 4)
    partner = np.array([1, 0, -1, 2])
    args = (c.time_s, wheel, partner, speed, c.marks(), c.offsets, 3.0, 0.08)
    marks = naive.rolling_loss(*args)
    same(signal_loss.rolling_loss(*args), marks)
    args = (c.time_s, marks, np.maximum(c.start, 0), np.where(c.start >= 0, c.stop, 0))
    same(signal_loss.time_within(*args), naive.time_within(*args))


def check_believable(c):
    wheel = c.wheels(c.wander(), 3)
    for row in wheel:
        if row.size and c.rng.random() < 0.5:
            at = c.rng.integers(0, row.size)
            row[at : at + c.rng.integers(1, 6)] = c.rng.choice([300.0, 45.0, -5.0, 30.0])
    args = (c.time_s, wheel, c.offsets, 0.05, 100.0, 300.0, 100.0, float(c.rng.choice([0.5, 3.0])))
    same(signal_loss.believable(*args), naive.believable(*args))


def check_sensor_floor(c):
    speed = c.wander()
    floor = c.rng.choice([0.0, 1.0, 4.0])
    wheel = np.tile(speed, (2, 1))
    wheel[1] = c.coarse(1)[0]
    wheel = c.blend(np.where(wheel < floor, 0.0, wheel))
    decel = c.blend(c.rng.choice([0.0, 1.0, 1.0, 3.0], c.samples))
    lowest, step = naive.lowest_reading(wheel, c.offsets), naive.counted_step(wheel, c.offsets)
    same(sensor_floor.lowest_reading(wheel, c.offsets), lowest)
    same(sensor_floor.counted_step(wheel, c.offsets), step)
    args = (c.time_s, wheel, speed, decel, c.offsets, 0.5, 2.5)
    at_zero = naive.speed_at_zero(*args)
    same(sensor_floor.speed_at_zero(*args), at_zero)
    vehicle = c.rng.integers(0, 2, c.events)
    stops = int(c.rng.integers(1, 3))
    same(
        sensor_floor._pool(lowest, at_zero, step, vehicle, 5.0, 0.15, stops),
        naive.pool(lowest, at_zero, step, vehicle, 5.0, 0.15, stops),
    )


def check_near_misses(c):
    slip = c.blend(c.rng.choice([0.0, 0.1, 0.2, 0.3, 0.6, 0.9, 1.0], (2, c.samples)))
    wheel = c.wheels(c.wander())
    hz = c.rng.choice([np.nan, 10.0, 50.0], c.events)
    decel = c.blend(c.rng.normal(2.0, 1.0, c.samples))
    fall = naive.wheel_fall(c.time_s, wheel, decel, c.offsets, hz)
    same(near_miss.wheel_fall(c.time_s, wheel, decel, c.offsets, hz), fall)
    locked = c.rng.random(slip.shape) < 0.1
    args = (slip, fall, locked, c.start, c.stop, 0.5, 50.0, 0.25, 0.12)
    for found, expected in zip(near_miss.excursions(*args), naive.excursions(*args), strict=True):
        same(found, expected)


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

"""What is skipped because it can hold nothing, and what is drawn up in one pass, against doing it all in full.

The results are compared for equality: skipping must change no bit.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.detection import applications, cycle_counting, modulation, near_miss
from fleetbrake.features.motion import believed
from fleetbrake.features.sensors import _wild
from fleetbrake.kinematics import response, sensor_floor, signal_loss, slip, smoothing
from tests.naive.random_cases import case

HALF_S = 0.051


def same(found, expected):
    np.testing.assert_array_equal(np.asarray(found, float), np.asarray(expected, float))


def waves(c):
    """Slip that cycles in some rows, barely so or not at all in others, and lies just around the limit in the last."""
    wave = 0.5 + 0.5 * np.sin(2 * np.pi * np.arange(c.samples) / c.rng.choice([3, 5, 9]) + c.rng.random())
    limit = 0.07 * (1.0 + c.rng.choice([-1e-15, 0.0, 1e-15], c.samples))
    return c.blend(np.vstack((0.3 * wave, 0.075 * wave, 0.02 * wave, c.rng.random(c.samples) * 0.2, limit)))


def check_cycles_are_only_looked_for_where_there_may_be_some(c):
    raw, speed = waves(c), c.wander()
    need = c.rng.choice([0.0, 0.3, 1.5], (len(raw), c.events))
    look = modulation.may_cycle(raw, c.time_s, c.offsets, c.start, c.stop, HALF_S, 0.07)
    held, usable = np.full(c.samples, np.nan), c.marks(0.9)
    every = np.ones(look.shape, bool)
    with np.errstate(divide="ignore"):
        depth = np.fmax(0.05, need[:, c.event_of] / np.maximum(speed, 0.1))
    for value in (
        raw,
        smoothing.three_point(raw, c.offsets, np.ones(c.events, bool)),
        modulation.mean_around(raw, c.time_s, c.offsets, HALF_S, look),
    ):
        rest = (c.start, c.stop, 0.07, 0.35, 0.6, 0.8, (1.6, 3.6, 0.12))
        foot, way = np.zeros(c.events), c.time_s * 10.0
        full = cycle_counting.count_cycles(c.time_s, way, value, depth, usable, held, foot, *rest)
        for marked in (look, every):
            part = cycle_counting.count_slip_cycles(
                c.time_s, way, value, marked, need, 0.05, speed, usable, held, foot, *rest
            )
            for found, expected in zip(part, full, strict=True):
                same(found, expected)


def check_a_mean_over_a_hop_reaches_nothing_where_no_cycle_may_be(c):
    raw = waves(c)
    look = modulation.may_cycle(raw, c.time_s, c.offsets, c.start, c.stop, HALF_S, 0.07)
    mean = modulation.mean_around(raw, c.time_s, c.offsets, HALF_S)
    reached = slip.peak(mean, np.maximum(c.start, 0), np.where(c.start >= 0, c.stop, 0)) >= 0.07
    assert not (reached & ~look).any()


def check_deep_slip_is_timed_as_marked_samples_are(c):
    slips, speed, use = waves(c), c.wander(), c.marks(0.8)
    need = c.rng.choice([0.0, 0.3, 1.5], (len(slips), c.events))
    look = c.rng.random(need.shape) < 0.7
    with np.errstate(divide="ignore", invalid="ignore"):
        deep = (slips > np.fmax(0.07, need[:, c.event_of] / speed)) & (slips < 0.25) & use
    expected = np.where(look, signal_loss.marked_time(c.time_s, deep, c.offsets), 0.0)
    same(modulation.deep_time(c.time_s, slips, speed, use, need, c.offsets, look, 0.07, 0.25), expected)


def check_near_misses_are_those_of_every_sample(c):
    speed = c.wander()
    wheel, decel = c.wheels(speed, 3), c.blend(c.rng.normal(2.0, 3.0, c.samples))
    with np.errstate(divide="ignore", invalid="ignore"):
        slips = 1.0 - wheel / speed
    hz, locked, usable = c.rng.choice([np.nan, 10.0, 50.0], c.events), c.rng.random(wheel.shape) < 0.1, c.marks(0.9)
    found = near_miss.near_misses(
        time_s=c.time_s, offsets=c.offsets, start=c.start, stop=c.stop, slip=slips, speed_mps=speed, decel_mps2=decel,
        wheel_mps=wheel, usable=usable, locked=locked, undecided=np.zeros((3, c.events), bool), rate_hz=hz,
        criteria=DEFAULT,
    )  # fmt: skip
    seen = np.where(usable & (speed > DEFAULT.modulation_least_speed_mps), slips, np.nan)
    fall = near_miss.wheel_fall(c.time_s, wheel, decel, c.offsets, hz)
    count, deepest = near_miss.excursions(
        seen, fall, locked, c.start, c.stop, DEFAULT.near_lock_slip, DEFAULT.near_lock_fall_mps2,
        DEFAULT.near_lock_fall_slip, DEFAULT.used_up_slip,
    )  # fmt: skip
    slow = ~(hz >= DEFAULT.least_rate_near_lock_hz)[None, :]
    blind = ((count == 0) & slow) | (c.start < 0)[None, :]
    steepest = slip.peak(np.where(np.isnan(seen), np.nan, fall), c.start, np.where(c.start >= 0, c.stop, -1))
    same(found.count, np.where(blind, -1, count))
    same(found.deepest_slip, np.where(blind, np.nan, deepest))
    same(found.fall_mps2, np.where(slow, np.nan, steepest))


def check_phases_are_marked_as_their_definition_says(c):
    release = np.where(c.rng.random(c.events) < 0.7, c.stop - 1, -1)
    release = np.where(c.start >= 0, np.maximum(release, -1), -1)
    stop = np.where((c.rng.random(c.events) < 0.3) & (c.start >= 0), np.maximum(c.stop - 2, c.start + 1), c.stop)
    found = applications.phase_marks(c.time_s, c.offsets, c.start, stop, release, 0.1, 0.3)
    at, began, let_go = np.arange(c.samples), (c.start >= 0)[c.event_of], release[c.event_of]
    since = c.time_s - c.time_s[np.maximum(let_go, 0)]
    outlived = began & (at >= stop[c.event_of]) & (let_go >= 0) & (since < 0.3)
    same(found[0], began & (c.time_s < c.time_s[np.maximum(c.start[c.event_of], 0)] - 0.1))
    same(found[1], began & (at >= c.start[c.event_of]) & (at < stop[c.event_of]))
    same(found[2], outlived)
    same(found[3], began & (let_go >= 0) & (at > let_go) & (since >= 0.3))
    same(found[4], np.bincount(c.event_of, outlived, minlength=c.events))


def check_lost_signals_are_caught_and_taken_out(c):
    speed = c.wander()
    sane = c.wheels(speed, 3)
    lost, wild = c.rng.random(sane.shape) < c.rng.choice([0.0, 0.1, 0.9]), c.rng.random(sane.shape) < 0.05
    silent = c.rng.random((3, c.events)) < c.rng.choice([0.0, 0.3])
    moves = lost & ~wild & (speed > 1.5)
    turned = np.array([np.bincount(c.event_of, row, minlength=c.events) > 0 for row in moves & ~np.isnan(sane)])
    long = response.long_above(moves.astype(float), 1.0, c.time_s, c.offsets[:-1], c.offsets[1:], 0.1)
    same(signal_loss.caught(c.time_s, lost, wild, sane, speed, c.offsets, 1.5, 0.1), turned.reshape(long.shape) | long)
    kept = sane.copy()
    same(signal_loss.heard(sane, lost, silent, c.offsets), np.where(lost | silent[:, c.event_of], np.nan, sane))
    same(sane, kept)
    missing = signal_loss.marked_time(c.time_s, np.isnan(sane) & moves[0], c.offsets)
    same(signal_loss.missing_time(c.time_s, sane, moves[0], c.offsets), missing)


def check_slip_under_the_floor_is_not_proven(c):
    speed = c.wander()
    reading = c.wheels(speed, 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        slips = np.where(speed > 1.5, 1.0 - reading / speed, np.nan)
        floor = c.rng.choice([0.0, 0.0, 0.5, 3.0], (2, c.events))
        low, use = floor[:, c.event_of], c.marks()
        expected = np.where(reading <= low, np.minimum(slips, 1.0 - low / speed), slips)
    kept = slips.copy()
    same(sensor_floor.proven_slip(slips, reading, floor, speed, c.offsets), expected)
    same(slips, kept)
    under = (reading <= low) & (low > 0.0) & use
    seen = [np.bincount(c.event_of, row, minlength=c.events) > 0 for row in under]
    same(sensor_floor.under_floor(reading, floor, use, c.offsets), np.array(seen).reshape(floor.shape))


def step_by_sorting(reading):
    """The step of one wheel in one event, without a quick look."""
    moving = reading[reading > 0.0]
    kept = moving[np.concatenate(([True], np.diff(moving) != 0.0))] if moving.size else moving
    gaps = np.diff(np.sort(kept))
    gaps = gaps[gaps > 1e-9]
    few = kept.size >= 21 and 2 * (gaps.size + 1) <= kept.size - 1
    return gaps.min() if few and gaps.size else 0.0


def check_a_step_is_found_however_close_values_lie(c):
    """Values a hair apart are one: chains of them, whole steps, and numbers that never come again."""
    step = c.rng.choice([0.6e-9, 1.7e-9, 3e-7, 0.05, 0.3])
    coarse = c.rng.uniform(1.0, 30.0) + step * c.rng.integers(0, c.rng.choice([3, 20, 400]), c.samples)
    fine = c.rng.uniform(0.0, 30.0, c.samples)
    wheels = c.blend(np.vstack((coarse, fine, np.where(c.marks(0.5), coarse, fine), np.where(c.marks(), fine, 0.0))))
    events = list(zip(c.offsets[:-1], c.offsets[1:], strict=True))
    expected = [[step_by_sorting(row[a:b]) for a, b in events] for row in wheels]
    same(sensor_floor.counted_step(wheels, c.offsets), expected)


def check_silent_wheels_are_no_witness(c):
    speed = c.wander()
    wheels = c.wheels(speed, 3)
    silent = c.rng.random((3, c.events)) < 0.3
    full = c.rng.random(wheels.shape) < 0.05 if c.rng.random() < 0.4 else None
    seen = np.where(silent[:, c.event_of], np.nan, wheels)
    batch = SimpleNamespace(time_s=c.time_s, offsets=c.offsets, wheel_speed_mps=wheels, wheel_saturated=full)
    first = SimpleNamespace(sound=believed(c.time_s, wheels, full, c.offsets, DEFAULT), event_of=c.event_of)
    measured = seen if full is None else np.where(full, np.nan, seen)
    expected = ~believed(c.time_s, seen, full, c.offsets, DEFAULT) & ~np.isnan(measured)
    same(_wild(batch, first, seen, silent, DEFAULT), expected)


CHECKS = [value for name, value in list(globals().items()) if name.startswith("check_")]


@pytest.mark.parametrize("check", CHECKS, ids=lambda f: f.__name__[6:])
def test_skipping_changes_nothing(check):
    @settings(max_examples=120, deadline=None, derandomize=True, database=None)
    @given(seed=st.integers(0, 2**32 - 1), longest=st.integers(4, 90))
    def search(seed, longest):
        c = case(seed, longest=longest)
        if c.samples:
            check(c)

    search()


def test_the_cases_hold_what_is_skipped_and_what_is_not():
    """Otherwise the equalities would compare nothing."""
    looked, cycled, stepped = [], [], []
    for seed in range(60):
        c = case(seed, longest=90)
        if c.samples:
            raw = waves(c)
            look = modulation.may_cycle(raw, c.time_s, c.offsets, c.start, c.stop, HALF_S, 0.07)
            looked.append(look.mean())
            rest = (c.start, c.stop, 0.07, 0.35, 0.6, 0.8, (1.6, 3.6, 0.12))
            counted = cycle_counting.count_slip_cycles(
                c.time_s, c.time_s, raw, look, np.zeros(look.shape), 0.05, np.full(c.samples, 9.0),
                np.ones(c.samples, bool), np.full(c.samples, np.nan), np.zeros(c.events), *rest,
            )  # fmt: skip
            cycled.append(counted[0].sum())
            coarse = np.round(c.rng.uniform(1.0, 3.0, (1, c.samples)), 1)
            stepped.append(sensor_floor.counted_step(coarse, c.offsets).max())
    assert 0.1 < np.mean(looked) < 0.9 and sum(cycled) > 100 and max(stepped) == pytest.approx(0.1)

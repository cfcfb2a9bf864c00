"""Kernels that do several things in one pass, or nothing where nothing is to be done, against the plain way."""

import itertools

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbrake.kinematics import believable as wheels_alone
from fleetbrake.kinematics import fusion_steps, held, independence, support, wheel_speed
from fleetbrake.kinematics.across import BLOCK, across, scaled
from tests.naive import naive_wheel_speed as naive
from tests.naive.random_cases import case

SEARCH = settings(max_examples=60, deadline=None, derandomize=True, database=None)
seeds = st.integers(0, 2**32 - 1)
#: Products and sums in another order differ by rounding only.
CLOSE = {"rtol": 1e-12, "atol": 1e-12, "equal_nan": True}


def holed(c, rows):
    wheels = c.wheels(c.wander(), rows)
    wheels[c.rng.random(wheels.shape) < c.rng.choice([0.0, 0.2, 0.9])] = np.nan
    return wheels


# Across the wheels of one moment


@SEARCH
@given(seed=seeds, rows=st.integers(0, 7))
def test_what_the_wheels_tell_together_is_what_each_question_alone_gives(seed, rows):
    c = case(seed)
    wheels = holed(c, rows)
    factor, scale = c.rng.uniform(0.9, 1.1, (rows, c.events)), c.rng.uniform(0.9, 1.1, c.events)
    top, second, rolls, apart = across(wheels, factor, scale, c.offsets)
    lengths = np.diff(c.offsets)
    plain = wheels * np.repeat(factor, lengths, axis=1) * np.repeat(scale, lengths)
    for found, twin in ((top, naive.fastest), (second, naive.second_fastest), (rolls, naive.rolling)):
        np.testing.assert_array_equal(found, np.array(twin(plain), float).reshape(c.samples))
    np.testing.assert_array_equal(apart, np.array(naive.spread(plain), float).reshape(c.samples))
    np.testing.assert_array_equal(scaled(wheels, factor, c.offsets), wheels * np.repeat(factor, lengths, axis=1))


def test_events_longer_than_a_block():
    rng = np.random.default_rng(5)
    wheels = rng.choice([0.0, 4.0, 5.0, 9.0, 10.0, np.nan], (4, 2 * BLOCK + 17))
    np.testing.assert_array_equal(wheel_speed.rolling(wheels), np.array(naive.rolling(wheels), float))
    np.testing.assert_array_equal(wheel_speed.second_fastest(wheels), np.array(naive.second_fastest(wheels), float))


@SEARCH
@given(seed=seeds, rows=st.integers(0, 4))
def test_two_wheels_known_at_one_moment(seed, rows):
    c = case(seed)
    wheels = holed(c, rows)
    known = (~np.isnan(wheels)).sum(axis=0) >= 2
    expected = [known[a:b].any() for a, b in zip(c.offsets[:-1], c.offsets[1:], strict=True)]
    np.testing.assert_array_equal(wheel_speed.several(wheels, c.offsets), np.array(expected, bool))


# Nothing to be done is the same as doing it in vain


def ungated(time_s, wheels, offsets, frozen_s, speed_most, rise_most, spin_most, rolling_mps):
    """Every rule asked of every event."""
    out = np.abs(wheels) <= speed_most
    for a, b in itertools.pairwise(offsets):
        wheels_alone._drop_backward(out, wheels, a, b)
        wheels_alone._drop_frozen(out, time_s, wheels, a, b, frozen_s, rolling_mps)
        wheels_alone._drop_jumps(out, time_s, wheels, a, b, rise_most, spin_most, rolling_mps)
    return out


@SEARCH
@given(seed=seeds, spoil=st.sampled_from(["nothing", "a jump", "backward", "frozen", "all", "a dead wheel"]))
def test_an_event_passed_over_has_nothing_that_a_rule_would_take_away(seed, spoil):
    c = case(seed, longest=120)
    wheels = np.tile(c.wander(low=3.0, high=30.0), (3, 1)) + c.rng.normal(0.0, 0.05, (3, c.samples))
    if wheels.size and spoil in ("a jump", "all"):
        wheels[1, c.rng.integers(0, c.samples) :][:3] += 40.0
    if wheels.size and spoil in ("backward", "all"):
        wheels[2, c.rng.integers(0, c.samples) :][:2] = -2.0
    if wheels.size and spoil in ("frozen", "all"):
        at = int(c.rng.integers(0, c.samples))
        wheels[0, at : at + 30] = wheels[0, at]
    if spoil == "a dead wheel":
        wheels[0] = np.nan
    rise = float(c.rng.choice([20.0, 1000.0]))
    args = (c.time_s, wheels, c.offsets, 0.2, 100.0, rise, 100.0, 3.0)
    np.testing.assert_array_equal(wheels_alone.believable(*args), ungated(*args))


def test_both_kinds_of_event_are_met():
    """Else the comparison above would compare nothing with nothing."""
    time_s = np.arange(100) / 50.0
    calm = np.tile(np.linspace(20.0, 10.0, 100), (3, 1)) + 0.01 * np.arange(3)[:, None]
    args = (np.array([0, 100], np.int64), 0.2, 100.0, 1000.0, 100.0, 3.0)
    assert wheels_alone.believable(time_s, calm, *args).all()
    stuck = calm.copy()
    stuck[0, 20:80] = stuck[0, 20]
    assert not wheels_alone.believable(time_s, stuck, *args)[0, 20:80].any()


@SEARCH
@given(seed=seeds)
def test_a_channel_is_apart_where_it_lies_far_under_the_least(seed):
    c = case(seed)
    least, use = c.blend(c.wander()), c.marks()
    speed = c.blend(c.wander() * c.rng.choice([0.5, 0.89, 0.91, 1.0], c.samples))
    far = use & (least > independence.ABOVE_MPS) & (speed < (1.0 - independence.APART_SHARE) * least)
    np.testing.assert_array_equal(independence.apart(speed, least, use), far)


# Held rows, and what the smoother is given and answers


@SEARCH
@given(seed=seeds)
def test_rows_at_once_are_rows_one_by_one(seed):
    c = case(seed)
    rows = np.floor(2.0 * holed(c, 3)) / 2.0
    sound = c.rng.random(rows.shape) < c.rng.choice([0.5, 1.0])
    hz = c.rng.choice([0.0, np.nan, 1.0, 5.0, 100.0], c.events)
    expected = [
        held.unheld(c.time_s, np.where(mark, row, np.nan), hz, c.offsets) for row, mark in zip(rows, sound, strict=True)
    ]
    np.testing.assert_array_equal(held.unheld_rows(c.time_s, rows, sound, hz, c.offsets), np.array(expected))


@SEARCH
@given(seed=seeds)
def test_each_source_counts_where_it_may(seed):
    c = case(seed)
    lengths = np.diff(c.offsets)
    own, accel = c.rng.random(c.events) < 0.5, c.rng.random(c.events) < 0.5
    speed, rolls, top = (c.blend(c.wander()) for _ in range(3))
    free, holds = c.marks(), c.marks()
    on, by = np.repeat(own, lengths), np.repeat(accel, lengths)
    found = support.given(c.offsets, own, accel, speed, free, rolls, top, holds)
    expected = (
        np.where(on, speed, np.nan), np.where(free, rolls, np.nan), np.where((by & ~on) | (~by & holds), top, np.nan)
    )  # fmt: skip
    for one, other in zip(found, expected, strict=True):
        np.testing.assert_array_equal(one, other)
    read = ~np.isnan(expected).all(axis=0) | ~np.isnan(speed)
    np.testing.assert_array_equal(support.any_read(speed, *found), read)


@SEARCH
@given(seed=seeds)
def test_the_answer_is_judged_as_the_formulas_say(seed):
    c = case(seed)
    spread = lambda x: np.repeat(x, np.diff(c.offsets))  # noqa: E731
    speed, accel, tilt = (c.blend(c.wander(low=-1.0)), c.rng.normal(size=c.samples), c.rng.normal(size=c.samples))
    se = c.blend(c.rng.choice([0.01, 0.3, 0.5, 2.0, 5.0], c.samples))
    share, hidden = c.rng.choice([0.001, 0.006], c.events), c.rng.choice([0.0, 0.015], c.events)
    moment, by, own = c.rng.random(c.events), c.rng.random(c.events) < 0.5, c.rng.random(c.events) < 0.5
    free, blind, slides = c.marks(), c.marks(0.2), c.marks(0.2)
    found = support.judged(
        c.offsets, speed, accel, tilt, se, share, hidden, moment, by, own, free, blind, slides
    )  # fmt: skip
    doubt = np.hypot(spread(share), np.where(free, 0.0, spread(hidden)))
    level = np.hypot(se, doubt * np.maximum(speed, 0.0))
    told = np.where(level <= support.LOST_MPS, speed, np.nan)
    rests = (level <= np.fmax(support.SUPPORT_MPS, support.SUPPORT_SHARE * told)) & ~blind
    rests &= ~(spread(~by & ~own) & slides)
    expected = (told, np.hypot(level, spread(moment) * accel), level, np.where(spread(by), tilt, np.nan))
    for one, other in zip(found[:4], expected, strict=True):
        np.testing.assert_allclose(one, other, **CLOSE)
    np.testing.assert_array_equal(found[4], rests)


# The smoother's arithmetic against matrices


def unpacked(state):
    p = np.empty((3, 3))
    p[np.triu_indices(3)] = state[3:]
    p.T[np.triu_indices(3)] = state[3:]
    return np.array(state[:3]), p


def packed(x, p):
    return (*(float(v) for v in x), *(float(v) for v in p[np.triu_indices(3)]))


def test_steps_of_the_smoother_are_the_textbook_matrices():
    rng = np.random.default_rng(2)
    for _ in range(200):
        root = rng.normal(size=(3, 3))
        x, p = rng.normal(size=3), root @ root.T + 0.1 * np.eye(3)
        dt, wander, step, noise = rng.uniform(0.01, 0.5), rng.uniform(0.5, 9.0), rng.uniform(0.0, 0.1), 0.3
        f = np.array([[1.0, dt, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
        q = np.zeros((3, 3))
        q[:2, :2] = wander * np.array([[dt**3 / 3.0, dt**2 / 2.0], [dt**2 / 2.0, dt]])
        q[2, 2] = step
        guess = fusion_steps.ahead(packed(x, p), dt, wander, step)
        np.testing.assert_allclose(unpacked(guess)[0], f @ x, **CLOSE)
        np.testing.assert_allclose(unpacked(guess)[1], f @ p @ f.T + q, **CLOSE)
        readings = (
            (np.array([0.0, 0.9, 1.0]), fusion_steps.by_sensor(packed(x, p), 0.9, 0.7, noise)),
            (np.array([0.98, -0.2, 0.0]), fusion_steps.by_speed(packed(x, p), 0.98, -0.2, 0.7, noise)),
        )
        for h, found in readings:
            gain = p @ h / (h @ p @ h + noise)
            np.testing.assert_allclose(unpacked(found)[0], x + 0.7 * gain, **CLOSE)
            np.testing.assert_allclose(unpacked(found)[1], p - np.outer(gain, h @ p), **CLOSE)
        root = rng.normal(size=(3, 3))
        later = (rng.normal(size=3), root @ root.T)
        found = fusion_steps.smoothed(packed(x, p), packed(*later), guess, dt)
        ahead, cover = unpacked(guess)
        back = p @ f.T @ np.linalg.inv(cover)
        # the inverse loses what the matrix' condition takes: some hundreds
        close = {"rtol": 1e-9, "atol": 1e-9}
        np.testing.assert_allclose(unpacked(found)[0], x + back @ (later[0] - ahead), **close)
        np.testing.assert_allclose(unpacked(found)[1], p + back @ (later[1] - cover) @ back.T, **close)

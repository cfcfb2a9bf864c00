"""Signals that are lost, readings that cannot be true, and the sensor's floor: closed cases."""

import numpy as np
import pytest

from fleetbrake.core.criteria import DEFAULT as C
from fleetbrake.kinematics import sensor_floor, signal_loss
from tests.recordings_made import braking, held, times

RATES = (10.0, 20.0, 25.0, 50.0, 100.0)


def offsets(time_s):
    return np.array([0, len(time_s)])


def lost(time_s, wheels, speed, hz, *, braking_from=1.0, decel=8.0, level=None, suspect=False):
    wheels = np.atleast_2d(wheels)
    return signal_loss.lost(
        time_s, wheels, speed, np.full_like(time_s, decel), np.full_like(time_s, np.nan) if level is None else level,
        time_s >= braking_from, np.full((len(wheels), 1), suspect), offsets(time_s), np.array([hz]), C.moving_mps,
        C.frozen_s, C.wheel_fall_most_mps2, C.wheel_fall_per_decel, C.cycle_peak_slip, C.free_wheel_share,
        1.0 - C.used_up_slip, C.quick_row_s,
    )  # fmt: skip


def lost_s(time_s, *args, **more):
    return signal_loss.marked_time(time_s, lost(time_s, *args, **more), offsets(time_s))[0, 0]


def true(time_s, wheels):
    return signal_loss.believable(
        time_s, np.asarray(wheels, float), offsets(time_s), C.frozen_s, C.wheel_speed_most_mps, C.wheel_rise_most_mps2,
        C.wheel_spin_most_mps2, 2.0 * C.moving_mps,
    )  # fmt: skip


def test_a_held_wheel_that_locks_is_no_lost_signal():
    """20 Hz wheel speed in 200 Hz rows: the last fall before the lock comes in one row of 5 ms."""
    time_s = times(4.0, 200.0)
    speed = braking(time_s, 20.0, 4.0, begin_s=1.0)
    wheel = held(time_s, np.maximum(speed - np.clip(time_s - 1.5, 0, None) * 120.0, 0.0), 20.0)
    assert lost_s(time_s, wheel, speed, 20.0) == 0.0
    gone = np.where(time_s >= 1.5, 0.0, speed)  # 18 m/s in 5 ms at a true 200 Hz
    assert lost_s(time_s, gone, speed, 200.0) > 1.0
    early = np.where(time_s >= 0.5, 0.0, speed)  # gone before the demand
    assert lost_s(time_s, early, speed, 200.0) == pytest.approx(3.5, abs=0.01)


@pytest.mark.parametrize(("ramp_s", "gone"), [(0.0, True), (0.1, False)])
def test_zeros_between_freely_rolling_rows_are_a_lost_signal(ramp_s, gone):
    """At 50 Hz from free rolling at 8 m/s to 0 and back in one row each: no pressure builds and goes so fast."""
    time_s = times(4.0, 50.0)
    speed = np.full_like(time_s, 8.0)
    out = (time_s < 2.0 - 1e-9) | (time_s >= 2.5 - 1e-9)
    fade = np.clip(np.maximum(2.0 - time_s, time_s - 2.5) / ramp_s, 0.0, 1.0) if ramp_s else out.astype(float)
    assert lost_s(time_s, speed * fade, speed, 50.0) == pytest.approx(0.5 if gone else 0.0, abs=1e-9)


@pytest.mark.parametrize("hz", RATES)
@pytest.mark.parametrize("held_demand", [True, False])
def test_a_locked_wheel_does_not_come_back_by_itself(hz, held_demand):
    """Zeros that end in sound rolling under a demand still held are a dropout; when the foot was lifted, a lock."""
    time_s = times(4.0, hz)
    speed = braking(time_s, 12.0, 3.0, begin_s=1.0)
    wheel = np.where((time_s > 1.45) & (time_s < 2.05), 0.0, 0.92 * speed)
    level = np.where((time_s >= 1.0) & (held_demand | (time_s < 1.95)), 40.0, 0.0)
    steep = 9.8 * hz > C.wheel_fall_most_mps2  # from 9.8 m/s in one row: at 100 Hz the fall alone says it
    assert (lost_s(time_s, wheel, speed, hz, level=level) > 0.4) == (held_demand or steep)


@pytest.mark.parametrize("hz", RATES)
def test_rows_that_are_missing_before_the_zeros_are_passed_over(hz):
    time_s = times(4.0, hz)
    speed = braking(time_s, 12.0, 3.0, begin_s=1.0)
    gone = (time_s > 1.16) & (time_s < 2.06)
    wheel = np.where(gone, np.where(time_s < 1.46, np.nan, 0.0), 0.92 * speed)
    marks = lost(time_s, wheel, speed, hz, level=np.where(time_s >= 1.0, 40.0, 0.0))[0]
    assert (marks == gone).all()


@pytest.mark.parametrize("hz", RATES)
def test_a_signal_that_stays_away_after_the_brake_is_gone_was_lost(hz):
    time_s = times(5.0, hz)
    speed = braking(time_s, 12.0, 3.0, begin_s=1.0, until_s=2.5)
    wheel = np.where(time_s > 1.5, 0.0, speed)
    braked = (time_s >= 1.0) & (time_s < 3.2)
    marks = signal_loss.lost(
        time_s, wheel[None, :], speed, np.full_like(time_s, 8.0), np.full_like(time_s, np.nan), braked,
        np.zeros((1, 1), bool), offsets(time_s), np.array([hz]), 1.5, 0.2, 500.0, 130.0, 0.07, 0.95, 0.88, 0.025,
    )  # fmt: skip
    assert (marks[0] == (time_s > 1.5)).all()


@pytest.mark.parametrize(("decel", "others", "gone"), [(1.0, 1.0, True), (4.0, 1.0, False), (1.0, 0.8, False)])
def test_a_wheel_falls_no_faster_than_its_inertia_allows(decel, others, gone):
    """At 20 Hz 10 m/s in a row is 200 m/s2: too steep at 1 m/s2 with quiet neighbours, not where they slide too."""
    time_s = times(4.0, 20.0)
    speed = np.full_like(time_s, 10.0)
    wheel = np.where(time_s > 2.0, 0.0, speed)
    assert (lost_s(time_s, [wheel, others * speed], speed, 20.0, decel=decel) > 1.0) == gone


def test_a_sensor_that_is_silent_next_time_was_lost_this_time():
    time_s = times(4.0, 10.0)
    speed = braking(time_s, 12.0, 5.0, begin_s=1.0)
    wheel = np.where(time_s > 1.5, 0.0, speed)
    assert lost_s(time_s, wheel, speed, 10.0) == 0.0
    assert lost_s(time_s, wheel, speed, 10.0, suspect=True) > 1.0
    slid = np.where(time_s > 1.7, 0.0, np.where(time_s > 1.55, 0.5 * speed, speed))  # on its way down: a lock
    assert lost_s(time_s, slid, speed, 10.0, suspect=True) == 0.0


@pytest.mark.parametrize(("least", "gone"), [(50.0, True), (10.0, False)])
def test_a_wheel_comes_back_when_the_demand_was_let_go_in_between(least, gone):
    """A foot that pumps: back at 50 % after 10 % is no held demand, and the wheel was free to turn again."""
    time_s = times(4.0, 10.0)
    speed = braking(time_s, 12.0, 5.0, begin_s=1.0)
    zero = (time_s > 1.55) & (time_s < 2.0)
    level = np.where((time_s > 1.65) & (time_s < 1.85), least, np.where(time_s >= 1.0, 50.0, 0.0))
    wheel = np.where(zero, 0.0, speed)
    assert (lost_s(time_s, wheel, speed, 10.0, level=level) > 0.0) == gone


@pytest.mark.parametrize(("share", "up", "silent"), [(0.0, 0.1, True), (0.5, 0.1, False), (0.5, 0.9, True)])
def test_a_wheel_that_does_not_turn_before_the_demand_says_nothing(share, up, silent):
    time_s = times(4.0, 50.0)
    speed = braking(time_s, 15.0, 5.0, begin_s=2.0)
    found = signal_loss.dead((share * speed)[None, :], speed, time_s >= 2.0, offsets(time_s), 3.0, np.array([up]))
    assert found[0, 0] == silent
    assert signal_loss.dead(np.zeros((1, 0)), np.zeros(0), np.zeros(0, bool), np.array([0, 0]), 3.0, np.ones(1))[0, 0]


# --- readings that cannot be true


def four(hz, seed=1):
    """Four wheels of a stop from 20 m/s with a little noise."""
    time_s = times(6.0, hz)
    speed = braking(time_s, 20.0, 5.0)
    noise = np.random.default_rng(seed).normal(0.0, 0.03, (4, len(time_s)))
    return time_s, np.maximum(speed + noise * (speed > 0.0), 0.0)


@pytest.mark.parametrize("hz", RATES)
def test_true_readings_are_believed(hz):
    """Rolling, coarse in steps of 0.14 m/s, held at 10 Hz, locked and spun up again by the tyre at 300 m/s2."""
    time_s, wheels = four(hz)
    assert true(time_s, wheels).all()
    assert true(time_s, np.round(wheels / 0.14) * 0.14).all()
    assert true(time_s, [held(time_s, row, 10.0) for row in wheels]).all()
    for locked in (1, 3, 4):
        slid = wheels.copy()
        gone = (time_s > 2.5) & (time_s < 3.2)
        slid[:locked, gone] = 0.0
        assert true(time_s, slid).all()


@pytest.mark.parametrize("hz", RATES)
def test_a_wheel_frozen_high_is_not_believed_and_its_neighbours_are(hz):
    time_s, wheels = four(hz)
    wheels[0, time_s > 2.3] = wheels[0, np.searchsorted(time_s, 2.3)]
    wheels[1, time_s > 2.9] = wheels[1, np.searchsorted(time_s, 2.9)]  # two at once
    ok = true(time_s, wheels)
    assert not ok[0, time_s > 2.3].any() and not ok[1, time_s > 2.9].any()
    assert ok[2:].all() and ok[0, time_s < 2.2].all()


@pytest.mark.parametrize("hz", RATES)
def test_absurd_and_negative_readings_are_not_believed(hz):
    time_s, wheels = four(hz)
    wheels[0, time_s > 3.0] = 300.0
    wheels[1, (time_s > 3.0) & (time_s < 5.0)] = -5.0
    wheels[2, (time_s > 3.0) & (time_s < 3.4)] = 45.0 + np.arange(((time_s > 3.0) & (time_s < 3.4)).sum()) * 0.1
    ok = true(time_s, wheels)
    assert not ok[0, time_s > 3.0].any()
    assert not ok[1, (time_s > 3.0) & (time_s < 5.0)].any()
    assert not ok[2, (time_s > 3.0) & (time_s < 3.4)].any()
    assert ok[3].all() and ok[:3, time_s < 2.9].all() and ok[2, time_s > 3.5].all()


def test_all_wheels_backwards_are_a_vehicle_in_reverse():
    time_s = times(4.0, 50.0)
    assert true(time_s, np.tile(-np.linspace(2.0, 3.0, len(time_s)), (4, 1))).all()


def test_nothing_is_believed_of_nothing():
    assert not true(times(1.0, 10.0), np.full((2, 11), np.nan)).any()
    assert true(np.zeros(0), np.zeros((0, 0))).shape == (0, 0)
    assert true(np.zeros(1), [[5.0]]).all()


# --- the sensor's floor


def floor_of(time_s, wheels, speed, *, stops=1, decel=2.0):
    """Floors from the same stop seen ``stops`` times."""
    wheels = np.tile(np.atleast_2d(wheels), stops)
    return sensor_floor.floors(
        time_s=np.tile(time_s, stops), wheels_mps=wheels, speed_mps=np.tile(speed, stops),
        decel_mps2=np.full(stops * len(time_s), decel), offsets=np.arange(stops + 1) * len(time_s),
        vehicle=np.zeros(stops, np.int64), quiet_slip=C.cycle_peak_slip, gentle_mps2=C.floor_gentle_mps2,
        most_mps=C.floor_most_mps, least_mps=C.floor_least_mps, least_stops=int(C.floor_least_stops),
    )  # fmt: skip


@pytest.mark.parametrize("hz", RATES)
@pytest.mark.parametrize("floor", [0.0, 0.5, 1.0, 1.6])
def test_the_floor_is_read_from_gentle_stops(hz, floor):
    time_s = times(12.0, hz)
    speed = braking(time_s, 15.0, 2.0)
    wheel = np.where(speed < floor, 0.0, speed)
    found = floor_of(time_s, wheel, speed, stops=2)
    assert (found == found[0, 0]).all()
    if floor == 0.0:
        assert found[0, 0] == 0.0
    else:
        assert floor <= found[0, 0] <= floor + 2.0 / hz  # the lowest reading that is left


def test_all_wheels_together_show_a_floor_in_one_stop():
    """Four wheels do not lock at the same speed; one that never stopped goes by the others."""
    time_s = times(12.0, 50.0)
    speed = braking(time_s, 15.0, 2.0)
    wheel = np.where(speed < 1.0, 0.0, speed)
    five = np.vstack((np.tile(wheel, (4, 1)), np.where(time_s < 6.0, speed, np.nan)))
    assert floor_of(time_s, five, speed).max(axis=1) == pytest.approx(np.full(5, 1.0), abs=0.04)
    assert floor_of(time_s, five[2:], speed).max() == 0.0


def test_one_stop_or_a_hard_one_shows_no_floor():
    time_s = times(12.0, 50.0)
    speed = braking(time_s, 15.0, 2.0)
    wheel = np.where(speed < 1.0, 0.0, speed)
    assert floor_of(time_s, wheel, speed).max() == 0.0
    assert floor_of(time_s, wheel, speed, stops=3, decel=5.0).max() == 0.0
    slid = np.where(speed < 1.4, 0.6 * speed, speed)  # on its way to a lock
    assert floor_of(time_s, np.where(speed < 1.2, 0.0, slid), speed, stops=3).max() == 0.0


def test_a_counted_reading_has_its_step_as_floor():
    """48 pulses a turn of 2 m, counted over 20 ms: 2 m / 48 / 0.02 s = 2.1 m/s a step."""
    time_s = times(12.0, 50.0)
    speed = braking(time_s, 15.0, 2.0)
    step = 2.0 / 48 / 0.02
    counted = np.floor(speed / step + np.random.default_rng(3).random(len(time_s))) * step
    assert floor_of(time_s, counted, speed)[0, 0] == pytest.approx(step)
    fine = speed + np.random.default_rng(3).normal(0.0, 0.02, len(time_s))
    assert floor_of(time_s, np.maximum(fine, 0.0), speed)[0, 0] == 0.0
    assert floor_of(time_s, held(time_s, fine, 10.0), speed)[0, 0] == 0.0

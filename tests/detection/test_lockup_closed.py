"""Lockups of known begin and length, and the cases in which nothing can be said (-1), through ``lockups``."""

import numpy as np
import pytest

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.detection.lockup import lockups
from tests.recordings_made import braking, held, times

RATE = 100.0
TIME = times(6.0, RATE)
SPEED = braking(TIME, 20.0, 4.0, begin_s=1.0)  # at rest at 6 s, under 1.5 m/s from 5.625 s


def found(wheel, *, time_s=TIME, speed=SPEED, rate_hz=RATE, ceiling=None, supported=None, floor=0.0, start=None):
    """Lockups of one wheel of one event braked from 1 s on."""
    n = len(time_s)
    start = int(np.searchsorted(time_s, 1.0)) if start is None else start
    distance = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(time_s))))
    return lockups(
        time_s=time_s,
        offsets=np.array([0, n]),
        start=np.array([start]),
        stop=np.array([n]),
        speed_mps=speed,
        supported=np.ones(n, bool) if supported is None else supported,
        distance_m=distance,
        wheel_mps=wheel[None, :],
        ceiling=None if ceiling is None else ceiling[None, :],
        rate_hz=np.array([rate_hz]),
        floor_mps=floor,
        criteria=DEFAULT,
    )


def stopped(begin, end, speed=SPEED, time_s=TIME, ratio=0.0):
    """A wheel that turns with the vehicle except in ``[begin, end)``; it runs down and up within 50 ms."""
    fade = np.clip(np.maximum(begin - time_s, time_s - end) / 0.05, 0.0, 1.0)
    return speed * np.where((time_s >= begin - 1e-9) & (time_s < end - 1e-9), ratio, np.maximum(fade, ratio))


@pytest.mark.parametrize("length", [0.1, 0.25, 1.0])
def test_a_lockup_is_found_to_the_sample(length):
    lock = found(stopped(2.0, 2.0 + length))
    assert lock.verdict[0, 0] == 1
    # it runs down and up within 50 ms, so it is under 5 % for 2.5 ms longer on both sides
    assert lock.onset_s[0, 0] == pytest.approx(2.0 - 0.0025, abs=1e-4)
    assert lock.total_s[0, 0] == pytest.approx(length + 0.005, abs=2e-4)
    assert lock.longest_s[0, 0] == lock.total_s[0, 0]
    onset, seconds = lock.onset_speed_mps[0, 0], lock.total_s[0, 0]
    assert onset == pytest.approx(16.01, abs=1e-3)
    assert lock.held_speed_mps[0, 0] == pytest.approx(onset - 4.0 * 0.1, abs=1e-6)
    assert lock.slide_m[0, 0] == pytest.approx(onset * seconds - 2.0 * seconds**2, rel=1e-4)


def test_shorter_than_a_tenth_of_a_second_is_no_lockup():
    """FMVSS 135 S7 (verified): no lockup longer than 0.1 s; what is shorter does not count."""
    assert found(stopped(2.0, 2.08)).verdict[0, 0] == 0


def test_five_percent_locks_and_a_wheel_above_it_does_not():
    assert found(stopped(2.0, 3.0, ratio=0.049)).verdict[0, 0] == 1
    assert found(stopped(2.0, 3.0, ratio=0.06)).verdict[0, 0] == 0


def test_a_wheel_near_its_lock_connects_but_does_not_count():
    """Under 5 % is locked, by the edge definition; between 5 and 10 % after a lock it only holds two locks together."""
    wheel = stopped(2.0, 3.0)
    late = (TIME >= 2.5) & (TIME < 3.05)
    wheel[late] = 0.08 * SPEED[late]
    assert found(wheel).total_s[0, 0] == pytest.approx(0.5, abs=1.01 / RATE)
    wheel[(TIME >= 2.8) & (TIME < 3.0)] = 0.0
    assert found(wheel).longest_s[0, 0] == pytest.approx(1.0, abs=1.01 / RATE)


def test_a_lock_that_runs_into_the_unknown_is_certain_but_its_length_is_not():
    lock = found(stopped(2.0, 4.0), supported=TIME < 2.5)
    assert lock.verdict[0, 0] == 1
    assert lock.onset_s[0, 0] == pytest.approx(2.0, abs=0.5 / RATE)
    assert np.isnan([lock.total_s[0, 0], lock.longest_s[0, 0], lock.slide_m[0, 0]]).all()


def test_single_lockups_are_told():
    two = found(np.minimum(stopped(2.0, 2.3), stopped(3.0, 3.5)))
    begins, ends = TIME[two.spans.start], TIME[two.spans.stop]
    assert begins == pytest.approx([2.0, 3.0]) and ends == pytest.approx([2.3, 3.5], abs=1.01 / RATE)


def test_two_lockups_add_up_and_a_short_pause_is_none():
    two = found(np.minimum(stopped(2.0, 2.3), stopped(3.0, 3.5)))
    assert two.total_s[0, 0] == pytest.approx(0.8, abs=2.02 / RATE)
    assert two.longest_s[0, 0] == pytest.approx(0.5, abs=1.01 / RATE)
    wheel = stopped(2.0, 3.0)
    wheel[(TIME > 2.495) & (TIME < 2.525)] = 3.0  # 30 ms
    assert found(wheel).longest_s[0, 0] == pytest.approx(1.0, abs=1.01 / RATE)


def test_at_walking_pace_nothing_locks():
    slow = np.minimum(SPEED, 1.5)
    assert found(np.zeros_like(slow), speed=slow).verdict[0, 0] == 0


def test_a_lock_at_the_end_of_a_stop_counts_and_says_at_what_speed():
    lock = found(stopped(5.2, 7.0))
    assert lock.verdict[0, 0] == 1
    assert lock.held_speed_mps[0, 0] < DEFAULT.cutoff_speed_mps


def test_a_missing_wheel_is_unknown_not_rolling():
    wheel = SPEED.copy()
    wheel[(TIME > 2.0) & (TIME < 2.5)] = np.nan
    assert found(wheel).verdict[0, 0] == -1
    wheel = SPEED.copy()
    wheel[(TIME > 2.0) & (TIME < 2.05)] = np.nan  # too short to hide one that counts
    assert found(wheel).verdict[0, 0] == 0
    assert found(np.full_like(SPEED, np.nan)).verdict[0, 0] == -1


def test_a_lockup_stays_true_beside_a_hole():
    wheel = stopped(2.0, 2.5)
    wheel[TIME > 3.0] = np.nan
    assert found(wheel).verdict[0, 0] == 1


def test_a_saturated_reading_is_only_a_bound():
    """A relative wheel speed saturates at 7.8125 km/h (SAE J1939-71, computed): an upper bound of the wheel's speed."""
    high = (TIME > 2.0) & (TIME < 3.0)
    wheel = np.where(high, SPEED - 7.8125 / 3.6, SPEED)
    assert found(wheel, ceiling=high).verdict[0, 0] == -1
    assert found(wheel).verdict[0, 0] == 0


def test_a_floor_proves_only_so_much():
    wheel = stopped(2.0, 3.0)  # at 16 to 12 m/s; 0.5 m/s is 3 to 4 %
    assert found(wheel, floor=0.5).verdict[0, 0] == 1
    assert found(wheel, floor=1.0).verdict[0, 0] == -1  # 6 % at least: proves nothing
    assert found(SPEED + 1.1, floor=1.0).verdict[0, 0] == 0


def test_an_unsupported_reference_decides_nothing():
    assert found(stopped(2.0, 3.0), supported=(TIME < 1.9) | (TIME > 3.2)).verdict[0, 0] == -1


def test_a_signal_that_vanishes_is_no_lockup():
    """From 16 m/s to 0 in 10 ms is 1600 m/s2: no brake does that."""
    wheel = np.where(TIME >= 2.0, 0.0, SPEED)
    assert found(wheel).verdict[0, 0] == -1


@pytest.mark.parametrize("hz", [10.0, 20.0])
def test_slow_wheels_show_a_long_lockup(hz):
    time_s = times(6.0, hz)
    speed = braking(time_s, 20.0, 4.0, begin_s=1.0)
    lock = found(stopped(2.0, 3.5, speed, time_s), time_s=time_s, speed=speed, rate_hz=hz)
    assert lock.verdict[0, 0] == 1
    assert lock.total_s[0, 0] == pytest.approx(1.5, abs=1.01 / hz)


def test_a_held_wheel_in_faster_rows_still_locks():
    """20 Hz wheel speed in 200 Hz rows: the last fall before the lock comes in one row of 5 ms."""
    time_s = times(6.0, 200.0)
    speed = braking(time_s, 20.0, 4.0, begin_s=1.0)
    wheel = held(time_s, np.maximum(speed - np.clip(time_s - 1.5, 0, None) * 120.0, 0.0), 20.0)
    assert found(wheel, time_s=time_s, speed=speed, rate_hz=20.0).verdict[0, 0] == 1


@pytest.mark.parametrize(("hz", "verdict"), [(5.0, -1), (1.0, -1), (np.nan, -1), (8.0, 0)])
def test_under_8_hz_there_is_no_no(hz, verdict):
    rate = 10.0 if np.isnan(hz) else hz
    time_s = times(6.0, rate)
    speed = braking(time_s, 20.0, 4.0, begin_s=1.0)
    assert found(speed.copy(), time_s=time_s, speed=speed, rate_hz=hz).verdict[0, 0] == verdict


def test_a_gap_in_the_rows_is_not_counted_as_locked():
    keep = (TIME < 2.5) | (TIME > 4.0)
    wheel = stopped(2.0, 4.5)
    lock = found(wheel[keep], time_s=TIME[keep], speed=SPEED[keep])
    assert lock.verdict[0, 0] == 1
    assert np.isnan([lock.total_s[0, 0], lock.longest_s[0, 0], lock.slide_m[0, 0]]).all()
    assert lock.onset_s[0, 0] == pytest.approx(2.0, abs=0.1)


def test_no_braking_phase_no_word():
    assert found(stopped(2.0, 3.0), start=-1).verdict[0, 0] == -1


def test_a_lock_at_the_end_of_one_event_says_nothing_of_the_next():
    """Two events end to end: the second wheel turns at 8 %, which only carries a lock on."""
    n = 200
    time_s = np.tile(np.arange(n) / 100.0, 2)
    speed = np.full(2 * n, 10.0)
    wheel = np.concatenate((np.where(np.arange(n) < 50, 10.0, 0.0), np.full(n, 0.8)))
    lock = lockups(
        time_s=time_s, offsets=np.array([0, n, 2 * n]), start=np.array([0, n]), stop=np.array([n, 2 * n]),
        speed_mps=speed, supported=np.ones(2 * n, bool), distance_m=np.zeros(2 * n), wheel_mps=wheel[None, :],
        ceiling=None, rate_hz=np.array([20.0, 100.0]), floor_mps=0.0, criteria=DEFAULT,
    )  # fmt: skip
    assert lock.verdict[0].tolist() == [1, 0]

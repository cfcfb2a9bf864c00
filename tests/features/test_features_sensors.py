"""Wheels that lock, wheels that nearly do, and what only looks like it, through ``features()``, at five rates.

Wheels here run down and up as wheels do, with a little noise, so that no reading repeats by chance.
"""

import numpy as np
import pytest

from fleetbrake.features.build import features
from tests.recordings_made import FOUR, braking, concat, make_batch, pressed, rolling, times

RATES = (10.0, 20.0, 25.0, 50.0, 100.0)

pytestmark = pytest.mark.parametrize("hz", RATES)


def noisy(values, seed=0, size=0.01):
    """The values with sensor noise, never below zero and none at rest."""
    noise = np.random.default_rng(seed).normal(0.0, size, len(values))
    return np.where(values > 0.0, np.maximum(values + noise, 0.0), 0.0)


def sliding(time_s, speed, begin, end, fall_s=0.2):
    """A wheel that turns with the vehicle, runs down to its lock at ``begin``, and up again from ``end``."""
    fade = np.clip(np.maximum(begin - time_s, time_s - end) / fall_s, 0.0, 1.0)
    return speed * fade


class Stop:
    """A stop from ``v0``, demand from 2 s on; wheels of the caller's making; the rows that come of it."""

    def __init__(self, hz, v0=20.0, decel=5.0, seconds=8.0, until_s=np.inf, begin_s=2.0):
        self.time = times(seconds, hz)
        self.speed = braking(self.time, v0, decel, until_s=until_s, begin_s=begin_s)
        self.pedal = pressed(self.time, begin_s, min(until_s, seconds + 1.0))
        self.wheels = {name: noisy(row, k) for k, (name, row) in enumerate(rolling(self.speed, slip=0.02).items())}

    def batch(self, *, channel=True, event_id="E1", keep=None, channels=None, **more):
        kept = np.ones(len(self.time), bool) if keep is None else keep
        asked = {"brake_pedal_pct": self.pedal} | (channels or {})
        return make_batch(
            self.time[kept], noisy(self.speed, 9)[kept] if channel else None,
            {name: row[kept] for name, row in self.wheels.items()},
            {name: np.asarray(row, float)[kept] for name, row in asked.items()},
            speed_source="gnss" if channel else None, event_id=event_id, **more,
        )  # fmt: skip

    def rows(self, **more):
        return rows(self.batch(**more))


def rows(batch, which="E1"):
    found = features(batch)
    event = next(row for row in found.events.to_pylist() if row["event_id"] == which)
    return event, {row["wheel"]: row for row in found.wheels.to_pylist() if row["event_id"] == which}


# --- lockups


def test_one_wheel_locks_and_the_others_do_not(hz):
    stop = Stop(hz)
    stop.wheels["1L"] = noisy(sliding(stop.time, stop.speed, 3.0, 3.8), 5)
    event, wheels = stop.rows()
    assert (event["lockup"], event["wheels_locked"]) == (True, "1L")
    assert [wheels[w]["lockup"] for w in FOUR] == [True, False, False, False]
    # under 5 % of the speed for 0.05 x 0.2 s longer on both sides
    lasted = 0.8 + 2 * 0.05 * 0.2
    assert wheels["1L"]["lockup_s"] == pytest.approx(lasted, abs=1.0 / hz)
    assert wheels["1L"]["lockup_onset_s"] == pytest.approx(2.99, abs=0.6 / hz)
    assert wheels["1L"]["lockup_onset_speed_mps"] == pytest.approx(20.0 - 5.0 * 0.99, abs=0.1 + 3.0 / hz)
    v = 20.0 - 5.0 * 0.99
    assert wheels["1L"]["slide_m"] == pytest.approx(v * lasted - 2.5 * lasted**2, abs=v / hz + 0.1)
    assert wheels["2R"]["near_lockups"] in (0, None)


def test_a_lock_at_the_end_of_a_stop_is_one_and_told_apart(hz):
    """Below the control's cut-off speed the wheels lock as a matter of course."""
    stop = Stop(hz, decel=4.0)
    for name in FOUR:
        stop.wheels[name] = noisy(sliding(stop.time, stop.speed, 6.4, 9.0, fall_s=0.1), 3)
    event, _ = stop.rows()  # 2.4 m/s at 6.4 s; 1.5 m/s at 6.625 s
    assert event["lockup"] is not False
    if hz >= 20.0:
        assert event["lockup"] is True
        assert event["lockup_speed_mps"] < 15.0 / 3.6
    else:
        assert event["lockup"] is True or event["lockup_open_mps"] < 15.0 / 3.6


def test_standstill_is_no_lockup(hz):
    event, wheels = Stop(hz).rows()
    assert event["lockup"] is False
    assert all(row["lockup"] is False and row["near_lockups"] in (0, None) for row in wheels.values())
    assert (event["near_lockups"] == 0) == (hz >= 20.0)  # slower, one may hide


def test_all_wheels_locked_and_nothing_independent_is_null(hz):
    """No accelerometer, no speed over ground: that all wheels stop says nothing for sure."""
    stop = Stop(hz)
    for name in FOUR:
        stop.wheels[name] = sliding(stop.time, stop.speed, 2.6, 9.0)
    event, wheels = stop.rows(channel=False)
    assert event["lockup"] is not False
    assert all(row["lockup"] is not False for row in wheels.values())
    for row in wheels.values():
        assert row["lockup_s"] is None and row["slide_m"] is None


# --- near misses


@pytest.mark.parametrize("deepest", [0.6, 0.85])
def test_a_wheel_caught_before_its_lock_is_a_near_miss(hz, deepest):
    stop = Stop(hz)
    bump = np.clip(1.0 - np.abs(stop.time - 3.2) / 0.3, 0.0, 1.0)  # 0.6 s from rolling to rolling
    stop.wheels["2L"] = noisy(stop.speed * (1.0 - deepest * bump), 4)
    event, wheels = stop.rows()
    assert event["lockup"] is False
    assert wheels["2L"]["near_lockups"] == 1 == event["near_lockups"]
    assert wheels["2L"]["near_lockup_slip"] == pytest.approx(deepest, abs=0.02 + 0.5 * deepest / 0.3 / hz)
    assert wheels["1L"]["near_lockups"] in (0, None)


def test_a_lockup_is_no_near_miss_nor_is_moderate_slip(hz):
    stop = Stop(hz)
    stop.wheels["1L"] = noisy(sliding(stop.time, stop.speed, 3.0, 3.8), 5)
    stop.wheels["1R"] = noisy(stop.speed * (1.0 - 0.35 * np.clip(1.0 - np.abs(stop.time - 3.2) / 0.3, 0.0, 1.0)), 4)
    _, wheels = stop.rows()
    assert wheels["1L"]["near_lockups"] in (0, None) and wheels["1R"]["near_lockups"] in (0, None)
    assert wheels["1L"]["near_lockup_slip"] is None


# --- sensors that fail


@pytest.mark.parametrize("value", [0.0, np.nan])
@pytest.mark.parametrize(("begin", "end"), [(0.8, 1.2), (3.0, 3.4), (1.0, 9.0)])
def test_a_sensor_that_drops_out_is_no_lockup(hz, value, begin, end):
    """Before the demand, for a while under it, and from before it on."""
    stop = Stop(hz)
    stop.wheels["1R"][(stop.time >= begin - 1e-9) & (stop.time < end - 1e-9)] = value
    event, wheels = stop.rows()
    assert wheels["1R"]["lockup"] is not True and event["lockup"] is not True
    assert [wheels[w]["lockup"] for w in ("1L", "2L", "2R")] == [False] * 3
    lost = wheels["1R"]["dropout_s"]
    assert lost == pytest.approx(min(end, 5.4) - begin, abs=2.0 / hz)
    assert wheels["1R"]["modulation_cycles"] in (0, None) and event["modulation"] is not True


def test_a_sensor_that_was_caught_makes_no_lockup(hz):
    """Zero while nobody brakes, then again while braking until standstill: the second says as little as the first."""
    stop = Stop(hz)
    idle, braked = (stop.time > 0.35) & (stop.time < 0.85), stop.time > 3.0
    stop.wheels["2L"] = np.where(idle | braked, 0.0, noisy(stop.speed, 4))
    _, wheels = stop.rows()
    assert wheels["2L"]["lockup"] is None and wheels["1L"]["lockup"] is False


@pytest.mark.parametrize("begin", [1.0, 2.6])
@pytest.mark.parametrize("channel", [True, False])
def test_a_wheel_frozen_high_neither_locks_nor_makes_the_others_lock(hz, begin, channel):
    stop = Stop(hz)
    frozen = stop.time >= begin
    stop.wheels["2R"][frozen] = stop.wheels["2R"][np.searchsorted(stop.time, begin)]
    event, wheels = stop.rows(channel=channel)
    assert wheels["2R"]["lockup"] is not True
    assert [wheels[w]["lockup"] for w in ("1L", "1R", "2L")] == [False] * 3
    assert wheels["2R"]["dropout_s"] > 1.0
    assert event["peak_decel_mps2"] == pytest.approx(5.0, abs=0.4)


def test_a_constant_channel_says_nothing_of_lockups(hz):
    stop = Stop(hz)
    stop.wheels["1L"][:] = 12.3
    _, wheels = stop.rows()
    assert wheels["1L"]["lockup"] is None
    stop.wheels["1L"][:] = 0.0
    _, wheels = stop.rows()
    assert (wheels["1L"]["lockup"], wheels["1L"]["sensed"], wheels["1L"]["peak_slip"]) == (None, False, None)


@pytest.mark.parametrize("value", [300.0, -40.0, -3.0])
def test_an_absurd_reading_is_no_wheel_speed(hz, value):
    stop = Stop(hz)
    stop.wheels["1L"][(stop.time >= 3.0) & (stop.time < 3.4)] = value
    for channel in (True, False):
        event, wheels = stop.rows(channel=channel)
        assert wheels["1L"]["lockup"] is not True
        assert [wheels[w]["lockup"] for w in ("1R", "2L", "2R")] == [False] * 3
        assert event["peak_decel_mps2"] == pytest.approx(5.0, abs=0.4)


# --- sensors with a floor, coarse sensors


@pytest.mark.parametrize("floor", [0.5, 1.2])
def test_a_floor_that_the_file_does_not_state_is_read_from_gentle_stops(hz, floor):
    """A lock proves itself only where the floor is under 5 % of the speed; below, the bound is told."""

    def under(stop):
        for name in FOUR:
            stop.wheels[name] = np.where(stop.wheels[name] < floor, 0.0, stop.wheels[name])
        return stop

    gentle = [under(Stop(hz, 8.0, 2.0)).batch(event_id=f"g{k}") for k in range(2)]
    hard = Stop(hz)
    hard.wheels["1L"] = sliding(hard.time, hard.speed, 4.2, 9.0)
    hard = under(hard)
    _, wheels = rows(concat([*gentle, hard.batch()]))  # 9 m/s at 4.2 s: the floor is 5.6 % or more
    assert wheels["1L"]["sensor_floor_mps"] == pytest.approx(floor, abs=2.5 / hz)
    assert wheels["1L"]["lockup"] is None
    assert wheels["1L"]["peak_slip_is_bound"] is True
    assert 0.5 < wheels["1L"]["peak_slip"] < 1.0
    assert wheels["1R"]["lockup"] is False and wheels["1R"]["peak_slip_is_bound"] is False
    _, alone = rows(hard.batch())
    assert alone["1L"]["lockup"] is True  # nothing shows a floor


def test_a_lock_above_the_floor_lasts_until_the_wheel_comes_back(hz):
    stop = Stop(hz, 25.0, 5.0)
    stop.wheels["1L"] = noisy(sliding(stop.time, stop.speed, 2.6, 5.6), 5)
    event, wheels = stop.rows(floor_mps=0.5)
    assert wheels["1L"]["lockup_s"] == pytest.approx(3.02, abs=0.15 + 1.0 / hz)
    assert event["lockup"] is True and wheels["1R"]["lockup"] is False


def test_coarse_steps_make_no_lockup(hz):
    """0.14 m/s (half a km/h) a step."""
    stop = Stop(hz)
    for name in FOUR:
        stop.wheels[name] = np.round(stop.wheels[name] / 0.14) * 0.14
    event, wheels = stop.rows()
    assert event["lockup"] is False
    assert event["modulation"] is not True
    assert all(row["near_lockups"] in (0, None) for row in wheels.values())


# --- wheels that are not on the road, or not sensed


@pytest.mark.parametrize("flag", [True, False])
@pytest.mark.parametrize("coasts", [True, False])
def test_a_raised_axle_is_null_never_a_lockup(hz, flag, coasts):
    """It stands, or coasts down slowly and stops at once when braked; without the flag only the former is certain."""
    stop = Stop(hz)
    spin = 12.0 - 1.0 * stop.time if coasts else np.zeros_like(stop.time)
    for name in ("3L", "3R"):
        stop.wheels[name] = np.where(stop.time < 2.4, noisy(spin, 6), 0.0)
    event, wheels = stop.rows(channels={"lift_axle_up": np.ones_like(stop.time)} if flag else None)
    if flag or not coasts:
        assert all(wheels[w]["lockup"] is None and wheels[w]["sensed"] is False for w in ("3L", "3R"))
        assert event["lockup"] is False
    assert event["lift_axle_up"] is (True if flag else None)
    assert all(wheels[w]["lockup"] is False for w in FOUR)


# --- rows


def test_a_rate_that_changes_within_the_event_changes_nothing(hz):
    """Every second row is left out from 3 s on: at 10 Hz that leaves 5 Hz, which cannot say no."""
    stop = Stop(hz)
    stop.wheels["1L"] = noisy(sliding(stop.time, stop.speed, 3.6, 4.4, fall_s=0.5), 5)
    keep = (stop.time < 3.0) | (np.arange(len(stop.time)) % 2 == 0)
    event, wheels = stop.rows(keep=keep)
    assert wheels["1L"]["lockup"] is True
    assert wheels["1L"]["lockup_s"] == pytest.approx(0.85, abs=2.0 / hz)
    assert wheels["1R"]["lockup"] is not True
    # the demand stands at its height with its first row: between slow rows it began half a row earlier, at 20 m/s
    assert event["braking_distance_m"] == pytest.approx(40.0, abs=0.2 + 10.0 / hz)


@pytest.mark.parametrize("locked", [True, False])
def test_a_gap_hides_lockups_and_lengths(hz, locked):
    stop = Stop(hz)
    if locked:
        stop.wheels["1L"] = noisy(sliding(stop.time, stop.speed, 2.6, 9.0), 5)
    keep = (stop.time < 3.4) | (stop.time > 4.4)
    event, wheels = stop.rows(keep=keep)
    assert wheels["1R"]["lockup"] is None and event["lockup_open_mps"] is not None
    assert wheels["1L"]["lockup"] is (True if locked else None)
    assert wheels["1L"]["lockup_longest_s"] is None and wheels["1L"]["slide_m"] is None
    for name in ("braking_distance_m", "mfdd_mps2", "peak_decel_mps2", "friction_used", "modulation"):
        assert event[name] is None, name
    assert event["near_lockups"] is None
    assert event["longest_gap_s"] == pytest.approx(1.0, abs=2.1 / hz)
    assert "rows are missing" in event["notes"]


# --- recordings that hold no brake application


@pytest.mark.parametrize("continuous", [True, False])
def test_a_halt_brake_at_standstill_is_no_event(hz, continuous):
    """Auto-hold: pressure on a vehicle that stands."""
    time_s = times(20.0, hz)
    still = np.zeros_like(time_s)
    batch = make_batch(
        time_s, still, rolling(still), {"brake_pressure_kpa": pressed(time_s, 3.0, 15.0, 2000.0)},
        brake_source="hold", continuous=continuous,
    )  # fmt: skip
    found = features(batch)
    if continuous:
        assert found.events.num_rows == 0
    else:
        (row,) = found.events.to_pylist()
        assert row["not_braking"] == "standstill"
        assert row["lockup"] is None and row["peak_decel_mps2"] is None


@pytest.mark.parametrize("continuous", [True, False])
def test_reversing_is_no_event(hz, continuous):
    time_s = times(12.0, hz)
    speed = -np.clip(np.minimum(time_s, 10.0 - time_s), 0.0, 3.0)
    asked = {"brake_pedal_pct": pressed(time_s, 6.0, 10.0)}
    found = features(make_batch(time_s, speed, rolling(speed), asked, continuous=continuous))
    if continuous:
        assert found.events.num_rows == 0
    else:
        (row,) = found.events.to_pylist()
        assert row["not_braking"] is not None
        assert (row["lockup"], row["peak_decel_mps2"]) == (None, None)


@pytest.mark.parametrize("continuous", [True, False])
@pytest.mark.parametrize("turning", ["1", "2"])
def test_a_roller_tester_is_no_event(hz, continuous, turning):
    """One axle at 5 km/h on rollers, braked to its lock, the rest stands; with and without a speed channel."""
    time_s = times(14.0, hz)
    on = np.clip(np.minimum(time_s - 1.0, (8.0 - time_s) * 2.0), 0.0, 1.4)
    wheels = {name: noisy(on, k) if name[0] == turning else np.zeros_like(on) for k, name in enumerate(FOUR)}
    asked = {"brake_pressure_kpa": np.clip((time_s - 4.0) * 100.0, 0.0, 600.0)}
    for speed in (np.zeros_like(on), None):
        found = features(
            make_batch(
                time_s, speed, wheels, asked, continuous=continuous, speed_source=None if speed is None else "gnss"
            )
        )
        if continuous:
            assert found.events.num_rows == 0
        else:
            (row,) = found.events.to_pylist()
            assert row["not_braking"] is not None
            assert (row["lockup"], row["peak_decel_mps2"]) == (None, None)


@pytest.mark.parametrize("continuous", [True, False])
def test_a_vehicle_on_tow_is_no_event(hz, continuous):
    """Towed on its rear wheels: the front stands, nobody asks for the brake, and the tow slows down."""
    time_s = times(20.0, hz)
    speed = braking(time_s, 14.0, 1.2, begin_s=5.0)
    wheels = {n: np.zeros_like(speed) if n[0] == "1" else noisy(speed, k) for k, n in enumerate(FOUR)}
    found = features(
        make_batch(time_s, noisy(speed, 9), wheels, {"brake_pedal_pct": np.zeros_like(speed)}, continuous=continuous)
    )
    if continuous:
        assert found.events.num_rows == 0
    else:
        (row,) = found.events.to_pylist()
        assert row["not_braking"] is not None
        assert (row["lockup"], row["peak_decel_mps2"]) == (None, None)


@pytest.mark.parametrize("continuous", [True, False])
@pytest.mark.parametrize("source", ["aeb", "acc", "driver"])
@pytest.mark.parametrize("pedal", [True, False])
def test_a_stop_that_a_system_asks_for_is_an_event(hz, continuous, source, pedal):
    """Without the foot the pedal channel stays at zero, and only where a system asked the deceleration speaks."""
    stop = Stop(hz, seconds=10.0, until_s=4.5)
    asked = {"brake_pedal_pct": stop.pedal if pedal else np.zeros_like(stop.pedal)}
    found = features(stop.batch(channels=asked, brake_source=source, continuous=continuous))
    if source == "driver" and not pedal:
        assert [row["not_braking"] for row in found.events.to_pylist()] in ([], ["no brake demand recorded"])
        return
    (row,) = found.events.to_pylist()
    assert row["not_braking"] is None and row["brake_source"] == source
    assert row["peak_decel_mps2"] == pytest.approx(5.0, abs=0.5)
    assert row["lockup"] is False
    assert row["braking_s"] == pytest.approx(2.5, abs=0.5)

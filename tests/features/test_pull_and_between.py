"""Pulling to a side, the foot's way, and wheel signals outside the braking, on recordings of known shape."""

from dataclasses import replace

import numpy as np
import pytest

from fleetbrake.features.build import features
from fleetbrake.simulation.applications import VAN, applications
from fleetbrake.simulation.run import simulate
from fleetbrake.simulation.sensors import Logger, record
from tests.features.feature_rows import RATE, TIME, event, stop, wheels
from tests.recordings_made import braking, concat, make_batch, pressed, rolling, times


def pulled(yaw=0.0, steer=0.0, *, before=0.0, offset=0.0, decel=2.0, **channels):
    """A stop from 20 m/s, demand from 2 s on: yaw rate and steering change with it."""
    on = pressed(TIME, 2.0, level=1.0)
    asked = {"yaw_rate_radps": offset + before + yaw * on, "steering_angle_rad": 0.02 + steer * on} | channels
    return event(stop(decel=decel, channels=asked))


def test_yaw_and_steering_are_told_from_what_they_were_before() -> None:
    """Given 0.03 rad/s more to the left under 2 m/s2, and a sensor that is 0.01 off at rest, expect 0.03."""
    row = pulled(yaw=0.03, offset=0.01)
    assert row["brake_yaw_radps"] == pytest.approx(0.03, abs=1e-9)
    assert row["held_decel_mps2"] == pytest.approx(2.0, abs=0.02)
    assert pulled(yaw=-0.03)["brake_yaw_radps"] == pytest.approx(-0.03, abs=1e-9)
    held = pulled(steer=-0.1)
    assert held["brake_steer_rad"] == pytest.approx(-0.1, abs=1e-9)
    assert held["brake_yaw_radps"] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("values", "yaw", "steer"),
    [
        ({"before": 0.05}, False, False),  # 1 m/s2 sideways before the demand: a bend
        ({"yaw": 0.3}, False, False),  # a bend under the demand
        ({"yaw": 0.06}, True, False),  # it turns: steering is no correction
        ({"yaw_rate_radps": np.full(len(TIME), np.nan)}, False, False),
        ({"steering_angle_rad": np.full(len(TIME), np.nan)}, True, False),
    ],
)
def test_bends_and_missing_channels_say_nothing(values, yaw, steer) -> None:
    row = pulled(**values)
    assert (row["brake_yaw_radps"] is not None, row["brake_steer_rad"] is not None) == (yaw, steer)


@pytest.mark.parametrize("weak", [0, 1])
def test_a_simulated_van_with_one_weak_front_brake_turns_to_the_other_side(weak: int) -> None:
    """Half the gain at one front wheel; the simulator's yaw rate is a damped one, so only side and size are held."""
    count = 12
    apps = applications(VAN, count, load=0.5)
    apps["initial_speed_mps"], apps["pedal_pct"], apps["ramp_s"] = 20.0, 30.0, 0.3
    apps["gain_nm_per_kpa"][:, weak] *= 0.5
    sim = simulate(apps)
    made = record(sim, Logger(axles=VAN.axles, radius_error=np.zeros(6)), np.random.default_rng(5))
    batches = []
    for e in range(count):
        rows = slice(sim.offsets[e], sim.offsets[e + 1])
        spun = {k[12:14].upper(): v[rows].astype(float) for k, v in made.items() if k.startswith("wheel_speed")}
        others = {k: made[k][rows].astype(float) for k in ("brake_pedal_pct", "yaw_rate_radps")}
        time_s = sim.time_s[rows] - sim.time_s[rows][0]
        batches.append(make_batch(time_s, made["speed_mps"][rows], spun, others, event_id=str(e)))
    found = features(concat(batches)).events.to_pylist()
    ratio = np.median([row["brake_yaw_radps"] / row["held_decel_mps2"] for row in found])
    assert np.sign(ratio) == (-1.0 if weak == 0 else 1.0)  # the right side stronger: to the right
    assert abs(ratio) > 0.002  # 30 % would be a major defect; its prior spread is 0.0012


def test_the_foot_takes_its_time() -> None:
    """A pedal that rises to 40 % within 0.8 s passes 75 % of it after 0.6 s; within a row where it steps."""
    ramp = 40.0 * np.clip((TIME - 2.0) / 0.8, 0.0, 1.0)
    row = event(stop(channels={"brake_pedal_pct": ramp}))
    assert row["demand_rise_s"] == pytest.approx(0.6, abs=1.0 / RATE)
    assert event(stop())["demand_rise_s"] in (None, pytest.approx(0.0, abs=1.0 / RATE))


# --- wheel signals outside the braking


def away(wheel, begin_s, end_s, value, time_s=TIME):
    return np.where((time_s >= begin_s) & (time_s < end_s), value, wheel)


def cut(*changes):
    """A stop from 20 m/s at 3 m/s2, demand from 2 s on, with stretches of wheels replaced."""
    speed = braking(TIME, 20.0, 3.0)
    spun = rolling(speed)
    for name, begin_s, end_s, value in changes:
        spun[name] = away(spun[name], begin_s, end_s, value)
    return wheels(make_batch(TIME, speed, spun, {"brake_pedal_pct": pressed(TIME)}))


def test_a_signal_lost_before_the_demand_is_counted_apart() -> None:
    found = cut(("1L", 0.5, 1.0, 0.0), ("2R", 1.0, 1.2, np.nan), ("1R", 3.0, 3.4, np.nan))
    assert found["1L"]["dropout_between_s"] == pytest.approx(0.5, abs=1.5 / RATE)
    assert found["2R"]["dropout_between_s"] == pytest.approx(0.2, abs=1.5 / RATE)
    assert found["1R"]["dropout_between_s"] == 0.0  # while braking
    assert found["1R"]["dropout_s"] == pytest.approx(0.4, abs=1.5 / RATE)
    assert found["2L"]["watched_between_s"] == pytest.approx(2.0, abs=0.1)


def test_what_is_no_lost_signal() -> None:
    """Rows missing in all wheels are the logger's, both wheels of an axle at rest a raised one, one never sensed."""
    all_gone = cut(*((name, 0.5, 1.0, np.nan) for name in ("1L", "1R", "2L", "2R")))
    assert {row["dropout_between_s"] for row in all_gone.values()} == {0.0}
    raised = cut(("2L", 0.5, 1.0, 0.0), ("2R", 0.5, 1.0, 0.0))
    assert {row["dropout_between_s"] for row in raised.values()} == {0.0}
    never = cut(("2L", 0.0, 9.0, 0.0))
    assert (never["2L"]["dropout_between_s"], never["2L"]["watched_between_s"]) == (None, None)


def drive():
    """Two minutes: brakes from 20 to 14 m/s at 20 s, back to speed, again at 80 s."""
    time_s = times(120.0, RATE)
    speed = np.interp(time_s, [0, 20, 23, 50, 80, 83, 120], [20, 20, 14, 20, 20, 14, 14])
    pedal = pressed(time_s, 20.0, 23.0) + pressed(time_s, 80.0, 83.0)
    return time_s, speed, pedal


def test_the_time_between_the_applications_of_a_drive_belongs_to_the_next() -> None:
    time_s, speed, pedal = drive()
    spun = rolling(speed)
    spun["1L"] = away(spun["1L"], 5.0, 6.0, np.nan, time_s)  # before the first
    spun["1R"] = away(spun["1R"], 60.0, 62.0, 0.0, time_s)  # before the second
    spun["2L"] = away(spun["2L"], 100.0, 103.0, np.nan, time_s)  # after the last
    spun["2R"] = away(spun["2R"], 40.0, 48.0, 17.0, time_s)  # frozen while the vehicle gathers speed
    batch = make_batch(time_s, speed, spun, {"brake_pedal_pct": pedal}, continuous=True)
    found = features(batch).wheels.to_pylist()
    assert len(found) == 8
    lost = {(row["event_id"][-10:-5], row["wheel"]): row["dropout_between_s"] for row in found}
    first, second = sorted({key[0] for key in lost})
    assert lost[first, "1L"] == pytest.approx(1.0, abs=0.05)
    assert lost[second, "1R"] == pytest.approx(2.0, abs=0.05)
    assert lost[second, "2L"] == pytest.approx(3.0, abs=0.05)
    assert lost[second, "2R"] == pytest.approx(8.0, abs=0.3)
    assert sum(lost.values()) == pytest.approx(14.0, abs=0.4)
    watched = {row["event_id"]: row["watched_between_s"] for row in found if row["wheel"] == "1L"}
    # all of it but the braking and the release after it
    assert sum(watched.values()) == pytest.approx(120.0 - 2 * (3.0 + 0.6), abs=0.5)


def test_two_drives_do_not_lend_each_other_time() -> None:
    time_s, speed, pedal = drive()
    one = make_batch(time_s, speed, rolling(speed), {"brake_pedal_pct": pedal}, continuous=True)
    both = replace(concat([one, one]), continuous=True)
    alone = [row["watched_between_s"] for row in features(one).wheels.to_pylist()]
    assert [row["watched_between_s"] for row in features(both).wheels.to_pylist()] == pytest.approx(alone + alone)


@pytest.mark.parametrize("zero", [0.0, 0.2])
def test_the_accelerometer_tells_a_slope_that_nobody_recorded(zero: float) -> None:
    """Up 3 % gravity adds g sin(atan(0.03)) = 0.294 m/s2 to what the sensor shows; its own zero comes on top.

    0.03: what the smoother's walk of the bias and half a row at the onset leave (own choice).
    """
    decel = np.where((TIME >= 2.0) & (TIME < 6.0), 3.0, 0.0)
    uphill = 9.80665 * np.sin(np.arctan(0.03))
    speed = braking(TIME, 20.0, 3.0, until_s=6.0)
    accel = -decel + uphill + zero + np.random.default_rng(3).normal(0.0, 0.02, len(TIME))
    asked = {"brake_pedal_pct": pressed(TIME, 2.0, 6.0), "accel_long_mps2": accel}
    row = event(make_batch(TIME, speed, rolling(speed), asked))
    assert row["accelerometer_used"]
    assert row["accel_tilt_mps2"] == pytest.approx(uphill + zero, abs=0.03)
    assert (
        event(make_batch(TIME, speed, rolling(speed), {"brake_pedal_pct": pressed(TIME, 2.0, 6.0)}))["accel_tilt_mps2"]
        is None
    )

"""What took part of an application's work, against closed forms and against the simulator's own energy balance."""

import dataclasses

import numpy as np
import pytest

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.features.build import features
from tests.features.feature_rows import TIME, event, stop
from tests.recordings_made import braking, held, make_batch, pressed, rolling, times


def test_recuperated_energy_is_the_integral_of_the_power():
    """20 kW over the 4 s from 20 m/s at 5 m/s2, less the last 0.3 m/s: 3.94 s; held at 5 Hz: to one step of 0.2 s."""
    power = np.where(TIME >= 2.0, 20.0, 0.0)
    assert event(stop(channels={"regen_power_kw": power}))["regen_kj"] == pytest.approx(78.8, abs=0.5)
    slow = held(TIME, power, 5.0)
    assert event(stop(channels={"regen_power_kw": slow}))["regen_kj"] == pytest.approx(78.8, abs=4.0)
    # power that is spent is none won back
    assert event(stop(channels={"regen_power_kw": -power}))["regen_kj"] == 0.0
    assert event(stop())["regen_kj"] is None
    gone = np.where((TIME > 3.0) & (TIME < 3.7), np.nan, power)
    assert event(stop(channels={"regen_power_kw": gone}))["regen_kj"] is None


def test_paths_of_air_and_retarder():
    """Constant deceleration from 20 m/s at 5 m/s2: integral of v^2 over the path is v^4 / 4a = 8000 m3/s2."""
    row = event(stop(channels={"endurance_torque_pct": np.where(TIME >= 1.9, -50.0, 0.0)}))
    assert row["air_path_m3ps2"] == pytest.approx(20.0**4 / 20.0, rel=0.001)
    assert row["retarder_path_m"] == pytest.approx(0.5 * 40.0, rel=0.001)
    assert row["retarder_s"] == pytest.approx(row["braking_s"], abs=0.021)
    quiet = event(stop(channels={"endurance_torque_pct": 0.0 * TIME}))
    assert (quiet["retarder_s"], quiet["retarder_path_m"]) == (0.0, 0.0)
    assert event(stop())["retarder_s"] is None


def coasting(accelerator=0.0, retarder=0.0, pressure=None, decel=0.5):
    """2 s at ``decel`` before the demand, then 4 m/s2."""
    time_s = times(10.0, 50.0)
    speed = np.maximum(braking(time_s, 25.0, decel, begin_s=0.0) - np.clip(time_s - 3.0, 0, None) * (4.0 - decel), 0.0)
    asked = {
        "brake_pedal_pct": pressed(time_s, begin_s=3.0),
        "accelerator_pct": np.full(len(time_s), accelerator),
        "endurance_torque_pct": np.where(time_s < 3.0, retarder, 0.0),
    }
    if pressure is not None:
        asked["brake_pressure_kpa"] = np.where(time_s >= 3.0, pressure, 0.0)
    return event(make_batch(time_s, speed, rolling(speed), asked))


def test_coasting_is_seen_with_both_feet_off():
    row = coasting()
    assert row["coast_mps2"] == pytest.approx(0.5, abs=0.01)
    assert row["coast_speed_mps"] == pytest.approx(25.0 - 0.5 * 1.35, abs=0.1)
    assert coasting(accelerator=20.0)["coast_mps2"] is None
    assert coasting(accelerator=np.nan)["coast_mps2"] is None


def test_a_retarder_alone_is_seen_before_the_demand_and_under_a_pedal_without_pressure():
    row = coasting(retarder=-40.0)
    assert (row["retarded_mps2"], row["retarded_share"]) == pytest.approx((0.5, 0.4), abs=0.01)
    assert row["coast_mps2"] is None
    time_s = times(10.0, 50.0)
    speed = braking(time_s, 25.0, 1.5)
    asked = {
        "brake_pedal_pct": pressed(time_s, level=15.0),
        "brake_pressure_kpa": 0.0 * time_s,
        "endurance_torque_pct": pressed(time_s, level=80.0),
    }
    row = event(make_batch(time_s, speed, rolling(speed), asked))
    assert (row["retarded_mps2"], row["retarded_share"]) == pytest.approx((1.5, 0.8), rel=0.05)
    with_pressure = event(
        make_batch(time_s, speed, rolling(speed), asked | {"brake_pressure_kpa": pressed(time_s, level=100.0)})
    )
    assert with_pressure["retarded_mps2"] is None


def test_other_thresholds_are_those_of_the_criteria():
    criteria = dataclasses.replace(DEFAULT, endurance_on_pct=60.0)
    batch = stop(channels={"endurance_torque_pct": np.full(len(TIME), 50.0)})
    assert features(batch, criteria).events.to_pylist()[0]["retarder_s"] == 0.0

"""Build-up, release and effectiveness of made recordings: right where seen, NULL where something hides them."""

import numpy as np
import pytest

from fleetbrake.core.units import G_MPS2
from tests.features.feature_rows import event
from tests.recordings_made import held, make_batch, rolling, times

V0, ASKED = 25.0, 40.0
LAG_S, RISE_S = 0.1, 0.3  # the brakes follow the foot so late


def asked(time_s, let_go_s=np.inf, ramp_s=0.4):
    """A pedal that goes down at 2 s and comes up from ``let_go_s`` on, both within ``ramp_s``."""
    down = np.clip((time_s - 2.0) / ramp_s, 0.0, 1.0)
    return ASKED * np.minimum(down, np.clip(1.0 - (time_s - let_go_s) / ramp_s, 0.0, 1.0))


def answered(time_s, demand, decel=4.0, rest=0.0, lag_s=LAG_S):
    """Speed of a vehicle whose deceleration is the demand's share, later by ``lag_s``, on top of ``rest``."""
    fine = np.arange(0.0, time_s[-1] + 0.001, 0.001)
    share = np.interp(fine - lag_s, time_s, demand) / ASKED
    lost = np.cumsum((decel * share + rest * (fine > 1.0)) * 0.001)
    return np.maximum(np.interp(time_s, fine, V0 - lost), 0.0)


def row(
    rate_hz=50.0, seconds=8.0, let_go_s=np.inf, channels=None, brake_source=None, rest=0.0, sees=lambda x: x, **how
):
    time_s = times(seconds, rate_hz)
    demand = asked(time_s, let_go_s)
    speed = answered(time_s, demand, rest=rest, **how)
    recorded = {"brake_pedal_pct": sees(demand)} | {k: v(time_s) for k, v in (channels or {}).items()}
    return event(make_batch(time_s, speed, rolling(speed), recorded, brake_source=brake_source))


def always(value):
    return lambda time_s: np.full(len(time_s), value)


# --- what is seen


@pytest.mark.parametrize("rate_hz", [20.0, 25.0, 50.0, 100.0])
@pytest.mark.parametrize("lag_s", [0.1, 0.5])
def test_build_up_is_the_lag(rate_hz, lag_s):
    """Half a sample for the line between samples, a quarter of the deceleration's window (0.1 s at 20 Hz)."""
    assert row(rate_hz, lag_s=lag_s)["build_up_s"] == pytest.approx(lag_s, abs=0.5 / rate_hz + 0.025)


@pytest.mark.parametrize("rate_hz", [20.0, 50.0])
@pytest.mark.parametrize("lag_s", [0.1, 0.5])
@pytest.mark.parametrize("rest", [0.0, 0.4])
def test_release_is_the_lag(rate_hz, lag_s, rest):
    found = row(rate_hz, let_go_s=4.0, lag_s=lag_s, rest=rest)
    assert found["release_s"] == pytest.approx(lag_s, abs=0.5 / rate_hz + 0.025)


def test_effectiveness_is_deceleration_over_demand():
    assert row()["effectiveness"] == pytest.approx(4.0 / ASKED, rel=0.01)


# --- what hides it: rates


def test_a_pressure_of_1_hz_in_50_hz_rows_times_nothing():
    few = row(seconds=3.5, sees=lambda x: held(times(3.5, 50.0), x, 1.0))
    more = row(let_go_s=5.0, seconds=10.0, sees=lambda x: held(times(10.0, 50.0), x, 1.0))
    for found in (few, more):
        assert (found["build_up_s"], found["release_s"]) == (None, None)


@pytest.mark.parametrize("rate_hz", [5.0, 10.0])
def test_slow_rows_time_nothing(rate_hz):
    found = row(rate_hz, let_go_s=4.0)
    assert (found["build_up_s"], found["release_s"]) == (None, None)
    assert found["effectiveness"] is not None or rate_hz < 10.0


def test_without_a_measured_demand_nothing_is_timed():
    time_s = times(8.0, 50.0)
    speed = answered(time_s, asked(time_s, 4.0))
    bare = event(make_batch(time_s, speed, rolling(speed), {}))
    lamp = event(make_batch(time_s, speed, rolling(speed), {"brake_switch": (asked(time_s, 4.0) > 1.0) * 1.0}))
    for found in (bare, lamp):
        assert [found[k] for k in ("build_up_s", "release_s", "effectiveness", "effectiveness_change")] == [None] * 4
    assert (bare["demand_kind"], lamp["demand_kind"]) == ("deceleration", "switch")


def test_no_release_at_standstill_or_when_braked_again_or_driven():
    assert row(seconds=12.0)["release_s"] is None  # held to the end
    low = row(let_go_s=8.0, seconds=12.0)  # under walking pace before the brakes are off
    assert low["release_s"] is None
    driven = row(let_go_s=4.0, channels={"accelerator_pct": lambda t: np.where(t > 4.8, 30.0, 0.0)})
    assert driven["release_s"] is None
    assert row(let_go_s=4.0, channels={"accelerator_pct": always(0.0)})["release_s"] is not None
    assert row(let_go_s=4.0, seconds=5.0)["release_s"] is None  # the recording ends too early


# --- what else brakes


@pytest.mark.parametrize(
    "channel",
    [
        {"endurance_torque_pct": lambda t: np.where(t > 2.1, -60.0, 0.0)},
        {"regen_power_kw": lambda t: np.where(t > 2.1, 30.0, 0.0)},
    ],
    ids=["retarder", "recuperation"],
)
def test_an_endurance_brake_hides_how_the_friction_brakes_answer(channel):
    found = row(let_go_s=4.0, channels=channel)
    assert [found[k] for k in ("build_up_s", "release_s", "effectiveness", "effectiveness_change")] == [None] * 4


def test_an_endurance_brake_for_a_part_leaves_the_rest_of_the_effectiveness():
    """Recuperation adds 1 m/s2 until 4 s; what is said is of the friction brakes alone, from then on."""
    time_s = times(8.0, 50.0)
    demand = asked(time_s)
    blended = answered(time_s, demand) - np.clip(time_s - 2.0, 0.0, 2.0)
    speed = np.maximum(blended, 0.0)
    power = np.where((time_s >= 2.0) & (time_s < 4.0), 25.0, 0.0)
    recorded = {"brake_pedal_pct": demand, "regen_power_kw": power}
    found = event(make_batch(time_s, speed, rolling(speed), recorded))
    assert found["effectiveness"] == pytest.approx(4.0 / ASKED, rel=0.02)
    unseen = event(make_batch(time_s, speed, rolling(speed), {"brake_pedal_pct": demand}))
    assert unseen["effectiveness"] > 1.05 * 4.0 / ASKED


@pytest.mark.parametrize("system", ["aeb", "acc"])
def test_a_system_that_brakes_without_the_foot(system):
    """The foot comes in half a second after the system: its pedal asked for none of it."""
    time_s = times(8.0, 50.0)
    speed = answered(time_s, asked(time_s))
    late = np.where(time_s > 2.5, np.clip((time_s - 2.5) / 0.3, 0.0, 1.0) * 15.0, 0.0)
    found = event(make_batch(time_s, speed, rolling(speed), {"brake_pedal_pct": late}, brake_source=system))
    assert found["brake_source"] == system
    assert (found["build_up_s"], found["effectiveness"]) == (None, None)
    # nobody says who asked: the vehicle brakes before its pedal
    silent = event(make_batch(time_s, speed, rolling(speed), {"brake_pedal_pct": late}))
    assert (silent["build_up_s"], silent["effectiveness"]) == (None, None)
    # a pressure is what the brakes got, whoever asked
    pressure = {"brake_pedal_pct": 0.0 * time_s, "brake_pressure_kpa": 100.0 * asked(time_s)}
    found = event(make_batch(time_s, speed, rolling(speed), pressure, brake_source=system))
    assert found["demand_kind"] == "pressure"
    assert found["effectiveness"] == pytest.approx(4.0 / (100.0 * ASKED), rel=0.02)
    assert found["build_up_s"] == pytest.approx(LAG_S, abs=0.035)


def test_single_wheels_braked_by_stability_control_are_no_answer_to_a_pressure():
    found = row(sees=lambda x: x, brake_source="esc")
    assert (found["build_up_s"], found["effectiveness"]) == (None, None)


def test_drag_before_the_demand_is_no_answer_to_it():
    """0.6 m/s2 of engine and air, there before: the build-up time is the brakes' alone."""
    assert row(rest=0.6)["build_up_s"] == pytest.approx(LAG_S, abs=0.035)


def test_only_friction_is_level_the_rest_is_change_of_speed():
    """A slope of 5 % changes neither build-up nor peak; the effectiveness is that of a level road."""
    slope = G_MPS2 * np.sin(np.arctan(-0.05))
    found = row(channels={"grade": always(-0.05)})
    assert found["peak_decel_mps2"] == pytest.approx(4.0, abs=0.05)
    assert found["effectiveness"] == pytest.approx((4.0 - slope) / ASKED, rel=0.02)
    assert found["build_up_s"] == pytest.approx(LAG_S, abs=0.035)

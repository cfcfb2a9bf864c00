"""``features()`` on made recordings of known truth: figures, classes, and NULL where nothing can be said."""

import numpy as np
import pytest

from fleetbrake.core.units import G_MPS2, KMH
from fleetbrake.features.build import features
from tests.features.feature_rows import RATE, TIME, event, stop, wheels
from tests.recordings_made import FOUR, braking, cycling_slip, held, make_batch, pressed, rolling, times

#: The smoother takes a step of the deceleration for a very steep ramp: some hundred-thousandths at 50 Hz.
STEP = 1e-4


@pytest.mark.parametrize("decel", [1.5, 5.0, 8.0])
def test_a_stop_at_constant_deceleration(decel):
    """Computed: v^2 / 2a less the last 0.3 m/s, which count as standstill; peak and MFDD are a itself."""
    time_s = times(2.0 + 20.0 / decel + 2.0, RATE)
    row = event(stop(20.0, decel, time_s=time_s))
    assert row["initial_speed_mps"] == pytest.approx(20.0, rel=STEP)
    v_end = row["final_speed_mps"]
    assert 0.3 - decel / RATE - 1e-3 <= v_end <= 0.3 + 1e-9
    assert row["braking_distance_m"] == pytest.approx((400.0 - v_end**2) / (2 * decel), rel=STEP)
    assert row["braking_s"] == pytest.approx((20.0 - v_end) / decel, rel=STEP)
    for name in ("peak_decel_mps2", "mean_decel_mps2", "mfdd_mps2"):
        assert row[name] == pytest.approx(decel, rel=STEP), name
    assert row["friction_used"] == pytest.approx(decel / G_MPS2, rel=STEP)
    assert (row["lockup"], row["modulation"], row["not_braking"]) == (False, False, None)
    assert (row["onset_s"], row["demand_kind"]) == (2.0, "pedal")


def test_energy_of_a_van_from_100_kmh():
    """1500 kg from 100 km/h: 578.7 kJ (computed), less the 0.07 kJ of the last 0.3 m/s."""
    row = event(stop(100 * KMH, 6.43, channels={"gross_mass_kg": np.full(len(TIME), 1500.0)}))
    assert row["brake_energy_kj"] == pytest.approx(578.7, abs=0.2)
    assert event(stop())["brake_energy_kj"] is None
    # 60 m down a slope of 5 %: 3.0 m lower, 44 kJ more (computed)
    down = {"gross_mass_kg": np.full(len(TIME), 1500.0), "grade": np.full(len(TIME), -0.05)}
    more = 1.5 * G_MPS2 * 0.05 * row["braking_distance_m"]
    assert event(stop(100 * KMH, 6.43, channels=down))["brake_energy_kj"] == pytest.approx(578.7 + more, abs=0.2)


@pytest.mark.parametrize("grade", [-0.06, 0.06])
def test_only_friction_is_corrected_to_a_level_road(grade):
    row = event(stop(20.0, 4.0, channels={"grade": np.full(len(TIME), grade)}))
    assert row["peak_decel_mps2"] == pytest.approx(4.0, rel=STEP)
    assert row["mfdd_mps2"] == pytest.approx(4.0, rel=STEP)
    # uphill the slope helps: the tyres gave less
    assert row["friction_used"] == pytest.approx(4.0 / G_MPS2 - np.sin(np.arctan(grade)), rel=STEP)
    assert row["grade"] == pytest.approx(grade)


def locking(wheel="2R", begin=2.5, end=3.5, time_s=TIME, decel=5.0):
    speed = braking(time_s, 20.0, decel)
    turning = rolling(speed)
    fade = np.clip(np.maximum(begin - time_s, time_s - end) / 0.1, 0.0, 1.0)
    turning[wheel] = speed * np.where((time_s >= begin - 1e-9) & (time_s < end - 1e-9), 0.0, fade)
    return speed, turning, {"brake_pedal_pct": pressed(time_s)}


def test_a_locked_wheel_is_named_with_its_slide():
    batch = make_batch(TIME, *locking())
    row = event(batch)
    assert (row["lockup"], row["wheels_locked"]) == (True, "2R")
    assert row["lockup_s"] == pytest.approx(1.0, abs=1.01 / RATE)
    found = wheels(batch)
    assert found["2R"]["lockup_onset_s"] == pytest.approx(2.5, abs=1.0 / RATE)  # told between two samples
    assert found["2R"]["lockup_onset_speed_mps"] == pytest.approx(17.5, abs=5.0 / RATE)
    assert found["2R"]["slide_m"] == pytest.approx(15.0, abs=0.3)  # 17.5 to 12.5 m/s in 1 s, one sample of 0.25 m more
    assert found["2R"]["peak_slip"] == 1.0
    assert [found[w]["lockup"] for w in FOUR] == [False, False, False, True]
    assert found["1L"]["lockup_s"] == 0.0


def test_an_unsensed_wheel_is_not_counted():
    """A wheel that reads zero from the first sample turns no verdict: raised axle or no sensor."""
    speed, turning, asked = locking()
    turning |= {"2R": np.zeros(len(TIME)), "3L": np.full(len(TIME), np.nan)}
    batch = make_batch(TIME, speed, turning, asked)
    row, found = event(batch), wheels(batch)
    assert (row["lockup"], row["modulation"], row["wheels_observed"]) == (False, False, 3)
    for wheel in ("2R", "3L"):
        assert found[wheel]["sensed"] is False
        assert found[wheel]["peak_slip"] is None
        assert found[wheel]["lockup_s"] is None
        assert found[wheel]["modulation_cycles"] is None


def test_a_wheel_missing_while_braking_leaves_the_lockup_open():
    speed, turning, asked = locking(begin=99.0, end=99.0)
    turning["1R"][(TIME > 3.0) & (TIME < 4.0)] = np.nan
    batch = make_batch(TIME, speed, turning, asked)
    assert event(batch)["lockup"] is None
    assert event(batch)["lockup_s"] is None
    assert wheels(batch)["1R"]["lockup"] is None
    assert wheels(batch)["1R"]["dropout_s"] == pytest.approx(1.0, abs=0.05)
    assert wheels(batch)["1L"]["lockup"] is False


def test_a_saturated_wheel_is_sensed_and_open():
    speed, turning, asked = locking(begin=99.0, end=99.0)
    high = (TIME > 3.0) & (TIME < 4.0)
    turning["1R"] = np.where(high, speed - 7.8125 / 3.6, speed)
    batch = make_batch(TIME, speed, turning, asked, saturated={"1R": high})
    assert event(batch)["lockup"] is None
    row = wheels(batch)["1R"]
    assert (row["sensed"], row["lockup"], row["peak_slip_is_bound"]) == (True, None, True)


def test_without_wheel_speeds_no_word_on_wheels():
    speed = braking(TIME, 20.0, 5.0)
    row = event(make_batch(TIME, speed, None, {"brake_pedal_pct": pressed(TIME)}))
    for name in ("lockup", "lockup_s", "modulation", "modulation_cycles", "friction_used_up", "wheel_rate_hz"):
        assert row[name] is None, name
    assert row["peak_decel_mps2"] == pytest.approx(5.0, rel=STEP)
    assert row["surface"] == "unknown"


@pytest.mark.parametrize("v0", [10.0, 15.0, 27.0])
def test_a_1_hz_speed_has_no_peak_only_a_bound(v0):
    """However few steps it makes: three steps of 5 m/s in 50 Hz rows are no 25 m/s2."""
    time_s = times(12.0, RATE)
    speed = held(time_s, braking(time_s, v0, 5.0), 1.0)
    row = event(make_batch(time_s, speed, None, {"brake_pedal_pct": pressed(time_s)}))
    assert row["peak_decel_mps2"] is None
    assert 0.0 < row["peak_decel_at_least_mps2"] <= 5.0 + 1e-9
    assert row["friction_used"] is None or row["friction_used"] <= 5.0 / G_MPS2 + 1e-9
    assert row["lockup"] is None
    assert row["modulation"] is None


def test_1_hz_rows_have_no_peak_only_a_bound():
    time_s = times(12.0, 1.0)
    row = event(make_batch(time_s, braking(time_s, 20.0, 4.0), None, {"brake_pedal_pct": pressed(time_s)}))
    assert row["peak_decel_mps2"] is None
    assert row["peak_decel_at_least_mps2"] == pytest.approx(4.0, rel=STEP)
    assert row["speed_rate_hz"] == pytest.approx(1.0)


@pytest.mark.parametrize("hz", [1.0, 5.0])
def test_slow_wheels_do_not_say_no(hz):
    speed = braking(TIME, 20.0, 5.0)
    turning = {name: held(TIME, speed, hz) for name in FOUR}
    row = event(make_batch(TIME, speed, turning, {"brake_pedal_pct": pressed(TIME)}))
    assert row["lockup"] is None
    assert row["modulation"] is None


def modulated(hz, *, rate=100.0, pedal=None, seconds=2.0, **more):
    time_s = times(8.0, rate)
    speed = braking(time_s, 25.0, 6.0)
    slip = cycling_slip(time_s, hz, 2.5, 2.5 + seconds)
    turning = rolling(speed) | {"1L": speed * (1.0 - slip)}
    return make_batch(
        time_s, speed, turning, {"brake_pedal_pct": pressed(time_s) if pedal is None else pedal(time_s)}, **more
    )


@pytest.mark.parametrize("rate", [50.0, 100.0])
@pytest.mark.parametrize("hz", range(2, 16))
def test_modulation_is_seen_with_its_frequency(hz, rate):
    """3 %: two seconds of cycles known to a sample at each end (see the detector's test)."""
    batch = modulated(hz, rate=rate)
    row = event(batch)
    assert (row["modulation"], row["wheels_modulated"]) == (True, "1L")
    assert row["modulation_seen_hz"] == pytest.approx(hz, rel=0.03)
    assert row["modulation_cycles"] == pytest.approx(2 * hz - 1, abs=1)
    assert wheels(batch)["1R"]["modulation_cycles"] == 0


@pytest.mark.parametrize("hz", range(2, 16))
def test_at_10_hz_visible_cycles_are_never_denied(hz):
    batch = modulated(hz, rate=10.0)
    braked = (batch.time_s >= 2.5) & (batch.time_s < 4.5)
    slip = 1.0 - batch.wheel_speed_mps[0, braked] / batch.channel("speed_mps")[braked]
    turns = np.diff(slip > 0.15).sum()
    if turns >= 4:  # high and low by turns, at least twice: it visibly cycles
        assert event(batch)["modulation"] in (True, None)


def test_one_cycle_is_no_modulation():
    assert event(modulated(4, seconds=0.5))["modulation"] is False


def test_a_slow_pumping_foot_is_not_modulation():
    def pumping(time_s):
        return np.where(time_s >= 2.0, 40.0 + 35.0 * np.cos(2 * np.pi * 1.5 * (time_s - 2.5)) * (time_s >= 2.5), 0.0)

    def follows(time_s):
        return np.clip(pumping(time_s) / 75.0, 0.0, 1.0) * 0.2 * (time_s >= 2.0)

    time_s = times(8.0, 100.0)
    speed = braking(time_s, 25.0, 5.0)
    batch = make_batch(time_s, speed, rolling(speed, slip=follows(time_s)), {"brake_pedal_pct": pumping(time_s)})
    assert event(batch)["modulation"] is False


def nothing_is_claimed(row, reason):
    assert row["not_braking"] is not None
    assert reason in row["not_braking"]
    for name in ("lockup", "modulation", "peak_decel_mps2", "mfdd_mps2", "lockup_s", "friction_used", "surface"):
        assert row[name] is None, name


def test_a_pedal_at_standstill_is_no_application():
    still = np.zeros(len(TIME))
    batch = make_batch(TIME, still, rolling(still), {"brake_pedal_pct": pressed(TIME)}, brake_source="hold")
    nothing_is_claimed(event(batch), "standstill")
    assert all(row["lockup_s"] is None for row in features(batch).wheels.to_pylist())


def test_without_demand_there_is_no_application():
    speed = np.full(len(TIME), 20.0)
    asked = {"brake_pedal_pct": np.zeros(len(TIME))}
    nothing_is_claimed(event(make_batch(TIME, speed, rolling(speed), asked)), "demand")
    slowing = braking(TIME, 20.0, 2.5)  # the retarder's work, the pedal untouched
    nothing_is_claimed(event(make_batch(TIME, slowing, rolling(slowing), asked)), "demand")


def test_reversing_is_said():
    speed = -np.maximum(braking(TIME, 2.0, 1.0), 0.0)
    batch = make_batch(TIME, speed, rolling(np.abs(speed)), {"brake_pedal_pct": pressed(TIME)})
    nothing_is_claimed(event(batch), "reversing")


def test_one_axle_on_rollers_is_said():
    still, turning = np.zeros(len(TIME)), braking(TIME, 1.2, 0.4)
    batch = make_batch(
        TIME, still, {"1L": turning, "1R": turning, "2L": still, "2R": still}, {"brake_pedal_pct": pressed(TIME)}
    )
    nothing_is_claimed(event(batch), "roller")


def test_nothing_recorded_but_time():
    nothing = np.full(len(TIME), np.nan)
    nothing_is_claimed(event(make_batch(TIME, nothing, rolling(nothing), {"brake_pedal_pct": pressed(TIME)})), "speed")


def test_a_switch_is_demand_but_no_measure_of_it():
    speed = braking(TIME, 20.0, 5.0)
    row = event(make_batch(TIME, speed, rolling(speed), {"brake_switch": pressed(TIME, level=1.0)}))
    assert (row["demand_kind"], row["not_braking"]) == ("switch", None)
    assert row["peak_decel_mps2"] == pytest.approx(5.0, rel=STEP)
    for name in ("effectiveness", "build_up_s", "demand_peak", "demand_rate_hz"):
        assert row[name] is None, name


def test_without_a_demand_channel_the_deceleration_begins_it():
    speed = braking(TIME, 20.0, 5.0)
    row = event(make_batch(TIME, speed, rolling(speed)))
    assert row["demand_kind"] == "deceleration"
    assert row["onset_s"] == pytest.approx(2.0, abs=0.05)
    assert row["effectiveness"] is None


def test_a_hold_at_the_start_is_not_the_brake_application():
    speed = np.clip(4.0 * (TIME - 1.5), 0.0, 12.0)
    speed = np.where(TIME > 5.0, np.maximum(12.0 - 5.0 * (TIME - 5.0), 0.0), speed)
    pedal = pressed(TIME, 0.0, 1.0) + pressed(TIME, 5.0)
    row = event(make_batch(TIME, speed, rolling(speed), {"brake_pedal_pct": pedal}))
    assert row["onset_s"] == pytest.approx(5.0)
    assert row["initial_speed_mps"] == pytest.approx(12.0, rel=STEP)


def test_a_hole_in_the_lead_in_costs_nothing():
    speed = braking(TIME, 20.0, 5.0)
    whole = event(make_batch(TIME, speed, rolling(speed), {"brake_pedal_pct": pressed(TIME)}))
    speed[(TIME > 0.5) & (TIME < 1.5)] = np.nan
    row = event(make_batch(TIME, speed, rolling(braking(TIME, 20.0, 5.0)), {"brake_pedal_pct": pressed(TIME)}))
    for name in ("braking_distance_m", "mfdd_mps2", "peak_decel_mps2", "lockup"):
        assert row[name] == whole[name], name

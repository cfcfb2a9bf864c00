"""What ``features()`` must leave unknown, and what it must see all the same: gaps, held channels, ends, units."""

from dataclasses import replace

import numpy as np
import pytest

from fleetbrake.core.units import KMH
from fleetbrake.features.build import features
from tests.features.feature_rows import RATE, TIME, event, stop, wheels
from tests.recordings_made import FOUR, braking, concat, held, make_batch, pressed, rolling, times


def test_a_gap_while_braking_is_marked_never_bridged():
    speed = braking(TIME, 20.0, 5.0)
    keep = (TIME < 3.0) | (TIME > 4.0)
    row = event(make_batch(TIME[keep], speed[keep], rolling(speed[keep]), {"brake_pedal_pct": pressed(TIME)[keep]}))
    assert row["longest_gap_s"] == pytest.approx(1.04, abs=0.02)
    for name in ("braking_distance_m", "mfdd_mps2", "peak_decel_mps2", "friction_used", "lockup", "modulation"):
        assert row[name] is None, name  # what the missing second hides is not known
    assert row["peak_decel_at_least_mps2"] == pytest.approx(5.0, rel=1e-4)
    assert "rows are missing for 1.0 s" in row["notes"]


def test_wheels_alone_give_the_speed():
    speed = braking(TIME, 20.0, 5.0)
    batch = make_batch(TIME, None, rolling(speed), {"brake_pedal_pct": pressed(TIME)}, speed_source=None)
    row = event(batch)
    assert row["speed_source"] == "wheels"
    # real tyres slip by about 0.4 % for each m/s2, which the smoother allows for; these do not
    assert row["peak_decel_mps2"] == pytest.approx(5.0, rel=0.05)
    assert (row["lockup"], row["modulation"]) == (False, False)


@pytest.mark.parametrize("source", ["wheel", "driveline", "tachograph"])
@pytest.mark.parametrize("names", [(), FOUR])
def test_a_speed_that_hangs_on_the_wheels_joins_them(source, names):
    speed = braking(TIME, 20.0, 5.0)
    turning = rolling(speed, names, slip=0.03)
    row = event(make_batch(TIME, speed, turning, {"brake_pedal_pct": pressed(TIME)}, speed_source=source))
    # real tyres slip by about 0.4 % for each m/s2, which the smoother allows for; these do not
    assert row["peak_decel_mps2"] == pytest.approx(5.0, rel=0.05)
    assert row["braking_distance_m"] == pytest.approx(40.0, rel=0.02)
    assert row["lockup"] is (False if names else None)


def test_all_wheels_locked_and_nothing_else_proves_no_deceleration():
    """Without an independent speed, wheels that all stop say nothing of the vehicle: no peak of 13 m/s2 is made up."""
    speed = braking(TIME, 20.0, 3.0)
    turning = np.where(TIME < 2.5, speed, np.maximum(18.5 - 100.0 * (TIME - 2.5), 0.0))
    batch = make_batch(TIME, None, rolling(turning), {"brake_pedal_pct": pressed(TIME)}, speed_source=None)
    row = event(batch)
    assert row["lockup"] is not False
    assert row["braking_distance_m"] is None
    assert row["mfdd_mps2"] is None
    assert row["peak_decel_mps2"] is None or row["peak_decel_mps2"] < 13.0 - 0.5


def test_brake_force_outlives_the_demand():
    """Air brakes take up to 0.55 s to release (FMVSS 121 S5.3.4, verified): still locked after pedal-up is locked."""
    speed = braking(TIME, 20.0, 5.0, until_s=2.5)
    wheels_ = rolling(speed)
    wheels_["2L"] = np.where((TIME >= 2.3) & (TIME < 2.9), 0.02, wheels_["2L"])
    wheels_["2L"][TIME < 2.3] -= 12.0 * np.clip(TIME[TIME < 2.3] - 2.1, 0, None) * 5  # runs down in 0.2 s
    row = wheels(make_batch(TIME, speed, wheels_, {"brake_pedal_pct": pressed(TIME, end_s=2.5)}))["2L"]
    assert row["lockup"] is True
    assert row["lockup_s"] == pytest.approx(0.6, abs=1.01 / RATE)


def test_all_wheels_locked_and_nothing_else_leaves_the_end_unknown():
    speed = braking(TIME, 20.0, 3.0)
    sliding = np.where(TIME < 2.1, speed, 0.0)
    row = event(make_batch(TIME, None, rolling(sliding), {"brake_pedal_pct": pressed(TIME)}))
    for name in (
        "final_speed_mps",
        "braking_s",
        "mean_decel_mps2",
        "braking_distance_m",
        "mfdd_mps2",
        "peak_decel_mps2",
    ):
        assert row[name] is None, name
    assert row["surface"] == "unknown"


def test_no_effectiveness_where_the_control_holds_pressure_back():
    plain = event(stop())
    assert plain["effectiveness"] == pytest.approx(5.0 / 40.0, rel=1e-4)
    flagged = event(stop(channels={"abs_active": ((TIME > 3.0) & (TIME < 3.4)).astype(float)}))
    assert flagged["effectiveness"] is None and flagged["abs_flag"] is True


def test_missing_rows_split_an_application_of_a_drive():
    time_s = times(110.0, RATE)
    kept = (time_s < 11.0) | (time_s > 99.0)
    speed = 20.0 - np.clip(time_s - 10.0, 0, 1.0) * 2.0 - np.clip(time_s - 99.0, 0, 2.0) * 2.0
    pedal = np.where((time_s >= 10.0) & (time_s < 101.0), 30.0, 0.0)
    drive = make_batch(
        time_s[kept],
        speed[kept],
        rolling(speed[kept]),
        {"brake_pedal_pct": pedal[kept]},
        event_id=None,
        continuous=True,
    )
    found = features(drive).events.to_pylist()
    assert len(found) == 2
    assert all(row["braking_s"] < 3.0 for row in found)


@pytest.mark.parametrize("hz", [1.0, 2.0, 4.0, 5.0, 10.0, 20.0])
@pytest.mark.parametrize("phase", [0.0, 0.07])
def test_held_channels_make_no_slip(hz, phase):
    """Wheels that turn with the vehicle, both held at a low rate in 50 Hz rows, each at its own instants."""
    true = braking(TIME, 20.0, 5.0)
    later = np.concatenate((np.full(round(phase * RATE), 20.0), true))[: len(TIME)]
    wheel = np.concatenate((held(TIME, true, hz),))
    speed = held(TIME, later, hz)[np.minimum(np.arange(len(TIME)) + round(phase * RATE), len(TIME) - 1)]
    row = event(make_batch(TIME, speed, rolling(wheel), {"brake_pedal_pct": pressed(TIME)}))
    assert row["modulation"] is not True and row["lockup"] is not True
    assert row["friction_used_up"] is not True


def test_figures_do_not_hang_on_the_neighbours_in_the_file():
    slow = make_batch(TIME, held(TIME, braking(TIME, 20.0, 5.0), 1.0), rolling(braking(TIME, 20.0, 5.0)),
                      {"brake_pedal_pct": pressed(TIME)}, event_id="slow")  # fmt: skip
    quick = [replace(stop(event_id=f"q{i}"), vehicle_id=np.array(["other"], dtype=object)) for i in range(3)]
    alone = event(slow)
    among = next(
        row for row in features(concat([quick[0], slow, *quick[1:]])).events.to_pylist() if row["event_id"] == "slow"
    )
    for name, value in alone.items():
        if name not in ("row_start", "row_stop"):  # sums over the whole batch differ in the last digits
            assert among[name] == (pytest.approx(value, rel=1e-9) if isinstance(value, float) else value), name


@pytest.mark.parametrize("wrong", [0.0, 300.0])
@pytest.mark.parametrize("hz", [5.0, 50.0])
def test_a_burst_in_the_speed_channel_costs_nothing(wrong, hz):
    """0.3 s of zeros, or of a code read as a speed: the figures of a stop at 5 m/s2 stand."""
    speed = braking(TIME, 20.0, 5.0)
    channel = held(TIME, speed, hz)
    channel[(TIME >= 3.0) & (TIME < 3.3)] = wrong
    row = event(make_batch(TIME, channel, rolling(speed), {"brake_pedal_pct": pressed(TIME)}))
    # a step of the deceleration between two readings 0.2 s apart swings over a little
    assert row["peak_decel_mps2"] == pytest.approx(5.0, rel=0.12 if hz == 5.0 else 0.05)
    assert row["braking_distance_m"] == pytest.approx(40.0, rel=0.03)
    assert row["lockup"] is False


def test_a_speed_in_kmh_is_told_not_believed():
    """A stop at 5 m/s2 whose speeds were recorded in km/h falls at 18 "m/s2"."""
    row = event(stop(20.0 / KMH, 5.0 / KMH))
    for name in ("peak_decel_mps2", "peak_decel_at_least_mps2", "mfdd_mps2", "friction_used", "initial_speed_mps",
                 "braking_distance_m", "mean_decel_mps2"):  # fmt: skip
        assert row[name] is None, name
    assert "unit" in row["notes"]

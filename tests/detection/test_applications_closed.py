"""Where a brake application begins and ends: demand signals, standstill, release, merging, cutting drives."""

import numpy as np
import pytest

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.detection import applications
from fleetbrake.detection.applications import DECELERATION, PEDAL, PRESSURE, SWITCH
from tests.recordings_made import braking, pressed, times

TIME = times(10.0, 50.0)


def wanted(decel=None, *, time_s=TIME, system=False, cut=True, **channels):
    n = len(time_s)
    signals = {"pedal_pct": None, "pressure_kpa": None, "switch": None} | channels
    return applications.demand(
        time_s=time_s, offsets=np.array([0, n]), decel_mps2=np.zeros(n) if decel is None else decel,
        asked_by_system=np.array([system]), cut=cut, criteria=DEFAULT, **signals,
    )  # fmt: skip


def phase(demand, speed, time_s=TIME):
    start, stop, release = applications.stretch(
        time_s=time_s, offsets=np.array([0, len(time_s)]), wanted=demand, speed_mps=speed, criteria=DEFAULT
    )
    return int(start[0]), int(stop[0]), int(release[0])


def test_the_best_moving_signal_speaks():
    on = pressed(TIME, 2.0, 5.0)
    still = np.zeros_like(on)
    assert wanted(pedal_pct=on, pressure_kpa=on * 10, switch=on > 0).kind[0] == PEDAL
    assert wanted(pedal_pct=still, pressure_kpa=on * 10, switch=(on > 0) * 1.0).kind[0] == PRESSURE
    assert wanted(pedal_pct=still, pressure_kpa=still, switch=(on > 0) * 1.0).kind[0] == SWITCH
    strong = np.where(on > 0, 3.0, 0.0)
    assert wanted(strong).kind[0] == DECELERATION
    assert wanted(strong, pedal_pct=still).kind[0] == -1  # a retarder is not the brake
    assert wanted(strong, pedal_pct=still, system=True).kind[0] == DECELERATION
    assert wanted().kind[0] == -1


def test_a_pressure_offset_is_no_demand():
    demand = wanted(pressure_kpa=15.0 + pressed(TIME, 2.0, 5.0, 400.0))
    assert demand.kind[0] == PRESSURE
    assert demand.on.sum() == 150
    assert demand.level.max() == pytest.approx(400.0)
    assert wanted(pressure_kpa=np.full(len(TIME), 15.0)).kind[0] == -1


def test_deceleration_is_demand_only_when_strong_and_lasting():
    def decel(strength, seconds):
        return pressed(TIME, 2.0, 2.0 + seconds, strength)

    assert wanted(decel(1.5, 2.0), cut=True).kind[0] == DECELERATION
    assert wanted(decel(1.5, 2.0), cut=False).kind[0] == -1  # an engine can do that
    assert wanted(decel(2.7, 2.0), cut=False).kind[0] == DECELERATION
    assert wanted(decel(2.7, 0.3), cut=False).kind[0] == DECELERATION  # exactly the holding time
    assert wanted(decel(2.7, 0.2), cut=False).kind[0] == -1
    walked = decel(2.7, 1.0) + pressed(TIME, 1.5, 2.0, 0.6)
    assert np.flatnonzero(wanted(walked, cut=False).on)[0] == 75  # back to where it began


def test_from_first_movement_to_release():
    demand = wanted(pedal_pct=pressed(TIME, 2.0, 4.0))
    assert phase(demand, np.full(len(TIME), 20.0)) == (100, 201, 200)


def test_from_first_movement_to_standstill():
    demand = wanted(pedal_pct=pressed(TIME, 2.0))
    speed = braking(TIME, 10.0, 5.0)  # at 0.3 m/s after 1.94 s
    start, stop, release = phase(demand, speed)
    assert (start, release) == (100, -1)
    assert speed[stop - 1] <= DEFAULT.standstill_mps < speed[stop - 2]


def test_release_before_standstill_ends_it():
    """Released at 4 s, rolled out to rest at 7 s: the release comes first."""
    demand = wanted(pedal_pct=pressed(TIME, 2.0, 4.0))
    speed = np.where(TIME < 4.0, braking(TIME, 10.0, 3.5), np.maximum(3.0 - (TIME - 4.0), 0.0))
    assert phase(demand, speed) == (100, 201, 200)


def test_a_pedal_held_at_standstill_is_not_the_beginning():
    speed = np.clip(2.0 * (TIME - 2.0), 0.0, 8.0)
    speed = np.where(TIME > 7.0, np.maximum(8.0 - 5.0 * (TIME - 7.0), 0.0), speed)
    pedal = pressed(TIME, 0.0, 1.5) + pressed(TIME, 7.0)
    start, *_ = phase(wanted(pedal_pct=pedal), speed)
    assert TIME[start] == pytest.approx(7.0)
    assert phase(wanted(pedal_pct=pressed(TIME, 1.0, 3.0)), np.zeros(len(TIME))) == (-1, -1, -1)


def cuts(pedal, speed, time_s=TIME):
    demand = wanted(pedal_pct=pedal, time_s=time_s, cut=False)
    return applications.cut_drives(
        time_s=time_s, offsets=np.array([0, len(time_s)]), wanted=demand, speed_mps=speed, criteria=DEFAULT
    )


def test_a_drive_is_cut_into_its_applications():
    time_s = times(30.0, 50.0)
    pedal = (
        pressed(time_s, 5.0, 7.0)
        + pressed(time_s, 7.5, 8.0)
        + pressed(time_s, 15.0, 16.0)
        + pressed(time_s, 20.0, 20.1)
    )
    found = cuts(pedal, np.full(len(time_s), 20.0), time_s)
    # the pause of 0.5 s is no end, the touch of 0.1 s no application
    assert time_s[found.onset].tolist() == pytest.approx([5.0, 15.0])
    assert time_s[found.start].tolist() == pytest.approx([3.0, 13.0])
    assert time_s[found.stop - 1].tolist() == pytest.approx([10.0, 18.0])


def test_neighbours_do_not_share_braking():
    time_s = times(20.0, 50.0)
    pedal = pressed(time_s, 5.0, 7.0) + pressed(time_s, 8.5, 10.0)
    found = cuts(pedal, np.full(len(time_s), 20.0), time_s)
    assert len(found.onset) == 2
    assert found.start[1] >= np.searchsorted(time_s, 7.0)
    assert found.stop[0] <= found.onset[1]


def test_a_pedal_kept_down_at_rest_is_one_application():
    speed = braking(TIME, 10.0, 4.0)
    creep = np.where(TIME > 6.0, np.minimum(0.5, TIME - 6.0), speed)
    assert len(cuts(pressed(TIME, 2.0, 9.0), creep).onset) == 1


def test_nobody_braked():
    found = cuts(np.zeros(len(TIME)), np.full(len(TIME), 20.0))
    assert found.onset.size == found.start.size == 0

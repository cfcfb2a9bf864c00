"""Kernels against closed forms: constant deceleration, the MFDD vectors, slip, energy, slope, holes."""

import numpy as np
import pytest

from fleetbrake.core.units import G_MPS2, KMH
from fleetbrake.kinematics import deceleration, energy, rates, reference_speed, response, slip, wheel_speed
from tests.recordings_made import braking, held, times


def bounds(time_s):
    return np.array([0], np.int64), np.array([len(time_s)], np.int64)


def offsets(time_s):
    return np.array([0, len(time_s)], np.int64)


def mfdd(time_s, speed, start):
    """MFDD with the initial speed taken at sample ``start``."""
    first, last = np.array([start], np.int64), np.array([len(time_s)], np.int64)
    distance = deceleration.travelled(time_s, speed, first, last)
    return deceleration.mean_fully_developed(time_s, speed, distance, first, last, 0.02)[0]


def greatest(time_s, speed, window=0.2, extra=0.0, gap=0.5):
    args = (np.full(len(time_s), extra), *bounds(time_s), np.array([window]), np.array([gap]))
    return deceleration.greatest_mean(time_s, speed, *args)[0]


@pytest.mark.parametrize("rate_hz", [10.0, 50.0, 100.0])
@pytest.mark.parametrize("decel", [0.5, 3.0, 6.43, 9.0])
def test_constant_deceleration_is_exact(rate_hz, decel):
    """v^2 / 2a and a itself: trapezoids are exact for a speed that falls in a straight line; only rounding is left."""
    v0 = 20.0
    time_s = np.linspace(0.0, v0 / decel, int(v0 / decel * rate_hz) + 1)
    speed = v0 - decel * time_s
    distance = deceleration.travelled(time_s, speed, *bounds(time_s))
    assert distance[-1] == pytest.approx(v0**2 / (2 * decel), rel=1e-12)
    assert mfdd(time_s, speed, 0) == pytest.approx(decel, rel=1e-9)
    assert greatest(time_s, speed) == pytest.approx(decel, rel=1e-9)
    centred = deceleration.slope(time_s, speed, np.array([0.2]), offsets(time_s))
    np.testing.assert_allclose(centred, decel, rtol=1e-9)


# MFDD: d_m = (vb^2 - ve^2) / (25.92 (se - sb)), UN R13 Annex 4, 1.1.2 (verified). C1 to C3 are computed from it.


@pytest.mark.parametrize("dead_time_s", [0.0, 0.36])
def test_mfdd_from_100_kmh_at_6_43_does_not_know_the_dead_time(dead_time_s):
    """C1 (computed): 6.430 m/s2; with 0.36 s dead time the total is 70.00 m and the MFDD unchanged."""
    time_s = times(6.0, 100.0)
    speed = braking(time_s, 100 * KMH, 6.43, begin_s=dead_time_s)
    assert mfdd(time_s, speed, 0) == pytest.approx(6.430, abs=5e-4)
    total = deceleration.travelled(time_s, speed, *bounds(time_s))[-1]
    # the last step to rest is a straight line in the record: less than 0.5 mm
    assert total == pytest.approx(60.00 + 100 * KMH * dead_time_s, abs=0.01)


def test_mfdd_from_60_kmh_at_5():
    """C2 (computed): (48^2 - 6^2) / (25.92 x 17.5) = 5.000."""
    time_s = times(5.0, 50.0)
    assert mfdd(time_s, braking(time_s, 60 * KMH, 5.0, begin_s=0.0), 0) == pytest.approx(5.000, abs=5e-4)


def test_mfdd_leaves_out_the_rise():
    """C3 (computed): linear rise to 6 m/s2 in 0.5 s ends above 80 %: total 71.18 m, v^2/2S 5.42, MFDD 6.00."""
    time_s = times(7.0, 100.0)
    v0 = 100 * KMH
    speed = braking(time_s, v0, 6.0, begin_s=0.0, rise_s=0.5)
    total = deceleration.travelled(time_s, speed, *bounds(time_s))[-1]
    assert total == pytest.approx(71.18, abs=0.01)
    assert v0**2 / (2 * total) == pytest.approx(5.42, abs=0.005)
    assert mfdd(time_s, speed, 0) == pytest.approx(6.00, abs=5e-4)


def test_mfdd_needs_the_whole_band():
    time_s = times(6.0, 50.0)
    half = np.maximum(braking(time_s, 20.0, 5.0, begin_s=1.0), 3.0)  # never under 10 %
    assert np.isnan(mfdd(time_s, half, 0))
    assert np.isnan(mfdd(time_s, np.full(len(time_s), 20.0), 0))


def test_slip_of_a_turning_wheel():
    """C11 (computed): 20 m/s, 50 rad/s, 0.32 m gives 0.200."""
    assert slip.brake_slip(np.array([[50 * 0.32]]), np.array([20.0]), 1.5)[0, 0] == pytest.approx(0.200, abs=1e-12)
    assert np.isnan(slip.brake_slip(np.array([[0.0]]), np.array([1.5]), 1.5)[0, 0])
    assert slip.brake_slip(np.array([[0.0]]), np.array([1.6]), 1.5)[0, 0] == 1.0


def test_energy_of_a_stop():
    """1500 kg from 100 km/h: 578.7 kJ (computed: 1500 x 27.78^2 / 2); 10 m of descent add m g h."""
    args = (np.array([1500.0]), np.array([100 * KMH]), np.array([0.0]))
    assert energy.energy_taken_out(*args, np.array([0.0]))[0] == pytest.approx(578.7, abs=0.05)
    assert energy.energy_taken_out(*args, np.array([10.0]))[0] == pytest.approx(578.7 + 1.5 * G_MPS2 * 10, abs=0.05)
    assert np.isnan(energy.energy_taken_out(np.array([np.nan]), args[1], args[2], np.array([0.0]))[0])


def test_the_slope_share_is_added_to_the_mean():
    time_s = times(3.0, 50.0)
    speed = 20.0 - 4.0 * time_s
    assert greatest(time_s, speed, 0.5, extra=0.4) == pytest.approx(4.4, rel=1e-9)
    assert energy.climb_rate(np.array([0.05]))[0] == pytest.approx(np.sin(np.arctan(0.05)), rel=1e-12)


def test_a_mean_never_spans_a_gap_but_may_end_at_one():
    time_s = np.concatenate((np.arange(11) / 10.0, 5.0 + np.arange(11) / 10.0))
    speed = np.concatenate((20.0 - 2.0 * time_s[:11], 10.0 - 1.0 * (time_s[11:] - 5.0)))
    assert greatest(time_s, speed, 0.2) == pytest.approx(2.0, rel=1e-9)
    # exactly one window long before the gap: it ends on a sample, the gap is not in it
    short = np.array([0.0, 0.1, 0.2, 5.0])
    assert greatest(short, np.array([20.0, 19.5, 19.0, 18.0]), 0.2) == pytest.approx(5.0, rel=1e-9)


def test_a_hole_before_the_onset_does_not_spoil_the_distance():
    time_s = np.arange(6.0)
    speed = np.array([10.0, np.nan, 10.0, 8.0, 6.0, 4.0])
    found = deceleration.travelled(time_s, speed, np.array([2]), np.array([6]))
    np.testing.assert_allclose(found, [np.nan, np.nan, 0.0, 9.0, 16.0, 21.0])


@pytest.mark.parametrize("hz", [1.0, 5.0, 10.0])
def test_a_held_channel_has_the_rate_at_which_it_changes(hz):
    time_s = times(10.0, 50.0)
    values = held(time_s, 20.0 - 1.5 * time_s, hz)
    assert rates.effective_rate(time_s, values[None, :], offsets(time_s))[0] == pytest.approx(hz, rel=1e-6)
    assert rates.row_rate(time_s, offsets(time_s))[0] == pytest.approx(50.0, rel=1e-6)
    line = reference_speed.unheld(time_s, values, np.array([hz]), offsets(time_s))
    inside = time_s <= np.floor(9.9 * hz) / hz  # up to the last change
    np.testing.assert_allclose(line[inside], (20.0 - 1.5 * time_s)[inside], atol=1.5 * 0.5 / hz + 1e-9)
    assert np.abs(np.diff(line[inside])).max() < 0.1  # no step left: 1.5 m/s2 over 20 ms is 0.03


def test_few_changes_give_a_cautious_rate():
    """Three changes of a 1 Hz speed in 50 Hz rows: too few for a rate, and certainly not 50 Hz."""
    time_s = times(7.0, 50.0)
    values = held(time_s, braking(time_s, 15.0, 5.0), 1.0)[None, :]
    assert np.isnan(rates.effective_rate(time_s, values, offsets(time_s))[0])
    assert 0.0 < rates.seen_rate(time_s, values, offsets(time_s))[0] <= 1.0
    assert np.isnan(rates.seen_rate(time_s, values * 0.0, offsets(time_s))[0])


def test_a_long_hole_in_a_held_channel_stays_a_hole():
    time_s = times(12.0, 10.0)
    values = held(time_s, 20.0 - time_s, 1.0)
    hole = (time_s > 4.05) & (time_s < 8.95)
    values[hole] = np.nan
    line = reference_speed.unheld(time_s, values, np.array([1.0]), offsets(time_s))
    assert np.isnan(line[hole]).all()
    assert not np.isnan(line[~hole]).any()
    # a 1 Hz channel written only where it arrives is no hole
    sparse = np.where(np.isclose(time_s % 1.0, 0.0), 20.0 - time_s, np.nan)
    assert not np.isnan(reference_speed.unheld(time_s, sparse, np.array([1.0]), offsets(time_s))).any()


def test_the_wheel_envelope_knows_how_long_a_hole_was():
    """All wheels missing for 1 s while the vehicle loses 8 m/s: the envelope starts anew, not from one step later."""
    time_s = times(4.0, 50.0)
    speed = braking(time_s, 25.0, 8.0, begin_s=0.5)
    wheels = np.tile(speed, (2, 1))
    wheels[:, (time_s > 1.0) & (time_s < 2.0)] = np.nan
    top = wheel_speed.fastest(wheels)
    found = wheel_speed.envelope(time_s, top, offsets(time_s))
    carried, lost = wheel_speed.carried(time_s, top, found, offsets(time_s))
    after = time_s >= 2.0
    np.testing.assert_allclose(found[after], speed[after])
    assert carried[after].all()
    assert lost[~after & (time_s > 1.0)].all()  # a second is too long for nothing to carry it
    assert not lost[after].any()


def test_build_up_of_a_known_rise():
    """Pressure steps at once, deceleration rises linearly in 0.4 s: 75 % of it comes 0.3 s later."""
    time_s = times(3.0, 100.0)
    level = np.where(time_s >= 1.0, 500.0, 0.0)
    decel = np.clip((time_s - 1.0) / 0.4, 0.0, 1.0) * 5.0
    found = response.build_up(time_s, level, decel, np.array([0.0]), np.array([100]), np.array([301]), 0.75)
    assert found[0] == pytest.approx(0.30, abs=0.011)  # one sample


def test_white_noise_of_a_known_deviation():
    rng = np.random.default_rng(7)
    values = 20.0 - 0.05 * np.arange(4000) + rng.normal(0.0, 0.03, 4000)
    # the median of 4000 absolute values is good to about 2 %; neighbouring differences overlap
    assert rates.white_noise(values, np.array([0]), np.array([4000]))[0] == pytest.approx(0.03, rel=0.08)

"""Jerk of the build-up and the last second of a stop: closed forms, and NULL where something hides them."""

import numpy as np
import pytest

from tests.features.feature_rows import event
from tests.recordings_made import make_batch, rolling, times


def ramped(time_s, *, jerk=6.0, most=4.0, from_mps=20.0, begin_s=2.0):
    """Speed of a vehicle whose deceleration rises by ``jerk`` to ``most`` and stays until it stands."""
    decel = np.clip((time_s - begin_s) * jerk, 0.0, most)
    fine = np.arange(0.0, time_s[-1] + 0.001, 0.001)
    lost = np.cumsum(np.interp(fine, time_s, decel)) * 0.001
    return np.maximum(from_mps - np.interp(time_s, fine, lost), 0.0)


def row(rate_hz=50.0, seconds=14.0, pedal=True, drop=None, **how):
    time_s = times(seconds, rate_hz)
    speed = ramped(time_s, **how)
    channels = {"brake_pedal_pct": np.where(time_s >= 2.0, 40.0, 0.0)} if pedal else {}
    if drop is not None:
        keep = ~drop(time_s)
        time_s, speed, channels = time_s[keep], speed[keep], {k: v[keep] for k, v in channels.items()}
    return event(make_batch(time_s, speed, rolling(speed), channels))


@pytest.mark.parametrize("jerk", [2.0, 4.0, 6.0])
def test_a_long_ramp_has_its_slope(jerk):
    """The ramp takes at least 0.67 s: longer than the window of 0.5 s with the deceleration's own of 0.04 s. 5 %."""
    assert row(jerk=jerk)["peak_jerk_mps3"] == pytest.approx(jerk, rel=0.05)


def test_a_sudden_step_is_spread_over_the_window():
    """4 m/s2 at once: 4 / 0.5 s. 5 % for the window of the deceleration."""
    assert row(jerk=1000.0)["peak_jerk_mps3"] == pytest.approx(8.0, rel=0.05)


def test_a_second_push_of_a_braking_that_has_peaked_does_not_count():
    """Release is no build-up: the jerk is read up to the greatest deceleration only."""
    soft, hard = row(jerk=3.0, most=4.0), row(jerk=3.0, most=4.0, from_mps=30.0)
    assert soft["peak_jerk_mps3"] == pytest.approx(hard["peak_jerk_mps3"], rel=0.02)


@pytest.mark.parametrize("rate_hz", [5.0, 10.0])
def test_a_slow_rate_hides_the_jerk(rate_hz):
    assert row(rate_hz)["peak_jerk_mps3"] is None


@pytest.mark.parametrize("most", [2.0, 4.0])
@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 50.0])
def test_the_last_second_of_an_even_stop(rate_hz, most):
    """Even deceleration: one second's worth of it over the initial speed. A row's time and the standstill limit each
    move the end by at most a row."""
    found = row(rate_hz, most=most, from_mps=16.0)["last_second_share"]
    assert found == pytest.approx(most / 16.0, rel=1.1 / rate_hz + 0.08)


def test_braking_ever_harder_leaves_more_to_the_last_second():
    assert row(jerk=1.0, most=6.0, from_mps=16.0)["last_second_share"] > 1.5 * row(most=3.0)["last_second_share"]


@pytest.mark.parametrize("how", [{"from_mps": 4.0}, {"from_mps": 60.0}, {"rate_hz": 2.0}])
def test_no_stop_no_last_second(how):
    """From walking pace, not to standstill within the recording, or too slow a rate."""
    assert row(**how)["last_second_share"] is None


def test_rows_missing_hide_both():
    found = row(drop=lambda t: (t > 2.2) & (t < 3.4))
    assert found["peak_jerk_mps3"] is found["last_second_share"] is None

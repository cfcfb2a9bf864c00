"""Cycles of a made slip of known frequency, and what is no cycle."""

import numpy as np
import pytest

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.detection.modulation import by_pressure, by_slip, mean_around
from tests.recordings_made import cycling_slip, pressed, times

SECONDS = 2.0


def counted(slip, time_s, *, speed=15.0, noise=0.0, held=None):
    n = len(time_s)
    found = by_slip(
        time_s=time_s, start=np.array([0]), stop=np.array([n]), slip=slip[None, :], speed_mps=np.full(n, speed),
        noise_mps=np.array([[noise]]), usable=np.ones(n, bool),
        held=np.full(n, np.nan) if held is None else held, criteria=DEFAULT,
    )  # fmt: skip
    return int(found.cycles[0, 0]), float(found.hz[0, 0])


@pytest.mark.parametrize("rate_hz", [50.0, 100.0])
@pytest.mark.parametrize("hz", range(2, 16))
def test_every_cycle_of_a_sine_is_counted(hz, rate_hz):
    """2 to 15 cycles a second (service manuals 1996, verified): the last peak has no rebuild, so one less than periods.

    3 %: a span of two seconds is known to one sample at each end, and a peak that falls between samples adds as much.
    """
    time_s = times(SECONDS, rate_hz)
    cycles, found = counted(cycling_slip(time_s, hz, 0.0, SECONDS), time_s)
    assert cycles == hz * SECONDS - 1
    assert found == pytest.approx(hz, rel=0.03)


@pytest.mark.parametrize("rate_hz", [20.0, 50.0, 100.0])
def test_cycles_after_a_deep_dive_are_counted(rate_hz):
    """A jump to ice: the wheel locks, is let up for a second, then cycles a quarter as deep as the dive."""
    time_s = times(4.0, rate_hz)
    dive = np.interp(time_s, [0.0, 0.1, 0.2, 1.2], [0.0, 1.0, 1.0, 0.0])
    slip = np.where(time_s < 1.2, dive, 0.13 - 0.13 * np.cos(2 * np.pi * 3.5 * (time_s - 1.2)))
    cycles, found = counted(slip, time_s)
    assert cycles == pytest.approx(2.8 * 3.5, abs=1.0)  # the dive is too slow to be one, the last has no rebuild
    assert found == pytest.approx(3.5, rel=0.03)


@pytest.mark.parametrize("jitter", [0.05, 0.2])
def test_jitter_on_the_way_up_from_a_lock_is_no_cycle(jitter):
    """From 1 to 0 within a second and a half, with a swing of less than a third of the slip on top of it."""
    time_s = times(2.0, 100.0)
    slip = np.interp(time_s, [0.0, 0.3, 1.8], [1.0, 1.0, 0.0])
    assert counted(slip * (1.0 + jitter * 0.5 * np.sin(2 * np.pi * 6 * time_s)), time_s)[0] == 0


def test_a_mean_over_a_hop_takes_the_hop_and_leaves_the_cycles():
    """Ten hops a second vanish (11 samples of 100 Hz leave a tenth), 3 cycles a second keep sin(x)/x: 0.86 of them."""
    time_s = times(2.0, 100.0)
    hop, cycle = np.sin(2 * np.pi * 10 * time_s), np.sin(2 * np.pi * 3 * time_s)
    mean = mean_around(np.vstack((hop, cycle)), time_s, np.array([0, len(time_s)]), 0.051)[:, 20:-20]
    assert np.abs(mean[0]).max() < 0.11
    # 11 samples of 0.01 s: sin(11 pi 0.03) / (11 sin(pi 0.03))
    assert np.abs(mean[1]).max() == pytest.approx(np.sin(0.33 * np.pi) / (11 * np.sin(0.03 * np.pi)), rel=0.01)


def test_slower_than_a_control_is_a_foot():
    """Under 1.25 a second: no published control is so slow (criteria)."""
    time_s = times(6.0, 50.0)
    assert counted(cycling_slip(time_s, 0.8, 0.0, 6.0), time_s)[0] == 0


def test_a_pumped_pedal_is_not_a_cycle():
    """Slip at 1.6 Hz because the pedal goes to 40 % of its stroke and back as often."""
    time_s = times(6.0, 50.0)
    slip = cycling_slip(time_s, 1.6, 0.0, 6.0)
    assert counted(slip, time_s, held=pressed(time_s, 0.0))[0] > 2
    assert counted(slip, time_s, held=100.0 * (0.7 - 0.3 * np.cos(2 * np.pi * 1.6 * time_s)))[0] == 0


def test_small_or_shallow_swings_are_no_cycles():
    time_s = times(SECONDS, 100.0)
    assert counted(cycling_slip(time_s, 5, 0.0, SECONDS, mean=0.03, swing=0.03), time_s)[0] == 0  # under the least peak
    assert counted(cycling_slip(time_s, 5, 0.0, SECONDS, mean=0.30, swing=0.04), time_s)[0] == 0  # jitter of deep slip


def test_noise_of_the_wheels_raises_the_depth():
    time_s = times(SECONDS, 100.0)
    slip = cycling_slip(time_s, 5, 0.0, SECONDS, mean=0.08, swing=0.06)
    assert counted(slip, time_s)[0] == 9
    assert counted(slip, time_s, noise=0.5)[0] == 0  # 5 x 0.5 / 15 = 0.17 of slip


def test_at_crawling_speed_nothing_is_counted():
    time_s = times(SECONDS, 100.0)
    assert counted(cycling_slip(time_s, 5, 0.0, SECONDS), time_s, speed=2.0)[0] == 0


def test_pressure_cycles_when_slip_is_not_known():
    time_s = times(SECONDS, 100.0)
    n = len(time_s)
    pressure = 600.0 - 200.0 * np.cos(2 * np.pi * 4 * time_s)
    found = by_pressure(
        time_s=time_s, start=np.array([0]), stop=np.array([n]),
        pressure_kpa=np.vstack((pressure, np.full(n, 600.0))), greatest_kpa=np.array([[800.0], [600.0]]),
        event_of=np.zeros(n, np.int64), speed_mps=np.full(n, 15.0), held=np.full(n, np.nan), criteria=DEFAULT,
    )  # fmt: skip
    assert found.cycles[:, 0].tolist() == [7, 0]
    assert found.hz[0, 0] == pytest.approx(4.0, rel=0.03)

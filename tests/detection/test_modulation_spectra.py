"""Cycles and frequency of made slips against SciPy's spectra (general-purpose library) and against known counts."""

import numpy as np
import pytest
from a_few import a_few
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.detection import modulation
from tests.recordings_made import cycling_slip, times

RATES = (10.0, 20.0, 25.0, 50.0, 100.0, 200.0)
SECONDS = 3.0


def judged(slip, time_s, **more):
    """Cycles of rows of slip ``(W, N)`` of a vehicle at 15 m/s, all of it braking."""
    slip = np.atleast_2d(slip)
    n = len(time_s)
    given_ = {"held": np.full(n, np.nan), "noise_mps": np.zeros((len(slip), 1))} | more
    return modulation.by_slip(
        time_s=time_s, start=np.array([0]), stop=np.array([n]), slip=slip, speed_mps=np.full(n, 15.0),
        usable=np.ones(n, bool), criteria=DEFAULT, **given_,
    )  # fmt: skip


def spectral_peak(time_s, slip):
    """Frequency of the greatest power between 1 and 40 Hz by Lomb and Scargle's periodogram, Hz."""
    hz = np.linspace(1.0, 40.0, 8000)
    power = signal.lombscargle(time_s, slip - slip.mean(), 2 * np.pi * hz)
    return hz[np.argmax(power)]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("share", [0.08, 0.17, 0.23, 0.31, 0.4])
@pytest.mark.parametrize("late", [0.0, 0.3, 0.7])
def test_sines_of_known_frequency_phase_and_count(share, late, rate):
    """From 12 down to 2.5 samples a cycle, 1.5 to 40 cycles a second. 3 % is the figure to reach.

    A cycle is a valley between two peaks; one at either end, cut before its peak, may count or not.
    """
    hz = min(max(share * rate, 1.5), 40.0)
    time_s = times(SECONDS, rate)
    slip = 0.15 - 0.12 * np.cos(2 * np.pi * (hz * time_s + late))
    found = judged(slip, time_s)
    valleys = np.arange(1, 200)
    end = late + hz * SECONDS
    whole = ((valleys - 0.5 >= late) & (valleys + 0.5 <= end)).sum()
    assert whole <= found.cycles[0, 0] <= ((valleys > late) & (valleys < end)).sum()
    assert found.hz[0, 0] == pytest.approx(hz, rel=0.03)


@pytest.mark.parametrize("seed", a_few(range(12), *range(5)))
def test_frequency_is_that_of_the_spectrum(seed):
    """Noisy, uneven stamps, another frequency each. 3 %: the figure to reach; the spectrum resolves 1 / 3 s."""
    rng = np.random.default_rng(seed)
    rate, hz = rng.choice([50.0, 100.0, 200.0]), rng.uniform(2.0, 15.0)
    time_s = times(SECONDS, rate)
    time_s[1:-1] += rng.uniform(-0.3, 0.3, len(time_s) - 2) / rate
    slip = 0.18 + 0.12 * np.sin(2 * np.pi * hz * time_s + rng.uniform(0, 6)) + rng.normal(0.0, 0.004, len(time_s))
    found = judged(slip, time_s, noise_mps=np.full((1, 1), 0.06))  # 0.004 of 15 m/s
    assert found.hz[0, 0] == pytest.approx(spectral_peak(time_s, slip), rel=0.03)


@pytest.mark.parametrize("seed", range(6))
def test_frequency_is_that_of_welchs_spectrum_too(seed):
    """Cycles of a control do not repeat like a sine: sawtooth, each wait up to a tenth off, 10 s of them."""
    rng = np.random.default_rng([seed, 1])
    hz = rng.uniform(3.0, 12.0)
    ends = np.cumsum(rng.uniform(0.9, 1.1, 200) / hz)
    time_s = times(10.0, 100.0)
    phase = np.interp(time_s, np.concatenate(([0.0], ends)), np.arange(201))
    slip = 0.05 + 0.25 * np.minimum(phase % 1.0 / 0.7, (1.0 - phase % 1.0) / 0.3)
    frequency, power = signal.welch(slip, 100.0, nperseg=512, nfft=8192)
    found = judged(slip, time_s)
    assert found.cycles[0, 0] == pytest.approx(phase[-1], abs=1.5)
    # half a bin of the 512-sample spectrum beside the 3 %
    assert found.hz[0, 0] == pytest.approx(frequency[np.argmax(power)], rel=0.03, abs=0.1)
    assert found.hz[0, 0] == pytest.approx(phase[-1] / 10.0, rel=0.01)


@given(hz=st.floats(2.0, 15.0), late_s=st.floats(0.0, 5.0), share=st.floats(0.5, 1.2))
@settings(max_examples=60, deadline=None, derandomize=True, database=None)
def test_shift_scale_and_neighbours(hz, late_s, share):
    """Moving all stamps, scaling the slip well above the depths, or a second wheel: the same cycles."""
    time_s = times(2.5, 100.0)
    slip = cycling_slip(time_s, hz, 0.2, 2.2)
    one, moved, more = judged(slip, time_s), judged(slip, time_s + late_s), judged([slip, 0 * slip + 0.1], time_s)
    assert one.cycles[0, 0] == moved.cycles[0, 0] == more.cycles[0, 0]
    assert more.cycles[1, 0] == 0
    assert moved.hz[0, 0] == pytest.approx(one.hz[0, 0], rel=1e-9)
    assert moved.begin_s[0, 0] == pytest.approx(one.begin_s[0, 0] + late_s)
    scaled = judged(share * slip, time_s)
    assert scaled.cycles[0, 0] == one.cycles[0, 0]
    assert scaled.hz[0, 0] == pytest.approx(one.hz[0, 0], rel=1e-9)


def test_a_wheel_that_swings_unbraked_needs_deeper_cycles():
    time_s = times(2.0, 100.0)
    slip = cycling_slip(time_s, 5.0, 0.0, 2.0, mean=0.10, swing=0.08)
    assert judged(slip, time_s, swing_mps=np.array([[0.5]])).cycles[0, 0] == 9  # 1.75 x 0.5 / 15 = 0.06
    assert judged(slip, time_s, swing_mps=np.array([[1.5]])).cycles[0, 0] == 0  # 0.175 of slip


def test_the_usual_swing_is_the_amplitude_of_a_hop():
    """12 Hz of 0.4 m/s in 0.4 s windows: peak to peak 0.8, seen to a sample's share; one knock does not count."""
    time_s = times(2.0, 200.0)
    hop = 0.4 * np.sin(2 * np.pi * 12.0 * time_s)
    hop[37] = 9.0
    free = np.ones(len(time_s), bool)
    found = modulation.free_swing(hop[None, :], free, time_s, np.array([0, len(time_s)]), np.array([0.4]))
    assert found[0, 0] == pytest.approx(0.8, rel=0.02)
    assert np.isnan(
        modulation.free_swing(hop[None, :], ~free, time_s, np.array([0, len(time_s)]), np.array([0.4]))
    ).all()

"""The truth loops in closed form: what they call a cycle, a lockup, a deceleration."""

import numpy as np
import pytest
from benchmarks.truth.figures import surface_f1
from benchmarks.truth.score import Tally
from benchmarks.truth.states import cycles, frequency, fully_developed, longest_run, peak_decel

from fleetbrake.simulation.loggers import TRUTH_HZ

TIME = np.arange(400) / TRUTH_HZ


def test_a_saw_tooth_of_pressure_has_its_cycles_and_its_frequency() -> None:
    """Five falls and rises a second for two seconds: the last rise is not finished."""
    phase = (TIME * 5.0) % 1.0
    pressure = (1.0 - 0.4 * np.minimum(phase, 1.0 - phase)).tolist()
    slip = 0.1 + 0.1 * np.cos(2.0 * np.pi * 5.0 * TIME)
    count, shown, begins = cycles(pressure, [True] * TIME.size, slip, 0.07)
    assert count == shown == 10
    assert frequency(begins) == pytest.approx(5.0, rel=0.01)


def test_a_foot_makes_no_cycle_and_a_still_wheel_shows_none() -> None:
    pressure = (1.0 + 0.4 * np.cos(2.0 * np.pi * 2.0 * TIME)).tolist()
    assert cycles(pressure, [False] * TIME.size, np.zeros(TIME.size), 0.07)[0] == 0
    count, shown, _ = cycles(pressure, [True] * TIME.size, np.full(TIME.size, 0.03), 0.07)
    assert count >= 3 and shown == 0


def test_a_shallow_ripple_is_no_cycle() -> None:
    pressure = (1.0 + 0.02 * np.cos(2.0 * np.pi * 8.0 * TIME)).tolist()
    assert cycles(pressure, [True] * TIME.size, np.zeros(TIME.size), 0.07)[0] == 0


def test_pauses_are_no_waits() -> None:
    assert frequency([0, 40, 80, 400, 440]) == pytest.approx(5.0)
    assert np.isnan(frequency([7]))


def test_longest_run() -> None:
    assert longest_run(np.array([0, 1, 1, 0, 1, 1, 1], dtype=bool)) == (4, 7)
    assert longest_run(np.zeros(3, dtype=bool)) == (0, 0)


def test_constant_deceleration() -> None:
    v = 20.0 - 6.0 * np.arange(660) / TRUTH_HZ
    assert peak_decel(v) == pytest.approx(6.0)
    assert fully_developed(v) == pytest.approx(6.0, rel=1e-3)
    assert np.isnan(fully_developed(v[:300]))


def test_unknown_is_a_miss_of_its_class() -> None:
    """Of two dry roads one found, of two wet roads both, none said wrongly: F1 of 2/3 and 1."""
    tally = Tally()
    tally.counts |= {"surface dry dry": 1, "surface dry unknown": 1, "surface wet wet": 2}
    value, answered = surface_f1(tally)
    assert value == pytest.approx((2.0 / 3.0 + 1.0) / 2.0)
    assert answered == pytest.approx(0.75)

"""Vehicle, driver and road told apart on a small proving fleet: a fixed seed on which nothing was tuned by hand.

The full table is printed by ``tests/benchmarks/fleet.py``. Six faulty vehicles and fifty drivers carry little: one
vehicle more or less moves a share by a sixth, so the bounds are wider than the targets, each with its reason.
"""

from pathlib import Path

import numpy as np
import pytest
from benchmarks.proving.figures import (
    Figure,
    Scored,
    calibration,
    calibration_figures,
    driver_figures,
    health_figures,
    vehicles,
)
from benchmarks.proving.run import fresh, make, scored

from fleetbrake.simulation.proving.setting import Size

pytestmark = [pytest.mark.slow]

SEED, VEHICLES, DRIVERS = 20262, 40, 50
#: Days of braking: in every run, and with ``-m long``.
DAYS = (28, 40)


@pytest.fixture(scope="module", params=[DAYS[0], pytest.param(DAYS[1], marks=pytest.mark.long)])
def fleet(request: pytest.FixtureRequest) -> Scored:
    return fresh(SEED, Size(VEHICLES, DRIVERS, request.param))


@pytest.fixture(scope="module")
def health(fleet: Scored) -> dict[str, Figure]:
    return {f.title.strip(): f for f in health_figures(fleet)}


@pytest.fixture(scope="module")
def drivers(fleet: Scored) -> dict[str, Figure]:
    return {f.title.strip(): f for f in driver_figures(fleet)}


def test_there_is_something_to_find(health: dict[str, Figure], drivers: dict[str, Figure]) -> None:
    """A bound that nothing was asked for would hold by itself."""
    assert health["faulty, showed in three events or more"].value >= 4
    assert health["healthy with harsh drivers or slippery routes"].value >= 8
    assert drivers["drivers with a rate"].value >= 45


def test_faulty_vehicles_stand_first(health: dict[str, Figure]) -> None:
    """Target 0.90; of some five positives one at the tail alone costs up to 0.15."""
    assert health["average precision of the rank"].value >= 0.75
    # of forty vehicles a rank at random has an average precision of about the faulty share
    assert health["ceiling: the day it began is known"].value >= 0.6


def test_the_fault_and_its_wheel_are_named(health: dict[str, Figure]) -> None:
    """Targets 0.85 and 0.90; one wrong of four or five must not fail the test, two must."""
    assert health["right leading indicator, of those found"].value >= 0.75
    wheel = health["right wheel, of those with the right indicator"].value
    assert np.isnan(wheel) or wheel >= 0.66


def test_harsh_drivers_and_slippery_routes_send_nobody_to_the_workshop(fleet: Scored) -> None:
    """Target 3 % of such vehicles among the first 15 %: here at most two, of which one must stand there anyway.

    Six places are to be had and some faults cannot be seen, so that a place is left over for a healthy vehicle.
    """
    table = vehicles(fleet)
    first = table[table["rank"].rank() <= 0.15 * len(table)]
    assert (first["left_alone"] & ~first["faulty"]).sum() <= 2
    urgent = table["priority"].isin(("before_next_trip", "this_week"))
    assert (urgent & ~table["faulty"]).sum() <= 1


def test_driver_rates_follow_the_driver(drivers: dict[str, Figure]) -> None:
    """The count is right within 3 %; with fifty drivers the standard error of a rank correlation is about 0.07."""
    assert drivers["hard stops counted over true ones"].value == pytest.approx(1.0, abs=0.03)
    raw = drivers["Spearman with the true rate: raw rate"].value
    adjusted = drivers["adjusted rate (target: above the raw one)"].value
    assert adjusted >= raw - 0.03
    assert drivers["ceiling less adjusted"].value <= 0.08
    # fifty drivers: 0.9 has a standard error of 0.04
    assert 0.76 <= drivers["90 % intervals that hold the true rate"].value <= 1.0
    assert drivers["adjusted over true rate, median"].value == pytest.approx(1.0, abs=0.2)


def test_the_score_means_what_it_says(fleet: Scored) -> None:
    """Better than saying the share of faulty vehicles of everybody; every vehicle with a score is in the curve."""
    figures = {f.title.strip(): f.value for f in calibration_figures(fleet)}
    assert figures["Brier score"] < figures["of saying the share of everybody"]
    # within what six faulty of forty tell: a standard error of 0.06
    assert figures["mean probability said"] == pytest.approx(figures["share faulty"], abs=0.12)
    assert calibration(vehicles(fleet))["vehicles"].sum() == figures["vehicles with a score, any fault counts"]


@pytest.mark.long
def test_same_seed_same_verdicts(tmp_path: Path) -> None:
    """Made and scored twice: the published verdicts agree to the last digit."""
    tiny = Size(vehicles=6, drivers=8, days=10)
    for name in ("a", "b"):
        make(tmp_path / name, 5, tiny)
    one, other = scored(tmp_path / "a"), scored(tmp_path / "b")
    assert one.health.equals(other.health)
    assert one.indicators.equals(other.indicators)
    assert one.drivers.equals(other.drivers)

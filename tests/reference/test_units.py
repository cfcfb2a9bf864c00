"""Units of reading against Pint: another library's definitions of the foot, the mile, the pound and the rest.

Status: computed (Pint's registry, installed version). The British thermal unit is that of the International Table
(1055.05585262 J), as the source of the factors has it; Pint's plain ``BTU`` is rounded to 1055.056 J.
"""

from typing import Final

import numpy as np
import pandas as pd
import pint
import pytest

from fleetbrake.reports.look import MISSING
from fleetbrake.reports.measures import METRIC, UNITS, US, Measures, System

#: Quantity -> unit of the tables, metric unit of reading, US unit of reading, as Pint names them.
PINT_UNITS: Final = {
    "speed": ("m/s", "km/hour", "mile/hour"),
    "decel": ("m/s**2", "m/s**2", "foot/s**2"),
    "jerk": ("m/s**3", "m/s**3", "foot/s**3"),
    "length": ("m", "m", "foot"),
    "distance": ("km", "km", "mile"),
    "pressure": ("kPa", "kPa", "psi"),
    "mass": ("kg", "kg", "pound"),
    "energy": ("kJ", "kJ", "Btu_it"),
    "work": ("kJ", "MJ", "kBtu_it"),
    "energy_per_distance": ("kJ/km", "kJ/km", "Btu_it/mile"),
    "force": ("N", "N", "force_pound"),
    "temperature": ("degC", "degC", "degF"),
    "per_distance": ("1/km", "1/km", "1/mile"),
    "decel_per_pressure": ("m/s**2/kPa", "m/s**2/kPa", "foot/s**2/psi"),
    "decel_per_demand": ("m/s**2", "m/s**2", "foot/s**2"),
    "yaw_per_decel": ("rad/s/(m/s**2)", "rad/s/(m/s**2)", "rad/s/(foot/s**2)"),
    "angle_per_decel": ("rad/(m/s**2)", "rad/(m/s**2)", "rad/(foot/s**2)"),
    "change_per_heat": ("1/kelvin", "1/kelvin", "1/delta_degF"),
}
#: Factors are products of a few exact numbers: some units in the last place of a double, 2.2e-16 each.
CLOSE: Final = 1e-12
VALUES: Final = np.array([-40.0, -3.5, 0.0, 1e-6, 0.3048, 1.0, 9.80665, 88.0, 1e3, 4.4e7])

SYSTEMS: Final = {System.METRIC: METRIC, System.US: US}
CASES: Final = [(quantity, system) for quantity in UNITS for system in System]


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry:
    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def by_pint(registry: pint.UnitRegistry, quantity: str, system: System, values: np.ndarray) -> np.ndarray:
    table, metric, us = PINT_UNITS[quantity]
    target = metric if system is System.METRIC else us
    return np.asarray(registry.Quantity(values, table).to(target).magnitude)


def test_every_quantity_is_held_against_pint() -> None:
    assert set(PINT_UNITS) == set(UNITS)
    assert all(set(units) == set(System) for units in UNITS.values())


@pytest.mark.parametrize(("quantity", "system"), CASES)
def test_figures_are_those_of_pint(registry: pint.UnitRegistry, quantity: str, system: System) -> None:
    ours = SYSTEMS[system].of(quantity, VALUES)
    # an offset of 32 leaves the error of its own size near zero, hence the absolute part
    np.testing.assert_allclose(ours, by_pint(registry, quantity, system, VALUES), rtol=CLOSE, atol=32 * CLOSE)


@pytest.mark.parametrize(("quantity", "system"), CASES)
def test_back_again_with_pint(registry: pint.UnitRegistry, quantity: str, system: System) -> None:
    table, metric, us = PINT_UNITS[quantity]
    shown = SYSTEMS[system].of(quantity, VALUES)
    back = registry.Quantity(shown, metric if system is System.METRIC else us).to(table).magnitude
    np.testing.assert_allclose(back, VALUES, rtol=CLOSE, atol=32 * CLOSE)


@pytest.mark.parametrize("quantity", list(UNITS))
def test_signs_name_the_unit_that_pint_was_asked_for(registry: pint.UnitRegistry, quantity: str) -> None:
    """The sign read back as a unit is the unit of the figure: ``mph`` beside a figure in miles an hour."""
    words = {"°C": "degC", "°F": "degF", "per 1000 km": "1/km", "per 1000 mi": "1/mile", "lb": "pound"}
    words |= {"BTU": "Btu_it", "BTU/mi": "Btu_it/mile", "thousand BTU": "kBtu_it", "lbf": "force_pound"}
    words |= {
        f"relative change for each 100 {sign}": f"1/{name}" for sign, name in (("K", "kelvin"), ("°F", "delta_degF"))
    }
    for system, pint_unit in zip((System.METRIC, System.US), PINT_UNITS[quantity][1:], strict=True):
        sign = SYSTEMS[system].label(quantity)
        # "a for each b" and "a per unit of demand" (a plain share) are quotients of units
        numerator, _, denominator = sign.removesuffix(" per unit of demand").partition(" for each ")
        spelled = f"({numerator})/({denominator})" if denominator else numerator
        read = words.get(
            sign, spelled.replace("²", "**2").replace("³", "**3").replace("mi", "mile").replace("ft", "foot")
        )
        assert registry.Quantity(1.0, read).to(pint_unit).magnitude == pytest.approx(1.0, rel=CLOSE)


def test_fixed_points_of_the_temperature_scales() -> None:
    """Melting ice 0 °C = 32 °F, boiling water 100 °C = 212 °F, and -40 on both (from memory)."""
    assert US.of("temperature", np.array([0.0, 100.0, -40.0])).tolist() == [32.0, 212.0, -40.0]
    assert US.text("temperature", 0.0) == "32 °F"


@pytest.mark.parametrize("measures", [METRIC, US])
@pytest.mark.parametrize("quantity", list(UNITS))
def test_what_is_missing_stays_missing(measures: Measures, quantity: str) -> None:
    values = np.array([np.nan, 1.0])
    assert np.isnan(measures.of(quantity, values)).tolist() == [True, False]
    column = pd.Series([None, 1.0], dtype="Float64")
    assert measures.of(quantity, column).isna().tolist() == [True, False]
    assert {measures.text(quantity, value) for value in (None, float("nan"), pd.NA, pd.NaT)} == {MISSING}


@pytest.mark.parametrize("measures", [METRIC, US])
@pytest.mark.parametrize("quantity", list(UNITS))
def test_numbers_arrays_and_columns_agree(measures: Measures, quantity: str) -> None:
    array = measures.of(quantity, VALUES)
    column = measures.of(quantity, pd.Series(VALUES, index=VALUES[::-1]))
    assert [measures.of(quantity, float(value)) for value in VALUES] == array.tolist() == column.tolist()
    assert column.index.tolist() == VALUES[::-1].tolist()


def test_figures_in_sentences() -> None:
    """A stop from 60 mph at 15 ft/s² in 250 ft, told in the tables' units."""
    assert US.text("speed", 60 * 0.44704) == "60 mph"
    assert US.text("decel", 15 * 0.3048) == "15.0 ft/s²"
    assert US.text("length", 250 * 0.3048) == "250 ft"
    assert METRIC.text("speed", 60 / 3.6) == "60 km/h"
    assert US.text("mass", 1000.0, 1) == "2,204.6 lb"
    assert US.text("per_distance", 10.0) == "16.1 per 1000 mi"


def test_an_unknown_quantity_is_an_error() -> None:
    with pytest.raises(KeyError):
        US.of("colour", 1.0)

"""Metric or US customary units for whoever reads: figures of the tables in the unit of the chosen system.

Tables are SI inside; nothing here is written back. Factors are exact by definition (international foot and mile, pound;
sources: NIST Special Publication 811, appendix B, from memory; held against Pint in the tests).
"""

from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from fleetbrake.reports import look
from fleetbrake.reports.unit_system import System


@dataclass(frozen=True)
class Unit:
    """One unit of reading: the figure is ``offset + factor * SI`` (SI: the unit of the table's column)."""

    label: str
    factor: float
    digits: int
    offset: float = 0.0


_FOOT, _MILE, _POUND = 0.3048, 1609.344, 0.45359237
_PSI = _POUND * 9.80665 / 0.0254**2
_BTU = 1055.05585262

#: Quantity -> how each system reads it. Keys: speed (m/s), decel (m/s2), jerk (m/s3), length (m), distance (km),
#: pressure (kPa), mass (kg), energy (kJ), work (kJ, summed up), energy_per_distance (kJ/km), force (N),
#: temperature (C), per_distance (events per 1000 km); of indicators: decel_per_demand (m/s2), decel_per_pressure (m/s2
#: for each kPa),
#: yaw_per_decel (rad/s for each m/s2), angle_per_decel (rad for each m/s2), change_per_heat (relative change for each
#: 100 K).
UNITS: Final[dict[str, dict[System, Unit]]] = {
    "speed": {System.METRIC: Unit("km/h", 3.6, 0), System.US: Unit("mph", 3600.0 / _MILE, 0)},
    "decel": {System.METRIC: Unit("m/s²", 1.0, 2), System.US: Unit("ft/s²", 1.0 / _FOOT, 1)},
    "jerk": {System.METRIC: Unit("m/s³", 1.0, 1), System.US: Unit("ft/s³", 1.0 / _FOOT, 1)},
    "length": {System.METRIC: Unit("m", 1.0, 1), System.US: Unit("ft", 1.0 / _FOOT, 0)},
    "distance": {System.METRIC: Unit("km", 1.0, 0), System.US: Unit("mi", 1000.0 / _MILE, 0)},
    "pressure": {System.METRIC: Unit("kPa", 1.0, 0), System.US: Unit("psi", 1000.0 / _PSI, 1)},
    "mass": {System.METRIC: Unit("kg", 1.0, 0), System.US: Unit("lb", 1.0 / _POUND, 0)},
    "energy": {System.METRIC: Unit("kJ", 1.0, 0), System.US: Unit("BTU", 1000.0 / _BTU, 0)},
    "work": {System.METRIC: Unit("MJ", 1e-3, 1), System.US: Unit("thousand BTU", 1.0 / _BTU, 1)},
    "energy_per_distance": {
        System.METRIC: Unit("kJ/km", 1.0, 1),
        System.US: Unit("BTU/mi", 1000.0 / _BTU * _MILE / 1000.0, 1),
    },
    "force": {System.METRIC: Unit("N", 1.0, 0), System.US: Unit("lbf", 1.0 / (_POUND * 9.80665), 0)},
    "temperature": {System.METRIC: Unit("°C", 1.0, 0), System.US: Unit("°F", 1.8, 0, 32.0)},
    "per_distance": {
        System.METRIC: Unit("per 1000 km", 1.0, 1),
        System.US: Unit("per 1000 mi", _MILE / 1000.0, 1),
    },
    "decel_per_pressure": {
        System.METRIC: Unit("m/s² for each kPa", 1.0, 4),
        System.US: Unit("ft/s² for each psi", 1.0 / _FOOT * _PSI / 1000.0, 3),
    },
    "decel_per_demand": {
        System.METRIC: Unit("m/s² per unit of demand", 1.0, 2),
        System.US: Unit("ft/s² per unit of demand", 1.0 / _FOOT, 1),
    },
    "yaw_per_decel": {
        System.METRIC: Unit("rad/s for each m/s²", 1.0, 4),
        System.US: Unit("rad/s for each ft/s²", _FOOT, 4),
    },
    "angle_per_decel": {
        System.METRIC: Unit("rad for each m/s²", 1.0, 4),
        System.US: Unit("rad for each ft/s²", _FOOT, 4),
    },
    "change_per_heat": {
        System.METRIC: Unit("relative change for each 100 K", 1.0, 3),
        System.US: Unit("relative change for each 100 °F", 1.0 / 1.8, 3),
    },
}

#: Unit of an indicator in the tables -> its quantity. Shares, seconds and slip are read alike in both systems.
INDICATOR_UNITS: Final = {
    "m/s2": "decel",
    "m/s2 per unit of demand": "decel_per_demand",
    "rad/s for each m/s2": "yaw_per_decel",
    "rad for each m/s2": "angle_per_decel",
    "relative change for each 100 K": "change_per_heat",
}

#: Last part of a measured column's name -> its quantity, longest first. Other endings (seconds, hertz, per cent ...)
#: are read alike in both systems.
COLUMN_ENDINGS: Final = {
    "_per_1000km": "per_distance",
    "_kj_per_km": "energy_per_distance",
    "_mps3": "jerk",
    "_mps2": "decel",
    "_mps": "speed",
    "_kpa": "pressure",
    "_km": "distance",
    "_kj": "energy",
    "_kg": "mass",
    "_n": "force",
    "_c": "temperature",
    "_m": "length",
}
#: Measured columns whose unit does not stand at the end of their names.
_COLUMNS_APART: Final = {
    "km_since_roller_test": "distance",
    "adjusted_low": "per_distance",
    "adjusted_high": "per_distance",
}


def quantity_of(column: str) -> str | None:
    """Quantity of a measured column of the tables by its name; None where both systems read it alike."""
    if column in _COLUMNS_APART:
        return _COLUMNS_APART[column]
    return next((quantity for ending, quantity in COLUMN_ENDINGS.items() if column.endswith(ending)), None)


@dataclass(frozen=True)
class Measures:
    """Figures in one system of units."""

    system: System = System.METRIC

    def unit(self, quantity: str) -> Unit:
        """How the system reads the quantity; KeyError for one that :data:`UNITS` does not list."""
        return UNITS[quantity][self.system]

    def label(self, quantity: str) -> str:
        """The unit's sign."""
        return self.unit(quantity).label

    def of(self, quantity: str, values: Any) -> Any:
        """A number, array or column of the tables' unit in the unit of the system; what is missing stays missing."""
        unit = self.unit(quantity)
        return unit.offset + unit.factor * values

    def text(self, quantity: str, value: object, digits: int | None = None) -> str:
        """Figure and unit, or a dash where it could not be observed."""
        if value is None or pd.isna(value):  # type: ignore[call-overload]
            return look.MISSING
        unit = self.unit(quantity)
        return f"{look.number(self.of(quantity, value), unit.digits if digits is None else digits)} {unit.label}"


METRIC: Final = Measures(System.METRIC)
US: Final = Measures(System.US)

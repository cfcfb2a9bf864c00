"""Units of the tables' columns, and the tables in the units of whoever reads them.

A column's unit is the last part of its name. A few columns have a unit of their own in each row, which another column
tells: what an indicator is measured in, what the brake demand was read from, what a driver's figure is about.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.event_tables import TS, Column, F
from fleetbrake.core.report_tables import REPORT_TABLES
from fleetbrake.core.tables import TABLES
from fleetbrake.reports.driver_words import coaching_sentence, note
from fleetbrake.reports.measures import COLUMN_ENDINGS, INDICATOR_UNITS, Measures, System, quantity_of
from fleetbrake.reports.measures_text import in_units

#: Every table of a month's report -> its columns.
COLUMNS: Final[dict[str, tuple[Column, ...]]] = {**REPORT_TABLES, **TABLES}

#: Unit in which the tables hold a quantity.
_SI: Final = {
    "per_distance": "per 1000 km",
    "energy_per_distance": "kJ/km",
    "jerk": "m/s³",
    "decel": "m/s²",
    "speed": "m/s",
    "pressure": "kPa",
    "distance": "km",
    "energy": "kJ",
    "mass": "kg",
    "force": "N",
    "temperature": "°C",
    "length": "m",
}
#: Endings that both systems read alike -> unit.
_ALIKE: Final = {
    "_hours": "h",
    "_radps": "rad/s",
    "_rad": "rad",
    "_deg": "°",
    "_pct": "%",
    "_hz": "Hz",
    "_s": "s",
}
#: Whole or part days under a name that does not end so.
_DAYS: Final = frozenset({"days_saved", "days_silent", "silent_from_days", "usual_gap_days", "age_days"})
_DEMANDS: Final = {"pressure": "pressure"}
_ANSWERS: Final = {"pressure": "decel_per_pressure", "pedal": "decel_per_demand"}
_SUBJECTS: Final = {
    "hard_stop": "decel", "gentle_stop": "decel", "build_up": "jerk", "hard_stops": "per_distance",
}  # fmt: skip
#: Table and column -> the column that tells the unit of each row, and the quantity of what it says.
_BY_ROW: Final[dict[tuple[str, str], tuple[str, Mapping[str, str]]]] = {
    ("events", "demand_peak"): ("demand_kind", _DEMANDS),
    ("events", "effectiveness"): ("demand_kind", _ANSWERS),
    ("driver_coaching", "value"): ("subject", _SUBJECTS),
    ("driver_coaching", "usual"): ("subject", _SUBJECTS),
    **{
        ("indicators", name): ("unit", INDICATOR_UNITS)
        for name in ("value", "expected", "detection_limit", "trend_per_30d", "trend_se_per_30d")
    },
}
#: Sentences that this program wrote: table -> columns. From where they quote what somebody reported they stay.
_SENTENCES: Final = {
    "hit_rate": ("meaning",),
    "to_inspect": ("reason",),
    "vehicle_health": ("reason",),
    "inspection_plan": ("reason",),
    "model_quality": ("note",),
}
#: Sentences drawn up anew from the figures of their rows.
_FROM_FIGURES: Final[dict[str, tuple[str, Callable[[dict[str, object], Measures], str]]]] = {
    "driver_style": ("note", note),
    "driver_coaching": ("sentence", coaching_sentence),
}
_KEY: Final = ("vehicle_id", "indicator", "wheel")


def si_unit(table: str, column: Column) -> str:
    """Unit of a column as the published tables, CSV and Parquet hold it; empty where it has none."""
    quantity = _quantity(column)
    return _SI[quantity] if quantity else _unit_alike(table, column, _SI)


def unit_read(table: str, column: Column, measures: Measures) -> str:
    """Unit of a column as it is read: that of the tables in metric units, else that of the other system."""
    if measures.system is System.METRIC:
        return si_unit(table, column)
    quantity = _quantity(column)
    labels = {name: measures.label(name) for name in _SI}
    return labels[quantity] if quantity else _unit_alike(table, column, labels)


def _unit_alike(table: str, column: Column, labels: Mapping[str, str]) -> str:
    by_row = _BY_ROW.get((table, column.name))
    if by_row:
        return {
            "demand_peak": f"% or {labels['pressure']}",
            "effectiveness": f"{labels['decel']} for each % or {labels['pressure']}",
        }.get(column.name, f"see {by_row[0]}")
    if (table, column.name) == ("indicator_trips", "value"):
        return "see indicators"
    if column.type == TS:
        return "UTC"
    if column.name in _DAYS:
        return "days"
    ending = next((ending for ending in _ALIKE if column.name.endswith(ending)), None)
    return _ALIKE[ending] if ending and column.type == F else ""


def heading(table: str, column: Column, measures: Measures) -> str:
    """A column's name with its unit in brackets; in other units than SI the name without its SI ending."""
    unit = unit_read(table, column, measures)
    quantity = _quantity(column)
    name = column.name if measures.system is System.METRIC or not quantity else _without_unit(column.name, quantity)
    return f"{name} ({unit})" if unit else name


def _without_unit(name: str, quantity: str) -> str:
    if name.startswith("km_"):
        return "distance_" + name.removeprefix("km_")
    ending = next((ending for ending in COLUMN_ENDINGS if name.endswith(ending)), "")
    base = name.removesuffix(ending)
    return base if quantity != "distance" or base.endswith("distance") else f"{base}_distance"


def _quantity(column: Column) -> str | None:
    """A whole number is a count whatever its name ends with: hard_stops_on_km counts stops."""
    return quantity_of(column.name) if column.type == F else None


def in_units_read(
    tables: Mapping[str, pa.Table], measures: Measures, indicators: pa.Table | None = None
) -> dict[str, pa.Table]:
    """The tables with measured columns and this program's own sentences in the units of ``measures``; metric ones as
    they are. What people reported stays as it was written. ``indicators``: the whole table of that name, which tells
    the units of ``indicator_trips``, where ``tables`` has only a part of it."""
    if measures.system is System.METRIC:
        return dict(tables)
    whole = tables.get("indicators") if indicators is None else indicators
    units = {} if whole is None else dict(zip(_keys(whole), whole["unit"].to_pylist(), strict=True))
    told = {name: _converted(name, table, measures) for name, table in tables.items()}
    if "indicator_trips" in told:
        trips = told["indicator_trips"]
        quantities = [INDICATOR_UNITS.get(str(units.get(key))) for key in _keys(trips)]
        told["indicator_trips"] = _replaced(trips, "value", _by_row(trips["value"], quantities, measures))
    return told


def _converted(name: str, table: pa.Table, measures: Measures) -> pa.Table:
    told = table
    for column in (c for c in COLUMNS[name] if c.name in table.column_names):
        quantity = _quantity(column)
        if quantity:
            unit = measures.unit(quantity)
            figures = pc.add(pc.multiply(table[column.name], unit.factor), unit.offset)
            told = _replaced(told, column.name, figures)
        elif (name, column.name) in _BY_ROW:
            told_by, quantities = _BY_ROW[name, column.name]
            wanted = [quantities.get(str(v)) for v in table[told_by].to_pylist()]
            told = _replaced(told, column.name, _by_row(table[column.name], wanted, measures))
    for column_name in _SENTENCES.get(name, ()):
        told = _replaced(told, column_name, _said(table[column_name], lambda text: our_words(measures, text)))
    if name in _FROM_FIGURES:
        column_name, words = _FROM_FIGURES[name]
        said = [None if row[column_name] is None else words(row, measures) for row in table.to_pylist()]
        told = _replaced(told, column_name, pa.array(said, pa.string()))
    if name == "indicators":
        signs = [_sign(str(unit), measures) if unit is not None else None for unit in table["unit"].to_pylist()]
        told = _replaced(told, "unit", pa.array(signs, pa.string()))
    return told


def _by_row(figures: pa.ChunkedArray, quantities: Sequence[str | None], measures: Measures) -> pa.Array:
    """Figures whose unit differs from row to row; those without a quantity as they are."""
    known = figures.is_valid().to_numpy(zero_copy_only=False).astype(bool)
    values = figures.to_numpy(zero_copy_only=False).astype(float)
    asked = np.array([q or "" for q in quantities], dtype=object)
    for quantity in sorted({q for q in quantities if q}):
        rows = asked == quantity
        values = np.where(rows, measures.of(quantity, values), values)
    return pa.array(values, pa.float64(), mask=~known)


def _sign(unit: str, measures: Measures) -> str:
    quantity = INDICATOR_UNITS.get(unit)
    return measures.label(quantity) if quantity else unit


def _keys(table: pa.Table) -> list[tuple[object, ...]]:
    return list(zip(*(table[name].to_pylist() for name in _KEY), strict=True))


def our_words(measures: Measures, text: str) -> str:
    """A sentence of this program in the units of ``measures``; what it quotes of a report stays as it was written."""
    at = text.casefold().find("open report")
    at = len(text) if at < 0 or len(text.casefold()) != len(text) else at
    return in_units(measures, text[:at]) + text[at:]


def _said(texts: pa.ChunkedArray, change: Callable[[str], str]) -> pa.Array:
    return pa.array([None if text is None else change(text) for text in texts.to_pylist()], pa.string())


def _replaced(table: pa.Table, name: str, values: pa.Array | pa.ChunkedArray) -> pa.Table:
    return table.set_column(table.column_names.index(name), name, values)

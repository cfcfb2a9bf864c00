"""Sentences on drivers drawn up from the row's own figures, in the units of whoever reads.

The tables' sentences are metric and rounded: converted, they would disagree with the table beside them. Here a figure
that stands in a column is taken from there and rounded once; what has no column is converted.
"""

import re
from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

from fleetbrake.reports import look
from fleetbrake.reports.measures import Measures
from fleetbrake.reports.measures_text import in_units

_N: Final = r"[-−]?\d+(?:\.\d+)?"
#: Parts of a note -> figures of the row, in the order in which they stand there, with the digits of distances.
_RATES: Final = re.compile(
    rf"^Counted {_N} a 1000 km, adjusted {_N} \({_N} to {_N}\)"
    rf"(?P<more>\. In the same vehicles and conditions an average driver would have had {_N}, "
    rf"in the fleet as a whole {_N}(?=:))?"
)
_OBSERVED: Final = re.compile(rf"A hard stop would have been recorded on {_N} of {_N} km")
_UNSEEN: Final = re.compile(rf"On none of the {_N} km would")
_TOO_LITTLE: Final = re.compile(rf"(for a score or a place in the order: ){_N} km(?= and)")
#: Sentences on coaching: subject -> quantity, and where its own and the usual figure stand.
_COACHING: Final = {
    "hard_stop": ("decel", re.compile(rf"(deceleration up to ){_N} m/s²(, usual is ){_N}")),
    "gentle_stop": ("decel", re.compile(rf"(deceleration up to ){_N} m/s²(; usual is ){_N}")),
    "build_up": ("jerk", re.compile(rf"(buil(?:t|ds) up by ){_N} m/s³((?: at most)?, usual is ){_N}")),
    "hard_stops": ("per_distance", re.compile(rf"(road ){_N} hard stops a 1000 km(; an average driver has ){_N}")),
}
_FROM_SPEED: Final = re.compile(rf"(?<= from ){_N} km/h(?=:)")


def rate_text(value: float, measures: Measures) -> str:
    """A rate over distance in the units of ``measures``, without its unit; small ones with one digit more."""
    told = float(measures.of("per_distance", value))
    return look.number(told, 1 if told >= 10 else 2)


def rate_told(value: object, measures: Measures) -> str:
    """A rate with its unit, or a dash."""
    return look.MISSING if _missing(value) else f"{rate_text(value, measures)} {measures.label('per_distance')}"  # type: ignore[arg-type]


def note(row: Mapping[str, Any], measures: Measures) -> str:
    """Why a driver's rates differ, from a row of ``driver_style``; empty without a note."""
    said = row.get("note")
    if not isinstance(said, str):
        return ""
    said = _RATES.sub(lambda found: _rates(row, measures, found), said)
    distance = _distances(row, measures)
    if distance:
        observed, whole, unit = distance
        said = _OBSERVED.sub(f"A hard stop would have been recorded on {observed} of {whole} {unit}", said)
        said = _UNSEEN.sub(f"On none of the {whole} {unit} would", said)
        said = _TOO_LITTLE.sub(lambda found: f"{found[1]}{observed} {unit}", said)
    return in_units(measures, said)


def _rates(row: Mapping[str, Any], measures: Measures, found: re.Match[str]) -> str:
    """The rates of a note from the row's columns; as it was where a column is missing."""
    names = ("hard_stops_per_1000km", "adjusted_hard_stops_per_1000km", "adjusted_low", "adjusted_high")
    figures = [row.get(name) for name in names]
    fleet, expected, km = (
        row.get(n) for n in ("fleet_hard_stops_per_1000km", "expected_hard_stops", "observed_km")
    )  # fmt: skip
    rest = found["more"] is not None
    if any(map(_missing, figures)) or (rest and (any(map(_missing, (fleet, expected, km))) or not float(km) > 0)):  # type: ignore[arg-type]
        return found[0]
    raw, adjusted, low, high = (rate_text(float(v), measures) for v in figures)  # type: ignore[arg-type]
    said = f"Counted {raw} {_a_thousand(measures)}, adjusted {adjusted} ({low} to {high})"
    if not rest:
        return said
    road = rate_text(1000.0 * float(expected) / float(km), measures)  # type: ignore[arg-type]
    return (
        f"{said}. In the same vehicles and conditions an average driver would have had {road}, "
        f"in the fleet as a whole {rate_text(float(fleet), measures)}"  # type: ignore[arg-type]
    )


def _distances(row: Mapping[str, Any], measures: Measures) -> tuple[str, str, str] | None:
    """Observed distance, all of it, and the unit; None where one is not known."""
    observed, whole = row.get("observed_km"), row.get("distance_km")
    if _missing(observed) or _missing(whole):
        return None
    told = (f"{float(measures.of('distance', float(v))):.0f}" for v in (observed, whole))  # type: ignore[arg-type]
    return (*told, measures.label("distance"))  # type: ignore[return-value]


def coaching_sentence(item: Mapping[str, Any], measures: Measures) -> str:
    """One thing to talk about, from a row of ``driver_coaching``; ``initial_speed_mps`` of its event, where the row has
    it, gives the speed."""
    said = str(item["sentence"])
    form = _COACHING.get(str(item.get("subject")))
    value, usual, speed = (item.get(name) for name in ("value", "usual", "initial_speed_mps"))
    if form and not _missing(value) and not _missing(usual):
        quantity, pattern = form
        own, common = (look.number(measures.of(quantity, float(v))) for v in (value, usual))  # type: ignore[arg-type]
        unit = measures.label(quantity)
        unit = f"hard stops {_a_thousand(measures)}" if quantity == "per_distance" else unit
        if quantity == "per_distance":
            own, common = (rate_text(float(v), measures) for v in (value, usual))  # type: ignore[arg-type]
        said = pattern.sub(lambda found: f"{found[1]}{own} {unit}{found[2]}{common}", said, count=1)
    if not _missing(speed):
        said = _FROM_SPEED.sub(measures.text("speed", float(speed)), said, count=1)  # type: ignore[arg-type]
    return in_units(measures, said)


def _a_thousand(measures: Measures) -> str:
    """``a 1000 km``, as sentences have it."""
    return measures.label("per_distance").replace("per", "a")


def _missing(value: object) -> bool:
    return value is None or bool(pd.isna(value))  # type: ignore[call-overload]

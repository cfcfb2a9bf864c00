"""Findings of a vehicle in words, and what its recordings leave open."""

from typing import Any

import pandas as pd

from fleetbrake.core.vocabulary import INDICATORS, wheel_words
from fleetbrake.reports import look
from fleetbrake.reports.measures import INDICATOR_UNITS, METRIC, Measures

#: From so many standard errors on a finding stands out even where it does not rank yet (own choice).
STANDS_OUT = 3.0
#: Figures of an indicator that are in its unit.
_IN_ITS_UNIT = ("value", "expected", "detection_limit", "trend_per_30d")
#: How an indicator was measured, in words.
_MEASURE_WORDS = {
    "own": "the vehicle alone", "combination": "vehicle and trailer together", "slip": "slip of the wheels",
    "yaw": "turning while braking", "steering": "steering while braking", "free": "slip while rolling free",
    "coasting": "deceleration while coasting", "release": "release of the brakes", "build_up": "build-up of braking",
    "pressure_rise": "rise of the pressure", "within": "within one braking", "series": "over a series of brakings",
    "control": "anti-lock control", "axle_order": "order in which axles lock", "tone_ring": "pulses with each turn",
    "braking": "while braking", "between": "between brakings",
}  # fmt: skip


def in_units(indicators: pd.DataFrame, measures: Measures) -> pd.DataFrame:
    """Rows of ``indicators_of`` in the units of ``measures``: figures, and ``unit`` as it is read.

    One column more: ``quantity`` (of :mod:`fleetbrake.reports.measures`; None where both systems read it alike).
    """
    quantities = [INDICATOR_UNITS.get(str(unit)) for unit in indicators["unit"]]
    out = indicators.assign(quantity=pd.Series(quantities, index=indicators.index, dtype=object))
    for quantity in sorted({name for name in quantities if name}):
        rows = out["quantity"] == quantity
        for name in _IN_ITS_UNIT:
            out.loc[rows, name] = measures.of(quantity, out.loc[rows, name].astype(float))
        out.loc[rows, "unit"] = measures.label(quantity)
    return out


def trips_in_units(trips: pd.DataFrame, quantity: object, measures: Measures) -> pd.DataFrame:
    """Rows of ``indicator_trips`` in the units of ``measures``; ``quantity`` as :func:`in_units` gives it."""
    return trips.assign(value=measures.of(quantity, trips["value"])) if isinstance(quantity, str) else trips


def standing_out(indicators: pd.DataFrame, leading: object, most: int) -> pd.DataFrame:
    """Findings to tell first: the leading indicator, then what ranks, then what deviates much.

    Of an indicator that names a wheel the row of the whole vehicle says the same again and is left to the rest.
    """
    ranks = indicators["ranks"].astype("boolean").fillna(False).astype(bool)
    rows = indicators.assign(first=ranks, leads=indicators["indicator"] == leading)
    out = rows[rows["first"] | (rows["deviation"] >= STANDS_OUT)]
    out = out.sort_values(["leads", "first", "deviation"], ascending=False, kind="stable")
    named = set(out.loc[out["wheel"].notna(), "indicator"])
    return out[out["wheel"].notna() | ~out["indicator"].isin(named)].head(most)


def numbers(indicators: pd.DataFrame) -> pd.DataFrame:
    """Rows of ``indicators_of`` as a table in words, in the units that they are in."""
    named = indicators.assign(
        indicator=[look.indicator_text(code) for code in indicators["indicator"]],
        measure=[_MEASURE_WORDS.get(str(code), look.text(code)) for code in indicators["measure"]],
        wheel=[wheel_words(wheel) or None for wheel in indicators["wheel"]],
        ranks=indicators["ranks"].astype("boolean").map({True: "yes", False: "no"}),
    )
    names = {
        "indicator": "Indicator", "wheel": "Position", "measure": "Seen by", "value": "Value", "expected": "Expected",
        "unit": "Unit", "basis": "Expected from", "deviation": "Deviation (standard errors)",
        "detection_limit": "Smallest departure seen", "trend_per_30d": "Change in 30 days", "events_used": "Events",
        "trips_used": "Trips", "ranks": "Counts in the rank", "first_seen_on": "Since",
        "probability": "Probability of a defect",
    }  # fmt: skip
    return named[list(names)].rename(columns=names)


def finding_text(row: dict[Any, Any]) -> str:
    """What one row of ``indicators_of`` says, in a sentence or two."""
    unit = f" ({row['unit']})" if isinstance(row["unit"], str) else ""
    said = (
        f"{_figure(row['value'])} where {_figure(row['expected'])} is expected from {look.text(row['basis'])}{unit}: "
    )
    if pd.isna(row["deviation"]):
        return said + f"too few events ({look.whole(row['events_used'])}) for a deviation."
    said += (
        f"{row['deviation']:+.1f} standard errors, {look.whole(row['events_used'])} events on "
        f"{look.whole(row['trips_used'])} trips."
    )
    if pd.notna(row["first_seen_on"]):
        said += f" Since {look.day(row['first_seen_on'])}."
        if not row["ranks"]:
            said += " Not ranked: on too few trips yet, or no rarer than chance over the whole fleet."
    return said


def quiet_text(row: dict[Any, Any], measures: Measures = METRIC) -> str:
    """How long ago the brakes were asked for much and tested, from a row of ``ranked``."""
    firm = row.get("days_since_firm_braking")
    said = (
        "No braking over 0.3 g has been recorded"
        if pd.isna(firm)
        else f"Last braking over 0.3 g: {look.whole(firm)} days before {look.day(row.get('as_of'))}"
    )
    tested, km = row.get("roller_tested_on"), row.get("km_since_roller_test")
    if pd.isna(tested):
        return f"{said}. No roller test is in the registers."
    driven = "a distance that no trip tells" if pd.isna(km) else measures.text("distance", km)
    return f"{said}. Last roller test: {look.day(tested)}, {driven} ago."


def unobserved(indicators: pd.DataFrame, needs: pd.DataFrame) -> pd.DataFrame:
    """Indicators that this vehicle's recordings say nothing of, with what they need.

    ``needs`` is the table ``observability``. Columns: Not observed, Needs, Also not where.
    """
    seen = set(indicators["indicator"])
    missing = [code for code in INDICATORS if code not in seen]
    rows = needs.set_index("subject").reindex(missing)
    return pd.DataFrame(
        {
            "Not observed": [look.indicator_text(code) for code in missing],
            "Needs": rows["channels"].to_numpy(),
            "Also not where": rows["otherwise_null"].to_numpy(),
        }
    )


def limits(indicators: pd.DataFrame) -> pd.DataFrame:
    """The smallest departure of each indicator that would be seen, one row an indicator and wheel.

    Columns: Indicator, Position, Expected, Seen from a departure of, Unit. Those without a known limit are left out.
    """
    known = indicators[indicators["detection_limit"].notna()]
    return pd.DataFrame(
        {
            "Indicator": [look.indicator_text(code) for code in known["indicator"]],
            "Position": [wheel_words(wheel) or None for wheel in known["wheel"]],
            "Expected": [
                _figure(value, limit) for value, limit in zip(known["expected"], known["detection_limit"], strict=True)
            ],
            "Seen from a departure of": [_figure(value) for value in known["detection_limit"]],
            "Unit": known["unit"].to_numpy(),
        }
    )


def _figure(value: object, limit: object = None) -> str:
    """Three digits; 0 where the value is nothing beside what could be seen (``limit``)."""
    if pd.isna(value):  # type: ignore[call-overload]
        return look.MISSING
    number = float(value)  # type: ignore[arg-type]
    nothing = not pd.isna(limit) and abs(number) < 0.02 * float(limit)  # type: ignore[call-overload, arg-type]
    return "0" if nothing else f"{number:.3g}"

"""Findings of a vehicle in words, and what its recordings leave open."""

from typing import Any

import pandas as pd

from fleetbrake.core.vocabulary import INDICATORS
from fleetbrake.reports import look


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


def quiet_text(row: dict[Any, Any]) -> str:
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
    driven = "a distance that no trip tells" if pd.isna(km) else f"{look.whole(km)} km"
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

    Columns: Indicator, Wheel, Expected, Seen from a departure of, Unit. Indicators without a known limit are left out.
    """
    known = indicators[indicators["detection_limit"].notna()]
    return pd.DataFrame(
        {
            "Indicator": [look.indicator_text(code) for code in known["indicator"]],
            "Wheel": known["wheel"].to_numpy(),
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

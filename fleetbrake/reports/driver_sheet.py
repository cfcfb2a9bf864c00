"""One page for the talk with one driver: both rates, what went well first, typical applications, room for the answer.

No rank and no other driver stands on it. Data go to the typesetter as JSON, never as markup.
"""

import json
from importlib.resources import files
from typing import Any

import pandas as pd
import typst

from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.core.vocabulary import DRIVER_CAUTION
from fleetbrake.reports import driver_reads, look
from fleetbrake.reports.charts import one_driver_rates
from fleetbrake.reports.measures import METRIC, Measures
from fleetbrake.reports.measures_text import in_units
from fleetbrake.reports.month_pdf import svg
from fleetbrake.reports.printed import all_printed

#: Letters of one foreign text at most, so that everything stays on one page.
MOST_LETTERS = 240
_CHART_WIDTH = 560
_SPAN = tuple[pd.Timestamp, pd.Timestamp] | None


def driver_sheet(row: dict[str, Any], items: pd.DataFrame, span: _SPAN, measures: Measures = METRIC) -> bytes:
    """The sheet as a PDF of one page.

    Parameters
    ----------
    row : one row of :func:`fleetbrake.reports.reads.drivers`, with the id or alias that is to stand on the sheet.
    items : as :func:`fleetbrake.reports.driver_reads.coaching` gives them.
    span : first and last application, see :func:`fleetbrake.reports.driver_reads.recorded_span`.

    Raises
    ------
    FleetbrakeError
        If the document cannot be set.
    """
    inputs = {
        "main": files("fleetbrake.reports").joinpath("driver_sheet.typ").read_bytes(),
        "data.json": json.dumps(all_printed(_data(row, items, span, measures)), ensure_ascii=False).encode(),
        "rates.svg": svg(_chart(row, measures)),
    }
    try:
        # the package's types do not tell that it takes several files by name; its documentation does
        return bytes(typst.compile(inputs, format="pdf"))  # type: ignore[call-overload]
    except typst.TypstError as error:
        raise FleetbrakeError(f"The sheet cannot be set: {error.message}") from error


def _chart(row: dict[str, Any], measures: Measures) -> Any:
    fleet = row.get("fleet_hard_stops_per_1000km")
    known = None if pd.isna(fleet) else float(fleet)  # type: ignore[arg-type]
    return one_driver_rates(pd.DataFrame([row]), known, _CHART_WIDTH, measures)


def _data(row: dict[str, Any], items: pd.DataFrame, span: _SPAN, measures: Measures) -> dict[str, Any]:
    period = f"Applications from {look.day(span[0])} to {look.day(span[1])}" if span else "No application recorded"
    told = items.to_dict("records")
    return {
        "driver": _short(look.text(row["driver_id"])),
        "subtitle": f"{period} (UTC) · scored as of {look.day(row['as_of'])} · depot {_short(look.text(row['depot']))}",
        "figures": _figures(row, measures),
        "rated": pd.notna(row["hard_stops_per_1000km"]) or pd.notna(row["adjusted_hard_stops_per_1000km"]),
        "note": _short(driver_reads.note(row, measures), 4 * MOST_LETTERS),
        "well": [_item(item, measures) for item in told if item["kind"] == "went_well"],
        "talk": [_item(item, measures) for item in told if item["kind"] == "talk_about"],
        "caution": DRIVER_CAUTION,
    }


def _figures(row: dict[str, Any], measures: Measures) -> list[dict[str, str]]:
    """Name and value of what stands beside each other at the top."""
    low, high = (look.number(measures.of("per_distance", row[name])) for name in ("adjusted_low", "adjusted_high"))
    adjusted = measures.text("per_distance", row["adjusted_hard_stops_per_1000km"])
    interval = "" if adjusted == look.MISSING else f" ({low} to {high})"
    shown = (
        ("Distance", measures.text("distance", row["distance_km"])),
        ("Part of it observed", measures.text("distance", row["observed_km"])),
        ("Hard stops", look.whole(row["hard_stops"])),
        ("By the vehicle itself", look.whole(row["automatic_hard_stops"])),
        ("Rate as counted", measures.text("per_distance", row["hard_stops_per_1000km"])),
        ("Rate adjusted (90 % interval)", adjusted + interval),
    )
    return [{"name": name, "value": value} for name, value in shown]


def _item(item: dict[Any, Any], measures: Measures) -> dict[str, str]:
    """One thing to talk about: when and in which vehicle, and what happened in words."""
    known = isinstance(item["vehicle_id"], str)
    where = f"{look.moment(item['started_at'])} · vehicle {_short(item['vehicle_id'])}" if known else ""
    return {"where": where, "what": _short(in_units(measures, str(item["sentence"])))}


def _short(text: str, most: int = MOST_LETTERS) -> str:
    return text if len(text) <= most else text[: most - 2].rstrip() + " …"

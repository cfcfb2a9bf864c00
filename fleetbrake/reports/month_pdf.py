"""The month as a PDF: text through a typesetter that gets all data as JSON, charts as SVG."""

import json
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import typst
import vl_convert

from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.core.vocabulary import CAUTION
from fleetbrake.reports import charts, look, reads
from fleetbrake.reports.month_data import MonthFigures
from fleetbrake.reports.source import nullable_frame

#: Rows of each list in the PDF; the workbook has them all.
MOST_VEHICLES, MOST_DRIVERS, MOST_FILES = 60, 40, 40
_CHART_WIDTH = 620

METHOD = (
    "An event is one brake application. A hard stop is a peak deceleration (greatest 0.2 s mean) at or above 4.0 m/s² "
    "for categories M1 and N1 and 3.0 m/s² for the others, whatever the demand. Modulation is two or more "
    "release-and-rebuild cycles of one wheel in one application. A lockup is a wheel under 5 % of the vehicle's speed "
    "while that is above 1.5 m/s; only lockups above the speed below which anti-lock control lets go speak of the "
    "vehicle's health.",
    "The health score runs from 0 to 100, 100 meaning that nothing was found. It comes from indicators that compare a "
    "vehicle with what was expected of it; the interval says how far the evidence reaches. Vehicles with too little "
    "evidence have no score and rank after all that are flagged. The adjusted driver rate takes vehicle, surface and "
    "exposure out and draws few events towards the average; it is a ground for coaching, not a verdict.",
    "What a recording cannot show is counted as not observed, never as good. Recordings without wheel speeds have no "
    "opinion on lockups. A fleet that records only part of its driving is judged on that part. Loads, tyres, roads and "
    "weather that no channel records remain in the figures.",
    CAUTION,
)


def write_pdf(
    path: Path,
    month: str,
    figures: MonthFigures,
    tables: dict[str, pa.Table],
    events: pd.DataFrame,
    *,
    aliased: bool,
) -> None:
    """Write the report. ``tables`` as :func:`fleetbrake.reports.month_data.month_tables` gives them (aliases and all);
    ``events`` as :func:`fleetbrake.reports.month_data.month_events`; ``aliased`` tells whether drivers have aliases.

    Raises
    ------
    FleetbrakeError
        If the document cannot be set.
    """
    health = _newest(nullable_frame(tables["vehicle_health"]))
    drivers = _newest(nullable_frame(tables["driver_style"]))
    planned = nullable_frame(tables["inspection_plan"])
    data = {
        "title": f"Brakes in {month}",
        "subtitle": _subtitle(month, figures, health),
        "caution": CAUTION,
        "figures": _figures(figures),
        "unknown": (
            f"Not observed: hard stop in {figures.hard_stop_unknown:,}, modulation in {figures.modulation_unknown:,}, "
            f"lockup in {figures.lockup_unknown:,} of {figures.events:,} events."
        ),
        **_vehicles(health, planned),
        **_drivers(drivers, aliased),
        **_files(nullable_frame(tables["ingest_log"])),
        "method": METHOD,
    }
    inputs = {
        "main": files("fleetbrake.reports").joinpath("month.typ").read_bytes(),
        "data.json": json.dumps(data, ensure_ascii=False).encode("utf-8", "replace"),
        "days.svg": svg(charts.events_by_day(events, month, width=_CHART_WIDTH, height=110)),
        "scores.svg": svg(charts.ranked_scores(health, width=_CHART_WIDTH - 160)),
        "drivers.svg": svg(charts.driver_rates(drivers, width=_CHART_WIDTH - 160)),
    }
    try:
        # the package's types do not tell that it takes several files by name; its documentation does
        typst.compile(inputs, output=str(path), format="pdf")  # type: ignore[call-overload]
    except typst.TypstError as error:
        raise FleetbrakeError(f"The PDF of {month} cannot be set: {error.message}") from error


def svg(chart: Any) -> bytes:
    """A chart as an SVG picture."""
    return vl_convert.vegalite_to_svg(chart.to_dict()).encode()  # type: ignore[no-any-return]


def _newest(found: pd.DataFrame) -> pd.DataFrame:
    """Rows of the newest ``as_of``, by rank."""
    return found[found["as_of"] == found["as_of"].max()].sort_values("rank") if len(found) else found


def _subtitle(month: str, figures: MonthFigures, health: pd.DataFrame) -> str:
    said = f"Month {month} in UTC · {figures.vehicles:,} vehicles and {figures.drivers:,} drivers with recordings"
    return said + (
        f" · scores as of {look.day(health['as_of'].iloc[0])}" if len(health) else " · not scored in this month"
    )


def _figures(figures: MonthFigures) -> list[dict[str, str]]:
    shown = (
        ("Brake applications", figures.events),
        ("Hard stops", figures.hard_stops),
        ("With modulation", figures.modulation),
        ("With a locked wheel", figures.lockup),
        ("… above the cut-off speed", figures.lockup_above_cutoff),
        ("Vehicles", figures.vehicles),
        ("Recording files", figures.files),
        ("… rejected", figures.files_rejected),
    )
    return [{"name": name, "value": look.whole(value)} for name, value in shown]


def _vehicles(health: pd.DataFrame, planned: pd.DataFrame) -> dict[str, Any]:
    days = dict(zip(planned["vehicle_id"], planned["planned_on"], strict=True)) if len(planned) else {}
    rows = []
    for row in health.head(MOST_VEHICLES).to_dict("records"):
        wheel = f"wheel {row['suspect_wheel']} · " if isinstance(row["suspect_wheel"], str) else ""
        report = f" · open report: {row['open_report']}" if isinstance(row["open_report"], str) else ""
        day = days.get(row["vehicle_id"])
        rows.append(
            {
                "rank": look.whole(row["rank"]),
                "vehicle": look.text(row["vehicle_id"]),
                "depot": f"{look.text(row['depot'])} · {look.text(row['category'])}",
                "soon": look.priority_text(row["priority"]),
                "colour": look.HOW_SOON.get(str(row["priority"]), "#ffffff"),
                "reason": reads.reason_of(row),
                "evidence": f"{wheel}{look.whole(row['events_used'])} events{report}",
                "score": look.score(row["health_score"], row["score_low"], row["score_high"]),
                "due": f"due {look.day(row['inspection_due_on'])}",
                "planned": f"planned {look.day(day)}" if day is not None else "",
            }
        )
    more = len(health) - len(rows)
    note = f"The first {len(rows)} of {len(health):,}; the workbook has all." if more > 0 else "1 = inspect first."
    return {
        "vehicles": rows,
        "vehicles_note": note,
        "has_scores": bool(health["health_score"].notna().any()),
        "no_vehicles": "No vehicle was scored with an evidence day in this month.",
    }


def _drivers(drivers: pd.DataFrame, aliased: bool) -> dict[str, Any]:
    rows = []
    for row in drivers.head(MOST_DRIVERS).to_dict("records"):
        interval = f"({look.number(row['adjusted_low'])} to {look.number(row['adjusted_high'])})"
        adjusted = look.number(row["adjusted_hard_stops_per_1000km"])
        rows.append(
            {
                "rank": look.whole(row["rank"]),
                "driver": look.text(row["driver_id"]),
                "score": look.score(row["style_score"], row["score_low"], row["score_high"]),
                "distance": look.whole(row["distance_km"]),
                "hard": look.whole(row["hard_stops"]),
                "raw": look.number(row["hard_stops_per_1000km"]),
                "adjusted": adjusted if adjusted == look.MISSING else f"{adjusted} {interval}",
                "note": row["note"] if isinstance(row["note"], str) else "",
            }
        )
    more = len(drivers) - len(rows)
    first = f"The first {len(rows)} of {len(drivers):,}. " if more > 0 else ""
    who = "Drivers appear under stable aliases." if aliased else "Personal data: for coaching only."
    return {"drivers": rows, "drivers_note": f"{first}1 = coach first. {who}"}


def _files(log: pd.DataFrame) -> dict[str, Any]:
    bad = log[log["status"] != "loaded"]
    rows = [
        {
            "path": look.text(row["path"]),
            "status": look.text(row["status"]).replace("_", " "),
            "reason": look.text(row["reason"]),
        }
        for row in bad.head(MOST_FILES).to_dict("records")
    ]
    more = len(bad) - len(rows)
    return {"files": rows, "more_files": f"{more:,} more: see the workbook." if more > 0 else ""}

"""The month as a PDF: text through a typesetter that gets all data as JSON, charts as SVG."""

import json
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import typst
import vl_convert

from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.core.vocabulary import CAUTION, DRIVER_CAUTION
from fleetbrake.reports import charts, look, reads
from fleetbrake.reports.month_data import MonthFigures, Period
from fleetbrake.reports.printed import all_printed
from fleetbrake.reports.source import nullable_frame

#: Rows of each list in the PDF; the workbook has them all.
MOST_VEHICLES, MOST_DRIVERS, MOST_FILES = 60, 30, 40
#: Ids of one compact block, drivers with their note, rows of one chart, letters of one foreign text.
MOST_IDS, MOST_NOTES, MOST_CHARTED, MOST_LETTERS = 60, 10, 20, 400
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
    "exposure out; the fewer the events, the more it rests on the fleet, which can raise it as well as lower it; "
    "it is a ground for coaching, not a verdict.",
    "What a recording cannot show is counted as not observed, never as good. Recordings without wheel speeds have no "
    "opinion on lockups. A fleet that records only part of its driving is judged on that part. Loads, tyres, roads and "
    "weather that no channel records remain in the figures.",
)


@dataclass(frozen=True)
class Beside:
    """What the report shows besides the month's tables: events as :func:`fleetbrake.reports.month_data.month_events`
    gives them, and the current plan as :func:`fleetbrake.reports.reads.plan` does, whatever month its days lie in."""

    events: pd.DataFrame
    plan: pd.DataFrame


def write_pdf(
    path: Path, of: Period, figures: MonthFigures, tables: dict[str, pa.Table], beside: Beside, *, aliased: bool
) -> None:
    """Write the report. ``tables`` as :func:`fleetbrake.reports.month_data.month_tables` gives them (aliases and all);
    ``aliased`` tells whether drivers have aliases.

    Raises
    ------
    FleetbrakeError
        If the document cannot be set.
    """
    health = _planned(nullable_frame(tables["vehicle_health"]), beside.plan)
    drivers = nullable_frame(tables["driver_style"])
    not_scored = f"{of.not_scored[:1].upper()}{of.not_scored[1:]}."
    data = {
        "title": f"Brakes in {of.month}",
        "subtitle": _subtitle(of, figures, health),
        "caution": CAUTION,
        "figures": _figures(figures),
        "unknown": (
            f"Not observed: hard stop in {figures.hard_stop_unknown:,}, modulation in {figures.modulation_unknown:,}, "
            f"lockup in {figures.lockup_unknown:,} of {figures.events:,} events."
        ),
        **_vehicles(health),
        "no_vehicles": not_scored,
        **_drivers(drivers, aliased),
        "no_drivers": not_scored if health.empty else "No driver could be scored: no event names one.",
        **_files(nullable_frame(tables["ingest_log"])),
        "method": METHOD,
    }
    seen = health[[reads.needs_a_look(row) for row in health.to_dict("records")]] if len(health) else health
    inputs = {
        "main": files("fleetbrake.reports").joinpath("month.typ").read_bytes(),
        "data.json": json.dumps(all_printed(data), ensure_ascii=False).encode(),
        "days.svg": svg(charts.events_by_day(beside.events, of.month, width=_CHART_WIDTH, height=110)),
        "scores.svg": svg(charts.ranked_scores(seen, MOST_CHARTED, width=_CHART_WIDTH - 160)),
        "drivers.svg": svg(charts.driver_rates(drivers, MOST_CHARTED, width=_CHART_WIDTH - 160)),
    }
    try:
        # the package's types do not tell that it takes several files by name; its documentation does
        typst.compile(inputs, output=str(path), format="pdf")  # type: ignore[call-overload]
    except typst.TypstError as error:
        raise FleetbrakeError(f"The PDF of {of.month} cannot be set: {error.message}") from error


def svg(chart: Any) -> bytes:
    """A chart as an SVG picture. Its texts are made fit to be printed here: others would end the whole program."""
    return vl_convert.vegalite_to_svg(all_printed(chart.to_dict())).encode()  # type: ignore[no-any-return]


def _planned(health: pd.DataFrame, plan: pd.DataFrame) -> pd.DataFrame:
    """Health rows with the day on which the current plan has the vehicle."""
    return health.merge(plan[["vehicle_id", "planned_on"]], on="vehicle_id", how="left")


def _subtitle(of: Period, figures: MonthFigures, health: pd.DataFrame) -> str:
    said = f"Month {of.month} in UTC · {figures.vehicles:,} vehicles and {figures.drivers:,} drivers with recordings"
    return said + (f" · scores as of {look.day(health['as_of'].iloc[0])}" if len(health) else f" · {of.not_scored}")


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


def _vehicles(health: pd.DataFrame) -> dict[str, Any]:
    """Rows for vehicles that somebody must look at; the others as plain lists of ids."""
    every = health.to_dict("records")
    seen = [row for row in every if reads.needs_a_look(row)]
    others = [row for row in every if not reads.needs_a_look(row)]
    trailers = [row for row in others if reads.judged_by_date_only(row)]
    left = (
        ("No sign found, not overdue, no open report", [r for r in others if r["priority"] == "no_sign"]),
        ("Too little evidence for a score", [r for r in others if r["priority"] != "no_sign" and r not in trailers]),
        ("Trailers without brake events of their own: judged by their due date only", trailers),
    )
    rows = [_vehicle(row) for row in seen[:MOST_VEHICLES]]
    more = len(seen) - len(rows)
    note = f"The first {len(rows)} of {len(seen):,}; the workbook has all." if more > 0 else "1 = inspect first."
    return {
        "scored": bool(every),
        "vehicles": rows,
        "vehicles_note": note if rows else "No vehicle is flagged, overdue, planned or has an open report.",
        "has_scores": any(pd.notna(row["health_score"]) for row in seen),
        "others": [_ids(title, group) for title, group in left if group],
    }


def _vehicle(row: dict[Any, Any]) -> dict[str, str]:
    wheel = f"wheel {row['suspect_wheel']} · " if isinstance(row["suspect_wheel"], str) else ""
    events = "" if reads.judged_by_date_only(row) else f"{look.whole(row['events_used'])} events looked at"
    report = f"open report: {row['open_report']}" if isinstance(row["open_report"], str) else ""
    return {
        "rank": look.whole(row["rank"]),
        "vehicle": _short(look.text(row["vehicle_id"])),
        "depot": _short(f"{look.text(row['depot'])} · {look.text(row['category'])}"),
        "soon": look.priority_text(row["priority"]),
        "colour": look.HOW_SOON.get(str(row["priority"]), "#ffffff"),
        "reason": _short(reads.reason_of(row)),
        "evidence": f"{wheel}{events}",
        "report": _short(report),
        "score": look.score(row["health_score"], row["score_low"], row["score_high"]),
        "due": ("overdue since " if reads.overdue(row) else "due ") + look.day(row["inspection_due_on"]),
        "planned": f"planned {look.day(row['planned_on'])}" if pd.notna(row["planned_on"]) else "",
    }


def _ids(title: str, rows: list[dict[Any, Any]]) -> dict[str, Any]:
    """A compact block: how many, the first ids by rank, how many more."""
    more = len(rows) - MOST_IDS
    return {
        "title": f"{title}: {len(rows):,}",
        "ids": [_short(look.text(row["vehicle_id"])) for row in rows[:MOST_IDS]],
        "more": f"and {more:,} more" if more > 0 else "",
    }


def _short(text: str) -> str:
    """Text that fits a row: a row never breaks across pages."""
    return text if len(text) <= MOST_LETTERS else text[: MOST_LETTERS - 2].rstrip() + " …"


def _drivers(drivers: pd.DataFrame, aliased: bool) -> dict[str, Any]:
    rows = []
    for place, row in enumerate(drivers.head(MOST_DRIVERS).to_dict("records")):
        interval = f"({look.number(row['adjusted_low'])} to {look.number(row['adjusted_high'])})"
        adjusted = look.number(row["adjusted_hard_stops_per_1000km"])
        rows.append(
            {
                "rank": look.whole(row["rank"]),
                "driver": _short(look.text(row["driver_id"])),
                "score": look.score(row["style_score"], row["score_low"], row["score_high"]),
                "distance": look.whole(row["distance_km"]),
                "hard": look.whole(row["hard_stops"]),
                "raw": look.number(row["hard_stops_per_1000km"]),
                "adjusted": adjusted if adjusted == look.MISSING else f"{adjusted} {interval}",
                "note": _short(row["note"]) if isinstance(row["note"], str) and place < MOST_NOTES else "",
            }
        )
    more = len(drivers) - len(rows)
    first = f"The first {len(rows)} of {len(drivers):,}. " if more > 0 else ""
    who = "Drivers appear under stable aliases." if aliased else "Personal data: for coaching only."
    return {"drivers": rows, "drivers_note": f"{first}1 = coach first. {who} {DRIVER_CAUTION}"}


def _files(log: pd.DataFrame) -> dict[str, Any]:
    bad = log[log["status"] != "loaded"]
    rows = [
        {
            "path": _short(look.text(row["path"])),
            "status": look.text(row["status"]).replace("_", " "),
            "reason": _short(look.text(row["reason"])),
        }
        for row in bad.head(MOST_FILES).to_dict("records")
    ]
    more = len(bad) - len(rows)
    return {"files": rows, "more_files": f"{more:,} more: see the workbook." if more > 0 else ""}

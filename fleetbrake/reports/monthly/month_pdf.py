"""The month as a PDF: text through a typesetter that gets all data as JSON, charts as vector pictures."""

from datetime import date
from pathlib import Path
from typing import Any

import altair as alt
import pandas as pd

from fleetbrake.core.vocabulary import CAUTION
from fleetbrake.reports import charts
from fleetbrake.reports.monthly import month_pdf_parts_drivers as people
from fleetbrake.reports.monthly import month_pdf_parts_fleet as fleet
from fleetbrake.reports.monthly import month_pdf_parts_inspections as inspected
from fleetbrake.reports.monthly import month_pdf_parts_records as recorded
from fleetbrake.reports.monthly import month_pdf_parts_vehicles as vehicles
from fleetbrake.reports.monthly import month_pdf_parts_where as where
from fleetbrake.reports.monthly.drawable import UNDRAWN, by_number, undrawn
from fleetbrake.reports.monthly.month_inspect import health_and_plan
from fleetbrake.reports.monthly.month_pdf_parts import HEADS, Part
from fleetbrake.reports.monthly.month_pdf_words import method
from fleetbrake.reports.monthly.month_told import MonthTold
from fleetbrake.reports.printed import all_printed
from fleetbrake.reports.typeset import paper, pdf, svg

#: Width of the page between its margins; width and height of one of three charts beside each other, px.
_WIDTH, _THIRD, _TALL = 620, 216, 190


def write_pdf(path: Path, told: MonthTold) -> None:
    """Write the report of one month: the same ``told`` gives the same text.

    The figures are those of ``told.tables``, rounded to the digits shown, in the units of ``told.measures`` (US
    customary ones on letter paper).

    Raises
    ------
    FleetbrakeError
        If the document cannot be set.
    """
    data = all_printed(document(told))
    if letters := undrawn(data):
        data = by_number(data, letters)
        data["remarks"].append(UNDRAWN)
    path.write_bytes(pdf("monthly/month.typ", data, _pictures(told)))


def document(told: MonthTold) -> Part:
    """Everything that the document says, as texts and places on lines; see ``month.typ`` for where each stands."""
    tables, measures = told.tables, told.measures
    health = health_and_plan(tables["vehicle_health"], told.plan, told.dates)
    silent = recorded.silent(tables["month_silence"])
    flags = vehicles.open_flags(tables["open_flags"], health)
    return {
        "title": f"Brakes in {fleet.month_name(told.of.month)}",
        "month": told.of.month,
        "last_day": [told.of.last_day.year, told.of.last_day.month, told.of.last_day.day],
        "paper": paper(measures),
        "subtitle": fleet.subtitle(told.figures, _scored_on(health)),
        "caution": CAUTION,
        "remarks": list(told.remarks),
        "headlines": fleet.headlines(tables, measures),
        "trends": tables["fleet_months"]["events"].null_count < tables["fleet_months"].num_rows,
        "strip": fleet.fleet_strip(health),
        "scored": bool(len(health)),
        "not_scored": "Not scored in this month.",
        "urgent": fleet.urgent(health, lambda row: vehicles.vehicle(row, measures)),
        "also": fleet.also(health, tables),
        "inspect": vehicles.to_inspect(tables["to_inspect"], health, measures),
        "planned": "Planned in the present plan" if _later(told) else "Planned",
        "flags": flags,
        "inspections": inspected.inspections(tables["hit_rate"], tables["inspection_outcomes"], told.of.month),
        "months": fleet.months_table(tables["fleet_months"], measures),
        "days": bool(len(told.events)),
        "rates": where.rates(tables["month_rates"], measures),
        "drivers": people.drivers(tables["driver_style"], tables["month_drivers"], told.aliased, measures),
        "work": where.work(tables["month_work"], measures),
        "files": recorded.files(tables["ingest_log"]),
        "silent": silent,
        "lost": recorded.lost(tables["recording_channels"], tables["recording_facts"]),
        "method": method(measures),
    }


def _later(told: MonthTold) -> bool:
    """Whether recordings newer than the month are there: the plan is then not one that stood in it."""
    newest = [known for known in told.tables["recording_facts"]["newest_on"].to_pylist() if known is not None]
    return bool(newest) and max(newest) > told.of.last_day


def _scored_on(health: pd.DataFrame) -> date | None:
    return None if health.empty else pd.Timestamp(health["as_of"].iloc[0]).date()


def _pictures(told: MonthTold) -> dict[str, bytes]:
    """The charts by the names under which the document finds them, from the functions that draw the pages too."""
    drawn = {f"trend-{measure}": _trend(told, measure) for measure in HEADS}
    drawn["days"] = charts.events_by_day(told.events, told.of.month, width=_WIDTH - 50, height=96)
    return {f"{name}.svg": svg(chart) for name, chart in drawn.items()}


def _trend(told: MonthTold, measure: str) -> Any:
    rows = fleet.trend_rows(told.tables["fleet_months"], measure)
    chart = charts.month_trend(rows, measures=told.measures)
    # the whole picture has one size, whatever its labels need, so that the three stand in line
    fitted = alt.AutoSizeParams(type="fit", contains="padding")
    return chart.properties(width=_THIRD, height=_TALL, autosize=fitted)

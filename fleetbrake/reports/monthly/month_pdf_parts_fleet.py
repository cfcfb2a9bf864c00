"""First page of the month's PDF: headline figures against the months before, what must not wait, the months' table."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, Final

import pandas as pd
import pyarrow as pa

from fleetbrake.core.vocabulary import PRIORITIES
from fleetbrake.reports import look, reads
from fleetbrake.reports.measures import Measures
from fleetbrake.reports.month_reads import LEVEL, loose_words, other_events
from fleetbrake.reports.monthly.month_change import Change, change
from fleetbrake.reports.monthly.month_data import MonthFigures
from fleetbrake.reports.monthly.month_pdf_parts import (
    FEW_EVENTS,
    HEADS,
    Part,
    Row,
    counted,
    day,
    is_missing,
    joined,
    name,
    rate,
    records,
    thousand,
)
from fleetbrake.reports.monthly.month_pdf_parts_records import gone_silent
from fleetbrake.reports.source import nullable_frame
from fleetbrake.scoring.rates import exact_interval

#: Vehicles named on the first page.
MOST_URGENT: Final = 6
#: Vehicles named in one of the sentences below them.
MOST_NAMED: Final = 5
#: Age from which on an open flag is told on the first page (d).
LATE_DAYS: Final = 30
_LOCKUPS: Final = "lockups_above_cutoff"


def month_name(month: str) -> str:
    """``2026-01`` as January 2026."""
    return f"{pd.Period(month, freq='M').strftime('%B %Y')}"


def trend_rows(fleet_months: pa.Table, measure: str) -> pd.DataFrame:
    """Rows of one measure as :func:`fleetbrake.reports.charts.month_trend` takes them, in the order of months, from
    the first month with recordings on.

    Rates where kilometres are known in any of the months, else counts with their own exact interval. Two columns more:
    ``exposure`` (kilometres, else applications observed) and ``on_exposure`` (events of the class on it).
    """
    table = nullable_frame(fleet_months)
    rows = table[table["measure"] == measure].sort_values("month").reset_index(drop=True)
    held = rows["events"].fillna(0).to_numpy(dtype=float) > 0
    rows = rows.iloc[int(held.argmax()) if held.any() else max(len(rows) - 1, 0) :].reset_index(drop=True)
    km = rows["observed_km"].astype("Float64")
    per_distance = bool((km.fillna(0.0) > 0).any())
    observed = (rows["events"] - rows["not_observed"]).astype("Float64")
    seen = observed.fillna(0.0) > 0
    counts = rows["counted"].astype("Float64").where(seen)
    low, high = exact_interval(counts.to_numpy(dtype=float, na_value=float("nan")), level=LEVEL)
    ends = ("rate_per_1000km", "rate_low_per_1000km", "rate_high_per_1000km")
    shown = [rows[c].astype("Float64") for c in ends] if per_distance else [counts, pd.Series(low), pd.Series(high)]
    told = dict(zip(("value", "low", "high"), shown, strict=True))
    return rows.rename(columns={"not_observed": "unknown", "counted": "count", "observed_km": "km"}).assign(
        **{key: column.astype(float) for key, column in told.items()},
        per_distance=per_distance,
        exposure=(km if per_distance else observed).astype(float),
        on_exposure=(rows["rate_counted"].astype("Float64") if per_distance else counts).astype(float),
    )


def headlines(tables: Mapping[str, pa.Table], measures: Measures) -> list[Part]:
    """One block a measure: the month's figure with its interval, what changed, what could not be observed."""
    told = [_headline(trend_rows(tables["fleet_months"], measure), measure, measures) for measure in HEADS]
    for block, measure in zip(told, HEADS, strict=True):
        block["apart"] = on_loose_ground(tables["month_rates"]) if measure == _LOCKUPS else ""
    return told


def on_loose_ground(month_rates: pa.Table) -> str:
    """How many of the month's lockups above the cut-off speed say nothing of a vehicle; empty without a lockup."""
    rows = [row for row in month_rates.to_pylist() if row["measure"] == _LOCKUPS]
    every = sum(row["counted"] or 0 for row in rows if row["dimension"] == "fleet")
    loose = sum(row["counted"] or 0 for row in rows if row["dimension"] == "surface" and row["part"] == "loose")
    return loose_words(every, loose)


def _headline(rows: pd.DataFrame, measure: str, measures: Measures) -> Part:
    row = records(rows.tail(1))[0] if len(rows) else {}
    told = {
        "name": HEADS[measure],
        "picture": f"trend-{measure}.svg",
        "value": look.MISSING,
        "unit": "",
        "interval": "",
    }
    if not row or is_missing(row["events"]):
        return {**told, "counted": "no recordings in the month", "change": "", "open": ""}
    if not is_missing(row["rate_per_1000km"]):
        value, _, interval = rate(row, measures).partition(" (")
        said = f"{look.whole(row['rate_counted'])} on {measures.text('distance', row['km'])}"
        told |= {"value": value, "unit": measures.label("per_distance"), "interval": interval.rstrip(")")}
    elif not is_missing(row["value"]) and not row["per_distance"]:
        said = "counted; no distance is known"
        told |= {"value": look.whole(row["value"]), "unit": "in the month"}
        told["interval"] = f"{look.number(row['low'])} to {look.number(row['high'])}"
    else:
        nothing = row["unknown"] >= row["events"]
        said = (
            "none of it could be observed" if nothing else f"{look.whole(row['count'])} counted; no distance is known"
        )
    return {
        **told,
        "counted": said,
        "change": change_words(change(rows), row["per_distance"]),
        "open": f"not observed in {look.whole(row['unknown'])} of {look.whole(row['events'])} applications",
    }


def change_words(told: Change, per_distance: bool = True) -> str:
    """What a change says, in a sentence; chance is said to be chance. Where no distance is known (``per_distance``
    false) the rates compared are those per brake application observed."""
    months = "the month" if told.months == 1 else f"the {told.months} months"
    if not told.months:
        return "No month before to compare with."
    if told.ratio is None or told.low is None or told.high is None:
        return f"None in {months} before." if told.before == 0 and told.low is not None else ""
    per = "" if per_distance else "per application "
    interval = f"{look.number(told.ratio, 2)} times the rate {per}of {months} before ({look.number(told.low, 2)} to "
    interval += f"{look.number(told.high, 2)})"
    if told.low <= 1.0 <= told.high:
        few = "; few events" if told.before < FEW_EVENTS else ""
        return f"No clear change: {interval}{few}."
    return f"{'Higher' if told.ratio > 1 else 'Lower'}: {interval}."


def months_table(fleet_months: pa.Table, measures: Measures) -> Part:
    """A row a month with all three measures, newest first; a month without recordings says so."""
    by_measure = {measure: records(trend_rows(fleet_months, measure)) for measure in HEADS}
    lines = zip(*by_measure.values(), strict=True)
    rows = [_month_row(dict(zip(HEADS, line, strict=True)), measures) for line in lines]
    return {"per": thousand(measures), "heads": list(HEADS.values()), "rows": rows[::-1]}


def _month_row(of_month: dict[str, Row], measures: Measures) -> Part:
    first = of_month["hard_stops"]
    if is_missing(first["events"]):
        return {"month": first["month"], "known": False, "vehicles": "", "events": "", "cells": []}
    return {
        "month": first["month"],
        "known": True,
        "vehicles": look.whole(first["vehicles"]),
        "events": look.whole(first["events"]),
        "cells": [_month_cell(row, measures) for row in of_month.values()],
    }


def _month_cell(row: Row, measures: Measures) -> Part:
    if is_missing(row["rate_per_1000km"]):
        seen = row["unknown"] < row["events"]
        return {"rate": f"{look.whole(row['count'])} counted" if seen else "not observed", "count": ""}
    return {"rate": rate(row, measures), "count": look.whole(row["rate_counted"])}


def fleet_strip(health: pd.DataFrame) -> list[Part]:
    """How many vehicles have each priority, most urgent first, and their part of the strip (0 to 1)."""
    counts = health["priority"].value_counts() if len(health) else pd.Series(dtype=int)
    total = max(int(counts.sum()), 1)
    return [
        {
            "count": look.whole(counts.get(code, 0)),
            "words": look.priority_text(code),
            "part": round(float(counts.get(code, 0)) / total, 4),
            "colour": look.HOW_SOON[code],
        }
        for code in PRIORITIES
    ]


def urgent(health: pd.DataFrame, row_of: Any) -> Part:
    """Vehicles that must not wait, as rows of the vehicle list (``row_of``), and how many more there are."""
    rows = [row for row in records(health) if row["priority"] == "before_next_trip"]
    left = len(rows) - MOST_URGENT
    return {
        "rows": [row_of(row) for row in rows[:MOST_URGENT]],
        "more": f"and {left:,} more: see the list of vehicles" if left > 0 else "",
    }


def also(health: pd.DataFrame, tables: Mapping[str, pa.Table]) -> list[str]:
    """Further things that somebody has to act on, one short sentence each with the first vehicles that it is about;
    only those that are there."""
    every = records(health)
    overdue = [row["vehicle_id"] for row in every if reads.overdue(row)]
    told = [row["vehicle_id"] for row in every if isinstance(row["open_report"], str) and row["open_report"]]
    silent = [row["vehicle_id"] for row in gone_silent(tables["month_silence"])]
    flags = sorted(tables["open_flags"].to_pylist(), key=lambda row: (-(row["age_days"] or 0), row["vehicle_id"]))
    late = [row["vehicle_id"] for row in flags if (row["age_days"] or 0) > LATE_DAYS]
    said = (
        (overdue, counted(len(overdue), "vehicle is", "vehicles are") + " past a statutory date"),
        (
            told,
            counted(len(told), "vehicle has", "vehicles have") + " an open report by a person or a lit warning lamp",
        ),
        (late, counted(len(late), "flag has", "flags have") + f" been open for more than {LATE_DAYS} days"),
        (
            silent,
            counted(len(silent), "vehicle has", "vehicles have") + " gone silent: nothing new is known of the brakes",
        ),
    )
    return [f"{sentence}: {_named(of)}" for of, sentence in said if of] + _files_lost(tables["ingest_log"])


def _named(vehicles: Sequence[str]) -> str:
    """The first vehicles of a list, each once."""
    each = list(dict.fromkeys(vehicles))
    more = f" and {len(each) - MOST_NAMED:,} more" if len(each) > MOST_NAMED else ""
    return " · ".join(name(vehicle) for vehicle in each[:MOST_NAMED]) + more


def _files_lost(log: pa.Table) -> list[str]:
    status = log["status"].to_pylist()
    rejected, partly = (sum(s == kind for s in status) for kind in ("rejected", "partly_loaded"))
    if not rejected + partly:
        return []
    files = counted(rejected, "recording file was", "recording files were")
    return [f"{files} rejected, {look.whole(partly)} loaded in part"]


def subtitle(figures: MonthFigures, scored_on: date | None) -> str:
    """Of which fleet and scores the report is."""
    fleet = (
        f"{counted(figures.vehicles, 'vehicle', 'vehicles')} with recordings",
        f"{counted(figures.drivers, 'driver', 'drivers')} named in them",
        f"{counted(figures.events, 'brake application', 'brake applications')}{other_events(figures.not_braking)}",
    )
    scores = f"scores as of {day(scored_on)}" if scored_on else "not scored"
    return joined([*fleet, scores, "UTC"])

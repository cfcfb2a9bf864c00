"""Drivers in the month's PDF: scores with the span that they look back over, beside what the month itself had."""

from collections.abc import Mapping
from datetime import date
from typing import Final

import pandas as pd
import pyarrow as pa

from fleetbrake.core.vocabulary import DRIVER_CAUTION
from fleetbrake.reports import look
from fleetbrake.reports.driver_words import note, rate_text
from fleetbrake.reports.measures import Measures
from fleetbrake.reports.monthly.month_pdf_parts import (
    Part,
    Row,
    counted,
    day,
    first_of,
    is_missing,
    joined,
    line,
    name,
    records,
    short,
)
from fleetbrake.reports.source import nullable_frame

#: Drivers, drivers with their note, ids of those without a score (own choice: what fits and matters).
MOST_DRIVERS, MOST_NOTES, MOST_IDS = 20, 6, 48
#: Letters of a note: longer than other texts, since it holds every figure that it explains.
_MOST_LETTERS: Final = 700


def drivers(style: pa.Table, of_month: pa.Table, aliased: bool, measures: Measures) -> Part:
    """Drivers with a score in the order in which to talk to them, the first with the note on what the adjustment did;
    the others as a list of ids. ``style`` and ``of_month``: tables ``driver_style`` and ``month_drivers``."""
    every = nullable_frame(style).sort_values("rank", kind="stable")
    known = every["style_score"].notna()
    scored, unscored = every[known], every[~known]
    first = scored.head(MOST_DRIVERS)
    rates_of_all = first[["adjusted_high", "hard_stops_per_1000km"]].astype("Float64").max(axis=None)
    top = 0.0 if is_missing(rates_of_all) else float(rates_of_all)
    months: dict[str, Row] = {row["driver_id"]: row for row in of_month.to_pylist()}
    rows = [
        _driver(row, months.get(row["driver_id"], {}), place, top, measures) for place, row in enumerate(records(first))
    ]
    return {
        "rows": rows,
        "any": bool(len(every)),
        "span": f"scores of {span(of_month)}" if len(every) and span(of_month) else "",
        "heads": _heads(top, measures),
        "note": _note(len(rows), len(scored), aliased, measures),
        "open": _open(unscored, months),
    }


def span(of_month: pa.Table) -> str:
    """First and last application that the month's scores look back over; empty where nothing was scored."""
    known: list[tuple[date, date]] = [
        (row["evidence_from"], row["evidence_to"]) for row in of_month.to_pylist() if row["evidence_from"] is not None
    ]
    return f"{day(min(a for a, _ in known))} to {day(max(b for _, b in known))}" if known else ""


def _heads(top: float, measures: Measures) -> list[str]:
    on = f"hard stops on {measures.label('distance')}"
    return [
        "Rank",
        "Driver",
        "Score (interval)",
        f"Month: {on}",
        f"Span: {on}",
        "Rate as counted",
        "Rate adjusted (interval)",
        f"0 to {rate_text(top, measures)}" if top else "",
    ]


def _note(shown: int, scored: int, aliased: bool, measures: Measures) -> str:
    who = "Drivers appear under stable aliases." if aliased else "Personal data: for coaching only."
    read = (
        f"1 = talk to first. Scores and rates (hard stops {measures.label('per_distance')}, 90 % intervals) are of the "
        "whole span, not of the month; so is that of the fleet as a whole. The dashed mark is the rate as counted."
    )
    return joined([read if shown else "", who, DRIVER_CAUTION, first_of(shown, scored)], " ")


def _driver(row: Row, month: Mapping[str, object], place: int, top: float, measures: Measures) -> Part:
    adjusted = row["adjusted_hard_stops_per_1000km"]
    told = look.MISSING
    if not is_missing(adjusted):
        low, high = (rate_text(row[c], measures) for c in ("adjusted_low", "adjusted_high"))
        told = f"{rate_text(adjusted, measures)} ({low} to {high})"
    raw = row["hard_stops_per_1000km"]
    return {
        "rank": look.whole(row["rank"]),
        "driver": name(row["driver_id"]),
        "score": look.score(row["style_score"], row["score_low"], row["score_high"]),
        "month": _stops(month.get("hard_stops"), month.get("distance_km"), measures),
        "span": _stops(row["hard_stops"], row["distance_km"], measures),
        "raw": look.MISSING if is_missing(raw) else rate_text(raw, measures),
        "adjusted": told,
        "line": line(row["adjusted_low"], adjusted, row["adjusted_high"], top),
        "mark": None if is_missing(raw) or not top > 0 else round(min(float(raw) / top, 1.0), 4),
        "note": short(note(row, measures), _MOST_LETTERS) if place < MOST_NOTES else "",
    }


def _stops(stops: object, km: object, measures: Measures) -> str:
    """``3 on 1,249``; the number alone where no distance is known."""
    if is_missing(km):
        return look.whole(stops)
    return f"{look.whole(stops)} on {look.whole(measures.of('distance', km))}"


def _open(unscored: pd.DataFrame, months: Mapping[str, Row]) -> Part:
    """Drivers without a score: too little is known of them for a place in the order."""
    rows = sorted(records(unscored), key=lambda row: str(row["driver_id"]))
    stops = sum(int(months[row["driver_id"]]["hard_stops"]) for row in rows if row["driver_id"] in months)
    title = f"{counted(len(rows), 'driver', 'drivers')} with too little driving to say anything of"
    left = len(rows) - MOST_IDS
    return {
        "title": f"{title} ({counted(stops, 'hard stop', 'hard stops')} in the month)" if rows else "",
        "ids": [name(row["driver_id"]) for row in rows[:MOST_IDS]],
        "more": f"and {left:,} more" if left > 0 else "",
    }

"""Rates by part of the fleet, and the brakes' work in the month's PDF."""

import math
from typing import Final

import pandas as pd
import pyarrow as pa

from fleetbrake.reports import look
from fleetbrake.reports.driver_words import rate_text
from fleetbrake.reports.measures import Measures
from fleetbrake.reports.monthly.month_pdf_parts import (
    HEADS,
    Part,
    Row,
    counted,
    first_of,
    is_missing,
    joined,
    line,
    name,
    rate,
    records,
)
from fleetbrake.reports.source import nullable_frame

#: Parts of one split, vehicles by work (own choice: what fits and matters).
MOST_PARTS, MOST_WORKED = 12, 10
#: Splits of ``month_rates`` with their heads; "not known" stands for a part without a name.
SPLITS: Final = {"depot": "By depot", "category": "By category", "surface": "By road surface"}
_NO_NAME: Final = "not known"
_SURFACES: Final = (
    "over the distance of the whole fleet, so that the surfaces add up to it; a surface is told only where friction "
    "was used up, so most applications have none"
)
#: An interval reaches at most so many times the greatest rate of its column; a longer one gets an arrow (own choice).
_MOST_BEYOND: Final = 1.6


def rates(table: pa.Table, measures: Measures) -> Part:
    """All splits with a cell a measure; every column has one scale, so that parts and splits can be compared."""
    rows = nullable_frame(table)
    tops = {measure: _top(rows[rows["measure"] == measure]) for measure in HEADS}
    fleet = {row["measure"]: row for row in records(rows[rows["dimension"] == "fleet"])}
    splits = [_split(rows, key, tops, measures) for key in SPLITS]
    return {
        "heads": list(HEADS.values()),
        "scale": [f"0 to {rate_text(tops[m], measures)}" if tops[m] else "" for m in HEADS],
        "unit": measures.label("per_distance"),
        "fleet": [_cell(fleet.get(m), tops[m], measures) for m in HEADS],
        "marks": [_mark(fleet.get(m), tops[m]) for m in HEADS],
        "splits": [split for split in splits if split["rows"]],
    }


def _mark(row: Row | None, top: float) -> float | None:
    """Where the fleet's rate lies on a column's scale."""
    if row is None or is_missing(row["rate_per_1000km"]) or not top > 0:
        return None
    return round(min(float(row["rate_per_1000km"]) / top, 1.0), 4)


def _top(rows: pd.DataFrame) -> float:
    """The end of a column's scale: the longest interval, but no longer than the greatest rate needs."""
    known = rows[rows["rate_per_1000km"].notna()]
    if known.empty:
        return 0.0
    highest, reach = float(known["rate_per_1000km"].max()), float(known["rate_high_per_1000km"].max())
    return min(reach, _MOST_BEYOND * highest) if highest > 0 else reach


def _split(rows: pd.DataFrame, key: str, tops: dict[str, float], measures: Measures) -> Part:
    mine = rows[rows["dimension"] == key]
    events = mine[mine["measure"] == "hard_stops"][["part", "vehicles", "events"]]
    told = events.assign(order=events["part"].fillna("￿"))
    first = told.sort_values(["events", "order"], ascending=[False, True]).head(MOST_PARTS).sort_values("order")
    cells = {(_key(row["part"]), row["measure"]): row for row in records(mine)}
    listed = [
        {
            "part": _part_name(key, row["part"]),
            "size": joined(
                [
                    counted(row["events"], "application", "applications"),
                    "" if is_missing(row["vehicles"]) else counted(row["vehicles"], "vehicle", "vehicles"),
                ]
            ),
            "cells": [_cell(cells.get((_key(row["part"]), m)), tops[m], measures) for m in HEADS],
        }
        for row in records(first)
    ]
    surface = key == "surface"
    return {
        "title": SPLITS[key],
        "note": joined([_SURFACES if surface else "", first_of(len(listed), len(told))]),
        "marked": not surface,
        "rows": listed,
    }


def _key(part: object) -> str | None:
    return None if is_missing(part) else str(part)


def _part_name(key: str, part: object) -> str:
    if is_missing(part):
        return _NO_NAME
    return look.SURFACE_TEXT.get(str(part), name(part)) if key == "surface" else name(part)


def _cell(row: Row | None, top: float, measures: Measures) -> Part:
    """One measure of one part: rate, interval as a line, what it rests on, what could not be observed."""
    if row is None or is_missing(row["events"]):
        return {"rate": look.MISSING, "line": None, "rests": ""}
    unseen = int(row["not_observed"]) if not is_missing(row["not_observed"]) else 0
    if unseen >= int(row["events"]):
        return {"rate": "not observed", "line": None, "rests": f"in none of {look.whole(row['events'])}"}
    open_part = f"{look.whole(unseen)} not observed" if unseen else ""
    if is_missing(row["rate_per_1000km"]):
        return {"rate": f"{look.whole(row['counted'])} counted", "line": None, "rests": joined([_NO_KM, open_part])}
    rests = f"{look.whole(row['rate_counted'])} on {measures.text('distance', row['observed_km'])}"
    drawn = line(row["rate_low_per_1000km"], row["rate_per_1000km"], row["rate_high_per_1000km"], top)
    return {"rate": rate(row, measures), "line": drawn, "rests": joined([rests, open_part])}


_NO_KM: Final = "no distance known"


def work(table: pa.Table, measures: Measures) -> Part:
    """The brakes' work: the fleet, by category and depot, and the vehicles whose friction brakes did most of it."""
    rows = nullable_frame(table)
    told = rows[rows["friction_brake_kj"].notna()].sort_values(
        ["friction_brake_kj", "vehicle_id"], ascending=[False, True]
    )
    top = float(told["friction_brake_kj"].iloc[0]) if len(told) else 0.0
    return {
        "parts": _work_parts(rows, measures) if len(rows) else [],
        "vehicles": [_worked(row, top, measures) for row in records(told.head(MOST_WORKED))],
        "note": first_of(min(len(told), MOST_WORKED), len(told)),
        "unit": measures.label("work"),
        "each": measures.label("energy"),
        "open": _untold(rows),
    }


def _work_parts(rows: pd.DataFrame, measures: Measures) -> list[Part]:
    """The fleet, then its categories and depots; the first row of each group has the group's head."""
    told = [{**_work_row("Whole fleet", rows, measures), "head": ""}]
    for column in ("category", "depot"):
        named = rows.assign(part=rows[column].fillna(_NO_NAME))
        sizes = named.groupby("part", as_index=False)["events"].sum()
        first = sizes.sort_values(["events", "part"], ascending=[False, True]).head(MOST_PARTS)["part"]
        for place, part in enumerate(sorted(first)):
            row = _work_row(name(part), named[named["part"] == part], measures)
            told.append({**row, "head": SPLITS[column] if place == 0 else ""})
    return told


def _sum(frame: pd.DataFrame, column: str) -> float | None:
    """The sum of what is known; None where nothing is. Summed exactly, so that no order of rows shows in it."""
    known = frame[column].dropna()
    return math.fsum(float(v) for v in known) if len(known) else None


def _work_row(part: str, frame: pd.DataFrame, measures: Measures) -> Part:
    """Sums of one part. Standard errors of vehicles are added as they are: they share the assumptions on drag."""
    energy, friction = _sum(frame, "brake_energy_kj"), _sum(frame, "friction_brake_kj")
    events, with_energy, with_friction = (_sum(frame, c) or 0.0 for c in ("events", "energy_events", "friction_events"))
    return {
        "part": part,
        "events": look.whole(events),
        "known": f"{look.whole(with_energy)}",
        "energy": _number(energy, "work", measures),
        "each": _number(None if energy is None or not with_energy else energy / with_energy, "energy", measures),
        "friction_events": look.whole(with_friction),
        "friction": _number(friction, "work", measures),
        "se": _number(_sum(frame, "friction_brake_se_kj"), "work", measures),
        "regen": _number(_sum(frame, "regen_kj"), "work", measures),
    }


def _number(value: float | None, quantity: str, measures: Measures) -> str:
    """The figure without its unit, which stands in the head."""
    return look.number(None if value is None else measures.of(quantity, value), measures.unit(quantity).digits)


def _worked(row: Row, top: float, measures: Measures) -> Part:
    done, se = float(row["friction_brake_kj"]), row["friction_brake_se_kj"]
    events = float(row["friction_events"])
    doubt = 0.0 if is_missing(se) else float(se)
    return {
        "vehicle": name(row["vehicle_id"]),
        "depot": joined([name(row["depot"]), name(row["category"])]),
        "friction": _number(done, "work", measures),
        "se": _number(None if is_missing(se) else doubt, "work", measures),
        "each": _number(done / events if events else None, "energy", measures),
        "events": f"{look.whole(events)} of {look.whole(row['events'])}",
        "line": line(max(done - doubt, 0.0), done, done + doubt, 1.15 * top),
    }


def _untold(rows: pd.DataFrame) -> str:
    """How many events have no figure of their energy."""
    events, energy, friction = (int(_sum(rows, c) or 0) for c in ("events", "energy_events", "friction_events"))
    if not events:
        return ""
    return (
        f"Of {events:,} events {events - energy:,} have no energy (no mass was recorded, or the speed is not "
        f"known), and {events - friction:,} no word on the friction brakes' part (no mass or category; or a retarder "
        "or recuperation that the register names and the recording does not show). They are in no sum: a vehicle "
        "with few known events did more than stands here."
    )

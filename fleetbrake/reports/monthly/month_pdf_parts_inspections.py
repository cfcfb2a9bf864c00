"""Inspections in the month's PDF: what they found against what was predicted before them."""

from typing import Final

import pyarrow as pa

from fleetbrake.core.vocabulary import SEVERITY_TEXT, wheel_words
from fleetbrake.reports import look
from fleetbrake.reports.monthly.month_hits import FEW
from fleetbrake.reports.monthly.month_pdf_parts import (
    Part,
    Row,
    day,
    findings,
    first_of,
    is_missing,
    joined,
    line,
    name,
    positions,
    records,
    share,
    short,
)
from fleetbrake.reports.source import nullable_frame

#: Inspections listed (own choice: a page).
MOST_INSPECTIONS: Final = 15
#: Figures of ``hit_rate`` in words, and whether they are part of the one above.
_FIGURES: Final = {
    "inspected": ("Inspections that found a defect that needs repair", False),
    "flagged": ("Flagged by the recordings before, and a defect was found", False),
    "not_flagged": ("Not flagged, but a defect was found: missed", False),
    "not_flagged_watched": ("of those on watch only", True),
    "not_flagged_no_sign": ("of those without any sign", True),
    "not_flagged_too_little_evidence": ("of those with too little evidence for a score", True),
    "defects_flagged": ("Defects that nobody knew of, and the recordings had flagged them", False),
    "right_indicator": ("Flagged with a defect, and it was the kind of defect named", False),
    "right_wheel": ("Flagged with a defect, and it was at the wheel named", False),
    "known_before": ("Asked for only by what people had found or reported: with a defect, no merit of the tool", False),
    "not_predicted": ("Without a score from before: with a defect, neither hit nor miss", False),
    "result_not_told": ("Entries that do not say what was found: in no other figure", False),
}
#: Figures that stand in the list even where no inspection speaks for them.
_ALWAYS: Final = ("inspected", "flagged", "not_flagged", "defects_flagged")
#: Flagged before, found: place in the list and verdict.
_VERDICTS: Final = {
    (False, True): (0, "missed: a defect without a flag"),
    (True, False): (1, "flagged, no defect found"),
    (True, True): (2, "flagged, and a defect found"),
    (False, False): (4, "not flagged, no defect found"),
}


def inspections(hits: pa.Table, outcomes: pa.Table, month: str) -> Part:
    """What inspections found beside what was predicted: shares of the month and of twelve months, the month's rows."""
    rows = records(nullable_frame(hits))
    figures = list(dict.fromkeys(str(row["figure"]) for row in rows))
    by_place = {(row["figure"], row["span"]): row for row in rows}
    told = records(nullable_frame(outcomes))
    # most telling first: what was missed, what was flagged in vain, then what was right
    told.sort(key=lambda row: (_verdict(row)[0], str(row["inspected_on"]), str(row["vehicle_id"])))
    return {
        "spans": [month, "twelve months to then"],
        "shares": [_share_row(f, by_place) for f in figures if f in _ALWAYS or _any(f, by_place)],
        "rows": [_outcome(row) for row in told[:MOST_INSPECTIONS]],
        "note": joined(["Most telling first.", first_of(min(len(told), MOST_INSPECTIONS), len(told))], " ")
        if told
        else "No inspection of this month is in the registers.",
    }


def _any(figure: str, by_place: dict[tuple[str, str], Row]) -> bool:
    """Whether the figure rests on any inspection."""
    rows = (by_place.get((figure, span)) for span in ("month", "last_12_months"))
    return any(row is not None and not is_missing(row["inspected"]) and int(row["inspected"]) > 0 for row in rows)


def _share_row(figure: str, by_place: dict[tuple[str, str], Row]) -> Part:
    cells = [by_place.get((figure, span)) for span in ("month", "last_12_months")]
    words, part = _FIGURES.get(figure, (figure.replace("_", " "), False))
    counts = figure == "result_not_told"
    return {
        "meaning": words,
        "part": part,
        "cells": [_count_cell(row) if counts else _share_cell(row) for row in cells],
    }


def _count_cell(row: Row | None) -> Part:
    """A figure that is a mere number of inspections."""
    number = 0 if row is None or is_missing(row["inspected"]) else row["inspected"]
    return {"of": look.whole(number), "share": "", "few": "", "line": None}


def _share_cell(row: Row | None) -> Part:
    """``3 of 4``, the share with its interval, and a word where that rests on few inspections."""
    if row is None or is_missing(row["inspected"]) or not int(row["inspected"]):
        return {"of": "none", "share": "", "few": "", "line": None}
    inspected = int(row["inspected"])
    return {
        "of": f"{look.whole(row['found'])} of {inspected:,}",
        "share": share(row) if not is_missing(row["share"]) else "",
        "few": "few: says hardly anything" if inspected < FEW else "",
        "line": line(row["share_low"], row["share"], row["share_high"], 1.0),
    }


def _verdict(row: Row) -> tuple[int, str]:
    """Where an inspection stands in the list, and what it says of the prediction."""
    if is_missing(row["flagged"]):
        why = row["not_predicted"]
        return 6, joined(["not predicted", why if isinstance(why, str) else ""], ": ")
    if is_missing(row["found"]):
        return 7, "the register does not say clearly what was found"
    if not is_missing(row["known_before"]) and row["known_before"]:
        return 5, "known before: reported or found by people, so no prediction"
    place, said = _VERDICTS[bool(row["flagged"]), bool(row["found"])]
    parts = (("right_wheel", "wheel"), ("right_indicator", "kind of defect"))
    named = [f"{word} {'right' if row[c] else 'wrong'}" for c, word in parts if not is_missing(row[c])]
    return place, joined([said, *named], "; ")


def _outcome(row: Row) -> Part:
    severity = "" if is_missing(row["severity"]) else SEVERITY_TEXT[min(max(int(row["severity"]), 0), 3)]
    what = [findings(row["defects"]), positions(row["wheels"])]
    nothing = "nothing that needs repair" if not is_missing(row["found"]) and not row["found"] else look.MISSING
    found = joined([*what, severity if any(what) or severity not in ("", "none") else ""])
    scored = not is_missing(row["predicted_as_of"])
    return {
        "vehicle": name(row["vehicle_id"]),
        "on": day(row["inspected_on"]),
        "verdict": _verdict(row)[1],
        "found": short(found) if found else nothing,
        "predicted": short(_predicted(row)) if scored else look.MISSING,
        "as_of": _predicted_on(row) if scored else "",
    }


def _predicted(row: Row) -> str:
    code = row["predicted_indicator"]
    named = look.indicator_text(code) if isinstance(code, str) else ""
    return joined([look.priority_text(row["predicted_priority"]), named, wheel_words(row["predicted_wheel"])])


def _predicted_on(row: Row) -> str:
    scores = f"scores of {day(row['predicted_as_of'])}"
    if is_missing(row["predicted_rank"]):
        return scores
    return f"rank {look.whole(row['predicted_rank'])} of {look.whole(row['fleet_vehicles'])}, {scores}"

"""Inspections in the month's PDF: what they found against what was predicted before them."""

from typing import Final

import pyarrow as pa

from fleetbrake.core.vocabulary import SEVERITY_TEXT, wheel_words
from fleetbrake.reports import look
from fleetbrake.reports.monthly.month_hits import FEW
from fleetbrake.reports.monthly.month_pdf_parts import (
    Part,
    Row,
    counted,
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
    "flagged_known": ("of those on which something reported or found was open too", True),
    "flagged_minor": ("of those without such a defect: a minor finding of the kind named, needs no repair", True),
    "not_flagged": ("Not flagged, but a defect was found: missed", False),
    "not_flagged_watched": ("of those on watch only", True),
    "not_flagged_no_sign": ("of those without any sign", True),
    "not_flagged_too_little_evidence": ("of those with too little evidence for a score", True),
    "defects_flagged": ("Defects that nobody knew of, and the recordings had flagged them", False),
    "right_indicator": ("Flagged with a defect, and it was the kind of defect named", False),
    "right_wheel": ("Flagged with a defect, and it was at the wheel named", False),
    "known_before": ("Not flagged, but reported or found by people: with a defect, no merit of the tool", False),
    "afterwards_flagged": ("No prediction: scores worked out afterwards flag it, and a defect was found", False),
    "afterwards_not_flagged": ("No prediction: scores worked out afterwards do not flag it, and one was found", False),
    "not_predicted": ("Without a score from before: with a defect, neither hit nor miss", False),
    "result_not_told": ("Entries that do not say what was found: in no other figure", False),
    "not_judged": ("On file and not judged yet (run `fleetbrake score`): in no other figure", False),
}
#: Figures that are mere numbers of inspections.
_COUNTS: Final = ("result_not_told", "not_judged")
#: Figures that stand in the list even where no inspection speaks for them.
_ALWAYS: Final = ("inspected", "flagged", "not_flagged", "defects_flagged")
#: Flagged before, found: place in the list and verdict.
_MINOR: Final = "flagged, and a minor finding of that kind, which needs no repair"
_AFTERWARDS: Final = "no prediction, worked out afterwards"
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
        "note": _list_note(len(told), by_place.get(("not_judged", "month"))),
    }


def _list_note(told: int, waiting: Row | None) -> str:
    """How the list is ordered, and what is on file and not in it."""
    count = 0 if waiting is None or is_missing(waiting["inspected"]) else int(waiting["inspected"])
    on_file = f"{counted(count, 'inspection', 'inspections')} on file not judged yet: run `fleetbrake score`."
    if told:
        order = ["Most telling first.", first_of(min(told, MOST_INSPECTIONS), told)]
        return joined([*order, on_file if count else ""], " ")
    return on_file if count else "No inspection of this month is in the registers."


def _any(figure: str, by_place: dict[tuple[str, str], Row]) -> bool:
    """Whether the figure rests on any inspection."""
    rows = (by_place.get((figure, span)) for span in ("month", "last_12_months"))
    return any(row is not None and not is_missing(row["inspected"]) and int(row["inspected"]) > 0 for row in rows)


def _share_row(figure: str, by_place: dict[tuple[str, str], Row]) -> Part:
    cells = [by_place.get((figure, span)) for span in ("month", "last_12_months")]
    words, part = _FIGURES.get(figure, (figure.replace("_", " "), False))
    counts = figure in _COUNTS
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
        return 20, joined(["not predicted", why if isinstance(why, str) else ""], ": ")
    if is_missing(row["found"]):
        return 21, "the register does not say clearly what was found"
    place, said = _verdict_on(row)
    return (place, said) if _holds(row, "made_before") else (10 + place, f"{_AFTERWARDS}: {said}")


def _verdict_on(row: Row) -> tuple[int, str]:
    """The verdict on a score, whenever it was made."""
    flagged, known = bool(row["flagged"]), _holds(row, "known_before")
    if known and not flagged:
        return 5, "known before: reported or found by people, so no prediction"
    place, said = _VERDICTS[flagged, bool(row["found"])]
    if _holds(row, "minor_same_kind"):
        place, said = 3, _MINOR
    parts = (("right_wheel", "wheel"), ("right_indicator", "kind of defect"))
    named = [f"{word} {'right' if row[c] else 'wrong'}" for c, word in parts if not is_missing(row[c])]
    return place, joined([said, *named, "reported or found by people too" if known else ""], "; ")


def _holds(row: Row, column: str) -> bool:
    return not is_missing(row[column]) and bool(row[column])


def _outcome(row: Row) -> Part:
    severity = "" if is_missing(row["severity"]) else SEVERITY_TEXT[min(max(int(row["severity"]), 0), 3)]
    what = [findings(row["defects"]), positions(row["wheels"])]
    nothing = "nothing that needs repair" if not is_missing(row["found"]) and not row["found"] else look.MISSING
    minor = joined([findings(row["minor"]), positions(row["minor_wheels"])])
    found = joined([*what, severity if any(what) or severity not in ("", "none", "minor") else ""]) or nothing
    scored = not is_missing(row["predicted_as_of"])
    return {
        "vehicle": name(row["vehicle_id"]),
        "on": day(row["inspected_on"]),
        "verdict": _verdict(row)[1],
        "found": short(joined([found, f"minor: {minor}" if minor else ""], "; ")),
        "predicted": short(_predicted(row)) if scored else look.MISSING,
        "as_of": _predicted_on(row) if scored else "",
    }


def _predicted(row: Row) -> str:
    code = row["predicted_indicator"]
    named = look.indicator_text(code) if isinstance(code, str) else ""
    return joined([look.priority_text(row["predicted_priority"]), named, wheel_words(row["predicted_wheel"])])


def _predicted_on(row: Row) -> str:
    made = "" if is_missing(row["predicted_made_on"]) else day(row["predicted_made_on"])
    worked_out = f", {'made' if _holds(row, 'made_before') else 'worked out'} {made}" if made else ""
    scores = f"scores of {day(row['predicted_as_of'])}{worked_out}"
    if is_missing(row["predicted_rank"]):
        return scores
    return f"rank {look.whole(row['predicted_rank'])} of {look.whole(row['fleet_vehicles'])}, {scores}"

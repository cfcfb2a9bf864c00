"""Vehicles in the month's PDF: those to inspect, the others as short lists, the flags that stay open."""

import re
from collections import Counter
from typing import Final

import pandas as pd
import pyarrow as pa

from fleetbrake.reports import look, reads
from fleetbrake.reports.measures import Measures
from fleetbrake.reports.measures_text import in_units
from fleetbrake.reports.monthly.month_pdf_parts import (
    Part,
    Row,
    counted,
    day,
    days_in_words,
    first_of,
    is_missing,
    joined,
    line,
    name,
    position,
    records,
    short,
)
from fleetbrake.reports.source import nullable_frame

#: Rows of each list and ids of one short list: own choice, so that any fleet fits a dozen pages.
MOST_VEHICLES, MOST_FLAGS, MOST_IDS = 40, 15, 48
#: Ages of open flags that are counted (d).
AGES: Final = (7, 14, 30)
#: From here on a sentence holds what somebody reported: figures in it stay as they were written.
_REPORTED: Final = re.compile(r"((?:an )?open report\b.*)", re.IGNORECASE | re.DOTALL)
#: Days that the sentence itself sets beside what somebody reported.
_OUR_DAYS: Final = re.compile(r"(?:open report of|warning lamp on) [0-9-]{10}")
#: A flag that stood on the day of the report may have been closed since.
_STATES: Final = {"closed": "closed since then"}
_OTHERS: Final = "others"
_TRAILERS: Final = "trailers"
_LISTS: Final = (
    (
        "Trailers without brake events of their own and without a finding from the units that tow them, by their dates",
        _TRAILERS,
    ),
    ("Too little evidence for a score: nothing is known, neither good nor bad", "little"),
    ("No sign found in what was recorded: not cleared, and due for their inspections as ever", "no_sign"),
)


def to_inspect(listed: pa.Table, health: pd.DataFrame, measures: Measures) -> Part:
    """Vehicles of the table ``to_inspect``, by priority and then by rank; the others as short lists of ids."""
    every, among = records(health), set(listed["vehicle_id"].to_pylist())
    seen = sorted(records(nullable_frame(listed)), key=lambda row: (_place(row), row["rank"]))
    shown = seen[:MOST_VEHICLES]
    left: dict[str, list[Row]] = {kind: [] for _, kind in _LISTS}
    for row in every:
        if row["vehicle_id"] not in among:
            left[_kind(row)].append(row)
    sizes = Counter(_group(row) for row in seen)
    return {
        "groups": [
            {**_head(code, sizes[code]), "rows": [vehicle(row, measures) for row in shown if _group(row) == code]}
            for code in (*reads.FLAGGED, _OTHERS)
            if any(_group(row) == code for row in shown)
        ],
        "note": _list_note(len(shown), len(seen), len(every)),
        "others": [_ids(title, left[kind], kind == _TRAILERS) for title, kind in _LISTS if left[kind]],
    }


def _list_note(shown: int, seen: int, every: int) -> str:
    if not seen:
        return "No vehicle is flagged, past its date, planned or has an open report."
    order = f"{counted(seen, 'vehicle', 'vehicles')} of {every:,}, in the order in which to look at them."
    return joined([order, "Scores run from 0 to 100 (nothing found).", first_of(shown, seen)], " ")


def _group(row: Row) -> str:
    code = str(row["priority"])
    return code if code in reads.FLAGGED else _OTHERS


def _place(row: Row) -> int:
    return (*reads.FLAGGED, _OTHERS).index(_group(row))


def _head(code: str, size: int) -> Part:
    """The head of a group of the list: colour, words, how many vehicles it has."""
    words = look.priority_text(code) if code != _OTHERS else "without a sign in the recordings: for a date or by lot"
    return {"colour": look.HOW_SOON.get(code, look.HOW_SOON["no_sign"]), "words": words, "count": look.whole(size)}


def _kind(row: Row) -> str:
    if row["priority"] == "no_sign":
        return "no_sign"
    return _TRAILERS if reads.judged_by_date_only(row) else "little"


def vehicle(row: Row, measures: Measures) -> Part:
    """One vehicle: where it is, why and at which wheel, score with interval, due and planned days."""
    events = "" if reads.judged_by_date_only(row) else f"{look.whole(row['events_used'])} applications looked at"
    where = position(row["suspect_wheel"])
    why = reason(row, measures)
    told = isinstance(row["open_report"], str) and row["open_report"] and not _REPORTED.search(why)
    late = reads.overdue(row)
    return {
        "rank": look.whole(row["rank"]),
        "vehicle": name(row["vehicle_id"]),
        "depot": joined([name(row["depot"]), name(row["category"])]),
        "where": where[:1].upper() + where[1:],
        "reason": short(why),
        "visit": _visit(row),
        "events": events,
        "report": short(f"Reported: {row['open_report']}") if told else "",
        "score": look.score(row["health_score"], row["score_low"], row["score_high"]),
        "line": line(row["score_low"], row["health_score"], row["score_high"], 100.0),
        "due": "" if is_missing(row["inspection_due_on"]) else f"due {day(row['inspection_due_on'])}",
        "overdue": f"overdue since {day(row['inspection_due_on'])}" if late else "",
        "planned": _planned(row),
    }


def _visit(row: Row) -> str:
    """Why a vehicle is in the plan besides what its recordings show."""
    if not is_missing(row["drawn"]) and row["drawn"]:
        return "Drawn by lot, so that scores can be checked against what is found."
    if not isinstance(row["statutory"], str) or not row["statutory"]:
        return ""
    kinds = name(row["statutory"].replace("+", " and "))
    due = "" if is_missing(row["due_on"]) else f", due {day(row['due_on'])}"
    return f"Statutory: {kinds}{due}."


def _planned(row: Row) -> str:
    if not is_missing(row["planned_on"]):
        return f"planned {day(row['planned_on'])}"
    held = "" if is_missing(row["held_on"]) else f"; bay kept {day(row['held_on'])}"
    return f"must not wait{held}" if row["priority"] == "before_next_trip" else "no day planned"


def reason(row: Row, measures: Measures) -> str:
    """The reason in the units of reading, days as the document has them; what a person reported in it stays as it was
    written."""
    ours, *reported = _REPORTED.split(reads.reason_of(row), maxsplit=1)
    return days_in_words(in_units(measures, ours)) + _OUR_DAYS.sub(lambda d: days_in_words(d[0]), "".join(reported))


def _ids(title: str, rows: list[Row], dated: bool) -> Part:
    """A short list: how many, the first ids by rank, how many more; ``dated``: those due first first, with the day."""
    if dated:
        rows = sorted(rows, key=lambda row: str(row["inspection_due_on"]))
    left = len(rows) - MOST_IDS
    return {
        "title": f"{title}: {len(rows):,}",
        "ids": [name(row["vehicle_id"]) + (_due(row) if dated else "") for row in rows[:MOST_IDS]],
        "more": f"and {left:,} more" if left > 0 else "",
    }


def _due(row: Row) -> str:
    known = not is_missing(row["inspection_due_on"])
    return f", due {day(row['inspection_due_on'])}" if known else ", no date known"


def open_flags(table: pa.Table, health: pd.DataFrame) -> Part:
    """How many flags are older than a week, two weeks, a month; the oldest, by the sign where they are as old."""
    flags = nullable_frame(table)
    stand = flags[flags["age_days"].notna()].sort_values(
        ["age_days", "shown_since", "vehicle_id", "flag_id"], ascending=[False, True, True, True], na_position="last"
    )
    ages = stand["age_days"].astype(float)
    top = float(ages.max()) if len(ages) else 0.0
    rows = [_flag(row, max(top, 1.0)) for row in records(stand.head(MOST_FLAGS))]
    return {
        "rows": rows,
        "counts": [
            {"name": "open", "value": look.whole(len(stand))},
            *({"name": f"for more than {d} days", "value": look.whole((ages > d).sum())} for d in AGES),
        ],
        "note": joined([_flag_note(stand, bool(len(health))), first_of(len(rows), len(stand))], " "),
    }


def _flag_note(stand: pd.DataFrame, scored: bool) -> str:
    if stand.empty:
        return "No flag is open." if scored else "No flag is known: nothing was scored."
    first = stand["first_scored_on"].iloc[0]
    begun = "" if is_missing(first) else f" First scored on {day(first)}: no flag is older, but its sign may be."
    said = f"Age on {day(stand['told_on'].iloc[0])}.{begun} A flag stays open until an inspection answers it or a "
    return f"{said}planner closes it. Oldest first."


def _flag(row: Row, top: float) -> Part:
    decided = look.text(row["decision"]).replace("_", " ")
    stood = decided if decided != look.MISSING else "nothing decided"
    until = "" if is_missing(row["expires_on"]) else f", until {day(row['expires_on'])}"
    what = look.indicator_text(row["indicator"]) if row["indicator"] != "open_report" else "an open report by a person"
    return {
        "age": counted(row["age_days"], "day", "days"),
        "part": round(min(max(float(row["age_days"]) / top, 0.0), 1.0), 4),
        "since": day(row["raised_on"]),
        "shown": look.MISSING if is_missing(row["shown_since"]) else day(row["shown_since"]),
        "vehicle": name(row["vehicle_id"]),
        "depot": name(row["depot"]),
        "what": short(joined([what, position(row["wheel"])])),
        "then": look.priority_text(row["priority"]),
        "state": joined([_STATES.get(row["state"], look.text(row["state"])), stood + until]),
    }

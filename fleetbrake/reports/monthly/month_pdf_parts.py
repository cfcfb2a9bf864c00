"""Pieces of the month's PDF that all its parts are made of: rows as plain text, intervals as places on a line.

A part of the document is a dictionary of texts, lists of texts and places between 0 and 1. Every text goes to the
typesetter as data and is never read as markup there.
"""

import re
from collections.abc import Iterable
from typing import Any, Final

import pandas as pd

from fleetbrake.core.vocabulary import INDICATORS, wheel_words
from fleetbrake.reports import look
from fleetbrake.reports.driver_words import rate_text
from fleetbrake.reports.measures import Measures

Row = dict[Any, Any]
Part = dict[str, Any]

#: Letters of a foreign id and of a foreign sentence (own choice: a row never breaks across pages, so it must be low).
MOST_ID, MOST_LETTERS = 48, 400
#: Events under which a comparison of months is said to rest on few (own choice: their interval spans a factor of 3).
FEW_EVENTS: Final = 10
_DIGITS = 4
_ISO_DAY: Final = re.compile(r"(?<![\w-])[0-9]{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12][0-9]|3[01])(?![\w-])")


def is_missing(value: object) -> bool:
    """Whether a table holds nothing there."""
    return value is None or bool(pd.isna(value))  # type: ignore[call-overload]


def short(text: str, most: int = MOST_LETTERS) -> str:
    """Text that fits a row, its line breaks as spaces."""
    line = " ".join(text.split())
    return line if len(line) <= most else line[: most - 2].rstrip() + " …"


def name(value: object, missing: str = look.MISSING) -> str:
    """An id, a depot or another foreign name as it fits a row."""
    return short(value, MOST_ID) if isinstance(value, str) and value.strip() else missing


def day(value: object) -> str:
    """A date that no line break parts: ``28 Jan 2026``."""
    return look.day(value).replace(" ", "\N{NO-BREAK SPACE}")


def days_in_words(sentence: str) -> str:
    """A sentence of ours with its days as the document has them: ``28 Jan 2026`` for 2026-01-28."""
    return _ISO_DAY.sub(_day_in_words, sentence)


def _day_in_words(found: re.Match[str]) -> str:
    known = pd.to_datetime(found[0], errors="coerce")
    return found[0] if is_missing(known) else day(known)


def counted(number: object, one: str, many: str) -> str:
    """A number with its noun: ``1 vehicle``, ``12 vehicles``."""
    return f"{look.whole(number)} {one if not is_missing(number) and int(number) == 1 else many}"  # type: ignore[call-overload]


def rate(row: Row, measures: Measures) -> str:
    """``1.24 (0.81 to 1.90)``, or a dash."""
    if is_missing(row["rate_per_1000km"]):
        return look.MISSING
    low, high = (rate_text(row[f"rate_{end}_per_1000km"], measures) for end in ("low", "high"))
    return f"{rate_text(row['rate_per_1000km'], measures)} ({low} to {high})"


def share(row: Row) -> str:
    """``75 % (25 to 99 %)`` of a share with its interval, or a dash."""
    if is_missing(row["share"]):
        return look.MISSING
    value, low, high = (f"{100 * float(row[c]):.0f}" for c in ("share", "share_low", "share_high"))
    return f"{value} % ({low} to {high} %)"


def line(low: object, value: object, high: object, top: float) -> Part | None:
    """Where an interval lies on a line from 0 to ``top``; None where there is nothing to draw."""
    if any(is_missing(v) for v in (low, value, high)) or not top > 0:
        return None
    places = (min(max(float(v) / top, 0.0), 1.0) for v in (low, value, high))  # type: ignore[arg-type]
    keys = ("low", "value", "high")
    drawn: Part = {key: round(place, _DIGITS) for key, place in zip(keys, places, strict=True)}
    return {**drawn, "beyond": float(high) > top * (1 + 1e-9)}  # type: ignore[arg-type]


def position(wheel: object) -> str:
    """Where a wheel sits, as the pages say it, with its sign: ``axle 1 left (1L)``."""
    words = wheel_words(wheel)
    return words if words == wheel or not words else f"{words} ({wheel})"


def positions(text: object) -> str:
    """Several wheels of one cell in words."""
    return ", ".join(name(wheel_words(w)) for w in _listed(text))


def findings(text: object) -> str:
    """Several finding codes of one cell in words."""
    return ", ".join(INDICATORS.get(code, code.replace("_", " ")) for code in _listed(text))


def _listed(text: object) -> list[str]:
    if not isinstance(text, str):
        return []
    for sign in ("+", ";"):
        text = text.replace(sign, ",")
    return [part.strip() for part in text.split(",") if part.strip()]


def first_of(shown: int, there: int) -> str:
    """How much of a longer list is shown, and where the rest is; empty where all of it is."""
    return f"The first {shown:,} of {there:,}; the workbook has all." if there > shown else ""


def thousand(measures: Measures) -> str:
    """The distance that rates are told for: ``1,000 km``."""
    return f"1,000 {measures.label('distance')}"


def records(frame: pd.DataFrame) -> list[Row]:
    """The rows as dictionaries."""
    return frame.to_dict("records")


def joined(parts: Iterable[str], between: str = " · ") -> str:
    """Those texts that say something."""
    return between.join(part for part in parts if part)


#: Short heads of the three measures of a month (:data:`fleetbrake.reports.month_reads.MEASURES`).
HEADS: Final = {
    "hard_stops": "Hard stops",
    "modulation": "Anti-lock modulation",
    "lockups_above_cutoff": "Lockups above cut-off speed",
}

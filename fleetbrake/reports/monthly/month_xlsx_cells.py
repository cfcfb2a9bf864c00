"""Cells of the month's workbook: whole columns by their type, so that each kind of value has one short loop.

Text is text whatever it begins with, times and days are real ones, truth values real ones, NULL an empty cell (an empty
text is a text without letters). Numbers keep every digit; their format shows those that a person needs.
"""

import math
import re
from collections.abc import Callable, Iterable
from datetime import date
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.event_tables import Column, F, I
from fleetbrake.reports.measures import quantity_of
from fleetbrake.reports.printed import MARK

#: Characters of one cell at most, in the two-byte units that spreadsheet programs count in (from memory).
MOST_CHARACTERS: Final = 32_767
#: What XML 1.0 has no place for, see :mod:`fleetbrake.reports.printed`. Marks of direction stay: a cell ends them.
_NO_XML: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")

#: Height of a row of one line at the sheets' usual size of letters (points), and lines of one row at most.
LINE_HEIGHT: Final = 15.0
_MOST_LINES: Final = 12

#: Digits behind the point that a person needs of a quantity in either system (own choice: a step of the last digit is
#: less than anybody acts on).
_DIGITS: Final = {
    "per_distance": 2, "energy_per_distance": 1, "jerk": 2, "decel": 2, "speed": 2, "pressure": 1, "distance": 1,
    "energy": 1, "mass": 0, "force": 0, "temperature": 1, "length": 2,
}  # fmt: skip
#: The same by the ending of names without a quantity.
_DIGITS_BY_ENDING: Final = {
    "_score": 1, "score_low": 1, "score_high": 1, "_hours": 2, "_hz": 2, "_s": 2, "_pct": 1, "_deg": 6, "deviation": 2,
    "probability": 3, "share": 3, "share_low": 3, "share_high": 3, "friction_used": 3, "days_saved": 1, "slip": 3,
    "expected_hard_stops": 1, "per_1000_applications": 2,
}  # fmt: skip
_WHOLE, _PLAIN = "#,##0", "General"
_TRUTH: Final = '"TRUE";"TRUE";"FALSE"'  # some programs would show 1 and 0
_TIME, _DAY = "yyyy-mm-dd hh:mm:ss.000", "yyyy-mm-dd"
#: Day 0 of the calendar of spreadsheets, and the first day from which it agrees with everybody's (it knows a
#: 29 February 1900; from memory).
_DAY_0: Final = date(1899, 12, 30)
_FIRST_DAY: Final = date(1900, 3, 1)


_HEAD: Final[dict[str, object]] = {
    "bold": True, "bg_color": "#e3ebed", "bottom": 1, "text_wrap": True, "valign": "top",
}  # fmt: skip


class Exact(float):
    """A number that is written with every digit it has: the writer would keep 16, which is not always enough."""

    __slots__ = ()

    def __format__(self, spec: str, /) -> str:
        return float.__repr__(self)


def number_format(column: Column) -> str:
    """How a column's numbers are shown; numbers without a rule as the program that opens the file does."""
    if column.type == I:
        return _WHOLE
    if column.type != F:
        return _PLAIN
    digits: int | None = None
    quantity = quantity_of(column.name)
    if quantity:
        digits = _DIGITS[quantity]
    else:
        found = (d for ending, d in _DIGITS_BY_ENDING.items() if column.name.endswith(ending))
        digits = next(found, None)
    return _PLAIN if digits is None else with_digits(digits)


def with_digits(digits: int) -> str:
    """Thousands apart and so many digits behind the point."""
    return _WHOLE + ("." + "0" * digits if digits else "")


def cell_text(text: str) -> str:
    """Text as a cell can hold it: what cannot be written is a visible mark, what is too long ends with ``…``."""
    told = _NO_XML.sub(MARK, text)
    if len(told) <= MOST_CHARACTERS // 2:
        return told
    units = told.encode("utf-16-le", "replace")
    if len(units) <= 2 * MOST_CHARACTERS:
        return told
    return units[: 2 * (MOST_CHARACTERS - 1)].decode("utf-16-le", "ignore") + "…"


def row_height(texts: Iterable[tuple[str, float]]) -> float:
    """Height of a row (points) in which each text is wrapped to its width in letters. Programs that open the file do
    not all find it by themselves."""
    return LINE_HEIGHT * max((_lines(text, width) for text, width in texts), default=1)


def _lines(text: str, width: float) -> int:
    """Lines of a wrapped text; words break lines early, hence the tenth less of width (own choice)."""
    return min(sum(max(1, math.ceil(len(line) / (0.9 * width))) for line in text.splitlines() or [""]), _MOST_LINES)


class Formats:
    """The cell formats of one workbook, each made once."""

    def __init__(self, book: Any) -> None:
        self._book = book
        self._made: dict[tuple[tuple[str, object], ...], Any] = {}

    def of(self, **look: object) -> Any:
        """The format that looks so (names of the writer)."""
        key = tuple(sorted(look.items()))
        if key not in self._made:
            self._made[key] = self._book.add_format(dict(look))
        return self._made[key]

    @property
    def head(self) -> Any:
        """Names of columns."""
        return self.of(**_HEAD)

    @property
    def head_of_numbers(self) -> Any:
        """The same above numbers, which stand at the right."""
        return self.of(**_HEAD, align="right")


def write_column(
    sheet: Any, place: int, values: pa.ChunkedArray, formats: Formats, shown: str, first: int = 1, look: Any = None
) -> None:
    """One column of cells from row ``first`` down. ``shown`` is the format of its numbers, ``look`` further traits."""
    traits = look or {}
    kind = values.type
    known = np.flatnonzero(values.is_valid().to_numpy(zero_copy_only=False).astype(bool))
    lines = (known + first).tolist()
    valid = values.drop_null()
    if pa.types.is_boolean(kind):
        _each(sheet.write_boolean, lines, place, valid.to_pylist(), formats.of(num_format=_TRUTH, **traits))
    elif pa.types.is_integer(kind):
        _each(sheet.write_number, lines, place, valid.to_pylist(), formats.of(num_format=shown, **traits))
    elif pa.types.is_floating(kind):
        _numbers(sheet, lines, place, valid, formats.of(num_format=shown, **traits))
    elif pa.types.is_timestamp(kind) or pa.types.is_date(kind):
        _moments(sheet, lines, place, valid, formats, traits)
    else:
        texts = [cell_text(str(text)) for text in valid.to_pylist()]
        _each(sheet.write_string, lines, place, texts, formats.of(**traits) if traits else None)


def _each(write: Callable[..., Any], lines: list[int], place: int, values: list[Any], form: Any) -> None:
    for line, value in zip(lines, values, strict=True):
        write(line, place, value, form)


def _numbers(sheet: Any, lines: list[int], place: int, valid: pa.ChunkedArray, form: Any) -> None:
    """A workbook has no place for what is no number: it could not be observed, and its cell stays empty."""
    finite = pc.is_finite(valid).to_pylist()
    told = [
        (line, Exact(value))
        for line, value, is_number in zip(lines, valid.to_pylist(), finite, strict=True)
        if is_number
    ]
    for line, value in told:
        sheet.write_number(line, place, value, form)


def _moments(
    sheet: Any, lines: list[int], place: int, valid: pa.ChunkedArray, formats: Formats, traits: dict[str, object]
) -> None:
    """Days and times as the days since day 0; those before the calendar of spreadsheets begins, as text."""
    in_days = pa.types.is_date(valid.type)
    form = formats.of(**{**traits, "num_format": _DAY if in_days else _TIME, "align": "left", "indent": 1})
    text_form = formats.of(**traits) if traits else None
    unit = "D" if in_days else "us"
    per_day = 1.0 if in_days else 86_400e6
    stamps = valid.cast(pa.date32() if in_days else pa.timestamp("us", tz="UTC")).to_numpy()
    days = (stamps.astype(f"datetime64[{unit}]") - np.datetime64(_DAY_0, "D")).astype(np.int64) / per_day
    first = (_FIRST_DAY - _DAY_0).days
    for line, value, stamp in zip(lines, days.tolist(), stamps, strict=True):
        if value >= first:
            sheet.write_number(line, place, Exact(value), form)
        else:
            sheet.write_string(line, place, str(stamp).partition(".")[0], text_form)

"""A sheet of findings as a spreadsheet program saves it: its text, its dates, and which rows are filled in."""

import codecs
import csv
import re
from datetime import date
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from fleetbrake.core.errors import InputError
from fleetbrake.core.spreadsheet import unprotected
from fleetbrake.recordings.register_rows import Day
from fleetbrake.recordings.registers import read_cells
from fleetbrake.store.entered_rows import DateMet

#: A filled findings sheet of 10,000 rows has about 1 MB; more is another file (own choice).
MOST_BYTES = 2_000_000
#: How the file is called in sentences.
SHEET = "findings"

_FILLED = ("finding", "severity", "note", "next_due_on")
_DATES = ("inspected_on", "next_due_on")
#: With dots it is day, month, year wherever it is written; with slashes it is either, and stays refused.
_DOTTED = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})")
_DAY: TypeAdapter[date] = TypeAdapter(Day)


def sheet_cells(source: Path | bytes) -> tuple[list[str], list[tuple[int, dict[str, Any]]]]:
    """Header and filled rows with their numbers, as the register's reader takes them.

    Raises ``InputError`` for a file that cannot be read, is larger than ``MOST_BYTES``, or is no CSV text.
    """
    try:
        header, cells = read_cells(_in_utf8(_content(source)))
    except UnicodeDecodeError as error:
        raise InputError("The file is not UTF-8 text: save it as CSV in UTF-8.") from error
    except csv.Error as error:
        raise InputError(f"The file cannot be read as CSV ({error}).") from error
    except OSError as error:
        raise InputError(f"{source!s}: cannot be read ({error.strerror or error}).") from error
    filled = [(number, row) for number, row in cells if any(row.get(column) is not None for column in _FILLED)]
    return header, [(number, _restored(row)) for number, row in filled]


def date_met(cells: dict[str, Any], done_on: date) -> tuple[DateMet | None, str | None]:
    """The statutory inspection that a row tells of, and what is wrong with it; neither where it tells of none."""
    kind, day = cells.get("statutory"), cells.get("next_due_on")
    if kind is None and day is None:
        return None, None
    if kind is None:
        return None, "next_due_on is given, but statutory is empty: which kind of statutory inspection was it?"
    if day is None:
        return None, "statutory is given, but next_due_on is empty: when is the next one due?"
    try:
        return DateMet(kind=kind, done_on=done_on, next_due_on=_DAY.validate_python(day)), None
    except ValidationError as error:
        told = error.errors()[0]
        reason = str(told["ctx"]["error"]) if told["type"] == "value_error" else told["msg"]
        return None, f"statutory = {str(kind)[:60]!r}, next_due_on = {str(day)[:60]!r}: {reason}"


def _content(source: Path | bytes) -> bytes:
    if isinstance(source, Path):
        with source.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    else:
        content = source
    if len(content) > MOST_BYTES:
        raise InputError(f"The file is too large for findings: {MOST_BYTES / 1e6:g} MB at most.")
    return content


def _in_utf8(content: bytes) -> bytes:
    """The text in UTF-8, from UTF-16 by its mark, else from what older programs write where it is not UTF-8 yet."""
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return content.decode("utf-16").encode()
    if b"\0" in content:
        raise InputError("The file is not text: save the sheet as CSV.")
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return content.decode("cp1252").encode()
    return content


def _restored(row: dict[str, Any]) -> dict[str, Any]:
    """Cells as they were before they were protected from a spreadsheet program; an id that is missing is empty."""
    cells = {name: unprotected(value) if isinstance(value, str) else value for name, value in row.items()}
    dates = {name: _iso(cells[name]) for name in _DATES if name in cells}
    return {**cells, **dates, "inspection_id": cells.get("inspection_id") or ""}


def _iso(cell: Any) -> Any:
    """A date with dots in ISO form; anything else as it is."""
    parts = _DOTTED.fullmatch(cell) if isinstance(cell, str) else None
    if parts is None:
        return cell
    day, month, year = (int(part) for part in parts.groups())
    try:
        return date(year, month, day).isoformat()
    except ValueError:
        return cell

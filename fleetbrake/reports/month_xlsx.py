"""The month as a workbook: one sheet a table with real types, a summary, and a sheet that explains every column."""

from datetime import date, datetime
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import xlsxwriter

from fleetbrake.core.tables import TABLES
from fleetbrake.core.vocabulary import CAUTION
from fleetbrake.reports.month_data import MonthFigures, Period

#: Rows of one sheet at most: what spreadsheet programs open without trouble; CSV and Parquet have them all.
MOST_ROWS = 100_000

#: Last part of a column's name -> unit as a person writes it; longest first.
_UNITS: Final = {
    "_per_1000km": "per 1000 km",
    "_mps2": "m/s²",
    "_mps": "m/s",
    "_km": "km",
    "_kj": "kJ",
    "_kpa": "kPa",
    "_kg": "kg",
    "_hz": "Hz",
    "_pct": "%",
    "_deg": "°",
    "_hours": "h",
    "_at": "UTC",
    "_c": "°C",
    "_m": "m",
    "_s": "s",
}


def unit_of(column: str) -> str:
    """Unit of a column by the last part of its name; empty if it has none."""
    for ending, unit in _UNITS.items():
        if column.endswith(ending) or column.endswith(ending + "_at_least"):
            return unit
    return ""


def heading(column: str) -> str:
    """Column name with its unit in brackets."""
    unit = unit_of(column)
    return f"{column} ({unit})" if unit else column


def write_workbook(path: Path, of: Period, figures: MonthFigures, tables: dict[str, pa.Table]) -> None:
    """Write the workbook. Text is always written as text, whatever it begins with; NULL is an empty cell."""
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(str(path), {**options, "default_date_format": "yyyy-mm-dd"}) as book:
        formats = {
            "head": book.add_format(
                {"bold": True, "bg_color": "#e3ebed", "bottom": 1, "text_wrap": True, "valign": "top"}
            ),
            "time": book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss.000"}),
            "day": book.add_format({"num_format": "yyyy-mm-dd"}),
            "title": book.add_format({"bold": True, "font_size": 14}),
            "wrap": book.add_format({"text_wrap": True, "valign": "top"}),
        }
        _summary(book, of, figures, tables, formats)
        for name, table in tables.items():
            _sheet(book, name, table, formats)
        _columns(book, formats)


def _summary(
    book: Any, of: Period, figures: MonthFigures, tables: dict[str, pa.Table], formats: dict[str, Any]
) -> None:
    sheet = book.add_worksheet("summary")
    sheet.set_column(0, 0, 44)
    sheet.set_column(1, 1, 14)
    sheet.write_string(0, 0, f"Brakes in {of.month} (UTC)", formats["title"])
    sheet.write_string(1, 0, _scored(of, tables))
    rows = [
        ("brake applications", figures.events),
        ("hard stops", figures.hard_stops),
        ("hard stop not observed", figures.hard_stop_unknown),
        ("with modulation", figures.modulation),
        ("modulation not observed", figures.modulation_unknown),
        ("with a locked wheel", figures.lockup),
        ("with a locked wheel above the cut-off speed", figures.lockup_above_cutoff),
        ("lockup not observed", figures.lockup_unknown),
        ("vehicles with recordings", figures.vehicles),
        ("drivers with recordings", figures.drivers),
        ("recording files", figures.files),
        ("recording files rejected", figures.files_rejected),
    ]
    for line, (name, value) in enumerate(rows, start=3):
        sheet.write_string(line, 0, name)
        sheet.write_number(line, 1, value)
    line = len(rows) + 4
    for name, table in tables.items():
        if table.num_rows > MOST_ROWS:
            sheet.write_string(
                line, 0, f"Sheet {name}: first {MOST_ROWS:,} of {table.num_rows:,} rows; see csv/ or parquet/."
            )
            line += 1
    sheet.merge_range(line + 1, 0, line + 4, 5, "", formats["wrap"])
    sheet.write_string(line + 1, 0, CAUTION, formats["wrap"])


def _scored(of: Period, tables: dict[str, pa.Table]) -> str:
    """Of which day the scores are, or how to have some."""
    table = next((t for t in (tables["vehicle_health"], tables["driver_style"]) if t.num_rows), None)
    return f"Scores as of {table['as_of'][0].as_py()}." if table is not None else f"Scores: {of.not_scored}."


def _sheet(book: Any, name: str, table: pa.Table, formats: dict[str, Any]) -> None:
    sheet = book.add_worksheet(name)
    table = table.slice(0, MOST_ROWS)
    for position, column in enumerate(table.column_names):
        sheet.write_string(0, position, heading(column), formats["head"])
        sheet.set_column(position, position, max(10, min(len(column) + 3, 26)))
        _write_column(sheet, position, table[column], formats)
    sheet.freeze_panes(1, 1)
    if table.num_columns:
        sheet.autofilter(0, 0, max(table.num_rows, 1), table.num_columns - 1)


def _write_column(sheet: Any, position: int, column: pa.ChunkedArray, formats: dict[str, Any]) -> None:
    for line, value in enumerate(column.to_pylist(), start=1):
        if value is None:
            continue
        if isinstance(value, bool):
            sheet.write_boolean(line, position, value)
        elif isinstance(value, (int, float)):
            sheet.write_number(line, position, value)
        elif isinstance(value, datetime):
            sheet.write_datetime(line, position, value.replace(tzinfo=None), formats["time"])
        elif isinstance(value, date):
            sheet.write_datetime(line, position, datetime(value.year, value.month, value.day), formats["day"])
        else:
            sheet.write_string(line, position, str(value)[:32767])


def _columns(book: Any, formats: dict[str, Any]) -> None:
    """What every column means, from the same list that the store makes its tables from."""
    sheet = book.add_worksheet("columns")
    for position, (head, width) in enumerate(
        (("table", 18), ("column", 34), ("unit", 12), ("type", 14), ("meaning", 90))
    ):
        sheet.write_string(0, position, head, formats["head"])
        sheet.set_column(position, position, width)
    line = 1
    for name, columns in TABLES.items():
        for column in columns:
            for position, text in enumerate((name, column.name, unit_of(column.name), column.type, column.meaning)):
                sheet.write_string(line, position, text)
            line += 1
    sheet.freeze_panes(1, 0)
    sheet.autofilter(0, 0, line - 1, 4)

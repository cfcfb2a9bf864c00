"""The month as a workbook: a summary, what to inspect, charts, one sheet a table, and what every column means."""

from datetime import datetime
from pathlib import Path
from typing import Any, Final

import xlsxwriter
from xlsxwriter.exceptions import FileCreateError

from fleetbrake.core.vocabulary import CAUTION
from fleetbrake.reports.monthly.column_units import in_units_read
from fleetbrake.reports.monthly.month_pdf_parts_fleet import month_name
from fleetbrake.reports.monthly.month_told import MonthTold
from fleetbrake.reports.monthly.month_xlsx_cells import Formats
from fleetbrake.reports.monthly.month_xlsx_charts import (
    EXPLAINED as CHART_FIGURES_EXPLAINED,
)
from fleetbrake.reports.monthly.month_xlsx_charts import (
    FIGURES_SHEET,
    Figures,
    charts_sheet,
    rate_blocks,
    score_block,
    trend_blocks,
)
from fleetbrake.reports.monthly.month_xlsx_first import EXPLAINED as INSPECT_EXPLAINED
from fleetbrake.reports.monthly.month_xlsx_first import inspect_sheet, summary
from fleetbrake.reports.monthly.month_xlsx_tables import MOST_CELLS, shown, write_explained, write_table
from fleetbrake.reports.source import nullable_frame

SUMMARY, TO_INSPECT, CHARTS, COLUMNS_SHEET = "summary", "to_inspect", "charts", "columns"
#: Nothing that begins like a formula, an address or a number becomes one.
_OPTIONS: Final = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}


def write_workbook(path: Path, told: MonthTold, most_cells: int = MOST_CELLS) -> None:
    """Write the workbook, in the units of ``told.measures``; the same month gives the same bytes.

    Text is always written as text, whatever it begins with; NULL is an empty cell. A table of more than ``most_cells``
    cells is cut, those rows first that matter, and its sheet says so.

    Raises
    ------
    OSError
        If ``path`` cannot be written.
    """
    # what is under way stays beside the file that it becomes: nothing of it in a folder that everybody reads
    try:
        with xlsxwriter.Workbook(str(path), {**_OPTIONS, "tmpdir": str(path.parent)}) as book:
            _fill(book, told, most_cells)
    except FileCreateError as error:
        raise OSError(f"{path.name}: {error}") from error


def _fill(book: Any, told: MonthTold, most_cells: int) -> None:
    formats, measures = Formats(book), told.measures
    _properties(book, told)
    first = (SUMMARY, TO_INSPECT, CHARTS)
    # the list of vehicles stands in front, in words, and is no second sheet
    tables = {name: table for name, table in told.tables.items() if name != TO_INSPECT}
    sheets = {name: book.add_worksheet(name) for name in (*first, *tables, COLUMNS_SHEET, FIGURES_SHEET)}
    figures = Figures(book, sheets[FIGURES_SHEET], formats, measures)
    parts = {name: shown(name, table, most_cells) for name, table in tables.items()}
    read = in_units_read({name: part.table for name, part in parts.items()}, measures, told.tables["indicators"])
    seen = nullable_frame(told.tables[TO_INSPECT])
    summary(sheets[SUMMARY], formats, told, len(seen), parts, trend_blocks(told.tables, measures), figures)
    inspect_sheet(sheets[TO_INSPECT], formats, seen, measures)
    rates = list(rate_blocks(told.tables, measures))
    charts_sheet(sheets[CHARTS], formats, figures, score_block(seen), rates, measures)
    for name, part in parts.items():
        write_table(sheets[name], formats, name, type(part)(read[name], part.rows, part.note), measures)
    others = {TO_INSPECT: INSPECT_EXPLAINED, FIGURES_SHEET: CHART_FIGURES_EXPLAINED}
    write_explained(sheets[COLUMNS_SHEET], formats, tables, others, measures)


def _properties(book: Any, told: MonthTold) -> None:
    """What the file says of itself; its day is the month's last, so that the bytes do not tell when it was made."""
    last = told.of.last_day
    book.set_properties(
        {
            "title": f"Brakes in {month_name(told.of.month)}",
            "subject": "Monthly brake report",
            "comments": CAUTION,
            "created": datetime(last.year, last.month, last.day),
        }
    )
    book.set_size(2400, 1400)

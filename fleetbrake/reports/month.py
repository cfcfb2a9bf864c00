"""The month written down: PDF, workbook, CSV and Parquet of every published table."""

from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from fleetbrake.core.errors import FleetbrakeError, StoreError
from fleetbrake.core.tables import TABLES
from fleetbrake.reports.aliases import aliases
from fleetbrake.reports.month_data import (
    MonthFigures,
    Period,
    month_events,
    month_figures,
    month_span,
    month_tables,
    period,
)
from fleetbrake.reports.month_pdf import Beside, write_pdf
from fleetbrake.reports.month_xlsx import write_workbook
from fleetbrake.reports.reads import plan

#: What a spreadsheet program would take for the beginning of a formula.
_FORMULA = r"\A[=+\-@\t\r\n]"


def write_month(store: Path, month: str, out: Path, *, safety_role: bool = False) -> list[Path]:
    """Write the month's files into ``out`` and return their paths: PDF, XLSX, then CSV and Parquet by table.

    Drivers appear under stable aliases unless ``safety_role``. A month that was not scored gives files that say so.

    Raises
    ------
    InputError
        If ``month`` is no ``YYYY-MM``.
    StoreError
        If the store has nothing published, or no event began in the month.
    FleetbrakeError
        If ``out`` cannot be written.
    """
    of = period(month)
    figures = month_figures(store, of.month)
    _must_have_events(store, of, figures)
    tables = month_tables(store, of.month, None if safety_role else aliases(store))
    try:
        for folder in (out, out / "csv", out / "parquet"):
            folder.mkdir(parents=True, exist_ok=True)
        written = [out / f"brakes-{of.month}.pdf", out / f"brakes-{of.month}.xlsx"]
        write_pdf(
            _draft(written[0]),
            of,
            figures,
            tables,
            Beside(month_events(store, of.month), plan(store)),
            aliased=not safety_role,
        )
        write_workbook(_draft(written[1]), of, figures, tables)
        for name, table in tables.items():
            written.append(out / "csv" / f"{name}.csv")
            pa_csv.write_csv(for_spreadsheets(table), _draft(written[-1]))
            written.append(out / "parquet" / f"{name}.parquet")
            pq.write_table(_explained(name, table), _draft(written[-1]))
        for path in written:
            _draft(path).replace(path)
    except OSError as error:
        raise FleetbrakeError(f"The month's files cannot be written: {error.strerror or error}.") from error
    return written


def _must_have_events(store: Path, of: Period, figures: MonthFigures) -> None:
    """A month without a single event is nothing to report; the sentence says where there are some."""
    if figures.events:
        return
    span = month_span(store)
    where = f"the store's events run from {span[0]} to {span[1]}" if span else "the store has no events at all"
    raise StoreError(f"no events in {of.month} (UTC), so there is nothing to report; {where}")


def _draft(path: Path) -> Path:
    """Where a file is written before it takes its place whole."""
    return path.with_name(f".{path.name}.part")


def for_spreadsheets(table: pa.Table) -> pa.Table:
    """The table with an apostrophe before every text that begins like a formula."""
    for position, column in enumerate(table.schema):
        if not pa.types.is_string(column.type):
            continue
        texts = table.column(position)
        marked = pc.binary_join_element_wise("'", texts, "")
        table = table.set_column(position, column, pc.if_else(pc.match_substring_regex(texts, _FORMULA), marked, texts))
    return table


def _explained(name: str, table: pa.Table) -> pa.Table:
    """The table with every column's meaning in its schema."""
    meanings = {c.name: c.meaning for c in TABLES[name]}
    fields = [f.with_metadata({"meaning": meanings[f.name]}) for f in table.schema]
    return table.cast(pa.schema(fields))

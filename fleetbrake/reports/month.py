"""The month written down: PDF, workbook, CSV and Parquet of every published table."""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
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
from fleetbrake.store.files import PART

#: What a spreadsheet program would take for the beginning of a formula.
_FORMULA = r"\A[=+\-@\t\r\n]"


def write_month(store: Path, month: str, out: Path, *, safety_role: bool = False) -> list[Path]:
    """Write the month's files into ``out`` and return their paths: PDF, XLSX, then CSV and Parquet by table.

    Drivers appear under stable aliases, and no trip or place, unless ``safety_role``. A month that
    was not scored gives files that say so. All files are made aside first: an earlier report stays until they are.

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
    beside = Beside(month_events(store, of.month), plan(store))
    try:
        with _aside(out) as draft:
            write_pdf(draft / f"brakes-{of.month}.pdf", of, figures, tables, beside, aliased=not safety_role)
            write_workbook(draft / f"brakes-{of.month}.xlsx", of, figures, tables)
            _write_tables(draft, tables)
            return _in_place(draft, out, _names(of, tables))
    except OSError as error:
        raise FleetbrakeError(f"The month's files cannot be written: {error.strerror or error}.") from error


@contextmanager
def _aside(out: Path) -> Iterator[Path]:
    """A folder in ``out`` in which all files are made before any takes its place; whatever goes wrong, it is gone."""
    there = out.exists()
    out.mkdir(parents=True, exist_ok=True)
    draft = Path(tempfile.mkdtemp(prefix=".month-", suffix=PART, dir=out))
    try:
        yield draft
    finally:
        shutil.rmtree(draft, ignore_errors=True)
        if not there and not any(out.iterdir()):
            out.rmdir()


def _names(of: Period, tables: dict[str, pa.Table]) -> list[str]:
    """The files in the order in which they are told, relative to their folder."""
    by_table = [f"{kind}/{name}.{kind}" for name in tables for kind in ("csv", "parquet")]
    return [f"brakes-{of.month}.pdf", f"brakes-{of.month}.xlsx", *by_table]


def _write_tables(draft: Path, tables: dict[str, pa.Table]) -> None:
    for kind in ("csv", "parquet"):
        (draft / kind).mkdir()
    for name, table in tables.items():
        pa_csv.write_csv(for_spreadsheets(table), draft / "csv" / f"{name}.csv")
        pq.write_table(_explained(name, table), draft / "parquet" / f"{name}.parquet")


def _in_place(draft: Path, out: Path, names: list[str]) -> list[Path]:
    """Move the files to where they belong, over those of an earlier run."""
    for name in names:
        (out / name).parent.mkdir(exist_ok=True)
        (draft / name).replace(out / name)
    return [out / name for name in names]


def _must_have_events(store: Path, of: Period, figures: MonthFigures) -> None:
    """A month without a single event is nothing to report; the sentence says where there are some."""
    if figures.events:
        return
    span = month_span(store)
    where = f"the store's events run from {span[0]} to {span[1]}" if span else "the store has no events at all"
    raise StoreError(f"no events in {of.month} (UTC), so there is nothing to report; {where}")


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

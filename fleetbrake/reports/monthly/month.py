"""The month written down: PDF, workbook, CSV and Parquet of every table, all from one reading of the store."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.reports.measures import METRIC, Measures
from fleetbrake.reports.monthly.month_csv import write_tables
from fleetbrake.reports.monthly.month_pdf import write_pdf
from fleetbrake.reports.monthly.month_told import MonthTold, month_told
from fleetbrake.reports.monthly.month_xlsx import write_workbook
from fleetbrake.store.disk_words import reason
from fleetbrake.store.drafts import draft_in
from fleetbrake.store.files import put_in_place


def write_month(
    store: Path, month: str, out: Path, *, safety_role: bool = False, measures: Measures = METRIC
) -> list[Path]:
    """Write the month's files into ``out`` and return their paths: PDF, XLSX, then CSV and Parquet by table.

    Drivers appear under stable aliases, and no trip or place, unless ``safety_role``. A month that was not scored, or
    has no data at all, gives files that say so. ``measures`` are the units of PDF and workbook; CSV and Parquet are SI.
    All files are made aside first: an earlier report stays until they are.

    Raises
    ------
    InputError
        If ``month`` is no ``YYYY-MM``, or has not begun yet.
    StoreError
        If the store has nothing published, or was published by an earlier version.
    FleetbrakeError
        If ``out`` cannot be written.
    """
    told = month_told(store, month, measures, safety_role)
    try:
        with _aside(out) as draft:
            return _in_place(draft, out, _written(draft, told))
    except OSError as error:
        raise FleetbrakeError(f"The month's files cannot be written to {out}: {reason(error)}.") from error


def _written(draft: Path, told: MonthTold) -> list[str]:
    """The files in ``draft``, in the order in which they are told, relative to it."""
    pdf, workbook = (f"brakes-{told.of.month}.{kind}" for kind in ("pdf", "xlsx"))
    write_pdf(draft / pdf, told)
    write_workbook(draft / workbook, told)
    return [pdf, workbook, *write_tables(draft, told.tables)]


@contextmanager
def _aside(out: Path) -> Iterator[Path]:
    """A folder in ``out`` in which all files are made before any takes its place; whatever goes wrong, it is gone."""
    there = out.exists()
    out.mkdir(parents=True, exist_ok=True)
    try:
        with draft_in(out, ".month-") as draft:
            yield draft
    finally:
        if not there and not any(out.iterdir()):
            out.rmdir()


def _in_place(draft: Path, out: Path, names: list[str]) -> list[Path]:
    """Move the files to where they belong, over those of an earlier run."""
    for name in names:
        (out / name).parent.mkdir(exist_ok=True)
        put_in_place(draft / name, out / name)
    return [out / name for name in names]

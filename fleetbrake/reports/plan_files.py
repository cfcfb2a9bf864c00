"""The plan as files to hand out: calendar, workbook, and the sheet on which the workshop writes what it found.

Each file is there whole or not at all, and a file of that name is replaced. Drivers whom a report names are under their
aliases.
"""

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final

from fleetbrake.core.errors import InputError
from fleetbrake.core.spreadsheet import protected
from fleetbrake.core.tables import REGISTERS
from fleetbrake.reports.measures import METRIC, Measures
from fleetbrake.reports.plan_calendar import calendar
from fleetbrake.reports.plan_data import plan_told
from fleetbrake.reports.plan_xlsx import workbook
from fleetbrake.reports.printed import MARK
from fleetbrake.store.entered import stamp
from fleetbrake.store.files import write_atomically

CALENDAR_ENDING, WORKBOOK_ENDING, SHEET_ENDING = ".ics", ".xlsx", ".csv"

#: Columns of the sheet: the register of inspections, a statutory date that was met, then what helps in the workshop and
#: is not read back.
SHEET_COLUMNS: Final = (
    *(name for name, _ in REGISTERS["inspections"]), "statutory", "next_due_on", "depot", "planned_on", "look_at",
)  # fmt: skip


def calendar_bytes(store: Path) -> bytes:
    """The plan as iCalendar; StoreError where there is nothing to read."""
    return calendar(plan_told(store), stamp(store))


def workbook_bytes(store: Path, measures: Measures = METRIC) -> bytes:
    """The plan as a workbook in the units given; StoreError where there is nothing to read."""
    return workbook(plan_told(store), measures)


def findings_sheet_bytes(store: Path) -> bytes:
    """CSV in the columns of the register ``inspections``, a row a visit with the finding left open.

    UTF-8 with a mark at the beginning, by which spreadsheet programs know it. What begins like a formula is protected
    as in :mod:`fleetbrake.core.spreadsheet`, which the import undoes; rows whose finding stays empty are not read.
    """
    target = io.StringIO(newline="")
    lines = csv.DictWriter(target, SHEET_COLUMNS, lineterminator="\r\n")
    lines.writeheader()
    lines.writerows(_sheet_rows(store))
    return target.getvalue().encode("utf-8-sig", "replace")


def _sheet_rows(store: Path) -> Iterator[dict[str, str]]:
    told = plan_told(store)
    for row in (*told.before_next_trip, *told.without_day, *told.planned):
        # a vehicle without a day has none until somebody writes it down
        day: date | None = row["planned_on"]
        cells: dict[str, Any] = {
            "inspection_id": f"plan {day or row['held_on'] or told.as_of or 'open'} {row['vehicle_id']} 1",
            "vehicle_id": row["vehicle_id"],
            "inspected_on": day,
            "wheel": row["wheel"],
            "depot": row["depot"],
            "planned_on": day or row["held_on"],
            "look_at": row["reason"],
        }
        # a file with a zero byte is no text to the programs that read tables
        whole = {name: str(value).replace("\0", MARK) for name, value in cells.items() if value is not None}
        yield {name: protected(value) for name, value in whole.items()}


def write_calendar(store: Path, path: Path) -> None:
    """Write :func:`calendar_bytes` to ``path``; InputError for a bad name, StoreError where it cannot be written."""
    _write(path, CALENDAR_ENDING, lambda: calendar_bytes(store))


def write_workbook(store: Path, path: Path, measures: Measures = METRIC) -> None:
    """Write :func:`workbook_bytes` to ``path``; errors as :func:`write_calendar`."""
    _write(path, WORKBOOK_ENDING, lambda: workbook_bytes(store, measures))


def write_findings_sheet(store: Path, path: Path) -> None:
    """Write :func:`findings_sheet_bytes` to ``path``; errors as :func:`write_calendar`."""
    _write(path, SHEET_ENDING, lambda: findings_sheet_bytes(store))


@dataclass(frozen=True)
class PlanFiles:
    """The files that were asked for; None for those that were not."""

    calendar: Path | None = None
    workbook: Path | None = None
    findings_sheet: Path | None = None

    def check(self) -> None:
        """InputError unless every name can be that of such a file."""
        for path, ending, _ in self._asked():
            _check_name(path, ending)

    def write(self, store: Path) -> list[Path]:
        """Write them all and return their paths; errors as :func:`write_calendar`."""
        asked = self._asked()
        for path, _, write in asked:
            write(store, path)
        return [path for path, _, _ in asked]

    def _asked(self) -> list[tuple[Path, str, Callable[[Path, Path], None]]]:
        named: tuple[tuple[Path | None, str, Callable[[Path, Path], None]], ...] = (
            (self.calendar, CALENDAR_ENDING, write_calendar),
            (self.workbook, WORKBOOK_ENDING, write_workbook),
            (self.findings_sheet, SHEET_ENDING, write_findings_sheet),
        )
        return [(path, ending, write) for path, ending, write in named if path is not None]


def _check_name(path: Path, ending: str) -> None:
    """InputError unless ``path`` can name such a file: the ending keeps a slip of the pen off a store's own files."""
    if path.suffix.lower() != ending:
        raise InputError(f"{path}: the name of this file must end in {ending}.")
    if path.is_dir():
        raise InputError(f"{path}: this is a folder; name a file.")
    if not path.parent.is_dir():
        raise InputError(f"{path}: there is no folder {path.parent}.")


def _write(path: Path, ending: str, make: Callable[[], bytes]) -> None:
    _check_name(path, ending)
    made = make()
    write_atomically(path, lambda part: _put(made, part))


def _put(made: bytes, part: Path) -> None:
    part.write_bytes(made)

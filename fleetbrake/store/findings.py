"""Findings of inspections and the work done, as people enter them: checked, kept, and merged into the registers.

What was entered counts beside the registers' own rows and wins where both have the same key. A run that publishes or
scores merges it in; the registers' files stay as they came.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa

from fleetbrake.core.errors import InputError, RuleError
from fleetbrake.core.tables import REGISTERS
from fleetbrake.recordings.register_rows import Inspection, Repair
from fleetbrake.recordings.registers import check_rows, wrong_columns
from fleetbrake.store.arrow import arrow_schema
from fleetbrake.store.database import reading
from fleetbrake.store.dates_met import merge_dates, met_problem, newest_met
from fleetbrake.store.entered import Entry, changed_body, enter_all, entries
from fleetbrake.store.entered_lost import ENTERED_FILE, ENTERED_UP_TO
from fleetbrake.store.entered_rows import Body, DateMet, FindingEntered, ReportAnswered, WorkEntered
from fleetbrake.store.finding_rules import Known, answer_problem, finding_problem, known_vehicles, work_problem
from fleetbrake.store.finding_sheet import SHEET, date_met, sheet_cells
from fleetbrake.store.forgetting.forgetter import Forgetter
from fleetbrake.store.forgetting.tombstones import read_tombstones
from fleetbrake.store.lost import refuse_lost_entries
from fleetbrake.store.registers import upserted
from fleetbrake.store.schema import note_setting, replace_table

#: Entries that the registers are merged with.
WRITTEN_KINDS = ("finding", "work", "report_answered")
MERGED_KINDS = (*WRITTEN_KINDS, "date_met")


def merged_registers(con: duckdb.DuckDBPyConnection, store: Path, up_to: int | None = None) -> None:
    """Bring what was entered into the published ``inspections``, ``repairs`` and ``defect_reports``, and the
    statutory dates that were met into ``vehicles`` and ``due_dates``.

    A second time changes nothing, and without any entry nothing is touched. The newest entry of a key counts; an
    answered report has its ``cleared_at`` set. ``up_to``: number of the last entry that counts; all by default.

    StoreError where entries that were published are gone.
    """
    now = refuse_lost_entries(con, store)
    made = [entry for entry in entries(store, MERGED_KINDS) if up_to is None or entry.entry_id <= up_to]
    note_setting(con, ENTERED_UP_TO, str(made[-1].entry_id if made else 0))
    note_setting(con, ENTERED_FILE, str(now.file))
    merge_written(con, made)
    merge_dates(con, store, made)


def merge_written(con: duckdb.DuckDBPyConnection, made: Sequence[Entry]) -> None:
    """Bring findings, work and answered reports among the entries into those registers of the connection."""
    _merge(con, "inspections", [entry.body.row for entry in made if isinstance(entry.body, FindingEntered)])
    _merge(con, "repairs", [entry.body.row for entry in made if isinstance(entry.body, WorkEntered)])
    answers = {_report_key(entry): entry.body.cleared_at for entry in made if isinstance(entry.body, ReportAnswered)}
    if answers:
        _clear(con, answers)


def enter_finding(
    store: Path,
    by: str,
    rows: Sequence[Inspection] = (),
    work: Sequence[Repair] = (),
    answered: ReportAnswered | None = None,
    *,
    met: DateMet | None = None,
    vehicle_id: str | None = None,
) -> None:
    """Keep findings of inspections, work done, the answer to a defect report and a statutory date met: all or nothing.

    Parameters
    ----------
    by : who enters it.
    rows : findings; an empty ``inspection_id`` is filled in, the same for the same vehicle, day, wheel and finding, so
        that entering it again corrects it.
    work : repairs.
    answered : an open defect report that was dealt with.
    met : the visit was the statutory inspection; refused while a finding that needs repair is open.
    vehicle_id : vehicle of the report or the date, where neither rows nor work name it.

    Raises
    ------
    RuleError
        Something about a row is wrong; nothing was written.
    StoreError
        Nothing was published yet, or the file cannot be written.
    """
    named = [named_row for _, named_row in _named(list(enumerate(rows)))]
    vehicles = {row.vehicle_id for row in rows} | {row.vehicle_id for row in work}
    vehicles |= {vehicle_id} if vehicle_id else set()
    bodies: list[tuple[str, Body]] = [(row.vehicle_id, FindingEntered(row=row)) for row in named]
    bodies += [(row.vehicle_id, WorkEntered(row=row)) for row in work]
    if answered is not None:
        bodies.append((_the_one(vehicles, "A report is answered"), answered))
    if met is not None:
        bodies.append((_the_one(vehicles, "A statutory date is met"), met))
    problems = _problems(store, bodies)
    if problems:
        raise RuleError(" ".join(dict.fromkeys(problems)))
    if not bodies:
        raise RuleError("There is nothing to enter: neither a finding, nor work, nor an answered report.")
    enter_all(store, by, bodies)


def _problems(store: Path, bodies: Sequence[tuple[str, Body]]) -> list[str]:
    """What is wrong with what is entered at one time, by what is on file."""
    rows = [body.row for _, body in bodies if isinstance(body, FindingEntered)]
    work = [body.row for _, body in bodies if isinstance(body, WorkEntered)]
    with reading(store) as con:
        known = _known(con, store, rows)
        problems = [finding_problem(row, known) for row in rows] + [work_problem(row, known) for row in work]
        for vehicle, body in bodies:
            if isinstance(body, ReportAnswered):
                problems.append(answer_problem(con, vehicle, body, known))
            if isinstance(body, DateMet):
                problems.append(met_problem(con, store, vehicle, body, known, rows, work))
    return [problem for problem in problems if problem]


@dataclass(frozen=True)
class Taken:
    """What a file brought: rows that are new, rows that were on file already, and a sentence for each problem."""

    new: int
    known: int
    problems: list[str]


def import_findings(store: Path, source: Path | bytes, by: str) -> Taken:
    """Take in a CSV file of findings with the columns of the register ``inspections``; good rows are in, bad ones told.

    Rows in which finding, severity, note and next due date are all empty have not been filled in and are passed over.
    An apostrophe that protects a cell from being taken for a formula is removed. ``inspection_id`` may be empty or
    missing: the same file read twice then still gives the same findings. What is on file already is not entered again.
    Optional columns ``statutory`` (a kind of statutory inspection) and ``next_due_on`` say that the visit was
    one; where that cannot be, the finding is in and the reason told.

    Raises
    ------
    InputError
        The file cannot be read, is larger than ``MOST_BYTES``, or lacks a column.
    StoreError
        Nothing was published yet, or what was entered cannot be written.
    """
    header, cells = sheet_cells(source)
    unusable = wrong_columns("inspections", header, SHEET, spared=("inspection_id",))
    if unusable:
        raise InputError(f"The file cannot be used: {unusable}.")
    numbered, problems = check_rows("inspections", cells, SHEET)
    # as they are kept, so that a sheet that names a forgotten driver is known again
    rows = _without_forgotten(store, _named(numbered))
    with reading(store) as con:
        known = _known(con, store, [row for _, row in rows])
        found = [(number, row, finding_problem(row, known)) for number, row in rows]
        problems += [f"{SHEET} row {number}: {problem}" for number, _, problem in found if problem]
        good = {number: row for number, row, problem in found if not problem}
        dates, told = _dates_of(con, store, dict(cells), good, known)
    new = {number: row for number, row in good.items() if known.rows.get(row.inspection_id) != row}
    bodies: list[tuple[str, Body]] = [(row.vehicle_id, FindingEntered(row=row)) for row in new.values()]
    enter_all(store, by, [*bodies, *dict.fromkeys((good[number].vehicle_id, met) for number, met in dates.items())])
    count = len(set(new) | set(dates))
    return Taken(count, len(good) - count, problems + told)


def _dates_of(
    con: duckdb.DuckDBPyConnection,
    store: Path,
    cells: Mapping[int, dict[str, Any]],
    good: Mapping[int, Inspection],
    known: Known,
) -> tuple[dict[int, DateMet], list[str]]:
    """Statutory dates that rows say were met and that are not on file yet, by row, and what is wrong with others."""
    on_file = newest_met(entries(store, ("date_met",)))
    dates, told = {}, []
    for number, row in good.items():
        met, problem = date_met(cells[number], row.inspected_on)
        if met is not None:
            problem = met_problem(con, store, row.vehicle_id, met, known, list(good.values()))
        if problem:
            told.append(f"{SHEET} row {number}: {problem}")
        elif met is not None and on_file.get((row.vehicle_id, met.kind)) != met:
            dates[number] = met
    return dates, told


def _the_one(vehicles: set[str], what: str) -> str:
    if len(vehicles) != 1:
        raise RuleError(f"{what} for one vehicle at a time.")
    return next(iter(vehicles))


def _merge(con: duckdb.DuckDBPyConnection, name: str, rows: Sequence[Inspection | Repair]) -> None:
    if rows:
        more = pa.Table.from_pylist([row.model_dump() for row in rows], schema=arrow_schema(dict(REGISTERS[name])))
        replace_table(con, name, upserted(name, _published(con, name), more))


def _published(con: duckdb.DuckDBPyConnection, name: str) -> pa.Table:
    return con.sql(f"SELECT * FROM {name}").to_arrow_table()  # noqa: S608 - own names


def _report_key(entry: Entry) -> tuple[str, datetime, str | None]:
    body = entry.body
    assert isinstance(body, ReportAnswered)
    return entry.vehicle_id, body.reported_at, body.text


def _clear(con: duckdb.DuckDBPyConnection, answers: dict[tuple[str, datetime, str | None], datetime]) -> None:
    """Set ``cleared_at`` of the reports that were answered; a report that is not on file stays unknown."""
    columns = ("vehicle_id", "reported_at", "text", "cleared_at")
    listed = [dict(zip(columns, (*key, cleared), strict=True)) for key, cleared in answers.items()]
    kinds = {name: kind for name, kind in REGISTERS["defect_reports"] if name in columns}
    con.register("answered_in", pa.Table.from_pylist(listed, schema=arrow_schema(kinds)))
    try:
        cleared = con.sql(
            "SELECT d.* REPLACE (a.cleared_at AS cleared_at) FROM defect_reports AS d JOIN answered_in AS a "
            "ON a.vehicle_id = d.vehicle_id AND a.reported_at = d.reported_at AND a.text IS NOT DISTINCT FROM d.text"
        ).to_arrow_table()
    finally:
        con.unregister("answered_in")
    replace_table(con, "defect_reports", upserted("defect_reports", _published(con, "defect_reports"), cleared))


def _known(con: duckdb.DuckDBPyConnection, store: Path, rows: Sequence[Inspection]) -> Known:
    """What the rows are held against: vehicles, and the findings of their ids that are on file already."""
    ids = [row.inspection_id for row in rows]
    owners: dict[str, str] = {}
    kept: dict[str, Inspection] = {}
    if ids:
        columns = [column for column, _ in REGISTERS["inspections"]]
        found = con.execute(
            f"SELECT {', '.join(columns)} FROM inspections "  # noqa: S608 - own names
            "WHERE vehicle_id IS NOT NULL AND inspection_id IN (SELECT unnest(?))",
            [ids],
        ).fetchall()
        for row in found:
            cells = dict(zip(columns, row, strict=True))
            owners[cells["inspection_id"]] = cells["vehicle_id"]
            kept[cells["inspection_id"]] = Inspection.model_construct(**cells)
        for entry in entries(store, ("finding",)):
            if isinstance(entry.body, FindingEntered):
                owners.setdefault(entry.body.row.inspection_id, entry.vehicle_id)
                kept[entry.body.row.inspection_id] = entry.body.row
    return Known(known_vehicles(con), owners, today(), kept)


def today() -> date:
    """The present day in UTC."""
    return datetime.now(UTC).date()


def _named(rows: Sequence[tuple[int, Inspection]]) -> list[tuple[int, Inspection]]:
    """The rows with an id each: made where it is empty, numbered where a sheet's line was copied with its id."""
    seen: Counter[str] = Counter()
    named = []
    for number, row in rows:
        own = row.inspection_id.strip() or _made_id(row)
        seen[own] += 1
        unique = own if seen[own] == 1 else f"{own}-{seen[own]}"
        named.append((number, row.model_copy(update={"inspection_id": unique})))
    return named


def _without_forgotten(store: Path, rows: list[tuple[int, Inspection]]) -> list[tuple[int, Inspection]]:
    forgetter = Forgetter(read_tombstones(store))
    if not forgetter:
        return rows

    def kept(row: Inspection) -> Inspection:
        body = changed_body("finding", FindingEntered(row=row).model_dump_json(), forgetter.text)
        return FindingEntered.model_validate_json(body).row

    return [(number, kept(row)) for number, row in rows]


def _made_id(row: Inspection) -> str:
    """An id that the same finding always gets."""
    facts = "\n".join((row.vehicle_id, row.inspected_on.isoformat(), row.wheel or "", row.finding))
    return "entered-" + sha256(facts.encode("utf-8", "surrogatepass")).hexdigest()[:16]

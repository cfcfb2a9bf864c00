"""Statutory inspections that were done: when one may be entered, and what it makes of the registers' due dates.

The register's own date stands where it is later than the one that was entered; the registers' files stay as they came.
"""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa

from fleetbrake.core.tables import REGISTERS
from fleetbrake.core.vocabulary import SEVERITY_TEXT
from fleetbrake.recordings.register_rows import Inspection, Repair
from fleetbrake.store.arrow import arrow_schema
from fleetbrake.store.database import reading
from fleetbrake.store.entered import Entry, entries
from fleetbrake.store.entered_rows import DateMet, FindingEntered, WorkEntered
from fleetbrake.store.finding_rules import Found, Known, Work, found, left_open, vehicle_problem
from fleetbrake.store.registers import read_register, upserted
from fleetbrake.store.schema import replace_table

#: Kind of the date in ``vehicles.inspection_due_on``.
INSPECTION = "inspection"
#: Longest time to the next statutory date (d): own choice, ten years; what is further is a slip of the pen.
MOST_AHEAD = 3653

_Cells = dict[str, Any]


def kinds_of(store: Path, vehicle_id: str) -> list[str]:
    """As :func:`date_kinds`, from the published store."""
    with reading(store) as con:
        return date_kinds(con, vehicle_id)


def date_kinds(con: duckdb.DuckDBPyConnection, vehicle_id: str) -> list[str]:
    """Kinds of statutory inspection that can be met for the vehicle: the plain one first, then those on file."""
    rows = con.execute(
        "SELECT DISTINCT kind FROM due_dates WHERE vehicle_id = ? AND kind IS NOT NULL AND kind <> ? ORDER BY kind",
        [vehicle_id, INSPECTION],
    ).fetchall()
    return [INSPECTION, *(row[0] for row in rows)]


def met_problem(
    con: duckdb.DuckDBPyConnection,
    store: Path,
    vehicle_id: str,
    met: DateMet,
    known: Known,
    rows: Sequence[Inspection] = (),
    work: Sequence[Repair] = (),
) -> str | None:
    """Why the date cannot count as met; None if it can. ``rows`` and ``work`` are entered at the same time."""
    problem = vehicle_problem(vehicle_id, None, met.done_on, "statutory inspection", known)
    if problem:
        return problem
    kinds = date_kinds(con, vehicle_id)
    if met.kind not in kinds:
        return f"{vehicle_id} has no statutory date of the kind {met.kind!r}; there is {', '.join(kinds)}."
    if met.next_due_on <= met.done_on:
        return f"The next due date {met.next_due_on} must lie after the day of the inspection, {met.done_on}."
    if met.next_due_on > met.done_on + timedelta(days=MOST_AHEAD):
        return f"The next due date {met.next_due_on} is too far ahead: ten years at most."
    findings, done = on_file(con, store, vehicle_id, rows, work)
    open_ones = [one for one in findings if one.on <= met.done_on and left_open(one, findings, done)]
    if open_ones:
        worst = max(open_ones, key=lambda one: (one.severity, one.on))
        return (
            f"The statutory date of {vehicle_id} is not met: a {SEVERITY_TEXT[worst.severity]} finding of {worst.on} "
            "is not repaired."
        )
    return None


def on_file(
    con: duckdb.DuckDBPyConnection,
    store: Path,
    vehicle_id: str,
    rows: Sequence[Inspection] = (),
    work: Sequence[Repair] = (),
) -> tuple[list[Found], list[Work]]:
    """Findings and work of a vehicle: published, entered since, and these; the newest of an inspection id counts."""
    findings = {
        row[0]: found(*row)
        for row in con.execute(
            "SELECT inspection_id, inspected_on, finding, wheel, severity FROM inspections "
            "WHERE vehicle_id = ? AND inspected_on IS NOT NULL AND finding IS NOT NULL",
            [vehicle_id],
        ).fetchall()
    }
    done = [
        Work(*row)
        for row in con.execute(
            "SELECT repaired_on, wheel, work FROM repairs WHERE vehicle_id = ? AND repaired_on IS NOT NULL",
            [vehicle_id],
        ).fetchall()
    ]
    made = entries(store, ("finding", "work"), vehicle_id)
    entered = [entry.body.row for entry in made if isinstance(entry.body, FindingEntered)]
    for row in (*entered, *rows):
        if row.vehicle_id == vehicle_id:
            facts = found(row.inspection_id, row.inspected_on, row.finding, row.wheel, row.severity)
            findings[row.inspection_id] = facts
    worked = [entry.body.row for entry in made if isinstance(entry.body, WorkEntered)]
    done += [Work(one.repaired_on, one.wheel, one.work) for one in (*worked, *work) if one.vehicle_id == vehicle_id]
    return list(findings.values()), done


def newest_met(made: Sequence[Entry]) -> dict[tuple[str, str], DateMet]:
    """By vehicle and kind the inspection done last; of one day the entry made last."""
    newest: dict[tuple[str, str], DateMet] = {}
    for entry in made:
        if isinstance(entry.body, DateMet):
            key = (entry.vehicle_id, entry.body.kind)
            if key not in newest or entry.body.done_on >= newest[key].done_on:
                newest[key] = entry.body
    return newest


def merge_dates(con: duckdb.DuckDBPyConnection, store: Path, made: Sequence[Entry]) -> None:
    """Bring the dates met into the published ``vehicles`` and ``due_dates``; a second time changes nothing."""
    newest = newest_met(made)
    if not newest:
        return
    names = sorted({vehicle for vehicle, _ in newest})
    vehicles = {row["vehicle_id"]: row for row in _rows(con, store, "vehicles", names)}
    dates = {(row["vehicle_id"], row["kind"]): row for row in _rows(con, store, "due_dates", names)}
    listed = set(dates)
    for (name, kind), met in sorted(newest.items()):
        if kind == INSPECTION and name in vehicles:
            _meet(vehicles[name], "inspection_due_on", met.next_due_on)
            _meet(vehicles[name], "last_inspection_on", met.done_on)
        if (name, kind) in listed or kind != INSPECTION or name not in vehicles:
            row = dates.setdefault((name, kind), {"vehicle_id": name, "kind": kind})
            _meet(row, "due_on", met.next_due_on)
    _write(con, "vehicles", list(vehicles.values()))
    _write(con, "due_dates", list(dates.values()))


def _meet(row: _Cells, column: str, day: date) -> None:
    own: date | None = row.get(column)
    row[column] = day if own is None or own < day else own


def _rows(con: duckdb.DuckDBPyConnection, store: Path, name: str, vehicles: list[str]) -> list[_Cells]:
    """Published rows of the vehicles as the register's file has them, so that an entry can be corrected downwards."""
    columns = [column for column, _ in REGISTERS[name]]
    keys = ("vehicle_id", "kind") if name == "due_dates" else ("vehicle_id",)
    sql = f"SELECT {', '.join(columns)} FROM {name} WHERE vehicle_id IN (SELECT unnest(?))"  # noqa: S608 - own names
    published = [dict(zip(columns, row, strict=True)) for row in con.execute(sql, [vehicles]).fetchall()]
    filed = [row for row in read_register(store, name).to_pylist() if row["vehicle_id"] in set(vehicles)]
    rows = {_key(row, keys): row for row in published}
    rows.update({_key(row, keys): row for row in filed})
    return list(rows.values())


def _key(row: Mapping[str, Any], keys: tuple[str, ...]) -> tuple[Any, ...]:
    return tuple(row[key] for key in keys)


def _write(con: duckdb.DuckDBPyConnection, name: str, rows: list[_Cells]) -> None:
    if rows:
        known = con.sql(f"SELECT * FROM {name}").to_arrow_table()  # noqa: S608 - own names
        more = pa.Table.from_pylist(rows, schema=arrow_schema(dict(REGISTERS[name])))
        replace_table(con, name, upserted(name, known, more))

"""When a finding, work done or the answer to a report can be taken in, in sentences that say what is wrong."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import duckdb

from fleetbrake.recordings.register_rows import Inspection, Repair
from fleetbrake.store.entered_rows import ReportAnswered

#: Letters of a note: own choice, a page of text; what is longer belongs into a document of its own.
MOST_NOTE = 2000
#: From this severity on (2 major, 3 dangerous) it must be said where or what.
_NEEDS_PLACE = 2


@dataclass(frozen=True)
class Known:
    """What is on file: axles by vehicle (None where not known), the vehicle of each inspection id, the present day."""

    axles: Mapping[str, int | None]
    owners: Mapping[str, str]
    today: date


def known_vehicles(con: duckdb.DuckDBPyConnection) -> dict[str, int | None]:
    """Vehicles of the register and of the scores, with the number of axles where the register says it."""
    return dict(
        con.execute(
            "SELECT vehicle_id, max(axles) FROM (SELECT vehicle_id, axles FROM vehicles "
            "UNION ALL SELECT vehicle_id, NULL FROM vehicle_health) WHERE vehicle_id IS NOT NULL GROUP BY vehicle_id"
        ).fetchall()
    )


def finding_problem(row: Inspection, known: Known) -> str | None:
    """Why the finding cannot be taken in; None if it can."""
    owner = known.owners.get(row.inspection_id, row.vehicle_id)
    if owner != row.vehicle_id:
        return f"The inspection id {row.inspection_id!r} is that of a finding of another vehicle."
    return (
        _vehicle_problem(row.vehicle_id, row.wheel, row.inspected_on, "inspection", known)
        or _severity_problem(row)
        or _note_problem(row.note)
    )


def work_problem(row: Repair, known: Known) -> str | None:
    """Why the work cannot be taken in; None if it can."""
    return _vehicle_problem(row.vehicle_id, row.wheel, row.repaired_on, "work", known) or _note_problem(row.note)


def answer_problem(
    con: duckdb.DuckDBPyConnection, vehicle_id: str, answered: ReportAnswered, known: Known
) -> str | None:
    """Why the report cannot be answered so; None if it can."""
    there = con.execute(
        "SELECT 1 FROM defect_reports WHERE vehicle_id = ? AND reported_at = ? AND text IS NOT DISTINCT FROM ?",
        [vehicle_id, answered.reported_at, answered.text],
    ).fetchone()
    if there is None:
        return f"There is no such report of {answered.reported_at:%Y-%m-%d %H:%M} UTC about {vehicle_id}."
    if answered.cleared_at < answered.reported_at:
        return "A report cannot be dealt with before it was made."
    if answered.cleared_at.date() > known.today:
        return "The day on which the report was dealt with lies in the future."
    return None


def _vehicle_problem(vehicle_id: str, wheel: str | None, day: date, what: str, known: Known) -> str | None:
    if vehicle_id not in known.axles:
        return f"Vehicle {vehicle_id!r} is not known."
    if day > known.today:
        return f"The day of the {what}, {day}, lies in the future."
    axles = known.axles[vehicle_id]
    if wheel is not None and axles is not None and int(wheel[:-1]) > axles:
        return f"Wheel {wheel} is not on {vehicle_id!r}: it has {axles} axle{'' if axles == 1 else 's'}."
    return None


def _severity_problem(row: Inspection) -> str | None:
    if row.finding == "none":
        return "Nothing was found, but a severity is given." if row.severity else None
    if not row.severity:
        return "The severity of what was found is missing: 1 minor, 2 major, 3 dangerous."
    if row.severity >= _NEEDS_PLACE and row.wheel is None and not (row.note or "").strip():
        return "A major or dangerous finding needs the wheel or a note on where it is."
    return None


def _note_problem(note: str | None) -> str | None:
    return f"The note is longer than {MOST_NOTE} characters." if note is not None and len(note) > MOST_NOTE else None

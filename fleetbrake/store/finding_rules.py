"""When a finding, work done or the answer to a report can be taken in, in sentences that say what is wrong."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import duckdb

from fleetbrake.core.vocabulary import ANSWERS
from fleetbrake.recordings.register_rows import Inspection, Repair
from fleetbrake.store.entered_rows import ReportAnswered

#: Letters of a note: own choice, a page of text; what is longer belongs into a document of its own.
MOST_NOTE = 2000
#: From this severity on (2 major, 3 dangerous) it must be said where or what.
_NEEDS_PLACE = 2
#: From this severity on a finding stays open until work or a clean inspection answers it.
NEEDS_REPAIR = 2
#: A finding without a severity needs repair until somebody says else, as in the scores.
_UNSAID = 2


@dataclass(frozen=True)
class Known:
    """What is on file: axles by vehicle (None where not known), the vehicle of each inspection id, the present day."""

    axles: Mapping[str, int | None]
    owners: Mapping[str, str]
    today: date
    rows: Mapping[str, Inspection]


@dataclass(frozen=True)
class Found:
    """One finding of an inspection as the registers have it; severity 0 means nothing was found."""

    inspection_id: str
    on: date
    finding: str
    wheel: str | None
    severity: int


@dataclass(frozen=True)
class Work:
    """Work done on a vehicle's brakes."""

    on: date
    wheel: str | None
    work: str | None


def found(inspection_id: str, on: date, finding: str, wheel: str | None, severity: int | None) -> Found:
    """A finding with the severity by which it counts."""
    counts = (severity or 0) if finding == "none" else (_UNSAID if severity is None else severity)
    return Found(inspection_id, on, finding, wheel, counts)


def left_open(one: Found, findings: Sequence[Found], work: Sequence[Work]) -> bool:
    """Whether a finding that needs repair is still open: no fitting work since, no clean inspection there after it."""
    if one.severity < NEEDS_REPAIR:
        return False
    fits = ANSWERS.get(one.finding, ANSWERS["other"])
    mended = any(
        done.on >= one.on and done.work in fits and (done.wheel is None or one.wheel in (None, done.wheel))
        for done in work
    )
    bad_days = {other.on for other in findings if other.severity >= NEEDS_REPAIR}
    clean = any(
        other.on > one.on
        and other.on not in bad_days
        and other.finding == "none"
        and other.severity < NEEDS_REPAIR
        and other.wheel in (None, one.wheel)
        for other in findings
    )
    return not mended and not clean


def known_vehicles(con: duckdb.DuckDBPyConnection) -> dict[str, int | None]:
    """Vehicles of the registers and of the scores, with the number of axles where the register says it."""
    return dict(
        con.execute(
            "SELECT vehicle_id, max(axles) FROM (SELECT vehicle_id, axles FROM vehicles "
            "UNION ALL SELECT vehicle_id, NULL FROM vehicle_health UNION ALL SELECT vehicle_id, NULL FROM due_dates) "
            "WHERE vehicle_id IS NOT NULL GROUP BY vehicle_id"
        ).fetchall()
    )


def finding_problem(row: Inspection, known: Known) -> str | None:
    """Why the finding cannot be taken in; None if it can."""
    owner = known.owners.get(row.inspection_id, row.vehicle_id)
    if owner != row.vehicle_id:
        return f"The inspection id {row.inspection_id!r} is that of a finding of another vehicle."
    return (
        vehicle_problem(row.vehicle_id, row.wheel, row.inspected_on, "inspection", known)
        or _severity_problem(row)
        or _note_problem(row.note)
    )


def work_problem(row: Repair, known: Known) -> str | None:
    """Why the work cannot be taken in; None if it can."""
    return vehicle_problem(row.vehicle_id, row.wheel, row.repaired_on, "work", known) or _note_problem(row.note)


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


def vehicle_problem(vehicle_id: str, wheel: str | None, day: date, what: str, known: Known) -> str | None:
    """Why nothing of that vehicle, wheel and day can be taken in; None if it can."""
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

"""What a planner may ask of the plan, in sentences that say why not.

What must not be driven cannot wait, and nothing waits past a statutory date; a person's wish never changes either.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import duckdb

from fleetbrake.core.errors import RuleError
from fleetbrake.planning.calendar import read_depots
from fleetbrake.planning.flags import URGENT
from fleetbrake.recordings.register_rows import Inspection, Repair
from fleetbrake.store.entered import entries
from fleetbrake.store.entered_rows import FindingEntered, ReportAnswered, WorkEntered

#: Longest time for which a deferral or a decision may stand (d): own choice, half a year; then somebody looks again.
MOST_DAYS = 180
#: Days of a plan (d): a day fixed beyond them puts the visit off, and is held to the rules of a deferral.
PLAN_LENGTH = 14
#: Severity of what must not be driven.
DANGEROUS = 3

_VEHICLE = """
SELECT
    v.vehicle_id IS NOT NULL OR h.vehicle_id IS NOT NULL AS known, coalesce(v.depot, h.depot) AS depot,
    h.priority, coalesce(v.inspection_due_on, h.inspection_due_on) AS due_on
FROM (SELECT 1) AS one
LEFT JOIN vehicles AS v ON v.vehicle_id = $vehicle
LEFT JOIN vehicle_health AS h ON h.vehicle_id = $vehicle AND h.as_of = $as_of
"""
_INSPECTIONS = "SELECT inspected_on, finding, wheel, severity FROM inspections WHERE vehicle_id = ?"
_REPAIRS = "SELECT repaired_on, wheel FROM repairs WHERE vehicle_id = ?"
_REPORTS = (
    "SELECT reported_at, text FROM defect_reports WHERE vehicle_id = ? AND severity >= ? AND cleared_at IS NULL "
    "ORDER BY reported_at"
)


@dataclass(frozen=True)
class Facts:
    """What the rules ask of one vehicle. ``due_on`` is the earliest of its statutory dates."""

    vehicle_id: str
    as_of: date
    depot: str | None
    priority: str | None
    due_on: date | None
    danger: str | None

    @property
    def begins_on(self) -> date:
        """First day of a plan made now."""
        return self.as_of + timedelta(days=1)

    @property
    def overdue(self) -> bool:
        """True where a statutory date has passed when the plan begins."""
        return self.due_on is not None and self.due_on < self.begins_on


def facts_of(con: duckdb.DuckDBPyConnection, store: Path, vehicle_id: str) -> Facts:
    """What is known of the vehicle. Raises ``RuleError`` for an unknown one and before anything was scored."""
    row = con.execute("SELECT max(as_of) FROM vehicle_health").fetchone()
    if row is None or row[0] is None:
        raise RuleError("Nothing was scored yet, so that there is no plan to change: score the fleet first.")
    as_of = row[0]
    found = con.execute(_VEHICLE, {"vehicle": vehicle_id, "as_of": as_of}).fetchone()
    if found is None or not found[0]:
        raise RuleError(f"Vehicle {vehicle_id!r} is not known.")
    _, depot, priority, due_on = found
    others = con.execute("SELECT due_on FROM due_dates WHERE vehicle_id = ?", [vehicle_id]).fetchall()
    dates = [day for day in (due_on, *(other[0] for other in others)) if day is not None]
    return Facts(vehicle_id, as_of, depot, priority, min(dates, default=None), _danger(con, store, vehicle_id))


def must_be_able_to_wait(facts: Facts, what: str) -> None:
    """Refuse where the vehicle must not be driven or is overdue; ``what`` cannot be done then."""
    if facts.priority == URGENT:
        raise RuleError(f"{facts.vehicle_id} must be inspected before its next trip: {what}.")
    if facts.danger:
        raise RuleError(f"{facts.vehicle_id} must not be driven: {facts.danger} is open, so that {what}.")
    if facts.overdue:
        raise RuleError(f"{facts.vehicle_id} is past its statutory date of {facts.due_on}: {what}.")


def must_end_in_time(facts: Facts, last: date, name: str) -> None:
    """Refuse a day that is over, that lies past the statutory date, or too far ahead; ``name`` stands for the day."""
    if last <= facts.as_of:
        raise RuleError(f"{name} {last} must lie after {facts.as_of}, the day of the newest scores.")
    if facts.due_on is not None and last > facts.due_on:
        raise RuleError(f"{name} {last} lies past the statutory date of {facts.vehicle_id}, {facts.due_on}.")
    furthest = facts.as_of + timedelta(days=MOST_DAYS)
    if last > furthest:
        raise RuleError(
            f"{name} {last} is too far ahead: {furthest} is the last day, {MOST_DAYS} days after the scores."
        )


def must_be_open(con: duckdb.DuckDBPyConnection, facts: Facts, on: date) -> None:
    """Refuse a day on which the vehicle's depot has no bay hours."""
    if not read_depots(con, {facts.depot: 1}, {}, [on])[0].rooms[0].bay:
        where = f"depot {facts.depot}" if facts.depot else "a vehicle without a depot"
        raise RuleError(f"There are no bay hours for {where} on {on:%A}, {on}.")


def reason_given(reason: str | None) -> str:
    """The reason without blanks around it; ``RuleError`` where there is none, or a book."""
    said = (reason or "").strip()
    if not 3 <= len(said) <= 2000:
        raise RuleError("A reason is needed, of 3 to 2000 characters.")
    return said


def _danger(con: duckdb.DuckDBPyConnection, store: Path, vehicle_id: str) -> str | None:
    """What forbids driving, by the registers and by what was entered since they were published; None if nothing does.

    Whatever work or clean inspection came after it ends it here; whether it was the right one is for the next scores.
    """
    made = entries(store, ("finding", "work", "report_answered"), vehicle_id)
    answered = {(e.body.reported_at, e.body.text) for e in made if isinstance(e.body, ReportAnswered)}
    for reported_at, text in con.execute(_REPORTS, [vehicle_id, DANGEROUS]).fetchall():
        if (reported_at, text) not in answered:
            return f"a report of {reported_at:%Y-%m-%d} of a dangerous defect"
    findings = con.execute(_INSPECTIONS, [vehicle_id]).fetchall()
    findings += [_finding(e.body.row) for e in made if isinstance(e.body, FindingEntered)]
    work = con.execute(_REPAIRS, [vehicle_id]).fetchall()
    work += [_work(e.body.row) for e in made if isinstance(e.body, WorkEntered)]
    for day, _, wheel, severity in sorted(findings, key=lambda row: row[0]):
        if (severity or 0) >= DANGEROUS and not _ended(day, wheel, findings, work):
            return f"a finding of {day} of a dangerous defect"
    return None


def _ended(
    day: date,
    wheel: str | None,
    findings: list[tuple[date, str, str | None, int | None]],
    work: list[tuple[date, str | None]],
) -> bool:
    """Whether work on or after the day, or a clean inspection after it, was at that wheel."""
    mended = any(on >= day and (at is None or wheel is None or at == wheel) for on, at in work)
    clean = any(on > day and what == "none" and (at is None or at == wheel) for on, what, at, _ in findings)
    return mended or clean


def _finding(row: Inspection) -> tuple[date, str, str | None, int | None]:
    return row.inspected_on, row.finding, row.wheel, row.severity


def _work(row: Repair) -> tuple[date, str | None]:
    return row.repaired_on, row.wheel

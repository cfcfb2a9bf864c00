"""What a planner may ask of the plan, in sentences that say why not.

What must not be driven cannot wait, and nothing waits past a statutory date; a person's wish never changes either.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import duckdb

from fleetbrake.core.errors import RuleError
from fleetbrake.planning.calendar import read_depots
from fleetbrake.planning.flags import URGENT
from fleetbrake.planning.on_file import danger_of
from fleetbrake.planning.wish_types import Flag

#: Longest time for which a deferral or a decision may stand (d): own choice, half a year; then somebody looks again.
MOST_DAYS = 180
#: Days of a plan (d): a day fixed beyond them puts the visit off, and is held to the rules of a deferral.
PLAN_LENGTH = 14
#: Priorities with which the list asks for a visit.
ASKED_FOR = (URGENT, "this_week", "next_service")

_VEHICLE = """
SELECT
    v.vehicle_id IS NOT NULL OR h.vehicle_id IS NOT NULL
        OR EXISTS (SELECT 1 FROM due_dates WHERE vehicle_id = $vehicle) AS known,
    coalesce(v.depot, h.depot) AS depot,
    h.priority, coalesce(v.inspection_due_on, h.inspection_due_on) AS due_on
FROM (SELECT 1) AS one
LEFT JOIN vehicles AS v ON v.vehicle_id = $vehicle
LEFT JOIN vehicle_health AS h ON h.vehicle_id = $vehicle AND h.as_of = $as_of
"""


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
    return Facts(vehicle_id, as_of, depot, priority, min(dates, default=None), danger_of(con, store, vehicle_id))


def must_be_able_to_wait(facts: Facts, what: str) -> None:
    """Refuse where the vehicle must not be driven or is overdue; ``what`` cannot be done then."""
    if facts.priority == URGENT:
        raise RuleError(f"{facts.vehicle_id} must be inspected before its next trip: {what}.")
    if facts.danger:
        raise RuleError(f"{facts.vehicle_id} must not be driven: {facts.danger} is open, so that {what}.")
    if facts.overdue:
        raise RuleError(f"{facts.vehicle_id} is past its statutory date of {facts.due_on}: {what}.")


def must_be_drivable(facts: Facts) -> None:
    """Refuse to fix a day for what must be inspected before it is driven again: it has no day of the plan."""
    if facts.priority == URGENT:
        raise RuleError(f"{facts.vehicle_id} must be inspected before its next trip: it is outside the plan.")
    if facts.danger:
        raise RuleError(f"{facts.vehicle_id} must not be driven: {facts.danger} is open; it is outside the plan.")


def must_not_be_asked_for(facts: Facts, last: date) -> None:
    """Refuse to put off without a reason what the list asks for; ``last`` is the plan's last day."""
    if facts.priority in ASKED_FOR:
        raise RuleError(
            f"The list asks for {facts.vehicle_id} ({facts.priority.replace('_', ' ')}): no day after {last} can be "
            "fixed; put it off with defer and a reason."
        )


def must_not_be_wanted_now(standing: Iterable[Flag], what: str) -> None:
    """Refuse where somebody decided on a flag of the vehicle to inspect it now; ``what`` cannot be done then."""
    for flag in standing:
        if flag.closed_on is None and flag.decision == "inspect_now":
            raise RuleError(
                f"An inspection now was decided for {flag.vehicle_id} by {flag.decided_by}: {what} while that stands."
            )


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

"""Which vehicles need a visit, why, and what the plan says about each."""

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import duckdb

from fleetbrake.core.vocabulary import INDICATORS, PRIORITY_TEXT
from fleetbrake.planning.calendar import Bays
from fleetbrake.planning.hours import bay_hours

FLAGGED = ("before_next_trip", "this_week", "next_service")
WEEK_DAYS = 7
#: What is looked at where no indicator but a report or a lamp asks for the visit.
REPORT = "open_report"

_READ = """
select
    coalesce(v.vehicle_id, h.vehicle_id) as vehicle_id, coalesce(v.depot, h.depot) as depot,
    coalesce(v.category, h.category) as category, coalesce(v.inspection_due_on, h.inspection_due_on) as due_on,
    h.rank, h.priority, h.leading_indicator, h.suspect_wheel, h.reason, h.open_report
from vehicles as v
full join (from vehicle_health where as_of = (select max(as_of) from vehicle_health)) as h using (vehicle_id)
where coalesce(v.vehicle_id, h.vehicle_id) is not null
order by 1
"""


@dataclass
class Visit:
    """One vehicle that is due, flagged or drawn; ``day`` and ``position`` are set by the planner.

    ``within`` holds the days that a drawn one may have, and is empty for every other.
    """

    vehicle_id: str
    depot: str | None
    due_on: date | None
    priority: str | None
    rank: int
    reason: str
    hours: float
    overdue: bool
    due: bool
    flagged: bool
    within: list[date] = field(default_factory=list)
    day: date | None = None
    position: int | None = None

    @property
    def must_be_told(self) -> bool:
        """True where a visit without a day may not be dropped silently."""
        return self.overdue or self.due or self.priority in FLAGGED[:2]


def read_visits(con: duckdb.DuckDBPyConnection, start: date, length: int) -> list[Visit]:
    """Vehicles past their date at ``start``, due within ``length`` days, or flagged; trailers too, by vehicle id."""
    last = start + timedelta(days=length - 1)
    cursor = con.execute(_READ)
    names = [column[0] for column in cursor.description]
    rows = (dict(zip(names, values, strict=True)) for values in cursor.fetchall())
    visits = (_visit(row, start, last) for row in rows)
    return [visit for visit in visits if visit.overdue or visit.due or visit.flagged]


def _visit(row: dict[str, Any], start: date, last: date) -> Visit:
    due_on = row["due_on"]
    overdue = due_on is not None and due_on < start
    due = due_on is not None and start <= due_on <= last
    flagged = row["priority"] in FLAGGED or (row["priority"] == "watch" and bool(row["open_report"]))
    return Visit(
        vehicle_id=row["vehicle_id"],
        depot=row["depot"],
        due_on=due_on,
        priority=row["priority"],
        rank=row["rank"] or 0,
        reason=_reason(row, overdue, due, flagged),
        hours=bay_hours(row["category"], (row["leading_indicator"] or REPORT) if flagged else None, overdue or due),
        overdue=overdue,
        due=due,
        flagged=flagged,
    )


def _reason(row: dict[str, Any], overdue: bool, due: bool, flagged: bool) -> str:
    parts = []
    if overdue:
        parts.append(f"Overdue: statutory inspection was due on {row['due_on']}.")
    if due:
        parts.append(f"Statutory inspection due on {row['due_on']}.")
    if flagged:
        parts.append(
            f"Look at {_where(row)}: {row['reason'] or INDICATORS.get(row['leading_indicator'], 'no reason given')}"
        )
    if row["open_report"] and not (flagged and row["leading_indicator"] is None and row["reason"]):
        parts.append(f"Open report: {row['open_report']}")
    return " ".join(parts)


def _where(row: dict[str, Any]) -> str:
    if row["suspect_wheel"]:
        return f"wheel {row['suspect_wheel']}"
    return "the report" if row["open_report"] and row["leading_indicator"] is None else "the brakes"


def row_of(visit: Visit, bays: Bays) -> dict[str, Any]:
    """The visit as a row of ``inspection_plan``."""
    return {
        "planned_on": visit.day,
        "depot": visit.depot,
        "vehicle_id": visit.vehicle_id,
        "position": visit.position,
        "reason": visit.reason,
        "due_on": visit.due_on,
        "bay_hours": visit.hours,
        "priority": visit.priority,
        "note": "; ".join(_notes(visit, bays)) or None,
    }


def _notes(visit: Visit, bays: Bays) -> list[str]:
    notes = []
    where = f"depot {visit.depot}" if visit.depot else "a vehicle without a depot"
    if visit.overdue:
        notes.append(f"overdue since {visit.due_on}")
    if visit.within:
        notes.append("drawn by lot, without a sign of a fault, so that scores can be checked against what is found")
    if visit.day is None:
        notes.append(f"no day found: {where} has no day with {visit.hours:g} free bay hours until {bays.days[-1]}")
    if visit.due and (visit.day is None or (visit.due_on is not None and visit.day > visit.due_on)):
        notes.append(
            f"date {visit.due_on} cannot be kept: no {visit.hours:g} free bay hours for {where} on or before it"
        )
    if visit.priority == "before_next_trip":
        notes.append("should not go on the road before it is inspected; a qualified inspector decides")
    if visit.priority == "this_week" and visit.day is not None and visit.day > bays.days[:WEEK_DAYS][-1]:
        notes.append(f"later than {PRIORITY_TEXT['this_week']}: no bay hours free before")
    if _rests_on_assumption(visit, bays):
        notes.append("capacity assumed: eight bay hours on working days")
    return notes


def _rests_on_assumption(visit: Visit, bays: Bays) -> bool:
    if visit.day is not None:
        return (visit.depot, visit.day) in bays.assumed
    return any((visit.depot, day) in bays.assumed for day in bays.days)

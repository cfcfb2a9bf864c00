"""Which vehicles need a visit, for what, how long it takes, and what planners asked for: read once, as visits."""

import math
from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import duckdb

from fleetbrake.core.vocabulary import INDICATORS, wheel_words
from fleetbrake.planning.asked import Asked, asked_of, heed_days
from fleetbrake.planning.gain import JOIN_DAYS, REPORT_CHANCE, UNKNOWN_CHANCE, horizon
from fleetbrake.planning.hours import indicator_minutes, statutory_minutes, together
from fleetbrake.planning.visits import FLAGGED, REPORT, STOP, DueDate, Mode, Visit
from fleetbrake.planning.wish_types import Flag, Wishes

#: Kind of the date in ``vehicles.inspection_due_on``.
INSPECTION = "inspection"

_VEHICLES = """
select
    vehicle_id, coalesce(v.depot, h.depot) as depot, coalesce(v.category, h.category) as category,
    coalesce(v.inspection_due_on, h.inspection_due_on) as due_on, h.rank, h.priority, h.leading_indicator,
    h.suspect_wheel, h.reason, h.open_report, h.health_score
from vehicles as v
full join (from vehicle_health where as_of = (select max(as_of) from vehicle_health)) as h using (vehicle_id)
full join (select distinct vehicle_id from due_dates where due_on is not null) as d using (vehicle_id)
where vehicle_id is not null
order by vehicle_id
"""
_DATES = """
select vehicle_id, coalesce(kind, $kind) as kind, min(due_on) as due_on, max(bay_hours) as bay_hours
from due_dates
where vehicle_id is not null and due_on is not null
group by all
order by all
"""
_INDICATORS = """
select vehicle_id, indicator, wheel, evidence, probability
from indicators
where as_of = (select max(as_of) from vehicle_health) and vehicle_id in (select unnest($vehicles))
"""

_Row = dict[str, Any]


@dataclass(frozen=True)
class Needs:
    """The visits by vehicle id; vehicles a depot has, and how many of them must not go on the road as they are."""

    visits: list[Visit]
    vehicles: dict[str | None, int]
    stopped: dict[str | None, int]


def read_needs(con: duckdb.DuckDBPyConnection, days: list[date], wishes: Wishes) -> Needs:
    """Vehicles past a date when the plan begins, due within it, flagged, or with a day fixed in it; trailers too."""
    rows = _rows(con, _VEHICLES, {})
    dates = _dates(con, rows)
    flags: defaultdict[str, list[Flag]] = defaultdict(list)
    for flag in wishes.flags:
        flags[flag.vehicle_id].append(flag)
    visits, asked = [], {}
    for row in rows:
        name = row["vehicle_id"]
        dated = any(date_.due_on <= days[-1] for date_ in dates[name])
        lead = _unanswered(row, flags[name], wishes)
        wish = asked_of(row["priority"], lead, flags[name], days, dated)
        visit = _visit(row, dates[name], wish, days)
        heed_days(visit, wishes.fixed.get(name), wishes.deferred.get(name), wish, days)
        if visit.dated or visit.own or (visit.fixed is not None and visit.fixed in days):
            visits.append(visit)
            asked[name] = row
    _add_evidence(con, visits, asked)
    count: defaultdict[str | None, int] = defaultdict(int)
    stopped: defaultdict[str | None, int] = defaultdict(int)
    for row in rows:
        count[row["depot"]] += 1
        stopped[row["depot"]] += row["priority"] == STOP
    return Needs(visits, dict(count), dict(stopped))


def _rows(con: duckdb.DuckDBPyConnection, sql: str, values: dict[str, Any]) -> list[_Row]:
    cursor = con.execute(sql, values)
    names = [column[0] for column in cursor.description or ()]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def _dates(con: duckdb.DuckDBPyConnection, rows: list[_Row]) -> defaultdict[str, list[DueDate]]:
    """Statutory dates by vehicle, earliest first; of one kind told twice the earliest."""
    category = {row["vehicle_id"]: row["category"] for row in rows}
    found: dict[tuple[str, str], DueDate] = {}
    for row in _rows(con, _DATES, {"kind": INSPECTION}):
        hours = row["bay_hours"]
        known = hours if hours is not None and math.isfinite(hours) and hours >= 0 else None
        minutes = statutory_minutes(category[row["vehicle_id"]], known)
        found[row["vehicle_id"], row["kind"]] = DueDate(row["kind"], row["due_on"], minutes)
    for row in rows:
        key = (row["vehicle_id"], INSPECTION)
        if row["due_on"] is not None and (key not in found or found[key].due_on > row["due_on"]):
            minutes = found[key].minutes if key in found else statutory_minutes(row["category"])
            found[key] = DueDate(INSPECTION, row["due_on"], minutes)
    by_vehicle: defaultdict[str, list[DueDate]] = defaultdict(list)
    for (name, _), due in sorted(found.items(), key=lambda item: (item[0][0], item[1].due_on, item[0][1])):
        by_vehicle[name].append(due)
    return by_vehicle


def _lead(row: _Row) -> tuple[str, str | None] | None:
    """Indicator and wheel that the list asks to look at; None where it asks for no visit."""
    if row["priority"] in FLAGGED or (row["priority"] == "watch" and row["open_report"]):
        return (row["leading_indicator"], row["suspect_wheel"]) if row["leading_indicator"] else (REPORT, None)
    return None


def _unanswered(row: _Row, flags: list[Flag], wishes: Wishes) -> tuple[str, str | None] | None:
    """The lead, unless an inspection has answered it: then what else is open. What must not be driven always has it."""
    lead = _lead(row)
    if lead is None or row["priority"] == STOP or (row["vehicle_id"], *lead) not in wishes.looked_into:
        return lead
    others = sorted(((flag.indicator, flag.wheel) for flag in flags), key=lambda look: (look[0] != REPORT, str(look)))
    return others[0] if others else None


def _visit(row: _Row, dates: list[DueDate], asked: Asked, days: list[date]) -> Visit:
    start, last = days[0], days[-1]
    due = [date_ for date_ in dates if date_.due_on <= last]
    coming = [date_.due_on for date_ in due if date_.due_on >= start]
    past = [date_.due_on for date_ in due if date_.due_on < start]
    near = [date_ for date_ in dates if last < date_.due_on <= last + timedelta(days=JOIN_DAYS)]
    indicator, wheel = asked.look or (None, None)
    looked = indicator if asked.own or due else None
    probability = None if row["health_score"] is None else 1.0 - row["health_score"] / 100.0
    return Visit(
        vehicle_id=row["vehicle_id"],
        depot=row["depot"],
        rank=row["rank"] or 0,
        priority=row["priority"],
        reason=_reason(row, due, start, asked),
        modes=_modes(due, near, looked, asked.stop),
        horizon=horizon([date_.due_on for date_ in dates], start),
        due_on=dates[0].due_on if dates else None,
        deadline=min(coming, default=None),
        overdue_since=min(past, default=None),
        probability=probability,
        chance=_chance(probability, bool(row["open_report"]), asked.own),
        indicator=looked,
        wheel=wheel if looked else None,
        stop=asked.stop,
        own=asked.own,
        must=asked.must,
        told=list(asked.told),
    )


def _modes(due: list[DueDate], near: list[DueDate], indicator: str | None, stop: bool) -> tuple[Mode, ...]:
    """The visit for what is due and flagged; and the same with the statutory inspections that come soon after."""
    parts = [date_.minutes for date_ in due] + ([indicator_minutes(indicator)] if indicator else [])
    parts = parts or [indicator_minutes("")]  # a day was fixed without a sign: a look at the brakes
    plain = Mode(together(*parts), tuple(date_.kind for date_ in due))
    if stop or not near:
        return (plain,)
    joined = Mode(together(*parts, *(d.minutes for d in near)), plain.kinds + tuple(d.kind for d in near), True)
    return plain, joined


def _chance(probability: float | None, reported: bool, own: bool) -> float:
    """Probability that planning reckons with; a score that could not be given is not taken for a good one."""
    known = UNKNOWN_CHANCE if probability is None else probability
    return max(known, REPORT_CHANCE) if reported and own else known


def _reason(row: _Row, due: list[DueDate], start: date, asked: Asked) -> str:
    parts = []
    for date_ in due:
        kind = "Statutory inspection" if date_.kind == INSPECTION else f"Statutory inspection ({date_.kind})"
        if date_.due_on < start:
            parts.append(f"Overdue: {kind[0].lower()}{kind[1:]} was due on {date_.due_on}.")
        else:
            parts.append(f"{kind} due on {date_.due_on}.")
    leads = asked.look is not None and asked.look == _lead(row)
    if asked.look is not None and (asked.own or due):
        words = (row["reason"] if leads else None) or INDICATORS.get(asked.look[0])
        parts.append(f"Look at {_where(asked.look)}: {words}" if words else f"Look at {_where(asked.look)}.")
    if row["open_report"] and not (leads and row["leading_indicator"] is None and row["reason"]):
        parts.append(f"Open report: {row['open_report']}")
    return " ".join(parts) or "Fixed by a planner: look at the brakes."


def _where(look: tuple[str, str | None]) -> str:
    indicator, wheel = look
    if wheel:
        return f"{wheel_words(wheel)} ({wheel})"
    return "the report" if indicator == REPORT else "the brakes"


def _add_evidence(con: duckdb.DuckDBPyConnection, visits: list[Visit], rows: dict[str, _Row]) -> None:
    """Events that weigh most; and where another indicator than the leading one is looked into, its probability."""
    looking = sorted(visit.vehicle_id for visit in visits if visit.indicator not in (None, REPORT))
    if not looking:
        return
    known = {
        (row["vehicle_id"], row["indicator"], row["wheel"]): row
        for row in _rows(con, _INDICATORS, {"vehicles": looking})
    }
    for visit in visits:
        found = known.get((visit.vehicle_id, visit.indicator, visit.wheel))
        if found is None:
            continue
        visit.evidence = found["evidence"]
        other = visit.indicator != rows[visit.vehicle_id]["leading_indicator"]
        if other and visit.own and found["probability"] is not None:
            visit.chance = found["probability"]

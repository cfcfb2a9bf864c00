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
from fleetbrake.planning.hours import Minutes, indicator_minutes, statutory_minutes, together
from fleetbrake.planning.on_file import OnFile, on_file
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
full join (select unnest($found) as vehicle_id) as o using (vehicle_id)
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


def read_needs(con: duckdb.DuckDBPyConnection, days: list[date], wishes: Wishes, today: date | None = None) -> Needs:
    """Vehicles past a date when the plan begins, due within it, flagged, or with a day fixed in it; trailers too.

    What is open on file up to ``today`` (by default the day before the plan) counts whatever the scores say.
    """
    before = days[0] - timedelta(days=1)
    found = on_file(con, before, today or before)
    rows = [_by_file(row, found.get(row["vehicle_id"])) for row in _rows(con, _VEHICLES, {"found": sorted(found)})]
    dates = _dates(con, rows)
    flags: defaultdict[str, list[Flag]] = defaultdict(list)
    for flag in wishes.flags:
        flags[flag.vehicle_id].append(flag)
    visits, asked = [], {}
    for row in rows:
        name = row["vehicle_id"]
        dated = any(date_.due_on <= days[-1] for date_ in dates[name])
        wish = asked_of(row["priority"], _lead(row), flags[name], days, dated, row["on_file"])
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


def _by_file(row: _Row, found: OnFile | None) -> _Row:
    """The row with the priority that what is on file asks for at least, and with its words where scores lack them."""
    row["on_file"] = found is not None and found.must
    if found is not None:
        ranks = [*FLAGGED, "watch"]
        weaker = row["priority"] not in ranks or ranks.index(row["priority"]) > ranks.index(found.least)
        if weaker:
            told = f"{found.told[0].upper()}{found.told[1:].removesuffix('.')}."
            row["open_report"] = " ".join(part for part in (row["open_report"], told) if part)
            row["priority"] = found.least
    return row


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
        modes=_modes(due, near, looked, asked),
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


def _modes(due: list[DueDate], near: list[DueDate], indicator: str | None, asked: Asked) -> tuple[Mode, ...]:
    """Everything that is due and flagged; the same with what comes due soon after; and what may be left out of it.

    Where a day cannot hold everything, a date can be kept without the look, or the earlier dates without the later
    ones, and a vehicle that asks for a visit of its own can be looked into although its date cannot be kept.
    """
    look = [indicator_minutes(indicator)] if indicator else []
    if not due and not look:
        look = [indicator_minutes("")]  # a day was fixed without a sign: a look at the brakes
    found = [_mode(due[:number], look) for number in range(len(due), 0, -1)]
    found += [_mode(due[:number], [], not look) for number in range(len(due), 0, -1) if look]
    found += [_mode([], look)] if look and (asked.own or not due) else []
    whole = found[0]
    if near and not asked.stop:
        minutes = together(whole.minutes, *(date_.minutes for date_ in near))
        found.insert(1, Mode(minutes, whole.kinds + tuple(d.kind for d in near), True, whole.dates))
    return tuple(found)


def _mode(due: list[DueDate], look: list[Minutes], looks: bool = True) -> Mode:
    parts = [*(date_.minutes for date_ in due), *look]
    kinds, dates = tuple(date_.kind for date_ in due), tuple(date_.due_on for date_ in due)
    return Mode(together(*parts), kinds, dates=dates, look=looks)


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

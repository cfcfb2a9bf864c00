"""A few visits drawn by lot among all scored vehicles, so that scores can be held against what inspections find.

Inspections go where the rank sends them; of vehicles without a sign nothing would ever be learned, and no probability
could be checked. The lot is drawn for a calendar week from the vehicle's id and the week alone: planning again, the
next night, draws the same vehicles. A drawn vehicle that is planned anyway, or was inspected since the week began,
has had its turn; nobody else is drawn in its place, since that would favour vehicles with a sign.
"""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

import duckdb

from fleetbrake.planning.gain import horizon
from fleetbrake.planning.hours import statutory_minutes
from fleetbrake.planning.visits import Mode, Visit
from fleetbrake.planning.wish_types import Wishes

#: Drawn visits for each planned one: own choice, one in twenty is little work and some fifty inspections a year in a
#: fleet with a thousand visits.
LOT_SHARE = 0.05
#: Scored vehicles from which lots are drawn: own choice, a smaller fleet never has the inspections to learn from.
LOT_LEAST_VEHICLES = 20
#: A vehicle inspected within this many days before the week is not drawn: own choice, half a year.
LOT_REST_DAYS = 182

_READ = """
with newest as (
    select vehicle_id, max(inspected_on) as inspected_on, max(inspected_on) filter (inspected_on < $monday) as before
    from (
        select vehicle_id, inspected_on from inspections
        union all
        select vehicle_id, last_inspection_on from vehicles
    )
    where inspected_on < $start
    group by vehicle_id
)
select
    h.vehicle_id, coalesce(v.depot, h.depot) as depot, coalesce(v.category, h.category) as category,
    least(coalesce(v.inspection_due_on, h.inspection_due_on), d.due_on) as due_on, h.priority, h.rank,
    h.health_score, n.inspected_on, n.before
from vehicle_health as h
left join vehicles as v using (vehicle_id)
left join newest as n using (vehicle_id)
left join (select vehicle_id, min(due_on) as due_on from due_dates group by vehicle_id) as d using (vehicle_id)
where h.as_of = (select max(as_of) from vehicle_health) and h.health_score is not null
order by h.vehicle_id
"""


@dataclass(frozen=True)
class _Candidate:
    vehicle_id: str
    depot: str | None
    category: str | None
    due_on: date | None
    priority: str
    rank: int
    health_score: float
    inspected_on: date | None
    before: date | None


def drawn_visits(
    con: duckdb.DuckDBPyConnection, days: list[date], planned: Iterable[Visit], wishes: Wishes = Wishes()
) -> list[Visit]:
    """Visits to add, week by week; their ``within`` holds the days of the plan that lie in their week.

    ``planned`` are the visits that are there for another reason; their number sets how many are drawn: ``LOT_SHARE``
    of those with a day, at least one a week. A vehicle with a deferral is left alone until that ends, one with a day
    fixed until then.
    """
    known = list(planned)
    taken = {visit.vehicle_id for visit in known}
    a_week = max(1, round(LOT_SHARE * sum(visit.day is not None for visit in known) / (len(days) / 7)))
    free_from = dict(wishes.fixed) | {name: deferral.until for name, deferral in wishes.deferred.items()}
    found: list[Visit] = []
    for monday in sorted({day - timedelta(days=day.weekday()) for day in days}):
        within = [day for day in days if monday <= day < monday + timedelta(days=7)]
        for one in _draw(_candidates(con, monday, days[0]), monday, a_week):
            had_its_turn = one.inspected_on is not None and one.inspected_on >= monday
            if one.vehicle_id not in taken and not had_its_turn:
                taken.add(one.vehicle_id)
                found.append(_visit(one, [day for day in within if day >= free_from.get(one.vehicle_id, day)], days[0]))
    return found


def _candidates(con: duckdb.DuckDBPyConnection, monday: date, start: date) -> list[_Candidate]:
    rows = con.execute(_READ, {"monday": monday, "start": start}).fetchall()
    return [_Candidate(*row) for row in rows]


def _draw(candidates: list[_Candidate], monday: date, number: int) -> list[_Candidate]:
    """The first ``number`` by a hash of week and id, of those not inspected for long; none in a small fleet."""
    if len(candidates) < LOT_LEAST_VEHICLES:
        return []
    rested = [one for one in candidates if one.before is None or one.before < monday - timedelta(days=LOT_REST_DAYS)]
    return sorted(rested, key=lambda one: (_ticket(monday, one.vehicle_id), one.vehicle_id))[:number]


def _ticket(monday: date, vehicle_id: str) -> str:
    return hashlib.sha256(f"{monday.isoformat()} {vehicle_id}".encode("utf-8", "surrogatepass")).hexdigest()


def _visit(one: _Candidate, within: list[date], start: date) -> Visit:
    return Visit(
        vehicle_id=one.vehicle_id,
        depot=one.depot,
        rank=one.rank,
        priority=one.priority,
        reason="Look at the brakes of the whole vehicle, as at a statutory inspection.",
        modes=(Mode(statutory_minutes(one.category), ()),),
        horizon=horizon([one.due_on] if one.due_on else [], start),
        due_on=one.due_on,
        probability=1.0 - one.health_score / 100.0,
        within=tuple(within),
    )

"""``plan``: inspections into depots' bays and days for the fourteen days after the scores' day.

At most one visit a vehicle. No statutory date is passed, no day overfilled, no wish of a planner forgotten, as far as
that is possible at all; of the plans that keep this the one that gains most (``gain.py``), depot by depot. Vehicles to
be inspected before their next trip, by the scores or by what is on file since, are outside the days of the plan: hours
are kept free for them after the statutory dates and before every wish. Last, visits drawn by lot take hours that are
still free.
"""

import math
import time
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.planning.calendar import Depot, Left, plan_days, read_depots
from fleetbrake.planning.gain import Plan, gain, levels
from fleetbrake.planning.greedy import plain_plan
from fleetbrake.planning.lot import drawn_visits
from fleetbrake.planning.needs import read_needs
from fleetbrake.planning.notes import annotate, settle
from fleetbrake.planning.polish import better, polish
from fleetbrake.planning.published import Reached, day_rows, in_order, publish, summary_row, visit_row
from fleetbrake.planning.solver import Solved, solve
from fleetbrake.planning.visits import Visit, order
from fleetbrake.planning.wish_types import Wishes

PLAN_DAYS = 14
#: Seconds for all depots together, small improvements too.
SOLVER_SECONDS = 20.0
#: A depot may take this many even shares of what is left, as most need far less, but leaves the others this much.
_SHARES, _LEAST_SECONDS = 2.0, 1.0
#: Part of a depot's time for the solver; what is left is for improving a plan that it did not finish.
_SOLVER_SHARE = 0.8
_TABLES = ("inspection_plan", "plan_days", "plan_summary")


def plan(
    con: duckdb.DuckDBPyConnection, *, start: date | None = None, wishes: Wishes = Wishes(), today: date | None = None
) -> int:
    """Replace ``inspection_plan``, ``plan_days`` and ``plan_summary``; returns the number of visits that have a day.

    ``start`` is by default the day after the newest ``as_of`` of ``vehicle_health``. What people found or reported up
    to ``today`` (by default the present day in UTC) counts. A visit that was asked for but finds no room has
    ``planned_on`` and ``position`` NULL and a note with the cause. A fleet without a vehicle, in the register or in an
    event, has no visits. Raises ``StoreError`` where vehicles are known but no scores (never scored) and no ``start``.
    """
    as_of = _newest_scores(con)
    if start is None and as_of is None and _nothing_known(con):
        publish(con, {name: [] for name in _TABLES})
        return 0
    days = plan_days(start or _day_after(as_of), PLAN_DAYS)
    needs = read_needs(con, days, wishes, today or datetime.now(UTC).date())
    depots = read_depots(con, needs.vehicles, needs.stopped, days)
    reached = _plan_depots(needs.visits, depots)
    drawn = _place_drawn(drawn_visits(con, days, needs.visits, wishes), needs.visits, depots)
    shown = in_order(visit for visit in [*needs.visits, *drawn] if visit.day is not None or visit.must_be_told)
    of_depot = {depot.name: [visit for visit in shown if visit.depot == depot.name] for depot in depots}
    publish(con, {
        "inspection_plan": [visit_row(visit) for visit in shown],
        "plan_days": [row for depot in depots for row in day_rows(depot, of_depot[depot.name])],
        "plan_summary": [summary_row(depot, of_depot[depot.name], reached[depot.name], as_of) for depot in depots],
    })  # fmt: skip
    return sum(visit.day is not None for visit in shown)


def _plan_depots(visits: Sequence[Visit], depots: Sequence[Depot]) -> dict[str | None, Reached]:
    """Plan each depot by itself; one that needs less of its share of the time leaves the rest to the others."""
    until = time.monotonic() + SOLVER_SECONDS
    reached = {}
    for number, depot in enumerate(depots):
        own = sorted((visit for visit in visits if visit.depot == depot.name), key=order)
        left, others = until - time.monotonic(), len(depots) - number - 1
        seconds = min(left - _LEAST_SECONDS * others, _SHARES * left / (others + 1))
        reached[depot.name] = _plan_depot(own, depot, seconds)
    return reached


def _plan_depot(visits: list[Visit], depot: Depot, seconds: float) -> Reached:
    until = time.monotonic() + seconds
    plain = plain_plan(visits, depot)
    solved = solve(visits, depot, _SOLVER_SHARE * seconds)
    chosen, proven, how = _best_known(visits, plain, solved, depot, until)
    settle(visits, chosen, depot)
    lost = annotate(visits, chosen, depot)
    bound = math.inf if solved is None else _bound(visits, chosen, solved, depot)
    fewer = levels(visits, chosen, depot.days).dates_kept - levels(visits, plain, depot.days).dates_kept
    if fewer > 0:
        how += f" (the plain plan keeps {fewer:g} statutory dates fewer)"
    return Reached(gain(visits, chosen), bound, gain(visits, plain), proven, how, tuple(lost))


def _best_known(
    visits: Sequence[Visit], plain: Plan, solved: Solved | None, depot: Depot, until: float
) -> tuple[Plan, bool, str]:
    """The solver's plan, unless its limits left it with a worse one than small improvements find; proven; how."""
    if solved is not None and solved.in_time and not _better(visits, plain, solved.plan, depot):
        return solved.plan, solved.proven, "solved as a mixed-integer linear program"
    starts = [plain] if solved is None else [solved.plan, plain]
    polished = [polish(visits, start, depot, until - time.monotonic()) for start in starts]
    chosen = polished[-1] if _better(visits, polished[-1], polished[0], depot) else polished[0]
    how = "a mixed-integer linear program that reached its limits, then small improvements"
    if solved is None or not solved.in_time:
        how += " (ended by the clock: another run may find another plan)"
    return chosen, solved is not None and solved.proven and chosen is polished[0], how


def _bound(visits: Sequence[Visit], chosen: Plan, solved: Solved, depot: Depot) -> float:
    """The solver's bound holds for plans that keep as much as its own, and for no others."""
    own, others = levels(visits, chosen, depot.days), levels(visits, solved.plan, depot.days)
    return max(solved.bound, own.gain) if own[:-1] == others[:-1] else math.inf


def _better(visits: Sequence[Visit], one: Plan, other: Plan, depot: Depot) -> bool:
    return better(levels(visits, one, depot.days), levels(visits, other, depot.days))


def _place_drawn(drawn: list[Visit], visits: Sequence[Visit], depots: Sequence[Depot]) -> list[Visit]:
    """Give each drawn visit the first day of its week with room that nobody else needs; else it is left out."""
    by_name = {depot.name: depot for depot in depots}
    left = {depot.name: Left(depot) for depot in depots}
    for visit in visits:
        at = visit.day or visit.held_on
        if at is not None:
            number = (at - by_name[visit.depot].days[0]).days
            left[visit.depot].take(number, visit.taken.minutes, not visit.stop)
    for visit in drawn:
        depot, minutes = by_name[visit.depot], visit.modes[0].minutes
        for number, day in enumerate(depot.days):
            if day in visit.within and left[depot.name].fits(number, minutes):
                left[depot.name].take(number, minutes)
                visit.day = day
                annotate([visit], {}, depot)
                break
    return [visit for visit in drawn if visit.day is not None]


def _nothing_known(con: duckdb.DuckDBPyConnection) -> bool:
    """True without a vehicle that scoring would have ranked: then scores cannot be missing."""
    row = con.execute("select exists (from vehicles) or exists (from events where vehicle_id is not null)").fetchone()
    return row is None or not row[0]


def _newest_scores(con: duckdb.DuckDBPyConnection) -> date | None:
    row = con.execute("select max(as_of) from vehicle_health").fetchone()
    return row[0] if row else None


def _day_after(as_of: date | None) -> date:
    if as_of is None:
        raise StoreError("there are no scores to plan from: score the fleet first")
    if as_of > date.max - timedelta(days=PLAN_DAYS):
        raise StoreError(f"no plan can follow the scores of {as_of}: the calendar ends")
    return as_of + timedelta(days=1)

"""``plan``: fills inspection_plan with at most one visit a vehicle in the fourteen days after the scores' day.

Greedy and deterministic, in five steps: vehicles past their statutory date, oldest date first; a place on or before
the date for every vehicle due within the plan, as late as possible so that early days stay free; flagged vehicles
by rank, as early as possible; what is only due moves to the earliest day left; last, what was drawn by lot takes
hours that are still free. So a statutory date is passed only where the bays cannot hold it, and the note then says so.
"""

from datetime import date, timedelta

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.planning.calendar import Bays, read_bays
from fleetbrake.planning.lot import drawn_visits
from fleetbrake.planning.visits import Visit, read_visits, row_of

PLAN_DAYS = 14


def plan(con: duckdb.DuckDBPyConnection, *, start: date | None = None) -> int:
    """Replace ``inspection_plan``; returns the number of visits that have a day.

    ``start`` is by default the day after the newest ``as_of`` of ``vehicle_health``. A visit that must be told but
    finds no bay hours (statutory date, or priority of this week and above) has ``planned_on`` and ``position`` NULL
    and a note with the cause. A fleet without a vehicle, in the register or in an event, has no visits. Raises
    ``StoreError`` where vehicles are known but no scores (never scored) and no ``start``.
    """
    if start is None and _nothing_known(con):
        con.execute("delete from inspection_plan")
        return 0
    first = start or _day_after_scores(con)
    visits = read_visits(con, first, PLAN_DAYS)
    bays = read_bays(con, _depots(con) | {visit.depot for visit in visits}, first, PLAN_DAYS)
    place(visits, bays)
    drawn = drawn_visits(con, bays.days, visits)
    place_drawn(drawn, bays)
    visits += drawn
    rows = [row_of(visit, bays) for visit in _in_order(visits) if visit.day is not None or visit.must_be_told]
    con.execute("delete from inspection_plan")
    if rows:
        columns = ", ".join(rows[0])
        marks = ", ".join("?" for _ in rows[0])
        con.executemany(
            f"insert into inspection_plan ({columns}) values ({marks})",  # noqa: S608 - own column names
            [list(row.values()) for row in rows],
        )
    return sum(row["planned_on"] is not None for row in rows)


def place(visits: list[Visit], bays: Bays) -> None:
    """Give each visit a day where the bays allow it (sets ``day`` in place)."""
    overdue = sorted((v for v in visits if v.overdue), key=lambda v: (v.due_on, v.vehicle_id))
    due = sorted((v for v in visits if v.due and not v.overdue), key=lambda v: (v.due_on, v.vehicle_id))
    flagged = sorted((v for v in visits if v.flagged and not v.overdue), key=lambda v: v.rank)
    for visit in overdue:
        visit.day = bays.take(visit.depot, visit.hours, bays.days)
    for visit in due:
        before = [day for day in reversed(bays.days) if visit.due_on is not None and day <= visit.due_on]
        visit.day = bays.take(visit.depot, visit.hours, before)
    for visit in (*flagged, *due):  # what is both has its early day from the first pass; a second changes nothing
        _earliest(visit, bays)


def place_drawn(drawn: list[Visit], bays: Bays) -> None:
    """Give each drawn visit the first day of its week with hours that nobody else needs; else it has none."""
    for visit in drawn:
        visit.day = bays.take(visit.depot, visit.hours, visit.within)


def _depots(con: duckdb.DuckDBPyConnection) -> set[str | None]:
    """Depots of all vehicles: a drawn one may have another than those that are due or flagged."""
    return {
        row[0] for row in con.execute("select depot from vehicles union select depot from vehicle_health").fetchall()
    }


def _earliest(visit: Visit, bays: Bays) -> None:
    """Move a visit to the first day that has its hours; its present day, if any, is the latest it may get."""
    if visit.day is not None:
        bays.give_back(visit.depot, visit.hours, visit.day)
    visit.day = bays.take(visit.depot, visit.hours, [day for day in bays.days if visit.day is None or day <= visit.day])


def _in_order(visits: list[Visit]) -> list[Visit]:
    """By day and depot, then overdue, flagged by rank, due by date; numbers the places within each day and depot."""
    ordered = sorted(
        visits,
        key=lambda v: (
            v.day or date.max,
            v.depot or "",
            not v.overdue,
            not v.flagged,
            v.rank if v.flagged else 0,
            v.due_on or date.max,
            v.vehicle_id,
        ),
    )
    counts: dict[tuple[date, str | None], int] = {}
    for visit in ordered:
        if visit.day is not None:
            key = (visit.day, visit.depot)
            counts[key] = visit.position = counts.get(key, 0) + 1
    return ordered


def _nothing_known(con: duckdb.DuckDBPyConnection) -> bool:
    """True without scores and without a vehicle that scoring would have ranked: then scores cannot be missing."""
    row = con.execute(
        "select exists (from vehicle_health) or exists (from vehicles) "
        "or exists (from events where vehicle_id is not null)"
    ).fetchone()
    return row is None or not row[0]


def _day_after_scores(con: duckdb.DuckDBPyConnection) -> date:
    row = con.execute("select max(as_of) from vehicle_health").fetchone()
    if row is None or row[0] is None:
        raise StoreError("there are no scores to plan from: score the fleet first")
    if row[0] > date.max - timedelta(days=PLAN_DAYS):
        raise StoreError(f"no plan can follow the scores of {row[0]}: the calendar ends")
    return row[0] + timedelta(days=1)

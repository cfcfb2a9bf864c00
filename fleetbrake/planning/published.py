"""The plan as rows of ``inspection_plan``, ``plan_days`` and ``plan_summary``."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import duckdb

from fleetbrake.core.tables import TABLES
from fleetbrake.planning.calendar import Depot
from fleetbrake.planning.gain import days_saved
from fleetbrake.planning.hours import as_hours
from fleetbrake.planning.visits import Visit

_Row = dict[str, Any]


@dataclass(frozen=True)
class Reached:
    """How good a depot's plan is.

    Its gain, what no plan exceeds that keeps as much, the plain plan's; ``proven``: none keeps more; dates lost.
    """

    gain: float
    bound: float
    plain_gain: float
    proven: bool
    how: str
    lost: tuple[str, ...]

    @property
    def gap(self) -> float | None:
        """Relative gap; 0 = proven best. None where nothing bounds the gain."""
        if not math.isfinite(self.bound):
            return None
        distance = max(0.0, self.bound - self.gain)
        return 0.0 if distance < 1e-6 else distance / max(abs(self.bound), abs(self.gain))

    def words(self) -> str:
        """How it was solved and how good it is."""
        gap = self.gap
        if gap is None:
            return f"{self.how}, nothing bounds the gain"
        found = "proven best" if gap == 0 else f"at most {gap:.2%} below the best"
        return f"{self.how}, {found}" + (
            "" if self.proven else ", not proven that no more dates and wishes can be kept"
        )


def publish(con: duckdb.DuckDBPyConnection, tables: dict[str, list[_Row]]) -> None:
    """Replace the tables of the plan, in one transaction of the caller."""
    for name, rows in tables.items():
        con.execute(f"delete from {name}")  # noqa: S608 - own table names
        columns = [column.name for column in TABLES[name]]
        if rows:
            marks = ", ".join("?" for _ in columns)
            values = [[row.get(column) for column in columns] for row in rows]
            con.executemany(f"insert into {name} ({', '.join(columns)}) values ({marks})", values)  # noqa: S608 - own names


def in_order(visits: Iterable[Visit]) -> list[Visit]:
    """By day and depot, then overdue, flagged by rank, due by date; numbers the places within each day and depot.

    Vehicles without a day head the list: they must not wait for one, or have none.
    """
    ordered = sorted(
        visits,
        key=lambda v: (
            v.day or date.min,
            not v.stop,
            v.depot is None,
            v.depot or "",
            v.overdue_since is None,
            not v.own,
            v.rank if v.own else 0,
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


def visit_row(visit: Visit) -> _Row:
    """One row of ``inspection_plan``."""
    mode = visit.taken
    return {
        "planned_on": visit.day,
        "depot": visit.depot,
        "vehicle_id": visit.vehicle_id,
        "position": visit.position,
        "reason": visit.reason,
        "due_on": visit.due_on,
        "bay_hours": as_hours(mode.minutes.bay),
        "roller_hours": as_hours(mode.minutes.roller),
        "inspector_hours": as_hours(mode.minutes.inspector),
        "priority": visit.priority,
        "indicator": visit.indicator if mode.look else None,
        "wheel": visit.wheel if mode.look else None,
        "evidence": visit.evidence if mode.look else None,
        "statutory": " + ".join(mode.kinds) or None,
        "date_lost": _date_lost(visit),
        "held_on": visit.held_on,
        "fixed": visit.fixed is not None and visit.day == visit.fixed,
        "drawn": bool(visit.within),
        "defect_probability": visit.probability,
        "days_saved": None if visit.day is None else float(days_saved(visit, visit.day)) * mode.look,
        "note": "; ".join(visit.told) or None,
    }


def _date_lost(visit: Visit) -> date | None:
    """The earliest date to come that is not kept, else the one that is past and has no day."""
    dates = [due for _, due in visit.lost]
    coming = [due for due in dates if visit.deadline is not None and due >= visit.deadline]
    return min(coming or dates, default=None)


def day_rows(depot: Depot, visits: Sequence[Visit]) -> list[_Row]:
    """The rows of ``plan_days`` of one depot; ``visits`` are its own, drawn ones too."""
    rows = []
    for day, room in zip(depot.days, depot.rooms, strict=True):
        booked = [v.taken.minutes for v in visits if v.day == day]
        held = [v.taken.minutes for v in visits if v.held_on == day]
        rows.append({
            "depot": depot.name,
            "day": day,
            "basis": room.basis,
            "bay_hours": as_hours(room.bay),
            "booked_hours": as_hours(sum(minutes.bay for minutes in booked)),
            "held_hours": as_hours(sum(minutes.bay for minutes in held)),
            "roller_hours": None if room.roller is None else as_hours(room.roller),
            "roller_booked_hours": as_hours(sum(minutes.roller for minutes in booked + held)),
            "inspector_hours": None if room.inspector is None else as_hours(room.inspector),
            "inspector_booked_hours": as_hours(sum(minutes.inspector for minutes in booked + held)),
            "visits": len(booked),
            "vehicles": depot.vehicles,
            "min_on_road": room.min_on_road,
        })  # fmt: skip
    return rows


def summary_row(depot: Depot, visits: Sequence[Visit], reached: Reached, as_of: date | None) -> _Row:
    """The row of ``plan_summary`` of one depot."""
    own = [v for v in visits if v.day is not None and not v.within]
    return {
        "depot": depot.name,
        "as_of": as_of,
        "begins_on": depot.days[0],
        "ends_on": depot.days[-1],
        "visits": sum(v.day is not None for v in visits),
        "dates_not_kept": sum(len(v.lost) for v in visits),
        "defect_days": sum(v.chance * days_saved(v, v.day) for v in own if v.day is not None and v.taken.look),
        "gain": reached.gain,
        "gain_bound": reached.bound if math.isfinite(reached.bound) else None,
        "gap": reached.gap,
        "plain_gain": reached.plain_gain,
        "note": "; ".join([reached.words(), *reached.lost]),
    }

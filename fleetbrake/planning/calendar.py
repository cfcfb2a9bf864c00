"""Bay hours a depot has on each day of the plan."""

import math
from dataclasses import dataclass, field
from datetime import date, timedelta

import duckdb

#: Without a capacity register: own convention of the published edges.
ASSUMED_HOURS = 8.0
WORKING_DAYS = range(1, 6)  # ISO, Monday to Friday

_NAMES = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
#: Hours are sums of quarters; the slack only absorbs decimal fractions of a register.
_SLACK = 1e-9


def weekday_number(text: str) -> int | None:
    """ISO number (Monday 1) of an English weekday name, its first three letters, or the number itself."""
    word = text.strip().lower()
    if word in {str(number) for number in range(1, 8)}:
        return int(word)
    return _NAMES.index(word[:3]) + 1 if word[:3] in _NAMES else None


@dataclass
class Bays:
    """Free bay hours by depot and day. ``assumed`` names the depot days that rest on no register row."""

    days: list[date]
    free: dict[tuple[str | None, date], float] = field(default_factory=dict)
    assumed: set[tuple[str | None, date]] = field(default_factory=set)

    def take(self, depot: str | None, hours: float, days: list[date]) -> date | None:
        """Reserve ``hours`` on the first of ``days`` that has them; None if no day has."""
        for day in days:
            if self.free[depot, day] + _SLACK >= hours:
                self.free[depot, day] -= hours
                return day
        return None

    def give_back(self, depot: str | None, hours: float, day: date) -> None:
        """Undo a reservation."""
        self.free[depot, day] += hours


def read_bays(con: duckdb.DuckDBPyConnection, depots: set[str | None], start: date, length: int) -> Bays:
    """Capacity of every depot on ``length`` days from ``start``.

    A row with a date beats one with a weekday. A depot with weekday rows has no hours on weekdays without one; a
    depot without any has the assumed hours from Monday to Friday.
    """
    bays = Bays([start + timedelta(days=offset) for offset in range(length)])
    rows = con.execute('select depot, "date", weekday, bay_hours from capacity where bay_hours is not null').fetchall()
    by_date = {(depot, day): _hours(hours) for depot, day, _, hours in rows if day is not None}
    by_weekday = {
        (depot, number): _hours(hours)
        for depot, day, weekday, hours in rows
        if day is None and weekday and (number := weekday_number(weekday))
    }
    with_weekdays = {depot for depot, _ in by_weekday}
    for depot in depots:
        for day in bays.days:
            if (depot, day) in by_date:
                bays.free[depot, day] = by_date[depot, day]
            elif depot in with_weekdays:
                bays.free[depot, day] = by_weekday.get((depot, day.isoweekday()), 0.0)
            else:
                bays.free[depot, day] = ASSUMED_HOURS if day.isoweekday() in WORKING_DAYS else 0.0
                bays.assumed.add((depot, day))
    return bays


def _hours(value: float) -> float:
    return max(0.0, value) if math.isfinite(value) else 0.0

"""What a depot has on each day of the plan: bay hours, and where the register limits them roller tester, inspectors
and vehicles off the road."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import duckdb

from fleetbrake.planning.hours import Minutes, minutes_given

#: Without a capacity register: own convention of the published edges.
ASSUMED_HOURS = 8.0
WORKING_DAYS = range(1, 6)  # ISO, Monday to Friday

_NAMES = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_COLUMNS = ("bay_hours", "roller_hours", "inspector_hours", "min_on_road")
_READ = f'select depot, "date", weekday, {", ".join(_COLUMNS)} from capacity'  # noqa: S608 - own column names

_Key = tuple[str | None, date | int]


def weekday_number(text: str) -> int | None:
    """ISO number (Monday 1) of an English weekday name, its first three letters, or the number itself."""
    word = text.strip().lower()
    if word in {str(number) for number in range(1, 8)}:
        return int(word)
    return _NAMES.index(word[:3]) + 1 if word[:3] in _NAMES else None


@dataclass(frozen=True)
class Room:
    """One depot and day. Minutes; ``roller``, ``inspector`` and ``visits`` are None where nothing limits them.

    ``visits`` is how many vehicles may be in the workshop so that ``min_on_road`` stay on the road; ``basis`` is the
    word of table ``plan_days``.
    """

    bay: int
    roller: int | None
    inspector: int | None
    visits: int | None
    min_on_road: int | None
    basis: str

    def limits(self) -> tuple[int | None, int | None, int | None, int | None]:
        """Bay, roller and inspector minutes and the number of vehicles, in the order of :func:`demand`."""
        return self.bay, self.roller, self.inspector, self.visits


def demand(minutes: Minutes, counts: bool = True) -> tuple[int, int, int, int]:
    """What a visit takes of each limit; ``counts`` is False for a vehicle that is off the road anyway."""
    return minutes.bay, minutes.roller, minutes.inspector, int(counts)


@dataclass(frozen=True)
class Depot:
    """A depot's days in the plan. ``vehicles`` it has, ``stopped`` are those held before their next trip."""

    name: str | None
    days: list[date]
    rooms: list[Room]
    vehicles: int
    stopped: int


class Left:
    """What is left of a depot's rooms while visits are put in, one after the other."""

    def __init__(self, depot: Depot) -> None:
        self._left = [list(room.limits()) for room in depot.rooms]

    def fits(self, day: int, minutes: Minutes, counts: bool = True) -> bool:
        """True where the day still has everything that the visit takes."""
        return all(
            left is None or left >= need or need == 0
            for left, need in zip(self._left[day], demand(minutes, counts), strict=True)
        )

    def take(self, day: int, minutes: Minutes, counts: bool = True, back: bool = False) -> None:
        """Take a visit's part of the day, or give it ``back``."""
        for place, need in enumerate(demand(minutes, counts)):
            left = self._left[day][place]
            if left is not None:
                self._left[day][place] = left + need if back else left - need


def read_depots(
    con: duckdb.DuckDBPyConnection, vehicles: dict[str | None, int], stopped: dict[str | None, int], days: list[date]
) -> list[Depot]:
    """The depots of ``vehicles`` (number by depot), by name, with what they have on each of ``days``.

    For each column a row with a date beats one with a weekday, and an empty cell says nothing. A depot with weekday
    rows has no hours on weekdays without one; a depot without any has the assumed hours from Monday to Friday. Of two
    rows for the same day the smaller number holds.
    """
    given = _given(con.execute(_READ).fetchall())
    with_weekdays = {key[0] for key, row in given.items() if isinstance(key[1], int) and "bay_hours" in row}
    found = []
    for name in sorted(vehicles, key=lambda name: (name is None, name or "")):
        off = vehicles[name] - stopped.get(name, 0)
        rooms = [_room(given, name, day, name in with_weekdays, off) for day in days]
        found.append(Depot(name, days, rooms, vehicles[name], stopped.get(name, 0)))
    return found


def plan_days(start: date, length: int) -> list[date]:
    """``length`` days from ``start``."""
    return [start + timedelta(days=offset) for offset in range(length)]


def _given(rows: Iterable[tuple[Any, ...]]) -> dict[_Key, dict[str, float]]:
    """What the register gives, by depot and date or weekday number; cells that are no number are left out."""
    given: dict[_Key, dict[str, float]] = {}
    for depot, day, weekday, *cells in rows:
        key = day if day is not None else weekday_number(weekday) if weekday else None
        if key is None:
            continue
        row = given.setdefault((depot, key), {})
        for column, cell in zip(_COLUMNS, cells, strict=True):
            if cell is not None and math.isfinite(cell):
                row[column] = min(max(0.0, float(cell)), row.get(column, math.inf))
    return given


def _room(given: dict[_Key, dict[str, float]], name: str | None, day: date, weekdays: bool, off: int) -> Room:
    of_date, of_weekday = given.get((name, day), {}), given.get((name, day.isoweekday()), {})
    both = of_weekday | of_date
    if "bay_hours" in both:
        bay, basis = both["bay_hours"], "date" if "bay_hours" in of_date else "weekday"
    elif weekdays:
        bay, basis = 0.0, "closed"
    else:
        bay, basis = ASSUMED_HOURS if day.isoweekday() in WORKING_DAYS else 0.0, "assumed"
    roller, inspector, road = (both.get(column) for column in _COLUMNS[1:])
    return Room(
        bay=minutes_given(bay),
        roller=None if roller is None else minutes_given(roller),
        inspector=None if inspector is None else minutes_given(inspector),
        visits=None if road is None else max(0, off - int(road)),
        min_on_road=None if road is None else int(road),
        basis=basis,
    )

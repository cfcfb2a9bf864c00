"""Why a date, a wish or a visit has no room: the plainest cause that holds, in words."""

from collections.abc import Sequence
from datetime import date

from fleetbrake.planning.calendar import Depot, Left, Room, demand
from fleetbrake.planning.gain import Plan
from fleetbrake.planning.hours import as_hours
from fleetbrake.planning.visits import Visit

_NAMES = ("bay", "roller tester", "inspector")


def why_not(visit: Visit, visits: Sequence[Visit], plan: Plan, depot: Depot, until: date | None = None) -> str:
    """Why the visit has no day for all that it is for, up to ``until`` (the whole plan if None).

    ``visits`` are those of the depot, ``plan`` their choices. Only days that the visit may have are looked at.
    """
    last = min(until or depot.days[-1], depot.days[-1])
    window = [n for n, day in enumerate(depot.days) if day <= last and _allowed(visit, day)]
    if not window:
        return f"by a planner's wish not before {visit.earliest or visit.fixed}, and the days looked at end on {last}"
    span = f"up to {last}" if window[0] == 0 else f"from {depot.days[window[0]]} up to {last}"
    rooms = [depot.rooms[n] for n in window]
    cause = _no_day_alone(visit, rooms, depot, span) or _sums(visit, visits, depot, last)
    return cause or _taken(visit, visits, plan, depot, window, f"each day {span}")


def why_not_on(visit: Visit, visits: Sequence[Visit], plan: Plan, depot: Depot, day: date) -> str:
    """Why the visit cannot be on one day."""
    number = (day - depot.days[0]).days
    room = depot.rooms[number]
    if room.bay == 0:
        return f"{where(depot)} is closed on {day}"
    alone = _no_day_alone(visit, [room], depot, f"on {day}")
    return alone or _taken(visit, visits, plan, depot, [number], str(day))


def _allowed(visit: Visit, day: date) -> bool:
    optional = visit.dated or visit.own
    return (visit.earliest is None or day >= visit.earliest) and (visit.fixed in (None, day) or optional)


def _taken(visit: Visit, visits: Sequence[Visit], plan: Plan, depot: Depot, window: Sequence[int], days: str) -> str:
    """Who has the hours; or, where a day of the final plan has room left, that the plan is better without it there."""
    left = Left(depot)
    for i, choice in plan.items():
        if visits[i] is not visit:
            left.take(choice.day, choice.minutes, not visits[i].stop)
    free = [n for n in window if left.fits(n, visit.modes[0].minutes, not visit.stop)]
    if free:
        return (
            f"there is room on {depot.days[free[0]]}, but the plan as a whole is worth more without it there, or the "
            "time for planning ended before that was tried"
        )
    here = [visits[i] for i, choice in plan.items() if visits[i] is not visit and choice.day in window]
    rest = "; what is left of each is less than this visit takes" if len(window) > 1 else ""
    return f"the hours of {days} go to {_others(here)}{rest}"


def where(depot: Depot) -> str:
    """The depot in words."""
    return f"depot {depot.name}" if depot.name else "the workshop for vehicles without a depot"


def _no_day_alone(visit: Visit, rooms: Sequence[Room], depot: Depot, span: str) -> str | None:
    """A cause that holds even if nobody else needed the workshop; ``span`` says which days ``rooms`` are."""
    needs = demand(visit.modes[0].minutes, not visit.stop)
    opened = [room for room in rooms if room.bay > 0]
    if not opened:
        return f"{where(depot)} is closed every day {span}"
    for kind, name in enumerate(_NAMES):
        most = _most(opened, kind)
        if most is not None and most < needs[kind]:
            hours = f"{as_hours(needs[kind]):g} {name} hours"
            return f"no single day at {where(depot)} {span} has {hours}, the most is {as_hours(most):g}"
    if needs[3] and all(room.visits == 0 for room in opened):
        return _must_stay(depot, opened)
    if not any(_holds(room, needs) for room in opened):
        return f"no single day at {where(depot)} {span} has everything that the visit takes"
    return None


def _sums(visit: Visit, visits: Sequence[Visit], depot: Depot, last: date) -> str | None:
    """The visits due by some day need more than there is up to it; the first such day from ``last`` on."""
    rooms = list(zip(depot.days, depot.rooms, strict=True))
    for end in depot.days[(last - depot.days[0]).days :]:
        due = [v for v in visits if v is visit or (v.dated and (v.deadline is None or v.deadline <= end))]
        for kind, name in enumerate((*_NAMES, "vehicles")):
            limits = [room.limits()[kind] for day, room in rooms if day <= end]
            known = [limit for limit in limits if limit is not None]
            need = sum(demand(v.modes[0].minutes, not v.stop)[kind] for v in due)
            if len(known) < len(limits) or need <= sum(known):
                continue
            if name == "vehicles":
                stay = _must_stay(depot, [room for day, room in rooms if day <= end])
                return f"{stay}: {sum(known)} visits up to {end}, {need} due"
            there = f"{where(depot)} has {as_hours(sum(known)):g} {name} hours up to {end}"
            who = "the visits" if visit.dated else "this visit and those"
            return f"{there} and {who} due by then need {as_hours(need):g}"
    return None


def _others(here: Sequence[Visit]) -> str:
    """The visits of some days in words."""
    sorts = (
        ("vehicles held before their next trip", [v for v in here if v.stop]),
        ("visits with a statutory date", [v for v in here if v.dated and not v.stop]),
        ("visits with a fixed day", [v for v in here if v.fixed is not None and not v.dated and not v.stop]),
        ("visits with more to gain", [v for v in here if v.own and v.fixed is None and not v.dated and not v.stop]),
    )
    named = [words for words, members in sorts if members]
    return " and ".join([", ".join(named[:-1]), named[-1]] if len(named) > 1 else named) or "no visit"


def _must_stay(depot: Depot, rooms: Sequence[Room]) -> str:
    least = max(room.min_on_road or 0 for room in rooms)
    stopped = f", {depot.stopped} of them held before their next trip" if depot.stopped else ""
    return f"{least} vehicles must stay on the road of the {depot.vehicles} of {where(depot)}{stopped}"


def _most(rooms: Sequence[Room], kind: int) -> int | None:
    limits = [room.limits()[kind] for room in rooms]
    return None if any(limit is None for limit in limits) else max(limit for limit in limits if limit is not None)


def _holds(room: Room, needs: tuple[int, int, int, int]) -> bool:
    return all(limit is None or limit >= need for limit, need in zip(room.limits(), needs, strict=True))

"""Why a date, a wish or a visit has no room: the plainest cause that holds, in words."""

from collections.abc import Sequence
from datetime import date

from fleetbrake.planning.calendar import Depot, Room, demand
from fleetbrake.planning.gain import Plan
from fleetbrake.planning.hours import as_hours
from fleetbrake.planning.visits import Visit

_NAMES = ("bay", "roller tester", "inspector")


def why_not(visit: Visit, visits: Sequence[Visit], plan: Plan, depot: Depot, until: date | None = None) -> str:
    """Why the visit has no day up to ``until`` (the whole plan if None): closed, too small, or taken by others.

    ``visits`` are those of the depot, ``plan`` their choices.
    """
    last = min(until or depot.days[-1], depot.days[-1])
    rooms = [room for day, room in zip(depot.days, depot.rooms, strict=True) if day <= last]
    return (
        _no_day_alone(visit, rooms, depot, last)
        or _sums(visit, visits, depot, last)
        or f"the hours of each day up to {last} go to {_others(visit, visits, plan, depot, last)}"
    )


def why_not_on(visit: Visit, depot: Depot, day: date) -> str:
    """Why the visit cannot be on one day."""
    room = depot.rooms[(day - depot.days[0]).days]
    if room.bay == 0:
        return f"{where(depot)} is closed on {day}"
    alone = _no_day_alone(visit, [room], depot, day)
    return alone or f"the hours of {day} go to visits with a statutory date or another fixed day"


def where(depot: Depot) -> str:
    """The depot in words."""
    return f"depot {depot.name}" if depot.name else "the workshop for vehicles without a depot"


def _no_day_alone(visit: Visit, rooms: Sequence[Room], depot: Depot, last: date) -> str | None:
    """A cause that holds even if nobody else needed the workshop."""
    needs = demand(visit.modes[0].minutes, not visit.stop)
    opened = [room for room in rooms if room.bay > 0]
    if not opened:
        return f"{where(depot)} is closed every day up to {last}"
    for kind, name in enumerate(_NAMES):
        most = _most(opened, kind)
        if most is not None and most < needs[kind]:
            hours = f"{as_hours(needs[kind]):g} {name} hours"
            return f"no single day at {where(depot)} up to {last} has {hours}, the most is {as_hours(most):g}"
    if needs[3] and all(room.visits == 0 for room in opened):
        return _must_stay(depot, opened)
    if not any(_holds(room, needs) for room in opened):
        return f"no single day at {where(depot)} up to {last} has everything that the visit takes"
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


def _others(visit: Visit, visits: Sequence[Visit], plan: Plan, depot: Depot, last: date) -> str:
    here = [v for i, v in enumerate(visits) if i in plan and v is not visit and depot.days[plan[i].day] <= last]
    dated = any(v.dated for v in here)
    if visit.dated:
        return "others due by then; what is left of each is less than this visit takes"
    return "visits with a statutory date, or with more to gain" if dated else "visits with more to gain"


def _must_stay(depot: Depot, rooms: Sequence[Room]) -> str:
    least = max(room.min_on_road or 0 for room in rooms)
    stopped = f", {depot.stopped} of them held before their next trip" if depot.stopped else ""
    return f"{least} vehicles must stay on the road of the {depot.vehicles} of {where(depot)}{stopped}"


def _most(rooms: Sequence[Room], kind: int) -> int | None:
    limits = [room.limits()[kind] for room in rooms]
    return None if any(limit is None for limit in limits) else max(limit for limit in limits if limit is not None)


def _holds(room: Room, needs: tuple[int, int, int, int]) -> bool:
    return all(limit is None or limit >= need for limit, need in zip(room.limits(), needs, strict=True))

"""What the plan says beside each visit."""

from collections.abc import Sequence
from datetime import date

from fleetbrake.core.vocabulary import PRIORITY_TEXT, wheel_words
from fleetbrake.planning.calendar import Depot
from fleetbrake.planning.gain import Plan
from fleetbrake.planning.visits import THIS_WEEK, WEEK_DAYS, Visit
from fleetbrake.planning.why import where, why_not, why_not_on


def settle(visits: Sequence[Visit], plan: Plan, depot: Depot) -> None:
    """Write the choices of a plan into its visits: the day, or the day on which hours are held, and the mode.

    A stopped vehicle is outside the days of the plan, and no visit is planned for a day after its date.
    """
    for i, visit in enumerate(visits):
        choice = plan.get(i)
        if choice is None:
            continue
        visit.mode = visit.modes[choice.mode]
        day = depot.days[choice.day]
        if visit.stop or choice.late:
            visit.held_on = day
        else:
            visit.day = day


def annotate(visits: Sequence[Visit], plan: Plan, depot: Depot) -> list[str]:
    """Add the notes to ``told`` of each visit; returns the statutory dates that cannot be kept, with the cause."""
    lost = []
    for i, visit in enumerate(visits):
        choice = plan.get(i)
        notes = [f"overdue since {visit.overdue_since}"] if visit.overdue_since else []
        if visit.within:
            notes.append("drawn by lot, without a sign of a fault, so that scores can be checked against what is found")
        if visit.stop:
            notes += _stopped(visit, depot)
        dates_lost = _dates_lost(visit, visits, plan, depot)
        notes += dates_lost
        lost += [f"{visit.vehicle_id}: {told}" for told in dates_lost]
        notes += _wishes(visit, visits, plan, depot)
        notes += _left_out(visit, visits, plan, depot)
        notes += _no_day(visit, visits, plan, depot) if not dates_lost else []
        if choice is not None and visit.day is not None and visit.taken.joined:
            notes.append("a statutory inspection due soon after is done in the same visit")
        visit.told = [*notes, *visit.told, *_rests_on(visit, depot)]
    return lost


def _stopped(visit: Visit, depot: Depot) -> list[str]:
    must_not = "must not go on the road before a qualified inspector has seen it and decides"
    if visit.held_on is None:
        return [must_not]
    only = "" if visit.taken.look else ", for its statutory inspection only"
    return [must_not, f"hours are kept free for it at {where(depot)} on {visit.held_on}{only}"]


def _dates_lost(visit: Visit, visits: Sequence[Visit], plan: Plan, depot: Depot) -> list[str]:
    """A sentence for each statutory date that is not kept."""
    lost = visit.lost
    if not lost:
        return []
    if len(lost) < len(visit.modes[0].dates) or (visit.day is not None and not visit.taken.dates):
        return _lost_beside(visit, visits, plan, depot)
    cause = why_not(visit, visits, plan, depot, visit.deadline)
    held = f"; hours are kept free on {visit.held_on}" if visit.held_on and not visit.stop else ""
    told: list[str] = []
    for kind, due in lost:
        past = due < depot.days[0]
        first = f"no day found for what is overdue since {due}" if past else f"date {due} cannot be kept"
        told.append(f"{first}: {cause}{held}" if not told else f"{first} ({kind}) either")
    return told


def _lost_beside(visit: Visit, visits: Sequence[Visit], plan: Plan, depot: Depot) -> list[str]:
    """Of a vehicle that has its one visit: what that leaves out."""
    cause = why_not(visit, visits, plan, depot, visit.deadline)
    found = []
    for kind, due in visit.lost:
        what = f"overdue since {due}, and not in this visit" if due < depot.days[0] else f"date {due} cannot be kept"
        found.append(f"{what} ({kind}; a vehicle has one visit in a plan): all in one visit has no room, {cause}")
    return found


def _left_out(visit: Visit, visits: Sequence[Visit], plan: Plan, depot: Depot) -> list[str]:
    """That the look at what was flagged is not in the visit, and why."""
    if visit.taken.look or (visit.day is None and visit.held_on is None):
        return []
    place = f"{wheel_words(visit.wheel)} ({visit.wheel})" if visit.wheel else "what was flagged"
    cause = why_not(visit, visits, plan, depot, visit.deadline)
    return [f"no hours for a look at {place} in this visit, it has to be planned apart: {cause}"]


def _wishes(visit: Visit, visits: Sequence[Visit], plan: Plan, depot: Depot) -> list[str]:
    choice = next((plan[i] for i, one in enumerate(visits) if one is visit and i in plan), None)
    if visit.fixed is not None:
        if choice is not None and not choice.broken:
            return ["day fixed by a planner"]
        return [f"the day {visit.fixed} fixed by a planner cannot be kept: {_why_not_then(visit, visits, plan, depot)}"]
    if visit.barred is not None and choice is not None and choice.broken:
        return [f"the deferral until {visit.barred} is not kept: the statutory date {visit.deadline} comes first"]
    return [f"deferred until {visit.barred}"] if visit.barred is not None else []


def _why_not_then(visit: Visit, visits: Sequence[Visit], plan: Plan, depot: Depot) -> str:
    assert visit.fixed is not None
    return why_not_on(visit, visits, plan, depot, visit.fixed)


def _no_day(visit: Visit, visits: Sequence[Visit], plan: Plan, depot: Depot) -> list[str]:
    week = depot.days[:WEEK_DAYS][-1]
    if visit.day is None and visit.held_on is None and not visit.within:
        if visit.earliest is not None and visit.earliest > depot.days[-1]:
            return []  # a planner wanted it so, and that is told
        if visit.fixed is not None and not (visit.dated or visit.own):
            return []  # no other day was asked for, and why that one has no room is told
        return [f"no day found: {why_not(visit, visits, plan, depot)}"]
    late = visit.priority == THIS_WEEK and visit.own and visit.day is not None and visit.day > week
    if late and visit.fixed is None and (visit.earliest is None or visit.earliest <= week):
        return [f"later than {PRIORITY_TEXT[THIS_WEEK]}: {why_not(visit, visits, plan, depot, week)}"]
    return []


def _rests_on(visit: Visit, depot: Depot) -> list[str]:
    """Whether assumed hours stand behind the day, or behind having none."""
    at: date | None = visit.day or visit.held_on
    days = zip(depot.days, depot.rooms, strict=True)
    assumed = any(room.basis == "assumed" for day, room in days if at is None or day == at)
    return ["capacity assumed: eight bay hours on working days"] if assumed else []

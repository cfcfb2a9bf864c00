"""What the plan says beside each visit."""

from collections.abc import Sequence
from datetime import date

from fleetbrake.core.vocabulary import PRIORITY_TEXT
from fleetbrake.planning.calendar import Depot
from fleetbrake.planning.gain import Choice, Plan
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
        date_lost = _date_lost(visit, visits, plan, depot)
        if date_lost:
            notes.append(date_lost)
            lost.append(f"{visit.vehicle_id}: {date_lost}")
        notes += _wishes(visit, choice, depot)
        notes += _no_day(visit, visits, plan, depot) if not date_lost else []
        if choice is not None and visit.day is not None and visit.taken.joined:
            notes.append("a statutory inspection due soon after is done in the same visit")
        visit.told = [*notes, *visit.told, *_rests_on(visit, depot)]
    return lost


def date_kept(visit: Visit) -> bool:
    """True where the visit's statutory date is kept: one past is kept by any day of the plan."""
    at = visit.held_on if visit.stop else visit.day
    return at is not None and (visit.deadline is None or at <= visit.deadline)


def _stopped(visit: Visit, depot: Depot) -> list[str]:
    must_not = "must not go on the road before a qualified inspector has seen it and decides"
    if visit.held_on is None:
        return [must_not]
    return [must_not, f"hours are kept free for it at {where(depot)} on {visit.held_on}"]


def _date_lost(visit: Visit, visits: Sequence[Visit], plan: Plan, depot: Depot) -> str | None:
    if not visit.dated or date_kept(visit):
        return None
    cause = why_not(visit, visits, plan, depot, visit.deadline)
    held = f"; hours are kept free on {visit.held_on}" if visit.held_on and not visit.stop else ""
    if visit.deadline is None:
        return f"no day found for what is overdue since {visit.overdue_since}: {cause}{held}"
    return f"date {visit.deadline} cannot be kept: {cause}{held}"


def _wishes(visit: Visit, choice: Choice | None, depot: Depot) -> list[str]:
    if visit.fixed is not None:
        if choice is not None and not choice.broken:
            return ["day fixed by a planner"]
        return [f"the day {visit.fixed} fixed by a planner cannot be kept: {why_not_on(visit, depot, visit.fixed)}"]
    if visit.barred is not None and choice is not None and choice.broken:
        return [f"the deferral until {visit.barred} is not kept: the statutory date {visit.deadline} comes first"]
    return [f"deferred until {visit.barred}"] if visit.barred is not None else []


def _no_day(visit: Visit, visits: Sequence[Visit], plan: Plan, depot: Depot) -> list[str]:
    week = depot.days[:WEEK_DAYS][-1]
    if visit.day is None and visit.held_on is None and not visit.within:
        if visit.earliest is not None and visit.earliest > depot.days[-1]:
            return []  # a planner wanted it so, and that is told
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

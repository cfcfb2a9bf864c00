"""What a plan is worth: the choices each visit has, what each gains, and what counts before any gain.

The unit of a gain is the *defect day*: one day by which one certain defect is found earlier. A plan is compared by its
:func:`levels`, the first that differs decides, so that no gain ever buys a statutory date.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import NamedTuple

from fleetbrake.planning.hours import Minutes
from fleetbrake.planning.visits import THIS_WEEK, WEEK_DAYS, Mode, Visit

#: Days after the plan's begin by which a defect would be found anyway, without a statutory date before. Own choice:
#: a service or a driver's complaint comes about once a quarter.
FOUND_ANYWAY_DAYS = 90
#: Statutory inspections due up to this many days after the plan may be done in the same visit. Own choice: earlier
#: than that too much of the interval is given away.
JOIN_DAYS = 30
#: Gain of a joined visit (defect days). Own choice: one stay in the workshop less is worth a certain defect found
#: three days earlier.
JOIN_GAIN = 3.0
#: Gain of a visit in the plan's first seven days where the priority asks for this week (defect days). Own choice:
#: more than a lower priority can gain in three weeks, so that the list and the plan do not contradict each other.
WEEK_GAIN = 20.0
#: Cost of the second vehicle of a depot on a day (defect days); the third costs twice that, the fourth three times.
#: Own choice: small, it spreads visits over days whose hours are free anyway.
CROWD_COST = 0.1
#: Gain a day that a visit is earlier (defect days). Own choice: of plans that are equal otherwise the earlier one.
EARLY_GAIN = 0.001
#: Probability of a defect where only a report asks for the visit, and where there is no score. Own choices: three
#: reports in ten are a defect of the brakes; without evidence one vehicle in ten has one, the share from which scores
#: are watched.
REPORT_CHANCE, UNKNOWN_CHANCE = 0.3, 0.1


@dataclass(frozen=True)
class Choice:
    """One day and mode of a visit. ``late``: after the statutory date, hours are only held. ``broken``: against a wish.

    ``gain`` in defect days, without what depends on other visits.
    """

    day: int
    mode: int
    minutes: Minutes
    late: bool
    broken: bool
    gain: float


class Levels(NamedTuple):
    """What is compared, most important first; more is better. ``*_early`` count days from a day beyond the plan.

    Hours for what must not be driven come before the wishes of planners (own choice: what is held earns nothing).
    """

    dates_kept: float
    earliest_kept: float
    stopped_early: float
    wishes_kept: float
    musts_planned: float
    overdue_early: float
    musts_early: float
    gain: float


#: A plan: the choice of each visit, by its place in the list of visits; visits without a day are not in it.
Plan = Mapping[int, Choice]


def choices(visit: Visit, days: Sequence[date]) -> list[Choice]:
    """Everything that can be done with a visit, by day and mode."""
    found = []
    for number, day in enumerate(days):
        late = visit.deadline is not None and day > visit.deadline
        if (visit.earliest is not None and day < visit.earliest) or (visit.within and day not in visit.within):
            continue
        if visit.fixed is not None and day != visit.fixed and not (visit.dated or visit.own):
            continue
        for place, mode in enumerate(visit.modes):
            if late and place > 0 and not (visit.stop and mode.look):
                continue  # after the date hours are held for everything, or for seeing what is stopped
            value = 0.0 if late or visit.stop else _gain(visit, number, day, len(days), mode)
            found.append(Choice(number, place, mode.minutes, late, _against_wish(visit, day), value))
    return found


def worth(visit: Visit, choice: Choice, days: Sequence[date]) -> Levels:
    """What one choice adds to each level; of the gain without the cost of other vehicles on the same day."""
    mode = visit.modes[choice.mode]
    kept = () if choice.late else mode.dates
    never = 2 * len(days)
    return Levels(
        dates_kept=float(len(kept)),
        earliest_kept=float(sum(_urgency(due, days) for due in kept)),
        stopped_early=float(visit.stop and mode.look and never - choice.day),
        wishes_kept=float(visit.fixed is not None and not choice.broken)
        - float(visit.barred is not None and choice.broken),
        musts_planned=float(visit.must and mode.look),
        overdue_early=float(_overdue_early(visit, choice, len(days))),
        musts_early=float(visit.must and mode.look and never - choice.day),
        gain=choice.gain,
    )


def levels(visits: Sequence[Visit], plan: Plan, days: Sequence[date]) -> Levels:
    """What a plan of one depot reaches; the sum over its visits, less the cost of crowded days."""
    each = [worth(visits[i], plan[i], days) for i in sorted(plan)]
    sums = [sum(column) for column in zip(*each, strict=True)] if each else [0.0] * len(Levels._fields)
    return Levels(*sums)._replace(gain=gain(visits, plan))


def gain(visits: Sequence[Visit], plan: Plan) -> float:
    """Defect days and joined visits less the cost of vehicles off the road at once."""
    crowd: dict[int, int] = {}
    for i, choice in plan.items():
        if not visits[i].stop:
            crowd[choice.day] = crowd.get(choice.day, 0) + 1
    return sum(plan[i].gain for i in sorted(plan)) - sum(crowd_cost(n) for _, n in sorted(crowd.items()))


def days_saved(visit: Visit, day: date) -> int:
    """Days by which a defect is found earlier by a visit on ``day``."""
    return max(0, (visit.horizon - day).days)


def horizon(dates: Sequence[date], start: date) -> date:
    """The day on which a defect would be found anyway: the next statutory date, at most a quarter ahead."""
    return min([start + timedelta(days=FOUND_ANYWAY_DAYS), *(day for day in dates if day >= start)])


def crowd_cost(vehicles: int) -> float:
    """Cost of ``vehicles`` of a depot in the workshop on one day (defect days); convex."""
    return CROWD_COST * vehicles * (vehicles - 1) / 2


def _urgency(due: date, days: Sequence[date]) -> int:
    """More for an earlier date, most for one that is past; what is kept first where not all can be."""
    return len(days) + 1 if due < days[0] else len(days) - (due - days[0]).days


def _overdue_early(visit: Visit, choice: Choice, length: int) -> int:
    """Days by which what is overdue, or held after its date, is early; the same for all that is done in time.

    What is overdue is looked into as well, on a later day if need be, before it is only inspected (own choice: it
    has waited already, and one visit is all that it gets).
    """
    mode = visit.modes[choice.mode]
    if not visit.dated or visit.stop or not (choice.late or mode.dates):
        return 0
    if choice.late or (visit.overdue_since is not None and mode.look):
        return 2 * length - choice.day
    return length - choice.day if visit.overdue_since is not None else 2 * length


def _gain(visit: Visit, number: int, day: date, length: int, mode: Mode) -> float:
    """A visit that leaves out what was flagged finds nothing earlier (own choice: nobody looks where the sign is)."""
    in_week = visit.own and visit.priority == THIS_WEEK and number < WEEK_DAYS
    found = visit.chance * days_saved(visit, day) + WEEK_GAIN * in_week
    return found * mode.look + EARLY_GAIN * (length - number) + JOIN_GAIN * mode.joined


def _against_wish(visit: Visit, day: date) -> bool:
    return (visit.fixed is not None and day != visit.fixed) or (visit.barred is not None and day < visit.barred)

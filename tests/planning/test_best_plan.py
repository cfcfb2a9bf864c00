"""The solver against every plan there is, on small cases; and against the plain plan on any.

What a plan is worth is written out here once more, from the words of ``fleetbrake.planning.gain``, and every
assignment of visits to days and modes is tried. Levels but the gain are whole numbers; gains agree within 1e-6, the
absolute gap at which the solver stops.
"""

import itertools
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from a_few import a_few
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleetbrake.planning.calendar import Depot, Room
from fleetbrake.planning.gain import Plan, levels
from fleetbrake.planning.greedy import plain_plan
from fleetbrake.planning.hours import Minutes
from fleetbrake.planning.polish import better, polish
from fleetbrake.planning.solver import solve
from fleetbrake.planning.visits import Mode, Visit

START = date(2026, 3, 9)
TOLERANCE = 1e-6
Spot = tuple[int, int] | None  # day and mode


def day(number: int | None) -> date | None:
    return None if number is None else START + timedelta(days=number)


def drawn_case(seed: int, visits: int = 5, length: int = 4) -> tuple[list[Visit], Depot]:
    """A depot with too little of everything, and visits of every sort."""
    rng = np.random.default_rng(seed)
    days = [START + timedelta(days=n) for n in range(length)]

    def maybe(share: float, value: Any) -> Any:
        return value if rng.random() < share else None

    rooms = [
        Room(
            bay=int(rng.choice([0, 60, 120, 180, 240])),
            roller=maybe(0.5, int(rng.choice([0, 30, 60, 90]))),
            inspector=maybe(0.5, int(rng.choice([60, 120, 180]))),
            visits=maybe(0.4, int(rng.integers(0, 3))),
            min_on_road=3,
            basis="date",
        )
        for _ in days
    ]
    found = [drawn_visit(rng, f"v{n}", n + 1, length) for n in range(visits)]
    return found, Depot("North", days, rooms, 10, 1)


def drawn_visit(rng: np.random.Generator, name: str, rank: int, length: int) -> Visit:
    sort = rng.choice(["due", "overdue", "flagged", "flagged", "must", "stop", "fixed"])
    bay, roller = int(rng.choice([30, 60, 90, 120])), int(rng.choice([0, 15, 30]))
    plain = Mode(Minutes(bay, roller, bay // 2), ())
    visit = Visit(
        vehicle_id=name,
        depot="North",
        rank=rank,
        priority=str(rng.choice(["this_week", "next_service"])),
        reason="",
        modes=(plain,),
        horizon=START + timedelta(days=int(rng.integers(length, 90))),
        chance=float(np.round(rng.random(), 3)),
        own=sort in ("flagged", "must", "stop") or bool(rng.random() < 0.3 and sort != "fixed"),
        must=sort == "must",
        stop=sort == "stop",
    )
    dated = sort in ("due", "stop") and rng.random() < 0.8
    if dated:
        visit.deadline = visit.horizon = day(int(rng.integers(0, length)))
    if sort == "overdue":
        visit.overdue_since = START - timedelta(days=3)
    visit.modes = drawn_modes(rng, visit, plain.minutes, length)
    wish = rng.random()
    if sort == "fixed" or (sort in ("flagged", "must") and wish < 0.3):
        visit.fixed = day(int(rng.integers(0, length)))
    elif sort == "flagged" and wish < 0.6:
        visit.earliest = day(int(rng.integers(0, length)))
    elif sort == "due" and visit.deadline and wish < 0.6:
        limit = (visit.deadline - START).days
        wished = day(int(rng.integers(0, limit + 1)))
        visit.fixed, visit.barred = (wished, None) if wish < 0.3 else (None, wished)
    return visit


def drawn_modes(rng: np.random.Generator, visit: Visit, whole: Minutes, length: int) -> tuple[Mode, ...]:
    """Everything; and what may be left out of it or joined to it, where there is more than one part."""
    dates = [due for due in (visit.overdue_since, visit.deadline) if due is not None]
    if dates and rng.random() < 0.4:
        dates.append(dates[-1] if visit.deadline else START + timedelta(days=length - 1))
        visit.deadline = visit.deadline or dates[-1]
        visit.horizon = min(visit.horizon, visit.deadline)
    modes = [Mode(whole, tuple("a" for _ in dates), dates=tuple(dates))]
    if not visit.stop and rng.random() < 0.4:
        more = Minutes(whole.bay + 60, whole.roller + 15, whole.inspector + 30)
        modes.append(Mode(more, (*modes[0].kinds, "brake test"), True, tuple(dates)))
    flagged = visit.own or visit.must
    for number in range(len(dates) - 1, 0, -1):
        modes.append(Mode(part(whole, 0.7), ("a",) * number, dates=tuple(dates[:number])))
    if flagged:
        modes += [
            Mode(part(whole, 0.3 * number), ("a",) * number, dates=tuple(dates[:number]), look=False)
            for number in range(len(dates), 0, -1)
        ]
        modes += [Mode(part(whole, 0.4), ())] if dates else []
    return tuple(modes)


def part(whole: Minutes, share: float) -> Minutes:
    return Minutes(*(int(share * value) for value in whole))


def spots(visit: Visit, length: int) -> list[Spot]:
    """Everything that may be done with a visit; no day is one of them."""
    found: list[Spot] = [None]
    for number in range(length):
        at = START + timedelta(days=number)
        if visit.earliest and at < visit.earliest:
            continue
        optional = visit.own or visit.deadline or visit.overdue_since
        if visit.fixed and at != visit.fixed and not optional:
            continue
        late = visit.deadline is not None and at > visit.deadline
        found += [
            (number, place)
            for place, mode in enumerate(visit.modes)
            if not late or place == 0 or (visit.stop and mode.look)
        ]
    return found


def holds(visits: list[Visit], depot: Depot, taken: tuple[Spot, ...]) -> bool:
    for number, room in enumerate(depot.rooms):
        here = [
            (v, v.modes[spot[1]].minutes) for v, spot in zip(visits, taken, strict=True) if spot and spot[0] == number
        ]
        if sum(m.bay for _, m in here) > room.bay:
            return False
        if room.roller is not None and sum(m.roller for _, m in here) > room.roller:
            return False
        if room.inspector is not None and sum(m.inspector for _, m in here) > room.inspector:
            return False
        if room.visits is not None and sum(not v.stop for v, _ in here) > room.visits:
            return False
    return True


def value(visits: list[Visit], taken: tuple[Spot, ...], length: int) -> tuple[float, ...]:
    """The levels in their order, from the words."""
    kept = earliest = wishes = musts = stop_early = overdue_early = must_early = 0
    gain = 0.0
    crowd: dict[int, int] = {}
    for v, spot in zip(visits, taken, strict=True):
        if spot is None:
            continue
        number, mode = spot[0], v.modes[spot[1]]
        at = START + timedelta(days=number)
        late = v.deadline is not None and at > v.deadline
        for due in () if late else mode.dates:
            kept += 1
            earliest += length + 1 if due < START else length - (due - START).days
        wishes += int(v.fixed == at) - int(v.barred is not None and at < v.barred)
        musts += v.must and mode.look
        must_early += (2 * length - number) if v.must and mode.look else 0
        stop_early += (2 * length - number) if v.stop and mode.look else 0
        if late and not v.stop:
            overdue_early += 2 * length - number
        elif mode.dates and not v.stop:
            fully = v.overdue_since is None or mode.look  # overdue: rather later than without the look
            overdue_early += (2 if fully else 1) * length - (number if v.overdue_since else 0)
        if v.stop:
            continue
        crowd[number] = crowd.get(number, 0) + 1
        if not late:
            found = v.chance * max(0, (v.horizon - at).days) + 20.0 * (v.own and v.priority == "this_week")
            gain += (found if mode.look else 0.0) + 3.0 * mode.joined + 0.001 * (length - number)
    for vehicles in crowd.values():
        gain -= sum(0.1 * place for place in range(vehicles))
    return kept, earliest, stop_early, wishes, musts, overdue_early, must_early, gain


def best_of_all(visits: list[Visit], depot: Depot) -> tuple[float, ...]:
    length = len(depot.days)
    every = itertools.product(*(spots(visit, length) for visit in visits))
    return max(value(visits, taken, length) for taken in every if holds(visits, depot, taken))


def taken_by(visits: list[Visit], plan: Plan) -> tuple[Spot, ...]:
    return tuple((plan[i].day, plan[i].mode) if i in plan else None for i in range(len(visits)))


@pytest.mark.parametrize("seed", a_few(range(80), *range(30)))
def test_the_plan_is_the_best_of_all_plans(seed: int) -> None:
    visits, depot = drawn_case(seed, visits=4 if seed % 2 else 5, length=4 if seed % 2 else 3)
    solved = solve(visits, depot, 60.0)
    assert solved is not None
    taken = taken_by(visits, solved.plan)
    assert all(spot in spots(visit, len(depot.days)) for visit, spot in zip(visits, taken, strict=True))
    assert holds(visits, depot, taken)
    own, best = value(visits, taken, len(depot.days)), best_of_all(visits, depot)
    assert own[:-1] == best[:-1]
    assert own[-1] == pytest.approx(best[-1], abs=TOLERANCE)
    assert tuple(levels(visits, solved.plan, depot.days)) == pytest.approx(own, abs=1e-9)  # the same words twice
    assert solved.bound >= own[-1] - TOLERANCE
    assert solved.bound == pytest.approx(best[-1], abs=2 * TOLERANCE), "proven"
    assert solved.proven


def test_the_small_cases_hold_every_sort_of_conflict() -> None:
    """What the enumeration proves is only worth something if dates are lost, wishes broken and musts left out."""
    lost = broken = left = joined = unseen = partly = 0
    for seed in range(80):
        visits, depot = drawn_case(seed, visits=4 if seed % 2 else 5, length=4 if seed % 2 else 3)
        plan = solve(visits, depot, 60.0).plan
        lost += any((v.deadline or v.overdue_since) and (i not in plan or plan[i].late) for i, v in enumerate(visits))
        broken += any((v.fixed and i not in plan) or (i in plan and plan[i].broken) for i, v in enumerate(visits))
        left += any(v.must and i not in plan for i, v in enumerate(visits))
        taken = [(visits[i], visits[i].modes[choice.mode]) for i, choice in plan.items()]
        joined += any(mode.joined for _, mode in taken)
        unseen += any(not mode.look for _, mode in taken)
        partly += any(len(mode.dates) < len(visit.modes[0].dates) for visit, mode in taken)
    assert min(lost, broken, left, joined, unseen, partly) >= 3


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(100, 10**6), st.integers(1, 14), st.integers(3, 8))
def test_never_worse_than_the_plain_plan(seed: int, visits: int, length: int) -> None:
    cases, depot = drawn_case(seed, visits, length)
    plain = plain_plan(cases, depot)
    assert holds(cases, depot, taken_by(cases, plain))
    solved = solve(cases, depot, 60.0)
    assert solved is not None
    assert holds(cases, depot, taken_by(cases, solved.plan))
    own, others = (value(cases, taken_by(cases, plan), length) for plan in (solved.plan, plain))
    assert (own[:-1], own[-1] + TOLERANCE) >= (others[:-1], others[-1])


@pytest.mark.parametrize("seed", a_few(range(40), *range(15)))
def test_small_improvements_never_make_a_plan_worse_and_hold_the_limits(seed: int) -> None:
    visits, depot = drawn_case(seed, visits=8, length=5)
    solved = solve(visits, depot, 60.0)
    assert solved is not None
    top = levels(visits, solved.plan, depot.days)
    for start in ({}, plain_plan(visits, depot), solved.plan):
        plan = polish(visits, start, depot)
        taken = taken_by(visits, plan)
        assert holds(visits, depot, taken)
        assert all(spot in spots(visit, len(depot.days)) for visit, spot in zip(visits, taken, strict=True))
        reached = levels(visits, plan, depot.days)
        assert not better(levels(visits, start, depot.days), reached)
        assert not better(reached, top)


def test_small_improvements_come_near_the_best_plan() -> None:
    """From nothing at all to the best in most small cases; what a plan without the solver is worth."""
    best = 0
    for seed in range(40):
        visits, depot = drawn_case(seed, visits=8, length=5)
        plan = polish(visits, {}, depot)
        best += not better(
            levels(visits, solve(visits, depot, 60.0).plan, depot.days), levels(visits, plan, depot.days)
        )
    assert best >= 25


def test_alike_visits_come_by_rank_then_id() -> None:
    days = [START + timedelta(days=n) for n in range(4)]
    room = Room(60, None, None, None, None, "date")
    one = Visit("x", "North", 0, "next_service", "", (Mode(Minutes(60, 0, 60), ()),), START + timedelta(days=90),
                chance=0.5, own=True)  # fmt: skip
    visits = [replace(one, vehicle_id=name, rank=rank) for name, rank in (("c", 2), ("a", 3), ("b", 2), ("d", 1))]
    solved = solve(visits, Depot("North", days, [room] * 4, 4, 0), 60.0)
    assert solved is not None
    assert [visits[i].vehicle_id for i in sorted(solved.plan, key=lambda i: solved.plan[i].day)] == ["d", "b", "c", "a"]


def test_a_depot_without_visits_has_an_empty_plan_that_is_proven() -> None:
    solved = solve([], Depot("North", [START], [Room(60, None, None, None, None, "date")], 1, 0), 1.0)
    assert solved is not None and (solved.plan, solved.bound, solved.proven) == ({}, 0.0, True)

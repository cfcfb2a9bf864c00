"""The best plan of one depot, exactly: mixed-integer linear programs, one level after the other.

First with every statutory date, held vehicle, wish and must as a row; what is left is to be early and to gain. Where no
such plan exists, with the dates alone; else the levels of :class:`~fleetbrake.planning.gain.Levels` are maximised in
turn from the first one on, each held at its best for the next.
"""

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

from fleetbrake.planning.calendar import Depot
from fleetbrake.planning.gain import Choice, Levels, Plan, choices, levels, worth
from fleetbrake.planning.program import GAIN_LEVEL, Complete, Program, complete, program
from fleetbrake.planning.quiet import nothing_printed
from fleetbrake.planning.visits import Visit, order

#: Nodes of one program. Own choice: some seconds for a depot of a hundred visits; counted, so that the same store gives
#: the same plan on any machine that is not so slow that the clock ends it first.
NODES = 500
#: Relative gap of the gain at which a program with more than ``SMALL`` choices may end. Own choice: a visit or
#: two a day later.
GAP, SMALL = 5e-4, 400
#: Levels that a complete plan may have as rows: all before what is early only, the dates alone, none.
_COMPLETE = (Levels._fields.index("overdue_early"), Levels._fields.index("stopped_early"), 0)
_CLOCK_S = 0.05  # how exactly the solver keeps its time
_HELD = 0.5  # every level but the gain is a whole number


@dataclass(frozen=True)
class Solved:
    """The plan, and the gain that no plan with the same levels before it exceeds.

    ``proven``: no level before the gain was cut short. ``in_time``: the clock ended nothing.
    """

    plan: Plan
    bound: float
    proven: bool
    in_time: bool = True


def solve(visits: Sequence[Visit], depot: Depot, seconds: float) -> Solved | None:
    """The best plan, or None where the solver found none within its limits; ``seconds`` only bound a slow machine."""
    until = time.monotonic() + seconds
    whole = program(visits, depot)
    if not whole.items:
        return Solved({}, 0.0, True)
    for number in _COMPLETE:
        found = _in_turn(whole, visits, depot, complete(whole, number), until)
        if found is not None or time.monotonic() > until:
            return found
    return None


def settle_ties(visits: Sequence[Visit], plan: Plan, depot: Depot) -> dict[int, Choice]:
    """Among visits that could change places without any difference the better ranked one comes earlier, then by id."""
    alike: dict[tuple[Any, ...], list[int]] = {}
    for i in sorted(range(len(visits)), key=lambda i: order(visits[i])):
        own = tuple((choice, worth(visits[i], choice, depot.days)) for choice in choices(visits[i], depot.days))
        alike.setdefault((visits[i].stop, own), []).append(i)
    settled: dict[int, Choice] = {}
    for members in alike.values():
        taken = sorted((plan[i] for i in members if i in plan), key=lambda choice: (choice.day, choice.mode))
        settled |= dict(zip(members, taken, strict=False))
    return settled


def _in_turn(whole: Program, visits: Sequence[Visit], depot: Depot, held: Complete, until: float) -> Solved | None:
    """Maximise one level after the other, in complete plans those that are open; None where there is no plan."""
    best: NDArray[np.float64] | None = None
    proven, bound = True, math.inf
    rows = [held.rows] if held.bound else []
    for level in range(held.levels, GAIN_LEVEL + 1):
        if level != GAIN_LEVEL and whole.settled(level, held):
            continue
        result = _run(whole, level, rows, held, until)
        if result.x is None:
            proven = False
            break
        best = np.round(result.x)
        if level == GAIN_LEVEL:
            bound = -float(result.mip_dual_bound)
        else:
            proven = proven and result.status == 0
            rows = [*rows, whole.row(level, float(whole.objective(level) @ best) - _HELD)]
    if best is None:
        return None
    plan = settle_ties(visits, whole.chosen(best), depot)
    in_time = time.monotonic() < until - _CLOCK_S
    return Solved(plan, max(bound, levels(visits, plan, depot.days).gain), proven, in_time)


def _run(whole: Program, level: int, rows: list[LinearConstraint], held: Complete, until: float) -> Any:
    count, helpers = len(whole.items), len(whole.crowd)
    most = held.allowed.astype(float)
    options = {
        "time_limit": max(0.1, until - time.monotonic()),
        "node_limit": NODES,
        "mip_rel_gap": GAP if level == GAIN_LEVEL and count > SMALL else 0.0,
    }
    with nothing_printed():
        return milp(
            -whole.objective(level),
            integrality=np.concatenate([np.ones(count), np.zeros(helpers)]),
            bounds=Bounds(0.0, np.concatenate([most, np.ones(helpers)])),
            constraints=[whole.limits, *rows],
            options=options,
        )

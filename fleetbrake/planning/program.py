"""One depot's plan as a mixed-integer linear program: variables, rows, and what each level maximises."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import LinearConstraint

from fleetbrake.planning.calendar import Depot, demand
from fleetbrake.planning.gain import CROWD_COST, Choice, Levels, choices, worth
from fleetbrake.planning.visits import Visit

GAIN_LEVEL = Levels._fields.index("gain")
_Cell = tuple[int, int, float]  # row, column, value


@dataclass(frozen=True)
class Complete:
    """What holds in a plan in which every visit reaches what it could alone, at the first ``levels`` levels.

    ``allowed`` marks the items such a plan may have; ``rows`` ask for one of them for each of the ``bound`` visits.
    """

    levels: int
    rows: LinearConstraint
    allowed: NDArray[np.bool_]
    bound: frozenset[int]


@dataclass(frozen=True)
class Program:
    """``items`` are the choices as (place of the visit, choice), one binary variable each; after them come helpers.

    ``worths`` is (items, levels). The helpers are continuous between 0 and 1: for each day the second vehicle, the
    third and so on, with the ``crowd`` cost of each. ``limits`` holds one visit a vehicle and the limits of each day.
    """

    items: list[tuple[int, Choice]]
    worths: NDArray[np.float64]
    crowd: NDArray[np.float64]
    limits: LinearConstraint

    def objective(self, level: int) -> NDArray[np.float64]:
        """Coefficients to maximise for one level."""
        costs = -self.crowd if level == GAIN_LEVEL else np.zeros_like(self.crowd)
        return np.concatenate([self.worths[:, level], costs])

    def row(self, level: int, least: float) -> LinearConstraint:
        """Holds a level at ``least`` or more."""
        return LinearConstraint(sparse.csr_array(self.objective(level)[None, :]), least, np.inf)

    def settled(self, level: int, complete: Complete) -> bool:
        """True where a level is the same for all complete plans."""
        worth_of: dict[int, set[float]] = {}
        for k in np.flatnonzero(complete.allowed):
            worth_of.setdefault(self.items[k][0], set()).add(float(self.worths[k, level]))
        return all(len(values) == 1 if i in complete.bound else values == {0.0} for i, values in worth_of.items())

    def chosen(self, x: NDArray[np.float64]) -> dict[int, Choice]:
        """The plan that a solution stands for."""
        return {self.items[k][0]: self.items[k][1] for k in np.flatnonzero(x[: len(self.items)] > 0.5)}


def program(visits: Sequence[Visit], depot: Depot) -> Program:
    """Build the program; choices that no empty day could hold are left out."""
    items = [
        (i, choice)
        for i, visit in enumerate(visits)
        for choice in choices(visit, depot.days)
        if _fits(visit, choice, depot)
    ]
    worths = np.array([worth(visits[i], choice, depot.days) for i, choice in items]).reshape(len(items), GAIN_LEVEL + 1)
    helpers = list(_helpers(visits, items, depot))
    crowd = np.array([CROWD_COST * (place - 1) for _, place in helpers])
    columns = len(items) + len(helpers)
    cells: list[_Cell] = [(i, k, 1.0) for k, (i, _) in enumerate(items)]
    upper = [1.0] * len(visits)
    for number, room in enumerate(depot.rooms):
        for kind, limit in enumerate(room.limits()):
            if limit is not None:
                uses = list(_uses(visits, items, number, kind, len(upper)))
                step = math.gcd(*(int(value) for _, _, value in uses)) or 1
                cells += [(row, k, value / step) for row, k, value in uses]
                upper.append(float(limit // step))  # in steps that every visit takes whole: a tighter program
        cells += _uses(visits, items, number, 3, len(upper))
        cells += [(len(upper), len(items) + k, -1.0) for k, (day, _) in enumerate(helpers) if day == number]
        upper.append(1.0)
    limits = LinearConstraint(_matrix(cells, len(upper), columns), -np.inf, np.array(upper))
    return Program(items, worths, crowd, limits)


def _fits(visit: Visit, choice: Choice, depot: Depot) -> bool:
    pairs = zip(depot.rooms[choice.day].limits(), demand(choice.minutes, not visit.stop), strict=True)
    return all(limit is None or need <= limit for limit, need in pairs)


def _uses(visits: Sequence[Visit], items: list[tuple[int, Choice]], day: int, kind: int, row: int) -> Iterator[_Cell]:
    """What the choices of a day take of one of its limits."""
    for k, (i, choice) in enumerate(items):
        if choice.day == day and (need := demand(choice.minutes, not visits[i].stop)[kind]):
            yield row, k, float(need)


def _helpers(visits: Sequence[Visit], items: list[tuple[int, Choice]], depot: Depot) -> Iterator[tuple[int, int]]:
    """Day and place (the second vehicle, the third, ...) of each helper, as many as the day could ever need."""
    for number, room in enumerate(depot.rooms):
        here = [(i, choice.minutes.bay) for i, choice in items if choice.day == number and not visits[i].stop]
        if here:
            most = min(len({i for i, _ in here}), room.bay // max(1, min(bay for _, bay in here)))
            yield from ((number, place) for place in range(2, most + 1))


def complete(whole: Program, levels: int) -> Complete:
    """Each visit at its best by the first ``levels`` levels, compared one after the other; they add up over visits,
    so that no plan reaches more. A visit that adds nothing to them is free."""
    best: dict[int, tuple[float, ...]] = {}
    reached = [tuple(float(value) for value in row[:levels]) for row in whole.worths]
    nothing = (0.0,) * levels
    for (i, _), worth_ in zip(whole.items, reached, strict=True):
        best[i] = max(best.get(i, nothing), worth_)
    bound = [i for i in best if best[i] > nothing]
    row_of = {i: row for row, i in enumerate(bound)}
    at_best = np.array([worth_ == best[i] for (i, _), worth_ in zip(whole.items, reached, strict=True)], dtype=bool)
    cells = [(row_of[i], k, 1.0) for k, (i, _) in enumerate(whole.items) if i in row_of and at_best[k]]
    rows = LinearConstraint(_matrix(cells, len(bound), len(whole.items) + len(whole.crowd)), 1.0, np.inf)
    return Complete(levels, rows, at_best, frozenset(bound))


def _matrix(cells: Sequence[_Cell], rows: int, columns: int) -> Any:
    places = np.array([cell[:2] for cell in cells], dtype=np.int64).reshape(-1, 2)
    values = np.array([cell[2] for cell in cells])
    return sparse.csr_array((values, (places[:, 0], places[:, 1])), shape=(rows, columns))

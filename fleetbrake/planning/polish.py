"""Small improvements of a plan that the clock left unfinished: one visit moved, or two that make room for each other.

Used where the solver had too little time, so that a busy machine gives a plan that is nearly as good.
"""

import math
import time
from collections.abc import Iterable, Sequence

from fleetbrake.planning.calendar import Depot, Left
from fleetbrake.planning.gain import Choice, Levels, Plan, choices, crowd_cost, worth
from fleetbrake.planning.visits import Visit, order

#: Rounds over all visits. Own choice: most plans stand still after three.
_ROUNDS = 10
#: Least improvement of a gain (defect days): below it, it is rounding.
_LEAST = 1e-6


def polish(visits: Sequence[Visit], plan: Plan, depot: Depot, seconds: float = math.inf) -> Plan:
    """A plan that is at least as good at the first level that differs; the order of the tries is by rank and id.

    After ``seconds`` no further visit is tried.
    """
    until = time.monotonic() + seconds
    table = _Table(visits, plan, depot)
    ranked = sorted(range(len(visits)), key=lambda i: order(visits[i]))
    for _ in range(_ROUNDS):
        improved = False
        for i in ranked:
            if time.monotonic() > until:
                return table.plan
            improved |= table.move(i) or table.exchange(i, until)
        if not improved:
            break
    return table.plan


def better(one: Iterable[float], other: Iterable[float]) -> bool:
    """True where ``one`` beats ``other`` at the first level that differs."""
    for own, others in zip(one, other, strict=True):
        if abs(own - others) > _LEAST:
            return own > others
    return False


class _Table:
    """A plan with what is left of its days and what it is worth, kept up to date."""

    def __init__(self, visits: Sequence[Visit], plan: Plan, depot: Depot) -> None:
        self.plan: dict[int, Choice] = {}
        self._visits = visits
        self._choices = [choices(visit, depot.days) for visit in visits]
        self._worth = [
            {choice: worth(visit, choice, depot.days) for choice in own}
            for visit, own in zip(visits, self._choices, strict=True)
        ]
        self._left = Left(depot)
        self._crowd = [0] * len(depot.days)
        self._levels = [0.0] * len(Levels._fields)
        for i in sorted(plan):
            self._set(i, plan[i])

    def move(self, i: int) -> bool:
        """Give one visit the best place that is free; True where that improves the plan."""
        before, now = list(self._levels), self.plan.get(i)
        best, reached = now, before
        for choice in self._choices[i]:
            self._set(i, None)
            if self._fits(i, choice):
                self._set(i, choice)
                if better(self._levels, reached):
                    best, reached = choice, list(self._levels)
        self._set(i, best)
        return best is not now

    def exchange(self, i: int, until: float) -> bool:
        """Let one visit take a day from another one, which goes where it can; True where that improves the plan."""
        now = self.plan.get(i)
        for choice in self._choices[i]:
            if choice == now or time.monotonic() > until:
                continue
            if now is not None and not better(self._worth[i][choice], self._worth[i][now]):
                continue  # the other one has tried to move by itself, so that only this one can gain by it
            for j in [j for j, other in self.plan.items() if other.day == choice.day and j != i]:
                before, others = list(self._levels), self.plan[j]
                self._set(i, None)
                self._set(j, None)
                if self._fits(i, choice):
                    self._set(i, choice)
                    self.move(j)
                    if better(self._levels, before):
                        return True
                self._set(j, None)
                self._set(i, now)
                self._set(j, others)
        return False

    def _fits(self, i: int, choice: Choice) -> bool:
        return self._left.fits(choice.day, choice.minutes, not self._visits[i].stop)

    def _set(self, i: int, choice: Choice | None) -> None:
        """Put a visit somewhere else, or nowhere."""
        old = self.plan.pop(i, None)
        for one, sign in ((old, -1), (choice, 1)):
            if one is None:
                continue
            counts = not self._visits[i].stop
            self._left.take(one.day, one.minutes, counts, back=sign < 0)
            self._levels = [a + sign * b for a, b in zip(self._levels, self._worth[i][one], strict=True)]
            self._levels[-1] += crowd_cost(self._crowd[one.day])
            self._crowd[one.day] += sign * counts
            self._levels[-1] -= crowd_cost(self._crowd[one.day])
        if choice is not None:
            self.plan[i] = choice

"""The plain plan: one vehicle after the other, each on the first day that suits it. What the best plan is held against.

It also stands in where the solver finds nothing better within its limits. Nothing is joined to a visit, and something
is left out of it only where its date could not be kept otherwise.
"""

from collections.abc import Callable, Iterable, Sequence

from fleetbrake.planning.calendar import Depot, Left
from fleetbrake.planning.gain import Choice, Plan, choices
from fleetbrake.planning.visits import Visit, order


def plain_plan(visits: Sequence[Visit], depot: Depot) -> Plan:
    """Overdue vehicles; dates, as late as possible so that early days stay free; then stopped, fixed, musts, by rank.

    What is only due moves to the earliest day left, and dates that cannot be kept get the first day after them.
    """
    builder = _Builder(visits, depot)
    by_date = sorted(range(len(visits)), key=lambda i: (visits[i].due_on is None, visits[i].due_on, *order(visits[i])))
    by_rank = sorted(range(len(visits)), key=lambda i: order(visits[i]))
    overdue = [i for i in by_date if visits[i].overdue_since is not None]
    due = [i for i in by_date if visits[i].dated and visits[i].overdue_since is None]
    for i in overdue:
        builder.place(i, lambda choice: not choice.late)
    for i in due:
        builder.place(i, lambda choice: choice.mode == 0 and not choice.late and not choice.broken, latest=True)
    for i in due:  # without the wish, where it cannot be kept
        builder.place(i, lambda choice: choice.mode == 0 and not choice.late, latest=True)
    for i in due:
        builder.place(i, lambda choice: not choice.late, latest=True)
    groups: tuple[Callable[[Visit], bool], ...] = (
        lambda visit: visit.stop,
        lambda visit: visit.fixed is not None and not visit.dated,
        lambda visit: visit.must,
        lambda visit: not visit.dated,
    )
    for belongs in groups:
        for i in (i for i in by_rank if belongs(visits[i])):
            builder.place(i, lambda choice: not choice.broken)
    for i in by_rank:
        builder.place(i, lambda choice: not choice.late)
    for i in due:
        builder.earlier(i)
    for i in by_date:
        builder.place(i, lambda choice: True)
    return builder.plan


class _Builder:
    """Puts visits into what is left of the days."""

    def __init__(self, visits: Sequence[Visit], depot: Depot) -> None:
        self.plan: dict[int, Choice] = {}
        self._visits, self._left = visits, Left(depot)
        self._plain = [
            [
                [c for c in choices(v, depot.days) if c.mode == place]
                for place, mode in enumerate(v.modes)
                if not mode.joined
            ]
            for v in visits
        ]  # by what is left out, then by day

    def place(self, i: int, suits: Callable[[Choice], bool], latest: bool = False) -> None:
        """Give the visit, if it has no day yet, the first (or last) that suits and has room."""
        if i not in self.plan:
            for group in self._plain[i]:
                fitting = [choice for choice in group if suits(choice)]
                self._take(i, reversed(fitting) if latest else fitting)
                if i in self.plan:
                    return

    def earlier(self, i: int) -> None:
        """Move a visit to the first day that has its hours and keeps its wish as now; it never gets later."""
        now = self.plan.pop(i, None)
        if now is not None:
            self._left.take(now.day, now.minutes, not self._visits[i].stop, back=True)
            alike = (c for group in self._plain[i] for c in group if c.mode == now.mode and c.broken == now.broken)
            self._take(i, [c for c in alike if c.day <= now.day])

    def _take(self, i: int, wanted: Iterable[Choice]) -> None:
        alone = not self._visits[i].stop
        for choice in wanted:
            if self._left.fits(choice.day, choice.minutes, alone):
                self._left.take(choice.day, choice.minutes, alone)
                self.plan[i] = choice
                return

"""What the plan moves about: a visit, its statutory dates, and the ways in which it can be done."""

from dataclasses import dataclass, field
from datetime import date

from fleetbrake.planning.hours import Minutes

FLAGGED = ("before_next_trip", "this_week", "next_service")
STOP, THIS_WEEK = FLAGGED[:2]
WEEK_DAYS = 7
#: What is looked at where no indicator but a report or a lamp asks for the visit.
REPORT = "open_report"


@dataclass(frozen=True)
class DueDate:
    """One statutory inspection of a unit: its kind, its date, what it takes."""

    kind: str
    due_on: date
    minutes: Minutes


@dataclass(frozen=True)
class Mode:
    """One way to do a visit: the statutory inspections in it and what it takes in all.

    ``joined`` is True where one of them would not have been due before the plan ends. ``dates`` are the statutory dates
    of the plan, earliest first, that it meets if it is in time. ``look`` is False where what was flagged is left out.
    """

    minutes: Minutes
    kinds: tuple[str, ...]
    joined: bool = False
    dates: tuple[date, ...] = ()
    look: bool = True


@dataclass
class Visit:
    """One vehicle that is due, flagged, fixed or drawn. The planner sets what stands after ``told``.

    The first of ``modes`` is everything that the visit is for; others leave something out, or do more.
    ``deadline`` is the earliest statutory date within the plan, ``overdue_since`` one that passed before it.
    ``horizon`` is the day on which a defect would be found anyway. ``stop`` vehicles are outside the days of the plan.
    ``must`` asks for a day whatever it gains. ``earliest`` bars earlier days; ``fixed`` and ``barred`` are wishes about
    a visit that can still be kept. ``within`` holds the days that a drawn one may have.
    """

    vehicle_id: str
    depot: str | None
    rank: int
    priority: str | None
    reason: str
    modes: tuple[Mode, ...]
    horizon: date
    due_on: date | None = None
    deadline: date | None = None
    overdue_since: date | None = None
    probability: float | None = None
    chance: float = 0.0
    indicator: str | None = None
    wheel: str | None = None
    evidence: str | None = None
    stop: bool = False
    own: bool = False
    must: bool = False
    earliest: date | None = None
    fixed: date | None = None
    barred: date | None = None
    within: tuple[date, ...] = ()
    told: list[str] = field(default_factory=list)
    day: date | None = None
    held_on: date | None = None
    mode: Mode | None = None
    position: int | None = None

    @property
    def dated(self) -> bool:
        """True where a statutory date is overdue or falls within the plan."""
        return self.deadline is not None or self.overdue_since is not None

    @property
    def must_be_told(self) -> bool:
        """True where a visit without a day may not be dropped silently."""
        return self.dated or self.own or self.must or self.fixed is not None

    @property
    def taken(self) -> Mode:
        """The mode chosen; the plain one while none is."""
        return self.mode or self.modes[0]

    @property
    def lost(self) -> tuple[tuple[str, date], ...]:
        """Kind and statutory date of what is not kept; what is past is kept by any day of the plan."""
        whole, at = self.modes[0], self.held_on if self.stop else self.day
        in_time = at is not None and (self.deadline is None or at <= self.deadline)
        kept = len(self.taken.dates) if in_time else 0
        return tuple(zip(whole.kinds, whole.dates, strict=False))[kept:]


def order(visit: Visit) -> tuple[int, str]:
    """Ties go by rank, then by id; a vehicle without a rank comes last."""
    return visit.rank or 10**9, visit.vehicle_id

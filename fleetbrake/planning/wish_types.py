"""What planners asked of the plan, as the solver reads it: fixed days, deferrals, flags with their decisions."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime


@dataclass(frozen=True)
class Deferral:
    """No visit before ``until``; a statutory date is never put off by it."""

    until: date
    reason: str
    by: str


@dataclass(frozen=True)
class Flag:
    """One flag as it stands: the columns of the published table ``flags``."""

    flag_id: str
    vehicle_id: str
    indicator: str
    wheel: str | None
    raised_on: date
    priority: str | None = None
    state: str = "open"
    seen_by: str | None = None
    seen_at: datetime | None = None
    decision: str | None = None
    decided_by: str | None = None
    decided_at: datetime | None = None
    reason: str | None = None
    expires_on: date | None = None
    result: str | None = None
    closed_on: date | None = None
    age_days: int | None = None

    def decision_on(self, day: date) -> str | None:
        """The decision that stands on ``day``; None if there is none, it has expired, or the flag is closed."""
        if self.decision is None or self.closed_on is not None:
            return None
        return self.decision if self.expires_on is None or self.expires_on >= day else None


@dataclass(frozen=True)
class Wishes:
    """Everything the planners asked for: the day fixed for a vehicle, deferrals, and the flags that are not closed."""

    fixed: Mapping[str, date] = field(default_factory=dict)
    deferred: Mapping[str, Deferral] = field(default_factory=dict)
    flags: Sequence[Flag] = ()

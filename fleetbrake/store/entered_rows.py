"""What people may enter, kind by kind: checked when it is written and when it is read back."""

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from fleetbrake.core.vocabulary import INDICATORS
from fleetbrake.recordings.register_rows import Inspection, Moment, Repair

#: What a flag stands for besides an indicator: a report of a driver, a finding not repaired, a failed test, a lit lamp.
REPORT = "open_report"

#: A sentence of a person: neither empty nor a book.
Sentence = Annotated[str, StringConstraints(strip_whitespace=True, min_length=3, max_length=2000)]

Decision = Literal["inspect_now", "next_visit", "watch", "reject"]
Result = Literal["confirmed", "not_confirmed", "no_longer_shown", "other_found"]


class Body(BaseModel):
    """Base of all: no other fields, never changed."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class FindingEntered(Body):
    """One finding of an inspection, a row for the register ``inspections``."""

    row: Inspection


class WorkEntered(Body):
    """Work done, a row for the register ``repairs``."""

    row: Repair


class ReportAnswered(Body):
    """An open defect report was dealt with: the report (``reported_at``, ``text``) and when it was cleared, in UTC."""

    reported_at: Moment
    text: str | None
    cleared_at: Moment


class DateFixed(Body):
    """The planner fixed the day of the vehicle's visit; None takes an earlier fix back."""

    on: date | None


class Deferred(Body):
    """No visit of the vehicle before ``until``, for a reason; None takes an earlier deferral back."""

    until: date | None
    reason: Sentence | None


class DateMet(Body):
    """A statutory inspection of this kind was done without a finding left to repair; the next one is due then."""

    kind: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]
    done_on: date
    next_due_on: date


class OfFlag(Body):
    """About one flag: indicator (or ``open_report``), wheel, and the day on which the flag was raised."""

    indicator: str = Field(pattern="^(" + "|".join((*INDICATORS, REPORT)) + ")$")
    wheel: str | None = None
    raised_on: date


class FlagRaised(OfFlag):
    """Scores raised a flag. ``on_file``: inspections since then that were known already and cannot end it."""

    priority: str
    on_file: tuple[str, ...] = ()


class FlagSeen(OfFlag):
    """A person looked at it."""


class FlagDecided(OfFlag):
    """A person decided; a decision other than ``inspect_now`` needs a reason and a last day on which it stands."""

    decision: Decision
    reason: Sentence | None = None
    expires_on: date | None = None


class FlagReopened(OfFlag):
    """A decision lapsed: its last day is over, or the vehicle must no longer wait."""

    because: Sentence


class FlagClosed(OfFlag):
    """The flag came to an end."""

    closed_on: date
    result: Result


KINDS: dict[str, type[Body]] = {
    "finding": FindingEntered,
    "work": WorkEntered,
    "report_answered": ReportAnswered,
    "date_met": DateMet,
    "date_fixed": DateFixed,
    "deferred": Deferred,
    "flag_raised": FlagRaised,
    "flag_seen": FlagSeen,
    "flag_decided": FlagDecided,
    "flag_reopened": FlagReopened,
    "flag_closed": FlagClosed,
}

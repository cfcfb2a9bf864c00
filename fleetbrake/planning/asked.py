"""What planners asked about one vehicle, heeded as far as it may be: no wish ever goes beyond a statutory date, and
none puts off a vehicle that must be inspected before its next trip."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from fleetbrake.core.vocabulary import INDICATORS
from fleetbrake.planning.visits import REPORT, STOP, Visit
from fleetbrake.planning.wish_types import Deferral, Flag

_Look = tuple[str, str | None]
#: How decisions read in a note.
DECISION_TEXT = {"next_visit": "at the next visit", "watch": "watch", "reject": "no inspection"}


@dataclass(frozen=True)
class Asked:
    """What the list and the decisions on flags ask for.

    ``look``: indicator and wheel to look into, in a visit of its own where ``own``, else in a statutory one. ``must``:
    to be planned whatever it gains. ``not_before``: a decision stands until the day before.
    """

    look: _Look | None = None
    own: bool = False
    must: bool = False
    stop: bool = False
    not_before: date | None = None
    told: tuple[str, ...] = ()


def asked_of(
    priority: str | None,
    lead: _Look | None,
    flags: Sequence[Flag],
    days: Sequence[date],
    dated: bool,
    on_file: bool = False,
) -> Asked:
    """Join the ``lead`` of the list (None: it asks for no visit) with the decisions on the vehicle's flags.

    ``dated``: there is a statutory visit in the plan anyway. ``on_file``: an inspection found what nobody has put
    right, which is no matter of a decision any more.
    """
    ordered = sorted(flags, key=lambda flag: (flag.indicator, flag.wheel or "", flag.raised_on))
    standing = [(flag, flag.decision_on(days[0])) for flag in ordered if flag.closed_on is None]
    decided = {(flag.indicator, flag.wheel): (flag, said) for flag, said in standing}
    if priority == STOP or on_file:
        told = [f"decision does not hold: {_told(flag, said)}" for flag, said in standing if said in DECISION_TEXT]
        stop = priority == STOP
        return Asked(lead or (REPORT, None), own=True, must=not stop, stop=stop, told=tuple(told))
    at_once = [(flag.indicator, flag.wheel) for flag, said in standing if said == "inspect_now"]
    if at_once:
        return Asked(lead if lead in at_once else at_once[0], own=True, must=True)
    if lead is None:
        return _put_off(None, standing, days, dated)
    if lead not in decided or decided[lead][1] is None:
        return Asked(lead, own=True)
    others = [(flag.indicator, flag.wheel) for flag, said in standing if said is None]
    if others:
        return Asked(others[0], own=True, told=(_told(*decided[lead]),))
    return _put_off(lead, standing, days, dated)


def heed_days(visit: Visit, fixed: date | None, deferral: Deferral | None, asked: Asked, days: Sequence[date]) -> None:
    """Set the visit's bars and wishes from the day fixed and the deferral, or tell why they do not hold."""
    limit = days[0] - timedelta(days=1) if visit.overdue_since else visit.deadline
    if visit.stop:
        limit = days[0] - timedelta(days=1)
    why = (
        "it must be inspected before its next trip" if visit.stop else f"the statutory date {visit.due_on} comes first"
    )
    if fixed is not None and fixed >= days[0]:
        if limit is not None and fixed > limit:
            visit.told.append(f"the day {fixed} fixed by a planner is not kept: {why}")
        elif fixed > days[-1]:
            visit.earliest = fixed
            visit.told.append(f"fixed by a planner to {fixed}, after the days of this plan")
            return
        else:
            visit.fixed = fixed
            return
    until = deferral.until if deferral is not None else None
    if until is not None and until > days[0]:
        if limit is not None and until > limit:
            visit.told.append(f"the deferral until {until} does not hold: {why}")
        elif limit is not None:
            visit.barred = until
        else:
            visit.earliest = until
            visit.told.append(f"deferred until {until}: {deferral.reason if deferral else ''}")
    if asked.not_before is not None and not visit.dated and not visit.must:
        visit.earliest = max(visit.earliest or asked.not_before, asked.not_before)


def _put_off(
    lead: _Look | None, standing: Sequence[tuple[Flag, str | None]], days: Sequence[date], dated: bool
) -> Asked:
    """Every flag of the vehicle carries a decision against a visit of its own, or the list asks for none."""
    soft = [(flag, said) for flag, said in standing if said in DECISION_TEXT]
    told = tuple(_told(flag, said) for flag, said in soft)
    along = next(((flag.indicator, flag.wheel) for flag, said in soft if said == "next_visit"), None)
    if lead is None or dated:
        return Asked(along, told=told)
    of_lead = next(flag for flag, _ in soft if (flag.indicator, flag.wheel) == lead)
    again = None if of_lead.expires_on is None else of_lead.expires_on + timedelta(days=1)
    if again is None or again > days[-1]:
        return Asked(along, told=told)
    return Asked(lead, own=True, not_before=again, told=told)


def _told(flag: Flag, said: str | None) -> str:
    what = "open report" if flag.indicator == REPORT else INDICATORS.get(flag.indicator, flag.indicator)
    where = f" ({flag.wheel})" if flag.wheel else ""
    until = f" until {flag.expires_on}" if flag.expires_on else ""
    by = f" by {flag.decided_by}" if flag.decided_by else ""
    because = f", because {flag.reason}" if flag.reason else ""
    return f"{what}{where}: {DECISION_TEXT.get(said or '', said)}{until}, decided{by}{because}"

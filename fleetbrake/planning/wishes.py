"""What planners ask for: a fixed day, a deferral, a flag seen, a decision on it. Checked first, then entered.

Every function that enters something raises ``RuleError`` with a sentence where a rule is against it, and writes nothing
then; ``StoreError`` where the store cannot be read or written. What is newer stands.
"""

from collections.abc import Iterable
from datetime import date, timedelta
from pathlib import Path
from typing import get_args

import duckdb
from pydantic import ValidationError

from fleetbrake.core.errors import RuleError
from fleetbrake.planning.flags import (
    FLAG_KINDS,
    URGENT,
    Standing,
    flag_history,
    flags,
    flags_as_of,
    key_of,
    read_standing,
)
from fleetbrake.planning.rules import (
    MOST_DAYS,
    PLAN_LENGTH,
    Facts,
    facts_of,
    must_be_able_to_wait,
    must_be_drivable,
    must_be_open,
    must_end_in_time,
    must_not_be_asked_for,
    must_not_be_wanted_now,
    reason_given,
)
from fleetbrake.planning.wish_types import Deferral, Flag, Wishes
from fleetbrake.store.database import reading
from fleetbrake.store.entered import Entry, enter, entries
from fleetbrake.store.entered_rows import Body, DateFixed, DateMet, Decision, Deferred, FlagDecided, FlagSeen
from fleetbrake.store.findings import enter_finding

__all__ = [
    "DECISIONS",
    "MOST_DAYS",
    "decide",
    "defer",
    "end_deferral",
    "fix_date",
    "flag_history",
    "flags",
    "meet_date",
    "release_date",
    "see_flag",
    "wishes",
    "wishes_of",
]

#: What may be decided on a flag.
DECISIONS: tuple[Decision, ...] = get_args(Decision)

_WISH_KINDS = (*FLAG_KINDS, "date_fixed", "deferred")


def fix_date(store: Path, vehicle_id: str, on: date, by: str) -> None:
    """Fix the day of the vehicle's visit; a deferral past that day ends by it.

    The day lies after the newest scores, not past a statutory date, and the depot has bay hours on it. What must not be
    driven is outside the plan. A day beyond the coming plan is refused where the list asks for a visit or an inspection
    now was decided.
    """
    with reading(store) as con:
        facts = facts_of(con, store, vehicle_id)
        _must_be_fixable(facts, on, flags(store, vehicle_id))
        must_be_open(con, facts, on)
    deferral = _newest(entries(store, ("deferred",), vehicle_id)).get(vehicle_id)
    steps: list[Body] = [DateFixed(on=on)]
    if isinstance(deferral, Deferred) and deferral.until is not None and deferral.until > on:
        steps.append(Deferred(until=None, reason=f"the visit was fixed on {on}"))
    enter(store, by, vehicle_id, *steps)


def release_date(store: Path, vehicle_id: str, by: str) -> None:
    """Take a fixed day back; refused where none is fixed."""
    body = _newest(entries(store, ("date_fixed",), vehicle_id)).get(vehicle_id)
    if not isinstance(body, DateFixed) or body.on is None:
        raise RuleError(f"No day is fixed for {vehicle_id}.")
    enter(store, by, vehicle_id, DateFixed(on=None))


def defer(store: Path, vehicle_id: str, until: date, reason: str, by: str) -> None:
    """No visit before ``until``, for a reason; a day fixed before it is taken back."""
    said = reason_given(reason)
    with reading(store) as con:
        facts = facts_of(con, store, vehicle_id)
    must_be_able_to_wait(facts, "it cannot be deferred")
    must_not_be_wanted_now(flags(store, vehicle_id), "it cannot be deferred")
    must_end_in_time(facts, until, "The day")
    fixed = _newest(entries(store, ("date_fixed",), vehicle_id)).get(vehicle_id)
    steps: list[Body] = [Deferred(until=until, reason=said)]
    if isinstance(fixed, DateFixed) and fixed.on is not None and fixed.on < until:
        steps.append(DateFixed(on=None))
    enter(store, by, vehicle_id, *steps)


def end_deferral(store: Path, vehicle_id: str, by: str) -> None:
    """End a deferral before its day; refused where there is none."""
    body = _newest(entries(store, ("deferred",), vehicle_id)).get(vehicle_id)
    if not isinstance(body, Deferred) or body.until is None:
        raise RuleError(f"{vehicle_id} is not deferred.")
    enter(store, by, vehicle_id, Deferred(until=None, reason=None))


def meet_date(store: Path, vehicle_id: str, kind: str, done_on: date, next_due_on: date, by: str) -> None:
    """Enter that a statutory inspection of the kind was done; its due date is then the next one.

    Refused while a finding that needs repair is open, for a kind that the vehicle does not have, and for a next date
    that does not lie after the inspection.
    """
    try:
        met = DateMet(kind=kind, done_on=done_on, next_due_on=next_due_on)
    except ValidationError as error:
        raise RuleError("The kind of the statutory inspection is missing.") from error
    enter_finding(store, by, met=met, vehicle_id=vehicle_id)


def see_flag(store: Path, flag: Flag, by: str) -> None:
    """Enter that somebody looked at the flag; a flag that is not open any more stays as it is."""
    present = _present(store, flag)
    if present.state == "open":
        enter(
            store, by, flag.vehicle_id, FlagSeen(indicator=flag.indicator, wheel=flag.wheel, raised_on=flag.raised_on)
        )


def decide(
    store: Path, flag: Flag, decision: str, by: str, reason: str | None = None, expires_on: date | None = None
) -> None:
    """Decide on a flag: ``inspect_now``, or with a reason and a last day ``next_visit``, ``watch`` or ``reject``.

    Only ``inspect_now`` can be decided for what must not be driven, and no other decision stands past a statutory date
    or for more than ``MOST_DAYS``. A decision lapses after its last day, and once the vehicle must be inspected before
    its next trip.
    """
    if decision not in DECISIONS:
        raise RuleError(f"A decision is one of {', '.join(DECISIONS)}.")
    chosen: Decision = next(name for name in DECISIONS if name == decision)
    present = _present(store, flag)
    with reading(store) as con:
        facts = facts_of(con, store, present.vehicle_id)
    said = reason_given(reason) if reason or chosen != "inspect_now" else None
    if chosen != "inspect_now":
        must_be_able_to_wait(facts, "only an inspection now can be decided")
        if expires_on is None:
            raise RuleError("The last day on which the decision stands is missing.")
        must_end_in_time(facts, expires_on, "The last day")
    # an inspection that is wanted now does not lapse: it ends by what it finds
    last = None if chosen == "inspect_now" else expires_on
    body = FlagDecided(
        indicator=present.indicator,
        wheel=present.wheel,
        raised_on=present.raised_on,
        decision=chosen,
        reason=said,
        expires_on=last,
    )
    enter(store, by, present.vehicle_id, body)


def wishes(store: Path) -> Wishes:
    """What stands by the published scores and the entries of this moment; empty before anything was scored."""
    with reading(store) as con:
        return wishes_of(con, store)


def wishes_of(con: duckdb.DuckDBPyConnection, store: Path) -> Wishes:
    """As :func:`wishes` by the tables of a connection that is open already."""
    standing = read_standing(con)
    if standing is None:
        return Wishes()
    made = entries(store, _WISH_KINDS)
    open_flags = [flag for flag in flags_as_of(made, standing) if flag.closed_on is None]
    return Wishes(_fixed(made, standing), _deferred(made, standing), open_flags)


def _must_be_fixable(facts: Facts, on: date, standing: list[Flag]) -> None:
    if on < facts.begins_on:
        raise RuleError(f"The day {on} is over: the plan begins on {facts.begins_on}.")
    if facts.overdue:
        raise RuleError(
            f"{facts.vehicle_id} is past its statutory date of {facts.due_on}: it gets the first day with room, and no "
            "other can be fixed."
        )
    must_be_drivable(facts)
    last = facts.as_of + timedelta(days=PLAN_LENGTH)
    if on > last:
        must_not_be_wanted_now(standing, f"no day after {last} can be fixed")
        must_not_be_asked_for(facts, last)
    must_end_in_time(facts, on, "The day")


def _present(store: Path, flag: Flag) -> Flag:
    """The flag as it stands now, by its key; refused where it is unknown or closed."""
    for known in flags(store, flag.vehicle_id):
        if key_of(known) == key_of(flag):
            if known.closed_on is not None:
                raise RuleError(f"The flag was closed on {known.closed_on}.")
            return known
    raise RuleError(f"There is no such flag of {flag.vehicle_id}.")


def _fixed(made: Iterable[Entry], standing: Standing) -> dict[str, date]:
    """Days that are still to come."""
    newest = _newest(entry for entry in made if isinstance(entry.body, DateFixed))
    days = {vehicle: entry.on for vehicle, entry in newest.items() if isinstance(entry, DateFixed)}
    return {vehicle: on for vehicle, on in sorted(days.items()) if on is not None and on > standing.as_of}


def _deferred(made: Iterable[Entry], standing: Standing) -> dict[str, Deferral]:
    """Deferrals that are not over and not lapsed: none for what must be inspected before its next trip."""
    newest = {entry.vehicle_id: entry for entry in made if isinstance(entry.body, Deferred)}
    found = {}
    for vehicle, entry in sorted(newest.items()):
        body = entry.body
        if not isinstance(body, Deferred) or body.until is None or body.until <= standing.as_of:
            continue
        if standing.priorities.get(vehicle) != URGENT:
            found[vehicle] = Deferral(body.until, body.reason or "", entry.made_by)
    return found


def _newest(made: Iterable[Entry]) -> dict[str, Body]:
    return {entry.vehicle_id: entry.body for entry in made}

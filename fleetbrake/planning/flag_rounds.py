"""What a run of scores does to the flags: raises new ones, takes lapsed decisions back, closes what has ended.

A flag ends by a finding of an inspection, or because the recordings show it no longer. A score never undoes what a
person decided: a flag with a standing decision waits for a finding, for work on the vehicle, or for the decision's last
day. What an inspection has looked into is raised again only by trips after it.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import duckdb

from fleetbrake.planning.flags import (
    FLAG_KINDS,
    SCORES,
    URGENT,
    Key,
    Standing,
    key_of,
    lapse,
    opened_again,
    read_standing,
    replayed,
)
from fleetbrake.planning.wish_types import Flag
from fleetbrake.scoring.priors import DEFAULT
from fleetbrake.store.entered import Entry, enter_all, entries
from fleetbrake.store.entered_rows import (
    REPORT,
    Body,
    Deferred,
    FlagClosed,
    FlagRaised,
    FlagReopened,
    Result,
)

#: Trips after an inspection that raise again what it looked into: as many as a finding needs to rank.
FRESH_TRIPS = int(DEFAULT.persist_least)

_SHOWN = """
WITH asked AS (
    FROM vehicle_health
    WHERE as_of = $as_of AND (priority IN ('before_next_trip', 'this_week', 'next_service')
        OR (priority = 'watch' AND nullif(open_report, '') IS NOT NULL))
),
shown AS (
    SELECT a.vehicle_id, i.indicator, i.wheel
    FROM asked AS a JOIN indicators AS i ON i.vehicle_id = a.vehicle_id AND i.as_of = a.as_of
    WHERE i.ranks
    UNION
    SELECT vehicle_id, leading_indicator, suspect_wheel FROM asked WHERE leading_indicator IS NOT NULL
    UNION
    SELECT vehicle_id, $report, NULL FROM asked WHERE nullif(open_report, '') IS NOT NULL
)
SELECT s.vehicle_id, s.indicator, s.wheel, a.priority FROM shown AS s JOIN asked AS a USING (vehicle_id) ORDER BY ALL
"""
#: A finding without a severity needs repair until somebody says else, as in the scores.
_FINDINGS = """
SELECT vehicle_id, inspected_on, finding, wheel,
    CASE WHEN finding = 'none' THEN 0 ELSE coalesce(severity, 2) END AS severity
FROM inspections
WHERE vehicle_id IN (SELECT unnest(?)) AND finding IS NOT NULL AND inspected_on IS NOT NULL ORDER BY ALL
"""
#: Days on which a vehicle's brakes were last worked on, or a report about it was last dealt with.
_ACTED = """
SELECT vehicle_id, max(on_day) FROM (
    SELECT vehicle_id, repaired_on AS on_day FROM repairs
    UNION ALL SELECT vehicle_id, CAST(cleared_at AT TIME ZONE 'UTC' AS DATE) FROM defect_reports)
WHERE vehicle_id IS NOT NULL AND on_day IS NOT NULL GROUP BY vehicle_id
"""
_TRIPS = """
SELECT vehicle_id, indicator, wheel, list(on_day ORDER BY on_day) FROM indicator_trips
WHERE counts AND vehicle_id IN (SELECT vehicle_id FROM inspections) GROUP BY ALL
"""
#: A single lockup leads a list without ranking; it has no trips that it rests on.
_LOCKS = """
SELECT vehicle_id, CAST(max(started_at) AT TIME ZONE 'UTC' AS DATE) FROM events
WHERE lockup AND coalesce(lockup_above_cutoff, true) AND vehicle_id IS NOT NULL GROUP BY vehicle_id
"""

Shown = tuple[str, str, str | None]


@dataclass(frozen=True)
class Found:
    """One finding of an inspection; severity 0 means nothing was found."""

    on: date
    finding: str
    wheel: str | None
    severity: int


@dataclass(frozen=True)
class Evidence:
    """What a round of flags rests on. ``shown`` gives the priority by vehicle, indicator and wheel."""

    standing: Standing
    shown: Mapping[Shown, str]
    found: Mapping[str, list[Found]]
    acted: Mapping[str, date] = field(default_factory=dict)
    trips: Mapping[Shown, list[date]] = field(default_factory=dict)
    locked: Mapping[str, date] = field(default_factory=dict)


def raise_flags(con: duckdb.DuckDBPyConnection, store: Path, as_of: date) -> int:
    """Enter what the scores of ``as_of`` mean for the flags; the number of entries made.

    Nothing is done for another day than the newest one scored. A second time for the same tables enters nothing.
    """
    standing = read_standing(con)
    if standing is None or standing.as_of != as_of:
        return 0
    made = entries(store, (*FLAG_KINDS, "deferred"))
    known = replayed(made)
    steps = [*flag_steps(known, _evidence(con, standing, known.values())), *_ended_deferrals(made, standing)]
    enter_all(store, SCORES, steps)
    return len(steps)


def looked_into(con: duckdb.DuckDBPyConnection, standing: Standing, known: Mapping[Key, Flag]) -> frozenset[Shown]:
    """What scores still show although an inspection has answered it; nothing newer says otherwise yet."""
    evidence = _evidence(con, standing, known.values())
    passed_over = _passed_over(known)
    return frozenset(one for one in evidence.shown if not is_fresh(one, evidence, by_others=one in passed_over))


def _passed_over(known: Mapping[Key, Flag]) -> set[Shown]:
    """What an inspection found something else instead of."""
    return {key_of(flag)[:3] for flag in known.values() if flag.result == "other_found"}


def flag_steps(known: Mapping[Key, Flag], evidence: Evidence) -> list[tuple[str, Body]]:
    """Entries that follow from the evidence for the flags that are known, by vehicle and body."""
    steps: list[tuple[str, Body]] = []
    still_open: set[Shown] = set()
    passed_over = _passed_over(known)
    for flag in known.values():
        if flag.closed_on is not None:
            continue
        because = lapse(flag, evidence.standing)
        if because:
            steps.append((flag.vehicle_id, _reopened(flag, because)))
        result = result_of(opened_again(flag) if because else flag, evidence)
        if result is None:
            still_open.add(key_of(flag)[:3])
        else:
            steps.append((flag.vehicle_id, _closed(flag, evidence.standing.as_of, result)))
            passed_over |= {key_of(flag)[:3]} if result == "other_found" else set()
    for shown, priority in evidence.shown.items():
        vehicle, indicator, wheel = shown
        if shown in still_open or (*shown, evidence.standing.as_of) in known:
            continue
        if is_fresh(shown, evidence, by_others=shown in passed_over):
            raised = FlagRaised(indicator=indicator, wheel=wheel, raised_on=evidence.standing.as_of, priority=priority)
            steps.append((vehicle, raised))
    return steps


def result_of(flag: Flag, evidence: Evidence) -> Result | None:
    """How the flag has ended; None while it is open.

    An open report ends when nothing is open any more: what an inspection found stays open until somebody answers it.
    """
    shown = key_of(flag)[:3] in evidence.shown
    findings = [one for one in evidence.found.get(flag.vehicle_id, ()) if one.on >= flag.raised_on]
    if not (flag.indicator == REPORT and shown):
        results = {result for one in findings if (result := _verdict(flag.indicator, flag.wheel, one))}
        for result in _STRONGEST_FIRST:
            if result in results:
                return result
    decided = flag.decision is not None
    acted = evidence.acted.get(flag.vehicle_id)
    may_end = not decided or (acted is not None and acted >= flag.raised_on)
    return "no_longer_shown" if not shown and may_end and evidence.standing.as_of > flag.raised_on else None


_STRONGEST_FIRST: tuple[Result, ...] = ("confirmed", "other_found", "not_confirmed")


def is_fresh(shown: Shown, evidence: Evidence, *, by_others: bool) -> bool:
    """Whether what is shown rests on something that no inspection has looked into yet.

    ``by_others``: a flag of this kind was open when an inspection found something else, which then counts as a look.
    """
    vehicle, indicator, wheel = shown
    if indicator == REPORT:
        return True
    looks = {"confirmed", "not_confirmed", *(("other_found",) if by_others else ())}
    judged = [one.on for one in evidence.found.get(vehicle, ()) if _verdict(indicator, wheel, one) in looks]
    if not judged:
        return True
    newest = max(judged)
    if sum(day > newest for day in evidence.trips.get(shown, ())) >= FRESH_TRIPS:
        return True
    locked = evidence.locked.get(vehicle)
    return indicator == "lockup_without_modulation" and locked is not None and locked > newest


def _verdict(indicator: str, wheel: str | None, one: Found) -> Result | None:
    """What one finding says of a flag; None where it looked at another wheel and found nothing there."""
    here = wheel is None or one.wheel is None or wheel == one.wheel
    if one.severity >= 1:
        return "confirmed" if indicator == REPORT or (indicator == one.finding and here) else "other_found"
    return "not_confirmed" if here else None


def _ended_deferrals(made: Iterable[Entry], standing: Standing) -> list[tuple[str, Body]]:
    """A deferral ends for good once the vehicle must not be driven before it is inspected."""
    newest = {entry.vehicle_id: entry.body for entry in made if isinstance(entry.body, Deferred)}
    ended = Deferred(until=None, reason="ended by scores: the vehicle must be inspected before its next trip")
    return [
        (vehicle, ended)
        for vehicle, body in newest.items()
        if body.until is not None and standing.priorities.get(vehicle) == URGENT
    ]


def _reopened(flag: Flag, because: str) -> FlagReopened:
    return FlagReopened(indicator=flag.indicator, wheel=flag.wheel, raised_on=flag.raised_on, because=because)


def _closed(flag: Flag, on: date, result: Result) -> FlagClosed:
    return FlagClosed(indicator=flag.indicator, wheel=flag.wheel, raised_on=flag.raised_on, closed_on=on, result=result)


def _evidence(con: duckdb.DuckDBPyConnection, standing: Standing, known: Iterable[Flag]) -> Evidence:
    rows = con.execute(_SHOWN, {"as_of": standing.as_of, "report": REPORT}).fetchall()
    shown = {(vehicle, indicator, wheel): priority for vehicle, indicator, wheel, priority in rows}
    asked = {key[0] for key in shown} | {flag.vehicle_id for flag in known if flag.closed_on is None}
    found: dict[str, list[Found]] = defaultdict(list)
    for vehicle, *facts in con.execute(_FINDINGS, [sorted(asked)]).fetchall():
        found[vehicle].append(Found(*facts))
    trips = {(vehicle, indicator, wheel): days for vehicle, indicator, wheel, days in con.execute(_TRIPS).fetchall()}
    acted, locked = con.execute(_ACTED).fetchall(), con.execute(_LOCKS).fetchall()
    return Evidence(standing, shown, found, dict(acted), trips, dict(locked))

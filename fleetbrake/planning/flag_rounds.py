"""What a run of scores does to the flags: raises new ones, takes lapsed decisions back, closes what has ended.

A flag ends by a finding of an inspection, or because the recordings show it no longer. What needs repair keeps its flag
until work or a clean inspection answers it. A score never undoes what a person decided: a flag with a standing decision
waits for a finding, for work on the vehicle, or for the decision's last day. What scores still show after an inspection
is raised again, as a flag that only later inspections can end: whatever the list asks for has a flag.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
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
from fleetbrake.store.finding_rules import Found, Work, found, left_open
from fleetbrake.store.publish import newest_day

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
_FINDINGS = """
SELECT vehicle_id, inspection_id, inspected_on, finding, wheel, severity
FROM inspections
WHERE vehicle_id IN (SELECT unnest($vehicles)) AND finding IS NOT NULL AND inspected_on <= $known_on ORDER BY ALL
"""
_WORK = """
SELECT vehicle_id, repaired_on, wheel, work FROM repairs
WHERE vehicle_id IN (SELECT unnest($vehicles)) AND repaired_on <= $known_on ORDER BY ALL
"""
#: Days on which a vehicle's brakes were last worked on, or a report about it was last dealt with.
_ACTED = """
SELECT vehicle_id, max(on_day) FROM (
    SELECT vehicle_id, repaired_on AS on_day FROM repairs
    UNION ALL SELECT vehicle_id, CAST(cleared_at AT TIME ZONE 'UTC' AS DATE) FROM defect_reports)
WHERE vehicle_id IS NOT NULL AND on_day <= $known_on GROUP BY vehicle_id
"""

Shown = tuple[str, str, str | None]


@dataclass(frozen=True)
class Evidence:
    """What a round of flags rests on. ``shown`` gives the priority by vehicle, indicator and wheel.

    ``found``: findings that the scores know, by vehicle; ``pending`` of these: what needs repair and nothing has
    answered. ``on_file``: inspections that were known when the flag was raised, by flag.
    """

    standing: Standing
    shown: Mapping[Shown, str]
    found: Mapping[str, list[Found]]
    pending: Set[tuple[str, str]] = frozenset()
    acted: Mapping[str, date] = field(default_factory=dict)
    on_file: Mapping[Key, Set[str]] = field(default_factory=dict)


def raise_flags(con: duckdb.DuckDBPyConnection, store: Path, as_of: date, *, today: date | None = None) -> int:
    """Enter what the scores of ``as_of`` mean for the flags; the number of entries made.

    Nothing is done for another day than the newest one scored. A second time for the same tables enters nothing.
    ``today``: the present day (UTC), up to which findings count if ``as_of`` is the day of the newest event.
    """
    standing = read_standing(con)
    if standing is None or standing.as_of != as_of:
        return 0
    made = entries(store, (*FLAG_KINDS, "deferred"))
    known = replayed(made)
    evidence = _evidence(con, standing, made, _known_on(con, as_of, today or datetime.now(UTC).date()))
    steps = [*flag_steps(known, evidence), *_ended_deferrals(made, standing)]
    enter_all(store, SCORES, steps)
    return len(steps)


def flag_steps(known: Mapping[Key, Flag], evidence: Evidence) -> list[tuple[str, Body]]:
    """Entries that follow from the evidence for the flags that are known, by vehicle and body."""
    steps: list[tuple[str, Body]] = []
    still_open: set[Shown] = set()
    for flag in known.values():
        if flag.closed_on is not None:
            continue
        because = lapse(flag, evidence.standing)
        if because:
            steps.append((flag.vehicle_id, _reopened(flag, because)))
        ending = ending_of(opened_again(flag) if because else flag, evidence)
        if ending is None:
            still_open.add(key_of(flag)[:3])
        else:
            steps.append((flag.vehicle_id, _closed(flag, *ending)))
    new = {shown: priority for shown, priority in evidence.shown.items() if shown not in still_open}
    return steps + [(shown[0], _raised(shown, priority, evidence)) for shown, priority in new.items()]


def ending_of(flag: Flag, evidence: Evidence) -> tuple[Result, date] | None:
    """How and on which day the flag has ended; None while it is open.

    An open report ends when nothing is open any more: what an inspection found stays open until somebody answers it.
    So does any other flag whose finding needs repair. An inspection on file when the flag was raised ends nothing.
    """
    as_of = evidence.standing.as_of
    shown = key_of(flag)[:3] in evidence.shown
    if not (flag.indicator == REPORT and shown):
        verdicts = _verdicts(flag, evidence)
        in_question = [] if flag.indicator == REPORT else verdicts["confirmed"]
        if any((flag.vehicle_id, one.inspection_id) in evidence.pending for one in in_question):
            return None
        for result in _STRONGEST_FIRST:
            if verdicts[result]:
                return result, max(as_of, *(one.on for one in verdicts[result]))
    acted = evidence.acted.get(flag.vehicle_id)
    may_end = flag.decision is None or (acted is not None and acted >= flag.raised_on)
    return ("no_longer_shown", as_of) if not shown and may_end and as_of > flag.raised_on else None


_STRONGEST_FIRST: tuple[Result, ...] = ("confirmed", "other_found", "not_confirmed")


def _verdicts(flag: Flag, evidence: Evidence) -> defaultdict[str, list[Found]]:
    """The findings since the flag was raised, by what they say of it."""
    told: defaultdict[str, list[Found]] = defaultdict(list)
    known_before = evidence.on_file.get(key_of(flag), frozenset())
    for one in evidence.found.get(flag.vehicle_id, ()):
        said = _verdict(flag.indicator, flag.wheel, one)
        if said is not None and one.on >= flag.raised_on and one.inspection_id not in known_before:
            told[said].append(one)
    return told


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


def _raised(shown: Shown, priority: str, evidence: Evidence) -> FlagRaised:
    vehicle, indicator, wheel = shown
    as_of = evidence.standing.as_of
    on_file = {one.inspection_id for one in evidence.found.get(vehicle, ()) if one.on >= as_of}
    return FlagRaised(
        indicator=indicator, wheel=wheel, raised_on=as_of, priority=priority, on_file=tuple(sorted(on_file))
    )


def _reopened(flag: Flag, because: str) -> FlagReopened:
    return FlagReopened(indicator=flag.indicator, wheel=flag.wheel, raised_on=flag.raised_on, because=because)


def _closed(flag: Flag, result: Result, on: date) -> FlagClosed:
    return FlagClosed(indicator=flag.indicator, wheel=flag.wheel, raised_on=flag.raised_on, closed_on=on, result=result)


def _evidence(con: duckdb.DuckDBPyConnection, standing: Standing, made: Sequence[Entry], known_on: date) -> Evidence:
    rows = con.execute(_SHOWN, {"as_of": standing.as_of, "report": REPORT}).fetchall()
    shown = {(vehicle, indicator, wheel): priority for vehicle, indicator, wheel, priority in rows}
    open_ones = {flag.vehicle_id for flag in replayed(made).values() if flag.closed_on is None}
    of_these = {"vehicles": sorted({key[0] for key in shown} | open_ones), "known_on": known_on}
    findings: defaultdict[str, list[Found]] = defaultdict(list)
    for vehicle, *facts in con.execute(_FINDINGS, of_these).fetchall():
        findings[vehicle].append(found(*facts))
    work: defaultdict[str, list[Work]] = defaultdict(list)
    for vehicle, *facts in con.execute(_WORK, of_these).fetchall():
        work[vehicle].append(Work(*facts))
    pending = {
        (vehicle, one.inspection_id)
        for vehicle, ones in findings.items()
        for one in ones
        # the scores know more that may have answered it, such as a passed test: then they show nothing open
        if (vehicle, REPORT, None) in shown and left_open(one, ones, work[vehicle])
    }
    acted = dict(con.execute(_ACTED, {"known_on": known_on}).fetchall())
    return Evidence(standing, shown, findings, pending, acted, _on_file(made))


def _on_file(made: Iterable[Entry]) -> dict[Key, frozenset[str]]:
    """Inspections that were known when the flag was raised last, by flag."""
    raised = ((entry.vehicle_id, entry.body) for entry in made if isinstance(entry.body, FlagRaised))
    return {(vehicle, body.indicator, body.wheel, body.raised_on): frozenset(body.on_file) for vehicle, body in raised}


def _known_on(con: duckdb.DuckDBPyConnection, as_of: date, today: date) -> date:
    """Up to which day the scores know what people found, as in the run that made them."""
    newest = newest_day(con, today) or today
    return max(as_of, today) if as_of == newest else as_of

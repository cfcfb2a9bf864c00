"""What planners may ask for and what is refused: every refusal is a sentence, and then nothing was written."""

from collections.abc import Callable
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from scored_store import DAY, day, scored, shows, side_by_side, vehicle

from fleetbrake.core.errors import FleetbrakeError, InputError, RuleError, StoreError
from fleetbrake.planning.flags import flag_history, flags
from fleetbrake.planning.rules import PLAN_LENGTH
from fleetbrake.planning.run import PLAN_DAYS
from fleetbrake.planning.wish_types import Deferral, Flag
from fleetbrake.planning.wishes import (
    DECISIONS,
    MOST_DAYS,
    decide,
    defer,
    end_deferral,
    fix_date,
    release_date,
    see_flag,
    wishes,
)
from fleetbrake.recordings.register_rows import Inspection, Repair
from fleetbrake.store.database import rebuilding
from fleetbrake.store.entered import entries, stamp
from fleetbrake.store.findings import enter_finding

WEEK = [{"depot": "North", "weekday": name, "bay_hours": 8.0} for name in ("Mon", "Tue", "Wed", "Thu", "Fri")]
HOLIDAY = {"depot": "North", "date": day(9), "bay_hours": 0.0}  # a Wednesday
REASON = "no parts before"


#: Files of stores that were built before: building one takes longer than what is tested on it.
_BUILT: dict[tuple[str, int | None], dict[str, bytes]] = {}


def a_store(store: Path, priority: str = "this_week", due: int | None = None, **tables: Any) -> Path:
    """Scores of Monday ``DAY``, one flag, a depot that is closed at weekends and on the second Wednesday."""
    if tables:
        return _built(store, priority, due, **tables)
    if (priority, due) not in _BUILT:
        _built(store, priority, due)
        _BUILT[priority, due] = {path.name: path.read_bytes() for path in store.iterdir() if path.is_file()}
    for name, content in _BUILT[priority, due].items():
        (store / name).write_bytes(content)
    return store


def _built(store: Path, priority: str, due: int | None, **tables: Any) -> Path:
    register = [{"vehicle_id": "bus", "depot": "North", "inspection_due_on": None if due is None else day(due)}]
    given = {"vehicles": register, "capacity": [*WEEK, HOLIDAY], "indicators": [shows("brake_drag", "1L")]}
    scored(store, DAY, [vehicle(priority=priority)], **given | tables)
    return store


def refused(store: Path, told: str, ask: Callable[[], None], kind: type[FleetbrakeError] = RuleError) -> None:
    """The call is refused with that sentence, and writes nothing."""
    before = stamp(store)
    with pytest.raises(kind, match=told):
        ask()
    assert stamp(store) == before


def the_flag(store: Path) -> Flag:
    return flags(store, "bus")[0]


def test_the_rules_know_how_long_a_plan_is() -> None:
    assert PLAN_LENGTH == PLAN_DAYS


# --- fixing the day


@pytest.mark.parametrize(
    ("on", "due", "told"),
    [
        (0, None, "is over: the plan begins on 2026-03-03"),
        (-5, None, "is over"),
        (5, None, "no bay hours for depot North on Saturday, 2026-03-07"),
        (9, None, "no bay hours for depot North on Wednesday"),
        (8, 7, "past the statutory date of bus, 2026-03-09"),
        (3, 0, "past its statutory date of 2026-03-02: it gets the first day with room"),
        (15, None, "The list asks for bus .this week.: no day after 2026-03-16 can be fixed; put it off with defer"),
    ],
)
def test_a_day_that_cannot_be_fixed(tmp_path: Path, on: int, due: int | None, told: str) -> None:
    a_store(tmp_path, due=due)
    refused(tmp_path, told, lambda: fix_date(tmp_path, "bus", day(on), "ann"))


@pytest.mark.parametrize(("on", "due"), [(1, None), (7, 7), (14, None), (14, 30)])
def test_a_day_that_can_be_fixed(tmp_path: Path, on: int, due: int | None) -> None:
    a_store(tmp_path, due=due)
    fix_date(tmp_path, "bus", day(on), "ann")
    assert wishes(tmp_path).fixed == {"bus": day(on)}
    release_date(tmp_path, "bus", "ann")
    assert wishes(tmp_path).fixed == {}
    refused(tmp_path, "No day is fixed", lambda: release_date(tmp_path, "bus", "ann"))


def test_the_earliest_of_several_dates_counts(tmp_path: Path) -> None:
    others = [{"vehicle_id": "bus", "kind": kind, "due_on": day(due)} for kind, due in (("a", 9), ("b", 4), ("c", 20))]
    a_store(tmp_path, due=12, due_dates=others)
    refused(tmp_path, "2026-03-06", lambda: fix_date(tmp_path, "bus", day(7), "ann"))
    fix_date(tmp_path, "bus", day(4), "ann")


def test_what_must_not_be_driven_is_outside_the_plan(tmp_path: Path) -> None:
    a_store(tmp_path, "before_next_trip")
    for on in (1, 14, 15):
        refused(tmp_path, "outside the plan", partial(fix_date, tmp_path, "bus", day(on), "ann"))


@pytest.mark.parametrize("priority", ["no_sign", "watch", "too_little_evidence"])
def test_a_day_after_the_plan_is_for_what_nobody_asks_for(tmp_path: Path, priority: str) -> None:
    a_store(tmp_path, priority)
    fix_date(tmp_path, "bus", day(21), "ann")
    refused(tmp_path, "too far ahead", lambda: fix_date(tmp_path, "bus", day(182), "ann"))


def test_what_is_wanted_now_is_not_put_off(tmp_path: Path) -> None:
    a_store(tmp_path)
    decide(tmp_path, the_flag(tmp_path), "inspect_now", "bob")
    refused(
        tmp_path, "decided for bus by bob: it cannot be deferred", lambda: defer(tmp_path, "bus", day(8), REASON, "a")
    )
    refused(tmp_path, "decided for bus by bob: no day after", lambda: fix_date(tmp_path, "bus", day(15), "ann"))
    fix_date(tmp_path, "bus", day(3), "ann")
    decide(tmp_path, the_flag(tmp_path), "watch", "bob", REASON, day(8))
    defer(tmp_path, "bus", day(8), REASON, "ann")


def test_a_fixed_day_is_forgotten_once_it_is_over(tmp_path: Path) -> None:
    a_store(tmp_path)
    fix_date(tmp_path, "bus", day(1), "ann")
    scored(tmp_path, day(1), [vehicle()])
    assert wishes(tmp_path).fixed == {}


def test_a_vehicle_of_no_depot_and_of_no_register(tmp_path: Path) -> None:
    scored(tmp_path, DAY, [vehicle("loose", depot=None), vehicle("guest", depot="South")])
    for name in ("loose", "guest"):
        fix_date(tmp_path, name, day(1), "ann")  # eight hours on working days are assumed
        refused(tmp_path, "no bay hours", partial(fix_date, tmp_path, name, day(5), "ann"))


# --- deferring


@pytest.mark.parametrize(
    ("priority", "until", "due", "reason", "told"),
    [
        ("this_week", 0, None, REASON, "must lie after 2026-03-02"),
        ("this_week", 8, 7, REASON, "past the statutory date of bus"),
        ("this_week", 8, 0, REASON, "past its statutory date of 2026-03-02: it cannot be deferred"),
        ("this_week", 8, -9, REASON, "cannot be deferred"),
        ("this_week", 181, None, REASON, "too far ahead"),
        ("before_next_trip", 8, None, REASON, "before its next trip: it cannot be deferred"),
        ("this_week", 8, None, "", "A reason is needed"),
        ("this_week", 8, None, " x ", "A reason is needed"),
        ("this_week", 8, None, "x" * 2001, "A reason is needed"),
    ],
)
def test_what_cannot_be_deferred(
    tmp_path: Path, priority: str, until: int, due: int | None, reason: str, told: str
) -> None:
    a_store(tmp_path, priority, due)
    refused(tmp_path, told, lambda: defer(tmp_path, "bus", day(until), reason, "ann"))


@pytest.mark.parametrize(("until", "due"), [(1, None), (7, 7), (MOST_DAYS, None)])
def test_what_can_be_deferred(tmp_path: Path, until: int, due: int | None) -> None:
    a_store(tmp_path, due=due)
    defer(tmp_path, "bus", day(until), f" {REASON} ", "ann")
    assert wishes(tmp_path).deferred == {"bus": Deferral(day(until), REASON, "ann")}
    end_deferral(tmp_path, "bus", "bob")
    assert wishes(tmp_path).deferred == {}
    refused(tmp_path, "not deferred", lambda: end_deferral(tmp_path, "bus", "bob"))


def test_a_deferral_ends_by_itself(tmp_path: Path) -> None:
    a_store(tmp_path)
    defer(tmp_path, "bus", day(2), REASON, "ann")
    scored(tmp_path, day(1), [vehicle()])
    assert wishes(tmp_path).deferred
    scored(tmp_path, day(2), [vehicle()])
    assert not wishes(tmp_path).deferred


def test_the_newer_of_a_fixed_day_and_a_deferral_stands(tmp_path: Path) -> None:
    a_store(tmp_path)
    defer(tmp_path, "bus", day(8), REASON, "ann")
    fix_date(tmp_path, "bus", day(3), "bob")
    assert (wishes(tmp_path).fixed, wishes(tmp_path).deferred) == ({"bus": day(3)}, {})
    defer(tmp_path, "bus", day(7), REASON, "ann")
    assert (wishes(tmp_path).fixed, set(wishes(tmp_path).deferred)) == ({}, {"bus"})
    fix_date(tmp_path, "bus", day(8), "bob")  # after the deferral: both stand
    assert (wishes(tmp_path).fixed, set(wishes(tmp_path).deferred)) == ({"bus": day(8)}, {"bus"})
    told = [step.told for step in flag_history(tmp_path, "bus") if step.made_by != "scores"]
    assert told[:3] == ["deferred until 2026-03-10", "date fixed: 2026-03-05", "deferral ended"]


# --- what must not be driven


def dangerous(on: date, wheel: str | None = "1L", **values: Any) -> dict[str, Any]:
    return {"inspection_id": "r1", "vehicle_id": "bus", "inspected_on": on, "finding": "other", "severity": 3,
            "wheel": wheel} | values  # fmt: skip


#: A second inspection that found nothing.
CLEAN = {"inspection_id": "r2", "finding": "none", "severity": 0}


def report(severity: int, cleared: str | None = None) -> dict[str, Any]:
    return {"vehicle_id": "bus", "reported_at": "2026-03-02 05:00Z", "text": "pedal soft", "severity": severity,
            "cleared_at": cleared}  # fmt: skip


def on_the_tester(weaker: float) -> list[dict[str, Any]]:
    """A brake test of axle 1 on which the left wheel lacks that share of the right one's force."""
    forces = {"1L": 6000.0 * (1.0 - weaker), "1R": 6000.0}
    return [
        {"vehicle_id": "bus", "tested_on": DAY, "method": "roller", "wheel": wheel, "max_force_n": force}
        for wheel, force in forces.items()
    ]


def mended(on: date, wheel: str | None, work: str = "other") -> dict[str, Any]:
    return {"vehicle_id": "bus", "repaired_on": on, "wheel": wheel, "work": work}


#: What is on file, and whether it leaves the vehicle on the road.
ON_FILE: list[tuple[dict[str, Any], bool]] = [
    ({"inspections": [dangerous(day(0))]}, False),
    ({"inspections": [dangerous(day(3))]}, False),  # after the scores: they do not know it yet
    ({"inspections": [dangerous(day(0), severity=2)]}, True),
    ({"inspections": [dangerous(day(0))], "repairs": [mended(day(0), "1L")]}, True),
    ({"inspections": [dangerous(day(0))], "repairs": [mended(day(0), None)]}, True),
    ({"inspections": [dangerous(day(0))], "repairs": [mended(day(0), "2R")]}, False),
    ({"inspections": [dangerous(day(0))], "repairs": [mended(day(0), "1L", "tyre")]}, False),
    ({"inspections": [dangerous(day(0))], "repairs": [mended(day(-1), "1L")]}, False),
    ({"inspections": [dangerous(day(-2)), dangerous(day(-1), "2R", **CLEAN)]}, False),
    ({"inspections": [dangerous(day(-2)), dangerous(day(-1), **CLEAN)]}, True),
    ({"inspections": [dangerous(day(-2)), dangerous(day(-2), **CLEAN)]}, False),
    ({"defect_reports": [report(3)]}, False),
    ({"defect_reports": [report(2)]}, True),
    ({"defect_reports": [report(3, "2026-03-02 09:00Z")]}, True),
    ({"brake_tests": on_the_tester(0.9)}, False),
    ({"brake_tests": on_the_tester(0.1)}, True),
]


def test_what_is_dangerous_cannot_wait(tmp_path: Path) -> None:
    """Also where the scores do not say so yet. Every case is a vehicle of its own."""
    health = [vehicle(f"bus{number}", open_report="told") for number in range(len(ON_FILE))]
    scored(tmp_path, DAY, health, **side_by_side([tables for tables, _ in ON_FILE]))
    for number, (tables, waits) in enumerate(ON_FILE):
        bus = f"bus{number}"
        asks: list[Callable[[], None]] = [partial(defer, tmp_path, bus, day(8), REASON, "ann")]
        if "brake_tests" in tables:  # one rule for all of them: every way in is tried with these
            flag = flags(tmp_path, bus)[0]
            names = ("next_visit", "watch", "reject")
            asks += [partial(decide, tmp_path, flag, name, "ann", REASON, day(8)) for name in names]
            asks += [partial(fix_date, tmp_path, bus, day(1), "ann")]
        for ask in asks:
            if waits:
                ask()
            else:
                refused(tmp_path, "must not be driven", ask)


def test_a_dangerous_finding_counts_from_the_moment_it_is_entered(tmp_path: Path) -> None:
    a_store(tmp_path)
    row = Inspection(
        inspection_id="", vehicle_id="bus", inspected_on=day(0), wheel="1L", finding="brake_drag", severity=3
    )
    enter_finding(tmp_path, "workshop", [row])
    refused(tmp_path, "finding of 2026-03-02", lambda: defer(tmp_path, "bus", day(8), REASON, "ann"))
    work = Repair(vehicle_id="bus", repaired_on=day(0), wheel="1L", work="adjustment")
    enter_finding(tmp_path, "workshop", work=[work])
    defer(tmp_path, "bus", day(8), REASON, "ann")


# --- decisions


@pytest.mark.parametrize("decision", [name for name in DECISIONS if name != "inspect_now"])
@pytest.mark.parametrize(
    ("priority", "due", "reason", "expires", "told"),
    [
        ("this_week", None, None, 8, "A reason is needed"),
        ("this_week", None, REASON, None, "last day on which the decision stands is missing"),
        ("this_week", None, REASON, 0, "must lie after"),
        ("this_week", None, REASON, MOST_DAYS + 1, "too far ahead"),
        ("this_week", 7, REASON, 8, "past the statutory date"),
        ("this_week", 0, REASON, 8, "only an inspection now can be decided"),
        ("before_next_trip", None, REASON, 8, "only an inspection now can be decided"),
    ],
)
def test_what_cannot_be_decided(
    tmp_path: Path, decision: str, priority: str, due: int | None, reason: str | None, expires: int | None, told: str
) -> None:
    a_store(tmp_path, priority, due)
    last = None if expires is None else day(expires)
    refused(tmp_path, told, lambda: decide(tmp_path, the_flag(tmp_path), decision, "ann", reason, last))


@pytest.mark.parametrize("decision", DECISIONS)
@pytest.mark.parametrize(("expires", "due"), [(7, 7), (MOST_DAYS, None)])
def test_what_can_be_decided(tmp_path: Path, decision: str, expires: int, due: int | None) -> None:
    a_store(tmp_path, due=due)
    decide(tmp_path, the_flag(tmp_path), decision, "ann", REASON, day(expires))
    (flag,) = wishes(tmp_path).flags
    assert (flag.state, flag.decision, flag.decided_by, flag.reason) == ("decided", decision, "ann", REASON)
    assert flag.expires_on == (None if decision == "inspect_now" else day(expires))
    assert flag.decision_on(day(expires)) == decision


@pytest.mark.parametrize(("priority", "due"), [("before_next_trip", None), ("this_week", -3)])
def test_an_inspection_now_can_always_be_decided(tmp_path: Path, priority: str, due: int | None) -> None:
    a_store(tmp_path, priority, due, inspections=[dangerous(day(-9))])
    decide(tmp_path, the_flag(tmp_path), "inspect_now", "ann")
    assert the_flag(tmp_path).decision == "inspect_now"


def test_the_newest_decision_stands(tmp_path: Path) -> None:
    a_store(tmp_path)
    decide(tmp_path, the_flag(tmp_path), "reject", "ann", REASON, day(8))
    decide(tmp_path, the_flag(tmp_path), "inspect_now", "bob")
    assert (the_flag(tmp_path).decision, the_flag(tmp_path).decided_by) == ("inspect_now", "bob")
    assert (the_flag(tmp_path).reason, the_flag(tmp_path).expires_on) == (None, None)


def test_an_unknown_or_closed_flag_is_refused(tmp_path: Path) -> None:
    a_store(tmp_path)
    known = the_flag(tmp_path)
    other = Flag("x", "bus", "brake_fade", None, DAY)
    for ask in (lambda: see_flag(tmp_path, other, "ann"), lambda: decide(tmp_path, other, "inspect_now", "ann")):
        refused(tmp_path, "no such flag", ask)
    refused(tmp_path, "is one of inspect_now", lambda: decide(tmp_path, known, "ignore", "ann", REASON, day(8)))
    scored(tmp_path, day(1), [vehicle(priority="no_sign")], indicators=[])
    for ask in (lambda: see_flag(tmp_path, known, "ann"), lambda: decide(tmp_path, known, "inspect_now", "ann")):
        refused(tmp_path, "was closed on 2026-03-03", ask)


def test_seeing_a_flag_twice_is_entered_once(tmp_path: Path) -> None:
    a_store(tmp_path)
    see_flag(tmp_path, the_flag(tmp_path), "ann")
    see_flag(tmp_path, the_flag(tmp_path), "ann")
    assert (the_flag(tmp_path).state, the_flag(tmp_path).seen_by) == ("seen", "ann")
    assert len(entries(tmp_path, ("flag_seen",))) == 1


# --- who and what


def test_unknown_vehicles_and_nobody(tmp_path: Path) -> None:
    a_store(tmp_path)
    refused(tmp_path, "'nobody' is not known", lambda: fix_date(tmp_path, "nobody", day(1), "ann"))
    refused(tmp_path, "'nobody' is not known", lambda: defer(tmp_path, "nobody", day(1), REASON, "ann"))
    for name in ("", "  "):
        refused(tmp_path, "name of whoever", partial(fix_date, tmp_path, "bus", day(1), name), InputError)
        refused(tmp_path, "name of whoever", partial(see_flag, tmp_path, the_flag(tmp_path), name), InputError)


def test_before_anything_was_scored(tmp_path: Path) -> None:
    with pytest.raises(StoreError):
        wishes(tmp_path)
    with rebuilding(tmp_path):
        pass
    refused(tmp_path, "score the fleet first", lambda: fix_date(tmp_path, "bus", day(1), "ann"))
    found = wishes(tmp_path)
    assert (found.fixed, found.deferred, list(found.flags), flags(tmp_path)) == ({}, {}, [], [])


def test_ids_are_only_text(tmp_path: Path) -> None:
    name = "a|b'; DROP TABLE vehicles; --\n<b>"
    scored(tmp_path, DAY, [vehicle(name, open_report="x")])
    fix_date(tmp_path, name, day(1), "=ann")
    defer(tmp_path, name, day(3), "<script>", "=ann")
    see_flag(tmp_path, flags(tmp_path, name)[0], "=ann")
    assert wishes(tmp_path).deferred == {name: Deferral(DAY + timedelta(days=3), "<script>", "=ann")}
    assert wishes(tmp_path).flags[0].seen_by == "=ann"

"""The life of a flag over several runs of scores: raised once, ended by people or by what is shown, never undone."""

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from scored_store import day, scored, shows, side_by_side, vehicle

from fleetbrake.planning.flag_rounds import raise_flags
from fleetbrake.planning.flags import flag_history, flags, publish_flags
from fleetbrake.planning.wish_types import Flag
from fleetbrake.planning.wishes import decide, defer, see_flag, wishes
from fleetbrake.store.database import reading, rebuilding
from fleetbrake.store.entered import enter, entries
from fleetbrake.store.entered_rows import FlagClosed, FlagDecided, FlagRaised

DRAG = shows("brake_drag", "1L")


def states(store: Path) -> list[tuple[str, str | None, date, str, str | None]]:
    return [(f.indicator, f.wheel, f.raised_on, f.state, f.result) for f in flags(store)]


def table(store: Path) -> list[dict[str, Any]]:
    with reading(store) as con:
        return con.execute("SELECT * FROM flags ORDER BY flag_id").df().to_dict("records")


def only(store: Path) -> Flag:
    (flag,) = flags(store)
    return flag


def inspected(
    on: date, finding: str, severity: int | None = None, wheel: str | None = None, number: int = 1
) -> dict[str, Any]:
    return {
        "inspection_id": f"i{number}", "vehicle_id": "bus", "inspected_on": on, "finding": finding,
        "severity": severity, "wheel": wheel,
    }  # fmt: skip


def work(on: date, what: str = "adjustment", wheel: str | None = "1L") -> dict[str, Any]:
    return {"vehicle_id": "bus", "repaired_on": on, "wheel": wheel, "work": what}


def recorded(store: Path, on: date) -> None:
    """The newest recording is of that day."""
    with rebuilding(store) as con:
        con.execute("INSERT INTO events (event_id, vehicle_id, started_at) VALUES ('e', 'bus', ?)", [f"{on} 08:00Z"])


# --- raising


BOTH = {("brake_drag", "1L"), ("brake_fade", None)}
#: Priority and open report of a vehicle, and what is raised of it.
RAISED: list[tuple[str, str | None, set[tuple[str, str | None]]]] = [
    ("before_next_trip", None, BOTH),
    ("this_week", "pulls left", BOTH | {("open_report", None)}),
    ("next_service", None, BOTH),
    ("watch", None, set()),
    ("watch", "", set()),
    ("watch", "pulls left", BOTH | {("open_report", None)}),
    ("no_sign", None, set()),
    ("too_little_evidence", None, set()),
]


def test_what_is_raised_for_which_priority(tmp_path: Path) -> None:
    """Every case is a vehicle of its own."""
    cases = [
        {
            "health": [vehicle(priority=priority, open_report=report, leading_indicator="brake_fade")],
            "indicators": [DRAG, shows("side_imbalance", "2L", ranks=False)],
        }
        for priority, report, _ in RAISED
    ]
    scored(tmp_path, day(0), **side_by_side(cases))
    for number, (priority, _, raised) in enumerate(RAISED):
        own = flags(tmp_path, f"bus{number}")
        assert {(flag.indicator, flag.wheel) for flag in own} == raised, RAISED[number]
        assert {(flag.priority, flag.state, flag.age_days) for flag in own} <= {(priority, "open", 0)}
    assert {entry.made_by for entry in entries(tmp_path)} <= {"scores"}


def test_the_same_scores_raise_nothing_twice(tmp_path: Path) -> None:
    for number in (0, 0, 1, 2, 2):
        scored(tmp_path, day(number), [vehicle()], indicators=[DRAG])
    assert states(tmp_path) == [("brake_drag", "1L", day(0), "open", None)]
    assert only(tmp_path).age_days == 2
    assert len(entries(tmp_path)) == 1


def test_a_look_back_changes_no_flag(tmp_path: Path) -> None:
    scored(tmp_path, day(5), [vehicle()], indicators=[DRAG])
    with rebuilding(tmp_path) as con:
        con.execute("INSERT INTO vehicle_health (vehicle_id, as_of, priority) VALUES ('bus', ?, 'no_sign')", [day(1)])
        assert raise_flags(con, tmp_path, day(1)) == 0
    assert states(tmp_path) == [("brake_drag", "1L", day(5), "open", None)]


def test_what_is_published_is_what_stands(tmp_path: Path) -> None:
    hostile = "a|b'; --\n<b>"
    health = [vehicle(hostile, "this_week", open_report="x"), vehicle(priority="next_service")]
    scored(tmp_path, day(0), health, indicators=[DRAG])
    first = table(tmp_path)
    assert [row["flag_id"] for row in first] == [f"{hostile}|open_report||2026-03-02", "bus|brake_drag|1L|2026-03-02"]
    with rebuilding(tmp_path) as con:
        publish_flags(con, tmp_path, day(0))
    assert str(table(tmp_path)) == str(first)
    assert [row["vehicle_id"] for row in first] == [flag.vehicle_id for flag in flags(tmp_path)]


# --- ending


def test_what_is_shown_no_longer_closes_on_a_newer_day(tmp_path: Path) -> None:
    scored(tmp_path, day(0), [vehicle()], indicators=[DRAG])
    scored(tmp_path, day(0), [vehicle(priority="no_sign")], indicators=[])  # the same day anew: not yet
    assert only(tmp_path).state == "open"
    scored(tmp_path, day(3), [vehicle(priority="no_sign")], indicators=[])
    assert states(tmp_path) == [("brake_drag", "1L", day(0), "closed", "no_longer_shown")]
    assert (only(tmp_path).closed_on, only(tmp_path).age_days) == (day(3), 3)
    scored(tmp_path, day(4), [vehicle()], indicators=[DRAG])  # and what comes back is a flag of its own
    assert states(tmp_path)[1:] == [("brake_drag", "1L", day(4), "open", None)]
    assert flags(tmp_path)[0].age_days == 3


#: What an inspection found of a vehicle flagged for a drag at 1L, and how the flag ends by that.
FOUND: list[tuple[list[tuple[Any, ...]], str | None]] = [
    ([("brake_drag", 1, "1L")], "confirmed"),
    ([("brake_drag", None, None)], "confirmed"),  # without a severity it needs repair
    ([("brake_drag", 2, "1R")], "other_found"),
    ([("side_imbalance", 1, "1L")], "other_found"),
    ([("other", 3, None)], "other_found"),
    ([("none", 0, None)], "not_confirmed"),
    ([("none", None, "1L")], "not_confirmed"),
    ([("none", 0, "2R")], None),  # another wheel was looked at
    ([("brake_drag", 0, "1L")], "not_confirmed"),
    ([("none", 0, None), ("brake_drag", 2, "1L")], "confirmed"),
    ([("none", 0, "1L"), ("other", 1, "2R")], "other_found"),
]


def test_a_finding_ends_a_flag(tmp_path: Path) -> None:
    """Every case is a vehicle of its own."""
    names = [f"bus{number}" for number in range(len(FOUND))]
    health, drag = [vehicle(name) for name in names], [DRAG | {"vehicle_id": name} for name in names]
    inspections = [
        {"inspections": [inspected(day(1), what, severity, wheel, k) for k, (what, severity, wheel) in enumerate(rows)]}
        for rows, _ in FOUND
    ]
    scored(tmp_path, day(0), health, indicators=drag)
    scored(tmp_path, day(1), health, indicators=drag, **side_by_side(inspections))

    def told() -> list[list[tuple[Any, ...]]]:
        by_vehicle = [flags(tmp_path, name) for name in names]
        return [[(f.indicator, f.wheel, f.raised_on, f.state, f.result) for f in own] for own in by_vehicle]

    for first, (rows, result) in zip(told(), FOUND, strict=True):
        assert first[0] == ("brake_drag", "1L", day(0), "closed" if result else "open", result), rows
    # what is shown still is raised again, and what is on file already ends that flag no more
    scored(tmp_path, day(2), health, indicators=drag)
    for later, (rows, result) in zip(told(), FOUND, strict=True):
        assert later[1:] == ([("brake_drag", "1L", day(1), "open", None)] if result else []), rows


def test_shown_again_on_the_day_on_which_it_was_closed(tmp_path: Path) -> None:
    scored(tmp_path, day(0), [vehicle()], indicators=[DRAG])
    scored(tmp_path, day(0), [vehicle()], indicators=[DRAG], inspections=[inspected(day(0), "brake_drag", 1, "1L")])
    scored(tmp_path, day(0), [vehicle()], indicators=[DRAG])
    assert states(tmp_path) == [("brake_drag", "1L", day(0), "open", None)]
    assert [step.told for step in flag_history(tmp_path, "bus")] == [
        "raised", f"closed on {day(0)}: confirmed", "raised"
    ]  # fmt: skip


def test_what_was_on_file_when_a_flag_was_raised_does_not_end_it(tmp_path: Path) -> None:
    scored(tmp_path, day(0), [vehicle()], indicators=[DRAG], inspections=[inspected(day(0), "brake_drag", 1, "1L")])
    scored(tmp_path, day(1), [vehicle()], indicators=[DRAG])
    assert states(tmp_path) == [("brake_drag", "1L", day(0), "open", None)]
    scored(tmp_path, day(1), [vehicle()], indicators=[DRAG], inspections=[inspected(day(1), "none", 0, None, 2)])
    assert states(tmp_path)[0] == ("brake_drag", "1L", day(0), "closed", "not_confirmed")


#: What is told after a flagged vehicle's inspection found the same, and whether that ends the flag.
ANSWERS: list[tuple[dict[str, Any], bool]] = [
    ({}, False),
    ({"repairs": [work(day(1))]}, True),
    ({"repairs": [work(day(1), wheel=None)]}, True),
    ({"repairs": [work(day(0))]}, False),
    ({"repairs": [work(day(1), "tyre")]}, False),
    ({"repairs": [work(day(1), wheel="2R")]}, False),
    ({"repairs": [work(day(4))]}, False),  # after what the scores know
    ({"inspections": [inspected(day(2), "none", 0, None, 2)]}, True),
    ({"inspections": [inspected(day(2), "none", 0, "2R", 2)]}, False),
]


@pytest.mark.parametrize("shown", [True, False])
def test_what_needs_repair_keeps_its_flag(tmp_path: Path, shown: bool) -> None:
    """Also where the recordings show it no longer. Every answer is that of a vehicle of its own."""
    names = [f"bus{number}" for number in range(len(ANSWERS))]
    drag = [DRAG | {"vehicle_id": name} for name in names]
    found = [{"inspections": [inspected(day(1), "brake_drag", 2, "1L")]} for _ in names]
    asked = [vehicle(name, open_report="an inspection that found brake drag") for name in names]
    scored(tmp_path, day(0), [vehicle(name) for name in names], indicators=drag)
    for flag in flags(tmp_path):
        see_flag(tmp_path, flag, "ann")
    scored(tmp_path, day(1), asked, indicators=drag if shown else [], **side_by_side(found))
    scored(tmp_path, day(2), asked, indicators=drag if shown else [], **side_by_side([told for told, _ in ANSWERS]))
    for name, (answer, ended) in zip(names, ANSWERS, strict=True):
        first = next(flag for flag in flags(tmp_path, name) if flag.indicator == "brake_drag")
        assert (first.state, first.result) == (("closed", "confirmed") if ended else ("seen", None)), answer


def test_what_the_scores_hold_answered_is_answered(tmp_path: Path) -> None:
    scored(tmp_path, day(0), [vehicle()], indicators=[DRAG])
    passed = [inspected(day(1), "brake_drag", 2, "1L")]  # and a passed brake test: the scores show nothing open
    scored(tmp_path, day(1), [vehicle(priority="no_sign")], indicators=[], inspections=passed)
    assert states(tmp_path) == [("brake_drag", "1L", day(0), "closed", "confirmed")]


def test_only_an_inspection_since_then_that_the_scores_know_ends_it(tmp_path: Path) -> None:
    ended = {-1: False, 0: True, 1: True, 9: False}
    found = [{"inspections": [inspected(day(on), "none")]} for on in ended]
    shown = side_by_side([{"health": [vehicle()], "indicators": [DRAG]} for _ in ended])
    scored(tmp_path, day(0), **shown)
    scored(tmp_path, day(1), **shown, **side_by_side(found))
    for number, (on, over) in enumerate(ended.items()):
        assert (flags(tmp_path, f"bus{number}")[0].state == "closed") is over, on


def test_findings_up_to_today_count_with_the_newest_recordings(tmp_path: Path) -> None:
    scored(tmp_path, day(0), [vehicle()], indicators=[DRAG])
    recorded(tmp_path, day(0))
    rows = [inspected(day(3), "none")]
    scored(tmp_path, day(0), [vehicle(priority="no_sign")], indicators=[], inspections=rows)
    assert states(tmp_path) == [("brake_drag", "1L", day(0), "closed", "not_confirmed")]
    assert (only(tmp_path).closed_on, only(tmp_path).age_days) == (day(3), 3)


def test_an_open_report_stays_until_it_is_answered(tmp_path: Path) -> None:
    asked = vehicle(open_report="an inspection that found brake drag")
    scored(tmp_path, day(0), [asked])
    scored(tmp_path, day(1), [asked], inspections=[inspected(day(1), "brake_drag", 2)])
    assert states(tmp_path) == [("open_report", None, day(0), "open", None)]
    scored(tmp_path, day(2), [vehicle(priority="no_sign")], repairs=[{"vehicle_id": "bus", "repaired_on": day(2)}])
    assert states(tmp_path) == [("open_report", None, day(0), "closed", "confirmed")]


@pytest.mark.parametrize(("finding", "result"), [("none", "not_confirmed"), (None, "no_longer_shown")])
def test_how_a_report_ends(tmp_path: Path, finding: str | None, result: str) -> None:
    scored(tmp_path, day(0), [vehicle(open_report="pulls left")])
    rows = [inspected(day(1), finding)] if finding else []
    scored(tmp_path, day(2), [vehicle(priority="no_sign")], inspections=rows)
    assert only(tmp_path).result == result


# --- what people decided


def test_a_life_with_a_decision_over_three_runs(tmp_path: Path) -> None:
    scored(tmp_path, day(0), [vehicle()], indicators=[DRAG])
    see_flag(tmp_path, only(tmp_path), "ann")
    see_flag(tmp_path, only(tmp_path), "bob")
    decide(tmp_path, only(tmp_path), "watch", "bob", "new linings", day(20))
    flag = only(tmp_path)
    assert (flag.state, flag.seen_by, flag.decision, flag.decided_by) == ("decided", "ann", "watch", "bob")
    assert (flag.reason, flag.expires_on) == ("new linings", day(20))
    scored(tmp_path, day(20), [vehicle(priority="no_sign")], indicators=[])
    assert only(tmp_path).state == "decided"  # a score does not undo what a person decided
    assert wishes(tmp_path).flags == [only(tmp_path)]
    scored(tmp_path, day(21), [vehicle()], indicators=[DRAG])
    flag = only(tmp_path)
    assert (flag.state, flag.decision, flag.expires_on, flag.seen_by) == ("open", None, None, "ann")
    scored(tmp_path, day(22), [vehicle()], indicators=[DRAG], inspections=[inspected(day(22), "brake_drag", 2, "1L")])
    assert flags(tmp_path)[0].result == "confirmed"
    assert [flag.raised_on for flag in wishes(tmp_path).flags] == [day(22)]  # still shown: raised again
    history = flag_history(tmp_path, "bus")
    assert [(step.kind, step.made_by) for step in history] == [
        ("flag_raised", "scores"),
        ("flag_seen", "ann"),
        ("flag_decided", "bob"),
        ("flag_reopened", "scores"),
        ("flag_closed", "scores"),
        ("flag_raised", "scores"),
    ]
    assert history[2].told == f"decided: watch, stands until {day(20)}"
    assert (history[2].reason, history[2].day, history[3].reason) == (
        "new linings", day(20), f"the decision stood until {day(20)}"
    )  # fmt: skip
    assert history[4].told == f"closed on {day(22)}: confirmed"


def test_a_decision_lapses_once_the_vehicle_must_not_wait(tmp_path: Path) -> None:
    scored(tmp_path, day(0), [vehicle()], indicators=[DRAG])
    decide(tmp_path, only(tmp_path), "reject", "bob", "seen last week", day(30))
    defer(tmp_path, "bus", day(9), "no parts", "bob")
    assert set(wishes(tmp_path).deferred) == {"bus"}
    scored(tmp_path, day(1), [vehicle(priority="before_next_trip")], indicators=[DRAG])
    assert (only(tmp_path).state, only(tmp_path).decision) == ("open", None)
    assert not wishes(tmp_path).deferred
    scored(tmp_path, day(2), [vehicle(priority="this_week")], indicators=[DRAG])
    assert only(tmp_path).state == "open"  # for good, not while it lasts
    assert not wishes(tmp_path).deferred


def test_a_decision_made_while_scores_ran_lapses_too(tmp_path: Path) -> None:
    scored(tmp_path, day(0), [vehicle(priority="before_next_trip")], indicators=[DRAG])
    late = FlagDecided(indicator="brake_drag", wheel="1L", raised_on=day(0), decision="watch", reason="late",
                       expires_on=day(9))  # fmt: skip
    enter(tmp_path, "bob", "bus", late)  # as a page would that had still read the scores of the day before
    assert only(tmp_path).state == "open"


def test_an_inspection_wanted_now_waits_for_it(tmp_path: Path) -> None:
    scored(tmp_path, day(0), [vehicle()], indicators=[DRAG])
    decide(tmp_path, only(tmp_path), "inspect_now", "bob")
    scored(tmp_path, day(1), [vehicle(priority="before_next_trip")], indicators=[DRAG])
    assert only(tmp_path).decision == "inspect_now"
    scored(tmp_path, day(200), [vehicle(priority="no_sign")], indicators=[])
    assert only(tmp_path).decision == "inspect_now"
    scored(tmp_path, day(201), [vehicle(priority="no_sign")], inspections=[inspected(day(201), "none")])
    assert (only(tmp_path).result, only(tmp_path).decision) == ("not_confirmed", "inspect_now")


@pytest.mark.parametrize(
    "acted",
    [
        {"repairs": [{"vehicle_id": "bus", "repaired_on": day(1), "work": "lining"}]},
        {
            "defect_reports": [
                {"vehicle_id": "bus", "reported_at": "2026-03-01 08:00Z", "cleared_at": "2026-03-03 08:00Z"}
            ]
        },
    ],
)
def test_work_on_the_vehicle_lets_a_decided_flag_end(tmp_path: Path, acted: dict[str, Any]) -> None:
    scored(tmp_path, day(0), [vehicle()], indicators=[DRAG])
    decide(tmp_path, only(tmp_path), "inspect_now", "bob")
    scored(tmp_path, day(2), [vehicle(priority="no_sign")], indicators=[], **acted)
    assert only(tmp_path).result == "no_longer_shown"


def test_a_closed_flag_takes_no_more_steps(tmp_path: Path) -> None:
    scored(tmp_path, day(0), [vehicle()], indicators=[DRAG])
    names: dict[str, Any] = {"indicator": "brake_drag", "wheel": "1L", "raised_on": day(0)}
    enter(tmp_path, "x", "bus", FlagClosed(**names, closed_on=day(0), result="confirmed"))
    enter(tmp_path, "x", "bus", FlagDecided(**names, decision="inspect_now"))
    assert (only(tmp_path).state, only(tmp_path).decision, only(tmp_path).priority) == ("closed", None, "this_week")
    enter(tmp_path, "x", "bus", FlagRaised(**names, priority="watch"))
    assert (only(tmp_path).state, only(tmp_path).priority) == ("open", "watch")  # but it may be raised anew
    enter(tmp_path, "x", "bus", FlagClosed(**names | {"wheel": "2L"}, closed_on=day(0), result="confirmed"))
    assert len(flags(tmp_path)) == 1  # steps of a flag that nobody raised are none


def test_flags_of_one_vehicle(tmp_path: Path) -> None:
    health = [vehicle(open_report="x"), vehicle("van", open_report="y")]
    scored(tmp_path, day(0), health)
    assert [flag.vehicle_id for flag in flags(tmp_path)] == ["bus", "van"]
    assert [flag.vehicle_id for flag in flags(tmp_path, "van")] == ["van"]
    assert flags(tmp_path, "none") == []


@pytest.mark.parametrize("turn", [list, lambda rows: rows[::-1]], ids=["forward", "backward"])
def test_the_order_of_rows_changes_nothing(tmp_path: Path, turn: Callable[[list[Any]], list[Any]]) -> None:
    health = turn([vehicle(name, open_report="x") for name in ("a", "b", "bus")])
    rows = turn([DRAG, shows("brake_fade"), shows("brake_drag", "2R", "a")])
    findings = turn([inspected(day(0), "none", 0, None, 1), inspected(day(0), "brake_fade", 1, None, 2)])
    scored(tmp_path, day(0), health, indicators=rows)
    scored(tmp_path, day(1), health, indicators=rows, inspections=findings)
    assert [(entry.vehicle_id, entry.kind, entry.body.model_dump().get("result")) for entry in entries(tmp_path)] == [
        ("a", "flag_raised", None),
        ("a", "flag_raised", None),
        ("b", "flag_raised", None),
        ("bus", "flag_raised", None),
        ("bus", "flag_raised", None),
        ("bus", "flag_raised", None),
        ("bus", "flag_closed", "other_found"),
        ("bus", "flag_closed", "confirmed"),
        ("bus", "flag_raised", None),
        ("bus", "flag_raised", None),
    ]

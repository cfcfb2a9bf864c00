"""What is left out of a visit so that a date is kept; and what is on file although the scores do not know it yet."""

import re
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from a_few import a_few
from scoring_fleet import Fleet
from test_asked import after, flag, planned, put_off
from test_limits import every_day, table
from test_plan import AS_OF, START, flagged, healthy, rows

from fleetbrake.planning.run import PLAN_DAYS, plan
from fleetbrake.planning.wish_types import Deferral, Wishes


def flagged_and_due(fleet: Fleet, vehicle: str, rank: int, days: int, hours: float | None = None) -> None:
    flagged(fleet, vehicle, rank, "this_week")
    fleet.add("due_dates", vehicle_id=vehicle, kind="inspection", due_on=after(days), bay_hours=hours)


def test_a_date_is_kept_without_the_look_where_no_day_holds_both() -> None:
    fleet = Fleet()
    flagged_and_due(fleet, "truck", 1, 8, 7.0)  # and 1.5 h for the look: more than a day has
    row = planned(fleet)["truck"]
    assert (row["planned_on"], row["statutory"], row["bay_hours"]) == (START, "inspection", 7.0)
    assert row["indicator"] is row["wheel"] is row["date_lost"] is None
    assert row["days_saved"] == 0.0, "nobody looks where the sign is"
    assert "no hours for a look at axle 2 left (2L) in this visit" in row["note"]
    assert "has 8.5 bay hours, the most is 8" in row["note"]


def test_a_date_is_kept_without_the_look_where_the_roller_tester_is_short() -> None:
    fleet = Fleet()
    every_day(fleet, roller_hours=0.75)
    flagged_and_due(fleet, "truck", 1, 8)
    row = planned(fleet)["truck"]
    assert (row["statutory"], row["roller_hours"], row["date_lost"]) == ("inspection", 0.5, None)


def test_a_look_gives_way_to_the_date_of_another_vehicle() -> None:
    fleet = Fleet()
    every_day(fleet, bay_hours=0.0)
    fleet.rows["capacity"][2]["bay_hours"] = 5.0
    flagged_and_due(fleet, "flagged", 1, 3)
    fleet.vehicle("due", inspection_due_on=after(3))
    healthy(fleet, "due", 2)
    found = planned(fleet)
    assert {row["planned_on"] for row in found.values()} == {after(2)}
    assert found["flagged"]["indicator"] is None and "has 5 bay hours up to" in found["flagged"]["note"]


def test_two_dates_that_fit_in_one_visit_are_both_kept() -> None:
    fleet = Fleet()
    every_day(fleet, bay_hours=5.0)
    flagged_and_due(fleet, "truck", 1, 4, 2.0)
    fleet.add("due_dates", vehicle_id="truck", kind="brake test", due_on=after(9), bay_hours=3.0)
    con = fleet.connect()
    plan(con)
    row = rows(con)["truck"]
    assert (row["statutory"], row["indicator"], row["date_lost"]) == ("inspection + brake test", None, None)
    assert table(con, "plan_summary")[0]["dates_not_kept"] == 0


def test_of_two_dates_that_do_not_fit_in_one_visit_the_earlier_is_kept_and_the_later_told() -> None:
    fleet = Fleet()
    fleet.vehicle("truck")
    healthy(fleet, "truck", 1)
    for kind, days in (("first", 2), ("second", 11)):
        fleet.add("due_dates", vehicle_id="truck", kind=kind, due_on=after(days), bay_hours=5.0)
    con = fleet.connect()
    plan(con)
    row = rows(con)["truck"]
    assert (row["planned_on"], row["statutory"], row["date_lost"]) == (START, "first", after(11))
    assert f"date {after(11)} cannot be kept (second; a vehicle has one visit in a plan)" in row["note"]
    summary = table(con, "plan_summary")[0]
    assert summary["dates_not_kept"] == 1 and str(after(11)) in summary["note"]


def test_what_is_flagged_is_looked_into_although_the_date_cannot_be_kept() -> None:
    fleet = Fleet()
    flagged_and_due(fleet, "truck", 1, 4, 20.0)
    row = planned(fleet)["truck"]
    assert (row["planned_on"], row["statutory"], row["indicator"]) == (START, None, "side_imbalance")
    assert row["date_lost"] == after(4) and f"date {after(4)} cannot be kept" in row["note"]


def test_what_is_overdue_is_looked_into_rather_than_inspected_a_day_earlier() -> None:
    fleet = Fleet()
    every_day(fleet, bay_hours=3.5)
    fleet.rows["capacity"][0]["bay_hours"] = 2.0
    flagged_and_due(fleet, "truck", 1, -3)
    row = planned(fleet)["truck"]
    assert (row["planned_on"], row["indicator"]) == (after(1), "side_imbalance")


def test_hours_of_what_is_stopped_come_before_a_fixed_day() -> None:
    fleet = Fleet()
    every_day(fleet, bay_hours=2.0)
    flagged(fleet, "danger", 2, "before_next_trip")
    fleet.vehicle("sound")
    healthy(fleet, "sound", 1)
    found = planned(fleet, fixed={"sound": START})
    assert found["danger"]["held_on"] == START
    assert found["sound"]["planned_on"] is None
    assert "go to vehicles held before their next trip" in found["sound"]["note"]


def finding(fleet: Fleet, vehicle: str, severity: int, on: date, **values: Any) -> None:
    known = {"inspection_id": f"{vehicle} {on}", "finding": "brake_drag", "wheel": "1L"}
    fleet.add("inspections", vehicle_id=vehicle, inspected_on=on, severity=severity, **known | values)


@pytest.mark.parametrize("what", ["finding", "report", "test"])
def test_a_danger_on_file_stops_the_vehicle_whatever_the_scores_say(what: str) -> None:
    fleet = Fleet()
    fleet.vehicle("truck")
    healthy(fleet, "truck", 1)
    if what == "finding":
        finding(fleet, "truck", 3, after(1))
    elif what == "report":
        fleet.add(
            "defect_reports", vehicle_id="truck", reported_at=f"{after(1)} 08:00+00", text="no brakes", severity=3
        )
    else:
        for wheel, force in (("1L", 20000.0), ("1R", 5000.0)):
            fleet.add("brake_tests", vehicle_id="truck", tested_on=after(1), method="roller", wheel=wheel,
                      axle_load_kg=6000.0, max_force_n=force)  # fmt: skip
    row = planned(fleet)["truck"]
    assert (row["planned_on"], row["held_on"], row["priority"]) == (None, START, "before_next_trip")
    assert "must not go on the road before a qualified inspector has seen it" in row["note"]
    assert str(after(1)) in row["reason"]
    asked = {"deferred": {"truck": put_off(5)}, "fixed": {}, "flags": [flag("truck", "reject", 60)]}
    assert planned(fleet, **asked)["truck"]["held_on"] == START


def test_a_finding_that_needs_repair_has_a_visit_until_somebody_repairs_it() -> None:
    fleet = Fleet()
    fleet.vehicle("truck")
    healthy(fleet, "truck", 1)
    finding(fleet, "truck", 2, after(1))
    decided = [flag("truck", "watch", 60)]
    row = planned(fleet, flags=decided)["truck"]
    assert (row["planned_on"], row["priority"], row["indicator"]) == (START, "this_week", "open_report")
    assert "An inspection of 2026-03-10 that found brake drag (wheel 1L)." in row["reason"]
    assert "decision does not hold" in row["note"]
    fleet.add("repairs", vehicle_id="truck", repaired_on=after(2), wheel="1L", work="caliper_or_actuator")
    assert planned(fleet, flags=decided) == {}


def test_what_was_written_after_today_does_not_count_yet() -> None:
    fleet = Fleet()
    fleet.vehicle("truck")
    healthy(fleet, "truck", 1)
    finding(fleet, "truck", 3, after(1))
    con = fleet.connect()
    assert plan(con, today=AS_OF) == 0 and rows(con) == {}


def test_a_minor_finding_leaves_the_visit_that_the_list_asks_for() -> None:
    fleet = Fleet()
    flagged(fleet, "truck", 1, "this_week")
    finding(fleet, "truck", 1, AS_OF, finding="side_imbalance", wheel="2L")
    assert planned(fleet)["truck"]["planned_on"] == START


def test_a_deferral_that_leaves_no_open_day_is_the_reason_told() -> None:
    fleet = Fleet()
    every_day(fleet, bay_hours=0.0)
    for day in (1, 2, 3):
        fleet.rows["capacity"][day]["bay_hours"] = 8.0
    flagged(fleet, "truck", 1, "this_week")
    note = planned(fleet, deferred={"truck": put_off(8)})["truck"]["note"]
    assert f"depot North is closed every day from {after(8)} up to {after(13)}" in note


_GONE = re.compile(r"the hours of (?:each day (?:from (\S+) )?up to (\d{4}-\d\d-\d\d)|(\d{4}-\d\d-\d\d)) go to")


@pytest.mark.parametrize("seed", a_few(range(40), *range(8)))
def test_hours_go_to_others_only_where_no_day_has_room_left(seed: int) -> None:
    """Every day that such a note speaks of is looked at in the final plan: the visit in full has no room on it."""
    fleet, wishes, road = _tight_fleet(np.random.default_rng(seed))
    con = fleet.connect()
    plan(con, start=START, wishes=wishes)
    found = rows(con)
    full = _hours_in_full(fleet)
    days = {row["day"]: row for row in table(con, "plan_days")}
    stopped = sum(row["priority"] == "before_next_trip" for row in fleet.rows["vehicle_health"])
    for name, row in found.items():
        for since, until, only in _GONE.findall(row["note"] or ""):
            first, last = (only, only) if only else (since or str(START), until)
            stop, at = row["priority"] == "before_next_trip", row["planned_on"] or row["held_on"]
            for day, room in days.items():
                if not first <= str(day) <= last:
                    continue
                own = row if at == day else None
                left = (
                    room["bay_hours"] - room["booked_hours"] - room["held_hours"] + (own["bay_hours"] if own else 0.0)
                )
                off = room["visits"] - bool(own and not stop)
                closed = road is not None and not stop and room["vehicles"] - stopped - off - 1 < road
                roller = room["roller_hours"] - room["roller_booked_hours"] + (own["roller_hours"] if own else 0.0)
                assert left < full[name][0] or closed or roller < full[name][1], (name, day, row["note"])


def _tight_fleet(rng: np.random.Generator) -> tuple[Fleet, Wishes, int | None]:
    fleet = Fleet()
    every_day(fleet, bay_hours=0.0, roller_hours=float(rng.choice([0.5, 1.0, 8.0])))
    road = None if rng.random() < 0.6 else int(rng.integers(1, 4))
    for day in rng.choice(PLAN_DAYS, size=3, replace=False):
        fleet.rows["capacity"][int(day)]["bay_hours"] = float(rng.choice([2.0, 3.0, 4.0]))
    for row in fleet.rows["capacity"]:
        row["min_on_road"] = road
    fixed, deferred = {}, {}
    for number in range(5):
        name = f"v{number}"
        priority = str(rng.choice(["no_sign", "this_week", "this_week", "next_service", "before_next_trip"]))
        flagged(fleet, name, number + 1, priority)
        if priority == "no_sign":
            fleet.rows["vehicle_health"][-1]["leading_indicator"] = None
        if rng.random() < 0.6:
            fleet.rows["vehicles"][-1]["inspection_due_on"] = after(int(rng.integers(0, 20)))
        draw = rng.random()
        if draw < 0.25:
            fixed[name] = after(int(rng.integers(0, PLAN_DAYS)))
        elif draw < 0.5:
            deferred[name] = Deferral(after(int(rng.integers(1, PLAN_DAYS))), "a reason", "Planner")
    return fleet, Wishes(fixed, deferred), road


def _hours_in_full(fleet: Fleet) -> dict[str, tuple[float, float]]:
    """Bay and roller hours of a statutory inspection in the plan (2 and 0.5) and of a look at an imbalance."""
    found = {}
    for vehicle, health in zip(fleet.rows["vehicles"], fleet.rows["vehicle_health"], strict=True):
        due = vehicle.get("inspection_due_on")
        statutory = due is not None and due < START + timedelta(days=PLAN_DAYS)
        look = health["leading_indicator"] is not None
        bay, roller = 2.0 * statutory + 1.5 * look, 0.5 * statutory + 0.5 * look
        found[vehicle["vehicle_id"]] = (bay or 1.0, roller)
    return found

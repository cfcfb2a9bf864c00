"""What planners asked: fixed days stay, deferrals hold, decisions on flags are heeded, and none goes beyond the law."""

from datetime import date, timedelta
from typing import Any

import duckdb
import pytest
from a_few import a_few
from scoring_fleet import Fleet
from test_plan import AS_OF, START, flagged, healthy, rows

from fleetbrake.planning.run import PLAN_DAYS, plan
from fleetbrake.planning.wish_types import Deferral, Flag, Wishes


def after(days: int) -> date:
    return START + timedelta(days=days)


def planned(fleet: Fleet, **wishes: Any) -> dict[str, dict[str, Any]]:
    con = fleet.connect()
    plan(con, wishes=Wishes(**wishes))
    return rows(con)


def put_off(days: int) -> Deferral:
    return Deferral(after(days), "parts are on their way", "Planner")


def flag(vehicle: str, decision: str | None, expires: int | None = None, **values: Any) -> Flag:
    known = {
        "flag_id": f"{vehicle} flag",
        "vehicle_id": vehicle,
        "indicator": "side_imbalance",
        "wheel": "2L",
        "raised_on": AS_OF,
        "state": "decided" if decision else "open",
        "decision": decision,
        "decided_by": "Planner",
        "reason": "seen last week",
        "expires_on": None if expires is None else after(expires),
    }
    return Flag(**known | values)


def test_a_fixed_day_stays_and_a_vehicle_without_a_sign_can_have_one() -> None:
    fleet = Fleet()
    flagged(fleet, "truck", 1, "this_week")
    fleet.vehicle("sound")
    healthy(fleet, "sound", 2)
    found = planned(fleet, fixed={"truck": after(9), "sound": after(3)})
    assert [found[name]["planned_on"] for name in ("truck", "sound")] == [after(9), after(3)]
    assert found["truck"]["fixed"] and found["sound"]["fixed"]
    assert "day fixed by a planner" in found["truck"]["note"]
    assert "later than" not in found["truck"]["note"], "the planner wanted it so"
    assert found["sound"]["reason"] == "Fixed by a planner: look at the brakes."


def test_a_fixed_day_that_has_no_room_is_told_and_another_day_found() -> None:
    fleet = Fleet()
    for name in ("truck", "sound"):
        flagged(fleet, name, 1 if name == "truck" else 2, "this_week")
    fleet.rows["vehicle_health"][1]["priority"] = "no_sign"
    saturday = after(5)
    found = planned(fleet, fixed={"truck": saturday, "sound": saturday})
    assert found["truck"]["planned_on"] == START and not found["truck"]["fixed"]
    told = "the day 2026-03-14 fixed by a planner cannot be kept: depot North is closed on 2026-03-14"
    assert told in found["truck"]["note"]
    assert told in found["sound"]["note"] and found["sound"]["planned_on"] is None


def test_a_statutory_date_wins_over_a_later_fixed_day_and_a_later_deferral() -> None:
    fleet = Fleet()
    for rank, name in enumerate(("fixed", "deferred"), 1):
        fleet.vehicle(name, inspection_due_on=after(2))
        healthy(fleet, name, rank)
    found = planned(fleet, fixed={"fixed": after(4)}, deferred={"deferred": put_off(8)})
    assert all(row["planned_on"] <= after(2) for row in found.values())
    assert (
        "2026-03-13 fixed by a planner is not kept: the statutory date 2026-03-11 comes first"
        in (found["fixed"]["note"])
    )
    assert "the deferral until 2026-03-17 does not hold" in found["deferred"]["note"]


def test_statutory_visits_keep_wishes_within_their_date_where_there_is_room() -> None:
    fleet = Fleet()
    for rank, name in enumerate(("fixed", "deferred"), 1):
        fleet.vehicle(name, inspection_due_on=after(4))
        healthy(fleet, name, rank)
    found = planned(fleet, fixed={"fixed": after(3)}, deferred={"deferred": put_off(2)})
    assert found["fixed"]["planned_on"] == after(3)
    assert found["deferred"]["planned_on"] == after(2), "as early as the deferral lets it"
    fleet.add("capacity", depot="North", weekday="Mon", bay_hours=4.0)  # only the first day is left
    found = planned(fleet, fixed={"fixed": after(3)}, deferred={"deferred": put_off(2)})
    assert {row["planned_on"] for row in found.values()} == {START}, "the dates come first"
    assert "cannot be kept: depot North is closed on 2026-03-12" in found["fixed"]["note"]
    assert "the deferral until 2026-03-11 is not kept" in found["deferred"]["note"]


def test_a_deferral_and_a_day_after_the_plan_keep_flagged_vehicles_out() -> None:
    fleet = Fleet()
    for rank, name in enumerate(("soon", "late", "fixed"), 1):
        flagged(fleet, name, rank, "this_week")
    late = put_off(PLAN_DAYS + 3)
    found = planned(fleet, deferred={"soon": put_off(3), "late": late}, fixed={"fixed": after(PLAN_DAYS)})
    assert found["soon"]["planned_on"] == after(3)
    assert found["late"]["planned_on"] is found["fixed"]["planned_on"] is None
    assert f"deferred until {late.until}: parts are on their way" in found["late"]["note"]
    assert "after the days of this plan" in found["fixed"]["note"]


def test_no_wish_holds_a_vehicle_that_must_not_go_on_the_road() -> None:
    for wishes in (
        {"deferred": {"danger": put_off(6)}},
        {"fixed": {"danger": after(6)}},
        {"flags": [flag("danger", "watch", 9)]},
        {"flags": [flag("danger", "reject", 9)]},
        {"flags": [flag("danger", "next_visit", 9)]},
    ):
        fleet = Fleet()
        flagged(fleet, "danger", 1, "before_next_trip")
        row = planned(fleet, **wishes)["danger"]
        assert (row["planned_on"], row["held_on"], row["position"]) == (None, START, None)
        assert "does not hold" in row["note"] or "is not kept: it must be inspected" in row["note"]


def test_an_overdue_vehicle_waits_for_no_wish() -> None:
    fleet = Fleet()
    fleet.vehicle("overdue", inspection_due_on=AS_OF)
    healthy(fleet, "overdue", 1)
    for wishes in ({"deferred": {"overdue": put_off(5)}}, {"fixed": {"overdue": after(5)}}):
        row = planned(fleet, **wishes)["overdue"]
        assert row["planned_on"] == START and "the statutory date 2026-03-08 comes first" in row["note"]


def test_inspect_now_is_planned_first_whatever_it_gains() -> None:
    fleet = Fleet()
    fleet.add("capacity", depot="North", weekday="Tue", bay_hours=1.5)
    flagged(fleet, "better", 1, "this_week")
    flagged(fleet, "worse", 2, "watch")
    assert set(planned(fleet)) == {"better"}
    fleet.rows["vehicle_health"][1]["health_score"] = 99.0
    found = planned(fleet, flags=[flag("worse", "inspect_now")])
    assert (found["worse"]["planned_on"], found["better"]["planned_on"]) == (after(1), after(8))
    assert "Look at axle 2 left (2L)" in found["worse"]["reason"]
    assert "later than this week" in found["better"]["note"]


@pytest.mark.parametrize("decision", a_few(["watch", "reject", "next_visit"], 1))
def test_other_decisions_keep_a_flag_from_a_visit_of_its_own_until_they_expire(decision: str) -> None:
    fleet = Fleet()
    flagged(fleet, "truck", 1, "this_week")
    assert planned(fleet, flags=[flag("truck", decision, 60)]) == {}
    assert planned(fleet, flags=[flag("truck", decision, 3)])["truck"]["planned_on"] == after(4)
    assert planned(fleet, flags=[flag("truck", decision, -1)])["truck"]["planned_on"] == START
    closed = flag("truck", decision, 60, closed_on=AS_OF)
    assert planned(fleet, flags=[closed])["truck"]["planned_on"] == START


def test_a_statutory_visit_still_happens_and_mentions_the_decision() -> None:
    fleet = Fleet()
    flagged(fleet, "truck", 1, "this_week")
    fleet.rows["vehicles"][0]["inspection_due_on"] = after(6)
    watched = planned(fleet, flags=[flag("truck", "watch", 60)])["truck"]
    assert (watched["statutory"], watched["indicator"], watched["bay_hours"]) == ("inspection", None, 2.0)
    assert "watch until 2026-05-08, decided by Planner, because seen last week" in watched["note"]
    along = planned(fleet, flags=[flag("truck", "next_visit", 60)])["truck"]
    assert (along["statutory"], along["indicator"], along["bay_hours"]) == ("inspection", "side_imbalance", 3.5)


def test_another_flag_without_a_decision_is_looked_into_instead() -> None:
    fleet = Fleet()
    flagged(fleet, "truck", 1, "this_week")
    fleet.add("indicators", vehicle_id="truck", as_of=AS_OF, indicator="brake_drag", wheel="1R", probability=0.25,
              evidence='["e1"]')  # fmt: skip
    other = flag("truck", None, indicator="brake_drag", wheel="1R", flag_id="other")
    row = planned(fleet, flags=[flag("truck", "reject", 60), other])["truck"]
    assert (row["indicator"], row["wheel"], row["evidence"]) == ("brake_drag", "1R", '["e1"]')
    assert "no inspection until 2026-05-08" in row["note"]


def test_the_lot_leaves_deferred_vehicles_alone() -> None:
    fleet = Fleet()
    for number in range(40):
        fleet.vehicle(f"s{number:03d}")
        healthy(fleet, f"s{number:03d}", 100 + number)
    drawn = list(planned(fleet))
    assert len(drawn) == 2
    left = planned(fleet, deferred={name: put_off(PLAN_DAYS) for name in drawn})
    assert left == {}


def test_wishes_of_unknown_vehicles_change_nothing() -> None:
    fleet = Fleet()
    flagged(fleet, "truck", 1, "this_week")
    con: duckdb.DuckDBPyConnection = fleet.connect()
    assert plan(con, wishes=Wishes({"sold": START}, {"gone": put_off(3)}, [flag("lost", "inspect_now")])) == 1

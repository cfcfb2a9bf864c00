"""The plan: bays are never overfilled, no statutory date passes in silence, one visit a vehicle."""

from datetime import date, timedelta
from typing import Any

import duckdb
import pytest
from a_few import searched
from hypothesis import strategies as st
from scoring_fleet import Fleet

from fleetbrake.core.errors import StoreError
from fleetbrake.planning.calendar import weekday_number
from fleetbrake.planning.run import PLAN_DAYS, plan
from fleetbrake.scoring.run import score

AS_OF = date(2026, 3, 8)  # a Sunday: the plan begins on a Monday
START = date(2026, 3, 9)
HEALTH = {"as_of": AS_OF, "health_score": 50.0, "events_used": 20}


def healthy(fleet: Fleet, vehicle: str, rank: int, priority: str = "no_sign", **values: Any) -> None:
    fleet.add("vehicle_health", **{"vehicle_id": vehicle, "rank": rank, "priority": priority} | HEALTH | values)


def flagged(fleet: Fleet, vehicle: str, rank: int, priority: str, depot: str | None = "North") -> None:
    fleet.vehicle(vehicle, depot=depot)
    reason = "Wheel 2L brakes less than 2R: 41 % less slip at equal demand in 37 events since 2026-02-03."
    healthy(fleet, vehicle, rank, priority, leading_indicator="side_imbalance", suspect_wheel="2L", reason=reason)


def rows(con: duckdb.DuckDBPyConnection) -> dict[str, dict[str, Any]]:
    cursor = con.execute("select * from inspection_plan order by planned_on, depot, position")
    names = [column[0] for column in cursor.description]
    found = [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
    assert len({row["vehicle_id"] for row in found}) == len(found)
    return {row["vehicle_id"]: row for row in found}


def test_begins_the_day_after_the_scores_and_orders_overdue_rank_due() -> None:
    fleet = Fleet()
    fleet.vehicle("due", inspection_due_on=START + timedelta(days=3))
    fleet.vehicle("overdue", inspection_due_on=AS_OF - timedelta(days=20))
    fleet.vehicle("far", inspection_due_on=START + timedelta(days=PLAN_DAYS))
    fleet.vehicle("sound")
    for rank, name in enumerate(("due", "overdue", "far", "sound"), 10):
        healthy(fleet, name, rank)
    flagged(fleet, "second", 2, "this_week")
    flagged(fleet, "first", 1, "before_next_trip")
    flagged(fleet, "watched", 3, "watch")
    con = fleet.connect()
    assert plan(con) == 3
    found = rows(con)
    assert [(name, row["position"]) for name, row in found.items()] == [
        ("overdue", 1), ("second", 2), ("due", 3), ("first", None),
    ]  # fmt: skip
    assert {found[name]["planned_on"] for name in ("overdue", "second", "due")} == {START}
    assert found["first"]["held_on"] == START
    assert found["first"]["planned_on"] is None, "what must be inspected before its next trip waits for no day"
    assert "overdue" in found["overdue"]["note"]
    assert "Overdue" in found["overdue"]["reason"]
    assert "axle 2 left (2L)" in found["first"]["reason"]
    assert "41 % less slip" in found["first"]["reason"]
    assert all("capacity assumed" in row["note"] for row in found.values())


def test_a_due_date_keeps_its_place_before_better_ranked_vehicles() -> None:
    fleet = Fleet()
    for day in range(PLAN_DAYS):
        fleet.add("capacity", depot="North", date=START + timedelta(days=day), bay_hours=2.0)
    fleet.vehicle("due", inspection_due_on=START + timedelta(days=1))
    for number in range(4):
        flagged(fleet, f"flag{number}", number + 1, "this_week")
    healthy(fleet, "due", 9)
    con = fleet.connect()
    plan(con)
    found = rows(con)
    assert found["due"]["planned_on"] <= START + timedelta(days=1)
    assert found["flag0"]["planned_on"] == START  # the due vehicle waits until its last day instead
    assert "cannot be kept" not in (found["due"]["note"] or "")


def test_a_date_that_cannot_be_kept_is_told_with_the_cause() -> None:
    fleet = Fleet()
    fleet.add("capacity", depot="North", weekday="Wed", bay_hours=2.0)
    for name in ("a", "b"):
        fleet.vehicle(name, inspection_due_on=START + timedelta(days=2))
        healthy(fleet, name, 1 if name == "a" else 2)
    con = fleet.connect()
    assert plan(con) == 1
    found = rows(con)
    assert found["a"]["planned_on"] == START + timedelta(days=2)
    assert found["b"]["planned_on"] is found["b"]["position"] is None, "never a day after the date"
    assert found["b"]["held_on"] == START + timedelta(days=9)
    assert "date 2026-03-11 cannot be kept" in found["b"]["note"]
    assert "has 2 bay hours up to 2026-03-11 and the visits due by then need 4" in found["b"]["note"]


def test_without_any_bay_hours_the_visit_is_told_without_a_day() -> None:
    fleet = Fleet()
    fleet.add("capacity", depot="North", weekday="monday", bay_hours=0.5)
    fleet.vehicle("due", inspection_due_on=START)
    healthy(fleet, "due", 3)
    flagged(fleet, "danger", 1, "before_next_trip")
    flagged(fleet, "later", 2, "next_service")
    con = fleet.connect()
    assert plan(con) == 0
    found = rows(con)
    assert set(found) == {"due", "danger", "later"}, "whatever the list asks for is told"
    assert "no day found: no single day at depot North" in found["later"]["note"]
    assert found["later"]["date_lost"] is found["danger"]["date_lost"] is None
    assert found["due"]["date_lost"] == START
    assert found["due"]["planned_on"] is found["due"]["position"] is None
    assert "no day found" in found["danger"]["note"]
    assert "cannot be kept" in found["due"]["note"]


def test_date_beats_weekday_and_missing_weekdays_are_closed() -> None:
    fleet = Fleet()
    fleet.add("capacity", depot="North", weekday="1", bay_hours=8.0)
    fleet.add("capacity", depot="North", date=START, bay_hours=0.0)  # a holiday
    fleet.add("capacity", depot="North", date=START + timedelta(days=5), bay_hours=8.0)  # a Saturday shift
    flagged(fleet, "truck", 1, "this_week")
    con = fleet.connect()
    plan(con)
    found = rows(con)["truck"]
    assert found["planned_on"] == START + timedelta(days=5)
    assert "assumed" not in (found["note"] or "")


def test_trailers_and_vehicles_without_a_depot_are_planned() -> None:
    fleet = Fleet()
    fleet.vehicle("trailer", category="O4", inspection_due_on=START + timedelta(days=4))
    flagged(fleet, "homeless", 1, "this_week", depot=None)
    healthy(fleet, "stranger", 2, "next_service", leading_indicator="brake_drag", reason="drags")
    con = fleet.connect()
    assert plan(con) == 3
    found = rows(con)
    assert found["trailer"]["due_on"] == START + timedelta(days=4)
    assert found["homeless"]["depot"] is None
    assert "assumed" in found["homeless"]["note"]


def test_a_due_and_flagged_vehicle_has_one_visit_for_both() -> None:
    fleet = Fleet()
    fleet.vehicle("both", inspection_due_on=START + timedelta(days=6))
    healthy(fleet, "both", 1, "this_week", leading_indicator="brake_drag", suspect_wheel="1R", reason="Wheel 1R drags.")
    con = fleet.connect()
    assert plan(con) == 1
    row = rows(con)["both"]
    assert row["planned_on"] == START
    assert "Statutory" in row["reason"]
    assert "axle 1 right (1R)" in row["reason"]
    assert row["bay_hours"] == 3.0  # 2.0 statutory, 1.0 drag


def test_planning_again_replaces_the_plan() -> None:
    fleet = Fleet()
    flagged(fleet, "truck", 1, "this_week")
    con = fleet.connect()
    plan(con)
    first = rows(con)
    plan(con)
    assert rows(con) == first
    con.execute("update vehicle_health set priority = 'no_sign'")
    assert plan(con) == 0
    assert rows(con) == {}


def test_without_scores_there_is_a_clear_sentence() -> None:
    """Given a vehicle but no scores, expect to be told to score first: the register alone, or an event alone."""
    registered, recorded = Fleet(), Fleet()
    registered.vehicle("truck")
    recorded.event("truck")
    for fleet in (registered, recorded):
        with pytest.raises(StoreError, match="score the fleet first"):
            plan(fleet.connect())


def test_a_fleet_without_vehicles_has_no_visits() -> None:
    """Given a store in which nothing is known, expect no visits, no error, and the old plan gone."""
    fleet = Fleet()
    fleet.add("inspection_plan", vehicle_id="sold", planned_on=START)
    con = fleet.connect()
    assert score(con, today=AS_OF) == AS_OF
    assert plan(con) == 0
    assert rows(con) == {}


def test_scores_from_before_all_events_plan_the_due_vehicles_only() -> None:
    """Given scores of a day before every event, expect a plan of the statutory dates and no error."""
    fleet = Fleet()
    fleet.vehicle("due", inspection_due_on=START + timedelta(days=2))
    fleet.event("due", START + timedelta(days=30))
    fleet.event("stranger", START + timedelta(days=30))
    con = fleet.connect()
    score(con, AS_OF)
    assert plan(con) == 1
    assert set(rows(con)) == {"due"}


def test_the_end_of_the_calendar_is_a_clear_sentence() -> None:
    """Given scores of the last day there is, expect a sentence instead of an overflow."""
    fleet = Fleet()
    fleet.vehicle("truck")
    con = fleet.connect()
    score(con, date.max)
    with pytest.raises(StoreError, match="calendar ends"):
        plan(con)


def test_a_vehicle_to_stop_carries_the_instruction() -> None:
    """Given a vehicle for inspection before its next trip, expect the note to say what to do and who decides."""
    fleet = Fleet()
    flagged(fleet, "danger", 1, "before_next_trip")
    con = fleet.connect()
    plan(con)
    note = rows(con)["danger"]["note"]
    assert "must not go on the road before a qualified inspector has seen it and decides" in note


def test_an_older_day_scored_again_leaves_the_plan_as_it_was() -> None:
    """Given the plan made, an older day scored and the plan made again, expect the same plan."""
    fleet = Fleet()
    flagged(fleet, "truck", 1, "this_week")
    con = fleet.connect()
    plan(con)
    first = rows(con)
    score(con, AS_OF - timedelta(days=30))
    assert con.execute("select count(distinct as_of) from vehicle_health").fetchone() == (2,)
    plan(con)
    assert rows(con) == first and first["truck"]["planned_on"] == START


def test_an_open_report_brings_a_visit() -> None:
    """Given a vehicle watched for a report only, expect a visit that looks at the report; watched without, none."""
    fleet = Fleet()
    for name, rank, report in (("reported", 1, "pulls to the left"), ("watched", 2, None)):
        fleet.vehicle(name)
        reason = f"No sign found in 20 events, but an open report of 2026-03-01: {report}"
        healthy(fleet, name, rank, "watch", reason=reason, open_report=report)
    con = fleet.connect()
    assert plan(con) == 1
    assert rows(con)["reported"]["reason"] == (
        "Look at the report: No sign found in 20 events, but an open report of 2026-03-01: pulls to the left"
    )


@pytest.mark.parametrize(
    ("text", "number"), [("Mon", 1), ("friday", 5), ("7", 7), (" SUN ", 7), ("8", None), ("x", None)]
)
def test_weekday_names(text: str, number: int | None) -> None:
    assert weekday_number(text) == number


VEHICLES = st.lists(
    st.tuples(
        st.sampled_from(["N", "S", None]),
        st.sampled_from([None, *range(-5, 20)]),
        st.sampled_from(["before_next_trip", "this_week", "next_service", "watch", "no_sign", "too_little_evidence"]),
        st.sampled_from(["side_imbalance", "wheel_speed_dropout", "low_brake_effectiveness"]),
    ),
    max_size=25,
)
CAPACITY = st.lists(
    st.tuples(st.sampled_from(["N", "S"]), st.integers(1, 7), st.sampled_from([0.0, 2.0, 3.5, 8.0])), max_size=8
)


@searched(5, 15, VEHICLES, CAPACITY)
def test_never_overfull_never_silent_never_twice(vehicles: list[Any], capacity: list[Any]) -> None:
    fleet = Fleet()
    hours = {(depot, weekday): value for depot, weekday, value in capacity}
    for (depot, weekday), value in hours.items():
        fleet.add("capacity", depot=depot, weekday=str(weekday), bay_hours=value)
    known = {depot for depot, _ in hours}
    for rank, (depot, due, priority, indicator) in enumerate(vehicles, 1):
        due_on = None if due is None else START + timedelta(days=due)
        fleet.vehicle(f"v{rank}", depot=depot, inspection_due_on=due_on)
        healthy(fleet, f"v{rank}", rank, priority, leading_indicator=indicator, reason="a reason", depot=depot)
    con = fleet.connect()
    plan(con, start=START)
    found = rows(con)

    used: dict[Any, float] = {}
    places: dict[Any, list[int]] = {}
    for row in found.values():
        if row["planned_on"] is not None:
            key = (row["depot"], row["planned_on"])
            used[key] = used.get(key, 0.0) + row["bay_hours"]
            places.setdefault(key, []).append(row["position"])
    for (depot, day), taken in used.items():
        usual = 8.0 if day.isoweekday() <= 5 else 0.0
        free = hours.get((depot, day.isoweekday()), 0.0) if depot in known else usual
        assert taken <= free + 1e-9
        assert START <= day < START + timedelta(days=PLAN_DAYS)
        assert places[depot, day] == list(range(1, len(places[depot, day]) + 1))
    for rank, (_, due, _, _) in enumerate(vehicles, 1):
        if due is not None and due < PLAN_DAYS:
            row = found[f"v{rank}"]
            at = row["held_on"] if row["priority"] == "before_next_trip" else row["planned_on"]
            kept = at is not None and at <= row["due_on"]
            assert kept or "overdue" in row["note"] or "cannot be kept" in row["note"]
            assert row["planned_on"] is None or row["planned_on"] <= row["due_on"] or "overdue" in row["note"]


@searched(5, 15, st.lists(st.integers(0, PLAN_DAYS - 1), max_size=14), st.integers(0, 6), st.integers(1, 2))
def test_every_date_is_kept_wherever_that_is_possible(due_days: list[int], flags: int, places: int) -> None:
    """Equal visits: earliest date first keeps all dates if any order does (Jackson's rule, from memory)."""
    fleet = Fleet()
    for day in range(PLAN_DAYS):
        fleet.add("capacity", depot="North", date=START + timedelta(days=day), bay_hours=2.0 * places)
    for number, day in enumerate(due_days):
        fleet.vehicle(f"due{number}", inspection_due_on=START + timedelta(days=day))  # a truck: 2 hours
    for number in range(flags):
        fleet.vehicle(f"flag{number}")
        healthy(fleet, f"flag{number}", number + 1, "before_next_trip", leading_indicator="low_brake_effectiveness")
    con = fleet.connect()
    plan(con, start=START)
    found = rows(con)
    possible = all(place // places <= day for place, day in enumerate(sorted(due_days)))
    kept = all(
        row["planned_on"] is not None and row["planned_on"] <= row["due_on"]
        for name, row in found.items()
        if name.startswith("due")
    )
    assert kept == possible

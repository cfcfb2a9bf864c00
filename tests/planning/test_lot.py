"""Visits drawn by lot: the same every night, never in anybody's way, as likely for one vehicle as for another."""

from collections import Counter
from datetime import date, timedelta
from typing import Any

import duckdb
from scoring_fleet import Fleet
from test_plan import AS_OF, START, flagged, healthy

from fleetbrake.planning.calendar import plan_days
from fleetbrake.planning.lot import LOT_LEAST_VEHICLES, LOT_REST_DAYS, drawn_visits
from fleetbrake.planning.run import PLAN_DAYS, plan

WEEK = timedelta(days=7)


def sound_fleet(vehicles: int = 60, **capacity: Any) -> Fleet:
    fleet = Fleet()
    for number in range(vehicles):
        fleet.vehicle(f"s{number:03d}")
        healthy(fleet, f"s{number:03d}", 100 + number)
    if capacity:
        fleet.add("capacity", depot="North", **capacity)
    return fleet


def planned(con: duckdb.DuckDBPyConnection, start: date | None = None) -> dict[str, tuple[date, str, str]]:
    plan(con, start=start)
    rows = con.execute("select vehicle_id, planned_on, note, reason from inspection_plan order by planned_on, position")
    return {row[0]: row[1:] for row in rows.fetchall()}


def test_one_a_week_at_least_with_words_that_say_why() -> None:
    found = planned(sound_fleet().connect())
    assert len(found) == 2
    (first, note, reason), (second, _, _) = found.values()
    assert START <= first < START + WEEK <= second
    assert "drawn by lot, without a sign of a fault" in note
    assert "whole vehicle" in reason


def test_the_number_follows_the_visits() -> None:
    fleet = sound_fleet(800)  # so many that the lot falls on none of the flagged ones, which would have their turn
    for number in range(80):
        flagged(fleet, f"f{number:02d}", number + 1, "this_week", depot=f"depot {number % 10}")
    rows = planned(fleet.connect())
    assert sum("lot" in (note or "") for _, note, _ in rows.values()) == 4, "one in twenty of 80, two a week"


def test_planning_again_draws_the_same_vehicles_through_the_week() -> None:
    con = sound_fleet().connect()
    first = set(planned(con))
    for offset in range(1, 5):
        again = planned(con, START + timedelta(days=offset))
        assert first <= set(again), "the week to come may show besides"
    assert planned(con) == planned(con)


def test_a_drawn_vehicle_that_was_inspected_has_had_its_turn() -> None:
    con = sound_fleet().connect()
    (drawn, (day, _, _)), _ = planned(con).items()
    con.execute("insert into inspections (inspection_id, vehicle_id, inspected_on, finding) values ('i', ?, ?, 'none')",
                [drawn, day])  # fmt: skip
    again = planned(con, day + timedelta(days=1))
    this_week = [name for name, (at, _, _) in again.items() if at < START + WEEK]
    assert this_week == [], "nobody is drawn in its place"


def test_a_drawn_vehicle_with_a_sign_has_its_own_visit_and_nobody_is_drawn_instead() -> None:
    drawn = list(planned(sound_fleet().connect()))
    fleet = sound_fleet()
    fleet.rows["vehicle_health"] = [
        row | ({"priority": "this_week", "leading_indicator": "brake_drag", "rank": 1} if row["vehicle_id"] == drawn[0]
               else {})
        for row in fleet.rows["vehicle_health"]
    ]  # fmt: skip
    found = planned(fleet.connect())
    assert set(found) == set(drawn)
    assert "lot" not in (found[drawn[0]][1] or "")


def test_never_in_the_way_of_a_due_or_flagged_vehicle() -> None:
    fleet = sound_fleet(weekday="mon", bay_hours=4.0)
    for number in range(10):
        flagged(fleet, f"f{number:02d}", number + 1, "this_week")  # 1.5 h each: two a Monday
    fleet.vehicle("due", inspection_due_on=START + timedelta(days=7))
    healthy(fleet, "due", 50)
    with_lot = planned(fleet.connect())
    fleet.rows["vehicle_health"] = [row for row in fleet.rows["vehicle_health"] if row["vehicle_id"][0] != "s"]
    fleet.rows["vehicles"] = [row for row in fleet.rows["vehicles"] if row["vehicle_id"][0] != "s"]
    without = planned(fleet.connect())
    assert without.items() <= with_lot.items()
    assert all("lot" not in (note or "") for _, note, _ in with_lot.values()), "no hours left, nothing said"


def test_small_fleets_unscored_and_lately_inspected_vehicles_are_not_drawn() -> None:
    assert planned(sound_fleet(LOT_LEAST_VEHICLES - 1).connect()) == {}
    assert planned(sound_fleet(LOT_LEAST_VEHICLES).connect()) != {}
    fleet = sound_fleet()
    for number in range(60):
        if number % 2:
            fleet.add("inspections", inspection_id=f"i{number}", vehicle_id=f"s{number:03d}", finding="none",
                      inspected_on=START - timedelta(days=LOT_REST_DAYS - number))  # fmt: skip
    fleet.rows["vehicle_health"] = [
        row | ({"health_score": None, "priority": "too_little_evidence"} if row["vehicle_id"] < "s030" else {})
        for row in fleet.rows["vehicle_health"]
    ]
    con = fleet.connect()
    for week in range(0, 20, 2):
        for name in planned(con, START + week * WEEK):
            number = int(name[1:])
            assert number >= 30
            assert number % 2 == 0 or START + (week + 2) * WEEK > START - timedelta(days=LOT_REST_DAYS - number)


def test_every_vehicle_is_as_likely_as_any_other() -> None:
    con = sound_fleet(40).connect()
    counts: Counter[str] = Counter()
    for fortnight in range(200):
        days = plan_days(AS_OF + timedelta(days=1) + 2 * fortnight * WEEK, PLAN_DAYS)
        counts.update(visit.vehicle_id for visit in drawn_visits(con, days, []))
    assert 380 <= sum(counts.values()) <= 400  # one in 40 plans draws the same vehicle in both weeks
    # 40 vehicles, 10 expected of each: chi-square with 39 degrees of freedom is below 72.1 in 999 of 1000 cases
    assert sum((counts[f"s{n:03d}"] - 10) ** 2 / 10 for n in range(40)) < 72.1

"""Roller tester, inspectors, vehicles on the road, several dates a unit; and the cause where something has no room."""

from datetime import timedelta
from typing import Any

import duckdb
import pytest
from a_few import searched
from hypothesis import strategies as st
from scoring_fleet import Fleet
from test_asked import after
from test_plan import AS_OF, START, flagged, healthy, rows

from fleetbrake.planning import run
from fleetbrake.planning.run import PLAN_DAYS, plan
from fleetbrake.planning.wish_types import Deferral, Wishes


def table(con: duckdb.DuckDBPyConnection, name: str) -> list[dict[str, Any]]:
    cursor = con.execute(f"select * from {name} order by all")
    return [dict(zip([c[0] for c in cursor.description], row, strict=True)) for row in cursor.fetchall()]


def due(fleet: Fleet, count: int, days: int, **values: Any) -> None:
    for number in range(count):
        fleet.vehicle(f"due{number}", inspection_due_on=after(days), **values)
        healthy(fleet, f"due{number}", number + 1)


def every_day(fleet: Fleet, **values: Any) -> None:
    for day in range(PLAN_DAYS):
        fleet.add("capacity", depot="North", date=after(day), **{"bay_hours": 8.0} | values)


def notes(fleet: Fleet) -> dict[str, str]:
    con = fleet.connect()
    plan(con)
    lost = [row for row in rows(con).values() if "cannot be kept" in (row["note"] or "")]
    assert all(row["planned_on"] is None for row in lost)
    summary = table(con, "plan_summary")[0]
    assert summary["dates_not_kept"] == len(lost)
    assert all(row["vehicle_id"] in summary["note"] for row in lost)
    return {row["vehicle_id"]: row["note"] for row in lost}


def test_cause_closed_every_day() -> None:
    fleet = Fleet()
    fleet.add("capacity", depot="North", weekday="Thu", bay_hours=8.0)
    due(fleet, 1, 2)
    assert "depot North is closed every day up to 2026-03-11; hours are kept free on 2026-03-12" in notes(fleet)["due0"]


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        ({"bay_hours": 1.5}, "no single day at depot North up to 2026-03-11 has 2 bay hours, the most is 1.5"),
        ({"roller_hours": 0.25}, "has 0.5 roller tester hours, the most is 0.25"),
        ({"inspector_hours": 0.0}, "has 1 inspector hours, the most is 0"),
        ({"min_on_road": 1}, "1 vehicles must stay on the road of the 1 of depot North"),
    ],
)
def test_cause_no_single_day(limit: dict[str, Any], words: str) -> None:
    fleet = Fleet()
    every_day(fleet, **limit)
    due(fleet, 1, 2)
    assert words in notes(fleet)["due0"]


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        ({"bay_hours": 2.0}, "depot North has 4 bay hours up to 2026-03-10 and the visits due by then need 6"),
        ({"roller_hours": 0.5}, "has 1 roller tester hours up to 2026-03-10 and the visits due by then need 1.5"),
        ({"inspector_hours": 1.0}, "has 2 inspector hours up to 2026-03-10 and the visits due by then need 3"),
        ({"min_on_road": 2}, "2 vehicles must stay on the road of the 3 of depot North: 2 visits up to 2026-03-10, 3"),
    ],
)
def test_cause_the_sums(limit: dict[str, Any], words: str) -> None:
    fleet = Fleet()
    every_day(fleet, **limit)
    due(fleet, 3, 1)
    found = notes(fleet)
    assert list(found) == ["due2"], "the better ranked keep theirs"
    assert words in found["due2"]


def test_cause_whole_visits_do_not_fit() -> None:
    fleet = Fleet()
    every_day(fleet, bay_hours=3.0)
    due(fleet, 3, 1)
    told = "go to visits with a statutory date; what is left of each is less than this visit takes"
    assert told in notes(fleet)["due2"]


def test_the_greatest_number_of_dates_is_kept_then_the_earliest() -> None:
    fleet = Fleet()
    every_day(fleet, bay_hours=0.0)
    fleet.rows["capacity"][1]["bay_hours"] = 4.0  # the second day only
    fleet.vehicle("long")
    fleet.add("due_dates", vehicle_id="long", kind="brake test", due_on=after(1), bay_hours=4.0)
    fleet.vehicle("a", inspection_due_on=after(5))
    fleet.vehicle("b", inspection_due_on=after(3))
    fleet.vehicle("c", inspection_due_on=after(2))
    for rank, name in enumerate(("long", "a", "b", "c"), 1):
        healthy(fleet, name, rank)
    assert set(notes(fleet)) == {"long", "a"}, "two short ones instead of the long, those with the earlier dates"


def test_several_dates_are_one_visit_on_or_before_the_earliest() -> None:
    fleet = Fleet()
    fleet.vehicle("truck", inspection_due_on=after(9))
    fleet.add("due_dates", vehicle_id="truck", kind="brake test", due_on=after(3), bay_hours=0.75)
    fleet.add("due_dates", vehicle_id="truck", kind="far", due_on=after(200))
    fleet.add("due_dates", vehicle_id="unknown unit", kind="brake test", due_on=after(5))
    healthy(fleet, "truck", 1)
    con = fleet.connect()
    assert plan(con) == 2
    row = rows(con)["truck"]
    assert row["planned_on"] <= after(3) == row["due_on"]
    assert (row["statutory"], row["bay_hours"]) == ("brake test + inspection", 2.75)
    assert "Statutory inspection (brake test) due on 2026-03-12." in row["reason"]
    assert rows(con)["unknown unit"]["planned_on"] <= after(5)


def test_a_date_soon_after_the_plan_is_joined_where_that_helps_and_there_is_room() -> None:
    fleet = Fleet()
    flagged(fleet, "soon", 1, "this_week")
    flagged(fleet, "later", 2, "this_week")
    fleet.rows["vehicles"][0]["inspection_due_on"] = after(PLAN_DAYS + 29)
    fleet.rows["vehicles"][1]["inspection_due_on"] = after(PLAN_DAYS + 30)
    con = fleet.connect()
    plan(con)
    found = rows(con)
    assert (found["soon"]["statutory"], found["soon"]["bay_hours"]) == ("inspection", 3.5)
    assert "done in the same visit" in found["soon"]["note"]
    assert (found["later"]["statutory"], found["later"]["bay_hours"]) == (None, 1.5)
    every_day(fleet, bay_hours=1.5)
    con = fleet.connect()
    plan(con)
    assert rows(con)["soon"]["statutory"] is None, "no day has the hours for both"


def test_a_stopped_vehicle_has_hours_kept_free_and_its_statutory_visit_in_them() -> None:
    fleet = Fleet()
    every_day(fleet, bay_hours=0.0)
    fleet.rows["capacity"][1]["bay_hours"] = 3.5
    flagged(fleet, "danger", 1, "before_next_trip")
    fleet.rows["vehicles"][0]["inspection_due_on"] = after(4)
    flagged(fleet, "other", 2, "this_week")
    con = fleet.connect()
    assert plan(con) == 0
    found = rows(con)
    assert (found["danger"]["held_on"], found["danger"]["bay_hours"]) == (after(1), 3.5)
    assert "hours are kept free for it at depot North on 2026-03-10" in found["danger"]["note"]
    assert "no day found" in found["other"]["note"]
    second = next(row for row in table(con, "plan_days") if row["day"] == after(1))
    assert (second["booked_hours"], second["held_hours"], second["visits"]) == (0.0, 3.5, 0)
    fleet.rows["vehicles"][0]["inspection_due_on"] = START
    assert "date 2026-03-09 cannot be kept: depot North is closed" in notes(fleet)["danger"]


def test_without_a_score_the_probability_stays_unknown() -> None:
    fleet = Fleet()
    fleet.vehicle("new", inspection_due_on=after(3))
    healthy(fleet, "new", 1, "too_little_evidence", health_score=None)
    flagged(fleet, "known", 2, "this_week")
    con = fleet.connect()
    plan(con)
    assert rows(con)["new"]["defect_probability"] is None
    assert rows(con)["known"]["defect_probability"] == 0.5
    assert rows(con)["known"]["days_saved"] == 90.0


def test_evidence_and_place_go_with_the_visit() -> None:
    fleet = Fleet()
    flagged(fleet, "truck", 1, "this_week")
    for wheel in ("2L", "1L"):
        fleet.add("indicators", vehicle_id="truck", as_of=AS_OF, indicator="side_imbalance", wheel=wheel,
                  evidence=f'["event of {wheel}"]')  # fmt: skip
    con = fleet.connect()
    plan(con)
    row = rows(con)["truck"]
    assert (row["indicator"], row["wheel"], row["evidence"]) == ("side_imbalance", "2L", '["event of 2L"]')
    assert (row["bay_hours"], row["roller_hours"], row["inspector_hours"]) == (1.5, 0.5, 1.5)


def test_days_tell_where_their_hours_come_from() -> None:
    fleet = Fleet()
    fleet.add("capacity", depot="North", weekday="monday", bay_hours=8.0, roller_hours=3.0, min_on_road=2)
    fleet.add("capacity", depot="North", weekday="1", bay_hours=6.0)  # told twice: the smaller holds
    fleet.add("capacity", depot="North", date=after(7), roller_hours=1.0)  # the tester alone is away
    fleet.add("capacity", depot="North", date=after(8), bay_hours=4.0)
    for name, depot in (("a", "North"), ("b", "North"), ("c", "South"), ("d", None)):
        fleet.vehicle(name, depot=depot)
        healthy(fleet, name, ord(name))
    con = fleet.connect()
    plan(con)
    days = {(row["depot"], row["day"]): row for row in table(con, "plan_days")}
    assert len(days) == 3 * PLAN_DAYS
    shown = [
        tuple(days["North", after(day)][key] for key in ("basis", "bay_hours", "roller_hours", "min_on_road"))
        for day in (0, 1, 7, 8)
    ]
    assert shown == [("weekday", 6.0, 3.0, 2), ("closed", 0.0, None, None), ("weekday", 6.0, 1.0, 2),
                     ("date", 4.0, None, None)]  # fmt: skip
    assert (days["South", START]["basis"], days["South", START]["bay_hours"]) == ("assumed", 8.0)
    assert days[None, after(5)]["bay_hours"] == 0.0
    summary = table(con, "plan_summary")
    assert {row["depot"] for row in summary} == {"North", "South", None}
    assert {(row["as_of"], row["begins_on"], row["ends_on"]) for row in summary} == {(AS_OF, START, after(13))}


NUMBERS = st.sampled_from([None, 0.0, 0.5, 1.0, 2.0, 4.0])
VEHICLES = st.lists(
    st.tuples(
        st.sampled_from([None, *range(-3, 20)]),
        st.sampled_from([None, None, *range(-3, 40)]),
        st.sampled_from(["before_next_trip", "this_week", "next_service", "no_sign", "too_little_evidence"]),
        st.sampled_from(["side_imbalance", "low_brake_effectiveness", "brake_drag"]),
        st.sampled_from(["", "", "fix", "defer"]),
        st.integers(0, 16),
    ),
    max_size=14,
)


def drawn_fleet(vehicles: list[Any], roller: Any, inspector: Any, road: Any) -> tuple[Fleet, Wishes]:
    fleet, fixed, deferred = Fleet(), {}, {}
    every_day(fleet, bay_hours=5.0, roller_hours=roller, inspector_hours=inspector, min_on_road=road)
    for rank, (date_, second, priority, indicator, wish, until) in enumerate(vehicles, 1):
        fleet.vehicle(f"v{rank}", inspection_due_on=None if date_ is None else after(date_))
        if second is not None:
            fleet.add("due_dates", vehicle_id=f"v{rank}", kind="brake test", due_on=after(second), bay_hours=0.75)
        score = None if priority == "too_little_evidence" else 40.0 + rank
        healthy(fleet, f"v{rank}", rank, priority, health_score=score, leading_indicator=indicator, reason="a reason")
        if wish == "fix":
            fixed[f"v{rank}"] = after(until)
        if wish == "defer":
            deferred[f"v{rank}"] = Deferral(after(until), "a reason", "Planner")
    return fleet, Wishes(fixed, deferred)


@searched(5, 15, VEHICLES, NUMBERS, NUMBERS, st.sampled_from([None, 0, 2, 10]))
def test_every_limit_date_and_wish_holds_and_the_order_of_rows_changes_nothing(
    vehicles: list[Any], roller: Any, inspector: Any, road: Any
) -> None:
    fleet, wishes = drawn_fleet(vehicles, roller, inspector, road)
    con, turned = fleet.connect(), fleet.connect(reverse=True)
    plan(con, start=START, wishes=wishes)
    plan(turned, start=START, wishes=wishes)
    found = rows(con)
    for name in ("inspection_plan", "plan_days", "plan_summary"):
        assert table(con, name) == table(turned, name)
    stopped = sum(priority == "before_next_trip" for _, _, priority, *_ in vehicles)
    for day in table(con, "plan_days"):
        here = [row for row in found.values() if row["planned_on"] == day["day"]]
        held = [row for row in found.values() if row["held_on"] == day["day"]]
        assert day["booked_hours"] == sum(row["bay_hours"] for row in here)
        assert day["booked_hours"] + day["held_hours"] <= day["bay_hours"]
        for kind, limit in (("roller_hours", roller), ("inspector_hours", inspector)):
            assert limit is None or sum(row[kind] for row in here + held) <= limit
        if road is not None and here:
            assert day["vehicles"] - len(here) - stopped >= road
    for number, (first, second, priority, _, wish, until) in enumerate(vehicles, 1):
        row = found.get(f"v{number}")
        dates = [days for days in (first, second) if days is not None]
        coming = [days for days in dates if 0 <= days < PLAN_DAYS]
        if row is None:
            assert not coming and not [days for days in dates if days < 0]
            continue
        note = row["note"] or ""
        at = None if row["planned_on"] is None else (row["planned_on"] - START).days
        assert at is None or all(at <= days for days in coming)
        assert priority != "before_next_trip" or at is None
        if priority != "before_next_trip" and wish == "fix" and at not in (None, until):
            assert "fixed by a planner" in note
        if priority != "before_next_trip" and wish == "defer" and at is not None and at < until:
            assert dates and "deferral until" in note


def test_the_summary_compares_with_the_plain_plan() -> None:
    fleet = Fleet()
    every_day(fleet, bay_hours=2.0)
    flagged(fleet, "long", 1, "next_service")  # 1.5 h, hardly a defect: first in rank, but not worth the first day
    fleet.rows["vehicle_health"][0]["health_score"] = 97.0
    flagged(fleet, "bad", 2, "next_service")
    con = fleet.connect()
    plan(con)
    (row,) = table(con, "plan_summary")
    assert row["gain"] > row["plain_gain"]
    assert row["gap"] == 0.0 and row["gain_bound"] == pytest.approx(row["gain"], abs=1e-6)
    assert row["visits"] == 2 and row["dates_not_kept"] == 0
    assert row["defect_days"] == pytest.approx(0.5 * 90 + 0.03 * 89)
    assert "proven best" in row["note"]


def test_a_plan_that_the_solver_did_not_finish_is_told_so(monkeypatch: pytest.MonkeyPatch) -> None:
    fleet = Fleet()
    every_day(fleet, bay_hours=2.0)
    due(fleet, 3, 4)
    flagged(fleet, "bad", 9, "this_week")
    con = fleet.connect()
    assert plan(con) == 4
    best = table(con, "plan_summary")[0]
    monkeypatch.setattr(run, "solve", lambda *_: None)
    assert plan(con) == 4
    (row,) = table(con, "plan_summary")
    assert row["gap"] is row["gain_bound"] is None
    assert "ended by the clock" in row["note"] and "nothing bounds the gain" in row["note"]
    assert row["plain_gain"] <= row["gain"] <= best["gain"] + 1e-6


def test_a_depot_that_lacks_hours_leaves_no_trace_in_another() -> None:
    fleet = Fleet()
    fleet.add("capacity", depot="North", weekday="Sun", bay_hours=1.0)
    due(fleet, 2, 3)
    fleet.vehicle("south", depot="South", inspection_due_on=START + timedelta(days=2))
    healthy(fleet, "south", 9)
    con = fleet.connect()
    assert plan(con) == 1
    assert rows(con)["south"]["planned_on"] is not None
    assert {row["depot"]: row["dates_not_kept"] for row in table(con, "plan_summary")} == {"North": 2, "South": 0}

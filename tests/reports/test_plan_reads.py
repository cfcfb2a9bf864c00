"""The planner's reads against plain loops over the same rows."""

from datetime import date, timedelta
from pathlib import Path

import pandas as pd
import pytest
from builders import AS_OF, PLAIN, build_store

from fleetbrake.reports import plan_reads, reads
from fleetbrake.reports.plan_data import plan_told
from fleetbrake.store.database import rebuilding, replace_table


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return build_store(tmp_path)


def test_the_list_has_every_vehicle_once_with_the_plan_beside_it(store: Path) -> None:
    listed = plan_reads.work_list(store)
    assert listed["vehicle_id"].tolist() == list(PLAIN.vehicles)
    first = listed.iloc[0]
    assert first["held_on"] == AS_OF + timedelta(days=1) and pd.isna(first["planned_on"])
    assert listed["planned_on"].notna().sum() == 3 and first["statutory"] == "periodic"


def test_without_kept_trips_the_newest_of_the_evidence_is_the_most_telling_event(store: Path) -> None:
    listed = plan_reads.work_list(store).set_index("vehicle_id")
    for vehicle in PLAIN.vehicles[:5]:
        rows = reads.indicators_of(store, vehicle)
        leading = rows[rows["indicator"] == listed.loc[vehicle, "leading_indicator"]]
        wheel = listed.loc[vehicle, "suspect_wheel"]
        own = leading[leading["wheel"].isna() if pd.isna(wheel) else leading["wheel"] == wheel]
        assert listed.loc[vehicle, "telling_event"] == own["evidence"].iloc[0][0]
    assert listed.loc[list(PLAIN.vehicles[5:]), "telling_event"].isna().all()


@pytest.mark.parametrize(("expected", "telling"), [(0.02, "e3"), (0.001, "e2")])
def test_the_most_telling_event_is_that_of_the_trip_furthest_out_on_the_bad_side(
    store: Path, expected: float, telling: str
) -> None:
    vehicle = PLAIN.vehicles[0]
    shown = [("t1", 0.013, "e1", True), ("t2", 0.016, "e2", True), ("t3", 0.009, "e3", True), ("t4", 0.0, "e4", False)]
    trips = pd.DataFrame(shown, columns=["trip", "value", "event_id", "counts"]).assign(
        vehicle_id=vehicle,
        as_of=AS_OF,
        indicator="low_brake_effectiveness",
        wheel=None,
        on_day=date(2026, 1, 12),
        events=1,
    )
    with rebuilding(store) as con:
        con.execute("UPDATE indicators SET value = 0.01, expected = ? WHERE vehicle_id = ?", [expected, vehicle])
        replace_table(con, "indicator_trips", trips.sample(frac=1.0, random_state=3))
    assert plan_reads.work_list(store).set_index("vehicle_id").loc[vehicle, "telling_event"] == telling


def test_dates_not_kept_are_those_that_the_plan_calls_so() -> None:
    day, no = date(2026, 2, 3), None
    rows = pd.DataFrame(
        [
            ("kept", day, day, no, "watch"),
            ("second date", day, day, date(2026, 2, 9), "watch"),
            ("no day", no, day, day, "this_week"),
            ("far date, no day", no, date(2026, 12, 1), no, "this_week"),
            ("overdue without a day", no, date(2026, 1, 5), date(2026, 1, 5), "watch"),
            ("no date", no, no, no, "this_week"),
            ("outside", no, day, day, "before_next_trip"),
        ],
        columns=["vehicle_id", "planned_on", "due_on", "date_lost", "priority"],
    )
    assert plan_reads.not_kept(rows)["vehicle_id"].tolist() == ["second date", "no day", "overdue without a day"]
    assert plan_reads.not_kept(rows.iloc[:0]).empty


def test_open_days_are_those_with_bay_hours_of_that_depot(store: Path) -> None:
    days = plan_told(store).days
    found = plan_reads.open_days(days, "Harbour")
    assert len(found) == 10 and all(day.weekday() < 5 for day in found) and found == sorted(found)
    assert plan_reads.open_days(days, None) == [] and plan_reads.open_days(days, "nowhere") == []


def test_an_empty_store_gives_empty_frames(tmp_path: Path) -> None:
    empty = build_store(tmp_path, filled=False)
    assert plan_reads.work_list(empty).empty


def test_a_visit_is_told_in_a_few_words() -> None:
    row = {"bay_hours": 2.5, "roller_hours": 0.5, "statutory": "periodic", "fixed": True, "drawn": pd.NA}
    assert plan_reads.visit_words(row) == "2.5 h, roller tester, statutory, date fixed"
    assert plan_reads.visit_words({"bay_hours": float("nan"), "drawn": True}) == "drawn by lot"


@pytest.mark.parametrize(("age", "old"), [(0, False), (3, False), (4, True), (300, True)])
def test_a_plan_of_old_scores_says_what_it_does_not_know(store: Path, age: int, old: bool) -> None:
    told = plan_told(store)
    (sentence,) = told.rests_on(told.as_of + timedelta(days=age))
    assert sentence.startswith("From the scores of ") and (f"{age} days ago" in sentence) is old
    assert ("recordings since then are not in it" in sentence) is old
    (lasting,) = told.rests_on()
    assert "recordings since then are not in it" in lasting and "days ago" not in lasting, "a file is read later"


def test_depots_of_the_register_of_capacity_without_a_vehicle_are_told(store: Path) -> None:
    with rebuilding(store) as con:
        con.execute(
            "INSERT INTO capacity (depot, weekday, bay_hours) VALUES ('harbour', 'mon', 8), ('Harbour', 'mon', 8)"
        )
    told = plan_told(store)
    assert told.idle_depots == ("harbour",)
    assert told.rests_on()[-1] == "The register of capacity names depots that no vehicle belongs to: harbour."

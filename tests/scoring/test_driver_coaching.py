"""What to talk about with a driver: typical applications, not the worst; what went well; how a driver brakes."""

from typing import Any

import duckdb
import pytest
from driver_fleet import braked, usual_fleet
from judged import judge_drivers
from scoring_fleet import DAY, Fleet, only


def coached(fleet: Fleet, driver: str) -> list[dict[str, Any]]:
    con = fleet.connect()
    judge_drivers(con)
    return rows(con, driver)


def rows(con: duckdb.DuckDBPyConnection, driver: str) -> list[dict[str, Any]]:
    found = con.execute("select * from driver_coaching where driver_id = ? order by position", [driver])
    names = [column[0] for column in found.description]
    return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def test_the_typical_stops_are_chosen_not_the_worst() -> None:
    """Given six hard stops around 4 m/s2 on six days and one of 8, expect three around 4, from three days."""
    fleet = usual_fleet()
    typical = [braked(fleet, "hard", 4.0 + 0.05 * n, jerk=6.0, late=0.4, day=n) for n in range(6)]
    worst = braked(fleet, "hard", 8.0, jerk=15.0, late=0.9, day=7)
    talk = [row for row in coached(fleet, "hard") if row["kind"] == "talk_about"]
    assert [row["position"] for row in talk] == [1, 2, 3]
    assert {row["event_id"] for row in talk} <= set(typical) and worst not in {row["event_id"] for row in talk}
    assert len({row["sentence"].split(" from ")[0] for row in talk}) == 3
    # jerk and the last second of all seven are above the usual: all three counts are told
    assert all(
        "Typical of the 7 applications that were hard (7), late (7) or sudden (7)." in row["sentence"] for row in talk
    )
    assert all("deceleration up to 4." in row["sentence"] and "54 km/h" in row["sentence"] for row in talk)


def test_two_events_of_one_day_only_where_there_are_no_three_days() -> None:
    fleet = usual_fleet()
    for number in range(4):
        braked(fleet, "hard", 4.0 + 0.01 * number, day=number % 2)
    assert len([row for row in coached(fleet, "hard") if row["kind"] == "talk_about"]) == 3


@pytest.mark.parametrize("excuse", [{"surface": "snow_or_ice"}, {"surface": "loose"}, {"brake_source": "aeb"}])
def test_what_is_not_his_is_not_talked_about(excuse: dict[str, Any]) -> None:
    fleet = usual_fleet()
    for number in range(4):
        braked(fleet, "slid", 4.0, jerk=8.0, late=0.5, day=number, **excuse)
    assert not [row for row in coached(fleet, "slid") if row["kind"] == "talk_about"]


def test_each_subject_has_its_own_sentence() -> None:
    fleet = usual_fleet()
    braked(fleet, "late", 1.5, late=0.5)
    braked(fleet, "sudden", 1.5, jerk=9.0, late=0.15)
    con = fleet.connect()
    judge_drivers(con)
    late, sudden = rows(con, "late")[0], rows(con, "sudden")[0]
    assert (late["subject"], sudden["subject"]) == ("late_braking", "build_up")
    assert "50 % of the speed came off in the last second" in late["sentence"]
    assert (
        "built up by 9.0 m/s³" in sudden["sentence"]
        and "The only application that was hard, late or sudden." in sudden["sentence"]
    )


def test_what_went_well_is_told_too() -> None:
    """Given a driver whose build-up has half the usual jerk, expect that figure; a gentle stop where there is room."""
    fleet = usual_fleet()
    for number in range(12):
        braked(fleet, "smooth", 1.2, jerk=1.4, late=0.18, day=number)
    well = [row for row in coached(fleet, "smooth") if row["kind"] == "went_well"]
    assert well[0]["subject"] == "build_up" and well[0]["event_id"] is None
    assert well[0]["value"] < 0.8 * well[0]["usual"]
    assert well[1]["subject"] == "gentle_stop" and well[1]["event_id"] is not None


def test_a_driver_without_events_has_nothing_to_talk_about() -> None:
    fleet = usual_fleet()
    fleet.add("drivers", driver_id="new", depot="North")
    assert coached(fleet, "new") == []


def test_how_he_brakes_needs_ten_applications() -> None:
    fleet = usual_fleet()
    for number in range(9):
        braked(fleet, "few", 1.5, jerk=6.0, late=0.5, day=number)
    con = fleet.connect()
    judge_drivers(con)
    few = only(con, "select * from driver_style where driver_id = 'few'")
    usual = only(con, "select * from driver_style where driver_id = 'usual0'")
    assert few["build_up_jerk_mps3"] is few["build_up_jerk_of_usual"] is few["late_braking_share"] is None
    assert usual["build_up_jerk_of_usual"] == pytest.approx(1.0, abs=0.1)
    assert usual["late_braking_share"] == pytest.approx(0.186, abs=0.01)


def test_modulation_on_grip_and_energy_a_kilometre() -> None:
    """Given 12 applications of 500 kJ, three with modulation on dry road and two on snow, in 1000 km: 6 kJ/km, 3."""
    fleet = usual_fleet()
    fleet.add(
        "trips", trip_id="m", vehicle_id="van", driver_id="m", distance_km=1000.0, started_at=f"{DAY} 05:00:00+00"
    )
    for number in range(12):
        braked(fleet, "m", 1.5, modulation=number < 5, surface="snow_or_ice" if number in (3, 4) else "dry_paved",
               friction_brake_kj=500.0)  # fmt: skip
    con = fleet.connect()
    judge_drivers(con)
    row = only(con, "select * from driver_style where driver_id = 'm'")
    assert row["brake_energy_kj_per_km"] == pytest.approx(6.0)
    assert row["modulation_on_grip_per_1000km"] == pytest.approx(3.0)
    usual = only(con, "select * from driver_style where driver_id = 'usual0'")
    assert usual["brake_energy_kj_per_km"] is None  # no mass, no energy
    assert usual["modulation_on_grip_per_1000km"] == 0.0


def town(fleet: Fleet, driver: str, stops: int, **values: Any) -> None:
    fleet.add("trips", trip_id=driver, vehicle_id="van", driver_id=driver, distance_km=4000.0,
              started_at=f"{DAY} 05:00:00+00")  # fmt: skip
    for number in range(stops):
        braked(fleet, driver, 4.0, jerk=3.0 + 0.01 * number, **values)


@pytest.mark.parametrize(("automatic", "praised"), [(0, True), (1, True), (30, False)])
def test_few_hard_stops_are_no_praise_where_the_vehicle_did_the_braking(automatic: int, praised: bool) -> None:
    """Given no hard stop of the driver's own but thirty of the vehicle's, expect that figure not to be praised."""
    fleet = usual_fleet()
    for number in range(6):
        town(fleet, f"town{number}", 20)
    town(fleet, "spared", automatic, brake_source="aeb")
    subjects = {row["subject"] for row in coached(fleet, "spared")}
    assert ("hard_stops" in subjects) is praised

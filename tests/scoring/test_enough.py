"""When recordings say enough to speak for a vehicle, and what never speaks for one. Noise is seeded."""

import random
from datetime import date, timedelta
from typing import Any

import duckdb
import pytest
from judged import judge_vehicles
from scoring_fleet import DAY, Fleet, only


def scored(fleet: Fleet, as_of: date | None = None) -> duckdb.DuckDBPyConnection:
    con = fleet.connect()
    judge_vehicles(con, as_of)
    return con


def verdict(con: duckdb.DuckDBPyConnection, vehicle: str) -> dict[str, Any]:
    return only(con, "select * from vehicle_health where vehicle_id = ?", vehicle)


def brakes(fleet: Fleet, vehicle: str, days: range, factor: float = 1.0, **values: Any) -> None:
    rng = random.Random(vehicle)
    for day in days:
        fleet.event(
            vehicle, DAY + timedelta(days=day),
            **{"effectiveness": 0.01 * factor * rng.lognormvariate(0, 0.06), "demand_kind": "pressure",
               "gross_mass_kg": 18000.0} | values,
        )  # fmt: skip


def test_sensors_alone_or_beside_old_braking_never_speak_for_the_brakes() -> None:
    fleet = Fleet()
    for vehicle in ("sensors", "braked long ago"):
        fleet.vehicle(vehicle)
        for day in range(300, 330):
            fleet.event(vehicle, DAY + timedelta(days=day), {"1L": {"dropout_s": 0.0}, "1R": {"dropout_s": 0.0}})
    brakes(fleet, "braked long ago", range(15))
    con = scored(fleet)
    for vehicle in ("sensors", "braked long ago"):
        assert verdict(con, vehicle)["priority"] == "too_little_evidence"
    assert verdict(con, "sensors")["health_score"] is None


@pytest.mark.parametrize(
    ("days", "as_of"),
    [(range(0, 40), 300), (range(0, 60, 20), 59)],  # all of it ten months ago; three days in two months
)
def test_a_vehicle_hardly_seen_of_late_is_not_told_to_be_without_a_sign(days: range, as_of: int) -> None:
    fleet = Fleet()
    for number in range(5):
        fleet.vehicle(f"peer{number}")
        brakes(fleet, f"peer{number}", range(as_of + 1))
    fleet.vehicle("rare")
    for day in days:
        for _ in range(3):
            brakes(fleet, "rare", range(day, day + 1))
    con = scored(fleet, DAY + timedelta(days=as_of))
    row = verdict(con, "rare")
    assert (row["priority"], row["health_score"]) == ("too_little_evidence", None)
    assert "in the last 60 days" in row["reason"]
    assert verdict(con, "peer1")["priority"] == "no_sign"


@pytest.fixture(scope="module")
def con() -> duckdb.DuckDBPyConnection:
    """The vehicles of several tests judged in one run: peers are of one category, and each test has one of its own."""
    fleet = Fleet()
    for adds in (_combinations, _buses_weak_alike, _season, _one_day):
        adds(fleet)
    return scored(fleet)


def _combinations(fleet: Fleet) -> None:
    for number in range(6):
        fleet.vehicle(f"tractor{number}")
        fleet.vehicle(f"trailer{number}", category="O4", max_mass_kg=24000.0)
        for day in range(40):
            towing = day % 2 == 0
            start = f"{(DAY + timedelta(days=day)).isoformat()}T05:00:00+00:00"
            end = f"{(DAY + timedelta(days=day)).isoformat()}T23:00:00+00:00"
            trip = f"t{number}-{day}"
            fleet.add("trips", trip_id=trip, vehicle_id=f"tractor{number}", started_at=start, ended_at=end,
                      distance_km=100.0, trailer_ids=f"trailer{(number + day) % 6}" if towing else None)  # fmt: skip
            brakes(fleet, f"tractor{number}", range(day, day + 1), trip_id=trip)


def test_what_a_towing_unit_shows_never_clears_its_trailer(con: duckdb.DuckDBPyConnection) -> None:
    """Given two trailers in sound combinations, expect nothing said for them, and the towing units' own word kept."""
    trailer, tractor = verdict(con, "trailer2"), verdict(con, "tractor2")
    assert (trailer["priority"], trailer["health_score"]) == ("too_little_evidence", None)
    assert tractor["priority"] == "no_sign"
    combined = con.execute("select min(probability) from indicators where measure = 'combination'").fetchone()
    assert combined is None or combined[0] is None or combined[0] >= 0.02  # the base rate: never below it


def _buses_weak_alike(fleet: Fleet) -> None:
    rng = random.Random(2)
    for number in range(8):
        fleet.vehicle(f"bus{number}", category="M3")
        for day in range(30):
            slips = {
                "1L": {"steady_slip": 0.012 * rng.gauss(1, 0.05)},
                "1R": {"steady_slip": 0.02 * rng.gauss(1, 0.05)},
            }
            fleet.event(f"bus{number}", DAY + timedelta(days=day), slips)


def test_a_wheel_that_is_weak_on_all_of_a_category_is_told(con: duckdb.DuckDBPyConnection) -> None:
    """Given eight buses whose left front wheel brakes 40 % less, expect them flagged: 30 % is a major defect."""
    rows = con.execute(
        "select distinct leading_indicator, suspect_wheel from vehicle_health where vehicle_id like 'bus%'"
    ).fetchall()
    assert rows == [("side_imbalance", "1L")]


def _season(fleet: Fleet) -> None:
    for number in range(8):
        fleet.vehicle(f"v{number}", category="N2")
        brakes(fleet, f"v{number}", range(25))
        brakes(fleet, f"v{number}", range(25, 50), 0.55)


def test_no_season_takes_half_of_the_brakes(con: duckdb.DuckDBPyConnection) -> None:
    """Given a category that loses 45 % on one day, expect it told of all, as a change of their own."""
    rows = con.execute("select distinct leading_indicator from vehicle_health where vehicle_id like 'v_'").fetchall()
    assert rows == [("low_brake_effectiveness",)]


def test_a_repair_not_seen_since_says_nothing_and_a_look_back_leaves_what_the_newest_day_rests_on() -> None:
    """Given brakes 40 % weak for a month and new linings two days ago, expect no word of their being sound."""
    fleet = Fleet()
    for number in range(7):
        fleet.vehicle(f"v{number}")
        brakes(fleet, f"v{number}", range(40), 0.6 if number in (3, 5) else 1.0, build_up_s=0.3)
    fleet.add("repairs", vehicle_id="v3", repaired_on=DAY + timedelta(days=37), wheel=None, work="lining")
    con = scored(fleet)
    row = verdict(con, "v3")
    assert (row["priority"], row["health_score"]) == ("too_little_evidence", None)
    assert "running in" in row["reason"]
    before = con.execute("select * from indicator_trips order by all").fetchall()
    assert before
    judge_vehicles(con, DAY + timedelta(days=20))
    assert con.execute("select * from indicator_trips order by all").fetchall() == before


def _one_day(fleet: Fleet) -> None:
    fleet.vehicle("of one day", category="M1")
    for number in range(12):
        brakes(fleet, "of one day", range(40, 41), trip_id=f"t{number}")


def test_trips_of_one_day_have_no_trend_and_no_number_that_is_none(con: duckdb.DuckDBPyConnection) -> None:
    rows = con.execute(
        "select trend_per_30d, trend_se_per_30d from indicators where vehicle_id = 'of one day'"
    ).fetchall()
    assert rows and all(row == (None, None) for row in rows)

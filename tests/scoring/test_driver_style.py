"""Drivers: only what they asked for, per kilometre, with vehicle, road and small numbers taken out."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
import pytest
from scoring_fleet import DAY, Fleet, only

from fleetbrake.scoring.run import score

LATE = date(2027, 1, 1)


def drives(
    fleet: Fleet, driver: str, km: float, stops: int, vehicle: str = "van", day: date = DAY, **values: Any
) -> None:
    if km:
        start = datetime(day.year, day.month, day.day, 5, tzinfo=UTC)
        fleet.add("trips", trip_id=f"{driver}-{vehicle}-{day}", vehicle_id=vehicle, driver_id=driver, started_at=start,
                  distance_km=km)  # fmt: skip
    for _ in range(stops):
        fleet.event(vehicle, day, **{"driver_id": driver, "hard_stop": True, "brake_source": "driver"} | values)


def style(con: duckdb.DuckDBPyConnection, driver: str) -> dict[str, Any]:
    return only(con, "select * from driver_style where driver_id = ?", driver)


def scored(fleet: Fleet) -> duckdb.DuckDBPyConnection:
    con = fleet.connect()
    score(con, today=LATE)
    return con


@pytest.mark.parametrize("source", ["aeb", "acc", "esc", "hold"])
def test_automatic_braking_is_not_the_drivers(source: str) -> None:
    fleet = Fleet()
    fleet.vehicle("van", category="N1")
    drives(fleet, "a", 1000, 3)
    drives(fleet, "a", 0, 5, brake_source=source)
    drives(fleet, "a", 0, 1, brake_source=None)  # not recorded: taken as the driver
    drives(fleet, "b", 1000, 2)
    con = scored(fleet)
    assert style(con, "a")["hard_stops"] == 4
    assert style(con, "a")["hard_stops_per_1000km"] == pytest.approx(4.0)


def test_few_kilometres_do_not_make_the_worst_driver() -> None:
    """One stop in 20 km (50 a 1000 km) against 60 in 3000 km (20 a 1000 km); the fleet has about 5."""
    fleet = Fleet()
    fleet.vehicle("van", category="N1")
    drives(fleet, "few", 20, 1)
    drives(fleet, "many", 3000, 60)
    for number in range(6):
        drives(fleet, f"usual{number}", 3000, 4 + number % 3)
    con = scored(fleet)
    few, many = style(con, "few"), style(con, "many")
    assert few["hard_stops_per_1000km"] > many["hard_stops_per_1000km"]
    assert many["rank"] == 1
    assert few["adjusted_hard_stops_per_1000km"] < many["adjusted_hard_stops_per_1000km"]
    assert few["score_high"] - few["score_low"] > many["score_high"] - many["score_low"]
    assert "from the fleet" in few["note"]


def test_vehicle_category_is_taken_out() -> None:
    """Both drive as their vehicle does: the truck driver is not worse for the lower threshold of trucks."""
    fleet = Fleet()
    fleet.vehicle("van", category="N1")
    fleet.vehicle("truck", category="N3")
    for number in range(4):
        drives(fleet, f"van{number}", 2000, 5, "van")
        drives(fleet, f"truck{number}", 2000, 40, "truck")
    con = scored(fleet)
    van, truck = style(con, "van0"), style(con, "truck0")
    assert truck["hard_stops_per_1000km"] == 8 * van["hard_stops_per_1000km"]
    ratio = truck["adjusted_hard_stops_per_1000km"] / van["adjusted_hard_stops_per_1000km"]
    assert 1.0 <= ratio < 1.5  # what the prior weight of five stops in each cell leaves of the factor 8


def test_snowy_depot_days_are_taken_out() -> None:
    fleet = Fleet()
    fleet.vehicle("hill", depot="Hill")
    fleet.vehicle("plain", depot="Plain")
    for number in range(4):
        drives(fleet, f"hill{number}", 1000, 30, "hill", surface="snow_or_ice")
        drives(fleet, f"plain{number}", 1000, 5, "plain")
    con = scored(fleet)
    ratio = (
        style(con, "hill0")["adjusted_hard_stops_per_1000km"] / style(con, "plain0")["adjusted_hard_stops_per_1000km"]
    )
    assert 1.0 <= ratio < 1.5
    assert style(con, "hill0")["expected_hard_stops"] > 4 * style(con, "plain0")["expected_hard_stops"]


def test_no_exposure_has_no_score_and_ranks_last() -> None:
    fleet = Fleet()
    fleet.vehicle("van")
    fleet.add("drivers", driver_id="registered", depot="North")
    drives(fleet, "a", 1000, 3)
    drives(fleet, "no_trip", 0, 9)
    con = scored(fleet)
    ranks = con.execute("select driver_id, rank, style_score from driver_style order by rank").fetchall()
    assert [row[0] for row in ranks] == ["a", "no_trip", "registered"]
    assert [row[1] for row in ranks] == [1, 2, 3]
    assert ranks[0][2] is not None
    assert ranks[1][2] is ranks[2][2] is None
    assert style(con, "no_trip")["hard_stops_per_1000km"] is None
    assert style(con, "registered")["depot"] == "North"


def test_an_incident_counts_once_beside_its_stops() -> None:
    fleet = Fleet()
    fleet.vehicle("van")
    drives(fleet, "a", 1000, 3, incident=1)
    drives(fleet, "a", 0, 2, incident=2)
    con = scored(fleet)
    assert (style(con, "a")["hard_stops"], style(con, "a")["incidents"]) == (5, 2)


def test_a_fleet_without_hard_stops_has_no_worse_driver() -> None:
    fleet = Fleet()
    fleet.vehicle("van")
    drives(fleet, "a", 1000, 2, hard_stop=False)
    drives(fleet, "b", 10, 1, hard_stop=False)
    con = scored(fleet)
    assert style(con, "a")["style_score"] == style(con, "b")["style_score"] == 50.0  # ratio 1: 100 * 2^-1
    assert style(con, "a")["adjusted_hard_stops_per_1000km"] == 0.0


def test_trips_and_stops_after_as_of_do_not_count() -> None:
    fleet = Fleet()
    fleet.vehicle("van")
    drives(fleet, "a", 1000, 3)
    drives(fleet, "a", 500, 2, day=DAY + timedelta(days=3))
    con = fleet.connect()
    score(con, DAY)
    assert (style(con, "a")["hard_stops"], style(con, "a")["distance_km"]) == (3, 1000.0)


def test_published_shrinkage_is_the_closed_form() -> None:
    """Two drivers use the default prior Gamma(2, 2) on observed over expected: (2 + O) / (2 + E), by hand."""
    fleet = Fleet()
    fleet.vehicle("van")
    drives(fleet, "a", 1000, 9)
    drives(fleet, "b", 1000, 1)
    con = scored(fleet)
    # one cell: 10 stops in 2000 km, fleet 5 a 1000 km, expected 5 each; ratios 11/7 and 3/7
    assert style(con, "a")["expected_hard_stops"] == pytest.approx(5.0)
    assert style(con, "a")["adjusted_hard_stops_per_1000km"] == pytest.approx(5 * 11 / 7, abs=1e-6)
    assert style(con, "b")["adjusted_hard_stops_per_1000km"] == pytest.approx(5 * 3 / 7, abs=1e-6)
    assert style(con, "a")["style_score"] == pytest.approx(100 * 2 ** (-11 / 7), abs=1e-3)


@pytest.mark.parametrize("absurd", [1e308, 5001.0, 0.0, -40.0, float("inf"), float("nan")])
def test_an_impossible_trip_is_no_exposure(absurd: float) -> None:
    """Given a trip of no possible length beside sound ones, expect every number as without it, and the note to tell."""
    with_it, without = Fleet(), Fleet()
    for fleet in (with_it, without):
        fleet.vehicle("van")
        drives(fleet, "a", 1000, 3)
        drives(fleet, "b", 5000, 9)  # the longest trip that counts
    at = datetime(DAY.year, DAY.month, DAY.day, 4, tzinfo=UTC)
    for driver in ("a", "slip"):
        with_it.add("trips", trip_id=f"odd-{driver}", vehicle_id="van", driver_id=driver, started_at=at,
                    distance_km=absurd)  # fmt: skip
    con, plain = scored(with_it), scored(without)
    for driver in ("a", "b"):
        assert style(con, driver) | {"note": ""} == style(plain, driver) | {"note": ""}
    assert "Left out: 1 trip with a distance" in style(con, "a")["note"]
    assert "Left out" not in style(con, "b")["note"]
    assert style(con, "slip")["style_score"] is style(con, "slip")["distance_km"] is None
    assert "above 5000 km" in style(con, "slip")["note"]
    assert style(con, "slip")["rank"] == 3

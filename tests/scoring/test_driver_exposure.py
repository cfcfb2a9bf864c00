"""Which kilometres and stops are a driver's: trips that cannot be, at once, unknown, or without a recorder at work."""

from datetime import UTC, datetime, timedelta
from typing import Any

import duckdb
import pytest
from a_few import a_few
from driver_fleet import drives, scored, style, trip
from scoring_fleet import DAY, Fleet, only


def two_drivers() -> Fleet:
    fleet = Fleet()
    fleet.vehicle("van")
    drives(fleet, "a", 1000, 3)
    drives(fleet, "b", 5000, 9)  # the longest trip that counts
    return fleet


@pytest.fixture(scope="module")
def plain() -> duckdb.DuckDBPyConnection:
    """Sound trips alone, scored: to be read only."""
    return scored(two_drivers())


@pytest.mark.parametrize("absurd", a_few([1e308, 5001.0, 0.0, -40.0, float("inf"), float("nan")], 1, 2, 5))
def test_an_impossible_trip_is_no_exposure(absurd: float, plain: duckdb.DuckDBPyConnection) -> None:
    """Given a trip of no possible length beside sound ones, expect every number as without it, and the note to tell."""
    with_it = two_drivers()
    at = datetime(DAY.year, DAY.month, DAY.day, 4, tzinfo=UTC)
    for driver in ("a", "slip"):
        with_it.add("trips", trip_id=f"odd-{driver}", vehicle_id="van", driver_id=driver, started_at=at,
                    distance_km=absurd)  # fmt: skip
    con = scored(with_it)
    for driver in ("a", "b"):
        assert style(con, driver) | {"note": ""} == style(plain, driver) | {"note": ""}
    assert "Left out: 1 trip with a distance" in style(con, "a")["note"]
    assert "Left out" not in style(con, "b")["note"]
    assert style(con, "slip")["style_score"] is style(con, "slip")["distance_km"] is None
    assert "above 5000 km" in style(con, "slip")["note"]
    assert style(con, "slip")["rank"] == 3


def test_trips_of_two_drivers_at_once_are_nobodys() -> None:
    """Given overlapping trips of one vehicle, expect their kilometres and stops in no rate, and the page to tell."""
    fleet = Fleet()
    fleet.vehicle("van")
    for driver in ("a", "b"):
        trip(fleet, f"{driver}0", driver, "van", hour=5, hours=2.0, day=DAY - timedelta(days=ord(driver) - 96), km=900)
        trip(fleet, f"{driver}1", driver, "van", hour=5, hours=2.0, km=70)
    for _ in range(4):
        fleet.event("van", driver_id="a", hard_stop=True, brake_source="driver", trip_id="a1")
    drives(fleet, "a", 0, 2, day=DAY - timedelta(days=1), trip_id="a0")
    con = scored(fleet)
    row = style(con, "a")
    assert (row["distance_km"], row["hard_stops"]) == (900.0, 6)
    assert "4 hard stops outside of the driver's trips" in row["note"]
    assert "1 trip during which the same vehicle has another driver's trip" in row["note"]
    assert row["adjusted_hard_stops_per_1000km"] < row["hard_stops_per_1000km"] / 2
    summary = only(con, "select * from exposure_summary")
    assert (summary["distance_km"], summary["unattributed_km"]) == (1940.0, 140.0)


def test_a_change_of_drivers_and_a_trip_told_twice_are_no_contradiction() -> None:
    """Given three minutes of overlap, and the same trip again shorter and without a driver, expect each km once."""
    fleet = Fleet()
    fleet.vehicle("van")
    trip(fleet, "first", "a", "van", hour=5, hours=1.05, km=60)
    trip(fleet, "second", "b", "van", hour=6, hours=1.0, km=50)
    trip(fleet, "again", "b", "van", hour=6, hours=0.9, km=45)
    trip(fleet, "device", None, "van", hour=6, hours=1.0, km=51)
    con = scored(fleet)
    assert (style(con, "a")["distance_km"], style(con, "b")["distance_km"]) == (60.0, 50.0)
    assert only(con, "select * from exposure_summary")["distance_km"] == 110.0


def test_what_no_driver_is_known_for_is_shown() -> None:
    fleet = Fleet()
    fleet.vehicle("van", depot="North")
    drives(fleet, "a", 600, 2)
    trip(fleet, "open", None, "van", hour=15, km=400)
    fleet.event("van", hard_stop=True)
    con = scored(fleet)
    summary = only(con, "select * from exposure_summary")
    assert (summary["depot"], summary["distance_km"], summary["unattributed_km"]) == ("North", 1000.0, 400.0)
    assert (summary["hard_stops"], summary["unattributed_hard_stops"]) == (3, 1)


def test_without_trips_rates_are_null_and_counts_stay() -> None:
    fleet = Fleet()
    fleet.vehicle("van")
    drives(fleet, "a", 0, 3)
    con = scored(fleet)
    row = style(con, "a")
    assert (row["hard_stops"], row["incidents"], row["brake_applications"]) == (3, 3, 3)
    for column in (
        "distance_km",
        "hard_stops_per_1000km",
        "adjusted_hard_stops_per_1000km",
        "style_score",
        "score_low",
    ):
        assert row[column] is None, column
    assert only(con, "select * from exposure_summary")["unattributed_km"] is None


def watched(dark: str | None, **values: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    """A usual fleet, and a driver of another vehicle whose recordings are as told; that driver's row and another's."""
    fleet = Fleet()
    for vehicle in ("van", "other"):
        fleet.vehicle(vehicle)
    for number in range(6):
        drives(fleet, f"usual{number}", 2000, 4 + number)
    for back in range(4):
        day = DAY - timedelta(days=back)
        drives(fleet, "blind", 500, 0 if dark is None else 2, "other", day, **{"hard_stop": None} | values)
    if dark == "long ago":
        fleet.rows["events"] = [row for row in fleet.rows["events"] if row["vehicle_id"] == "van"]
        fleet.event("other", DAY - timedelta(days=90), driver_id="blind", hard_stop=False, brake_source="driver")
    con = scored(fleet)
    return style(con, "blind"), style(con, "usual0")


@pytest.mark.parametrize("dark", [None, "not told", "long ago"])
def test_a_driver_whom_nobody_could_observe_has_no_score(dark: str | None) -> None:
    """Given no recording, none that tells, or none for months, expect the counted rate alone, and the last rank."""
    blind, usual = watched(dark)
    assert blind["style_score"] is blind["adjusted_hard_stops_per_1000km"] is blind["adjusted_low"] is None
    assert (blind["distance_km"], blind["observed_km"], blind["hard_stops_per_1000km"]) == (2000.0, 0.0, 0.0)
    assert blind["rank"] == 7
    assert "On none of the 2000 km would a hard stop have been recorded" in blind["note"]
    assert usual["observed_km"] == 2000.0 and usual["style_score"] is not None


def test_what_was_not_observed_neither_helps_nor_harms() -> None:
    """Given the same driving and 20 000 km in a vehicle without a recorder, expect the same adjusted rates."""
    with_it, without = Fleet(), Fleet()
    for fleet in (with_it, without):
        for vehicle in ("van", "dark"):
            fleet.vehicle(vehicle)
        for number in range(6):
            drives(fleet, f"usual{number}", 2000, 4 + number)
    for number in range(4):
        trip(with_it, f"dark{number}", "usual0", "dark", km=5000.0, hour=8, day=DAY - timedelta(days=number))
    con, plain = scored(with_it), scored(without)
    for driver in ("usual0", "usual1"):
        seen, told = style(con, driver), style(plain, driver)
        for column in ("observed_km", "adjusted_hard_stops_per_1000km", "adjusted_low", "adjusted_high", "style_score"):
            assert seen[column] == pytest.approx(told[column], rel=1e-6), column
    assert style(con, "usual0")["distance_km"] == 22000.0
    assert "recorded on 2000 of 22000 km" in style(con, "usual0")["note"]


def test_events_that_do_not_tell_take_their_share_of_the_trip() -> None:
    """Given one event in four without a verdict on a trip of 1000 km, expect 750 km observed."""
    fleet = Fleet()
    fleet.vehicle("van")
    trip(fleet, "t", "a", "van", km=1000.0)
    for number in range(8):
        fleet.event("van", driver_id="a", trip_id="t", brake_source="driver", hard_stop=None if number < 2 else False)
    drives(fleet, "b", 1000, 3)
    assert style(scored(fleet), "a")["observed_km"] == pytest.approx(750.0)


def test_trips_between_two_triggers_are_observed() -> None:
    """Given one event in forty days of trips, expect those within a month of it to count, the others not."""
    fleet = Fleet()
    fleet.vehicle("van")
    for number in range(40):
        trip(fleet, f"t{number}", "a", "van", km=100.0, day=DAY - timedelta(days=number))
    fleet.event("van", driver_id="a", brake_source="driver", hard_stop=False)
    assert style(scored(fleet), "a")["observed_km"] == pytest.approx(3100.0)

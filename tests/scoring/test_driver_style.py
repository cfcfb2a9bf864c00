"""Drivers: only what they asked for, per kilometre, with vehicle, road and small numbers taken out."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
import pytest
from driver_fleet import drives, scored, style, trip
from judged import LATE, judge_drivers
from scoring_fleet import DAY, Fleet, only

from fleetbrake.scoring import models
from fleetbrake.scoring.drivers import driver_posterior
from fleetbrake.scoring.priors import DEFAULT
from fleetbrake.scoring.run import score


def test_automatic_braking_is_not_the_drivers() -> None:
    fleet = Fleet()
    fleet.vehicle("van", category="N1")
    sources = ("aeb", "acc", "esc", "hold")
    for source in sources:
        drives(fleet, source, 1000, 3)
        drives(fleet, source, 0, 5, brake_source=source)
        drives(fleet, source, 0, 1, brake_source=None)  # not recorded: taken as the driver
    drives(fleet, "b", 1000, 2)
    con = scored(fleet)
    for source in sources:
        assert style(con, source)["hard_stops"] == 4, source
        assert style(con, source)["hard_stops_per_1000km"] == pytest.approx(4.0)


def test_few_kilometres_do_not_make_the_worst_driver() -> None:
    """Three stops in 130 km (23 a 1000 km) against 60 in 3000 km (20 a 1000 km); the fleet has about 5."""
    fleet = Fleet()
    fleet.vehicle("van", category="N1")
    drives(fleet, "few", 130, 3)
    drives(fleet, "many", 3000, 60)
    for number in range(6):
        drives(fleet, f"usual{number}", 3000, 4 + number % 3)
    con = scored(fleet)
    few, many = style(con, "few"), style(con, "many")
    assert few["hard_stops_per_1000km"] > many["hard_stops_per_1000km"]
    assert many["rank"] == 1
    assert few["adjusted_hard_stops_per_1000km"] < many["adjusted_hard_stops_per_1000km"]
    assert few["score_high"] - few["score_low"] > many["score_high"] - many["score_low"]
    assert "from the other drivers" in few["note"]


def test_next_to_no_driving_has_no_score() -> None:
    """Given one stop in 20 km, expect no score, the last rank, and the note to say what is missing."""
    fleet = Fleet()
    fleet.vehicle("van", category="N1")
    drives(fleet, "few", 20, 1)
    drives(fleet, "calm", 500, 0)  # enough by distance alone
    for number in range(6):
        drives(fleet, f"usual{number}", 3000, 4 + number % 3)
    con = scored(fleet)
    few = style(con, "few")
    assert few["style_score"] is few["score_low"] is few["score_high"] is None
    assert (few["rank"], few["hard_stops"], few["distance_km"]) == (8, 1, 20.0)
    assert "Too little driven under observation for a score or a place in the order: 20 km and 0." in few["note"]
    assert style(con, "calm")["style_score"] is not None


def steep(fleet: Fleet) -> None:
    """Vehicle ``steep`` brings 20 stops a 1000 km to all, the others 2; ``hard`` has 20 everywhere."""
    for vehicle in ("steep", "flat0", "flat1"):
        fleet.vehicle(vehicle)
    drives(fleet, "smooth", 2000, 40, "steep")
    drives(fleet, "smooth", 1000, 1, "flat0")
    for number in range(6):
        drives(fleet, f"usual{number}", 500, 10, "steep")
        drives(fleet, f"usual{number}", 1500, 3, "flat0")
        drives(fleet, f"usual{number}", 1500, 3, "flat1")
    drives(fleet, "hard", 2000, 40, "flat1")


def test_the_vehicle_is_taken_out() -> None:
    """Given a driver most of whose stops are those that everybody has on a steep round, expect him not blamed."""
    fleet = Fleet()
    steep(fleet)
    con = scored(fleet)
    smooth, hard, usual = style(con, "smooth"), style(con, "hard"), style(con, "usual0")
    assert hard["rank"] == 1
    assert smooth["hard_stops_per_1000km"] > 2.5 * usual["hard_stops_per_1000km"]
    assert smooth["adjusted_hard_stops_per_1000km"] < 0.5 * smooth["hard_stops_per_1000km"]
    assert smooth["adjusted_hard_stops_per_1000km"] < 1.5 * usual["adjusted_hard_stops_per_1000km"]
    assert smooth["adjusted_hard_stops_per_1000km"] < 0.5 * hard["adjusted_hard_stops_per_1000km"]


def test_a_hard_driver_does_not_excuse_himself() -> None:
    """Given 15 times the stops of another in a vehicle of his own, expect the vehicle to take a small part of them.

    Driver and vehicle cannot be told apart here: the regression gives the vehicle the smaller share, a quarter of the
    driver's variance by default (half his spread).
    """
    fleet = Fleet()
    fleet.vehicle("own")
    fleet.vehicle("other")
    drives(fleet, "hard", 1000, 30, "own")
    drives(fleet, "usual", 1000, 2, "other")
    con = scored(fleet)
    hard, usual = style(con, "hard"), style(con, "usual")
    assert 16.0 <= hard["expected_hard_stops"] < 21.0  # 16: half of all; 30: all his own excused
    assert hard["adjusted_low"] > usual["adjusted_high"]


@pytest.mark.parametrize(("stops", "adjusted_higher"), [(0, True), (12, False)])
def test_the_note_explains_the_direction(stops: int, adjusted_higher: bool) -> None:
    """Given fewer or more stops than the fleet in the same vehicle, expect the note to say what that did."""
    fleet = Fleet()
    fleet.vehicle("van")
    for number in range(6):
        drives(fleet, f"usual{number}", 1000, 4)
    drives(fleet, "odd", 1000, stops)
    row = style(scored(fleet), "odd")
    higher = row["adjusted_hard_stops_per_1000km"] > row["hard_stops_per_1000km"]
    assert higher == adjusted_higher
    assert f"the rest from the other drivers: that {'raises' if adjusted_higher else 'lowers'} it." in row["note"]


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
    drives(fleet, "b", 500, 1, hard_stop=False)
    con = scored(fleet)
    assert style(con, "a")["style_score"] == style(con, "b")["style_score"] == 50.0  # ratio 1: 100 * 2^-1
    assert style(con, "a")["adjusted_hard_stops_per_1000km"] == 0.0


def test_trips_and_stops_after_as_of_do_not_count() -> None:
    fleet = Fleet()
    fleet.vehicle("van")
    drives(fleet, "a", 1000, 3)
    drives(fleet, "a", 500, 2, day=DAY + timedelta(days=3))
    con = fleet.connect()
    judge_drivers(con, DAY)
    assert (style(con, "a")["hard_stops"], style(con, "a")["distance_km"]) == (3, 1000.0)


def test_published_shrinkage_is_the_closed_form() -> None:
    """Two drivers in vehicles not named use the prior Gamma(2, 2): (2 + O) / (2 + E) of what is expected, by hand."""
    fleet = Fleet()
    fleet.vehicle("van")
    for driver, stops in (("a", 9), ("b", 1)):
        drives(fleet, driver, 0, stops)
        trip(fleet, driver, driver, None, km=1000.0)
    con = scored(fleet)
    # one cell each, nothing to tell the surroundings apart: 10 stops in 2000 km, 5 expected each; ratios 11/7 and 3/7
    assert style(con, "a")["expected_hard_stops"] == pytest.approx(5.0)
    assert style(con, "a")["adjusted_hard_stops_per_1000km"] == pytest.approx(5 * 11 / 7, abs=1e-6)
    assert style(con, "b")["adjusted_hard_stops_per_1000km"] == pytest.approx(5 * 3 / 7, abs=1e-6)
    assert style(con, "a")["style_score"] == pytest.approx(100 * 2 ** (-11 / 7), abs=1e-3)


def test_trips_without_a_vehicle_make_no_vehicle() -> None:
    """Given kilometres in vehicles not named, expect them as exposure and no factor from others' unnamed vehicles."""
    fleet = Fleet()
    fleet.vehicle("van", category=None)
    for driver, stops in (("a", 9), ("b", 1)):
        drives(fleet, driver, 0, stops)
        fleet.add("trips", trip_id=driver, driver_id=driver, distance_km=1000.0,
                  started_at=datetime(DAY.year, DAY.month, DAY.day, 5, tzinfo=UTC))  # fmt: skip
    con = scored(fleet)
    assert style(con, "a")["expected_hard_stops"] == style(con, "b")["expected_hard_stops"] == pytest.approx(5.0)


def test_automatic_hard_stops_have_a_column_of_their_own() -> None:
    fleet = Fleet()
    fleet.vehicle("van")
    drives(fleet, "a", 1000, 3)
    drives(fleet, "a", 0, 2, brake_source="aeb")
    row = style(scored(fleet), "a")
    assert (row["hard_stops"], row["automatic_hard_stops"]) == (3, 2)
    assert "2 hard stops of the vehicle itself not counted." in row["note"]


def test_hard_stops_far_apart_are_incidents_of_their_own_also_where_all_braking_between_makes_one() -> None:
    """Given applications every 50 s, hard at the first, second and last, expect two incidents: 50 s and 500 s apart."""
    fleet = Fleet()
    fleet.vehicle("van")
    drives(fleet, "a", 1000, 0)
    start = datetime(DAY.year, DAY.month, DAY.day, 6, tzinfo=UTC)
    for number in range(12):
        fleet.event("van", driver_id="a", incident=1, hard_stop=number in (0, 1, 11), brake_source="driver",
                    started_at=start + timedelta(seconds=50 * number))  # fmt: skip
    row = style(scored(fleet), "a")
    assert (row["hard_stops"], row["incidents"]) == (3, 2)


def test_a_driver_without_events_and_one_vehicle_alone() -> None:
    fleet = Fleet()
    fleet.vehicle("van")
    drives(fleet, "calm", 800, 0)
    drives(fleet, "a", 800, 4)
    con = scored(fleet)
    row = style(con, "calm")
    assert (row["hard_stops"], row["hard_stops_per_1000km"]) == (0, 0.0)
    assert 0 < row["adjusted_hard_stops_per_1000km"] < style(con, "a")["adjusted_hard_stops_per_1000km"]
    assert row["style_score"] > 50


def test_a_day_before_the_first_event() -> None:
    fleet = Fleet()
    fleet.vehicle("van")
    fleet.add("drivers", driver_id="a", depot="North")
    drives(fleet, "a", 1000, 3)
    con = fleet.connect()
    judge_drivers(con, DAY - timedelta(days=1))
    row = style(con, "a")
    assert (row["hard_stops"], row["rank"], row["style_score"], row["distance_km"]) == (0, 1, None, None)


def test_brake_applications_tell_the_kind_of_traffic() -> None:
    """Given town rounds with ten times the applications and stops of motorway ones, expect the town driver cleared."""
    fleet = Fleet()
    fleet.vehicle("van")
    for number in range(4):
        trip(fleet, f"t{number}", f"town{number}", "van", km=1000, brake_applications=4000)
        trip(fleet, f"m{number}", f"motorway{number}", "van", km=1000, brake_applications=400)
        drives(fleet, f"town{number}", 0, 20, trip_id=f"t{number}")
        drives(fleet, f"motorway{number}", 0, 2, trip_id=f"m{number}")
    con = scored(fleet)
    town, motorway = style(con, "town0"), style(con, "motorway0")
    # a ridge, and few drivers in each traffic: most of the factor 10 is explained, not all
    assert town["adjusted_hard_stops_per_1000km"] < 2 * motorway["adjusted_hard_stops_per_1000km"]
    assert town["hard_stops_per_1000_applications"] == pytest.approx(5.0)


def test_the_order_of_rows_changes_nothing() -> None:
    def rows(reverse: bool) -> list[tuple[Any, ...]]:
        fleet = Fleet()
        steep(fleet)
        con = fleet.connect(reverse)
        score(con, today=LATE)
        return con.execute("select * from driver_style order by driver_id").fetchall()

    assert rows(False) == rows(True)


def cells_and_ratio(flagged: bool) -> tuple[set[str], float]:
    """Driver a has a vehicle of his own; from the fifth day on it makes ten times the stops."""
    fleet = Fleet()
    for vehicle in ("faulty", "sound"):
        fleet.vehicle(vehicle)
    for number in range(10):
        day = DAY - timedelta(days=9 - number)
        drives(fleet, "a", 300, 6 if number >= 5 else 1, "faulty", day)
        for other in range(4):
            drives(fleet, f"usual{other}", 300, 1, "sound", day)
    con = fleet.connect()
    models.load_parameters(con, DAY, DEFAULT)
    models.build(con, ("stg_vehicles", "stg_trips", "stg_events", "int_conditions"))
    since = DAY - timedelta(days=4)
    con.execute("create temp table int_verdicts (vehicle_id varchar, flagged bool, chosen varchar, suspect varchar)")
    con.execute("insert into int_verdicts values ('faulty', ?, 'brake_drag', '1L')", [flagged])
    con.execute(
        "create temp table int_probabilities as select 'faulty' as vehicle_id, 'brake_drag' as indicator, "
        "'1L' as wheel, ?::date as first_seen_on, true as ranks",
        [since],
    )
    models.build(con, models.DRIVERS)
    cells = con.execute("select * from int_driver_cells order by all").df()
    found = driver_posterior(con, DEFAULT).set_index("driver_id")
    models.drop_temporary(con)
    return set(cells.loc[cells["driver_id"] == "a", "fault"]), float(found.loc["a", "ratio"])


def test_what_began_with_a_flagged_finding_of_the_vehicle_is_not_the_drivers() -> None:
    """Given the same counts with and without the flag, expect a good part of the excess with the vehicle's fault."""
    plain_faults, plain = cells_and_ratio(False)
    flagged_faults, flagged = cells_and_ratio(True)
    assert plain_faults == {""} and len(flagged_faults) == 2
    assert flagged - 1 < 0.8 * (plain - 1)


def excused(ranks: bool, first: date | None) -> list[tuple[Any, ...]]:
    con = duckdb.connect()
    con.execute("create table int_verdicts as select 'van' as vehicle_id, true as flagged, "
                "'lockup_without_modulation' as chosen, '1L' as suspect")  # fmt: skip
    con.execute("create table int_probabilities as select 'van' as vehicle_id, 'lockup_without_modulation' as "
                "indicator, '1L' as wheel, ?::bool as ranks, ?::date as first_seen_on", [ranks, first])  # fmt: skip
    models.build(con, ("int_flagged_since",))
    return con.execute("select * from int_flagged_since").fetchall()


def test_only_a_finding_that_ranks_and_has_a_first_day_excuses_a_driver() -> None:
    assert excused(True, DAY) == [("van", DAY)]
    assert excused(False, DAY) == excused(True, None) == []


def test_one_lockup_of_the_vehicle_excuses_nothing() -> None:
    """Given two drivers with the same stops in vehicles of their own, one of which locked a wheel once, expect the
    same kind of score, and events to talk about with both."""
    fleet = Fleet()
    for number in range(20):
        day = DAY - timedelta(days=number)
        for driver, stops in (("hard", 2), ("locked", 2), ("usual0", 0), ("usual1", 0), ("usual2", 1)):
            drives(fleet, driver, 300, stops, driver, day, peak_decel_mps2=4.5, trip_id=f"{driver}-{driver}-{day}")
            for _ in range(2):
                fleet.event(driver, day, driver_id=driver, hard_stop=False, brake_source="driver",
                            peak_decel_mps2=2.0, effectiveness=0.05, build_up_s=0.4, trip_id=f"{driver}-{driver}-{day}",
                            emergency_application=False, lockup_above_cutoff=False)  # fmt: skip
    for vehicle in ("hard", "locked", "usual0", "usual1", "usual2"):
        fleet.vehicle(vehicle)
    fleet.event("locked", DAY - timedelta(days=10), {"1L": {"lockup": True, "lockup_onset_speed_mps": 15.0,
                "lockup_s": 1.0, "modulation_cycles": 0}}, driver_id="locked", hard_stop=True, brake_source="driver",
                emergency_application=True, lockup=True, lockup_above_cutoff=True, modulation=False,
                peak_decel_mps2=5.0)  # fmt: skip
    con = fleet.connect()
    score(con, today=LATE)
    told = only(con, "select priority, reason from vehicle_health where vehicle_id = 'locked'")
    assert told["priority"] == "watch" and "Locked above the cut-off speed" in told["reason"]
    hard, locked = style(con, "hard"), style(con, "locked")
    assert locked["adjusted_hard_stops_per_1000km"] == pytest.approx(hard["adjusted_hard_stops_per_1000km"], rel=0.1)
    talk = con.execute("select count(*) from driver_coaching where driver_id = 'locked' and kind = 'talk_about'")
    assert talk.fetchone() == (3,)

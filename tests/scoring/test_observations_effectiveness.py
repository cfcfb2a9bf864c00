"""How hard a vehicle brakes for a demand: load, control, trailers and the strength of the demand taken out.

All cases by hand; x is a natural logarithm, so expected values are ln of simple ratios.
"""

import math
from datetime import timedelta
from typing import Any

import pytest
from judged import judge_vehicles
from observed import observed, rows, trip
from scoring_fleet import DAY, Fleet


def braked(fleet: Fleet, vehicle: str, effectiveness: float = 0.01, day: int = 0, **values: Any) -> str:
    """One application by pressure, at full load unless told otherwise."""
    defaults = {"demand_kind": "pressure", "gross_mass_kg": 18000.0}
    return fleet.event(vehicle, DAY + timedelta(days=day), effectiveness=effectiveness, **defaults | values)


def levels(fleet: Fleet, vehicle: str, measure: str = "own", **priors: float) -> list[float]:
    con = observed(fleet, **priors)
    sql = "select x from obs_effectiveness where vehicle_id = ? and measure = ? order by event_id"
    return [x for (x,) in rows(con, sql, vehicle, measure)]


def test_load_is_taken_out_and_a_trip_lends_its_mass() -> None:
    """Half the load and twice the deceleration are the same; an event without mass is weighed by its trip."""
    fleet = Fleet()
    fleet.vehicle("truck", max_mass_kg=20000.0)
    braked(fleet, "truck", 0.01, gross_mass_kg=20000.0)
    trip(fleet, "t1", "truck")
    for kg in (9000.0, 10000.0, 30000.0):
        braked(fleet, "truck", 0.02, gross_mass_kg=kg, trip_id="t1")
    braked(fleet, "truck", 0.02, gross_mass_kg=None, trip_id="t1")
    assert [levels(fleet, "truck")[i] for i in (0, 2, 4)] == pytest.approx([math.log(0.01)] * 3)


@pytest.mark.parametrize(
    ("register", "seen"),
    [
        ({"category": "N2"}, False),
        ({"category": "N3"}, False),
        ({"category": "M2"}, False),
        ({"category": "M3"}, False),
        ({"category": None, "max_mass_kg": 5000.0}, False),  # over 3.5 t its load weighs, whatever it is called
        ({"category": None, "max_mass_kg": 2500.0}, True),
        ({"category": "N1", "max_mass_kg": 3500.0}, True),
        ({"category": "M1", "max_mass_kg": None}, True),
    ],
)
def test_without_any_mass_a_heavy_vehicle_is_not_observed(register: dict[str, Any], seen: bool) -> None:
    fleet = Fleet()
    fleet.vehicle("one", **register)
    braked(fleet, "one", gross_mass_kg=None)
    assert levels(fleet, "one") == (pytest.approx([math.log(0.01)]) if seen else [])


@pytest.mark.parametrize(
    ("control", "kind", "mass", "seen"),
    [
        ("ebs", "pedal", 18000.0, False),  # the control asks for what is missing: the pedal shows nothing
        ("by_wire", "pedal", 18000.0, False),
        ("ebs", "pressure", 18000.0, True),
        ("by_wire", "pressure", None, False),  # pressure for deceleration times mass
        ("conventional", "pedal", 18000.0, True),
        (None, "pedal", 18000.0, True),
    ],
)
def test_electronic_control_is_judged_by_pressure_only(
    control: str | None, kind: str, mass: float | None, seen: bool
) -> None:
    fleet = Fleet()
    fleet.vehicle("car", category="M1", brake_control=control)
    braked(fleet, "car", demand_kind=kind, gross_mass_kg=mass)
    assert bool(levels(fleet, "car")) == seen


def test_a_load_sensing_valve_keeps_load_out_of_the_pedal() -> None:
    fleet = Fleet()
    fleet.vehicle("truck", brake_control="load_sensing")
    for kg in (9000.0, 18000.0):
        braked(fleet, "truck", 0.05, demand_kind="pedal", gross_mass_kg=kg)
    assert levels(fleet, "truck") == pytest.approx([math.log(0.05)] * 2)


def test_one_kind_of_demand_a_vehicle_and_nothing_that_it_did_not_ask_for() -> None:
    fleet = Fleet()
    fleet.vehicle("truck")
    for kind in ("pressure", "pressure", "pedal"):
        braked(fleet, "truck", demand_kind=kind)
    braked(fleet, "truck", brake_source="acc", demand_kind="pedal")
    assert len(levels(fleet, "truck")) == 2


def test_gentle_braking_on_an_unknown_slope_is_left_out() -> None:
    """2 % of slope are 0.2 m/s2: half of the gentle application, none where the slope was recorded."""
    fleet = Fleet()
    fleet.vehicle("truck")
    braked(fleet, "truck", mean_decel_mps2=0.4)
    braked(fleet, "truck", mean_decel_mps2=0.4, grade=0.02)
    braked(fleet, "truck", mean_decel_mps2=1.5)
    assert len(levels(fleet, "truck")) == 2


def test_how_hard_the_pedal_is_pressed_explains_part_of_it() -> None:
    """Given effectiveness that grows with demand^0.2 in all, expect none of it left, and a weak vehicle still weak."""
    fleet = Fleet()
    for number in range(6):
        fleet.vehicle(f"v{number}")
        for i in range(30):
            demand = 100.0 * (1 + (i + number) % 5)
            factor = 0.7 if number == 0 else 1.0
            braked(fleet, f"v{number}", 0.01 * factor * demand**0.2, demand_peak=demand)
    con = observed(fleet)
    spread = rows(con, "select vehicle_id, max(x) - min(x), median(x) from obs_effectiveness group by all order by 1")
    assert max(width for _, width, _ in spread) < 1e-4  # the slope is kept to six places
    assert spread[0][2] - spread[1][2] == pytest.approx(math.log(0.7), abs=1e-4)


def test_few_applications_tell_no_slope() -> None:
    fleet = Fleet()
    fleet.vehicle("truck")
    for demand in (100.0, 400.0):
        braked(fleet, "truck", 0.01 * demand**0.2, demand_peak=demand)
    low, high = levels(fleet, "truck")
    assert high - low == pytest.approx(0.2 * math.log(4.0))


def combinations(fleet: Fleet, pairs: list[tuple[str, str]], weak: str, days: int = 6) -> None:
    """Each pair drives ``days`` trips of two applications; a weak unit takes a third off the whole."""
    for pair, (tractor, trailer) in enumerate(pairs):
        for day in range(days):
            name = trip(fleet, f"t{pair}-{day}", tractor, DAY + timedelta(days=day), trailer_ids=trailer)
            factor = 0.67 if weak in (tractor, trailer) else 1.0
            for _ in range(2):
                braked(fleet, tractor, 0.01 * factor, day=day, gross_mass_kg=36000.0, trip_id=name)


def test_a_weak_trailer_is_told_from_the_tractors_that_tow_it() -> None:
    fleet = Fleet()
    for unit in ("T1", "T2", "T3"):
        fleet.vehicle(unit)
        fleet.vehicle(unit.replace("T", "S"), category="O4")
    combinations(fleet, [(f"T{t}", f"S{s}") for t in (1, 2, 3) for s in (1, 2, 3)], weak="S2")
    con = observed(fleet)
    found = dict(
        rows(con, "select vehicle_id, median(x) from obs_effectiveness where measure = 'combination' group by 1")
    )
    # mass of the combination over the greatest of both, 36 of 36 t
    assert found["S1"] == pytest.approx(math.log(0.01), abs=0.01)
    assert found["S2"] == pytest.approx(math.log(0.0067), abs=0.01)
    low_t1 = rows(con, "select min(x) from obs_effectiveness where vehicle_id = 'T1'")[0][0]
    # seen with two other tractors as well: half of ln 0.67 is believed to be the trailer's (pairing_weight 2)
    assert low_t1 == pytest.approx(math.log(0.01) + 0.5 * math.log(0.67), abs=0.01)
    seen = rows(con, "select distinct units_seen, other_seen_with from int_pairings")
    assert seen == [(3, 3)]
    assert rows(con, "select count(*) from obs_effectiveness where measure = 'own'") == [(0,)]


def test_tractor_or_trailer_where_only_one_pairing_was_seen() -> None:
    fleet = Fleet()
    for unit, category in (("T1", "N3"), ("S1", "O4")):
        fleet.vehicle(unit, category=category)
    combinations(fleet, [("T1", "S1")], weak="S1")
    con = observed(fleet)
    pairings = "select vehicle_id, other_id, units_seen, other_seen_with, explained from int_pairings order by 1"
    assert rows(con, pairings) == [("S1", "T1", 1, 1, 0.0), ("T1", "S1", 1, 1, 0.0)]
    both = rows(con, "select vehicle_id, measure, count(*) from obs_effectiveness group by all order by 1")
    assert both == [("S1", "combination", 12), ("T1", "combination", 12)]


@pytest.mark.parametrize("values", [{"gross_mass_kg": None}, {"trailer_ids": "unknown trailer"}])
def test_a_combination_needs_its_mass_and_both_registers(values: dict[str, Any]) -> None:
    """Without the mass of the whole nothing is said; without the trailer's register it is told at 1 t."""
    fleet = Fleet()
    fleet.vehicle("T1")
    fleet.vehicle("S1", category="O4")
    trip(fleet, "t", "T1", trailer_ids=values.get("trailer_ids", "S1"))
    braked(fleet, "T1", trip_id="t", gross_mass_kg=values.get("gross_mass_kg", 36000.0))
    groups = rows(observed(fleet), "select peer_group, x from obs_effectiveness where vehicle_id = 'T1'")
    if "trailer_ids" in values:
        assert groups == [("N3/air/pressure/1 t", pytest.approx(math.log(0.36)))]
    else:
        assert groups == []


def test_order_of_rows_changes_nothing() -> None:
    fleet = Fleet()
    for unit in ("T1", "T2"):
        fleet.vehicle(unit)
        fleet.vehicle(unit.replace("T", "S"), category="O4")
    combinations(fleet, [("T1", "S1"), ("T2", "S1"), ("T2", "S2")], weak="S1")
    sql = "select * from obs_effectiveness order by all"
    assert rows(observed(fleet), sql) == rows(observed(fleet, reverse=True), sql)


def test_a_slope_that_the_accelerometer_told_is_taken_out() -> None:
    """Given 0.4 m/s2 of uphill in a third of the stops, expect it taken out; the sensor's own zero is no slope."""
    fleet = Fleet()
    fleet.vehicle("truck")
    for i in range(12):
        uphill = 0.4 if i % 3 == 0 else 0.0
        braked(fleet, "truck", 0.01 * (2.0 + uphill) / 2.0, held_decel_mps2=2.0 + uphill, accel_tilt_mps2=0.1 + uphill)
    assert levels(fleet, "truck") == pytest.approx([math.log(0.01)] * 12)


@pytest.mark.parametrize(
    ("count", "values"),
    [
        (5, {}),  # too few to know the sensor's zero
        (12, {"grade": 0.04}),  # recorded, and taken out already
        (12, {"held_decel_mps2": None}),
    ],
)
def test_where_the_slope_is_not_told_nothing_is_taken_out(count: int, values: dict[str, Any]) -> None:
    fleet = Fleet()
    fleet.vehicle("truck")
    for i in range(count):
        uphill = 0.4 if i % 3 == 0 else 0.0
        braked(fleet, "truck", **{"held_decel_mps2": 2.0, "accel_tilt_mps2": uphill} | values)
    assert levels(fleet, "truck") == pytest.approx([math.log(0.01)] * count)


def test_a_sensor_that_wanders_is_no_slope() -> None:
    """2 m/s2 beside its zero would be a slope of 20 %: no road."""
    fleet = Fleet()
    fleet.vehicle("truck")
    for i in range(12):
        braked(fleet, "truck", held_decel_mps2=3.0, accel_tilt_mps2=2.0 if i == 0 else 0.0)
    assert levels(fleet, "truck") == pytest.approx([math.log(0.01)] * 12)


@pytest.mark.parametrize(
    ("pairs", "told"), [([("T1", "S1")], True), ([("T1", "S1"), ("T1", "S2"), ("T2", "S1")], False)]
)
def test_the_reason_says_tractor_or_trailer_where_one_pairing_was_seen(
    pairs: list[tuple[str, str]], told: bool
) -> None:
    """Given a combination that loses a third half-way, expect both named where they were never seen apart."""
    fleet = Fleet()
    for unit, category in (("T1", "N3"), ("T2", "N3"), ("S1", "O4"), ("S2", "O4")):
        fleet.vehicle(unit, category=category)
    for pair, (tractor, trailer) in enumerate(pairs):
        for day in range(40):
            name = trip(fleet, f"t{pair}-{day}", tractor, DAY + timedelta(days=day), trailer_ids=trailer)
            factor = 0.6 if trailer == "S1" and day >= 20 else 1.0
            for _ in range(3):
                braked(fleet, tractor, 0.01 * factor, day=day, gross_mass_kg=36000.0, trip_id=name)
    con = fleet.connect()
    judge_vehicles(con, today=DAY + timedelta(days=60))
    found = dict(rows(con, "select vehicle_id, reason from vehicle_health where leading_indicator is not null"))
    assert "less deceleration" in found["S1"]
    assert ("not told apart from T1" in found["S1"]) == told

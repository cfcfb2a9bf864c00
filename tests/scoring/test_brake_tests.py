"""What brake tests decide, against the published limits, and from when evidence starts anew."""

from datetime import date, timedelta
from typing import Any

import pytest
from observed import observed, rows, trip
from scoring_fleet import DAY, Fleet

G = 9.80665


def roller(fleet: Fleet, vehicle: str, forces: dict[str, float], day: date = DAY, **values: Any) -> None:
    """A roller test: forces in N by wheel, 5 t on each axle."""
    for wheel, force in forces.items():
        fleet.add(
            "brake_tests",
            **{"vehicle_id": vehicle, "tested_on": day, "method": "roller", "wheel": wheel}
            | {"axle_load_kg": 5000.0, "max_force_n": force}
            | {name: value[wheel] if isinstance(value, dict) else value for name, value in values.items()},
        )


def verdicts(fleet: Fleet, indicator: str) -> list[tuple[Any, ...]]:
    sql = "select wheel, round(value, 3), verdict, severity from stg_brake_tests where indicator = ? order by wheel"
    return rows(observed(fleet), sql, indicator)


@pytest.mark.parametrize(
    ("higher", "lower", "found"),
    [
        # standards sheet C12 (computed from the manual's formula and limits, MOT 1.2.1, 1.2.2, verified)
        (2400.0, 1800.0, ("1R", 0.25, "passed", 0)),
        (2600.0, 1700.0, ("1R", 0.346, "failed", 2)),
        (2600.0, 1200.0, ("1R", 0.538, "failed", 3)),  # a steered axle
    ],
)
def test_imbalance_by_the_inspection_formula(higher: float, lower: float, found: tuple[Any, ...]) -> None:
    fleet = Fleet()
    fleet.vehicle("car", category="M1")
    roller(fleet, "car", {"1L": higher, "1R": lower})
    assert verdicts(fleet, "side_imbalance") == [found]


def test_half_on_an_axle_behind_the_front_one_is_major() -> None:
    fleet = Fleet()
    fleet.vehicle("car", category="M1")
    roller(fleet, "car", {"2L": 1200.0, "2R": 2600.0})
    assert verdicts(fleet, "side_imbalance") == [("2L", 0.538, "failed", 2)]


@pytest.mark.parametrize(
    ("forces", "values"),
    [
        ({"1L": 2600.0, "1R": 1200.0}, {"locked": {"1L": False, "1R": True}}),  # the lower one locked on the rollers
        ({"1L": 390.0, "1R": 100.0}, {}),  # 40 kgf or less
        ({"1L": 2600.0}, {}),
        ({"1L": 2600.0, "1R": None}, {}),
    ],
)
def test_where_the_manual_tells_no_imbalance(forces: dict[str, float], values: dict[str, Any]) -> None:
    fleet = Fleet()
    fleet.vehicle("car", category="M1")
    roller(fleet, "car", forces, **values)
    assert verdicts(fleet, "side_imbalance") == []


@pytest.mark.parametrize(
    ("register", "z", "found"),
    [
        ({"category": "M1", "in_service_on": date(2015, 1, 1)}, 0.57, ("failed", 2)),
        ({"category": "M1", "in_service_on": date(2015, 1, 1)}, 0.59, ("passed", 0)),
        ({"category": "M1", "in_service_on": date(2009, 1, 1)}, 0.51, ("passed", 0)),
        ({"category": "M1"}, 0.51, ("passed", 0)),
        ({"category": "N1"}, 0.49, ("failed", 2)),
        ({"category": "M3"}, 0.49, ("failed", 2)),
        ({"category": "M3"}, 0.24, ("failed", 3)),  # under half of what is required
        ({"category": "N3"}, 0.44, ("passed", 0)),  # 43.5 % of the gross weight, 49 CFR 393.52 (verified)
        ({"category": "N3"}, 0.43, ("failed", 2)),
        ({"category": "O4"}, 0.41, ("passed", 0)),
        ({"category": None}, 0.43, ("failed", 2)),
    ],
)
def test_braking_rate_against_the_category(register: dict[str, Any], z: float, found: tuple[str, int]) -> None:
    fleet = Fleet()
    fleet.vehicle("one", **{"axles": 2} | register)
    each = z * 5000.0 * G / 2
    roller(fleet, "one", dict.fromkeys(("1L", "1R", "2L", "2R"), each))
    assert verdicts(fleet, "low_brake_effectiveness") == [("", pytest.approx(z, abs=1e-3), *found)]


def test_an_axle_not_tested_leaves_the_braking_rate_open() -> None:
    fleet = Fleet()
    fleet.vehicle("truck", axles=3)
    roller(fleet, "truck", dict.fromkeys(("1L", "1R", "2L", "2R"), 6000.0))  # 24 % of the weight on them
    assert verdicts(fleet, "low_brake_effectiveness") == []


def test_axles_far_too_weak_on_their_own_weight_fail_though_others_were_not_tested() -> None:
    """20 % is under half of the 43.5 % that the whole truck needs (own choice); needs repair, not more."""
    fleet = Fleet()
    fleet.vehicle("truck", axles=3)
    roller(fleet, "truck", dict.fromkeys(("1L", "1R", "2L", "2R"), 5000.0) | {"3L": 100.0})  # one wheel is no axle
    assert verdicts(fleet, "low_brake_effectiveness") == [("", 0.204, "failed", 2)]
    assert rows(observed(fleet), "select part_axles from stg_brake_tests where wheel = ''") == [("1, 2",)]


def test_a_force_that_is_no_number_decides_nothing() -> None:
    """In DuckDB NaN is greater than every number: it must not fail an axle, nor pass a vehicle."""
    fleet = Fleet()
    fleet.vehicle("truck", axles=2)
    nan = float("nan")
    forces = {"1L": nan, "1R": 9000.0, "2L": 9000.0, "2R": 9000.0}
    roller(fleet, "truck", forces, residual_drag_n={"1L": nan, "1R": 10.0, "2L": nan, "2R": 10.0})
    assert verdicts(fleet, "low_brake_effectiveness") == []
    assert verdicts(fleet, "side_imbalance") == [("2L", 0.0, "passed", 0)]
    assert [wheel for wheel, *_ in verdicts(fleet, "brake_drag")] == ["1R", "2R"]


def test_of_two_readings_of_a_day_by_one_method_the_worst_counts() -> None:
    fleet = Fleet()
    fleet.vehicle("truck", axles=2)
    for force in (2000.0, 15000.0):
        roller(fleet, "truck", {"1L": force, "1R": 15000.0, "2L": 15000.0, "2R": 15000.0})
    assert verdicts(fleet, "side_imbalance")[0] == ("1L", 0.867, "failed", 3)


def test_most_wheels_locked_is_enough() -> None:
    fleet = Fleet()
    fleet.vehicle("truck", axles=2)
    locked = {"1L": True, "1R": True, "2L": True, "2R": False}
    roller(fleet, "truck", dict.fromkeys(locked, 5000.0), locked=locked)
    assert verdicts(fleet, "low_brake_effectiveness") == [("", 0.204, "passed", 0)]


def test_a_decelerometer_tests_the_whole_vehicle() -> None:
    fleet = Fleet()
    fleet.vehicle("truck", axles=3)
    fleet.add("brake_tests", vehicle_id="truck", tested_on=DAY, method="decelerometer", axle_load_kg=18000.0,
              max_force_n=0.3 * 18000.0 * G)  # fmt: skip
    assert verdicts(fleet, "low_brake_effectiveness") == [("", 0.3, "failed", 2)]


def test_drag_on_the_rollers() -> None:
    """No published limit: 5 % of the wheel's load is an own choice; wheels without a reading are not decided."""
    fleet = Fleet()
    fleet.vehicle("truck")
    drags = {"1L": 0.06 * 2500 * G, "1R": 0.01 * 2500 * G, "2L": None}
    roller(fleet, "truck", dict.fromkeys(drags, 9000.0), residual_drag_n=drags)
    assert verdicts(fleet, "brake_drag") == [("1L", 0.06, "failed", 2), ("1R", 0.01, "passed", 0)]


def test_a_test_of_the_future_or_of_nobody_is_not_there() -> None:
    fleet = Fleet()
    fleet.vehicle("truck", axles=1)
    roller(fleet, "truck", {"1L": 5000.0, "1R": 5000.0}, DAY + timedelta(days=100))
    roller(fleet, "stranger", {"1L": 5000.0, "1R": 5000.0})
    con = observed(fleet, as_of=DAY + timedelta(days=50))
    assert rows(con, "select distinct vehicle_id from stg_brake_tests") == [("stranger",)]


def restarts(fleet: Fleet, indicator: str, **priors: float) -> list[tuple[Any, ...]]:
    sql = "select wheel, restart_on - ?::date, reason from stg_restarts where indicator = ? order by all"
    return rows(observed(fleet, as_of=DAY + timedelta(days=60), **priors), sql, DAY, indicator)


def test_a_passed_test_starts_what_it_measured_anew() -> None:
    fleet = Fleet()
    fleet.vehicle("truck", axles=1)
    roller(fleet, "truck", {"1L": 20000.0, "1R": 10000.0})  # 50 % uneven, 61 % of the weight
    assert restarts(fleet, "low_brake_effectiveness") == [("", 0, "brake_test")]
    assert restarts(fleet, "side_imbalance") == []
    assert restarts(fleet, "slow_response") == []


def test_a_test_passed_on_the_day_another_failed_starts_nothing_anew() -> None:
    fleet = Fleet()
    fleet.vehicle("truck", axles=1)
    roller(fleet, "truck", {"1L": 20000.0, "1R": 20000.0}, method="plate")
    roller(fleet, "truck", {"1L": 20000.0, "1R": 10000.0})
    assert restarts(fleet, "side_imbalance") == []


@pytest.mark.parametrize(("kind", "kept"), [("repair", 0), ("passed test", 10), ("sensor", 10)])
def test_work_on_one_unit_outdates_what_the_combination_showed(kind: str, kept: int) -> None:
    """Given a truck repaired after ten days with trailer A, expect those days to say nothing of A any more; B stays."""
    fleet = Fleet()
    for name, category in (("truck", "N3"), ("other", "N3"), ("A", "O4"), ("B", "O4")):
        fleet.vehicle(name, category=category, max_mass_kg=18000.0, axles=1)
    for day in range(10):
        for vehicle, trailer in (("truck", "A"), ("other", "B")):
            on = DAY + timedelta(days=day)
            trip(fleet, f"{vehicle}{day}", vehicle, on, trailer_ids=trailer)
            fleet.event(vehicle, on, trip_id=f"{vehicle}{day}", demand_kind="pressure", effectiveness=0.01,
                        gross_mass_kg=20000.0, grade=0.0, held_decel_mps2=2.0, mean_decel_mps2=2.0)  # fmt: skip
    later = DAY + timedelta(days=11)
    if kind == "passed test":
        roller(fleet, "truck", {"1L": 20000.0, "1R": 20000.0}, later)
    else:
        work = "lining" if kind == "repair" else "sensor"
        fleet.add("repairs", vehicle_id="truck", repaired_on=later, work=work)
    con = observed(fleet)
    sql = "select count(*) from obs_effectiveness where measure = 'combination' and vehicle_id = ?"
    assert rows(con, sql, "A") == [(kept,)]
    assert rows(con, sql, "B") == [(10,)]


def test_new_linings_say_nothing_for_300_km() -> None:
    """Given 100 km a day, expect evidence from the day after the third on; drag and response from the repair on."""
    fleet = Fleet()
    fleet.vehicle("van")
    for day in range(6):
        trip(fleet, f"t{day}", "van", DAY + timedelta(days=day))
    fleet.add("repairs", vehicle_id="van", repaired_on=DAY, wheel="1L", work="lining")
    for indicator in ("low_brake_effectiveness", "side_imbalance", "brake_fade"):
        assert restarts(fleet, indicator) == [("1L", 0, "repair"), ("1L", 3, "running_in")]
    assert restarts(fleet, "brake_drag") == [("1L", 0, "repair")]


@pytest.mark.parametrize(("trips", "days"), [(0, 7), (2, 60)])
def test_without_trips_a_week_and_with_too_few_no_verdict_yet(trips: int, days: int) -> None:
    fleet = Fleet()
    fleet.vehicle("van")
    for day in range(trips):
        trip(fleet, f"t{day}", "van", DAY + timedelta(days=day + 1))
    fleet.add("repairs", vehicle_id="van", repaired_on=DAY, work="disc_or_drum")
    assert restarts(fleet, "brake_fade") == [("", 0, "repair"), ("", days, "running_in")]


def test_work_that_fits_no_new_linings_needs_no_running_in() -> None:
    fleet = Fleet()
    fleet.vehicle("van")
    fleet.add("repairs", vehicle_id="van", repaired_on=DAY, wheel="2R", work="tyre")
    assert restarts(fleet, "brake_drag") == [("2R", 0, "repair")]  # the rolling radius anew
    assert restarts(fleet, "low_brake_effectiveness") == []

"""Indicators of the anti-lock control and its sensors: lockups, modulation on light braking, lost and pulsing signals.

Noise is seeded; the faults are several times the scatter, so that a verdict does not hang on the seed.
"""

import json
from datetime import timedelta
from typing import Any

import duckdb
import pytest
from scoring_fleet import DAY, Fleet
from vehicle_fleet import brakes, finding, health, scored


def emergencies(fleet: Fleet, vehicle: str, locked: int, count: int = 10, **values: Any) -> None:
    for i in range(count):
        lock = i < locked
        wheel = {"lockup": lock, "lockup_speed_mps": 12.0 if lock else None, "modulation_cycles": 0}
        other = {"lockup": False, "modulation_cycles": 4}
        defaults = {
            "emergency_application": True,
            "lockup": lock,
            "lockup_above_cutoff": lock,
            "cutoff_speed_mps": 4.17,
        }
        fleet.event(vehicle, DAY + timedelta(days=i), {"2R": wheel, "2L": other}, **defaults | values)


NO_DEFECT: list[tuple[dict[str, Any], dict[str, Any]]] = [
    ({}, {"surface": "loose"}),  # a locked wheel stops shorter there (NHTSA Task 4, verified)
    ({}, {"surface": "loose", "emergency_application": False}),
    ({"abs_fitted": False}, {"emergency_application": False}),
    ({"abs_fitted": False}, {}),  # nothing should have acted
    ({}, {"lockup_above_cutoff": False}),  # control lets go below the cut-off
]
BEGAN = DAY + timedelta(days=40)


@pytest.fixture(scope="module")
def apart() -> duckdb.DuckDBPyConnection:
    """Vehicles with lockups and lost signals, judged in one run: neither is held against what another vehicle did."""
    fleet = Fleet()
    for name in ("locks", "lately", "undecided", "dropouts"):
        fleet.vehicle(name)
    emergencies(fleet, "locks", locked=4)
    _lately(fleet)
    for i in range(10):
        unknown = {"1L": {"lockup": None, "modulation_cycles": None, "dropout_s": None, "steady_slip": None}}
        fleet.event("undecided", DAY + timedelta(days=i), unknown, emergency_application=True, modulation=None)
    for i in range(20):
        wheels = {
            "1L": {"dropout_s": 0.6 if i % 2 else 0.0, "sensed": i % 2 == 0},
            "1R": {"dropout_s": 0.0},
            "2L": {"dropout_s": 5.0, "sensed": False},  # never had a sensor
        }
        fleet.event("dropouts", DAY + timedelta(days=i), wheels)
    for number, (register, values) in enumerate(NO_DEFECT):
        fleet.vehicle(f"no defect {number}", **register)
        emergencies(fleet, f"no defect {number}", locked=8, **values)
    return scored(fleet)


def _lately(fleet: Fleet) -> None:
    """Sound for forty days on every wheel, then 1L locks in four of ten applications."""
    first = fleet.number
    emergencies(fleet, "lately", locked=0, count=40)
    for number in range(first, fleet.number):
        fleet.rows["event_wheels"].append(
            {"event_id": f"e{number + 1:05d}", "vehicle_id": "lately", "wheel": "1L", "sensed": True, "lockup": False,
             "modulation_cycles": 3}
        )  # fmt: skip
    for i in range(10):
        lock = i % 3 == 0
        wheels = {"1L": {"lockup": lock, "lockup_speed_mps": 12.0 if lock else None, "modulation_cycles": 0}}
        wheels["2R"] = wheels["2L"] = {"lockup": False, "modulation_cycles": 4}
        fleet.event(
            "lately", BEGAN + timedelta(days=i), wheels, emergency_application=True, lockup=lock,
            lockup_above_cutoff=lock, cutoff_speed_mps=4.17,
        )  # fmt: skip


def test_lockup_without_modulation_names_the_wheel(apart: duckdb.DuckDBPyConnection) -> None:
    verdict = health(apart, "locks")
    assert (verdict["leading_indicator"], verdict["suspect_wheel"]) == ("lockup_without_modulation", "2R")
    assert verdict["priority"] == "before_next_trip"
    assert "in 4 of 10 emergency applications" in verdict["reason"]
    row = finding(apart, "locks", "lockup_without_modulation", "2R")
    assert (row["value"], row["events_used"], row["first_seen_on"]) == (0.4, 10, DAY)
    assert len(json.loads(row["evidence"])) == 4


def test_a_fault_that_began_lately_does_not_drown_in_old_sound_events(apart: duckdb.DuckDBPyConnection) -> None:
    verdict = health(apart, "lately")
    assert (verdict["leading_indicator"], verdict["suspect_wheel"]) == ("lockup_without_modulation", "1L")
    row = finding(apart, "lately", "lockup_without_modulation", "1L")
    assert (row["events_used"], row["value"]) == (10, pytest.approx(4 / 10))  # from its first hit on
    assert row["first_seen_on"] == BEGAN


@pytest.mark.parametrize("number", range(len(NO_DEFECT)))
def test_lockups_that_are_no_defect(apart: duckdb.DuckDBPyConnection, number: int) -> None:
    name = f"no defect {number}"
    hits = "select coalesce(max(value), 0) from indicators where indicator = 'lockup_without_modulation'"
    assert apart.execute(f"{hits} and vehicle_id = ?", [name]).fetchone() == (0,)
    row = health(apart, name)
    assert row["priority"] in ("no_sign", "too_little_evidence") and "ocked" not in row["reason"]


def test_what_could_not_be_decided_is_no_observation(apart: duckdb.DuckDBPyConnection) -> None:
    assert apart.execute("select count(*) from indicators where vehicle_id = 'undecided'").fetchone() == (0,)
    assert health(apart, "undecided")["health_score"] is None


def test_dropouts_of_a_sensed_wheel_only(apart: duckdb.DuckDBPyConnection) -> None:
    verdict = health(apart, "dropouts")
    assert (verdict["leading_indicator"], verdict["suspect_wheel"]) == ("wheel_speed_dropout", "1L")
    assert verdict["priority"] != "before_next_trip"
    of_2l = "select count(*) from indicators where vehicle_id = 'dropouts' and wheel = '2L'"
    assert apart.execute(of_2l).fetchone() == (0,)


def light(fleet: Fleet, vehicle: str, days: int, modulated: int, surface: str = "unknown") -> None:
    """One light application a day; the first ``modulated`` with anti-lock control at work."""
    for i in range(days):
        hit = i < modulated
        fleet.event(
            vehicle, DAY + timedelta(days=i), modulation=hit, friction_used=0.2, surface=surface if hit else "unknown"
        )


def test_snowy_depot_is_not_flagged_but_a_lone_modulator_is() -> None:
    fleet = Fleet()
    for number in range(6):
        fleet.vehicle(f"snow{number}", depot="Hill")
        light(fleet, f"snow{number}", days=20, modulated=12, surface="snow_or_ice")
        fleet.vehicle(f"dry{number}", depot="Plain")
        light(fleet, f"dry{number}", days=20, modulated=0)
    fleet.vehicle("fault", depot="Plain")
    light(fleet, "fault", days=20, modulated=12, surface="snow_or_ice")  # low friction used looks like snow
    con = scored(fleet)
    assert health(con, "fault")["leading_indicator"] == "modulation_on_light_braking"
    flagged = con.execute("select vehicle_id from vehicle_health where leading_indicator is not null").fetchall()
    assert flagged == [("fault",)]
    assert finding(con, "snow0", "modulation_on_light_braking")["expected"] > 0.4


@pytest.mark.parametrize(("left", "leading"), [(0.8, "modulation_on_light_braking"), (0.55, "low_brake_effectiveness")])
def test_control_at_work_explains_some_weakness_away_but_not_half_of_the_brakes(left: float, leading: str) -> None:
    """Pressure that the anti-lock control lets go on light braking is not a weak brake; nor is it half of one."""
    fleet = Fleet()
    for name in ("fault", *(f"p{i}" for i in range(5))):
        fleet.vehicle(name)
        light(fleet, name, days=20, modulated=10 if name == "fault" else 0)
        brakes(fleet, name, [left if name == "fault" else 1.0] * 20)
    con = scored(fleet)
    assert finding(con, "fault", "low_brake_effectiveness")["deviation"] > 3
    assert health(con, "fault")["leading_indicator"] == leading


def test_a_signal_that_pulses_once_a_turn_is_a_tone_ring_not_a_dragging_brake() -> None:
    """Given slip that pulses with the wheel, also before the demand, expect ring and wheel named, no drag."""
    fleet = Fleet()
    for name in ("ring", "peer"):
        fleet.vehicle(name)
        for day in range(24):
            hurt = name == "ring" and day >= 10
            wheels = {
                wheel: {"once_a_turn": hurt and wheel == "2L", "free_slip": 0.05 if hurt and wheel == "2L" else 0.0,
                        "steady_slip": 0.02, "dropout_s": 0.0}
                for wheel in ("1L", "1R", "2L", "2R")
            }  # fmt: skip
            fleet.event(name, DAY + timedelta(days=day), wheels)
    con = scored(fleet)
    verdict = health(con, "ring")
    assert (verdict["leading_indicator"], verdict["suspect_wheel"]) == ("modulation_on_light_braking", "2L")
    assert "pulses once a turn" in verdict["reason"]
    assert finding(con, "ring", "modulation_on_light_braking", "2L")["first_seen_on"] == DAY + timedelta(days=10)
    assert health(con, "peer")["priority"] == "no_sign"

"""Lockups above the cut-off speed speak of health at any demand, and no ranking is silent about one.

What a lockup above the cut-off speed means is an edge of this project (``lockup_above_cutoff``); counts are by hand.
"""

from datetime import timedelta
from typing import Any

import duckdb
import pytest
from judged import judge_vehicles
from scoring_fleet import DAY, Fleet, only
from together import Together

of_the_fleet = Together()


@pytest.fixture(scope="module")
def con() -> duckdb.DuckDBPyConnection:
    """The vehicles of all tests here, judged in one run: a lockup is held against nothing that another vehicle did.

    What hangs on others (light braking with control at work) has a depot of its own.
    """
    made = of_the_fleet.fleet().connect()
    judge_vehicles(made)
    return made


def health(con: duckdb.DuckDBPyConnection, vehicle: str) -> dict[str, Any]:
    return only(con, "select * from vehicle_health where vehicle_id = ?", vehicle)


def stops(
    fleet: Fleet, vehicle: str, locked: int, count: int, wheel: dict[str, Any] | None = None, **values: Any
) -> None:
    """``count`` stops at half demand, one a day; 2R locks at 14.5 m/s in the first ``locked``, control stays silent."""
    for i in range(count):
        lock = i < locked
        wheels = {
            "2R": {"lockup": lock, "lockup_speed_mps": 14.5 if lock else None, "modulation_cycles": 0},
            "2L": {"lockup": False, "modulation_cycles": 0, "dropout_s": 0.0},
        }
        wheels["2R"] |= (wheel or {}) if lock else {}
        defaults = {
            "hard_stop": True, "emergency_application": False, "lockup": lock, "lockup_above_cutoff": lock,
            "modulation": False, "cutoff_speed_mps": 4.17,
        }  # fmt: skip
        fleet.event(vehicle, DAY + timedelta(days=i), wheels, **defaults | values)


PARTIAL = [(emergency, surface) for emergency in (False, None) for surface in ("dry_paved", "unknown", "split")]


@of_the_fleet
def _partial_stops(fleet: Fleet) -> None:
    for emergency, surface in PARTIAL:
        name = f"partial {emergency} {surface}"
        fleet.vehicle(name, category="M1", abs_fitted=True)
        stops(fleet, name, 12, 12, emergency_application=emergency, surface=surface)


@pytest.mark.parametrize(("emergency", "surface"), PARTIAL)
def test_a_wheel_that_locks_in_every_partial_stop_stops_the_vehicle(
    con: duckdb.DuckDBPyConnection, emergency: bool | None, surface: str
) -> None:
    """Given lockups in 12 of 12 stops at half demand, expect the wheel named and an inspection before the next trip."""
    row = health(con, f"partial {emergency} {surface}")
    must = con.execute("select count(*) from vehicle_health where priority = 'before_next_trip'").fetchone()
    assert must is not None and row["rank"] <= must[0] and row["priority"] == "before_next_trip"
    assert (row["leading_indicator"], row["suspect_wheel"]) == ("lockup_without_modulation", "2R")
    assert "12 applications since 2026-03-02 or earlier, none of them an emergency application." in row["reason"]
    assert row["health_score"] < 10


@of_the_fleet
def _emergencies_and_partial_stops(fleet: Fleet) -> None:
    fleet.vehicle("counted")
    stops(fleet, "counted", 2, 12, emergency_application=True)
    stops(fleet, "counted", 3, 23)


def test_the_denominator_is_emergency_applications_and_hits(con: duckdb.DuckDBPyConnection) -> None:
    """Given 10 sound and 2 locked emergency applications, 3 locked and 20 sound partial ones, expect 5 of 15."""
    of = "select * from indicators where vehicle_id = 'counted' and indicator = 'lockup_without_modulation'"
    row = only(con, f"{of} and wheel = '2R'")
    assert (row["events_used"], row["value"]) == (15, pytest.approx(5 / 15))
    assert (
        "5 applications since 2026-03-02 or earlier, 2 of them in 12 emergency applications."
        in health(con, "counted")["reason"]
    )
    other = only(con, f"{of} and wheel = '2L'")
    assert (other["events_used"], other["value"]) == (12, 0.0)  # a sound partial application is no observation


ONE: list[tuple[dict[str, Any], dict[str, Any]]] = [
    ({}, {}),  # decided, but one is too few for the indicator
    ({"lockup_speed_mps": None}, {}),  # the speed of it could not be told
    ({"modulation_cycles": None}, {"modulation": None}),  # nor whether control acted
]


@of_the_fleet
def _one_lockup(fleet: Fleet) -> None:
    for number, (wheel, values) in enumerate(ONE):
        fleet.vehicle(f"one {number}")
        stops(fleet, f"one {number}", 1, 1, wheel, **values)
        stops(fleet, f"one {number}", 0, 30, emergency_application=True)


@pytest.mark.parametrize("number", range(len(ONE)))
def test_one_lockup_is_never_beside_no_sign(con: duckdb.DuckDBPyConnection, number: int) -> None:
    """Given a single lockup among 30 sound stops, expect it watched and counted in the reason."""
    row = health(con, f"one {number}")
    assert (row["priority"], row["leading_indicator"], row["suspect_wheel"]) == (
        "watch", "lockup_without_modulation", "2R",
    )  # fmt: skip
    assert row["reason"] == (
        "Locked above the cut-off speed without anti-lock action seen: 1 event (2026-03-02), most often wheel 2R."
    )


@of_the_fleet
def _of_unknown_speed(fleet: Fleet) -> None:
    held = {"demand_kind": "pressure", "effectiveness": 0.01}
    for name in ("open", "gentle"):
        fleet.vehicle(name)
        stops(fleet, name, 0, 20, **held)
    stops(fleet, "gentle", 0, 6)
    stops(fleet, "open", 6, 6, {"modulation_cycles": None}, emergency_application=True, lockup_above_cutoff=None,
          modulation=None, cutoff_speed_mps=None)  # fmt: skip


def test_lockups_of_unknown_speed_are_told_and_no_evidence_of_sound_control(con: duckdb.DuckDBPyConnection) -> None:
    """Given six emergency applications with a lock that may have been above the cut-off speed or below, expect it told.

    The other wheels of these applications speak for nobody: the score is that of a vehicle never asked for much.
    """
    row = health(con, "open")
    assert (row["priority"], row["leading_indicator"], row["suspect_wheel"]) == (
        "watch", "lockup_without_modulation", "2R",
    )  # fmt: skip
    assert row["reason"] == (
        "Locked without anti-lock action seen, could not be decided whether above the cut-off speed: "
        "6 events (2026-03-02 to 2026-03-07), most often wheel 2R."
    )
    assert row["health_score"] <= health(con, "gentle")["health_score"]
    seen = "select count(*) from indicators where vehicle_id = 'open' and indicator = 'lockup_without_modulation'"
    assert con.execute(seen).fetchone() == (0,)


@of_the_fleet
def _decided_and_undecided(fleet: Fleet) -> None:
    fleet.vehicle("undecided")
    stops(fleet, "undecided", 1, 20)
    stops(fleet, "undecided", 2, 2, lockup_above_cutoff=None)
    fleet.vehicle("hardly seen")
    stops(fleet, "hardly seen", 2, 3)


def test_decided_and_undecided_lockups_are_counted_apart(con: duckdb.DuckDBPyConnection) -> None:
    reason = health(con, "undecided")["reason"]
    assert "seen: 1 event (" in reason or "in 1 application" in reason
    assert "In 2 more it could not be decided whether above that speed." in reason


def test_too_little_evidence_still_tells_lockups(con: duckdb.DuckDBPyConnection) -> None:
    """Given three stops, two of them with a lockup, expect too little evidence and the two told."""
    row = health(con, "hardly seen")
    assert row["priority"] == "too_little_evidence"
    assert "2 events (2026-03-02 to 2026-03-03), most often wheel 2R" in row["reason"]


ANSWERED: list[tuple[dict[str, Any], dict[str, Any]]] = [
    ({"modulation_cycles": 3}, {"modulation": True}),  # control let the wheel go again
    ({"modulation_cycles": None}, {"modulation": True}),
    ({"modulation_cycles": None}, {"modulation": None, "abs_flag": True}),  # the vehicle's own word
    ({"lockup_speed_mps": 3.0}, {}),  # this wheel only below the cut-off
    ({"sensed": False}, {}),  # a silent sensor tells of itself only
]


@of_the_fleet
def _answered(fleet: Fleet) -> None:
    for number, (wheel, values) in enumerate(ANSWERED):
        fleet.vehicle(f"answered {number}")
        stops(fleet, f"answered {number}", 12, 12, wheel, **values)
        stops(fleet, f"answered {number}", 0, 12)


@pytest.mark.parametrize("number", range(len(ANSWERED)))
def test_lockups_with_control_at_work_or_below_the_cutoff_are_not_held_against(
    con: duckdb.DuckDBPyConnection, number: int
) -> None:
    """Given lockups that control answered, or that need none, expect no sign and no word of them."""
    wheel, _ = ANSWERED[number]
    row = health(con, f"answered {number}")
    assert row["leading_indicator"] == (None if wheel.get("sensed", True) else "wheel_speed_dropout")
    assert "ocked" not in row["reason"]


@of_the_fleet
def _repaired(fleet: Fleet) -> None:
    for name, wheel in (("mended", "2R"), ("elsewhere", "1L")):
        fleet.vehicle(name)
        stops(fleet, name, 1, 20, demand_kind="pressure", effectiveness=0.01)
        fleet.add("repairs", vehicle_id=name, repaired_on=DAY + timedelta(days=1), wheel=wheel, work="sensor")


def test_a_repair_ends_the_telling(con: duckdb.DuckDBPyConnection) -> None:
    """Given the sensor of that axle repaired after the last lockup, expect the old ones told no more."""
    mended = health(con, "mended")
    assert mended["priority"] == "no_sign" and "ocked" not in mended["reason"]
    assert health(con, "elsewhere")["priority"] == "watch"


@of_the_fleet
def _flagged_by_the_vehicle(fleet: Fleet) -> None:
    for name, modulation, flag in (
        ("flagged", None, True), ("quiet", None, False), ("unknown", None, None), ("seen", False, True),
    ):  # fmt: skip
        fleet.vehicle(name, depot=name)
        for i in range(20):
            fleet.event(
                name, DAY + timedelta(days=i), modulation=modulation, abs_flag=flag, friction_used=0.2,
                surface="unknown",
            )  # fmt: skip


def test_the_vehicles_own_flag_answers_where_cycles_could_not_be_seen(con: duckdb.DuckDBPyConnection) -> None:
    """Given light braking at a rate that hides cycles, expect the anti-lock flag to count; a seen answer beats it."""
    shares = dict(
        con.execute(
            "select vehicle_id, value from indicators where indicator = 'modulation_on_light_braking' "
            "and vehicle_id in ('flagged', 'quiet', 'unknown', 'seen')"
        ).fetchall()
    )
    assert shares == {"flagged": 1.0, "quiet": 0.0, "seen": 0.0}
    assert health(con, "flagged")["leading_indicator"] == "modulation_on_light_braking"
    assert health(con, "unknown")["priority"] == "too_little_evidence"

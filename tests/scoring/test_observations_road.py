"""What an event shows of control and sensors, and what is the road's: lockups, light braking, lost signals."""

from datetime import timedelta
from typing import Any

import pytest
from observed import observed, rows
from scoring_fleet import DAY, Fleet

LOCK = {"emergency_application": True, "lockup": True, "lockup_above_cutoff": True, "cutoff_speed_mps": 4.17}


def locks(**onsets: float | None) -> dict[str, dict[str, Any]]:
    """Wheels locked at 12 m/s from so many seconds on; None: did not lock."""
    return {
        wheel.upper()[1:]: {"lockup": at is not None, "lockup_onset_s": at, "lockup_onset_speed_mps": 12.0}
        for wheel, at in onsets.items()
    }


def order(wheels: dict[str, dict[str, Any]], **values: Any) -> list[bool]:
    """Hits of a vehicle without anti-lock control."""
    fleet = Fleet()
    fleet.vehicle("old", abs_fitted=False)
    fleet.event("old", DAY, wheels, **LOCK | values)
    con = observed(fleet)
    assert rows(con, "select count(*) from obs_lockup") == [(0,)]
    return [hit for (hit,) in rows(con, "select hit from obs_axle_order")]


@pytest.mark.parametrize(
    ("wheels", "hit"),
    [
        (locks(w1l=3.0, w1r=3.1, w2l=3.5, w2r=3.6), [False]),  # front first, as it must be
        (locks(w1l=3.0, w1r=3.5, w2l=3.1, w2r=3.2), [True]),  # an axle locks when its second wheel does
        (locks(w1l=3.0, w1r=3.2, w2l=3.0, w2r=3.12), [False]),  # within 0.1 s they lock at once
        (locks(w1l=None, w1r=None, w2l=3.0, w2r=3.1), [True]),
        (locks(w1l=None, w1r=3.0, w2l=3.0, w2r=3.1), [True]),  # one front wheel is no axle
        (locks(w1l=3.0, w1r=3.1, w2l=None, w2r=None), [False]),
        (locks(w1l=3.0, w1r=None, w2l=None, w2r=3.0), []),  # no axle locked
        (locks(w2l=3.0, w2r=3.1), []),  # the front axle was not seen
    ],
)
def test_without_control_the_front_axle_locks_first(wheels: dict[str, dict[str, Any]], hit: list[bool]) -> None:
    """FMVSS 135 S7.2 (verified): no later than the rear; simultaneous within 0.1 s; only above 15 km/h."""
    assert order(wheels) == hit


@pytest.mark.parametrize(
    ("wheel", "values"),
    [
        ({"lockup": None}, {}),  # not decided
        ({"lockup_onset_speed_mps": 4.0}, {}),  # under 15 km/h
        ({}, {"surface": "loose"}),
        ({}, {"surface": "split"}),
    ],
)
def test_axle_order_needs_both_axles_decided_above_15_kmh_on_a_road(
    wheel: dict[str, Any], values: dict[str, Any]
) -> None:
    wheels = locks(w1l=None, w1r=None, w2l=3.0, w2r=3.1)
    wheels["2L"] |= wheel
    assert order(wheels, **values) == []


def test_axle_order_is_held_against_the_category() -> None:
    fleet = Fleet()
    for name in ("a", "b", "c", "d"):
        fleet.vehicle(name, abs_fitted=False)
        for i in range(10):
            fleet.event(name, DAY + timedelta(days=i), locks(w1l=None, w1r=None, w2l=3.0, w2r=3.1), **LOCK)
    # three others, all hits: (30 + 4 * 0.1) / (30 + 4)
    assert rows(observed(fleet), "select distinct round(expected, 6) from obs_axle_order") == [(round(30.4 / 34, 6),)]


def test_a_lockup_where_others_brake_on_loose_ground_is_no_defect() -> None:
    """Given an unknown surface where two others found it loose, expect no observation there, and one elsewhere."""
    here, there = {"latitude_deg": 48.0, "longitude_deg": 9.0}, {"latitude_deg": 48.1, "longitude_deg": 9.0}
    fleet = Fleet()
    for name in ("a", "b", "c"):
        fleet.vehicle(name)
    for name in ("a", "b"):
        fleet.event(name, surface="loose", **here)
    wheel = {"1L": {"lockup": True, "lockup_speed_mps": 12.0, "modulation_cycles": 0}}
    fleet.event("c", DAY, wheel, surface="unknown", **LOCK, **here)
    seen = fleet.event("c", DAY, wheel, surface="unknown", **LOCK, **there)
    assert rows(observed(fleet), "select event_id, hit from obs_lockup") == [(seen, True)]


def light(fleet: Fleet, vehicle: str, hit: bool, **values: Any) -> str:
    fleet.vehicle(vehicle, depot=vehicle) if not any(
        v["vehicle_id"] == vehicle for v in fleet.rows["vehicles"]
    ) else None
    return fleet.event(vehicle, DAY, modulation=hit, friction_used=0.2, surface="unknown", **values)


@pytest.mark.parametrize(("modulating", "kept"), [(2, 5), (3, 0)])
def test_a_place_where_three_vehicles_modulate_is_the_road(modulating: int, kept: int) -> None:
    """Within 30 m of each other, five vehicles of five depots; a place is a square of about 100 m."""
    fleet = Fleet()
    for number in range(5):
        light(fleet, f"v{number}", number < modulating, latitude_deg=48.0 + number * 5e-5, longitude_deg=9.0)
    con = observed(fleet)
    assert rows(con, "select count(*) from obs_light_modulation") == [(kept,)]


def test_few_of_many_at_the_gate_are_not_the_road() -> None:
    fleet = Fleet()
    for number in range(20):
        light(fleet, f"v{number:02}", number < 3, latitude_deg=48.0, longitude_deg=9.0)
    con = observed(fleet)
    assert rows(con, "select count(*) from obs_light_modulation") == [(20,)]
    # two of nineteen others: (2 + 4 * 0.02) / (19 + 4)
    expected = rows(con, "select expected from obs_light_modulation where vehicle_id = 'v00'")
    assert expected == [(pytest.approx(2.08 / 23),)]


def test_places_do_not_touch_each_other() -> None:
    """Vehicles a kilometre apart, and one without a position, say nothing of each other."""
    fleet = Fleet()
    for number in range(4):
        light(fleet, f"v{number}", True, latitude_deg=48.0 + 0.01 * number, longitude_deg=9.0)
    light(fleet, "nowhere", True)
    assert rows(observed(fleet), "select count(*), max(expected) from obs_light_modulation") == [(5, 0.02)]


@pytest.mark.parametrize(
    ("wheel", "other", "hits"),
    [
        ({"dropout_between_s": 0.5, "watched_between_s": 6.0}, {}, [("between", True)]),
        ({"dropout_between_s": 0.05, "watched_between_s": 6.0}, {}, [("between", False)]),
        # a lost row or two in minutes is the logger's
        ({"dropout_between_s": 0.5, "watched_between_s": 600.0}, {}, [("between", False)]),
        ({"dropout_between_s": 0.5, "watched_between_s": 0.8}, {}, []),
        ({"dropout_s": 0.5}, {}, [("braking", True)]),
        ({"sensed": False}, {}, [("braking", True)]),  # it spoke in other events
        ({"sensed": False}, {"sensed": False}, []),  # both wheels: a raised axle
    ],
)
def test_dropouts_while_braking_and_between(
    wheel: dict[str, Any], other: dict[str, Any], hits: list[tuple[str, bool]]
) -> None:
    fleet = Fleet()
    fleet.vehicle("van")
    fleet.event("van", DAY, {"1L": {"dropout_s": 0.0}, "1R": {"dropout_s": 0.0}})
    event = fleet.event("van", DAY, {"1L": wheel, "1R": other})
    sql = "select measure, hit from obs_dropout where wheel = '1L' and event_id = ? order by 1"
    assert rows(observed(fleet), sql, event) == hits


def test_a_wheel_without_a_sensor_never_drops_out() -> None:
    fleet = Fleet()
    fleet.vehicle("van")
    for _ in range(3):
        fleet.event("van", DAY, {"2L": {"sensed": False}, "2R": {"dropout_s": 0.0}})
    assert rows(observed(fleet), "select distinct wheel from obs_dropout") == [("2R",)]

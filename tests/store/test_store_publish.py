"""What is decided when publishing: given lake rows and registers, expect published rows (by hand)."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from store_rows import at, column, event, ingest, publish, register, rows, wheel

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.store.lake_schema import LAKE_EVENT_WHEELS


def one(store: Path, name: str, vehicle: dict[str, Any] | None = None, **values: Any) -> Any:
    """The published column ``name`` of a single event with these lake values, its vehicle registered or not."""
    if vehicle is not None:
        register(store, vehicles=[{"vehicle_id": "van-1", **vehicle}])
    ingest(store, "a.parquet", [event("e", **values)])
    publish(store)
    return column(store, name)[0]


#: Cases of each test by its name: what the register says of the vehicle, and the lake values of its event.
CASES: dict[str, list[tuple[dict[str, Any], dict[str, Any]]]] = {}


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All cases published at once, each an event of a vehicle of its own, with a wheel 1L of the values of wheels."""
    store, known, events, wheels = tmp_path_factory.mktemp("cases"), [], [], []
    for test, of_test in CASES.items():
        for number, (vehicle, values) in enumerate(of_test):
            name = f"{test}-{number:02d}"
            known.append({"vehicle_id": name, **vehicle})
            events.append(event(name, vehicle_id=name, **values))
            counted = {key: value for key, value in values.items() if key in LAKE_EVENT_WHEELS}
            wheels.append(wheel(name, "1L", vehicle_id=name, **counted))
    columns = sorted({column for row in known for column in row})
    register(store, vehicles=[dict.fromkeys(columns) | row for row in known])
    ingest(store, "a.parquet", events, wheels)
    publish(store)
    return store


def told(store: Path, test: str, name: str, table: str = "events") -> list[Any]:
    """A published column of the cases of a test, in their order."""
    sql = f"SELECT {name} FROM {table} WHERE starts_with(event_id, ?) ORDER BY event_id"
    return [row[0] for row in rows(store, sql, f"{test}-")]


def hold(cases: Sequence[tuple[Any, ...]], found: Sequence[Any]) -> None:
    """Each case's last value is what was found for it; all that differ are told."""
    assert len(found) == len(cases)
    wrong = [(case, got) for case, got in zip(cases, found, strict=True) if got is not case[-1] and got != case[-1]]
    assert not wrong


# --- hard stop: 4.0 m/s2 for M1 and N1, 3.0 for the others (the project's published edges)


#: category, peak, expected
HARD_STOPS = [
    ("M1", 4.0, True),
    ("N1", 3.999, False),
    ("N1", 4.001, True),
    ("M3", 3.0, True),
    ("N3", 2.999, False),
    ("O4", 3.5, True),
    (None, 4.0, True),
    (None, 3.5, None),
    (None, 3.0, None),
    (None, 2.999, False),
    ("no such category", 3.5, None),
    ("M1", None, None),
    ("M1", math.nan, None),
    ("M1", math.inf, None),
]


CASES["hard"] = [({"category": category}, {"peak_decel_mps2": peak}) for category, peak, _ in HARD_STOPS]


def test_hard_stop(cases: Path) -> None:
    hold(HARD_STOPS, told(cases, "hard", "hard_stop"))


#: category, at_least, expected
LOWER_BOUNDS = [
    ("M1", 4.0, True),
    ("M1", 3.9, None),
    ("N3", 3.0, True),
    ("N3", 1.0, None),
    (None, 3.9, None),
    (None, 4.1, True),
]


CASES["bound"] = [({"category": of}, {"peak_decel_at_least_mps2": at_least}) for of, at_least, _ in LOWER_BOUNDS]
CASES["both"] = [({"category": "M1"}, {"peak_decel_mps2": 2.0, "peak_decel_at_least_mps2": 5.0})]
_NONE = {"peak_decel_mps2": 9.0, "demand_kind": "pedal", "demand_peak": 100.0, "friction_used_up": True}
CASES["none"] = [({"category": "M1"}, {"not_braking": "standstill", **_NONE})]


def test_a_lower_bound_makes_a_hard_stop_but_never_rules_one_out(cases: Path) -> None:
    hold(LOWER_BOUNDS, told(cases, "bound", "hard_stop"))


def test_a_recorded_peak_goes_before_the_lower_bound(cases: Path) -> None:
    assert told(cases, "both", "hard_stop") == [False]


def test_what_is_no_brake_application_has_no_class(cases: Path) -> None:
    of = "SELECT hard_stop, emergency_application, incident, not_braking FROM events WHERE event_id = 'none-00'"
    assert rows(cases, of) == [(None, None, None, "standstill")]


# --- lockup above the cut-off: 15 km/h (FMVSS 135, verified) unless the register has another


#: cutoff, lockup, speed, expected
LOCKUPS = [
    (None, True, 15.0 / 3.6 + 1e-6, True),
    (None, True, 15.0 / 3.6, False),
    (None, True, 2.0, False),
    (1.9, True, 2.0, True),
    (8.94, True, 6.0, False),
    (None, False, None, False),
    (None, None, None, None),
    (None, None, 9.0, None),
    (None, True, None, None),
]


CASES["lockup"] = [
    ({"abs_cutoff_speed_mps": cutoff}, {"lockup": lockup, "lockup_speed_mps": speed})
    for cutoff, lockup, speed, _ in LOCKUPS
]


def test_lockup_above_cutoff(cases: Path) -> None:
    hold(LOCKUPS, told(cases, "lockup", "lockup_above_cutoff"))
    used = [DEFAULT.cutoff_speed_mps if cutoff is None else cutoff for cutoff, *_ in LOCKUPS]
    assert told(cases, "lockup", "cutoff_speed_mps") == used


# --- modulation_hz: at least 2.5 samples a cycle, and a rate that faster control cannot hide behind


#: actuation, rate, seen, expected
FREQUENCIES = [
    ("hydraulic", 100.0, 9.0, 9.0),
    ("hydraulic", 30.0, 12.0, 12.0),
    ("hydraulic", 30.0, 12.1, None),
    ("hydraulic", 29.9, 5.0, None),
    ("electromechanical", 29.9, 5.0, None),
    (None, 29.9, 5.0, None),
    (None, 30.0, 5.0, 5.0),
    ("air", 12.0, 4.0, 4.0),
    ("air", 11.9, 4.0, None),
    ("air", 12.0, 4.9, None),
    ("air_over_hydraulic", 12.0, 4.0, 4.0),
    ("hydraulic", None, 5.0, None),
    ("hydraulic", 100.0, None, None),
    ("hydraulic", 100.0, math.nan, None),
]


COUNTED = {"modulation": True, "modulation_cycles": 6}
CASES["frequency"] = [
    ({"actuation": by}, {"wheel_rate_hz": rate, "modulation_seen_hz": seen} | COUNTED)
    for by, rate, seen, _ in FREQUENCIES
]


def test_modulation_frequency_of_event_and_wheel(cases: Path) -> None:
    for table in ("events", "event_wheels"):
        hold(FREQUENCIES, told(cases, "frequency", "modulation_hz", table))
        assert set(told(cases, "frequency", "modulation_cycles", table)) == {6}
    assert set(told(cases, "frequency", "modulation")) == {True}


#: rate, expected
CHANNEL_RATES = [(100.0, 8.0), (25.0, None), (19.0, None)]


CASES["channel"] = [
    (
        {"actuation": "hydraulic"},
        {"modulation_seen_hz": 8.0, "wheel_rate_hz": 50.0, "modulation_rate_hz": rate} | COUNTED,
    )
    for rate, _ in CHANNEL_RATES
]


def test_modulation_frequency_goes_by_the_channel_it_was_counted_in(cases: Path) -> None:
    """Wheel pressures at another rate than the wheels: the pressures' rate decides, be it quicker or slower."""
    for table in ("events", "event_wheels"):
        hold(CHANNEL_RATES, told(cases, "channel", "modulation_hz", table))


# --- emergency application


#: actuation, kind, peak, used_up, expected
EMERGENCIES = [
    (None, "pedal", 90.0, False, True),
    (None, "pedal", 90.0, None, True),
    (None, "pedal", 89.9, False, False),
    (None, "pedal", 20.0, True, True),
    (None, "pedal", 20.0, None, None),
    (None, "switch", 1.0, None, None),
    (None, "switch", 1.0, True, True),
    (None, "switch", 1.0, False, None),
    (None, None, None, True, True),
    (None, None, None, None, None),
    ("hydraulic", "pressure", 8000.0, False, True),
    ("hydraulic", "pressure", 7999.0, False, False),
    ("air", "pressure", 586.0, False, True),
    ("air", "pressure", 585.0, False, False),
    (None, "pressure", 8000.0, False, True),
    (None, "pressure", 2000.0, False, None),
    (None, "pressure", 500.0, False, False),
    ("air_over_hydraulic", "pressure", 2000.0, False, None),
    ("air", "pressure", None, False, None),
    ("air", "pressure", math.nan, False, None),
    ("air", "pressure", math.nan, True, True),
]


CASES["emergency"] = [
    (
        {"actuation": by},
        {"demand_kind": kind, "demand_peak": peak, "friction_used_up": used_up, "peak_decel_mps2": 0.5},
    )
    for by, kind, peak, used_up, _ in EMERGENCIES
]


def test_emergency_application(cases: Path) -> None:
    hold(EMERGENCIES, told(cases, "emergency", "emergency_application"))


# --- registers


def test_vehicle_and_driver_of_no_register_are_kept_and_listed(tmp_path: Path) -> None:
    register(tmp_path, vehicles=[{"vehicle_id": "van-1", "category": "N1", "depot": "north"}])
    register(tmp_path, drivers=[{"driver_id": "known"}])
    ingest(
        tmp_path,
        "a",
        [
            event("e1", driver_id="known"),
            event("e2", driver_id="new", started_at=at(100)),
            event("e3", vehicle_id="bus-9", driver_id="new", started_at=at(300)),
        ],
    )
    publish(tmp_path)
    assert column(tmp_path, "category") == ["N1", "N1", None]
    assert column(tmp_path, "depot") == ["north", "north", None]
    assert rows(tmp_path, "SELECT kind, id, events, first_at, last_at FROM unknown_ids") == [
        ("vehicle", "bus-9", 1, at(300), at(300)),
        ("driver", "new", 2, at(100), at(300)),
    ]


def test_the_driver_comes_from_the_trip_only_where_the_recording_has_none(tmp_path: Path) -> None:
    trips = [
        {"trip_id": "t1", "vehicle_id": "van-1", "driver_id": "d1", "started_at": at(0), "ended_at": at(100)},
        {"trip_id": "t2", "vehicle_id": "van-1", "driver_id": "d2", "started_at": at(200), "ended_at": at(300)},
        {"trip_id": "t3", "vehicle_id": "bus-9", "driver_id": "d3", "started_at": at(0), "ended_at": at(900)},
        {"trip_id": "t4", "vehicle_id": "van-1", "driver_id": "d4", "started_at": at(500), "ended_at": at(400)},
    ]
    register(tmp_path, trips=trips)
    times = {"a": -1, "b": 0, "c": 100, "d": 150, "e": 250, "f": 301, "g": 450}
    given = [event(name, started_at=at(seconds)) for name, seconds in times.items()]
    ingest(tmp_path, "p", [*given, event("own", started_at=at(60), driver_id="someone")])
    publish(tmp_path)
    assert rows(tmp_path, "SELECT event_id, driver_id, trip_id FROM events ORDER BY event_id") == [
        ("a", None, None),
        ("b", "d1", "t1"),
        ("c", "d1", "t1"),
        ("d", None, None),
        ("e", "d2", "t2"),
        ("f", None, None),
        ("g", None, None),
        ("own", "someone", "t1"),
    ]


def test_a_trip_that_ends_before_it_begins_hides_no_other(tmp_path: Path) -> None:
    good = {"trip_id": "t1", "vehicle_id": "van-1", "driver_id": "d1", "started_at": at(-100), "ended_at": at(100)}
    register(
        tmp_path, trips=[good, {**good, "trip_id": "t2", "driver_id": "d2", "started_at": at(-9), "ended_at": at(-99)}]
    )
    assert one(tmp_path, "driver_id") == "d1"


def test_a_changed_register_changes_what_was_read_before(tmp_path: Path) -> None:
    assert one(tmp_path, "hard_stop", {"category": "N1"}, peak_decel_mps2=3.5) is False
    register(tmp_path, vehicles=[{"vehicle_id": "van-1", "category": "N3"}])
    publish(tmp_path)
    assert column(tmp_path, "hard_stop") == [True]
    assert rows(tmp_path, "SELECT category FROM vehicles") == [("N3",)]

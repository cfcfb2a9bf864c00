"""Wheels that the register says are not sensed or were raised, wheels it does not know, and locks left open."""

from pathlib import Path

import pytest
from store_rows import column, event, ingest, publish, register, rows, wheel

VAN = {"vehicle_id": "van-1", "axles": 2, "sensed_wheels": None, "lift_axles": None}
LOCKED = {"sensed": True, "lockup": True, "lockup_s": 0.8, "lockup_longest_s": 0.8, "lockup_speed_mps": 9.0,
          "slide_m": 7.0, "peak_slip": 1.0, "dropout_s": 0.0}  # fmt: skip
ROLLED = {"sensed": True, "lockup": False, "lockup_s": 0.0, "lockup_longest_s": 0.0, "peak_slip": 0.05}
SAID = {"lockup": True, "lockup_s": 0.8, "lockup_speed_mps": 9.0, "wheels_locked": "3L", "wheels_observed": 3}


def wheels(third):
    return [wheel("e", "1L", **ROLLED), wheel("e", "1R", **ROLLED), wheel("e", "3L", **third)]


@pytest.mark.parametrize(
    ("unit", "up", "silent"),
    [
        ({"sensed_wheels": "1L+1R"}, None, True),
        ({"sensed_wheels": "1L+1R+3L"}, None, False),
        ({}, None, False),
        ({"lift_axles": "3"}, True, True),
        ({"lift_axles": "3"}, False, False),
        ({"lift_axles": "3"}, None, False),
        ({"lift_axles": "2"}, True, False),
    ],
)
def test_a_wheel_that_says_nothing_locks_nothing(tmp_path: Path, unit, up, silent) -> None:
    register(tmp_path, vehicles=[VAN | {"axles": 3} | unit])
    ingest(tmp_path, "a", [event("e", lift_axle_up=up, **SAID)], wheels(LOCKED))
    publish(tmp_path)
    third = rows(tmp_path, "SELECT sensed, lockup, lockup_s, slide_m, peak_slip FROM event_wheels WHERE wheel = '3L'")
    assert third == [(False, None, None, None, None) if silent else (True, True, 0.8, 7.0, 1.0)]
    found = rows(tmp_path, "SELECT lockup, lockup_s, lockup_above_cutoff, wheels_locked, wheels_observed FROM events")
    assert found == [(False, 0.0, False, None, 2) if silent else (True, 0.8, True, "3L", 3)]


def test_a_lock_of_another_wheel_still_counts(tmp_path: Path) -> None:
    register(tmp_path, vehicles=[VAN | {"axles": 3, "sensed_wheels": "1L+3L"}])
    ingest(
        tmp_path,
        "a",
        [event("e", **SAID)],
        [wheel("e", "1R", **LOCKED), wheel("e", "3L", **(LOCKED | {"lockup_longest_s": 0.3}))],
    )
    publish(tmp_path)
    assert rows(tmp_path, "SELECT lockup, lockup_s, wheels_locked FROM events") == [(True, 0.3, "3L")]


@pytest.mark.parametrize(
    ("unit", "note"),
    [
        ({"axles": 2}, "wheels of axle 3 were recorded, the register knows 2 axles"),
        ({"axles": 3}, "only 3 of 6 wheels were recorded"),
        ({"axles": 3, "sensed_wheels": "1L+1R+3L"}, None),
        ({"axles": None}, None),
    ],
)
def test_wheels_that_differ_from_the_register_are_noted(tmp_path: Path, unit, note) -> None:
    register(tmp_path, vehicles=[VAN | unit])
    ingest(
        tmp_path,
        "a",
        [event("e"), event("f", notes="mended")],
        wheels(ROLLED) + [w | {"event_id": "f"} for w in wheels(ROLLED)],
    )
    publish(tmp_path)
    assert column(tmp_path, "notes") == [note, f"mended; {note}" if note else "mended"]


@pytest.mark.parametrize(
    ("row", "above"),
    [
        ({"lockup": None, "lockup_open_mps": 3.0}, False),
        ({"lockup": None, "lockup_open_mps": 9.0}, None),
        ({"lockup": None, "lockup_open_mps": None}, None),
        ({"lockup": True, "lockup_speed_mps": 9.0, "lockup_open_mps": 12.0}, True),
        ({"lockup": True, "lockup_speed_mps": 2.0, "lockup_open_mps": 12.0}, None),
        ({"lockup": True, "lockup_speed_mps": 2.0, "lockup_open_mps": None}, False),
        ({"lockup": False, "lockup_open_mps": None}, False),
    ],
)
def test_what_stays_open_below_the_cutoff_speed_is_no_matter(tmp_path: Path, row, above) -> None:
    """15 km/h where the register names no other."""
    ingest(tmp_path, "a", [event("e", **row)])
    publish(tmp_path)
    assert column(tmp_path, "lockup_above_cutoff") == [above]

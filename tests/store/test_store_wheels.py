"""Wheels that the register says are not sensed or were raised, wheels it does not know, and locks left open."""

from pathlib import Path

from store_rows import column, event, ingest, publish, register, rows, wheel

VAN = {"vehicle_id": "van-1", "axles": 2, "sensed_wheels": None, "lift_axles": None}
LOCKED = {"sensed": True, "lockup": True, "lockup_s": 0.8, "lockup_longest_s": 0.8, "lockup_speed_mps": 9.0,
          "slide_m": 7.0, "peak_slip": 1.0, "dropout_s": 0.0}  # fmt: skip
ROLLED = {"sensed": True, "lockup": False, "lockup_s": 0.0, "lockup_longest_s": 0.0, "peak_slip": 0.05}
SAID = {"lockup": True, "lockup_s": 0.8, "lockup_speed_mps": 9.0, "wheels_locked": "3L", "wheels_observed": 3}


def wheels(third, event_id="e", vehicle_id="van-1"):
    found = {"1L": ROLLED, "1R": ROLLED, "3L": third}
    return [wheel(event_id, name, vehicle_id=vehicle_id, **values) for name, values in found.items()]


#: what the register says of the vehicle, whether its lift axle is up, whether wheel 3L then says nothing
SILENT = [
    ({"sensed_wheels": "1L+1R"}, None, True),
    ({"sensed_wheels": "1L+1R+3L"}, None, False),
    ({}, None, False),
    ({"lift_axles": "3"}, True, True),
    ({"lift_axles": "3"}, False, False),
    ({"lift_axles": "3"}, None, False),
    ({"lift_axles": "2"}, True, False),
]


def test_a_wheel_that_says_nothing_locks_nothing(tmp_path: Path) -> None:
    numbered = [(f"e{number}", f"v{number}", *case) for number, case in enumerate(SILENT)]
    register(tmp_path, vehicles=[VAN | {"axles": 3, "vehicle_id": van} | unit for _, van, unit, *_ in numbered])
    ingest(
        tmp_path,
        "a",
        [event(name, vehicle_id=van, lift_axle_up=up, **SAID) for name, van, _, up, _ in numbered],
        [row for name, van, *_ in numbered for row in wheels(LOCKED, name, van)],
    )
    publish(tmp_path)
    third = rows(
        tmp_path,
        "SELECT sensed, lockup, lockup_s, slide_m, peak_slip FROM event_wheels WHERE wheel = '3L' ORDER BY event_id",
    )
    locked = (True, True, 0.8, 7.0, 1.0)
    assert third == [(False, None, None, None, None) if silent else locked for *_, silent in SILENT]
    found = rows(
        tmp_path,
        "SELECT lockup, lockup_s, lockup_above_cutoff, wheels_locked, wheels_observed FROM events ORDER BY event_id",
    )
    assert found == [(False, 0.0, False, None, 2) if silent else (True, 0.8, True, "3L", 3) for *_, silent in SILENT]


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


#: what the register says of the vehicle, and what is noted of its wheels
NOTED = [
    ({"axles": 2}, "wheels of axle 3 were recorded, the register knows 2 axles"),
    ({"axles": 3}, "only 3 of 6 wheels were recorded"),
    ({"axles": 3, "sensed_wheels": "1L+1R+3L"}, None),
    ({"axles": None}, None),
]


def test_wheels_that_differ_from_the_register_are_noted(tmp_path: Path) -> None:
    register(tmp_path, vehicles=[VAN | {"vehicle_id": f"v{n}"} | unit for n, (unit, _) in enumerate(NOTED)])
    events = [(f"{n}{which}", f"v{n}") for n in range(len(NOTED)) for which in "ef"]
    ingest(
        tmp_path,
        "a",
        [event(name, vehicle_id=van, notes="mended" if name.endswith("f") else None) for name, van in events],
        [row for name, van in events for row in wheels(ROLLED, name, van)],
    )
    publish(tmp_path)
    expected = [text for _, note in NOTED for text in (note, f"mended; {note}" if note else "mended")]
    assert column(tmp_path, "notes") == expected


#: of a lake row, and whether the lock was above the cut-off speed
OPEN = [
    ({"lockup": None, "lockup_open_mps": 3.0}, False),
    ({"lockup": None, "lockup_open_mps": 9.0}, None),
    ({"lockup": None, "lockup_open_mps": None}, None),
    ({"lockup": True, "lockup_speed_mps": 9.0, "lockup_open_mps": 12.0}, True),
    ({"lockup": True, "lockup_speed_mps": 2.0, "lockup_open_mps": 12.0}, None),
    ({"lockup": True, "lockup_speed_mps": 2.0, "lockup_open_mps": None}, False),
    ({"lockup": False, "lockup_open_mps": None}, False),
]


def test_what_stays_open_below_the_cutoff_speed_is_no_matter(tmp_path: Path) -> None:
    """15 km/h where the register names no other."""
    ingest(tmp_path, "a", [event(f"e{n}", vehicle_id=f"v{n}", **row) for n, (row, _) in enumerate(OPEN)])
    publish(tmp_path)
    assert column(tmp_path, "lockup_above_cutoff") == [above for _, above in OPEN]

"""``lockup_allowed`` and ``lockup_rule``: lake rows and a register in, what the rules for new vehicles say out.

By hand; limits: FMVSS 135, 105 S6.10 and 121 S5.3.1 (verified).
"""

from pathlib import Path
from typing import Any

import pytest
from store_rows import event, ingest, publish, register, rows, wheel

#: Times above 15 km/h, 10 mph and 20 mph of each wheel; None: not decided.
Wheels = dict[str, tuple[float, float, float] | None]
#: Vehicle (None: in no register), wheels, wheel rate in Hz.
Case = tuple[dict[str, Any] | None, Wheels, float | None]
Word = tuple[str | None, bool | None, dict[str, bool | None]]

ABOVE = ("locked_above_15_kmh_s", "locked_above_10_mph_s", "locked_above_20_mph_s")
CAR = {"category": "M1", "actuation": "hydraulic", "axles": 2, "max_mass_kg": 2100.0}
VAN_4T = {"category": "N2", "actuation": "hydraulic", "axles": 2, "max_mass_kg": 4200.0}
TRUCK_7T = {"category": "N2", "actuation": "hydraulic", "axles": 2, "max_mass_kg": 7500.0}
TRUCK = {"category": "N3", "actuation": "air", "axles": 2, "max_mass_kg": 18000.0}
TRUCK_3 = {**TRUCK, "axles": 3, "max_mass_kg": 26000.0}
NEVER = (0.0, 0.0, 0.0)
LONG = (2.0, 2.0, 1.5)


def four(**locked: tuple[float, float, float] | None) -> Wheels:
    """Four wheels, those named (w1L ...) with these times, the others never locked."""
    return {name: locked.get("w" + name, NEVER) for name in ("1L", "1R", "2L", "2R")}


def said(store: Path, cases: dict[str, Case]) -> dict[str, Word]:
    """Of each case the rule, the word on the event and on each of its locked wheels; one publish for all."""
    events, wheels, vehicles = [], [], []
    for name, (vehicle, times, rate_hz) in cases.items():
        if vehicle is not None:
            vehicles.append({"vehicle_id": name, **vehicle})
        for of, above in times.items():
            locked = None if above is None else above != NEVER
            known = dict(zip(ABOVE, above or (None,) * 3, strict=True))
            wheels.append(wheel(name, of, lockup=locked, **known))
        events.append(event(name, vehicle_id=name, lockup=True, wheel_rate_hz=rate_hz))
    columns = ("category", "actuation", "axles", "max_mass_kg")
    register(store, vehicles=[dict.fromkeys(columns) | v for v in vehicles])
    ingest(store, "a", events, wheels)
    publish(store)
    words: dict[str, Word] = {
        n: (r, a, {}) for n, r, a in rows(store, "SELECT event_id, lockup_rule, lockup_allowed FROM events")
    }
    for name, of, allowed in rows(store, "SELECT event_id, wheel, lockup_allowed FROM event_wheels WHERE lockup"):
        words[name][2][of] = allowed
    return words


#: Cases of each test by their names, all published at once: no vehicle knows of another here.
CASES: dict[str, dict[str, Case]] = {}


@pytest.fixture(scope="module")
def words(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Word]]:
    """What is said of the cases of each test."""
    cases = {f"{test}/{name}": case for test, of_test in CASES.items() for name, case in of_test.items()}
    found = said(tmp_path_factory.mktemp("rules"), cases)
    return {test: {name: found[f"{test}/{name}"] for name in of_test} for test, of_test in CASES.items()}


A_TENTH = {
    (0.20, 50.0): False,
    (0.13, 50.0): False,
    (0.11, 50.0): None,
    (0.08, 50.0): True,
    (0.11, 200.0): False,
    (0.20, 10.0): None,
    (0.21, 10.0): False,
    (0.30, None): None,
}
CASES["tenth"] = {str(k): (CAR, four(w2R=(k[0],) * 3), k[1]) for k in A_TENTH}


def test_a_car_may_lock_for_a_tenth_above_15_kmh(words: dict[str, dict[str, Word]]) -> None:
    """Times within a period of the 0.1 s are not told apart from it."""
    assert words["tenth"] == {str(k): ("FMVSS 135", word, {"2R": word}) for k, word in A_TENTH.items()}


def test_below_the_speed_any_lockup_is_allowed(tmp_path: Path) -> None:
    """The wheel locked, only never above the speed of its rule."""
    low = dict.fromkeys(ABOVE, 0.0)
    register(
        tmp_path, vehicles=[{"vehicle_id": name, **unit} for name, unit in (("c", CAR), ("v", VAN_4T), ("t", TRUCK))]
    )
    ingest(
        tmp_path,
        "a",
        [event(name, vehicle_id=name, lockup=True) for name in "cvt"],
        [wheel(name, of, lockup=True, **low) for name in "cvt" for of in ("1L", "1R")],
    )
    publish(tmp_path)
    assert rows(tmp_path, "SELECT DISTINCT lockup_allowed FROM event_wheels") == [(True,)]
    assert rows(tmp_path, "SELECT DISTINCT lockup_allowed FROM events") == [(True,)]


CASES["light"] = {
    "one": (VAN_4T, four(w1L=LONG), 50.0),
    "two": (VAN_4T, four(w1L=LONG, w2L=LONG), 50.0),
    "undecided": (VAN_4T, four(w1L=LONG, w2L=None), 50.0),
    "unsensed": (VAN_4T, {"1L": LONG, "1R": NEVER}, 50.0),
}


def test_up_to_10_000_lb_one_wheel_may_lock_above_10_mph(words: dict[str, dict[str, Word]]) -> None:
    """A second one may be the control's doing, and one that is not known may be a second."""
    found = words["light"]
    rule = "FMVSS 105 S6.10.1"
    assert found["one"] == (rule, True, {"1L": True})
    assert found["two"] == (rule, None, {"1L": None, "2L": None})
    assert found["undecided"] == (rule, None, {"1L": None})
    assert found["unsensed"] == (rule, None, {"1L": None})


HEAVY = {"air": (TRUCK, "FMVSS 121 S5.3.1"), "hydraulic": (TRUCK_7T, "FMVSS 105 S6.10.2")}
SHORT, EDGE = (1.5, 1.4, 0.9), (1.5, 1.4, 1.0)
for kind, (vehicle, _) in HEAVY.items():
    CASES[kind] = {
        "short": (vehicle, four(w2L=SHORT, w2R=SHORT), 50.0),
        "long": (vehicle, four(w2L=LONG, w2R=LONG), 50.0),
        "one of the axle": (vehicle, four(w2L=LONG), 50.0),
        "one of each axle": (vehicle, four(w1R=LONG, w2L=LONG), 50.0),
        "one axle too long": (vehicle, four(w1L=LONG, w1R=LONG, w2L=LONG), 50.0),
        "other wheel undecided": (vehicle, four(w2L=LONG, w2R=None), 50.0),
        "within a period": (vehicle, four(w2L=EDGE, w2R=EDGE), 50.0),
    }


@pytest.mark.parametrize("kind", HEAVY)
def test_a_heavy_vehicle_may_lock_for_a_second_above_20_mph(words: dict[str, dict[str, Word]], kind: str) -> None:
    found, rule = words[kind], HEAVY[kind][1]
    assert found == {
        "short": (rule, True, {"2L": True, "2R": True}),
        "long": (rule, False, {"2L": False, "2R": False}),
        "one of the axle": (rule, True, {"2L": True}),
        "one of each axle": (rule, True, {"1R": True, "2L": True}),
        "one axle too long": (rule, False, {"1L": False, "1R": False, "2L": True}),
        "other wheel undecided": (rule, None, {"2L": None}),
        "within a period": (rule, None, {"2L": None, "2R": None}),
    }


SIX = {**four(), "3L": NEVER, "3R": NEVER}
CASES["tandem"] = {
    "rear axle": (TRUCK_3, SIX | {"2L": LONG, "2R": LONG}, 50.0),
    "front axle": (TRUCK_3, SIX | {"1L": LONG, "1R": LONG}, 50.0),
    "three at the rear": (TRUCK_3, SIX | {"2L": LONG, "2R": LONG, "3L": LONG}, 50.0),
    "four axles": ({**TRUCK_3, "axles": 4}, SIX | {"1L": LONG, "1R": LONG}, 50.0),
}


def test_which_axles_are_a_tandem_no_register_says(words: dict[str, dict[str, Word]]) -> None:
    expected = {"rear axle": None, "front axle": False, "three at the rear": False, "four axles": None}
    assert {name: word for name, (_, word, _) in words["tandem"].items()} == expected


WHICH: list[tuple[dict[str, Any] | None, str | None]] = [
    ({"category": "N1"}, "FMVSS 135"),
    ({"category": "N1", "max_mass_kg": 3500.0, "actuation": "hydraulic"}, "FMVSS 135"),
    ({"category": "M1", "max_mass_kg": 3900.0, "actuation": "hydraulic"}, "FMVSS 105 S6.10.1"),
    ({"category": "M1", "max_mass_kg": 3900.0}, None),
    ({"category": "M2", "max_mass_kg": 3400.0}, "FMVSS 135"),
    ({"category": "M2", "max_mass_kg": 4536.0, "actuation": "electromechanical"}, "FMVSS 105 S6.10.1"),
    ({"category": "M2", "max_mass_kg": 4537.0, "actuation": "hydraulic"}, "FMVSS 105 S6.10.2"),
    ({"category": "N2", "actuation": "hydraulic"}, None),
    ({"category": "N2", "actuation": "air"}, "FMVSS 121 S5.3.1"),
    ({"category": "N2", "actuation": "air_over_hydraulic", "max_mass_kg": 6000.0}, "FMVSS 121 S5.3.1"),
    ({"category": "N3"}, "FMVSS 121 S5.3.1 or 105 S6.10.2"),
    ({"category": "M3", "actuation": "hydraulic"}, "FMVSS 105 S6.10.2"),
    ({"category": "O4", "actuation": "air"}, None),
    ({"max_mass_kg": 2000.0, "actuation": "hydraulic"}, None),
    (None, None),
]


CASES["which"] = {str(k): (known, four(w1L=(0.3,) * 3, w1R=(0.3,) * 3), 50.0) for k, (known, _) in enumerate(WHICH)}
CASES["none"] = {"e": (CAR, four(), 50.0)}


def test_which_rule(words: dict[str, dict[str, Word]]) -> None:
    found = words["which"]
    assert [found[str(k)][0] for k in range(len(WHICH))] == [rule for _, rule in WHICH]
    for rule, word, _ in found.values():
        assert (word is None) == (rule is None or "S6.10.1" in rule)


def test_no_lockup_no_word(words: dict[str, dict[str, Word]]) -> None:
    assert words["none"] == {"e": (None, None, {})}

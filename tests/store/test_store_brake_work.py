"""``friction_brake_kj``: lake rows and a register in, the share of the friction brakes out (by hand)."""

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
from store_rows import event, ingest, publish, register, rows

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.core.units import G_MPS2

MASS, PATH, AIR_PATH = 18000.0, 200.0, 40000.0
BUS = {"category": "M3", "actuation": "air"}
PLAIN = {
    "gross_mass_kg": MASS,
    "brake_energy_kj": 3600.0,
    "braking_distance_m": PATH,
    "air_path_m3ps2": AIR_PATH,
    "grade": 0.0,
}
ROLLING_KJ = DEFAULT.rolling_heavy * MASS * G_MPS2 * PATH / 1000  # 282 kJ
AIR_KJ = 0.5 * 1.2 * DEFAULT.drag_area_m3 * AIR_PATH / 1000  # 115 kJ
LEFT = 3600.0 - ROLLING_KJ - AIR_KJ


def each(store: Path, cases: Iterable[tuple[dict[str, Any] | None, dict[str, Any]]], what: str) -> list[Any]:
    """Columns of events in one store: an event a case, each of a vehicle of its own, in the register or not."""
    known, events = [], []
    for number, (vehicle, values) in enumerate(cases):
        name = f"bus-{number:02d}"
        known += [] if vehicle is None else [{"vehicle_id": name, **vehicle}]
        events.append(event(f"e{number:02d}", vehicle_id=name, **values))
    register(store, vehicles=known)
    ingest(store, "a", events)
    publish(store)
    return rows(store, f"SELECT {what} FROM events ORDER BY event_id")


WORK = "friction_brake_kj, friction_brake_se_kj"
#: Alone 0.9 m/s2 at 20 m/s at 80 %.
ALONE = {"retarded_mps2": 0.9, "retarded_speed_mps": 20.0, "retarded_share": 0.8}
WORKED = {"retarder_s": 10.0, "retarder_path_m": 100.0}
#: What differs from the plain stop in each case, all of a bus of its own.
STOPS: dict[str, dict[str, Any]] = {
    "plain": {},
    "unknown grade": {"grade": None},
    "recuperated": {"regen_kj": 1500.0},
    "more recuperated": {"regen_kj": 4000.0},
    "coasting": {"coast_mps2": 0.3, "coast_speed_mps": 20.0},
    "retarder seen": ALONE | WORKED,
    "retarder unseen": WORKED,
    "retarder idle": {"retarder_s": 0.0, "retarder_path_m": 0.0},
}


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Any, Any]]:
    """The friction brakes' work of each of these stops and its standard error."""
    found = each(tmp_path_factory.mktemp("work"), [(BUS, PLAIN | values) for values in STOPS.values()], WORK)
    return dict(zip(STOPS, found, strict=True))


Work = dict[str, tuple[Any, Any]]


def test_rolling_and_air_drag_are_taken_off(work: Work) -> None:
    kj, se = work["plain"]
    assert kj == pytest.approx(LEFT, rel=1e-9)
    assert se == pytest.approx((108.0**2 + (0.3 * (ROLLING_KJ + AIR_KJ)) ** 2) ** 0.5, rel=1e-9)


def test_an_unknown_grade_is_in_the_standard_error(work: Work) -> None:
    kj, se = work["unknown grade"]
    assert kj == pytest.approx(LEFT)
    assert se > 0.02 * MASS * G_MPS2 * PATH / 1000


def test_recuperation_is_taken_off(work: Work) -> None:
    assert work["recuperated"][0] == pytest.approx(LEFT - 1500.0)


def test_what_more_was_recuperated_than_taken_out_leaves_nothing(work: Work) -> None:
    assert work["more recuperated"][0] == 0.0


def test_an_engine_seen_coasting_is_taken_off(work: Work) -> None:
    """0.3 m/s2 at 20 m/s, of which rolling is 0.078 and air 0.064: the engine gives 0.158."""
    engine = 0.3 - DEFAULT.rolling_heavy * G_MPS2 - 0.6 * DEFAULT.drag_area_m3 * 400.0 / MASS
    assert engine == pytest.approx(0.158, abs=0.001)
    assert work["coasting"][0] == pytest.approx(LEFT - MASS * engine * PATH / 1000)


def test_a_retarder_is_taken_off_where_it_was_seen_alone(work: Work) -> None:
    """Of its 0.9 m/s2, 0.142 is drag; over 200 m at 50 %: 18 t x 0.9475 x 100 m."""
    full = (0.9 - DEFAULT.rolling_heavy * G_MPS2 - 0.6 * DEFAULT.drag_area_m3 * 400.0 / MASS) / 0.8
    assert work["retarder seen"][0] == pytest.approx(LEFT - MASS * full * 100.0 / 1000)
    assert work["retarder unseen"] == (None, None)
    assert work["retarder idle"][0] == pytest.approx(LEFT)


#: what the register says of its endurance brake, whether the work is known, what was recorded of it
ENDURANCE: list[tuple[str | None, bool, dict[str, Any]]] = [
    ("none", True, {}),
    (None, True, {}),
    ("regen", False, {}),
    ("regen", True, {"regen_kj": 0.0}),
    ("engine+retarder", False, {}),
    ("engine", False, {"regen_kj": 0.0}),
    ("retarder+regen", True, {"regen_kj": 0.0, "retarder_s": 0.0, "retarder_path_m": 0.0}),
]


def test_what_the_vehicle_has_and_the_recording_does_not(tmp_path: Path) -> None:
    cases = [({**BUS, "endurance_brake": endurance}, PLAIN | values) for endurance, _, values in ENDURANCE]
    found = [(kj is not None, se is not None) for kj, se in each(tmp_path, cases, WORK)]
    assert found == [(known, known) for _, known, _ in ENDURANCE]


#: what the register says of the vehicle, if it knows it, and what differs in its recording
UNKNOWN: list[tuple[dict[str, Any] | None, dict[str, Any]]] = [
    (None, {}),
    ({"category": None, "actuation": None}, {}),
    ({"category": "O4", "actuation": None}, {}),
    (BUS, {"gross_mass_kg": None, "brake_energy_kj": None}),
    (BUS, {"gross_mass_kg": 0.0}),
    (BUS, {"braking_distance_m": None}),
    (BUS, {"air_path_m3ps2": None}),
]


def test_not_known_without_mass_category_or_path(tmp_path: Path) -> None:
    found = each(tmp_path, [(vehicle, PLAIN | values) for vehicle, values in UNKNOWN], WORK)
    assert [kj for kj, _ in found] == [None] * len(UNKNOWN)


def test_every_category_has_its_drag(tmp_path: Path) -> None:
    categories = ("M1", "M2", "M3", "N1", "N2", "N3")
    found = each(tmp_path, [({"category": category}, PLAIN) for category in categories], WORK)
    assert len(found) == len(categories)
    assert [kj for kj, _ in found if not 0.8 * 3600 < kj < 3600] == []


def test_recuperation_that_was_not_recorded_leaves_no_word_on_the_brakes(tmp_path: Path) -> None:
    """Its share wanders with the battery; recorded, its samples were left out already."""
    answers = {"effectiveness": 0.1, "effectiveness_change": -0.1, "build_up_s": 0.2, "release_s": 0.3}
    units = {"none": "none", "unsaid": None, "seen": "regen", "unseen": "engine+regen"}
    register(tmp_path, vehicles=[{"vehicle_id": k, **BUS, "endurance_brake": v} for k, v in units.items()])
    found = [event(k, vehicle_id=k, regen_kj=0.0 if k == "seen" else None, **answers) for k in [*units, "stranger"]]
    ingest(tmp_path, "a", found)
    publish(tmp_path)
    names = ", ".join(answers)
    words = {row[0]: row[1:] for row in rows(tmp_path, f"SELECT event_id, {names} FROM events")}
    kept = tuple(answers.values())
    expected = dict.fromkeys(("none", "unsaid", "seen", "stranger"), kept) | {"unseen": (None,) * 4}
    assert words == expected


#: what the register says of its endurance brake, what was recorded of it, whether energy and effectiveness are known
SHARES: list[tuple[str | None, dict[str, float], bool]] = [
    (None, {}, True),
    ("none", {}, True),
    ("retarder", {}, False),
    ("engine", {}, False),
    ("regen", {}, False),
    ("retarder", {"retarder_s": 0.0}, True),
    ("retarder+regen", {"retarder_s": 2.0}, False),  # one of the two is not told
    ("retarder+regen", {"retarder_s": 2.0, "regen_kj": 0.0}, True),
]


def test_energy_and_effectiveness_need_the_share_of_an_endurance_brake(tmp_path: Path) -> None:
    recorded = {"brake_energy_kj": 900.0, "effectiveness": 0.1}
    cases = [({**BUS, "endurance_brake": endurance}, recorded | known) for endurance, known, _ in SHARES]
    found = each(tmp_path, cases, "brake_energy_kj, effectiveness")
    assert found == [(900.0, 0.1) if energy else (None, None) for *_, energy in SHARES]

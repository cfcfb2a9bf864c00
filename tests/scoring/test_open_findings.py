"""What a finding or failed test asks for stays open until something answers it, and nothing else closes it."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
import pytest
from judged import LATE, judge_vehicles
from observed import read_by, trip
from scoring_fleet import DAY, Fleet, only
from together import Together

from fleetbrake.core.vocabulary import ANSWERS, FINDINGS, REPAIR_WORK
from fleetbrake.scoring import models
from fleetbrake.scoring.priors import DEFAULT
from fleetbrake.simulation import registers as demo
from fleetbrake.simulation.proving import registers as proving

FOUND = DAY + timedelta(days=30)
LATER = FOUND + timedelta(days=1)


of_the_fleet = Together()
Open = dict[str, tuple[int, str]]


@pytest.fixture(scope="module")
def open_now() -> Open:
    """Severity and words of what is open, by vehicle: of all tests at once, since no vehicle knows of another here."""
    con = of_the_fleet.fleet().connect()
    models.load_parameters(con, DAY + timedelta(days=60), DEFAULT)
    models.build(con, tuple(read_by(["int_open_findings"])))
    found = con.execute("select vehicle_id, severity, told from int_open_findings").fetchall()
    return {vehicle: (severity, told) for vehicle, severity, told in found}


def inspected(fleet: Fleet, finding: str | None, day: date = FOUND, vehicle: str = "truck", **values: Any) -> None:
    number = f"i{len(fleet.rows['inspections'])}"
    defaults = {"vehicle_id": vehicle, "wheel": None, "severity": 3}
    fleet.add("inspections", **defaults | {"inspection_id": number, "inspected_on": day, "finding": finding} | values)


def rollers(
    fleet: Fleet,
    forces: dict[str, float],
    day: date,
    method: str = "roller",
    drag: float = 0.0,
    vehicle: str = "truck",
) -> None:
    """Forces in N by wheel, 6 t on each axle; the residual force of 1L in N."""
    for wheel, force in forces.items():
        fleet.add("brake_tests", vehicle_id=vehicle, tested_on=day, method=method, wheel=wheel, axle_load_kg=6000.0,
                  max_force_n=force, locked=False, residual_drag_n=drag if wheel == "1L" else 0.0)  # fmt: skip


EVEN = dict.fromkeys(("1L", "1R", "2L", "2R"), 20000.0)


def truck(**values: Any) -> Fleet:
    fleet = Fleet()
    another(fleet, "truck", **values)
    return fleet


def another(fleet: Fleet, vehicle: str, **values: Any) -> str:
    fleet.vehicle(vehicle, **{"axles": 2} | values)
    return vehicle


def test_every_finding_has_an_answer_and_a_tyre_is_none() -> None:
    assert set(ANSWERS) == set(FINDINGS) - {"none"}
    works = {work for fits in ANSWERS.values() for work in fits}
    assert works <= set(REPAIR_WORK) and "tyre" not in works
    for finding in ("low_brake_effectiveness", "side_imbalance", "brake_drag", "brake_fade"):
        assert "other" not in ANSWERS[finding]  # the brake itself: its parts all have a word of their own
    for simulated in (proving.WORK, demo._WORK):  # invented repairs put right what they are said to
        assert all(work in ANSWERS[finding] for finding, work in simulated.items())


REPAIRED = [
    ("side_imbalance", "tyre", "1L", "1L", True),
    ("side_imbalance", "caliper_or_actuator", "1L", "1L", False),
    ("side_imbalance", "caliper_or_actuator", "1L", "1R", True),  # the same axle is not the same wheel
    ("side_imbalance", "caliper_or_actuator", "1L", None, False),
    ("side_imbalance", "caliper_or_actuator", None, "1R", False),
    ("brake_drag", "lining", "1L", "1L", True),
    ("low_brake_effectiveness", "sensor", None, None, True),
    ("low_brake_effectiveness", None, None, None, True),
    ("low_brake_effectiveness", "other", None, None, True),
    ("lockup_without_modulation", "lining", "2R", "2R", True),
    ("wheel_speed_dropout", "sensor", "2R", "2R", False),
    ("other", "tyre", None, "2R", True),
    ("other", "lining", None, None, True),
    ("other", "other", None, None, False),
    ("cracked hose", "other", None, None, False),  # not a code of ours: something else
    (None, "lining", None, None, True),  # severity 3 without a word is something
]


@of_the_fleet
def _repaired(fleet: Fleet) -> None:
    for number, (finding, work, found_at, repaired_at, _) in enumerate(REPAIRED):
        name = another(fleet, f"repaired {number}")
        inspected(fleet, finding, vehicle=name, wheel=found_at)
        fleet.add("repairs", vehicle_id=name, repaired_on=LATER, wheel=repaired_at, work=work)


@pytest.mark.parametrize("number", range(len(REPAIRED)))
def test_which_repair_answers_which_finding(open_now: Open, number: int) -> None:
    assert (f"repaired {number}" in open_now) is REPAIRED[number][-1], REPAIRED[number]


#: Days from the finding to the repair: before, on the day (found, then put right), after, not yet.
WHEN = {-1: True, 0: False, 1: False, 40: True}


@of_the_fleet
def _repaired_when(fleet: Fleet) -> None:
    for days in WHEN:
        name = another(fleet, f"after {days}")
        inspected(fleet, "brake_drag", vehicle=name, wheel="1R")
        day = FOUND + timedelta(days=days)
        fleet.add("repairs", vehicle_id=name, repaired_on=day, wheel="1R", work="adjustment")


@pytest.mark.parametrize(("days", "still_open"), WHEN.items())
def test_a_repair_answers_what_was_found_before_it(open_now: Open, days: int, still_open: bool) -> None:
    assert (f"after {days}" in open_now) is still_open


LOOKED_AT: list[tuple[list[tuple[str, str | None, int | None]], bool]] = [
    ([("none", None, 0)], False),
    ([("none", "1L", 0)], False),
    ([("none", "2R", 0)], True),  # only another wheel was looked at
    ([("none", None, None)], False),
    ([("none", None, 3)], True),  # contradicts itself
    ([("none", None, 0), ("brake_drag", "2L", 2)], True),  # another row of that visit found something
    ([("brake_drag", "2L", 1)], True),
]


@of_the_fleet
def _looked_at(fleet: Fleet) -> None:
    for number, (rows, _) in enumerate(LOOKED_AT):
        name = another(fleet, f"looked at {number}")
        inspected(fleet, "side_imbalance", vehicle=name, wheel="1L")
        for finding, wheel, severity in rows:
            inspected(fleet, finding, LATER, name, wheel=wheel, severity=severity)
    inspected(fleet, "side_imbalance", vehicle=another(fleet, "same day"), wheel="1L")
    inspected(fleet, "none", vehicle="same day", severity=0)


@pytest.mark.parametrize("number", range(len(LOOKED_AT)))
def test_which_later_inspection_answers(open_now: Open, number: int) -> None:
    assert (f"looked at {number}" in open_now) is LOOKED_AT[number][1], LOOKED_AT[number]


def test_a_clean_inspection_of_the_same_day_answers_nothing(open_now: Open) -> None:
    assert open_now["same day"] == (3, f"an inspection of {FOUND} that found side imbalance (wheel 1L)")


ASKING = [
    ("brake_drag", None, 2),
    ("brake_drag", 1, None),
    ("brake_drag", 2, 2),
    (None, None, None),
    ("none", None, None),
]


@of_the_fleet
def _asking(fleet: Fleet) -> None:
    for number, (finding, severity, _) in enumerate(ASKING):
        inspected(fleet, finding, vehicle=another(fleet, f"asking {number}"), severity=severity)


@pytest.mark.parametrize("number", range(len(ASKING)))
def test_a_finding_without_a_severity_needs_repair(open_now: Open, number: int) -> None:
    assert (open_now.get(f"asking {number}") or (None,))[0] == ASKING[number][-1], ASKING[number]


WEAK_1L = EVEN | {"1L": 9000.0}
AFTER_A_TEST = [(FOUND, "1L", True), (LATER, "1L", False), (LATER, "1R", True), (LATER, None, False)]


@of_the_fleet
def _repaired_after_a_test(fleet: Fleet) -> None:
    for number, (repaired, wheel, _) in enumerate(AFTER_A_TEST):
        name = another(fleet, f"failed {number}")
        rollers(fleet, WEAK_1L, FOUND, vehicle=name)
        fleet.add("repairs", vehicle_id=name, repaired_on=repaired, wheel=wheel, work="lining")


@pytest.mark.parametrize("number", range(len(AFTER_A_TEST)))
def test_a_repair_on_the_day_of_a_failed_test_may_have_come_first(open_now: Open, number: int) -> None:
    assert (f"failed {number}" in open_now) is AFTER_A_TEST[number][-1], AFTER_A_TEST[number]


AGAIN = [
    (EVEN, FOUND, "plate", True),  # the same day: which came last is not known
    (EVEN, LATER, "roller", False),
    (EVEN, LATER, "plate", True),  # another kind of test: it may not show what the first one did
    (EVEN | {"1R": 15000.0}, LATER, "roller", False),  # 25 % uneven the other way round is within the limit
    ({"2L": 20000.0, "2R": 20000.0}, LATER, "roller", True),  # the other axle only
    (EVEN | {"1R": 9000.0}, LATER, "roller", True),
]


@of_the_fleet
def _tested_again(fleet: Fleet) -> None:
    for number, (again, day, method, _) in enumerate(AGAIN):
        name = another(fleet, f"again {number}")
        rollers(fleet, WEAK_1L, FOUND, vehicle=name)
        rollers(fleet, again, day, method, vehicle=name)


@pytest.mark.parametrize("number", range(len(AGAIN)))
def test_which_later_test_answers_a_failed_one(open_now: Open, number: int) -> None:
    assert (f"again {number}" in open_now) is AGAIN[number][-1], AGAIN[number]


@of_the_fleet
def _tested_after_a_finding(fleet: Fleet) -> None:
    for name, wheel in (("one wheel", "1L"), ("the whole", None)):
        inspected(fleet, "low_brake_effectiveness", vehicle=another(fleet, name), wheel=wheel)
        rollers(fleet, EVEN, LATER, vehicle=name)
    for axles in (2, 3):
        name = another(fleet, f"{axles} axles", axles=axles)
        inspected(fleet, "side_imbalance", vehicle=name)
        rollers(fleet, EVEN, LATER, vehicle=name)


def test_a_braking_rate_of_the_whole_answers_no_finding_about_one_wheel(open_now: Open) -> None:
    assert "one wheel" in open_now and "the whole" not in open_now


@pytest.mark.parametrize(("axles", "still_open"), [(2, False), (3, True)])
def test_a_finding_of_no_named_wheel_needs_every_axle_tested(open_now: Open, axles: int, still_open: bool) -> None:
    assert (f"{axles} axles" in open_now) is still_open


@of_the_fleet
def _dragging(fleet: Fleet) -> None:
    for name in ("drags", "dragged"):
        another(fleet, name)
        rollers(fleet, EVEN, FOUND, drag=3000.0, vehicle=name)  # 10 % of the load of 1L, 5 % allowed (own choice)
        rollers(fleet, {"1R": 20000.0, "2L": 20000.0, "2R": 20000.0}, LATER, vehicle=name)
    rollers(fleet, {"1L": 20000.0}, LATER, vehicle="dragged")
    another(fleet, "alone", axles=3)
    rollers(fleet, dict.fromkeys(EVEN, 3000.0), FOUND, vehicle="alone")


def test_drag_is_answered_wheel_by_wheel(open_now: Open) -> None:
    assert open_now["drags"][1].endswith("residual drag (wheel 1L) 10 % where the limit is 5 %")
    assert "dragged" not in open_now


def test_axles_that_failed_alone_are_told_as_such(open_now: Open) -> None:
    told = f"a failed brake test of {FOUND}: braking rate of the axles tested (1, 2) 10 % where half the limit is 22 %"
    assert open_now["alone"] == (2, told)


def scored(fleet: Fleet) -> duckdb.DuckDBPyConnection:
    con = fleet.connect()
    judge_vehicles(con)
    return con


def braking(fleet: Fleet, vehicle: str, days: int = 20) -> None:
    for day in range(days):
        fleet.event(vehicle, DAY + timedelta(days=day), demand_kind="pressure", effectiveness=0.01)


def test_a_vehicle_known_by_what_was_found_on_it_alone_is_ranked() -> None:
    """Given dangerous findings on vehicles of no register and no recording, expect them first; those to come not."""
    fleet = truck()
    braking(fleet, "truck")
    inspected(fleet, "side_imbalance", DAY, vehicle_id="inspected")
    inspected(fleet, "side_imbalance", LATE + timedelta(days=1), vehicle_id="some day")
    inspected(fleet, "side_imbalance", DAY, vehicle_id=None)
    fleet.add("defect_reports", vehicle_id="reported", reported_at=datetime(2026, 3, 3, tzinfo=UTC), severity=3)
    con = scored(fleet)
    ranked = con.execute("select vehicle_id, priority, health_score from vehicle_health order by rank").fetchall()
    first = ("before_next_trip", None)
    assert [row[1:] for row in ranked[:2]] == [first, first]
    assert [row[0] for row in ranked] == ["inspected", "reported", "truck"]


ROLLERS = [
    (None, 6, 6),  # the register says nothing
    (2, 6, 6),
    (9, 6, 9),
    (306, 6, 6),  # a day to come is no test
    (306, None, None),
]
RUN_IN = {100.0: True, 400.0: False}


def _on(number: int | None) -> date | None:
    return None if number is None else DAY + timedelta(days=number)


@pytest.fixture(scope="module")
def driven() -> duckdb.DuckDBPyConnection:
    """Vehicles that brake evenly and drive, tested on rollers or with new linings: judged in one run."""
    fleet = Fleet()
    for number, (register, tested, _) in enumerate(ROLLERS):
        name = another(fleet, f"rollers {number}", roller_tested_on=_on(register))
        braking(fleet, name)
        trip(fleet, f"t-{name}", name, DAY + timedelta(days=10))
        if tested is not None:
            rollers(fleet, EVEN, DAY + timedelta(days=tested), vehicle=name)
    for km in RUN_IN:
        name = another(fleet, f"run in {km}")
        braking(fleet, name)
        fleet.add("repairs", vehicle_id=name, repaired_on=DAY + timedelta(days=5), wheel="1L", work="lining")
        trip(fleet, f"t-{name}", name, DAY + timedelta(days=7), km)
    return scored(fleet)


@pytest.mark.parametrize("number", range(len(ROLLERS)))
def test_the_newest_roller_test_of_register_and_tests_is_shown(driven: duckdb.DuckDBPyConnection, number: int) -> None:
    expected = ROLLERS[number][-1]
    row = only(driven, "select * from vehicle_health where vehicle_id = ?", f"rollers {number}")
    assert row["roller_tested_on"] == _on(expected)
    assert row["km_since_roller_test"] == (None if expected is None else 100.0)


@pytest.mark.parametrize(("km", "told"), RUN_IN.items())
def test_linings_that_are_running_in_are_told(driven: duckdb.DuckDBPyConnection, km: float, told: bool) -> None:
    row = only(driven, "select * from vehicle_health where vehicle_id = ?", f"run in {km}")
    assert ("New linings or discs of 1L are running in" in row["reason"]) is told


def test_open_since_is_the_first_day_of_what_is_told() -> None:
    """A lamp since it came on for good, a report since it was written, a finding since the inspection."""
    fleet = Fleet()
    for vehicle in ("truck", "lamp", "report", "both"):
        fleet.vehicle(vehicle)
    for day, lit in enumerate((True, False, True, None, True)):
        fleet.event("lamp", DAY + timedelta(days=day), abs_warning_lamp=lit)
        fleet.event("both", DAY + timedelta(days=day), abs_warning_lamp=True)
    for vehicle, day in (("report", 7), ("both", 3)):
        at = datetime(DAY.year, DAY.month, DAY.day, 23, 30, tzinfo=UTC) + timedelta(days=day)
        fleet.add("defect_reports", vehicle_id=vehicle, reported_at=at, text="pulls to the left", severity=1)
    inspected(fleet, "brake_drag")
    con = fleet.connect()
    models.load_parameters(con, FOUND, DEFAULT)
    models.build(con, tuple(read_by(["int_open_reports"])))
    since = dict(con.execute("select vehicle_id, open_since from int_open_reports").fetchall())
    assert since == {
        "truck": FOUND, "lamp": DAY + timedelta(days=2), "report": DAY + timedelta(days=7), "both": DAY,
    }  # fmt: skip

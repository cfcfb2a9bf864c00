"""What a finding or failed test asks for stays open until something answers it, and nothing else closes it."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
import pytest
from a_few import a_few
from judged import LATE, judge_vehicles
from observed import read_by, trip
from scoring_fleet import DAY, Fleet, only

from fleetbrake.core.vocabulary import ANSWERS, FINDINGS, REPAIR_WORK
from fleetbrake.scoring import models
from fleetbrake.scoring.priors import DEFAULT
from fleetbrake.simulation import registers as demo
from fleetbrake.simulation.proving import registers as proving

FOUND = DAY + timedelta(days=30)
LATER = FOUND + timedelta(days=1)


def opened(fleet: Fleet, as_of: date = DAY + timedelta(days=60)) -> dict[str, tuple[int, str]]:
    """Severity and words of what is open, by vehicle."""
    con = fleet.connect()
    models.load_parameters(con, as_of, DEFAULT)
    models.build(con, tuple(read_by(["int_open_findings"])))
    found = con.execute("select vehicle_id, severity, told from int_open_findings").fetchall()
    return {vehicle: (severity, told) for vehicle, severity, told in found}


def inspected(fleet: Fleet, finding: str | None, day: date = FOUND, **values: Any) -> None:
    number = f"i{len(fleet.rows['inspections'])}"
    defaults = {"vehicle_id": "truck", "wheel": None, "severity": 3}
    fleet.add("inspections", **defaults | {"inspection_id": number, "inspected_on": day, "finding": finding} | values)


def rollers(fleet: Fleet, forces: dict[str, float], day: date, method: str = "roller", drag: float = 0.0) -> None:
    """Forces in N by wheel, 6 t on each axle; the residual force of 1L in N."""
    for wheel, force in forces.items():
        fleet.add("brake_tests", vehicle_id="truck", tested_on=day, method=method, wheel=wheel, axle_load_kg=6000.0,
                  max_force_n=force, locked=False, residual_drag_n=drag if wheel == "1L" else 0.0)  # fmt: skip


EVEN = dict.fromkeys(("1L", "1R", "2L", "2R"), 20000.0)


def truck(**values: Any) -> Fleet:
    fleet = Fleet()
    fleet.vehicle("truck", **{"axles": 2} | values)
    return fleet


def test_every_finding_has_an_answer_and_a_tyre_is_none() -> None:
    assert set(ANSWERS) == set(FINDINGS) - {"none"}
    works = {work for fits in ANSWERS.values() for work in fits}
    assert works <= set(REPAIR_WORK) and "tyre" not in works
    for finding in ("low_brake_effectiveness", "side_imbalance", "brake_drag", "brake_fade"):
        assert "other" not in ANSWERS[finding]  # the brake itself: its parts all have a word of their own
    for simulated in (proving.WORK, demo._WORK):  # invented repairs put right what they are said to
        assert all(work in ANSWERS[finding] for finding, work in simulated.items())


@pytest.mark.parametrize(
    ("finding", "work", "found_at", "repaired_at", "still_open"),
    [
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
    ],
)
def test_which_repair_answers_which_finding(
    finding: str, work: str | None, found_at: str | None, repaired_at: str | None, still_open: bool
) -> None:
    fleet = truck()
    inspected(fleet, finding, wheel=found_at)
    fleet.add("repairs", vehicle_id="truck", repaired_on=LATER, wheel=repaired_at, work=work)
    assert bool(opened(fleet)) is still_open


@pytest.mark.parametrize(
    ("days", "still_open"),
    [(-1, True), (0, False), (1, False), (40, True)],  # before, on the day (found, then put right), after, not yet
)
def test_a_repair_answers_what_was_found_before_it(days: int, still_open: bool) -> None:
    fleet = truck()
    inspected(fleet, "brake_drag", wheel="1R")
    fleet.add("repairs", vehicle_id="truck", repaired_on=FOUND + timedelta(days=days), wheel="1R", work="adjustment")
    assert bool(opened(fleet)) is still_open


@pytest.mark.parametrize(
    ("rows", "still_open"),
    [
        ([("none", None, 0)], False),
        ([("none", "1L", 0)], False),
        ([("none", "2R", 0)], True),  # only another wheel was looked at
        ([("none", None, None)], False),
        ([("none", None, 3)], True),  # contradicts itself
        ([("none", None, 0), ("brake_drag", "2L", 2)], True),  # another row of that visit found something
        ([("brake_drag", "2L", 1)], True),
    ],
)
def test_which_later_inspection_answers(rows: list[tuple[str, str | None, int | None]], still_open: bool) -> None:
    fleet = truck()
    inspected(fleet, "side_imbalance", wheel="1L")
    for finding, wheel, severity in rows:
        inspected(fleet, finding, LATER, wheel=wheel, severity=severity)
    assert bool(opened(fleet)) is still_open


def test_a_clean_inspection_of_the_same_day_answers_nothing() -> None:
    fleet = truck()
    inspected(fleet, "side_imbalance", wheel="1L")
    inspected(fleet, "none", severity=0)
    assert opened(fleet) == {"truck": (3, f"an inspection of {FOUND} that found side imbalance (wheel 1L)")}


@pytest.mark.parametrize(
    ("finding", "severity", "asks"),
    [("brake_drag", None, 2), ("brake_drag", 1, None), ("brake_drag", 2, 2), (None, None, None), ("none", None, None)],
)
def test_a_finding_without_a_severity_needs_repair(finding: str | None, severity: int | None, asks: int | None) -> None:
    fleet = truck()
    inspected(fleet, finding, severity=severity)
    assert (opened(fleet).get("truck") or (None,))[0] == asks


WEAK_1L = EVEN | {"1L": 9000.0}


@pytest.mark.parametrize(
    ("repaired", "wheel", "still_open"),
    [(FOUND, "1L", True), (LATER, "1L", False), (LATER, "1R", True), (LATER, None, False)],
)
def test_a_repair_on_the_day_of_a_failed_test_may_have_come_first(
    repaired: date, wheel: str | None, still_open: bool
) -> None:
    fleet = truck()
    rollers(fleet, WEAK_1L, FOUND)
    fleet.add("repairs", vehicle_id="truck", repaired_on=repaired, wheel=wheel, work="lining")
    assert bool(opened(fleet)) is still_open


@pytest.mark.parametrize(
    ("again", "day", "method", "still_open"),
    [
        (EVEN, FOUND, "plate", True),  # the same day: which came last is not known
        (EVEN, LATER, "roller", False),
        (EVEN, LATER, "plate", True),  # another kind of test: it may not show what the first one did
        (EVEN | {"1R": 15000.0}, LATER, "roller", False),  # 25 % uneven the other way round is within the limit
        ({"2L": 20000.0, "2R": 20000.0}, LATER, "roller", True),  # the other axle only
        (EVEN | {"1R": 9000.0}, LATER, "roller", True),
    ],
)
def test_which_later_test_answers_a_failed_one(
    again: dict[str, float], day: date, method: str, still_open: bool
) -> None:
    fleet = truck()
    rollers(fleet, WEAK_1L, FOUND)
    rollers(fleet, again, day, method)
    assert bool(opened(fleet)) is still_open


def test_a_braking_rate_of_the_whole_answers_no_finding_about_one_wheel() -> None:
    fleet = truck()
    inspected(fleet, "low_brake_effectiveness", wheel="1L")
    rollers(fleet, EVEN, LATER)
    assert opened(fleet)
    fleet = truck()
    inspected(fleet, "low_brake_effectiveness")
    rollers(fleet, EVEN, LATER)
    assert not opened(fleet)


@pytest.mark.parametrize(("axles", "still_open"), [(2, False), (3, True)])
def test_a_finding_of_no_named_wheel_needs_every_axle_tested(axles: int, still_open: bool) -> None:
    fleet = truck(axles=axles)
    inspected(fleet, "side_imbalance")
    rollers(fleet, EVEN, LATER)
    assert bool(opened(fleet)) is still_open


def test_drag_is_answered_wheel_by_wheel() -> None:
    fleet = truck()
    rollers(fleet, EVEN, FOUND, drag=3000.0)  # 10 % of the load of 1L, 5 % allowed (own choice)
    rollers(fleet, {"1R": 20000.0, "2L": 20000.0, "2R": 20000.0}, LATER)
    assert opened(fleet)["truck"][1].endswith("residual drag (wheel 1L) 10 % where the limit is 5 %")
    rollers(fleet, {"1L": 20000.0}, LATER)
    assert not opened(fleet)


def test_axles_that_failed_alone_are_told_as_such() -> None:
    fleet = truck(axles=3)
    rollers(fleet, dict.fromkeys(EVEN, 3000.0), FOUND)
    told = f"a failed brake test of {FOUND}: braking rate of the axles tested (1, 2) 10 % where half the limit is 22 %"
    assert opened(fleet) == {"truck": (2, told)}


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


@pytest.mark.parametrize(
    ("register", "tested", "expected"),
    a_few(
        [
            (None, 6, 6),  # the register says nothing
            (2, 6, 6),
            (9, 6, 9),
            (306, 6, 6),  # a day to come is no test
            (306, None, None),
        ],
        2,
        3,
    ),
)
def test_the_newest_roller_test_of_register_and_tests_is_shown(
    register: int | None, tested: int | None, expected: int | None
) -> None:
    def day(n: int | None) -> date | None:
        return None if n is None else DAY + timedelta(days=n)

    fleet = truck(roller_tested_on=day(register))
    braking(fleet, "truck")
    trip(fleet, "t", "truck", DAY + timedelta(days=10))
    if tested is not None:
        rollers(fleet, EVEN, DAY + timedelta(days=tested))
    row = only(scored(fleet), "select * from vehicle_health")
    assert row["roller_tested_on"] == day(expected)
    assert row["km_since_roller_test"] == (None if expected is None else 100.0)


@pytest.mark.parametrize(("km", "told"), [(100.0, True), (400.0, False)])
def test_linings_that_are_running_in_are_told(km: float, told: bool) -> None:
    fleet = truck()
    braking(fleet, "truck")
    fleet.add("repairs", vehicle_id="truck", repaired_on=DAY + timedelta(days=5), wheel="1L", work="lining")
    trip(fleet, "t", "truck", DAY + timedelta(days=7), km)
    row = only(scored(fleet), "select * from vehicle_health")
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

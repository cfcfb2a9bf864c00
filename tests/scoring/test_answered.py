"""What a clean inspection looked into and did not find asks for nothing until new trips show it again."""

import random
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
import pytest
from a_few import a_few
from judged import LATE, judge_vehicles
from scoring_fleet import DAY, Fleet, only

from fleetbrake.scoring.priors import DEFAULT, INDICATOR_PRIORS

DAYS = 30


def fleet_with(since: int, weak: Sequence[str] = ("weak",), peers: int = 6, **inspection: Any) -> Fleet:
    """Sound vehicles and weak ones whose brakes give 40 % less from day 15 on; ``since`` trips follow day 29."""
    fleet = Fleet()
    for name in (*(f"peer{number}" for number in range(peers)), *weak):
        fleet.vehicle(name)
        rng = random.Random(name)
        for day in range(DAYS + since):
            factor = 0.6 if name in weak and day >= 15 else 1.0
            effectiveness = 0.01 * factor * rng.lognormvariate(0, 0.08)
            fleet.event(name, DAY + timedelta(days=day), effectiveness=effectiveness, demand_kind="pressure",
                        gross_mass_kg=18000.0)  # fmt: skip
    if inspection:
        clean(fleet, **inspection)
    return fleet


def clean(fleet: Fleet, **values: Any) -> None:
    """An inspection that found nothing, on the day of the newest trip but for those that follow."""
    fleet.add("inspections", **{"inspection_id": "i1", "vehicle_id": "weak", "severity": 0, "finding": "none",
              "inspected_on": DAY + timedelta(days=DAYS - 1)} | values)  # fmt: skip


def verdict(fleet: Fleet, as_of: date | None = None) -> tuple[dict[str, Any], duckdb.DuckDBPyConnection]:
    con = fleet.connect()
    judge_vehicles(con, as_of)
    return only(con, "select * from vehicle_health where vehicle_id = 'weak'"), con


def test_a_clean_inspection_takes_the_vehicle_off_the_list_and_says_so() -> None:
    after, con = verdict(fleet_with(0, finding="none"))
    assert after["priority"] == "no_sign" and after["health_score"] > 80
    assert "did not find; seen again on 0 trips since, 3 bring it back" in after["reason"]
    row = only(con, "select * from indicators where vehicle_id = 'weak' and indicator = 'low_brake_effectiveness'")
    assert row["deviation"] > 5 and row["ranks"] is False  # what the recordings show stays to be seen
    # it weighs as much as inspections miss, by hand: odds after it = base odds times the share that none finds
    base = next(p.base_rate for p in INDICATOR_PRIORS if p.indicator == "low_brake_effectiveness")
    odds = base / (1 - base) * DEFAULT.inspection_misses
    assert row["probability"] == pytest.approx(odds / (1 + odds), rel=1e-6)


@pytest.mark.parametrize(("trips", "back"), a_few([(1, False), (2, False), (3, True), (6, True)], 1, 2))
def test_three_new_trips_bring_it_back_with_all_evidence(trips: int, back: bool) -> None:
    found, _ = verdict(fleet_with(trips, finding="none"))
    assert (found["priority"] in ("before_next_trip", "this_week")) is back
    assert (found["health_score"] < 20) is back
    if not back:
        assert f"seen again on {trips} trip" in found["reason"]


def test_other_inspections_answer_nothing() -> None:
    others: list[dict[str, Any]] = [
        {"inspected_on": DAY + timedelta(days=14)},  # before anything was wrong
        {"finding": "brake_drag", "severity": 2},  # something was found
        {"wheel": "1L"},  # one wheel of it only
        {"vehicle_id": "peer0"},
        {"inspected_on": LATE + timedelta(days=1)},  # a day to come
    ]
    fleet = fleet_with(0, weak=[f"weak{number}" for number in range(len(others))], peers=18)
    for number, other in enumerate(others):
        clean(fleet, **{"inspection_id": f"i{number}", "vehicle_id": f"weak{number}"} | other)
    con = fleet.connect()
    judge_vehicles(con)
    for number, other in enumerate(others):
        found = only(con, "select * from vehicle_health where vehicle_id = ?", f"weak{number}")
        assert found["priority"] in ("before_next_trip", "this_week"), other
        assert "did not find" not in found["reason"], other


def test_an_inspection_since_the_newest_recording_counts_at_once_but_not_for_an_older_day() -> None:
    later = {"finding": "none", "inspected_on": DAY + timedelta(days=DAYS + 40)}
    now, _ = verdict(fleet_with(0, **later))
    assert now["priority"] == "no_sign" and now["as_of"] == DAY + timedelta(days=DAYS - 1)
    before, _ = verdict(fleet_with(0, **later), DAY + timedelta(days=DAYS - 2))
    assert before["priority"] in ("before_next_trip", "this_week")


def test_what_must_not_be_driven_is_known_before_the_next_recording() -> None:
    fleet = fleet_with(0)
    day = DAY + timedelta(days=DAYS + 3)
    fleet.add("inspections", inspection_id="i", vehicle_id="peer0", inspected_on=day, finding="other", severity=3)
    moment = datetime(day.year, day.month, day.day, 9, tzinfo=UTC)
    fleet.add("defect_reports", vehicle_id="peer2", reported_at=moment, text="no brakes", severity=3)
    weak, con = verdict(fleet)
    assert weak["priority"] in ("before_next_trip", "this_week") and weak["health_score"] < 20  # nothing answered it
    told = dict(con.execute("select vehicle_id, priority from vehicle_health").fetchall())
    assert told["peer0"] == told["peer2"] == "before_next_trip" and told["peer1"] == "no_sign"


def test_work_since_the_newest_recording_ends_a_flag_but_is_no_good_sign() -> None:
    fleet = fleet_with(0)
    fleet.add("repairs", vehicle_id="weak", repaired_on=DAY + timedelta(days=DAYS + 3), wheel=None, work="lining")
    found, _ = verdict(fleet)
    assert found["priority"] == "too_little_evidence" and found["health_score"] is None
    assert "running in" in found["reason"]


def test_lockups_are_answered_and_new_ones_count() -> None:
    def locked(later: int) -> dict[str, Any]:
        fleet = Fleet()
        fleet.vehicle("weak", abs_fitted=True, abs_cutoff_speed_mps=4.0)
        for day in range(20 + later):
            bad = day >= 10
            wheels = {
                "2R": {"lockup": bad, "lockup_speed_mps": 14.5 if bad else None, "modulation_cycles": 0},
                "2L": {"lockup": False, "modulation_cycles": 0, "dropout_s": 0.0},
            }
            fleet.event("weak", DAY + timedelta(days=day), wheels, hard_stop=True, emergency_application=False,
                        lockup=bad, lockup_above_cutoff=bad, cutoff_speed_mps=4.0, initial_speed_mps=16.0)  # fmt: skip
        fleet.add("inspections", inspection_id="i1", vehicle_id="weak", severity=0, finding="none",
                  inspected_on=DAY + timedelta(days=19))  # fmt: skip
        return verdict(fleet)[0]

    answered, again = locked(0), locked(4)
    assert answered["health_score"] > 80 and answered["priority"] == "watch"  # a lockup is always told
    assert again["health_score"] < 20 and again["priority"] == "before_next_trip"

"""What sums recordings up: a month's figures, what each vehicle records, which channels it lost."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from fleetbrake.core.record_criteria import DEFAULT_RECORDS
from fleetbrake.store.database import reading, rebuilding, replace_table
from fleetbrake.store.publish import sum_up

START = datetime(2026, 1, 1, 8, tzinfo=UTC)
READ_AT = datetime(2026, 3, 31, 2, tzinfo=UTC)
SUMMARIES = ("month_figures", "month_surfaces", "month_work", "recording_facts", "recording_channels")


def _event(number: int, day: float, **values: Any) -> dict[str, Any]:
    return {
        "event_id": f"e{number}",
        "vehicle_id": "v1",
        "started_at": START + timedelta(days=day),
        "hard_stop": False,
        "modulation": False,
        "lockup": False,
        "lockup_above_cutoff": False,
        "depot": "A",
        "category": "N1",
        "source_path": f"v1/{day:g}",
    } | values


def _trip(number: int, day: float, hours: float, km: float | None, vehicle: str = "v1") -> dict[str, Any]:
    begun = START + timedelta(days=day)
    ended = begun + timedelta(hours=hours)
    return {
        "trip_id": f"t{number}", "vehicle_id": vehicle, "started_at": begun, "ended_at": ended, "distance_km": km,
    }  # fmt: skip


def _summed(folder: Path, **tables: list[dict[str, Any]]) -> Path:
    with rebuilding(folder) as con:
        for name, rows in tables.items():
            replace_table(con, name, pd.DataFrame(rows))
        sum_up(con)
    return folder


def _rows(store: Path, sql: str) -> list[tuple[Any, ...]]:
    with reading(store) as con:
        return con.execute(sql).fetchall()


VEHICLES = [
    {"vehicle_id": "v1", "depot": "A", "category": "N1"},
    {"vehicle_id": "v2", "depot": "A", "category": "N1"},
    {"vehicle_id": "t9", "depot": "B", "category": "O4"},
]


def test_counts_and_what_could_not_be_observed_by_month_depot_and_category(tmp_path: Path) -> None:
    unseen = {"hard_stop": None, "modulation": None, "lockup": None, "lockup_above_cutoff": None}
    events = [
        _event(1, 0, hard_stop=True, modulation=True),
        _event(2, 1, lockup=True, lockup_above_cutoff=True, vehicle_id="v2"),
        _event(3, 2, **unseen),
        _event(4, 3, **unseen, not_braking="standstill"),
        _event(5, 30.999, depot=None, category=None, vehicle_id="stranger", hard_stop=True),  # 1 Feb 07:58 UTC
    ]
    store = _summed(tmp_path, vehicles=VEHICLES, events=events)
    assert _rows(
        store,
        "SELECT month, depot, category, vehicles, events, not_braking, hard_stops, hard_stops_unknown, modulation, "
        "modulation_unknown, lockups, lockups_unknown, lockups_above_cutoff, lockups_above_cutoff_unknown, distance_km "
        "FROM month_figures ORDER BY month",
    ) == [
        ("2026-01", "A", "N1", 2, 4, 1, 1, 2, 1, 2, 1, 2, 1, 2, None),
        ("2026-02", None, None, 1, 1, 0, 1, 0, 0, 0, 0, 0, 0, 0, None),
    ]


def test_kilometres_count_as_far_as_the_vehicle_could_be_observed(tmp_path: Path) -> None:
    events = [
        # half of the applications of v1 tell a hard stop, all tell modulation; v2 never drove on a known trip
        _event(1, 0, hard_stop=True),
        _event(2, 1, hard_stop=None),
        _event(3, 1, vehicle_id="v2", hard_stop=True),
    ]
    trips = [_trip(1, 0, 2, 100.0), _trip(2, 1, 2, 60.0), _trip(3, 2, 9, 500.0, "t9")]
    store = _summed(tmp_path, vehicles=VEHICLES, events=events, trips=trips)
    assert _rows(
        store,
        "SELECT depot, events, distance_km, hard_stops, hard_stops_on_km, hard_stops_km, modulation_km "
        "FROM month_figures ORDER BY depot",
    ) == [("A", 3, 160.0, 2, 1, 80.0, 160.0), ("B", 0, 500.0, 0, 0, None, None)]


def test_a_trip_told_twice_and_a_slip_of_the_register_are_no_distance(tmp_path: Path) -> None:
    trips = [
        _trip(1, 0, 4, 200.0),
        _trip(2, 0, 4, 200.0),  # the same once more
        _trip(3, 0.05, 1, 40.0),  # inside it
        _trip(4, 1, 1, DEFAULT_RECORDS.trip_most_km + 1),
        _trip(5, 2, 1, -3.0),
        _trip(6, 3, 1, None),
        _trip(7, 4, 1, 7.0),
    ]
    store = _summed(tmp_path, vehicles=VEHICLES, events=[_event(1, 0)], trips=trips)
    assert _rows(store, "SELECT distance_km FROM month_figures") == [(207.0,)]


def _daily(vehicle: str, days: list[int]) -> list[dict[str, Any]]:
    return [_event(1000 * hash_of(vehicle) + d, d, vehicle_id=vehicle, source_path=f"{vehicle}/{d}") for d in days]


def hash_of(vehicle: str) -> int:
    """A number that tells vehicles apart, the same in every run."""
    return sum(map(ord, vehicle))


def _log(events: list[dict[str, Any]], channels: str | None = None) -> list[dict[str, Any]]:
    return [
        {"path": e["source_path"], "status": "loaded", "loaded_at": READ_AT, "last_at": e["started_at"],
         "channels": channels}
        for e in events
    ]  # fmt: skip


def test_silence_is_measured_in_the_vehicles_own_rhythm(tmp_path: Path) -> None:
    working = [d for d in range(60) if (d % 7) not in (5, 6)]
    events = (
        _daily("daily", list(range(55)))  # silent for 5 days: longer than 4
        + _daily("weekdays", [d for d in working if d <= 52])  # its usual gap of 3 days allows 6
        + _daily("weekly", [3, 10, 17, 24, 31, 38, 45])  # its usual gap of 7 allows 14
        + _daily("few", [40, 50])  # no rhythm: 14 days
        + _daily("newest", [59])
    )
    vehicles = [{"vehicle_id": "never", "depot": "A", "category": "N1"}]
    store = _summed(tmp_path, vehicles=vehicles, events=events, ingest_log=_log(events))
    found = _rows(
        store,
        "SELECT vehicle_id, in_register, usual_gap_days, days_silent, silent_from_days, silent FROM recording_facts "
        "ORDER BY vehicle_id",
    )
    assert found == [
        ("daily", False, 1, 5, 4, True),
        ("few", False, None, 9, 14, False),
        ("never", True, None, None, None, None),
        ("newest", False, None, 0, 14, False),
        ("weekdays", False, 3, 7, 6, True),
        ("weekly", False, 7, 14, 14, False),
    ]


def test_a_day_in_the_future_does_not_make_the_others_silent(tmp_path: Path) -> None:
    events = [*_daily("steady", list(range(30))), _event(9, 4000, vehicle_id="clock", source_path="clock/1")]
    store = _summed(tmp_path, events=events, ingest_log=_log(events))
    found = _rows(store, "SELECT vehicle_id, days_silent, silent, last_on FROM recording_facts ORDER BY vehicle_id")
    assert found[1][1:3] == (0, False)
    assert found[0] == ("clock", None, None, None), "nothing of it is told by a day that cannot be"


def test_rates_files_and_problems_of_a_vehicle(tmp_path: Path) -> None:
    events = [
        _event(1, 0, wheel_rate_hz=50.0, speed_rate_hz=10.0, source_path="a"),
        _event(2, 1, wheel_rate_hz=40.0, speed_rate_hz=None, source_path="b"),
        _event(3, 1, wheel_rate_hz=10.0, source_path="b", not_braking="standstill"),
    ]
    log = [
        {"path": "a", "status": "loaded", "loaded_at": READ_AT},
        {"path": "b", "status": "partly_loaded", "loaded_at": READ_AT},
    ]
    store = _summed(tmp_path, vehicles=VEHICLES, events=events, ingest_log=log)
    assert _rows(
        store,
        "SELECT files, files_with_problems, events, not_braking, days, wheel_rate_hz, speed_rate_hz, demand_rate_hz "
        "FROM recording_facts WHERE vehicle_id = 'v1'",
    ) == [(2, 1, 3, 1, 2, 40.0, 10.0, None)]


@pytest.mark.parametrize(
    ("earlier", "without", "lost"),
    [(10, 5, True), (10, 4, False), (5, 5, True), (4, 5, None)],
    ids=["ten then none", "the newest five have it once", "just enough", "too few before"],
)
def test_a_channel_is_lost_when_the_newest_files_do_not_have_it(
    tmp_path: Path, earlier: int, without: int, lost: bool | None
) -> None:
    events = _daily("v1", list(range(earlier + without)))
    log = _log(events, "timestamp,speed_mps")
    for row in log[:earlier]:
        row["channels"] = "timestamp,speed_mps,wheel_speed_1l_mps"
    store = _summed(tmp_path, events=events, ingest_log=log)
    found = dict(_rows(store, "SELECT channel, lost FROM recording_channels"))
    assert found["wheel_speed_1l_mps"] is lost
    assert found["speed_mps"] in (False, None)
    assert _rows(store, "SELECT channels_lost FROM recording_facts") == [(int(lost is True),)]


def test_a_channel_that_was_never_usual_is_not_lost(tmp_path: Path) -> None:
    events = _daily("v1", list(range(20)))
    log = _log(events, "timestamp,speed_mps")
    for row in log[:11]:  # 11 of 15 earlier files: under four in five
        row["channels"] = "timestamp,speed_mps,grade"
    store = _summed(tmp_path, events=events, ingest_log=log)
    assert dict(_rows(store, "SELECT channel, lost FROM recording_channels"))["grade"] is False


def test_the_order_of_rows_changes_nothing(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    events = [
        _event(n, float(rng.integers(0, 80)), vehicle_id=f"v{n % 3}", depot="A" if n % 3 else None,
               hard_stop=bool(n % 2), wheel_rate_hz=float(rng.random()), source_path=f"f{n % 20}",
               surface=("dry_paved", "loose", "unknown", None)[n % 4], brake_energy_kj=float(rng.random() * 1e3),
               friction_brake_kj=float(rng.random() * 1e3), friction_brake_se_kj=float(rng.random()))
        for n in range(200)
    ]  # fmt: skip
    trips = [_trip(n, float(rng.integers(0, 80)), 2, float(rng.random() * 100), f"v{n % 3}") for n in range(150)]
    log = [
        {"path": f"f{n}", "status": "loaded", "loaded_at": READ_AT, "last_at": START, "channels": f"a,c{n % 4}"}
        for n in range(20)
    ]
    told = []
    for turn in range(2):
        if turn:
            for rows in (events, trips, log):
                rng.shuffle(rows)  # type: ignore[arg-type]
        store = _summed(tmp_path / str(turn), events=events, trips=trips, ingest_log=log)
        told.append([_rows(store, f"FROM {table}") for table in SUMMARIES])
    assert told[0] == told[1]


def test_nothing_published_sums_up_to_nothing(tmp_path: Path) -> None:
    store = _summed(tmp_path)
    for table in SUMMARIES:
        assert _rows(store, f"SELECT count(*) FROM {table}") == [(0,)]

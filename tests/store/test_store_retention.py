"""How far back is kept, on known days, and which rows go: closed cases written by hand."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from store_rows import event, ingest, wheel

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.core.tables import REGISTERS
from fleetbrake.store.ageing.dropped_rows import remember_dropped, without_dropped
from fleetbrake.store.ageing.retention import (
    RetentionPolicy,
    aged_events,
    aged_register,
    checked_policy,
    months_before,
    policy,
    read_state,
    set_policy,
    write_state,
)
from fleetbrake.store.ageing.retention_clock import (
    AgeingDay,
    ageing_day,
    believed,
    look_at_all_again,
    note_refused,
)
from fleetbrake.store.ageing.retention_lake import sweep
from fleetbrake.store.ageing.retention_law import law_warnings
from fleetbrake.store.ageing.retention_records import RECORDS, OnFile, aged_records
from fleetbrake.store.arrow import arrow_schema
from fleetbrake.store.lake_schema import LAKE_EVENTS
from fleetbrake.store.log import read_log
from fleetbrake.store.log_writing import commit_log

TODAY = date(2026, 3, 31)
NOTHING_OPEN = OnFile(frozenset(), frozenset())


@pytest.mark.parametrize(
    ("day", "months", "before"),
    [
        (date(2026, 3, 31), 1, date(2026, 2, 28)),  # February has no 31st
        (date(2024, 3, 31), 1, date(2024, 2, 29)),  # nor in a leap year
        (date(2024, 2, 29), 12, date(2023, 2, 28)),  # a leap day has none the year before
        (date(2028, 2, 29), 48, date(2024, 2, 29)),
        (date(2026, 7, 31), 1, date(2026, 6, 30)),
        (date(2026, 1, 15), 13, date(2024, 12, 15)),
        (date(2026, 12, 31), 12, date(2025, 12, 31)),
        (date(2026, 11, 26), 13, date(2025, 10, 26)),
    ],
)
def test_months_back_end_on_a_day_that_the_month_has(day: date, months: int, before: date) -> None:
    assert months_before(day, months) == before


def _events(*rows: dict[str, Any]) -> pa.Table:
    return pa.Table.from_pylist(list(rows), schema=arrow_schema(LAKE_EVENTS))


def _at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def test_the_first_moment_of_the_cutoff_day_is_kept_and_the_one_before_it_is_not() -> None:
    place = {"driver_id": "D-1", "latitude_deg": 48.0, "longitude_deg": 11.0, "peak_decel_mps2": 4.5}
    table = _events(
        event("old", started_at=_at("2025-02-27T23:59:59.999999"), **place),
        event("new", started_at=_at("2025-02-28T00:00:00"), **place),
        event("held", started_at=_at("2024-01-01T00:00:00"), **place),
    )
    held = pa.array([False, False, True])
    aged = aged_events(table, RetentionPolicy(), TODAY, held)  # 13 months before 31 March: 28 February
    assert aged.column("driver_id").to_pylist() == [None, "D-1", "D-1"]
    assert aged.column("latitude_deg").to_pylist() == [None, 48.0, 48.0]
    assert aged.column("longitude_deg").to_pylist() == [None, 11.0, 11.0]
    others = [name for name in table.column_names if name not in ("driver_id", "latitude_deg", "longitude_deg")]
    assert aged.select(others).equals(table.select(others))
    assert aged_events(aged, RetentionPolicy(), TODAY, held) is aged, "a second time changes nothing"
    assert aged_events(table, RetentionPolicy(positions_and_drivers_months=None), TODAY) is table
    assert aged_events(table, None, TODAY) is table


def test_a_trip_under_way_on_the_cutoff_loses_its_driver_and_keeps_its_kilometres() -> None:
    trips = _register(
        "trips",
        {
            "trip_id": "t1",
            "vehicle_id": "van-1",
            "driver_id": "D-1",
            "started_at": _at("2025-02-27T22:00"),
            "ended_at": _at("2025-02-28T03:00"),
            "distance_km": 80.0,
        },
        {
            "trip_id": "t2",
            "vehicle_id": "van-1",
            "driver_id": "D-1",
            "started_at": _at("2025-02-28T04:00"),
            "ended_at": _at("2025-02-28T05:00"),
            "distance_km": 40.0,
        },
    )
    aged = aged_register("trips", trips, RetentionPolicy(), TODAY)
    assert aged.column("driver_id").to_pylist() == [None, "D-1"]
    assert aged.column("distance_km").to_pylist() == [80.0, 40.0]
    drivers = _register("drivers", {"driver_id": "D-1"})
    assert aged_register("drivers", drivers, RetentionPolicy(), TODAY) is drivers


def _register(name: str, *rows: dict[str, Any]) -> pa.Table:
    return pa.Table.from_pylist(list(rows), schema=arrow_schema(dict(REGISTERS[name])))


def _inspection(
    number: int, day: str, finding: str = "none", severity: int | None = 0, **values: Any
) -> dict[str, Any]:
    row = {
        "inspection_id": f"i{number}",
        "vehicle_id": "van-1",
        "inspected_on": date.fromisoformat(day),
        "finding": finding,
        "severity": severity,
    }
    return row | values


def _repair(day: str, work: str = "adjustment", **values: Any) -> dict[str, Any]:
    return {"vehicle_id": "van-1", "repaired_on": date.fromisoformat(day), "work": work} | values


def _test(day: str, **values: Any) -> dict[str, Any]:
    return {"vehicle_id": "van-1", "tested_on": date.fromisoformat(day), "method": "roller", "wheel": "1L"} | values


def _gone(rules: dict[str, int], on_file: OnFile = NOTHING_OPEN, **rows: list[dict[str, Any]]) -> dict[str, list[Any]]:
    tables = {name: _register(name, *rows.get(name, [])) for name in RECORDS}
    judged = aged_records(tables, RetentionPolicy(**{f"{k}_months": v for k, v in rules.items()}), TODAY, [], on_file)
    return {name: [row.get("inspection_id") or _day(row) for row in one.gone] for name, one in judged.items()}


def _day(row: dict[str, Any]) -> str:
    moment = row.get("repaired_on") or row.get("tested_on") or row.get("reported_at")
    assert moment is not None
    return str(moment)[:10]


def test_records_without_a_period_are_not_judged() -> None:
    assert _gone({}, inspections=[_inspection(1, "1999-01-01")]) == {}


def test_an_answered_finding_goes_with_its_answer_and_the_newest_inspection_stays() -> None:
    gone = _gone(
        {"inspections": 14, "repairs": 14},
        inspections=[
            _inspection(1, "2022-01-10", "brake_drag", 2, wheel="1L"),
            _inspection(2, "2023-01-10"),
            _inspection(3, "2024-01-10"),
        ],
        repairs=[_repair("2022-01-12", wheel="1L")],
    )
    assert gone == {"inspections": ["i1", "i2"], "repairs": ["2022-01-12"]}


def test_an_open_finding_never_goes_nor_anything_else_of_its_vehicle() -> None:
    gone = _gone(
        {"inspections": 14, "repairs": 14, "brake_tests": 14},
        inspections=[
            _inspection(1, "2020-01-10", "brake_drag", 3, wheel="1L"),  # no work, no clean inspection since
            _inspection(2, "2021-01-10", "other", 1),
            _inspection(3, "2019-01-10", vehicle_id="van-2"),
            _inspection(4, "2020-01-10", vehicle_id="van-2"),
        ],
        repairs=[_repair("2020-02-01", "tyre")],  # does not answer a dragging brake
        brake_tests=[_test("2019-01-01"), _test("2020-01-01")],
    )
    assert gone == {"inspections": ["i3"], "repairs": [], "brake_tests": []}


def test_what_the_scores_hold_open_stays_though_statutory_dates_do_not_mind() -> None:
    rows = [_inspection(1, "2020-01-10", "brake_drag", 2), _inspection(2, "2020-06-01"), _inspection(3, "2021-06-01")]
    assert _gone({"inspections": 14}, inspections=rows)["inspections"] == ["i1", "i2"]
    open_ = OnFile(frozenset({"van-1"}), frozenset())
    assert _gone({"inspections": 14}, open_, inspections=rows)["inspections"] == []


def test_an_answer_stays_as_long_as_what_it_answers() -> None:
    """Inspections are kept for good here, repairs a year: without its repair the finding would be open again."""
    gone = _gone(
        {"repairs": 12},
        inspections=[_inspection(1, "2022-01-10", "brake_drag", 2, wheel="1L")],
        repairs=[_repair("2022-01-12", wheel="1L"), _repair("2021-05-05")],
    )
    assert gone == {"repairs": ["2021-05-05"]}


def test_work_and_visits_since_a_failed_test_stay_while_the_test_is_on_file() -> None:
    failed = OnFile(frozenset(), frozenset({("van-1", date(2022, 1, 10))}))
    rows: dict[str, list[dict[str, Any]]] = {
        "brake_tests": [_test("2022-01-10"), _test("2023-01-10")],
        "inspections": [_inspection(1, "2021-01-10"), _inspection(2, "2022-02-01"), _inspection(3, "2024-01-01")],
        "repairs": [_repair("2022-01-11"), _repair("2021-01-11")],
    }
    kept_test = _gone({"inspections": 12, "repairs": 12}, failed, **rows)
    assert kept_test == {"inspections": ["i1"], "repairs": ["2021-01-11"]}
    every = _gone({"inspections": 12, "repairs": 12, "brake_tests": 12}, failed, **rows)
    assert every["brake_tests"] == ["2022-01-10"]
    assert every["inspections"] == ["i1", "i2"]
    assert sorted(every["repairs"]) == ["2021-01-11", "2022-01-11"]


def test_visits_go_whole_and_rows_without_a_vehicle_stay() -> None:
    """The clean row of a visit would clear the vehicle once the bad row of the same day were gone."""
    gone = _gone(
        {"inspections": 12},
        inspections=[
            _inspection(1, "2020-01-10", "none", 0, wheel="1R"),
            _inspection(2, "2020-01-10", "brake_drag", 2, vehicle_id=None),
            _inspection(3, "2020-01-10", "brake_drag", 2, wheel="1L"),
            _inspection(4, "2025-12-01"),
        ],
    )
    assert gone == {"inspections": ["i1", "i3"]}


def test_an_uncleared_report_never_goes_and_a_cleared_one_counts_from_its_clearing() -> None:
    def report(day: str, cleared: str | None) -> dict[str, Any]:
        moment = _at(cleared) if cleared else None
        return {"vehicle_id": "van-1", "reported_at": _at(day), "text": "pulls", "severity": 2, "cleared_at": moment}

    gone = _gone(
        {"defect_reports": 3},
        defect_reports=[
            report("2020-01-01", None),
            report("2020-01-02", "2020-01-05"),
            report("2020-01-03", "2026-03-01"),
        ],
    )
    assert gone == {"defect_reports": ["2020-01-02"]}


def test_a_dropped_row_does_not_come_back_and_a_corrected_one_does(tmp_path: Path) -> None:
    rules = RetentionPolicy(inspections_months=14)
    old = _inspection(1, "2020-01-10", "brake_drag", 2, wheel="1L", note="by A. Smith")
    remember_dropped(tmp_path, "inspections", _register("inspections", old).to_pylist())
    again = _register("inspections", old | {"note": None}, _inspection(2, "2020-01-11"))
    assert without_dropped(tmp_path, {"inspections": again}, rules, TODAY)["inspections"].column(0).to_pylist() == [
        "i2"
    ]
    corrected = _register("inspections", old | {"severity": 3})
    assert without_dropped(tmp_path, {"inspections": corrected}, rules, TODAY)["inspections"].num_rows == 1
    longer = RetentionPolicy(inspections_months=120)
    assert without_dropped(tmp_path, {"inspections": again}, longer, TODAY)["inspections"].num_rows == 2


def test_rules_are_kept_and_damaged_ones_are_refused(tmp_path: Path) -> None:
    assert policy(tmp_path) is None
    rules = RetentionPolicy(repairs_months=24)
    set_policy(tmp_path, rules)
    assert policy(tmp_path) == rules
    write_state(tmp_path, {"policy": {"repairs_months": -1}})
    with pytest.raises(StoreError, match="set them again"):
        policy(tmp_path)
    (tmp_path / "retention.json").write_text("[")
    with pytest.raises(StoreError, match="cannot be read"):
        policy(tmp_path)
    with pytest.raises(InputError, match=r"repairs_months.*months_of_all"):
        checked_policy({"repairs_months": 0, "months_of_all": 3})


def test_periods_under_those_of_the_law_are_warned_of() -> None:
    assert law_warnings(RetentionPolicy(inspections_months=14, repairs_months=12, defect_reports_months=3)) == []
    told = law_warnings(RetentionPolicy(inspections_months=13, repairs_months=11, defect_reports_months=2))
    assert [sentence.split()[0] for sentence in told] == ["Inspections", "Repairs", "Defect"]
    assert "14 months" in told[0]


def test_a_clock_that_is_far_ahead_is_not_believed(tmp_path: Path) -> None:
    assert ageing_day(tmp_path, today=TODAY).day == TODAY, "nothing to hold it against"
    ingest(tmp_path, "a.parquet", [event("e1")], [wheel("e1", "1L")])
    entry = next(iter(read_log(tmp_path)))
    commit_log(tmp_path, [type(entry)(**{**vars(entry), "last_at": _at("2026-01-12T09:00")})])
    near, far = date(2026, 4, 14), date(2026, 4, 15)  # 92 and 93 days after the newest reading
    assert ageing_day(tmp_path, today=near) == AgeingDay(near, near)
    doubted = ageing_day(tmp_path, today=far)
    assert doubted.day is None and doubted.doubt is not None and "--today 2026-04-15" in doubted.doubt
    write_state(tmp_path, {"applied": {"on": "2026-04-01"}})
    assert ageing_day(tmp_path, today=far) == AgeingDay(far, far)


def _read_until(store: Path, last_at: str, loaded_at: str) -> None:
    ingest(store, "a.parquet", [event("e1")], [wheel("e1", "1L")])
    entry = next(iter(read_log(store)))
    commit_log(store, [replace(entry, last_at=_at(last_at), loaded_at=_at(loaded_at))])


def test_what_was_too_old_once_stays_so_under_a_clock_years_ahead(tmp_path: Path) -> None:
    applied = date(2026, 4, 1)
    write_state(tmp_path, {"applied": {"on": applied.isoformat()}})
    assert ageing_day(tmp_path, today=date(2062, 1, 1)).day == applied


def test_a_clock_behind_the_last_time_is_doubted_and_that_day_moves_nothing(tmp_path: Path) -> None:
    """Either day may be the wrong one: nothing is dropped, and what is read in is as old as the readings tell."""
    _read_until(tmp_path, "2026-03-20T09:00", "2026-03-21T09:00")
    for on, now, day in (
        ("2036-01-01", "2026-04-01", "2026-04-01"),  # rules were applied for a day that was never there
        ("2026-03-25", "1970-01-01", "2026-03-20"),  # a machine without a battery
        ("2026-03-15", "1970-01-01", "2026-03-15"),
    ):
        write_state(tmp_path, {"applied": {"on": on}})
        found = ageing_day(tmp_path, today=date.fromisoformat(now))
        assert found.day == date.fromisoformat(day) and found.doubt is not None, (on, now)
        assert on in found.doubt and f"--today {now}" in found.doubt


def test_a_reading_from_the_future_vouches_for_no_clock(tmp_path: Path) -> None:
    """A recorder whose clock runs 36 years ahead; the file was read in on a day that had come."""
    _read_until(tmp_path, "2062-01-01T09:00", "2026-03-20T10:00")
    assert ageing_day(tmp_path, today=date(2062, 1, 1)).doubt is not None
    assert ageing_day(tmp_path, today=date(2026, 4, 1)).doubt is None


def test_a_day_of_rules_that_has_not_come_is_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fleetbrake.store.ageing.retention_clock.this_day", lambda: TODAY)
    good = {"on": "2026-03-31", "cutoff": "2025-02-28", "at": "2026-03-31T01:00:00+00:00"}
    assert believed({"applied": good}) == good and believed({}) == {}
    assert believed({"applied": {**good, "on": "2026-04-01"}}) == {}
    assert believed({"applied": {**good, "at": "2036-03-31T01:00:00+00:00"}}) == {**good, "at": None}


def test_since_when_nothing_was_dropped(tmp_path: Path) -> None:
    write_state(tmp_path, {"applied": {"at": "2026-03-01T00:00:00+00:00"}})
    days = [note_refused(tmp_path, date(2026, 4, day)) for day in (3, 20, 1)]
    assert days == [date(2026, 4, 3), date(2026, 4, 3), date(2026, 4, 1)]
    look_at_all_again(tmp_path)
    assert read_state(tmp_path)["applied"]["at"] is None


def test_only_pieces_that_came_of_age_are_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from fleetbrake.store.lake import Lake

    store = tmp_path / "store"
    for number in range(4):
        began = _at("2025-01-01T08:00") + timedelta(days=20 * number)
        key = ingest(store, f"{number}.parquet", [event(f"e{number}", started_at=began, driver_id="D-1")])
        entry = next(one for one in read_log(store) if one.key == key)
        facts = {**vars(entry), "first_at": began, "last_at": began, "loaded_at": _at("2025-12-01T00:00")}
        commit_log(store, [type(entry)(**facts)])
    looked: list[str] = []
    real = Lake.events_of

    def watched(lake: Lake, key: str, *columns: Any) -> pa.Table:
        looked.append(key)
        return real(lake, key, *columns)

    monkeypatch.setattr(Lake, "events_of", watched)
    rules, log = RetentionPolicy(), read_log(store)
    first = sweep(store, log, rules, date(2026, 2, 10), [], {}, before=lambda: None)  # cutoff 10 January 2025
    assert (first.pieces, first.rows) == (1, 1)
    looked.clear()
    applied = {"cutoff": "2025-01-10", "at": "2026-02-10T00:00:00+00:00", "held_back": []}
    second = sweep(store, log, rules, date(2026, 3, 1), [], applied, before=lambda: None)  # cutoff 1 February
    assert (second.pieces, second.rows) == (1, 1)
    assert len(set(looked)) == 1, "neither the piece of the last time nor those that are young"

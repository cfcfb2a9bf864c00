"""Which rows a hold freezes, and that who held and released what is kept: closed cases written by hand."""

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from store_rows import event, register

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.core.tables import REGISTERS
from fleetbrake.store.arrow import arrow_schema
from fleetbrake.store.holding.hold_ends import released, rewrite_released
from fleetbrake.store.holding.holds import active_holds, all_holds, held_events, held_rows, placed
from fleetbrake.store.lake_schema import LAKE_EVENTS
from fleetbrake.store.registers import read_register


def _at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def _place(store: Path, **what: Any) -> str:
    empty = {"vehicle_id": None, "driver_id": None, "from_at": None, "to_at": None}
    return placed(store, **{**empty, **what}, reason="collision", by="A. Clerk").hold_id


def _events(*rows: dict[str, Any]) -> pa.Table:
    return pa.Table.from_pylist(list(rows), schema=arrow_schema(LAKE_EVENTS))


@pytest.fixture
def store(tmp_path: Path) -> Path:
    trips = [
        ("t1", "van-1", "D-1", "2026-01-12T08:00", "2026-01-12T10:00", None),
        ("t2", "van-2", "D-1", "2026-01-12T11:00", "2026-01-12T12:00", None),
        ("t3", "van-1", "D-2", "2026-01-13T08:00", "2026-01-13T10:00", "trailer-9+trailer-8"),
    ]
    names = ("trip_id", "vehicle_id", "driver_id", "started_at", "ended_at", "trailer_ids")
    rows = [dict(zip(names, trip, strict=True)) for trip in trips]
    register(tmp_path, trips=[r | {k: _at(str(r[k])) for k in ("started_at", "ended_at")} for r in rows])
    return tmp_path


EVENTS = _events(
    event("a", started_at=_at("2026-01-12T08:30"), driver_id="D-1"),
    event("b", started_at=_at("2026-01-12T09:30"), driver_id=None),  # its driver is known from the trip alone
    event("c", started_at=_at("2026-01-12T11:30"), vehicle_id="van-2", driver_id=None),
    event("d", started_at=_at("2026-01-13T09:00"), driver_id="D-2"),
    event("e", started_at=_at("2026-01-14T09:00"), driver_id="D-1", vehicle_id="van-3"),
)


def _held(store: Path) -> list[str]:
    mask = held_events(active_holds(store), EVENTS)
    return EVENTS.column("event_id").filter(mask).to_pylist()


@pytest.mark.parametrize(
    ("what", "events"),
    [
        ({"vehicle_id": "van-1"}, ["a", "b", "d"]),
        ({"vehicle_id": "nobody"}, []),
        ({"driver_id": "D-1"}, ["a", "b", "c", "e"]),  # recorded, or by the trips
        ({"vehicle_id": "van-1", "driver_id": "D-1"}, ["a", "b"]),  # and
        ({"vehicle_id": "trailer-9"}, ["d"]),  # towed: the drive of the towing vehicle
        ({"from_at": _at("2026-01-13T00:00")}, ["d", "e"]),
        # a touches the first trip, which is frozen whole
        ({"from_at": _at("2026-01-12T08:00"), "to_at": _at("2026-01-12T08:40")}, ["a", "b"]),
        ({"vehicle_id": "van-2", "to_at": _at("2026-01-12T00:00")}, []),
    ],
)
def test_what_a_hold_freezes(store: Path, what: dict[str, Any], events: list[str]) -> None:
    _place(store, **what)
    assert _held(store) == events


def test_several_holds_freeze_what_any_names_and_a_released_one_nothing(store: Path) -> None:
    first, _ = _place(store, vehicle_id="van-2"), _place(store, vehicle_id="van-3")
    assert _held(store) == ["c", "e"]
    released(store, first, by="B. Clerk", reason="settled")
    assert _held(store) == ["e"]


def test_an_event_that_runs_into_the_time_is_held() -> None:
    from fleetbrake.store.holding.holds import Hold

    hold = Hold(
        "hold-1", "van-1", None, _at("2026-01-12T08:00:10"), _at("2026-01-12T08:00:20"), "r", "b", _at("2026-01-12")
    )
    times = {"samples": 1000, "sample_rate_hz": 100.0}  # 10 s
    rows = _events(
        event("before", started_at=_at("2026-01-12T07:59:59"), **times),
        event("into", started_at=_at("2026-01-12T08:00:01"), **times),
        event("from its end", started_at=_at("2026-01-12T08:00:20"), **times),
        event("unknown length", started_at=_at("2026-01-12T08:00:15"), samples=10, sample_rate_hz=None),
    )
    assert held_events([hold], rows).to_pylist() == [False, True, False, True]
    assert held_events([], rows).to_pylist() == [False] * 4


def test_registers_of_a_held_vehicle_are_frozen_whatever_their_day(store: Path) -> None:
    _place(store, vehicle_id="van-1", from_at=_at("2026-01-12T00:00"), to_at=_at("2026-01-13T00:00"))
    holds = active_holds(store)
    rows = [
        {"inspection_id": str(n), "vehicle_id": v, "inspected_on": date(2020, 1, 1)}
        for n, v in enumerate(("van-1", "x"))
    ]
    table = pa.Table.from_pylist(rows, schema=arrow_schema(dict(REGISTERS["inspections"])))
    assert held_rows(holds, "inspections", table).to_pylist() == [True, False]
    assert held_rows(holds, "trips", read_register(store, "trips")).to_pylist() == [True, False, False]
    drivers = pa.table({"driver_id": ["D-1", "D-2"], "depot": [None, None]})
    assert held_rows(holds, "drivers", drivers).to_pylist() == [False, False]
    _place(store, driver_id="D-2")
    assert held_rows(active_holds(store), "drivers", drivers).to_pylist() == [False, True]


def test_a_hold_on_a_time_freezes_the_records_of_that_time(store: Path) -> None:
    _place(store, from_at=_at("2026-01-12T00:00"), to_at=_at("2026-01-13T12:00"))
    days = [date(2026, 1, 11), date(2026, 1, 12), date(2026, 1, 13), date(2026, 1, 14)]
    rows = [{"vehicle_id": "x", "repaired_on": day} for day in days]
    table = pa.Table.from_pylist(rows, schema=arrow_schema(dict(REGISTERS["repairs"])))
    assert held_rows(active_holds(store), "repairs", table).to_pylist() == [False, True, True, False]


def test_who_held_and_released_what_is_kept(store: Path) -> None:
    first = _place(store, vehicle_id="van-1")
    released(store, first, by="B. Clerk", reason="settled", at=_at("2026-05-01T10:00"))
    second = _place(store, driver_id="D-1")
    assert [one.hold_id for one in all_holds(store)] == [first, second] == ["hold-1", "hold-2"]
    ended = all_holds(store)[0].released
    assert ended is not None and (ended.by, ended.reason) == ("B. Clerk", "settled")
    for wrong in (first, "hold-9"):
        with pytest.raises(InputError):
            released(store, wrong, by="B. Clerk", reason="again")


@pytest.mark.parametrize(
    "wrong",
    [
        {},
        {"vehicle_id": "  "},
        {"from_at": _at("2026-01-02T00:00"), "to_at": _at("2026-01-01T00:00")},
    ],
)
def test_a_hold_that_names_nothing_is_refused(store: Path, wrong: dict[str, Any]) -> None:
    with pytest.raises(InputError):
        _place(store, **wrong)
    assert all_holds(store) == []


def test_holds_that_cannot_be_read_stop_everything(store: Path) -> None:
    (store / "holds.json").write_text('[{"hold_id": "x"}]')
    with pytest.raises(StoreError, match="nothing may be dropped"):
        active_holds(store)


def test_only_released_holds_are_rewritten(store: Path) -> None:
    first, _ = _place(store, driver_id="D-1"), _place(store, driver_id="D-1")
    released(store, first, by="B. Clerk", reason="D-1 left")
    assert rewrite_released(store, lambda text: text.replace("D-1", "x")) == 1
    assert [one.driver_id for one in all_holds(store)] == ["x", "D-1"]
    assert rewrite_released(store, lambda text: text.replace("D-1", "x")) == 0

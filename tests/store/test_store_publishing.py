"""Publishing what is new: any sequence of publishings gives the rows that publishing all at once gives."""

import random
import shutil
from collections import Counter
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pytest
from store_rows import SETTINGS, START, event, publish, published, register, rows, wheel

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.core.tables import REGISTERS
from fleetbrake.store import lake as lake_module
from fleetbrake.store import publish as publish_module
from fleetbrake.store.arrow import arrow_schema
from fleetbrake.store.database import rebuilding
from fleetbrake.store.lake import Lake, piece_key
from fleetbrake.store.lake_schema import LAKE_EVENT_WHEELS, LAKE_EVENTS
from fleetbrake.store.log import LogEntry, read_log
from fleetbrake.store.log_writing import commit_log, replace_log
from fleetbrake.store.publish import publish_recordings
from fleetbrake.store.publishing import wide
from fleetbrake.store.registers import read_register, write_register

VEHICLES, DRIVERS = ("van-1", "van-2", "bus-3", "truck-4"), ("D1", "D2", None)


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of few pieces and slices of few events, so that small stores have several of each."""
    monkeypatch.setattr(lake_module, "FOLD_FROM", 4)
    monkeypatch.setattr(lake_module, "BLOCK_PIECES", 3)
    monkeypatch.setattr(wide, "SLICE_EVENTS", 9)


def tables(store: Path) -> dict[str, Counter[str]]:
    """Rows of every published table, in no order."""
    return {name: Counter(map(repr, content)) for name, content in published(store).items()}


def same_as_all_at_once(store: Path, beside: Path) -> None:
    """Compare the published tables with those of a store that has the same lake and registers and no past."""
    shutil.rmtree(beside, ignore_errors=True)
    beside.mkdir()
    for folder in ("lake", "registers"):
        if (store / folder).exists():
            shutil.copytree(store / folder, beside / folder)
    publish(beside)
    found, wanted = tables(store), tables(beside)
    assert found.keys() == wanted.keys()
    for name in wanted:
        assert found[name] == wanted[name], name


def take_in(store: Path, path: str, bytes_: str, events: list[dict[str, Any]], **facts: Any) -> None:
    """A file of these bytes into lake and log."""
    key = piece_key(path, bytes_, SETTINGS)
    wheels = [
        wheel(one["event_id"], name, vehicle_id=one["vehicle_id"], lockup=one.get("lockup"))
        for one in events
        for name in ("1L", "1R")
    ]
    Lake(store).write_piece(
        key,
        pa.Table.from_pylist(events, schema=arrow_schema(LAKE_EVENTS)),
        pa.Table.from_pylist(wheels, schema=arrow_schema(LAKE_EVENT_WHEELS)),
    )
    told = {"rows": 1000, "events": len(events), "loaded_at": START + timedelta(days=80), "channels": "speed_mps,grade"}
    commit_log(store, [LogEntry(path, bytes_, SETTINGS, key, "loaded", **(told | facts))])


class World:
    """A store to which anything may happen; all of it follows from the seed."""

    def __init__(self, store: Path, seed: int) -> None:
        self.store, self.chance, self.number = store, random.Random(seed), 0

    def moment(self) -> Any:
        days = self.chance.choice([0, 0, 1, 3, 20, 40, 40, 75, 400])
        return START + timedelta(days=days, seconds=self.chance.choice([0, 0.2, 0.4, 1, 3, 30, 55, 90, 4000]))

    def event(self, name: str) -> dict[str, Any]:
        pick = self.chance.choice
        continuous = pick([True, True, False])
        return event(
            name,
            vehicle_id=pick([*VEHICLES, None] if self.chance.random() < 0.1 else VEHICLES),
            driver_id=pick(DRIVERS),
            started_at=None if self.chance.random() < 0.03 else self.moment(),
            samples=pick([100, 200, None]),
            row_start=self.chance.randrange(4),
            end_s=pick([3.0, 5.0, 30.0, None]),
            continuous=continuous,
            peak_decel_mps2=pick([2.0, 3.5, None]),
            lockup=pick([True, False, None]),
            not_braking=pick([None, None, None, "standstill"]),
            demand_kind="pressure",
            demand_peak=pick([500.0, 900.0]),
            brake_energy_kj=pick([None, 10.0, 33.3]),
            gross_mass_kg=pick([None, 2000.0]),
            sample_rate_hz=pick([10.0, 50.0]),
        )

    def file(self) -> None:
        self.number += 1
        names = self.chance.sample([f"e{i}" for i in range(40)], self.chance.randrange(5))
        take_in(
            self.store,
            f"f{self.chance.randrange(12)}",
            f"bytes-{self.number}",
            [self.event(name) for name in names],
            loaded_at=START + timedelta(days=self.chance.choice([5, 50, 80])),
            last_at=self.moment(),
            channels=self.chance.choice(["speed_mps", "speed_mps,grade", None]),
        )

    def reject(self) -> None:
        path = f"f{self.chance.randrange(12)}"
        commit_log(self.store, [LogEntry(path, "bad", "c", None, "rejected", reason=f"{self.number} is bad")])

    def leave(self) -> None:
        entries = [entry for entry in read_log(self.store) if self.chance.random() < 0.8]
        replace_log(self.store, entries)
        Lake(self.store).remove_unlisted(read_log(self.store).keys())

    def rewrite(self) -> None:
        """As retention does: drivers out of a piece that is there."""
        lake = Lake(self.store)
        for key in self.chance.sample(sorted(read_log(self.store).keys()), k=min(2, len(read_log(self.store).keys()))):
            events = lake.events_of(key)
            place = events.schema.get_field_index("driver_id")
            lake.rewrite_events(key, events.set_column(place, "driver_id", pa.nulls(events.num_rows, pa.string())))

    def vehicle(self) -> None:
        pick: Any = self.chance.choice
        row: dict[str, Any] = {
            "vehicle_id": pick(VEHICLES),
            "category": pick(["M1", "N3", "M3", None]),
            "depot": pick(["n", "s", None]),
        }
        row |= {"axles": pick([2, 3]), "actuation": pick(["air", "hydraulic"]), "sensed_wheels": pick(["1L", None])}
        register(self.store, vehicles=[row | {"odometer_km": float(self.number)}])

    def driver(self) -> None:
        register(self.store, drivers=[{"driver_id": self.chance.choice(["D1", "D2", "D3"]), "depot": "n"}])

    def trip(self) -> None:
        start = self.moment()
        row = {
            "trip_id": f"t{self.chance.randrange(8)}",
            "vehicle_id": self.chance.choice(VEHICLES),
            "driver_id": self.chance.choice(["D1", "D2", "D3"]),
            "started_at": start,
            "ended_at": self.chance.choice([start + timedelta(seconds=60), start + timedelta(days=30), START, None]),
            "distance_km": self.chance.choice([5.0, 0.0, None, 120.0]),
        }
        register(self.store, trips=[row])

    def fewer_trips(self) -> None:
        trips = read_register(self.store, "trips")
        write_register(self.store, "trips", trips.slice(self.chance.randrange(3)))

    def step(self) -> None:
        many = [self.file] * 8 + [self.vehicle, self.driver, self.trip, self.trip, self.fewer_trips]
        for _ in range(self.chance.choice([0, 1, 1, 2, 3])):
            self.chance.choice([*many, self.reject, self.leave, self.rewrite])()


@pytest.fixture
def never_anew(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Nothing is published all at once but what is published first; what was, by store."""
    began = list[str]()
    real = publish_module.begin_anew

    def counted(con: duckdb.DuckDBPyConnection) -> None:
        began.append("all at once")
        real(con)

    monkeypatch.setattr(publish_module, "_MOST_SHARE", 2.0)
    monkeypatch.setattr(publish_module, "begin_anew", counted)
    return began


@pytest.mark.parametrize(
    ("seed", "rounds"), [(0, 3), *(pytest.param(seed, 5, marks=pytest.mark.long) for seed in range(12))]
)
def test_any_sequence_gives_what_publishing_all_at_once_gives(
    tmp_path: Path, seed: int, rounds: int, never_anew: list[str]
) -> None:
    world = World(tmp_path / "store", seed)
    world.store.mkdir()
    for _ in range(8):
        world.file()
    publish(world.store)
    for _ in range(rounds):
        for _ in range(world.chance.choice([1, 1, 2, 3])):
            world.step()
            publish(world.store)
        same_as_all_at_once(world.store, tmp_path / "beside")
    assert len(never_anew) == 1 + rounds, "the first time, and the stores compared with"
    assert len(rows(world.store, "FROM events")) > 5


def test_every_column_of_the_register_of_vehicles_counts(tmp_path: Path, never_anew: list[str]) -> None:
    """A vehicle a column, of which that column alone becomes another."""
    store, facts = tmp_path / "store", {"peak_decel_mps2": 3.5, "demand_kind": "pressure", "demand_peak": 800.0}
    facts |= {"brake_energy_kj": 50.0, "gross_mass_kg": 3000.0, "braking_distance_m": 40.0, "lockup": True}
    facts |= {"modulation_seen_hz": 4.0, "wheel_rate_hz": 50.0, "lockup_speed_mps": 3.0, "lift_axle_up": True}
    facts |= {"effectiveness": 0.01, "air_path_m3ps2": 90.0, "build_up_s": 0.3}
    columns = [(column, type_) for column, type_ in REGISTERS["vehicles"] if column != "vehicle_id"]
    take_in(store, "a", "1", [event(f"e-{name}", vehicle_id=name, **facts) for name, _ in columns])
    base = {"category": "N1", "axles": 2, "actuation": "hydraulic", "depot": "n"}
    register(store, vehicles=[{"vehicle_id": name, **base} for name, _ in columns])
    publish(store)
    other = {"BIGINT": 3, "DOUBLE": 50_000.0, "VARCHAR": "1L+regen", "DATE": START.date(), "BOOLEAN": True}
    own = {"category": "M3", "actuation": "air"}
    for name, type_ in columns:
        register(store, vehicles=[{"vehicle_id": name, **base, name: own.get(name, other[type_])}])
    publish(store)
    assert len(never_anew) == 1
    same_as_all_at_once(store, tmp_path / "beside")


def test_only_what_is_new_is_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(9):
        take_in(tmp_path, f"f{number}", "1", [event(f"e{number}", vehicle_id=f"v{number}")])
    publish(tmp_path)
    made = list[str]()
    real = Lake.pieces

    def noted(lake: Lake, keys: Any) -> Any:
        listed = list(keys)
        made.extend(listed)
        return real(lake, listed)

    monkeypatch.setattr(Lake, "pieces", noted)
    publish(tmp_path)
    assert made == []
    take_in(tmp_path, "f3", "2", [event("e3b", vehicle_id="v3")])
    publish(tmp_path)
    assert set(made) == {piece_key("f3", "2", SETTINGS)}
    assert len(rows(tmp_path, "FROM events")) == 9


def test_what_somebody_else_changed_or_another_version_wrote_is_published_anew(
    tmp_path: Path, never_anew: list[str]
) -> None:
    store = tmp_path / "store"
    for number in range(5):
        take_in(store, f"f{number}", "1", [event(f"e{number}")])
    publish(store)
    with rebuilding(store) as con:
        con.execute("DELETE FROM events WHERE event_id = 'e2'")
    publish(store)
    assert len(never_anew) == 2
    same_as_all_at_once(store, tmp_path / "beside")
    with rebuilding(store) as con:
        con.execute("DROP TABLE publishing_events")
    publish(store)
    with rebuilding(store) as con:
        con.execute("DELETE FROM settings WHERE name = 'published_from'")
        publish_recordings(con, store)
    same_as_all_at_once(store, tmp_path / "beside")
    with rebuilding(store) as con:
        publish_recordings(con, store, anew=True)
    assert len(never_anew) == 7
    same_as_all_at_once(store, tmp_path / "beside")


def test_other_thresholds_make_all_rows_anew(tmp_path: Path) -> None:
    take_in(tmp_path, "a", "1", [event("e", peak_decel_mps2=3.5)])
    publish(tmp_path)
    assert rows(tmp_path, "SELECT hard_stop FROM events") == [(None,)]
    with rebuilding(tmp_path) as con:
        publish_recordings(con, tmp_path, replace(DEFAULT, hard_stop_light_mps2=3.5))
    assert rows(tmp_path, "SELECT hard_stop FROM events") == [(True,)]


def test_a_day_that_was_yet_to_come_comes(tmp_path: Path, never_anew: list[str]) -> None:
    store = tmp_path / "store"
    ahead = START + timedelta(days=9)
    take_in(store, "a", "1", [event("e")], loaded_at=START)
    take_in(
        store, "b", "1", [event("f", vehicle_id="v2"), event("g", vehicle_id="v2", started_at=ahead)], loaded_at=START
    )
    publish(store)
    newest = "SELECT DISTINCT newest_on FROM recording_facts"
    assert rows(store, newest) == [(START.date(),)]
    take_in(store, "c", "1", [event("h", vehicle_id="v3")], loaded_at=ahead)
    publish(store)
    assert rows(store, newest) == [(ahead.date(),)]
    same_as_all_at_once(store, tmp_path / "beside")


def test_trips_that_come_later_change_or_go_reach_the_events(tmp_path: Path, never_anew: list[str]) -> None:
    store, beside = tmp_path / "store", tmp_path / "beside"
    hours = [START + timedelta(hours=hour) for hour in range(8)]
    for number, moment in enumerate(hours):
        take_in(store, f"f{number}", "1", [event(f"e{number}", started_at=moment)])
    take_in(store, "other", "1", [event("x", vehicle_id="van-2")])
    publish(store)

    def told(number: int, first: int, last: int, driver: str, vehicle: str = "van-1", *, alike: bool = True) -> None:
        row = {"trip_id": f"t{number}", "vehicle_id": vehicle, "driver_id": driver, "distance_km": 5.0}
        register(store, trips=[row | {"started_at": hours[first], "ended_at": hours[last]}])
        publish(store)
        if alike:
            same_as_all_at_once(store, beside)

    def drivers() -> list[Any]:
        return [
            row[0] for row in rows(store, "SELECT driver_id FROM events WHERE vehicle_id = 'van-1' ORDER BY started_at")
        ]

    told(1, 2, 5, "D1", alike=False)
    assert drivers() == [None, None, "D1", "D1", "D1", "D1", None, None]
    told(2, 4, 7, "D2")  # begun later: it counts from there on
    assert drivers() == [None, None, "D1", "D1", "D2", "D2", "D2", "D2"]
    told(1, 1, 3, "D3")  # another driver and begin
    assert drivers() == [None, "D3", "D3", "D3", "D2", "D2", "D2", "D2"]
    told(2, 4, 5, "D2", alike=False)
    assert drivers() == [None, "D3", "D3", "D3", "D2", "D2", None, None]
    told(2, 4, 5, "D2", "van-2")  # of another vehicle
    assert drivers() == [None, "D3", "D3", "D3", None, None, None, None]
    write_register(store, "trips", read_register(store, "trips").slice(0, 0))
    publish(store)
    same_as_all_at_once(store, beside)
    assert drivers() == [None] * 8

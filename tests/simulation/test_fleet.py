"""The demo on disk: contract names, consistency between recordings and registers, same seed same bytes."""

import re
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from fleetbrake.core.tables import REGISTERS
from fleetbrake.core.vocabulary import BRAKE_SOURCES, CATEGORIES, FINDINGS, REPAIR_WORK
from fleetbrake.simulation import scenario as sc
from fleetbrake.simulation.fleet import demo_truth, write_demo
from fleetbrake.simulation.samples import SAMPLES, write_samples

VEHICLES = ("VH-V07", "VH-V14", "KR-T02", "OM-B04", "OM-B12", "TW-T07", "TW-T09", "TW-A01")

# the recording contract of the published edges, written out again here on purpose
PLAIN = {
    "event_id", "vehicle_id", "driver_id", "timestamp", "speed_mps", "brake_pressure_kpa", "brake_pedal_pct",
    "brake_switch", "brake_source", "endurance_torque_pct", "regen_power_kw", "accelerator_pct", "lift_axle_up",
    "abs_operational", "abs_warning_lamp", "supply_pressure_kpa", "abs_active", "accel_long_mps2", "accel_lat_mps2",
    "yaw_rate_radps", "steering_angle_rad", "gross_mass_kg", "grade", "air_temp_c", "latitude_deg", "longitude_deg",
    "road_surface",
}  # fmt: skip
BY_WHEEL = re.compile(r"wheel_speed_[1-6][lr]_mps|brake_pressure_[1-6][lr]_kpa")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    write_demo(folder, weeks=2, only=VEHICLES)
    return folder


def files(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def recordings(folder: Path) -> dict[Path, pa.Table]:
    return {p: pq.ParquetFile(p).read() for p in sorted((folder / "recordings").rglob("*.parquet"))}


def test_same_seed_same_bytes_and_another_seed_others(demo: Path, tmp_path: Path) -> None:
    write_demo(tmp_path / "again", weeks=2, only=VEHICLES)
    assert files(tmp_path / "again") == files(demo)
    write_demo(tmp_path / "other", weeks=1, only=VEHICLES[:1], seed=1)
    assert files(tmp_path / "other")["registers/trips.csv"] != files(demo)["registers/trips.csv"]


def test_a_smaller_scenario_is_a_part_of_the_larger_one(demo: Path, tmp_path: Path) -> None:
    write_demo(tmp_path, weeks=2, only=VEHICLES[2:3])
    small, large = files(tmp_path / "recordings"), files(demo / "recordings")
    assert small and small.items() <= large.items()


def test_columns_are_those_of_the_contract(demo: Path) -> None:
    for path, table in recordings(demo).items():
        for name in table.column_names:
            assert name in PLAIN or BY_WHEEL.fullmatch(name), f"{name} in {path.name}"
        assert table.schema.metadata[b"speed_source"] == b"gnss"
        assert table.schema.field("timestamp").type == pa.timestamp("us", "UTC")


def test_events_stand_together_in_time_order_and_are_unique(demo: Path) -> None:
    seen: set[str] = set()
    for table in recordings(demo).values():
        rows = table.select(["event_id", "timestamp"]).to_pandas()
        blocks = rows["event_id"][rows["event_id"] != rows["event_id"].shift()]
        assert blocks.is_unique
        assert not seen & set(blocks)
        seen |= set(blocks)
        steps = rows.groupby("event_id", sort=False)["timestamp"].diff().dropna()
        assert (steps > pd.Timedelta(0)).all()


def test_each_event_lies_in_a_trip_of_its_vehicle_and_driver(demo: Path) -> None:
    trips = pd.read_csv(demo / "registers" / "trips.csv", parse_dates=["started_at", "ended_at"])
    events = 0
    for path, table in recordings(demo).items():
        own = trips[trips["vehicle_id"] == path.parent.name.removeprefix("vehicle_id=")]
        names = [c for c in ("event_id", "timestamp", "driver_id") if c in table.column_names]
        for _, rows in table.select(names).to_pandas().groupby("event_id"):
            first, last = rows["timestamp"].iloc[0], rows["timestamp"].iloc[-1]
            home = own[(own["started_at"] <= first) & (last <= own["ended_at"])]
            assert len(home) == 1
            if "driver_id" in rows:
                assert set(rows["driver_id"]) == set(home["driver_id"])
            events += 1
    assert events == demo_truth(demo)["events"] > 50


def test_no_vehicle_and_no_driver_is_in_two_places_at_once(demo: Path) -> None:
    trips = pd.read_csv(demo / "registers" / "trips.csv", parse_dates=["started_at", "ended_at"])
    for key in ("vehicle_id", "driver_id"):
        ordered = trips.sort_values([key, "started_at"])
        same = ordered[key] == ordered[key].shift()
        assert (ordered["started_at"] >= ordered["ended_at"].shift())[same].all()


def test_registers_keep_to_the_lists(demo: Path) -> None:
    tables = {p.stem: pd.read_csv(p) for p in (demo / "registers").glob("*.csv")}
    assert set(tables) <= set(REGISTERS)
    for name, table in tables.items():
        assert set(table.columns) <= {column for column, _ in REGISTERS[name]}, name
    assert set(tables["vehicles"]["category"]) <= set(CATEGORIES)
    assert set(tables["inspections"]["finding"]) <= set(FINDINGS)
    assert set(tables["repairs"]["work"]) <= set(REPAIR_WORK)
    assert set(tables["trips"]["vehicle_id"]) <= set(tables["vehicles"]["vehicle_id"])
    assert set(tables["trips"]["driver_id"]) <= set(tables["drivers"]["driver_id"])
    assert set(tables["trips"]["trailer_ids"].dropna()) == set(sc.TRAILERS)


def test_inspections_of_the_recorded_weeks_find_what_is_there(demo: Path) -> None:
    tables = {name: pd.read_csv(demo / "registers" / f"{name}.csv") for name in ("inspections", "repairs", "vehicles")}
    assert tables["inspections"]["inspection_id"].is_unique
    late = tables["inspections"][tables["inspections"]["inspected_on"] >= sc.FIRST_DAY.isoformat()]
    repairs = tables["repairs"].set_index("vehicle_id")
    there = {fault["vehicle_id"]: fault for fault in demo_truth(demo)["repaired_faults"]}
    assert not set(there) & {fault.vehicle_id for fault in sc.FAULTS}
    assert len(there) == len(sc.REPAIRED_FAULTS) < len(late)
    assert set(late["vehicle_id"]) >= set(there)
    for row in late.itertuples():
        fault = there.get(row.vehicle_id)
        assert row.finding == (fault["indicator"] if fault else "none")
        assert row.severity == (2 if fault else 0)
        if fault:
            assert row.wheel == fault["wheel"] or (pd.isna(row.wheel) and fault["wheel"] is None)
            assert fault["since"] < row.inspected_on <= fault["repaired_on"] == repairs["repaired_on"][row.vehicle_id]
    last = tables["vehicles"].set_index("vehicle_id")["last_inspection_on"]
    assert (last[late["vehicle_id"]].to_numpy() == late["inspected_on"].to_numpy()).all()


def test_scenes_are_in_the_recordings(demo: Path) -> None:
    by_vehicle: dict[str, list[pa.Table]] = {}
    for path, table in recordings(demo).items():
        by_vehicle.setdefault(path.parent.name.removeprefix("vehicle_id="), []).append(table)

    def frame(name: str) -> pd.DataFrame:
        return pd.concat([t.to_pandas() for t in by_vehicle[name]], ignore_index=True)

    van = frame(sc.ELECTRIC_VAN)
    assert {"driver", "hold", "aeb"} >= set(van["brake_source"]) and set(van["brake_source"]) <= set(BRAKE_SOURCES)
    assert (van["regen_power_kw"] > 5.0).any()
    assert (frame("TW-T09")["road_surface"] == "unpaved").any()
    long_vehicle = frame(sc.ARTICULATED)
    raised = long_vehicle[long_vehicle["lift_axle_up"]]
    assert len(raised) and not raised[["wheel_speed_3l_mps", "wheel_speed_3r_mps"]].any(axis=None)
    assert frame(sc.SPARE_BUS)["event_id"].nunique() == 1  # the second of its two events comes later


def test_progress_is_told_for_every_vehicle(tmp_path: Path) -> None:
    told: list[tuple[str, int, int]] = []
    write_demo(tmp_path, weeks=1, only=VEHICLES[:2], progress=lambda *a: told.append(a))
    assert told == [(VEHICLES[0], 1, 2), (VEHICLES[1], 2, 2)]


def test_weeks_out_of_range_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="weeks"):
        write_demo(tmp_path, weeks=0)


def test_samples_are_small_and_as_shipped(tmp_path: Path) -> None:
    shipped = Path(__file__).parents[2] / "data_samples" / "recordings"
    for path in write_samples(tmp_path):
        assert path.stat().st_size < 150_000
        made, kept = pq.ParquetFile(path).read(), pq.ParquetFile(shipped / path.name).read()
        assert made.schema.equals(kept.schema, check_metadata=True)
        assert made["event_id"].unique() == kept["event_id"].unique()
        # the free rolling before the first demand; later rows may differ in the last bit between processors
        assert made.slice(0, 100).equals(kept.slice(0, 100))
    readme = (shipped.parent / "README.md").read_text(encoding="utf-8")
    assert all(sample.name in readme for sample in SAMPLES)

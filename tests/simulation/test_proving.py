"""The proving fleet: same seed same bytes, its truth is what the model did, and no file tells it."""

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from fleetbrake.core.tables import REGISTERS
from fleetbrake.core.vocabulary import FINDINGS, INDICATORS, REPAIR_WORK
from fleetbrake.simulation.applications import BUS, VAN, applications
from fleetbrake.simulation.proving import faults as fl
from fleetbrake.simulation.proving.fleet import fleet_truth, write_fleet
from fleetbrake.simulation.proving.roster import BURST, trips_of
from fleetbrake.simulation.proving.setting import Size, setting
from fleetbrake.simulation.proving.showing import recordable, showed
from fleetbrake.simulation.run import simulate
from fleetbrake.simulation.tyre import SNOW, WET

SIZE = Size(vehicles=14, drivers=18, days=12)


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("proving")
    write_fleet(folder, 77, SIZE)
    return folder


def files(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_same_seed_same_bytes_and_another_seed_others(fleet: Path, tmp_path: Path) -> None:
    small = Size(5, 6, 5)
    for name, seed in (("once", 77), ("again", 77), ("other", 78)):
        write_fleet(tmp_path / name, seed, small)
    assert files(tmp_path / "again") == files(tmp_path / "once")
    assert files(tmp_path / "other") != files(tmp_path / "once")
    assert fleet_truth(tmp_path / "other")["faults"] != fleet_truth(fleet)["faults"]


def test_recordings_and_registers_keep_the_contract_and_tell_no_truth(fleet: Path) -> None:
    tables = {p: pq.ParquetFile(p).read() for p in (fleet / "recordings").rglob("*.parquet")}
    assert len(tables) >= SIZE.vehicles
    for path, table in tables.items():
        told = " ".join(table.column_names)
        assert not re.search("fault|true|kind|factor|size|lost", told), told
        vehicle = path.parent.name.removeprefix("vehicle_id=")
        assert set(pd.Series(table["event_id"]).str.rsplit("-", n=2).str[0]) == {vehicle}
    for path in (fleet / "registers").glob("*.csv"):
        assert set(pd.read_csv(path).columns) <= {name for name, _ in REGISTERS[path.stem]}
    assert set(pd.read_csv(fleet / "registers" / "inspections.csv")["finding"]) <= set(FINDINGS)
    assert set(fl.SIZES) == set(INDICATORS)


def test_open_faults_are_in_no_register(fleet: Path) -> None:
    """A fault that nobody has found may not show in a finding, a repair or a test since it began."""
    for fault in fleet_truth(fleet)["faults"]:
        for name, day in (("inspections", "inspected_on"), ("repairs", "repaired_on"), ("brake_tests", "tested_on")):
            table = pd.read_csv(fleet / "registers" / f"{name}.csv")
            since = table[(table["vehicle_id"] == fault["vehicle_id"]) & (table[day] >= fault["begin"])]
            assert fault["end"] is not None or since.empty
    assert set(pd.read_csv(fleet / "registers" / "repairs.csv")["work"]) <= set(REPAIR_WORK)


def test_a_hard_stop_of_the_truth_is_one_of_the_model(fleet: Path) -> None:
    """The driver's count in the truth must be what a perfect observer would count by the published definition."""
    truth = fleet_truth(fleet)
    stops = sum(d["hard_stops"] for d in truth["drivers"])
    assert stops > 20
    assert truth["hard_stops_not_reached"] == 0
    assert truth["hard_stops_unasked"] == 0
    tables = [pq.ParquetFile(p).read(["event_id"]) for p in (fleet / "recordings").rglob("*.parquet")]
    assert sum(len(set(t["event_id"].to_pylist())) for t in tables) == truth["events"]


def test_drivers_differ_by_a_factor_of_ten_and_share_vehicles() -> None:
    world = setting(3, Size())
    base = np.array([d.base for d in world.drivers])
    low, high = np.quantile(base, [0.02, 0.98])
    assert 7.0 < high / low < 13.0
    trips = trips_of(setting(3, Size(vehicles=40, drivers=50, days=30)))
    assert trips.groupby("vehicle_id")["driver_id"].nunique().median() >= 5
    assert trips.groupby("driver_id")["vehicle_id"].nunique().median() >= 5
    # one vehicle has one driver at a time, one driver one trip a day
    assert not trips.duplicated(["driver_id", "day"]).any()
    later = trips.sort_values(["vehicle_id", "started_at"])
    same = later["vehicle_id"].eq(later["vehicle_id"].shift(-1))
    assert (later["ended_at"] <= later["started_at"].shift(-1))[same].all()


def test_hard_stops_come_at_the_true_rate() -> None:
    """Sum over the fleet: about 3000 stops, whose standard error is some 3 % with bursts and moods; five of them."""
    size = Size()
    trips = trips_of(setting(4, size))
    mean = (trips["base"] * trips["factor"] * trips["distance_km"] / 1000.0).sum()
    assert trips["hard"].sum() == pytest.approx(mean, rel=0.15)
    assert trips.loc[trips["surface"] == SNOW, "hard"].sum() == 0
    assert np.isclose(sum(BURST[1]), 1.0)


def test_snow_lies_where_the_profile_says() -> None:
    world = setting(5, Size())
    for depot in world.depots:
        assert bool((depot.surface == SNOW).any()) == (depot.profile.snow is not None)
    assert sum((d.surface == SNOW).any() for d in world.depots) == 2


def fault(code: str, size: float, **changed: Any) -> fl.Fault:
    wheel = "1R" if code in fl.OF_A_WHEEL else None
    values = {"begin": 10, "end": None, "ramp_days": 0, "residual_share": 0.008, "signal": "zero"} | changed
    return fl.Fault("X", code, wheel, size=size, **values)


def test_strength_begins_grows_and_ends() -> None:
    grown = fault("side_imbalance", 0.4, ramp_days=4, end=16).strength(np.arange(18))
    assert np.allclose(grown[:10], 0.0)
    assert np.allclose(grown[10:13], [0.1, 0.2, 0.3])
    assert np.allclose(grown[13:16], 0.4)
    assert np.allclose(grown[16:], 0.0)


@pytest.mark.parametrize("code", [code for code in INDICATORS if code != "wheel_speed_dropout"])
def test_a_strong_fault_shows_and_a_faint_one_does_not(code: str) -> None:
    spec = BUS if code == "slow_response" else VAN
    apps = applications(spec, 4)
    apps["initial_speed_mps"], apps["pedal_pct"] = 20.0, 14.0
    apps["release_speed_mps"] = 8.0 if code == "brake_drag" else 0.0
    if code == "lockup_without_modulation":
        apps["surface_left"] = apps["surface_right"] = WET
        apps["pedal_pct"] = 100.0
    day = np.array([0, 9, 10, 30])
    strong = fault(code, fl.SIZES[code][1])
    sick = apps.copy()
    fl.apply(sick, [strong], day)
    sim = simulate(sick)
    none = np.zeros(len(sim.time_s), dtype=bool)
    assert showed(apps, [strong], strong, day, sim, none).tolist() == [False, False, True, True]
    if code == "lockup_without_modulation":
        return  # works or does not
    faint = fault(code, 0.02 * fl.SIZES[code][0], residual_share=0.0001)
    sick = apps.copy()
    fl.apply(sick, [faint], day)
    assert not showed(apps, [faint], faint, day, simulate(sick), none).any()


def test_lost_signal_shows_by_its_length() -> None:
    apps = applications(VAN, 2)
    sim = simulate(apps)
    lost = np.zeros(len(sim.time_s), dtype=bool)
    lost[sim.offsets[1] + 20 : sim.offsets[1] + 26] = True  # 0.12 s of the second one
    drop = fault("wheel_speed_dropout", 0.1, begin=0)
    assert showed(apps, [drop], drop, np.array([1, 1]), sim, lost).tolist() == [False, True]


def test_two_faults_are_told_apart() -> None:
    """Each fault is shown against the vehicle with only the other one."""
    apps = applications(VAN, 2)
    slow, weak = fault("slow_response", 0.4, begin=0), fault("low_brake_effectiveness", 0.4, begin=0)
    day = np.array([1, 1])
    sick = apps.copy()
    fl.apply(sick, [slow, weak], day)
    sim = simulate(sick)
    none = np.zeros(len(sim.time_s), dtype=bool)
    assert showed(apps, [slow, weak], slow, day, sim, none).all()
    assert showed(apps, [slow, weak], weak, day, sim, none).all()


def test_what_no_channel_records_is_told_apart() -> None:
    """As the published edges say: no mass on a heavy vehicle, an unrecorded retarder, an electronic control."""
    unit = next(u for u in setting(8, Size()).units if u.spec is BUS)
    weigh = replace(unit, endurance="none", ebs=False, logger=replace(unit.logger, mass=True))
    assert recordable(weigh, "low_brake_effectiveness")
    blind = replace(weigh, logger=replace(unit.logger, mass=False))
    assert not recordable(blind, "low_brake_effectiveness")
    assert recordable(blind, "brake_fade")  # compares an application with itself
    retarded = replace(weigh, endurance="retarder", channels=frozenset({"pedal"}))
    assert not recordable(retarded, "brake_fade")
    assert recordable(replace(retarded, channels=frozenset({"pedal", "retarder"})), "brake_fade")
    assert not recordable(replace(weigh, ebs=True, channels=frozenset({"pedal"})), "low_brake_effectiveness")
    assert recordable(replace(weigh, ebs=True, channels=frozenset({"pressure"})), "low_brake_effectiveness")
    assert all(
        recordable(retarded, code) for code in INDICATORS if code not in ("low_brake_effectiveness", "brake_fade")
    )


def test_every_kind_of_fault_is_dealt_about_equally_often() -> None:
    dealt = fl.draw_faults(setting(6, Size()))
    hidden = [name for name, mine in dealt.items() if any(f.end is None for f in mine)]
    assert len(hidden) == round(fl.FAULTY_SHARE * 240)
    assert len(dealt) - len(hidden) == round(fl.REPAIRED_SHARE * 240)
    kinds = pd.Series([f.indicator for mine in dealt.values() for f in mine]).value_counts()
    assert set(kinds.index) == set(INDICATORS)
    assert kinds.max() - kinds.min() <= 2

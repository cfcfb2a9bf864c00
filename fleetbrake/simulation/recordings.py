"""Simulated applications of one vehicle as recordings: one Parquet file a week, columns of the recording contract."""

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.simulation import braking as br
from fleetbrake.simulation import scenario as sc
from fleetbrake.simulation.run import Simulated, simulate
from fleetbrake.simulation.schedule import Weather, triggers
from fleetbrake.simulation.sensors import Logger, record
from fleetbrake.simulation.tyre import GRAVEL

Channels = dict[str, npt.NDArray[Any]]

#: Seconds recorded before the onset of the demand.
BEFORE_S: Final = 2.0


def logger_of(vehicle: sc.Vehicle, rng: np.random.Generator) -> Logger:
    """What this vehicle records: heavier vehicles more, a few with a slow GNSS receiver."""
    heavy = vehicle.spec.category != "N1"
    fault = sc.fault_of(vehicle.vehicle_id)
    drops = fault is not None and fault.indicator == "wheel_speed_dropout"
    return Logger(
        axles=vehicle.spec.axles,
        radius_error=rng.uniform(-0.01, 0.01, 6),
        gnss_rate_hz=10.0 if vehicle.vehicle_id in sc.HELD_GNSS else 50.0,
        wheel_pressure=heavy and vehicle.number % 2 == 0,
        abs_flag=vehicle.number % 3 != 0,
        yaw=vehicle.number % 4 != 3,
        mass=heavy,
        dropout_wheel=3 if drops else None,
        dropout_share=fault.size if fault is not None and drops else 0.0,
    )


def event_ids(vehicle_id: str, events: pd.DataFrame) -> npt.NDArray[np.object_]:
    """Ids from vehicle and time of onset ``(E,)``."""
    stamp = events["onset_at"].dt.strftime("%Y%m%d-%H%M%S").to_numpy(dtype=object)
    return np.asarray(f"{vehicle_id}-" + stamp, dtype=object)


def _positions(vehicle: sc.Vehicle, kind: br.Codes, rng: np.random.Generator) -> tuple[br.Floats, br.Floats]:
    """Where each event happened: around the depot, or at the icy stop."""
    depot = sc.DEPOTS[vehicle.depot]
    lat = depot.latitude_deg + rng.normal(0.0, 0.06, len(kind))
    lon = depot.longitude_deg + rng.normal(0.0, 0.08, len(kind))
    stop = kind == br.ICY_STOP
    lat[stop] = sc.ICY_STOP[0] + rng.normal(0.0, 2e-5, stop.sum())
    lon[stop] = sc.ICY_STOP[1] + rng.normal(0.0, 2e-5, stop.sum())
    return lat, lon


def _scene_channels(
    vehicle: sc.Vehicle,
    sim: Simulated,
    events: pd.DataFrame,
    kind: br.Codes,
    channels: Channels,
) -> None:
    """Columns that only some vehicles have: lamp, retarder, raised axle, recuperation, who asked, map surface."""
    event, n, name = sim.event, len(sim.time_s), vehicle.vehicle_id
    if vehicle.spec.name == "bus":
        lamp = np.full(n, name == sc.LAMP_BUS) & (events["day"].to_numpy()[event] >= 18)
        channels["abs_warning_lamp"], channels["abs_operational"] = lamp, ~lamp
    if vehicle.spec.name in ("truck", "light truck", "tractor"):
        unpaved = sim.applications["surface_left"][event] == GRAVEL
        channels["road_surface"] = np.where(unpaved, "unpaved", "paved").astype(object)
        channels["grade"] = np.round(sim.applications["grade"], 3)[event]
    share = sim.endurance_force_n / np.maximum(sim.applications["endurance_force_n"].max(initial=0.0), 1.0)
    if name == sc.ARTICULATED:
        channels["endurance_torque_pct"] = np.round(100.0 * share)
        channels["lift_axle_up"] = (sim.applications["load_n"][:, 4] <= 0.0)[event]
    if name == sc.ELECTRIC_VAN:
        channels["regen_power_kw"] = np.round(sim.endurance_force_n * sim.speed_mps / 1000.0, 1)
        channels["brake_switch"] = channels["brake_switch"] | (sim.endurance_force_n > 300.0)
    if name in (sc.ELECTRIC_VAN, sc.ARTICULATED):
        names = np.full(len(kind), "driver", dtype=object)
        names[kind == br.AEB], names[kind == br.HOLD] = "aeb", "hold"
        channels["brake_source"] = names[event]
        by_foot = ~np.isin(kind, (br.AEB, br.HOLD, br.ENDURANCE))
        channels["brake_pedal_pct"] = np.where(by_foot[event], channels["brake_pedal_pct"], 0.0)


def channels_of(
    vehicle: sc.Vehicle, events: pd.DataFrame, days: Weather, rng: np.random.Generator
) -> tuple[Simulated, Channels]:
    """Simulate a vehicle's events; true values and recorded columns (contract names, without the identifiers)."""
    kind = br.kinds(vehicle, events, rng)
    apps = br.demands(vehicle, events, kind, days, rng)
    apps["factor"] *= rng.normal(1.0, 0.02, 6)  # no two brakes are alike
    fault = sc.fault_of(vehicle.vehicle_id)
    day = events["day"].to_numpy()
    if fault is not None:
        br.apply_fault(apps, fault, day)
    sim = simulate(apps, before_s=BEFORE_S)
    logger = logger_of(vehicle, rng)
    if logger.dropout_wheel is not None and fault is not None:
        sound = record(sim, Logger(**{**logger.__dict__, "dropout_wheel": None}), rng)
        columns = record(sim, logger, rng)
        healthy = ~br.present(fault, day)[sim.event]
        columns = {name: np.where(healthy, sound[name], values) for name, values in columns.items()}
    else:
        columns = record(sim, logger, rng)
    channels: Channels = dict(columns)
    temp = days.temp_c[vehicle.depot][day] + rng.normal(0.0, 0.7, len(day))
    channels["air_temp_c"] = np.round(temp, 1)[sim.event]
    lat, lon = _positions(vehicle, kind, rng)
    channels["latitude_deg"], channels["longitude_deg"] = np.round(lat, 6)[sim.event], np.round(lon, 6)[sim.event]
    _scene_channels(vehicle, sim, events, kind, channels)
    return sim, channels


def to_table(channels: Channels, ids: npt.NDArray[np.object_], start_us: br.Codes, sim: Simulated) -> pa.Table:
    """Arrow table of the recorded columns; floats as 32 bit except the position."""
    counts = np.diff(sim.offsets)
    stamps = np.repeat(start_us, counts) + np.round(sim.time_s * 1e6).astype(np.int64)
    columns: dict[str, pa.Array] = {
        "event_id": pa.array(np.repeat(ids, counts), pa.string()),
        "timestamp": pa.array(stamps, pa.int64()).cast(pa.timestamp("us", "UTC")),
    }
    for name, values in channels.items():
        wide = name.endswith("itude_deg") or values.dtype.kind != "f"
        columns[name] = pa.array(values if wide else values.astype(np.float32))
    return pa.table(columns).replace_schema_metadata({"speed_source": "gnss"})


def with_drivers(table: pa.Table, events: pd.DataFrame, sim: Simulated) -> pa.Table:
    """The table with a column ``driver_id``."""
    drivers = np.repeat(events["driver_id"].to_numpy(dtype=object), np.diff(sim.offsets))
    return table.append_column("driver_id", pa.array(drivers, pa.string()))


def write_pieces(target: Path, table: pa.Table, sim: Simulated, piece: br.Codes, name: Callable[[int], str]) -> None:
    """Write the events of each number in ``piece (E,)``, rising, to a file of its own, ``target/<name>.parquet``."""
    target.mkdir(parents=True, exist_ok=True)
    for number in np.unique(piece):
        first, last = np.flatnonzero(piece == number)[[0, -1]]
        start, stop = sim.offsets[first], sim.offsets[last + 1]
        path = target / f"{name(int(number))}.parquet"
        pq.write_table(table.slice(start, stop - start), path, compression="zstd")


def _week_name(day: date) -> str:
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02d}"


def write_vehicle(folder: Path, vehicle: sc.Vehicle, trips: pd.DataFrame, days: Weather, seed: int) -> pd.DataFrame:
    """Write one vehicle's weekly files under ``folder/vehicle_id=.../``; returns its events (ids, times, kinds)."""
    rng = np.random.default_rng([seed, vehicle.number])
    events = triggers(trips, vehicle.vehicle_id == sc.SPARE_BUS, rng)
    if events.empty:
        return events
    sim, channels = channels_of(vehicle, events, days, rng)
    ids = event_ids(vehicle.vehicle_id, events)
    onset = events["onset_at"].dt.as_unit("us").astype("int64").to_numpy()
    table = to_table(channels, ids, onset, sim)
    if vehicle.number % 2:  # the other half learn the driver from the trips
        table = with_drivers(table, events, sim)
    week = events["day"].to_numpy() // 7
    target = folder / f"vehicle_id={vehicle.vehicle_id}"
    write_pieces(target, table, sim, week, lambda number: _week_name(br.day_of(number * 7)))
    return events.assign(event_id=ids)

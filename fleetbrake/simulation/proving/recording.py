"""Recordings of one vehicle of the proving fleet: what its logger makes of the simulated applications."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import signal as sps

from fleetbrake.core.vocabulary import WHEELS
from fleetbrake.simulation.proving import events as ev
from fleetbrake.simulation.proving.faults import Fault, apply
from fleetbrake.simulation.proving.setting import Depot, Rng, Unit, day_of
from fleetbrake.simulation.proving.showing import showed
from fleetbrake.simulation.recordings import BEFORE_S, event_ids, to_table, with_drivers, write_pieces
from fleetbrake.simulation.run import Simulated, simulate
from fleetbrake.simulation.sensors import dropouts, record
from fleetbrake.simulation.tyre import GRAVEL

Channels = dict[str, npt.NDArray[Any]]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: Sharpness of the bends in which three applications in ten take place, 1/m (own choice; 0.002 is a radius of 500 m).
BEND_SHARE, BEND_PER_M = 0.3, 0.002
#: A driver steers against what pulls him off his line: rad of the steering wheel for a rad/s of yaw, and how fast.
STEER_GAIN, STEER_TAU_S, STEER_NOISE_RAD = 4.0, 0.4, 0.01
STEER_RATIO: Final = 18.0  # steering wheel to road wheel (common practice, no source)
DAYS_A_FILE: Final = 7


@dataclass(frozen=True)
class Recorded:
    """What is true of one vehicle's recordings: events, and how often each of its faults showed."""

    events: pd.DataFrame
    showed: dict[str, int]
    last_shown: dict[str, int]


def write_unit(
    folder: Path,
    unit: Unit,
    depot: Depot,
    trips: pd.DataFrame,
    trailers: dict[str, float],
    faults: Sequence[Fault],
    seed: int,
) -> Recorded:
    """Simulate and write one vehicle under ``folder/vehicle_id=.../``, a file a week."""
    rng = np.random.default_rng([seed, unit.number])
    if trips.empty:
        return Recorded(trips, {f.indicator: 0 for f in faults}, {})
    events = ev.events_of(unit, depot, trips, rng)
    if events.empty:
        return Recorded(events, {f.indicator: 0 for f in faults}, {})
    kind, day = events["kind"].to_numpy(), events["day"].to_numpy()
    sound = ev.demands(unit, depot, events, trailers, rng)
    sick = sound.copy()
    apply(sick, faults, day)
    asked = ev.press(sick, unit, kind, rng)
    for name in ("pedal_pct", "endurance_force_n"):
        sound[name] = sick[name]
    sim = simulate(sick, before_s=BEFORE_S)
    channels, lost = _channels(unit, depot, events, sim, asked, faults, rng)
    _write(folder, unit, events, sim, channels)
    shown = {f.indicator: showed(sound, faults, f, day, sim, lost) for f in faults}
    stop = sim.event
    peak = np.zeros(len(events))
    np.maximum.at(peak, stop, _mean_of(-sim.accel_mps2, 10))
    return Recorded(
        events.assign(true_peak=peak),
        {code: int(hit.sum()) for code, hit in shown.items()},
        {code: int(day[hit].max()) for code, hit in shown.items() if hit.any()},
    )


def _mean_of(values: Floats, width: int) -> Floats:
    """Running mean over ``width`` samples (over the joints of applications the vehicle does not brake)."""
    return np.convolve(values, np.full(width, 1.0 / width), mode="same")


def _channels(
    unit: Unit,
    depot: Depot,
    events: pd.DataFrame,
    sim: Simulated,
    asked: Floats,
    faults: Sequence[Fault],
    rng: Rng,
) -> tuple[Channels, Bools]:
    """Recorded columns, and the samples ``(N,)`` in which a sensor's signal was lost."""
    channels: Channels = dict(record(sim, unit.logger, rng))
    event, kind = sim.event, events["kind"].to_numpy()
    _motion(channels, unit, sim, rng)
    lost = np.zeros(len(event), dtype=bool)
    for fault in faults:
        if fault.indicator == "wheel_speed_dropout":
            lost |= _lose(channels, fault, events["day"].to_numpy(), sim, rng)
    _demand(channels, unit, sim, kind, asked)
    temp = depot.temp_c[events["day"].to_numpy()] + rng.normal(0.0, 0.7, len(events))
    channels["air_temp_c"] = np.round(temp, 1)[event]
    _places(channels, depot, kind, event, rng)
    _extras(channels, unit, sim, kind)
    return channels, lost


def _motion(channels: Channels, unit: Unit, sim: Simulated, rng: Rng) -> None:
    """Bends, sideways acceleration and steering, as far as the logger has them; in place."""
    n, event = len(sim.applications), sim.event
    bend = np.where(rng.random(n) < BEND_SHARE, rng.normal(0.0, BEND_PER_M, n), 0.0)[event]
    half = 0.5 * sim.applications["track_m"][event]
    for w in range(2 * unit.logger.axles):
        side = -1.0 if w % 2 == 0 else 1.0  # in a bend to the left the left wheels run slower
        channels[f"wheel_speed_{WHEELS[w].lower()}_mps"] *= 1.0 + side * half * bend
    yaw = bend * sim.speed_mps
    if "yaw_rate_radps" in channels:
        channels["yaw_rate_radps"] = channels["yaw_rate_radps"] + yaw
    if "lateral" in unit.channels:
        channels["accel_lat_mps2"] = np.round(yaw * sim.speed_mps + rng.normal(0.0, 0.1, len(event)), 2)
    if "steering" in unit.channels:
        steer = STEER_RATIO * bend * sim.applications["wheelbase_m"][event] - _countersteer(sim)
        offset = rng.normal(0.0, 0.01) + rng.normal(0.0, STEER_NOISE_RAD, n)[event]
        channels["steering_angle_rad"] = np.round(steer + offset + rng.normal(0.0, 0.003, len(event)), 3)


def _countersteer(sim: Simulated) -> Floats:
    """What the driver turns against the pull of uneven brakes, rad ``(N,)``: the yaw, smoothed over his reaction."""
    keep = float(np.exp(-1.0 / (STEER_TAU_S * sim.rate_hz)))
    # nobody brakes in the two seconds before an onset: what the filter carries over from the one before is gone
    return np.asarray(STEER_GAIN * sps.lfilter([1.0 - keep], [1.0, -keep], sim.yaw_rate_radps))


def _lose(channels: Channels, fault: Fault, day: npt.NDArray[np.int64], sim: Simulated, rng: Rng) -> Bools:
    """Take the signal of the fault's wheel away in bursts; returns where, ``(N,)``."""
    size = fault.strength(day)[sim.event]
    lost = dropouts(sim, rng, fault.size) & (size > 0.0)
    name = f"wheel_speed_{str(fault.wheel).lower()}_mps"
    values = channels[name].astype(float)
    if fault.signal == "frozen":
        at = np.arange(len(values))
        first = np.maximum.accumulate(np.where(lost, 0, at))  # the last sample that was not lost
        values = values[first]
    else:
        values[lost] = 0.0 if fault.signal == "zero" else np.nan
    channels[name] = values
    return lost


def _demand(channels: Channels, unit: Unit, sim: Simulated, kind: npt.NDArray[np.int64], asked: Floats) -> None:
    """The demand as recorded: with an electronic control the pedal asks for a deceleration; in place."""
    event = sim.event
    if unit.ebs:
        pedal = sim.pedal_pct / sim.applications["pedal_pct"][event] * asked[event]
        channels["brake_pedal_pct"] = np.round(pedal / 0.4) * 0.4
    automatic = (kind == ev.AUTOMATIC)[event]
    channels["brake_pedal_pct"] = np.where(automatic, 0.0, channels["brake_pedal_pct"])
    if "source" in unit.channels:
        channels["brake_source"] = np.where(automatic, "aeb", "driver").astype(object)
    if "pedal" not in unit.channels:
        del channels["brake_pedal_pct"]
    if "pressure" not in unit.channels and "pedal" in unit.channels:
        del channels["brake_pressure_kpa"]


def _places(channels: Channels, depot: Depot, kind: npt.NDArray[np.int64], event: npt.NDArray[Any], rng: Rng) -> None:
    """Where each event happened: around the depot, or at its polished stop."""
    n, stop = len(kind), kind == ev.POLISHED
    latitude = depot.latitude_deg + np.where(stop, rng.normal(0.0, 2e-5, n), rng.normal(0.01, 0.06, n))
    longitude = depot.longitude_deg + np.where(stop, rng.normal(0.0, 2e-5, n), rng.normal(0.01, 0.08, n))
    channels["latitude_deg"], channels["longitude_deg"] = np.round(latitude, 6)[event], np.round(longitude, 6)[event]


def _extras(channels: Channels, unit: Unit, sim: Simulated, kind: npt.NDArray[np.int64]) -> None:
    """Columns that only some loggers have; in place."""
    event = sim.event
    if "accelerator" in unit.channels:
        channels["accelerator_pct"] = np.where(sim.time_s < -0.4, 22.0, 0.0)
    if "road_surface" in unit.channels:
        unpaved = sim.applications["surface_left"][event] == GRAVEL
        channels["road_surface"] = np.where(unpaved, "unpaved", "paved").astype(object)
    if "grade" in unit.channels:
        channels["grade"] = np.round(sim.applications["grade"], 3)[event]
    if "retarder" in unit.channels:
        full = 14000.0
        channels["endurance_torque_pct"] = np.round(100.0 * sim.endurance_force_n / full)
    if unit.endurance == "regen":
        channels["brake_switch"] = channels["brake_switch"] | (sim.endurance_force_n > 300.0)


def _write(folder: Path, unit: Unit, events: pd.DataFrame, sim: Simulated, channels: Channels) -> None:
    onset = events["onset_at"].dt.as_unit("us").astype("int64").to_numpy()
    table = to_table(channels, event_ids(unit.vehicle_id, events), onset, sim)
    if unit.number % 2:  # the other half learn the driver from the trips
        table = with_drivers(table, events, sim)
    week = events["day"].to_numpy() // DAYS_A_FILE
    target = folder / f"vehicle_id={unit.vehicle_id}"
    write_pieces(target, table, sim, week, lambda number: f"from-{day_of(number * DAYS_A_FILE).isoformat()}")

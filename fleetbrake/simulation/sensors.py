"""What a logger writes down of a simulated application: quantised, noisy, sometimes wrong.

The noise of a batch comes from one generator, so that the same seed gives the same recording.
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from fleetbrake.core.units import G_MPS2
from fleetbrake.core.vocabulary import WHEELS
from fleetbrake.simulation.run import Simulated

Floats = npt.NDArray[np.float64]

WHEEL_RESOLUTION_MPS: Final = 1.0 / 256.0 / 3.6  # 1/256 km/h
WHEEL_NOISE_MPS: Final = 0.015
GNSS_NOISE_MPS: Final = 0.03
ACCEL_NOISE_MPS2: Final = 0.08
YAW_NOISE_RADPS: Final = 0.004


@dataclass(frozen=True)
class Logger:
    """What one vehicle records. ``radius_error (6,)``: rolling radius over nominal, less one."""

    axles: int
    radius_error: Floats
    rate_hz: float = 50.0
    gnss_rate_hz: float = 50.0
    wheel_pressure: bool = False
    accel: bool = True
    yaw: bool = True
    abs_flag: bool = False
    mass: bool = False
    dropout_wheel: int | None = None
    dropout_share: float = 0.0  # of an application's time, in bursts
    extra: tuple[str, ...] = field(default=())  # further columns that the scenario fills


def _quantised(values: Floats, step: float) -> Floats:
    return np.asarray(np.round(values / step) * step)


def _held(values: Floats, sim: Simulated, every: int) -> Floats:
    """Every ``every``-th sample of each application, held until the next."""
    start = np.repeat(sim.offsets[:-1], np.diff(sim.offsets))
    position = np.arange(len(values)) - start
    return np.asarray(values[start + position // every * every])


def dropouts(sim: Simulated, rng: np.random.Generator, share: float) -> npt.NDArray[np.bool_]:
    """Bursts of 0.1 to 0.4 s without signal, ``share`` of the time on average ``(N,)``."""
    n = len(sim.time_s)
    lost = np.zeros(n, dtype=bool)
    length = int(0.25 * sim.rate_hz)
    starts = rng.random(n) < share / length
    lengths = rng.integers(int(0.1 * sim.rate_hz), int(0.4 * sim.rate_hz) + 1, n)
    edges = np.zeros(n + 1)
    at = np.flatnonzero(starts)
    np.add.at(edges, at, 1)
    np.add.at(edges, np.minimum(at + lengths[at], n), -1)
    lost |= np.cumsum(edges)[:n] > 0
    return lost


def wheel_speeds(sim: Simulated, logger: Logger, rng: np.random.Generator) -> Floats:
    """Recorded wheel speeds ``(2 axles, N)``."""
    wheels = 2 * logger.axles
    true = sim.wheel_speed_mps[:wheels]
    # a wheel with a larger radius turns slower than its nominal radius makes believe
    seen = true / (1.0 + logger.radius_error[:wheels, None])
    noisy = seen + rng.normal(0.0, WHEEL_NOISE_MPS, seen.shape)
    recorded = np.where(true > 0.0, np.maximum(_quantised(noisy, WHEEL_RESOLUTION_MPS), 0.0), 0.0)
    if logger.dropout_wheel is not None:
        recorded[logger.dropout_wheel, dropouts(sim, rng, logger.dropout_share)] = 0.0
    return np.asarray(recorded)


def record(sim: Simulated, logger: Logger, rng: np.random.Generator) -> dict[str, Floats | npt.NDArray[np.bool_]]:
    """Channels by contract name, each ``(N,)``: speeds, demand, motion, and the vehicle's own flags."""
    n, event = len(sim.time_s), sim.event
    apps = sim.applications
    moving = sim.speed_mps > 0.0
    speed = np.where(moving, np.maximum(sim.speed_mps + rng.normal(0.0, GNSS_NOISE_MPS, n), 0.0), 0.0)
    if logger.gnss_rate_hz < sim.rate_hz:
        speed = _held(speed, sim, round(sim.rate_hz / logger.gnss_rate_hz))
    hydraulic = float(apps["full_pressure_kpa"].max(initial=0.0)) > 2000.0
    noise_kpa, step_kpa = (12.0, 10.0) if hydraulic else (1.0, 1.0)
    line = np.maximum(_quantised(sim.line_pressure_kpa + rng.normal(0.0, noise_kpa, n), step_kpa), 0.0)
    line = np.where(sim.line_pressure_kpa < 0.3 * noise_kpa, 0.0, line)
    channels: dict[str, Floats | npt.NDArray[np.bool_]] = {
        "speed_mps": _quantised(speed, 0.001),
        "brake_pedal_pct": _quantised(sim.pedal_pct, 0.4),
        "brake_pressure_kpa": line,
        "brake_switch": sim.pedal_pct > 1.0,
    }
    recorded = wheel_speeds(sim, logger, rng)
    for w in range(2 * logger.axles):
        channels[f"wheel_speed_{WHEELS[w].lower()}_mps"] = recorded[w]
        if logger.wheel_pressure:
            pressure = sim.wheel_pressure_kpa[w] + rng.normal(0.0, noise_kpa, n)
            quiet = sim.wheel_pressure_kpa[w] < 0.3 * noise_kpa
            quantised = np.maximum(_quantised(pressure, step_kpa), 0.0)
            channels[f"brake_pressure_{WHEELS[w].lower()}_kpa"] = np.where(quiet, 0.0, quantised)
    if logger.accel:
        slope = (G_MPS2 * np.sin(np.arctan(apps["grade"])))[event]
        accel = sim.accel_mps2 + slope + rng.normal(0.0, ACCEL_NOISE_MPS2, n)
        channels["accel_long_mps2"] = _quantised(np.where(moving, accel, slope), 0.01)
    if logger.yaw:
        channels["yaw_rate_radps"] = _quantised(sim.yaw_rate_radps + rng.normal(0.0, YAW_NOISE_RADPS, n), 0.001)
    if logger.abs_flag:
        channels["abs_active"] = sim.abs_active
    if logger.mass:
        mass = apps["mass_kg"] + apps["trailer_mass_kg"]
        channels["gross_mass_kg"] = _quantised(mass * rng.normal(1.0, 0.02, len(mass)), 50.0)[event]
    return channels

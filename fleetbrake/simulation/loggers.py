"""A logger with channels of different true rates and delays in one row grid, from true values at 200 Hz.

Every channel is sampled at its own rate and held until its next value; the rows take what is held. The faults of the
wheel sensors live in ``simulation.wheel_sensors``.
"""

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import signal as sps

from fleetbrake.core.units import G_MPS2
from fleetbrake.core.vocabulary import WHEELS
from fleetbrake.simulation.run import Simulated
from fleetbrake.simulation.sensors import ACCEL_NOISE_MPS2, GNSS_NOISE_MPS, WHEEL_NOISE_MPS, WHEEL_RESOLUTION_MPS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Rate of the true values, Hz: a whole multiple of every logger rate.
TRUTH_HZ: Final = 200.0
LOGGER_RATES_HZ: Final = (10.0, 20.0, 25.0, 50.0, 100.0)


@dataclass
class Setup:
    """What one vehicle's logger records; the same for all its applications.

    ``speed`` is where ``speed_mps`` comes from: ``gnss``, ``wheels`` (mean of all), ``driven_axle`` or ``none``;
    ``label`` what the file says of it. Rates in Hz, infinite where a channel has a value in every row.
    ``radius_error (6,)`` rolling radius over nominal, less one; ``accel_gain`` what the dive of the body adds.
    """

    axles: int
    radius_error: Floats
    speed: str = "gnss"
    label: str | None = "gnss"
    gnss_hz: float = 10.0
    gnss_delay_s: float = 0.0
    gnss_stuck: bool = False
    wheel_hz: float = np.inf
    accel: bool = True
    accel_hz: float = np.inf
    accel_bias_mps2: float = 0.0
    accel_gain: float = 0.0
    accel_noise_mps2: float = ACCEL_NOISE_MPS2
    accel_stuck: bool = False
    pedal: bool = True
    pressure_hz: float | None = None
    abs_flag: bool = False
    source: str | None = None
    rate_drops: bool = False  # the rows' rate halves half-way through the braking
    gap_s: float = 0.0  # rows missing within the braking
    extra: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Rows:
    """Which true samples become rows: ``index (n,)`` into the true samples, ``event (n,)``, and the nominal rate."""

    index: Ints
    event: Ints
    rate_hz: float


def rows_of(sim: Simulated, setup: Setup, rate_hz: float, rng: np.random.Generator) -> Rows:
    """Rows of every application at ``rate_hz``, with what the logger loses of them."""
    step = round(TRUTH_HZ / rate_hz)
    parts = []
    for e in range(len(sim.applications)):
        # the demand begins anywhere between two rows
        index = np.arange(sim.offsets[e] + rng.integers(0, step), sim.offsets[e + 1], step)
        time, end = sim.time_s[index], max(float(sim.braking_end_s[e]), 1.0)
        if setup.rate_drops:
            late = time > rng.uniform(0.3, 0.6) * end
            index = index[~late | (np.arange(index.size) % 2 == 0)]
        elif setup.gap_s > 0.0:
            begin = rng.uniform(0.1, 0.8) * end
            index = index[(time < begin) | (time > begin + max(setup.gap_s, 3.5 / rate_hz))]
        parts.append(index)
    event = np.repeat(np.arange(len(parts)), [part.size for part in parts])
    return Rows(np.concatenate(parts), event, rate_hz)


def latest(sim: Simulated, rows: Rows, hz: float, delay_s: float = 0.0) -> Ints:
    """True sample that a channel of ``hz`` shows in each row ``(n,)``: its last update, ``delay_s`` old."""
    begin = np.flatnonzero(np.diff(rows.event, prepend=-1))
    first = rows.index[begin][rows.event]  # every channel has a fresh value in an application's first row
    position = rows.index - first
    if np.isfinite(hz):
        period = TRUTH_HZ / hz
        position = np.floor(np.floor((position + 1e-9) / period + 1e-9) * period + 1e-9).astype(np.int64)
    return np.asarray(np.maximum(first + position - round(delay_s * TRUTH_HZ), sim.offsets[:-1][rows.event]))


def _quantised(values: Floats, step: float) -> Floats:
    return np.asarray(np.round(values / step) * step)


def speed_channel(sim: Simulated, setup: Setup, rows: Rows, wheel: Floats, rng: np.random.Generator) -> Floats | None:
    """``speed_mps`` in each row; None where none is recorded. ``wheel (6, N)`` are the wheel sensors' values."""
    wheels = 2 * setup.axles
    if setup.speed == "none":
        return None
    if setup.speed == "gnss":
        at = latest(sim, rows, setup.gnss_hz, setup.gnss_delay_s)
        if setup.gnss_stuck:  # no satellites: the last value stands
            at = sim.offsets[:-1][rows.event] + 100
        noise = rng.normal(0.0, GNSS_NOISE_MPS, len(sim.time_s))
        speed = np.where(sim.speed_mps > 0.0, np.maximum(sim.speed_mps + noise, 0.0), 0.0)
        return _quantised(speed[at], 0.001)
    used = slice(2, 4) if setup.speed == "driven_axle" else slice(0, wheels)
    loaded = sim.applications["load_n"][sim.event].T[used] > 0.0
    mean = np.nansum(np.where(loaded, wheel[used], 0.0), axis=0) / np.maximum(loaded.sum(axis=0), 1)
    return _quantised(np.nan_to_num(mean)[rows.index], 1.0 / 256.0 / 3.6)


def wheel_rows(sim: Simulated, setup: Setup, rows: Rows, wheel: Floats, rng: np.random.Generator) -> Floats:
    """Recorded wheel speeds ``(2 axles, n)``: sampled at their own rate, noisy, quantised; a standing wheel is 0."""
    at = latest(sim, rows, setup.wheel_hz)
    value = wheel[: 2 * setup.axles]
    noise = rng.normal(0.0, WHEEL_NOISE_MPS, value.shape)
    noisy = np.where(value > 0.0, np.maximum(_quantised(value + noise, WHEEL_RESOLUTION_MPS), 0.0), value)
    return np.asarray(noisy[:, at])


#: Vehicle inertial sensors pass 10 to 50 Hz, a single pole here (common practice, no source).
ACCEL_BAND_HZ: Final = 15.0


def accel_channel(sim: Simulated, setup: Setup, rows: Rows, rng: np.random.Generator) -> Floats:
    """``accel_long_mps2``: with gravity's share on a grade, dive, bias and noise."""
    slope = (G_MPS2 * np.sin(np.arctan(sim.applications["grade"])))[sim.event]
    moving = sim.speed_mps > 0.0
    true = np.where(moving, sim.accel_mps2 * (1.0 + setup.accel_gain), 0.0) + slope + setup.accel_bias_mps2
    # one filter over the whole file: the applications begin and end at rest or rolling, so it carries nothing over
    share = 1.0 - np.exp(-2.0 * np.pi * ACCEL_BAND_HZ / TRUTH_HZ)
    true = sps.lfilter([share], [1.0, share - 1.0], true)
    noisy = true + rng.normal(0.0, setup.accel_noise_mps2, true.shape)
    if setup.accel_stuck:
        noisy = np.full(true.shape, 0.12)
    return _quantised(noisy[latest(sim, rows, setup.accel_hz)], 0.01)


def record_rows(
    sim: Simulated, setup: Setup, rows: Rows, wheel: Floats, rng: np.random.Generator
) -> dict[str, npt.NDArray[Any]]:
    """Channels by contract name, each ``(n,)``."""
    out: dict[str, npt.NDArray[Any]] = {}
    speed = speed_channel(sim, setup, rows, wheel, rng)
    if speed is not None:
        out["speed_mps"] = speed
    for w, values in enumerate(wheel_rows(sim, setup, rows, wheel, rng)):
        out[f"wheel_speed_{WHEELS[w].lower()}_mps"] = values
    if setup.accel:
        out["accel_long_mps2"] = accel_channel(sim, setup, rows, rng)
    by_foot = setup.source in (None, "driver")
    if setup.pedal:
        out["brake_pedal_pct"] = _quantised(sim.pedal_pct, 0.4)[rows.index] * by_foot
    if setup.pressure_hz is not None:
        heavy = float(sim.applications["full_pressure_kpa"].max(initial=0.0)) < 2000.0
        line = _quantised(sim.line_pressure_kpa, 1.0 if heavy else 10.0)
        out["brake_pressure_kpa"] = line[latest(sim, rows, setup.pressure_hz)]
    if setup.abs_flag:
        out["abs_active"] = sim.abs_active[rows.index]
    if setup.source is not None:
        out["brake_source"] = np.full(rows.index.size, setup.source, dtype=object)
    for name, value in setup.extra.items():
        out[name] = np.asarray(value)[rows.index] if np.ndim(value) else np.full(rows.index.size, value)
    return out

"""``simulate``: a whole batch of applications in, flat arrays out."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fleetbrake.simulation import dynamics as dyn
from fleetbrake.simulation.applications import WHEELS, Applications, trailer_limit_n
from fleetbrake.simulation.tyre import BURCKHARDT

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: Applications that one compiled call handles: bounds the memory of the sample buffers (about 20 MB).
CHUNK: Final = 64


@dataclass(frozen=True)
class Simulated:
    """True values at the logger's rate: ``E`` applications laid end to end, ``N`` samples, six wheels.

    ``offsets (E + 1,)``; per sample ``(N,)``: time from the onset of the demand, speed, acceleration (rate of change
    of speed), pedal, line pressure, anti-lock activity, yaw rate, distance, endurance-brake force; per wheel
    ``(6, N)``: speed as the control unit sees it, pressure, true lock, whether the anti-lock control
    governs it. Per application ``(E,)``: end of braking (s
    from the onset; 0 if the limit came first), distance from onset to end, heat of brakes and of tyre slip, work of
    the resistances, kinetic energy at start and end (J).
    """

    applications: Applications
    rate_hz: float
    offsets: npt.NDArray[np.int64]
    time_s: Floats
    speed_mps: Floats
    accel_mps2: Floats
    pedal_pct: Floats
    line_pressure_kpa: Floats
    abs_active: Bools
    yaw_rate_radps: Floats
    distance_m: Floats
    endurance_force_n: Floats
    wheel_speed_mps: Floats
    wheel_pressure_kpa: Floats
    wheel_locked: Bools
    wheel_controlled: Bools
    braking_end_s: Floats
    braking_distance_m: Floats
    brake_heat_j: Floats
    slip_heat_j: Floats
    resistance_j: Floats
    energy_start_j: Floats
    energy_end_j: Floats

    @property
    def event(self) -> npt.NDArray[np.int64]:
        """Application of every sample ``(N,)``."""
        return np.repeat(np.arange(len(self.applications)), np.diff(self.offsets))


Piece = tuple[Floats, Floats, Floats, npt.NDArray[np.int64]]


def _run_chunk(apps: Applications, dt: float, every: int, before: float, after: float) -> Piece:
    """Samples ``(n, 8)``, wheel samples ``(n, 4, 6)``, totals and counts of one chunk."""
    longest = int((apps["limit_s"].max() + before) / (dt * every)) + 2
    out = np.empty((len(apps), longest, 8))
    wheel_out = np.empty((len(apps), longest, 4, WHEELS))
    totals, counts = np.zeros((len(apps), 7)), np.zeros(len(apps), dtype=np.int64)
    limits = trailer_limit_n(apps)
    dyn.run_many(apps, BURCKHARDT, limits, dt, every, before, after, out, wheel_out, totals, counts)
    kept = np.arange(longest) < counts[:, None]
    return out[kept], wheel_out[kept], totals, counts


def simulate(
    applications: Applications,
    *,
    rate_hz: float = 50.0,
    step_s: float = 1e-3,
    before_s: float = 2.0,
    after_s: float = 2.0,
    workers: int = 1,
) -> Simulated:
    """Simulate every application; the result does not depend on ``workers`` (threads; the loop frees the lock).

    ``rate_hz`` is met exactly where its period is a whole number of steps, else by the nearest such period.
    """
    every = max(1, round(1.0 / (rate_hz * step_s)))
    chunks = [applications[i : i + CHUNK] for i in range(0, len(applications), CHUNK)]

    def one(chunk: Applications) -> Piece:
        return _run_chunk(chunk, step_s, every, before_s, after_s)

    if workers > 1:
        with ThreadPoolExecutor(workers) as pool:
            pieces = list(pool.map(one, chunks))
    else:
        pieces = [one(chunk) for chunk in chunks]
    return _assemble(applications, pieces, 1.0 / (every * step_s), before_s)


def _assemble(apps: Applications, pieces: list[Piece], rate: float, before: float) -> Simulated:
    out = np.concatenate([p[0] for p in pieces]).T.copy() if pieces else np.empty((8, 0))
    wheels = np.concatenate([p[1] for p in pieces]).transpose(1, 2, 0).copy() if pieces else np.empty((4, WHEELS, 0))
    totals = np.concatenate([p[2] for p in pieces]).T if pieces else np.empty((7, 0))
    counts = np.concatenate([p[3] for p in pieces]) if pieces else np.empty(0, dtype=np.int64)
    offsets = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
    in_event = np.arange(offsets[-1]) - np.repeat(offsets[:-1], counts)
    return Simulated(
        applications=apps,
        rate_hz=rate,
        offsets=offsets,
        time_s=in_event / rate - before,
        speed_mps=out[dyn.OUT_SPEED],
        accel_mps2=out[dyn.OUT_ACCEL],
        pedal_pct=out[dyn.OUT_PEDAL],
        line_pressure_kpa=out[dyn.OUT_LINE],
        abs_active=out[dyn.OUT_ACTIVE] > 0.5,
        yaw_rate_radps=out[dyn.OUT_YAW],
        distance_m=out[dyn.OUT_DISTANCE],
        endurance_force_n=out[dyn.OUT_RETARD],
        wheel_speed_mps=wheels[0],
        wheel_pressure_kpa=wheels[1],
        wheel_locked=wheels[2] > 0.5,
        wheel_controlled=wheels[3] > 0.5,
        braking_end_s=totals[dyn.TOT_END],
        braking_distance_m=totals[dyn.TOT_DISTANCE],
        brake_heat_j=totals[dyn.TOT_BRAKE_HEAT],
        slip_heat_j=totals[dyn.TOT_SLIP_HEAT],
        resistance_j=totals[dyn.TOT_RESISTANCE],
        energy_start_j=totals[dyn.TOT_ENERGY_START],
        energy_end_j=totals[dyn.TOT_ENERGY_END],
    )

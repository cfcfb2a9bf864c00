"""What wheel-speed sensors make of the true wheel speeds, at the rate of the true values.

Each function takes and returns sensor values ``(6, N)`` in m/s. ``Loss`` tells where a sensor says nothing true.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import signal as sps

from fleetbrake.simulation.loggers import TRUTH_HZ
from fleetbrake.simulation.run import Simulated

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: Kinds of loss: reads zero, reads nothing, stays at its last value.
KINDS: Final = ("zero", "nothing", "frozen")


@dataclass(frozen=True)
class Loss:
    """``lost (6, N)``: the value there is not the wheel's."""

    wheel: Floats
    lost: Bools


def rolling_radii(sim: Simulated, radius_error: Floats) -> Floats:
    """Wheel speeds from nominal radii: a larger wheel turns slower than its nominal radius makes believe."""
    return np.asarray(sim.wheel_speed_mps / (1.0 + radius_error[:, None]))


def rough_road(sim: Simulated, wheel: Floats, rng: np.random.Generator) -> Floats:
    """Wheel hop: the rolling radius swings at 10 to 15 Hz by 2 to 4 % (root mean square 1.5 to 3 %).

    Own choice; unsprung masses hop at 10 to 15 Hz: common practice, no source.
    """
    band = sps.butter(2, (10.0, 15.0), btype="bandpass", fs=TRUTH_HZ, output="sos")
    noise = sps.sosfilt(band, rng.normal(size=wheel.shape), axis=1)
    noise *= rng.uniform(0.015, 0.03) / max(float(noise.std()), 1e-9)
    return np.asarray(wheel * (1.0 + noise))


def tone_wheel(sim: Simulated, wheel: Floats, floor_mps: float, pulses: int, radius_m: float) -> Floats:
    """Speed from the time between two pulses; zero when none came for the time that one takes at the floor.

    48 to 100 pulses a turn: common practice, no source. Floor 0.5 to 1.5 m/s: own choice.
    """
    out = np.zeros_like(wheel)
    way = 2.0 * np.pi * radius_m / pulses
    for e in range(len(sim.applications)):
        part = slice(int(sim.offsets[e]), int(sim.offsets[e + 1]))
        time = sim.time_s[part]
        for w in range(wheel.shape[0]):
            rolled = np.cumsum(wheel[w, part]) / TRUTH_HZ
            count = np.floor(rolled / way)
            # the moment of a pulse: where the way rolled passes it
            last = np.interp(count * way, rolled, time)
            before = np.interp((count - 1.0) * way, rolled, time)
            gap = np.maximum(last - before, 1e-4)
            speed = np.where((count - 1.0) * way > rolled[0], way / gap, wheel[w, part])
            silent = (time - last > way / floor_mps) | (speed < floor_mps)
            out[w, part] = np.where(silent, 0.0, speed)
    return out


def fail(
    sim: Simulated, wheel: Floats, wheels: int, share: float, rng: np.random.Generator, kinds: tuple[str, ...] = KINDS
) -> Loss:
    """Bursts without true signal, before and during braking, on ``share`` of wheels and applications.

    One to three bursts of 0.1 to 1.2 s each (own choice: a loose plug or a worn bearing). Wheels that truly lock in
    an application are left alone, so that a lock seen at a failed sensor is a false one.
    """
    out, lost = wheel.copy(), np.zeros(wheel.shape, dtype=bool)
    locks = sim.wheel_speed_mps < 0.12 * sim.speed_mps
    for e in range(len(sim.applications)):
        part = slice(int(sim.offsets[e]), int(sim.offsets[e + 1]))
        moving = part.start + np.flatnonzero(sim.speed_mps[part] > 1.5)
        if moving.size < 10:
            continue
        for w in range(wheels):
            if rng.random() > share or (locks[w, part] & (sim.speed_mps[part] > 1.5)).any():
                continue
            for _ in range(int(rng.integers(1, 4))):
                begin = int(rng.choice(moving))
                stop = min(begin + int(rng.uniform(0.1, 1.2) * TRUTH_HZ), part.stop)
                kind = rng.choice(kinds)
                out[w, begin:stop] = {"zero": 0.0, "nothing": np.nan, "frozen": out[w, begin]}[str(kind)]
                lost[w, begin:stop] = True
    return Loss(out, lost)


def absurd(sim: Simulated, wheel: Floats, wheels: int, rng: np.random.Generator) -> Loss:
    """Single values that no wheel can have, 300 m/s or 65535/256 km/h (71.1 m/s), some five a minute and wheel."""
    out, lost = wheel.copy(), np.zeros(wheel.shape, dtype=bool)
    hit = rng.random((wheels, wheel.shape[1])) < 5.0 / 60.0 / TRUTH_HZ
    for w, at in zip(*np.nonzero(hit), strict=True):
        length = int(rng.integers(1, 21))  # 5 to 100 ms
        out[w, at : at + length] = rng.choice((300.0, 65535.0 / 256.0 / 3.6))
        lost[w, at : at + length] = True
    return Loss(out, lost)

"""Truth from the simulator's own states at 200 Hz, by plain loops: slow, obvious, and nothing of the product in it.

Definitions are those of the published edges:

- lockup: the wheel under 5 % of the vehicle's speed while that is above 1.5 m/s, demand on; the longest single one;
- cycle: while the control governs the wheel, its true pressure falls by 7 % of what it was and rises again by as much;
  a cycle is *shown* if the true slip swings by 0.05 or more in it, which is all that wheel speeds can tell of it;
- frequency: one over the mean time between neighbouring releases, pauses of 0.8 s and more left out;
- peak deceleration: greatest fall of the speed over 0.2 s; MFDD between 80 % and 10 % of the speed at the onset;
- friction used up: for 0.15 s half of the loaded wheels or more were governed by the control, or past the peak of
  their tyre curve (97 % of it), or nearly locked, faster than 2.5 m/s.
"""

import itertools
from dataclasses import dataclass

import numpy as np

from fleetbrake.simulation.loggers import TRUTH_HZ
from fleetbrake.simulation.run import Simulated
from fleetbrake.simulation.tyre import BURCKHARDT, DRY, GRAVEL, ICE, SNOW, WET, peak_friction

#: Share by which the pressure falls and rises in a cycle, and in what might be called one.
CYCLE_DEPTH, NEAR_DEPTH = 0.07, 0.05

CLASS = {DRY: "dry_paved", WET: "wet_paved", SNOW: "snow_or_ice", ICE: "snow_or_ice", GRAVEL: "loose"}


@dataclass(frozen=True)
class Truth:
    """Per event ``(E,)`` and per wheel ``(W, E)``; NaN or "" where the quantity does not exist.

    ``lock_begin``, ``lock_end``: true samples of the longest lockup. ``near_cycles`` counts pressure cycles of 5 %.
    """

    lock_s: np.ndarray
    lock_begin: np.ndarray
    lock_end: np.ndarray
    cycles: np.ndarray
    shown: np.ndarray
    near_cycles: np.ndarray
    hz: np.ndarray
    peak: np.ndarray
    mfdd: np.ndarray
    distance: np.ndarray
    used_up: np.ndarray
    surface: np.ndarray


def braking_rows(sim: Simulated, e: int, *, by_pressure: bool = False) -> np.ndarray:
    """True samples from the first movement of demand to standstill or release (or the recording's end).

    The demand is the pedal, from the first step of its sensor (0.4 %) on; ``by_pressure`` where no foot is on it or no
    pedal is recorded: the line pressure, from 0.2 % of the full one on.
    """
    rows = np.arange(sim.offsets[e], sim.offsets[e + 1])
    end = sim.braking_end_s[e] if sim.braking_end_s[e] > 0.0 else np.inf
    time = sim.time_s[rows]
    rows = rows[(time >= -1e-9) & (time <= end + 1e-9)]
    if by_pressure:
        pressed = sim.line_pressure_kpa[rows] >= 0.002 * sim.applications["full_pressure_kpa"][e]
    else:
        pressed = sim.pedal_pct[rows] >= 0.4
        if sim.applications["pump_hz"][e] == 0.0:  # the release, by the same step; a foot that pumps comes back
            last = int(np.flatnonzero(pressed)[-1]) if pressed.any() else -1
            rows, pressed = rows[: last + 1], pressed[: last + 1]
    return rows[int(np.argmax(pressed)) :] if pressed.any() else rows[:0]


def longest_run(flags: np.ndarray) -> tuple[int, int]:
    """Begin and end of the longest run of True; 0, 0 if there is none."""
    best, begin = (0, 0), None
    for k, flag in enumerate([*flags.tolist(), False]):
        if flag and begin is None:
            begin = k
        elif not flag and begin is not None:
            if k - begin > best[1] - best[0]:
                best = (begin, k)
            begin = None
    return best


def slip_of(sim: Simulated, w: int, rows: np.ndarray) -> np.ndarray:
    """True slip, 0 rolling to 1 locked; 0 below 0.5 m/s."""
    v = sim.speed_mps[rows]
    return np.where(v > 0.5, 1.0 - sim.wheel_speed_mps[w, rows] / np.maximum(v, 0.5), 0.0)


def cycles(pressure: list, governed: list, slip: np.ndarray, depth: float) -> tuple[int, int, list]:
    """Cycles, shown cycles, and the sample of every release's begin."""
    count, shown, begins = 0, 0, []
    high = at_high = low = 0.0
    falling = False
    marks: list = []
    for k, (p, control) in enumerate(zip(pressure, governed, strict=True)):
        if falling:
            low = min(low, p)
            if low < (1.0 - depth) * p:  # a share of what it rises to, as a fall is one of what it falls from
                count += 1
                marks.append((at_high, k))
                falling, high, at_high = False, p, k
        elif p >= high:
            high, at_high = p, k
        elif control and p < (1.0 - depth) * high:
            falling, low = True, p
            begins.append(at_high)
        elif not control:
            high, at_high = p, k
    for n, (a, b) in enumerate(marks):
        stop = marks[n + 1][0] if n + 1 < len(marks) else b
        seen = slip[int(a) : max(int(stop), b) + 1]
        shown += bool(seen.max() - seen.min() >= 0.05)
    return count, shown, begins


def frequency(begins: list) -> float:
    """Releases a second from the samples at which they begin; NaN with fewer than two neighbouring ones."""
    waits = [(b - a) / TRUTH_HZ for a, b in itertools.pairwise(begins)]
    waits = [wait for wait in waits if wait < 0.8]
    return len(waits) / sum(waits) if waits else np.nan


def peak_decel(v: np.ndarray) -> float:
    """Greatest fall of the speed over 0.2 s, as a deceleration."""
    step = round(0.2 * TRUTH_HZ)
    falls = [(v[k] - v[k + step]) / 0.2 for k in range(len(v) - step)]
    return max(falls, default=np.nan)


def fully_developed(v: np.ndarray) -> float:
    """MFDD from 80 % to 10 % of the first speed, over the distance; NaN unless the speed fell through it all."""
    below_80 = np.flatnonzero(v <= 0.8 * v[0])
    below_10 = np.flatnonzero(v <= 0.1 * v[0])
    if not below_10.size or v[0] < 1.0:
        return np.nan
    b, e = int(below_80[0]), int(below_10[0])
    way = sum(0.5 * (v[k] + v[k + 1]) / TRUTH_HZ for k in range(b, e))
    return (v[b] ** 2 - v[e] ** 2) / (2.0 * way) if way > 0.0 else np.nan


def _road(sim: Simulated, e: int, rows: np.ndarray, wheels: list) -> tuple[bool, str]:
    app = sim.applications[e]
    codes = [int(app["surface_left"]) if w % 2 == 0 else int(app["surface_right"]) for w in wheels]
    working = np.zeros(rows.size)
    for w, code in zip(wheels, codes, strict=True):
        c1, c2, c3 = BURCKHARDT[code]
        slip = np.clip(slip_of(sim, w, rows), 0.0, 1.0)
        share = (c1 * (1.0 - np.exp(-c2 * slip)) - c3 * slip) / float(peak_friction(code))
        past = (slip > 0.03) & (share >= 0.97) if code != GRAVEL else slip > 0.8
        working += past | sim.wheel_controlled[w, rows] | (slip > 0.8)
    begin, end = longest_run((2 * working >= len(wheels)) & (sim.speed_mps[rows] > 2.5))
    used_up = (end - begin) / TRUTH_HZ >= 0.15
    classes = {CLASS[code] for code in codes}
    if app["jump_m"] > 0.0 or app["endurance_force_n"] > 0.0:  # two roads, or an axle that another brake made slip
        return used_up, ""
    return used_up, classes.pop() if len(classes) == 1 else "split"


def truth_of(sim: Simulated, wheels: int, *, by_pressure: bool = False) -> Truth:
    """All of it, event by event; ``by_pressure`` as in :func:`braking_rows`."""
    events = len(sim.applications)
    per_wheel = {name: np.zeros((wheels, events)) for name in ("lock_s", "cycles", "shown", "near", "hz")}
    spans = np.zeros((2, wheels, events), dtype=int)
    peak, mfdd, distance = (np.full(events, np.nan) for _ in range(3))
    used_up, surface = np.zeros(events, dtype=bool), np.full(events, "", dtype=object)
    for e in range(events):
        rows = braking_rows(sim, e, by_pressure=by_pressure)
        v = sim.speed_mps[rows]
        if rows.size < 2 or v[0] < 0.5:
            continue
        loaded = [w for w in range(wheels) if sim.applications["load_n"][e, w] > 0.0]
        for w in loaded:
            # a brake outlives its pedal: what locks under demand may stay so for a while after it
            on = np.arange(rows[0], sim.offsets[e + 1])
            locked = (sim.wheel_speed_mps[w, on] < 0.05 * sim.speed_mps[on]) & (sim.speed_mps[on] > 1.5)
            begin, end = longest_run(locked)
            per_wheel["lock_s"][w, e], spans[:, w, e] = (end - begin) / TRUTH_HZ, (rows[0] + begin, rows[0] + end)
            pressure, governed = sim.wheel_pressure_kpa[w, rows].tolist(), sim.wheel_controlled[w, rows].tolist()
            count, shown, begins = cycles(pressure, governed, slip_of(sim, w, rows), CYCLE_DEPTH)
            # a foot that pumps holds no demand: what the control does within a press is not asked for
            shown = shown if sim.applications["pump_hz"][e] == 0.0 else 0
            per_wheel["cycles"][w, e], per_wheel["shown"][w, e] = count, shown
            per_wheel["near"][w, e] = cycles(pressure, governed, slip_of(sim, w, rows), NEAR_DEPTH)[0]
            per_wheel["hz"][w, e] = frequency(begins)
        peak[e], mfdd[e] = peak_decel(v), fully_developed(v)
        if sim.braking_end_s[e] > 0.0:
            distance[e] = sum(0.5 * (v[k] + v[k + 1]) / TRUTH_HZ for k in range(len(v) - 1))
        used_up[e], surface[e] = _road(sim, e, rows, loaded)
    return Truth(
        lock_s=per_wheel["lock_s"],
        lock_begin=spans[0],
        lock_end=spans[1],
        cycles=per_wheel["cycles"],
        shown=per_wheel["shown"],
        near_cycles=per_wheel["near"],
        hz=per_wheel["hz"],
        peak=peak,
        mfdd=mfdd,
        distance=distance,
        used_up=used_up,
        surface=surface,
    )

"""How right the classes and figures are, against the simulator's truth. Prints a table; asserts nothing.

    python tests/benchmarks/accuracy.py --seed 1 --seed 2 --rate 10 --rate 50

A van and a bus, empty to laden, on dry, wet, snowy and icy roads, gentle to full pedal, with the control at work,
failed on one wheel or absent; noise, quantised wheels and rolling radii as the simulator's loggers have them. Truth
comes from the same applications sampled at 200 Hz. A NULL is a miss in recall; the share answered stands beside it.
"""

import argparse
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.features.build import features
from fleetbrake.recordings.batch import EventBatch
from fleetbrake.simulation.applications import BUS, VAN, VehicleSpec, applications
from fleetbrake.simulation.run import Simulated, simulate
from fleetbrake.simulation.sensors import Logger, record
from fleetbrake.simulation.tyre import SURFACES

Floats = npt.NDArray[np.float64]

TRUTH_HZ = 200.0
ROADS = ("dry", "wet", "snow", "ice")
WHEELS = ("1L", "1R", "2L", "2R")


@dataclass(frozen=True)
class Truth:
    """Per event ``(E,)``, per wheel ``(4, E)``: longest lockup, greatest 0.2 s mean, distance, MFDD."""

    lockup_s: Floats
    peak: Floats
    distance: Floats
    mfdd: Floats


def scenario(spec: VehicleSpec, n: int, rng: np.random.Generator) -> Any:
    """``n`` applications with everything drawn anew."""
    apps = applications(spec, n, load=rng.random(n))
    apps["initial_speed_mps"] = rng.uniform(10.0, 25.0, n)
    apps["pedal_pct"] = rng.choice([12.0, 20.0, 30.0, 60.0, 100.0], n)
    road = rng.choice([SURFACES.index(name) for name in ROADS], n)
    apps["surface_left"] = apps["surface_right"] = road
    control = rng.choice(3, n, p=[0.5, 0.25, 0.25])  # at work, failed on one wheel, absent
    apps["abs_on"][control == 2] = 0
    failed = np.flatnonzero(control == 1)
    apps["abs_on"][failed, rng.integers(0, 4, failed.size)] = 0
    return apps


def truth_of(sim: Simulated) -> Truth:
    """Read from the true samples by plain loops: slow and obvious."""
    events = len(sim.applications)
    lockup, peak = np.zeros((4, events)), np.zeros(events)
    distance, mfdd = sim.braking_distance_m.copy(), np.full(events, np.nan)
    step = round(DEFAULT.peak_window_s * TRUTH_HZ)
    for e in range(events):
        rows = slice(sim.offsets[e], sim.offsets[e + 1])
        time, v = sim.time_s[rows], sim.speed_mps[rows]
        on = (time >= 0.0) & (v > DEFAULT.moving_mps)
        for w in range(4):
            locked = on & (sim.wheel_speed_mps[w][rows] < DEFAULT.lock_ratio * v)
            edges = np.flatnonzero(np.diff(np.concatenate(([0], locked.astype(int), [0]))))
            lockup[w, e] = (edges[1::2] - edges[::2]).max(initial=0) / TRUTH_HZ
        braking = np.flatnonzero(time >= 0.0)
        fall = (v[braking[:-step]] - v[braking[step:]]) / DEFAULT.peak_window_s
        peak[e] = fall.max(initial=0.0)
        v0 = v[braking[0]]
        s = np.concatenate(([0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) / TRUTH_HZ)))
        begin, end = (int(np.argmax(v[braking] <= share * v0)) + braking[0] for share in (0.8, 0.1))
        if s[end] > s[begin]:
            mfdd[e] = (v[begin] ** 2 - v[end] ** 2) / (2.0 * (s[end] - s[begin]))
    distance[distance <= 0.0] = np.nan  # the recording's limit came before standstill
    return Truth(lockup, peak, distance, mfdd)


def batch_of(sim: Simulated, rng: np.random.Generator) -> EventBatch:
    """What a logger writes of the applications, as the reader would hand it on."""
    events = len(sim.applications)
    logger = Logger(axles=2, radius_error=rng.uniform(-0.01, 0.01, 6), rate_hz=sim.rate_hz, gnss_rate_hz=sim.rate_hz)
    channels = {name: np.asarray(values, dtype=float) for name, values in record(sim, logger, rng).items()}
    wheel = np.array([channels.pop(f"wheel_speed_{w.lower()}_mps") for w in WHEELS])
    start = np.repeat(sim.time_s[sim.offsets[:-1]], np.diff(sim.offsets))
    ids = np.array([f"e{e}" for e in range(events)], dtype=object)
    return EventBatch(
        offsets=sim.offsets,
        time_s=sim.time_s - start,
        start_us=np.arange(events, dtype=np.int64) * 10**9,
        event_id=ids,
        vehicle_id=np.full(events, "V", dtype=object),
        driver_id=np.full(events, None, dtype=object),
        row_start=sim.offsets[:-1],
        row_stop=sim.offsets[1:],
        channels=channels,
        wheels=WHEELS,
        wheel_speed_mps=wheel,
        wheel_pressure_kpa=np.full_like(wheel, np.nan),
        speed_source="gnss",
    )


def line(rate: float, seeds: list[int], events: int) -> dict[str, float]:
    """Figures of one rate over all seeds and both vehicles."""
    true_lock, said_lock, errors = [], [], {"peak": [], "distance": [], "mfdd": [], "lock_s": []}
    for seed in seeds:
        for spec in (VAN, BUS):
            rng = np.random.default_rng([seed, int(rate), len(spec.name)])
            apps = scenario(spec, events, rng)
            truth = truth_of(simulate(apps, rate_hz=TRUTH_HZ))
            found = features(batch_of(simulate(apps, rate_hz=rate), rng))
            rows, wheels = found.events.to_pandas(), found.wheels.to_pandas()
            told = wheels["lockup"].to_numpy(object).reshape(-1, 4).T
            length = wheels["lockup_longest_s"].to_numpy(float).reshape(-1, 4).T
            # a true lockup between the least that counts and 0.15 s is neither asked for nor held against
            asked = (truth.lockup_s > 0.15) | (truth.lockup_s < 0.05)
            true_lock.append((truth.lockup_s > 0.15)[asked])
            said_lock.append(told[asked])
            both = (truth.lockup_s > 0.15) & (told == True)  # noqa: E712 - NULL is neither
            errors["lock_s"].append(np.abs(length - truth.lockup_s)[both])
            errors["peak"].append(np.abs(rows["peak_decel_mps2"].to_numpy(float) - truth.peak))
            errors["distance"].append(np.abs(rows["braking_distance_m"].to_numpy(float) / truth.distance - 1.0))
            errors["mfdd"].append(np.abs(rows["mfdd_mps2"].to_numpy(float) / truth.mfdd - 1.0))
    real, said = np.concatenate(true_lock), np.concatenate(said_lock)
    yes = np.array([word is True for word in said])
    return {
        "lock precision": (yes & real).sum() / max(yes.sum(), 1),
        "lock recall": (yes & real).sum() / max(real.sum(), 1),
        "answered": float(np.mean([word is not None for word in said])),
        "lock length s": float(np.nanmedian(np.concatenate(errors["lock_s"]))),
        "peak m/s2": float(np.nanmedian(np.concatenate(errors["peak"]))),
        "distance %": 100.0 * float(np.nanmedian(np.concatenate(errors["distance"]))),
        "MFDD %": 100.0 * float(np.nanmedian(np.concatenate(errors["mfdd"]))),
        "MFDD p90 %": 100.0 * float(np.nanpercentile(np.concatenate(errors["mfdd"]), 90)),
    }


def main() -> None:
    """Arguments in, table out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, action="append", help="any number of seeds (default 1)")
    parser.add_argument("--rate", type=float, action="append", help="logger rates in Hz (default 10 20 25 50 100)")
    parser.add_argument("--events", type=int, default=100, help="applications per vehicle, seed and rate")
    given = parser.parse_args()
    for number, rate in enumerate(given.rate or [10.0, 20.0, 25.0, 50.0, 100.0]):
        figures = line(rate, given.seed or [1], given.events)
        if number == 0:
            print(f"{'Hz':>5}" + "".join(f"{name:>16}" for name in figures))
        print(f"{rate:>5.0f}" + "".join(f"{value:>16.3f}" for value in figures.values()))


if __name__ == "__main__":
    main()

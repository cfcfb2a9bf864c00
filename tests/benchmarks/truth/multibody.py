"""The independent multi-body car as true states at 200 Hz, in the form that the logger model reads.

The car has no anti-lock control: it is truth for lockups and motion, not for modulation. Model and licence:
``tests/reference/simulated_cars.py``.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "reference"))
from simulated_cars import STEP_S, Case, Trace, simulate  # type: ignore[import-not-found]

from fleetbrake.simulation.applications import VAN, VehicleSpec, applications
from fleetbrake.simulation.loggers import TRUTH_HZ
from fleetbrake.simulation.run import Simulated

LEAD_S = 2.0  # rolling before the demand, as the logger's other recordings; the model settles in the last half second


def simulated_cars(seed: int, events: int) -> tuple[VehicleSpec, Simulated]:
    """``events`` applications drawn from ``seed``: grips, demands, front shares, held or let go."""
    rng = np.random.default_rng([seed, 4711])
    traces = []
    for _ in range(events):
        case = Case(
            from_mps=float(rng.uniform(8.0, 18.0)),
            grip=float(rng.uniform(0.35, 1.0)),
            demand_mps2=float(rng.uniform(2.0, 7.0)),
            hold_s=float(rng.choice((1.2, 99.0))),
            front_share=float(rng.uniform(0.6, 0.8)),
        )
        traces.append(simulate(case))
    return VAN, _joined(traces)


def _joined(traces: list[Trace]) -> Simulated:
    apps = applications(VAN, len(traces))
    every = round(1.0 / (TRUTH_HZ * STEP_S))
    lead = round(LEAD_S * TRUTH_HZ)
    parts = []
    ends = np.zeros(len(traces))
    for e, trace in enumerate(traces):
        begin = int(np.searchsorted(trace.time_s, -1e-9))  # the demand begins on a sample of the lead
        pick = np.arange(begin % every, trace.time_s.size, every)
        own = int(np.searchsorted(trace.time_s[pick], -1e-9))
        pick = np.concatenate((np.repeat(pick[:1], lead - own), pick))
        over = (trace.speed_mps[begin:] <= 0.0) | (trace.demand_mps2[begin:] <= 0.0)
        # the model ends at 0.15 m/s: the step from there to standstill is none of its deceleration
        ends[e] = trace.time_s[begin + int(np.argmax(over))] - 1.0 / TRUTH_HZ if over.any() else 0.0
        parts.append((trace.speed_mps[pick], trace.wheel_mps[:, pick], trace.demand_mps2[pick]))
        apps["initial_speed_mps"][e] = trace.speed_mps[0]
    counts = np.array([part[0].size for part in parts])
    offsets = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
    speed = np.concatenate([part[0] for part in parts])
    wheel = np.zeros((6, speed.size))
    wheel[:4] = np.concatenate([part[1] for part in parts], axis=1)
    demand = np.concatenate([part[2] for part in parts])
    time = np.concatenate([np.arange(n) / TRUTH_HZ - LEAD_S for n in counts])
    accel = np.concatenate([np.diff(part[0], prepend=part[0][0]) * TRUTH_HZ for part in parts])
    accel[speed <= 0.0] = 0.0
    nothing, none = np.zeros(speed.size), np.zeros(len(traces))
    return Simulated(
        applications=apps,
        rate_hz=TRUTH_HZ,
        offsets=offsets,
        time_s=time,
        speed_mps=speed,
        accel_mps2=accel,
        pedal_pct=10.0 * demand,
        line_pressure_kpa=500.0 * demand,
        abs_active=np.zeros(speed.size, dtype=bool),
        yaw_rate_radps=nothing,
        distance_m=nothing,
        endurance_force_n=nothing,
        wheel_speed_mps=wheel,
        wheel_pressure_kpa=np.tile(500.0 * demand, (6, 1)),
        wheel_locked=wheel <= 0.0,
        wheel_controlled=np.zeros(wheel.shape, dtype=bool),
        braking_end_s=ends,
        braking_distance_m=none,
        brake_heat_j=none,
        slip_heat_j=none,
        resistance_j=none,
        energy_start_j=none,
        energy_end_j=none,
    )

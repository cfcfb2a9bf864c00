"""Traces of an independent simulator: the multi-body car of the package ``commonroad-vehicle-models`` (BSD-3).

Nothing of this project is in it. States are counted from 0 here: 0 position, 3 longitudinal speed, 23 to 26 wheel
speeds in rad/s (left front, right front, left rear, right rear). Below 0.1 m/s the model changes to a kinematic one, so
the simulation ends before that and the car stands.
"""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from product_run import APART_US, START_US, WHEELS
from vehiclemodels.init_mb import init_mb
from vehiclemodels.parameters_vehicle2 import parameters_vehicle2
from vehiclemodels.vehicle_dynamics_mb import vehicle_dynamics_mb

STEP_S = 0.001
SETTLE_S = 0.5  # rolling on its own before the demand
LET_GO_S = 0.3
TAIL_S = 1.0  # standing, or rolling on
STANDS_MPS = 0.15


@dataclass(frozen=True)
class Case:
    """One application: ``demand_mps2`` asked for from time 0, let go within ``LET_GO_S`` after ``hold_s``.

    ``grip`` is the tyres' peak friction, ``front_share`` the front axle's share of the brake torque.
    """

    from_mps: float
    grip: float
    demand_mps2: float
    hold_s: float = 99.0
    front_share: float = 0.66

    def demand(self, time_s: float) -> float:
        """Demand at a time from its first movement."""
        if time_s < -1e-9:
            return 0.0
        return self.demand_mps2 * min(max(1.0 - (time_s - self.hold_s) / LET_GO_S, 0.0), 1.0)


@dataclass(frozen=True)
class Trace:
    """What the simulator did, every ``STEP_S``: time from the demand, position, speeds, wheels ``(4, N)``, demand."""

    time_s: np.ndarray
    position_m: np.ndarray
    speed_mps: np.ndarray
    wheel_mps: np.ndarray
    demand_mps2: np.ndarray

    def locked(self, share: float = 0.05) -> np.ndarray:
        """Truth ``(4, N)``: under ``share`` of the vehicle's speed while that is above 1.5 m/s (edges: 5 %)."""
        return (self.wheel_mps < share * self.speed_mps) & (self.speed_mps > 1.5)

    def distance_m(self) -> float:
        """Truth: way from the first movement of demand to 0.3 m/s (edge of standstill) or to its release."""
        begin = int(np.searchsorted(self.time_s, -1e-9))
        over = (self.speed_mps[begin:] <= 0.3) | (self.demand_mps2[begin:] == 0.0)
        return float(self.position_m[begin + np.argmax(over)] - self.position_m[begin])

    def recording(self, event_id: str, rate_hz: float, number: int) -> pa.Table:
        """The trace as a cut recording at a lower rate, contract names; the demand as a pedal."""
        every = round(1.0 / (STEP_S * rate_hz))
        pick = slice(0, None, every)
        time_s = self.time_s[pick]
        us = START_US + number * APART_US + np.round((time_s - time_s[0]) * 1e6).astype(np.int64)
        columns = {
            "event_id": [event_id] * time_s.size,
            "vehicle_id": ["car"] * time_s.size,
            "timestamp": pa.array(us, pa.timestamp("us", tz="UTC")),
            "speed_mps": self.speed_mps[pick],
            "brake_pedal_pct": 10.0 * self.demand_mps2[pick],
        }
        for name, values in zip(WHEELS, self.wheel_mps, strict=True):
            columns[f"wheel_speed_{name.lower()}_mps"] = values[pick]
        return pa.table(columns)


def simulate(case: Case) -> Trace:
    """Integrate the multi-body model with fourth-order Runge-Kutta steps of 1 ms.

    The right-hand side writes into the state it is given, so it gets a copy each time.
    """
    car = parameters_vehicle2()
    car.tire.p_dx1 = case.grip
    car.T_sb = case.front_share
    state = np.array(init_mb([0, 0, 0, case.from_mps, 0, 0, 0], car), dtype=float)

    def rate(at: np.ndarray, demand: float) -> np.ndarray:
        return np.array(vehicle_dynamics_mb(at.tolist(), [0.0, -demand], car))

    rows = []
    for k in range(20_000):
        time_s = k * STEP_S - SETTLE_S
        demand = case.demand(time_s)
        rows.append((time_s, state[0], state[3], *(state[23:27] * car.R_w), demand))
        if state[3] < STANDS_MPS or time_s > case.hold_s + LET_GO_S + TAIL_S:
            break
        k1 = rate(state, demand)
        k2 = rate(state + 0.5 * STEP_S * k1, demand)
        k3 = rate(state + 0.5 * STEP_S * k2, demand)
        k4 = rate(state + STEP_S * k3, demand)
        state = state + STEP_S / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4)
        state[23:27] = np.maximum(state[23:27], 0.0)  # brakes do not turn a wheel backwards
    table = np.array(rows)
    if table[-1, 2] < STANDS_MPS:
        table = _standing(table)
    return Trace(table[:, 0], table[:, 1], table[:, 2], np.ascontiguousarray(table[:, 3:7].T), table[:, 7])


def _standing(table: np.ndarray) -> np.ndarray:
    """The trace with ``TAIL_S`` of standstill after it."""
    tail = np.repeat(table[-1:], round(TAIL_S / STEP_S), axis=0)
    tail[:, 0] += STEP_S * np.arange(1, len(tail) + 1)
    tail[:, 2:7] = 0.0
    return np.vstack((table, tail))

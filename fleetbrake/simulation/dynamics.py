"""The compiled model: longitudinal motion, load transfer, wheels, brakes, anti-lock control.

Signs: brake forces and slip positive when they slow the vehicle; grade uphill positive; yaw left positive.
The wheel equation is stiff (its time constant falls with speed), so each step is linear-implicit in the wheel speed
on the rising part of the tyre curve: stable down to standstill at 1 ms. A brake cannot turn a wheel backwards, so a
wheel that would cross zero is locked. Simplifications: no lateral motion besides a damped yaw rate, trailer as a
force, the control knows the true vehicle speed.
"""

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from fleetbrake.core.units import G_MPS2

Record = Any  # one application, a row of the structured array
Array = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

# rows of the wheel state (each with six wheels)
OMEGA, PRESSURE, MODE, MODE_TIME, LOCK_PRESSURE, HEAT, SEEN, RATE, TURN, TORQUE = range(10)
# entries of the body state
V, X, ACC, SMOOTH_ACC, YAW, LINE, RELEASED, ENDED, RETARD, PEDAL, RETARD_BACK, X_ONSET = range(12)
# columns of the sample output
OUT_SPEED, OUT_ACCEL, OUT_PEDAL, OUT_LINE, OUT_ACTIVE, OUT_YAW, OUT_DISTANCE, OUT_RETARD = range(8)
# columns of the totals
TOT_END, TOT_DISTANCE, TOT_BRAKE_HEAT, TOT_SLIP_HEAT, TOT_RESISTANCE, TOT_ENERGY_START, TOT_ENERGY_END = range(7)

NORMAL, DUMP, HOLD, BUILD = 0, 1, 2, 3

ROLLING_RESISTANCE = 0.009
SPEED_FLOOR = 0.3  # m/s, smallest denominator of the slip
STANDSTILL = 0.02  # m/s
RETARD_PAUSE_S = 3.0  # an endurance brake that made its axle slip comes back after this long (own choice)
COAST_S = 0.4  # the accelerator is let go this long before the pedal
SLIP_ON, SLIP_BACK = 0.18, 0.07
DECEL_ON, SLIP_WITH_DECEL = 40.0, 0.11  # m/s2 of the wheel's rim
RIM_RECOVERS = 9.0  # m/s2
HOLD_LONGEST = 0.08  # s
FIRST_STEP = 0.90  # of the pressure that the road could not carry
LEAST_PULSE = 0.05  # of full pressure: a valve cannot open for less
FADE_FROM_K, FADE_LEAST = 60.0, 0.35


@njit(nogil=True, cache=True, error_model="numpy")
def _pedal(app: Record, t: float, released: float) -> float:
    """Pedal in % at ``t`` s after the onset; ``released`` is when the foot began to lift."""
    if t <= 0.0:
        return 0.0
    pct = app["pedal_pct"] * min(1.0, t / app["ramp_s"])
    if app["pump_hz"] > 0.0:
        pct *= 0.5 - 0.5 * math.cos(2.0 * math.pi * app["pump_hz"] * t)
    if t > released:
        pct *= max(0.0, 1.0 - (t - released) / app["ease_s"])
    return pct


@njit(nogil=True, cache=True, error_model="numpy")
def _next_mode(wheel: Array, w: int, slip: float, rate: float) -> float:
    """State of the anti-lock control of wheel ``w``: run into slip, recovering, recovered."""
    mode = wheel[MODE, w]
    into_slip = slip > SLIP_ON or (slip > SLIP_WITH_DECEL and rate < -DECEL_ON)
    new = mode
    if mode in (NORMAL, BUILD):
        if into_slip:
            new = DUMP
    elif mode == DUMP:
        if rate > RIM_RECOVERS or slip < SLIP_BACK:
            new = HOLD
    elif slip < SLIP_BACK or (wheel[MODE_TIME, w] > HOLD_LONGEST and slip < SLIP_ON and rate < RIM_RECOVERS):
        new = BUILD
    elif slip > SLIP_ON and rate < -1.0:
        new = DUMP
    if new != mode:
        wheel[MODE, w], wheel[MODE_TIME, w] = new, 0.0
    return new


@njit(nogil=True, cache=True, error_model="numpy")
def _pressure(app: Record, wheel: Array, w: int, demand: float, dt: float) -> None:
    """Pressure step of wheel ``w`` towards the demand, or as its control state says."""
    mode, p, top = wheel[MODE, w], wheel[PRESSURE, w], wheel[LOCK_PRESSURE, w]
    if mode == DUMP:
        if wheel[RATE, w] <= 0.0 or wheel[MODE_TIME, w] == 0.0:
            wheel[LOCK_PRESSURE, w] = p  # what the road could not carry, up to the moment it turns the wheel again
        if wheel[MODE_TIME, w] > app["abs_valve_s"]:
            p -= p * app["abs_dump_per_s"] * dt
    elif mode == BUILD:
        if p < FIRST_STEP * top:
            p += (top - p) * dt / app["build_tau_s"] * 2.0
        elif int(wheel[MODE_TIME, w] / app["abs_step_s"]) % 2 == 0:
            p += 2.0 * (top + LEAST_PULSE * app["full_pressure_kpa"]) * app["abs_build_per_s"] * dt
        if p >= demand:
            wheel[MODE, w] = NORMAL
    elif mode == NORMAL:
        tau = app["build_tau_s"] if demand > p else app["release_tau_s"][w]
        p += (demand - p) * dt / tau
    if mode != NORMAL and demand < p:
        p += (demand - p) * dt / app["release_tau_s"][w]
    wheel[PRESSURE, w] = p
    wheel[MODE_TIME, w] += dt


@njit(nogil=True, cache=True, error_model="numpy")
def _own_demand(app: Record, w: int, t: float) -> float:
    """Pressure in kPa that a stability control asks of wheel ``w`` by itself, without the pedal."""
    if app["own_kpa"][w] <= 0.0 or t <= 0.0 or t > app["own_s"]:
        return 0.0
    if app["own_hz"] <= 0.0:
        return app["own_kpa"][w]
    return app["own_kpa"][w] * (0.5 - 0.5 * math.cos(2.0 * math.pi * app["own_hz"] * t))


@njit(nogil=True, cache=True, error_model="numpy")
def _control(app: Record, wheel: Array, v: float, asked: float, t: float, dt: float) -> bool:
    """Anti-lock control and pressure of all wheels for one step; True while any wheel is under control."""
    active = False
    for w in range(6):
        if app["load_n"][w] <= 0.0:
            continue
        demand = max(asked, _own_demand(app, w, t))
        mate = w ^ 1
        low = app["select_low"][w // 2] * app["abs_on"][w] * app["abs_on"][mate] > 0
        if low and w % 2 == 1 and wheel[MODE, mate] != NORMAL:  # the left wheel has decided for both
            for row in (PRESSURE, MODE, MODE_TIME, LOCK_PRESSURE):
                wheel[row, w] = wheel[row, mate]
            continue
        if low and w % 2 == 1:
            wheel[MODE, w] = NORMAL
        elif app["abs_on"][w] > 0 and v > app["abs_cutoff_mps"]:
            slip, rate = 1.0 - wheel[SEEN, w] / v, wheel[RATE, w]
            if low:
                slip, rate = max(slip, 1.0 - wheel[SEEN, mate] / v), min(rate, wheel[RATE, mate])
            if wheel[MODE, w] != NORMAL or demand > 0.0:
                active = _next_mode(wheel, w, slip, rate) != NORMAL or active
        else:
            wheel[MODE, w] = NORMAL
        _pressure(app, wheel, w, demand, dt)
    return active


@njit(nogil=True, cache=True, error_model="numpy")
def _torque(app: Record, wheel: Array, w: int) -> float:
    """Brake torque of wheel ``w`` in N m, with fade by heat."""
    p = max(wheel[PRESSURE, w], app["residual_kpa"][w])
    fade = max(FADE_LEAST, 1.0 - app["fade_per_k"] * max(0.0, wheel[HEAT, w] - FADE_FROM_K))
    return app["gain_nm_per_kpa"][w] * app["factor"][w] * fade * p


@njit(nogil=True, cache=True, error_model="numpy")
def _turn(
    app: Record, curve: Array, wheel: Array, w: int, v: float, load: float, retard: float, dt: float, tot: Array
) -> float:
    """One step of wheel ``w``: returns its brake force on the vehicle in N and updates speed, heat, sensor."""
    r, omega = app["radius_m"][w], wheel[OMEGA, w]
    v_ref = max(v, SPEED_FLOOR)
    slip = (v - omega * r) / v_ref
    s = min(abs(slip), 1.0)
    fall = math.exp(-curve[1] * s)
    mu = math.copysign(curve[0] * (1.0 - fall) - curve[2] * s, slip)
    slope = max(0.0, curve[0] * curve[1] * fall - curve[2])
    grip = app["grip"] * load
    stiffness = slope * grip * r / v_ref  # N per rad/s
    brake = _torque(app, wheel, w)
    step = dt * (r * mu * grip - brake - retard) / (app["inertia_kgm2"][w] + dt * stiffness * r)
    new = max(0.0, omega + step)
    force = mu * grip - stiffness * (new - omega)
    mean = 0.5 * (new + omega)
    wheel[HEAT, w] += brake * mean * dt / app["heat_capacity_j_per_k"][w]
    tot[TOT_BRAKE_HEAT] += (brake + retard) * mean * dt
    tot[TOT_SLIP_HEAT] += force * (v - mean * r) * dt
    wheel[OMEGA, w] = new
    wheel[TURN, w] += new * dt / (2.0 * math.pi)
    seen = new * r
    if app["sensor_dip"][w] > 0.0 and wheel[TURN, w] % 1.0 < 0.3:
        seen *= 1.0 - app["sensor_dip"][w]
    wheel[RATE, w] += ((seen - wheel[SEEN, w]) / dt - wheel[RATE, w]) * dt / 0.012
    wheel[SEEN, w] = seen
    return force


@njit(nogil=True, cache=True, error_model="numpy")
def _wheels(app: Record, curves: Array, wheel: Array, body: Array, dt: float, tot: Array) -> tuple[float, float]:
    """All wheels for one step; returns brake force of the left and the right side in N."""
    left, right, rear = 0.0, 0.0, 0.0
    for w in range(2, 6):
        rear += app["load_n"][w]
    transfer = app["mass_kg"] * body[SMOOTH_ACC] * app["cg_height_m"] / app["wheelbase_m"]  # negative while braking
    for w in range(6):
        static = app["load_n"][w]
        if static <= 0.0:
            continue
        load = static - transfer * 0.5 if w < 2 else static + transfer * static / rear
        retard = body[RETARD] * 0.5 * app["radius_m"][w] if w // 2 == app["endurance_axle"] else 0.0
        surface = app["surface_left"] if w % 2 == 0 else app["surface_right"]
        if app["jump_m"] > 0.0 and body[X] - body[X_ONSET] > app["jump_m"] and body[X_ONSET] > 0.0:
            surface = app["next_left"] if w % 2 == 0 else app["next_right"]
        force = _turn(app, curves[surface], wheel, w, body[V], max(load, 0.0), retard, dt, tot)
        if w % 2 == 0:
            left += force
        else:
            right += force
    return left, right


@njit(nogil=True, cache=True, error_model="numpy")
def _move(
    app: Record, body: Array, wheel: Array, t: float, left: float, right: float, trailer: float, dt: float, tot: Array
) -> None:
    """Body step from the side forces and the trailer's; speed is held until the accelerator is let go."""
    v, mass = body[V], app["mass_kg"] + app["trailer_mass_kg"]
    sine = app["grade"] / math.sqrt(1.0 + app["grade"] * app["grade"])
    resistance = ROLLING_RESISTANCE * mass * G_MPS2 + app["air_drag_kg_per_m"] * v * v
    acc = -(left + right + trailer + resistance + mass * G_MPS2 * sine) / mass
    if t < -COAST_S or v <= 0.0:
        acc = 0.0
    new = v + acc * dt
    if new < STANDSTILL:
        new = 0.0
        wheel[OMEGA, :] = 0.0
        wheel[SEEN, :] = 0.0
    tot[TOT_RESISTANCE] += (
        (resistance + trailer + mass * G_MPS2 * sine) * 0.5 * (v + new) * dt if t >= -COAST_S else 0.0
    )
    body[X] += 0.5 * (v + new) * dt
    body[V], body[ACC] = new, acc
    body[SMOOTH_ACC] += (acc - body[SMOOTH_ACC]) * dt / 0.06
    turning = (left - right) * 0.5 * app["track_m"] / app["yaw_inertia_kgm2"] if new > 0.0 else 0.0
    body[YAW] += (turning - body[YAW] / 0.25) * dt


@njit(nogil=True, cache=True, error_model="numpy")
def _endurance(app: Record, body: Array, wheel: Array, t: float, dt: float) -> None:
    """Endurance force at ``t``; let go for a while when its axle slips too much, if the vehicle watches that."""
    if app["endurance_slip_off"] > 0.0 and body[V] > 2.5 and body[RETARD] > 1.0:
        for w in range(2 * app["endurance_axle"], 2 * app["endurance_axle"] + 2):
            if 1.0 - wheel[SEEN, w] / body[V] > app["endurance_slip_off"]:
                body[RETARD_BACK] = t + RETARD_PAUSE_S
    on = t > 0.0 and t < body[RELEASED] and t >= body[RETARD_BACK]
    goal = app["endurance_force_n"] * min(1.0, body[V] / 4.0) if on else 0.0
    body[RETARD] += (goal - body[RETARD]) * dt / (0.2 if t >= body[RETARD_BACK] else 0.04)


@njit(nogil=True, cache=True, error_model="numpy")
def _demand(app: Record, body: Array, wheel: Array, t: float, dt: float) -> float:
    """Pedal, line pressure and endurance force at ``t``; returns the pressure asked of the wheels in kPa."""
    if body[RELEASED] > 1e8 and (t > app["ramp_s"] + app["hold_s"] or (t > 0.0 and body[V] < app["release_speed_mps"])):
        body[RELEASED] = t
    body[PEDAL] = _pedal(app, t, body[RELEASED])
    asked = 0.01 * _pedal(app, t - app["delay_s"], body[RELEASED]) * app["full_pressure_kpa"] * app["friction_share"]
    tau = app["build_tau_s"] if asked > body[LINE] else app["release_tau_s"][0]
    body[LINE] += (asked - body[LINE]) * dt / tau
    _endurance(app, body, wheel, t, dt)
    return asked


@njit(nogil=True, cache=True, error_model="numpy")
def _energy(app: Record, body: Array, wheel: Array) -> float:
    """Kinetic energy in J: translation and the wheels' rotation."""
    total = 0.5 * (app["mass_kg"] + app["trailer_mass_kg"]) * body[V] ** 2
    for w in range(6):
        total += 0.5 * app["inertia_kgm2"][w] * wheel[OMEGA, w] ** 2
    return total


@njit(nogil=True, cache=True, error_model="numpy")
def _write(app: Record, body: Array, wheel: Array, active: bool, out: Array, wheel_out: Array) -> None:
    """One logger sample."""
    out[OUT_SPEED], out[OUT_ACCEL], out[OUT_PEDAL], out[OUT_LINE] = body[V], body[ACC], body[PEDAL], body[LINE]
    out[OUT_ACTIVE], out[OUT_YAW], out[OUT_DISTANCE], out[OUT_RETARD] = active, body[YAW], body[X], body[RETARD]
    for w in range(6):
        wheel_out[0, w] = wheel[SEEN, w]
        wheel_out[1, w] = wheel[PRESSURE, w]
        wheel_out[2, w] = app["load_n"][w] > 0.0 and wheel[OMEGA, w] <= 0.0 and body[V] > 0.0
        wheel_out[3, w] = app["load_n"][w] > 0.0 and wheel[MODE, w] != NORMAL


@njit(nogil=True, cache=True, error_model="numpy")
def _start(app: Record, body: Array, wheel: Array) -> None:
    """Rolling at the initial speed, no pressure."""
    body[V], body[RELEASED], body[ENDED] = app["initial_speed_mps"], 1e9, 1e9
    body[RETARD_BACK] = -1e9
    for w in range(6):
        if app["load_n"][w] > 0.0:
            wheel[OMEGA, w] = body[V] / app["radius_m"][w]
            wheel[SEEN, w] = body[V]


@njit(nogil=True, cache=True, error_model="numpy")
def _run_one(
    app: Record,
    curves: Array,
    trailer_limit: float,
    dt: float,
    every: int,
    before: float,
    after: float,
    out: Array,
    wheel_out: Array,
    tot: Array,
) -> int:
    """One application from ``before`` s ahead of the onset to ``after`` s past its end; returns samples written."""
    body, wheel = np.zeros(12), np.zeros((10, 6))
    _start(app, body, wheel)
    tot[TOT_ENERGY_START] = _energy(app, body, wheel)
    samples, step, active = 0, 0, False
    while samples < out.shape[0]:
        t = step * dt - before
        asked = _demand(app, body, wheel, t, dt)
        if step % every == 0:
            _write(app, body, wheel, active or t < body[RETARD_BACK], out[samples], wheel_out[samples])
            samples += 1
        if t < 0.5 * dt:
            body[X_ONSET] = body[X]
        if body[ENDED] > 1e8 and t > 0.0 and (body[V] <= 0.0 or (t > body[RELEASED] and body[PEDAL] <= 0.0)):
            body[ENDED] = t
            tot[TOT_END], tot[TOT_DISTANCE] = t, body[X] - body[X_ONSET]
        if t >= min(body[ENDED] + after, app["limit_s"]):
            break
        active = _control(app, wheel, body[V], asked, t, dt)
        if t < -COAST_S:
            tot[TOT_BRAKE_HEAT] = tot[TOT_SLIP_HEAT] = 0.0  # the engine pays for what happens before
        left, right = _wheels(app, curves, wheel, body, dt, tot)
        trailer = min(app["trailer_gain_n_per_kpa"] * body[LINE], trailer_limit)
        _move(app, body, wheel, t, left, right, trailer, dt, tot)
        step += 1
    tot[TOT_ENERGY_END] = _energy(app, body, wheel)
    return samples


@njit(nogil=True, cache=True, error_model="numpy")
def run_many(
    apps: Record,
    curves: Array,
    trailer_limits: Array,
    dt: float,
    every: int,
    before: float,
    after: float,
    out: Array,
    wheel_out: Array,
    totals: Array,
    counts: Counts,
) -> None:
    """All applications of a chunk.

    Fills ``out (n, S, 8)``, ``wheel_out (n, S, 4, 6)``, ``totals (n, 7)`` and the samples written, ``counts (n,)``.
    """
    for e in range(len(apps)):
        counts[e] = _run_one(
            apps[e], curves, trailer_limits[e], dt, every, before, after, out[e], wheel_out[e], totals[e]
        )

"""The vehicle's speed by a smoother that looks both ways in time: accelerometer, speed channel and rolling wheels.

State of each event: speed, acceleration, and what the accelerometer shows besides the acceleration (its bias and the
constant part of the slope's pull). Forward a Kalman filter, backward the Rauch-Tung-Striebel recursion (textbook
forms; the tests hold a plain NumPy version beside it). Wheels enter while they are plausible and step back while they
slip; a speed channel enters at the time it speaks of.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: How much the acceleration may wander, (m/s2)^2 a second: 0.3 m/s2 in 0.1 s without an accelerometer (own choice:
#: less rounds the onset of braking, more lets noise and hopping wheels pass for peaks). With one, so much at rest, and
#: as much more as its readings move from one to the next.
WANDER, WANDER_AT_REST = 1.0, 4.0

#: How much bias and slope may wander, (m/s2)^2 a second (own choice: 0.05 m/s2 in a second).
BIAS_WANDER = 3e-3

#: Before anything is seen, standard deviations: speed 5 m/s, acceleration 3 m/s2, bias 1.5 m/s2 (a slope of 15 %).
FIRST = (25.0, 9.0, 2.25)

#: Brake slip of the fastest wheel per deceleration, s2/m (own choice: Burckhardt's dry curve rises 296 m/s2 per slip,
#: computed; two thirds of that for heavy tyres), and the most of it.
SLIP_PER_DECEL, SLIP_MOST = 1.0 / 250.0, 0.03

#: Doubt of a braked wheel, share of the speed: upward (it cannot turn faster), and downward, which stays for a while.
DOUBT_UP, DOUBT_DOWN, DOUBT_STAYS_S = 0.01, 0.02, 0.5

#: A braked wheel that lags by more than this share and speed (m/s) beyond three standard errors steps back.
STEP_BACK_SHARE, STEP_BACK_MPS = 0.04, 0.3

#: Under this speed of the fastest braked wheel and this deceleration the vehicle may stand; it then does so within
#: this doubt (own choices: above the noise of wheels and body; the slope is in the bias).
STANDS_MPS, STANDS_MPS2, LEAST_DOUBT_MPS = 0.3, 0.3, 0.03

#: Wheels that leap so far from what is expected, beyond four standard errors, do not turn so: m/s, share of the speed.
LEAP_MPS, LEAP_SHARE = 1.0, 0.1

#: Whether anything slows the vehicle is looked at over this time, s: a single reading is noise.
CALM_S = 0.4

#: Doubt of freely rolling wheels, share of the speed (own choice: bends), which stays for a while too.
DOUBT_FREE = 0.004

#: A reading older than this and a row's time speaks of what was before the event, s.
STALE_S = 0.1

#: Least noise of a wheel's reading, and of a speed channel's, when they are fused, m/s (own choice: standstill is known
#: no better; a channel without noise is followed to the letter).
LEAST_NOISE_MPS, LEAST_CHANNEL_MPS = 0.005, 1e-5


@dataclass(frozen=True)
class Sources:
    """What is fused. Per sample ``(N,)``, NaN where there is none; per event ``(E,)``.

    accel : forward acceleration as the sensor gives it; ``accel_noise`` its sample noise, ``gain`` what to multiply it
        with (a body that dives shows too much), ``gain_se`` its standard error.
    speed : an independent speed; ``fresh`` marks its updates, ``speed_noise`` their noise, ``delay`` their age.
    free, braked : speed by wheels that roll freely, and by the fastest of braked wheels; ``wheel_noise``, ``wheel_hz``.
    alone : nothing but the wheels tells the speed from one moment to the next.
    """

    accel: Floats
    accel_noise: Floats
    gain: Floats
    gain_se: Floats
    speed: Floats
    fresh: Bools
    speed_noise: Floats
    delay: Floats
    free: Floats
    braked: Floats
    wheel_noise: Floats
    wheel_hz: Floats
    alone: Bools


@kernel
def _predict(x: Floats, p: Floats, dt: float, wander: float, bias_step: float) -> None:
    """One step ahead: ``x`` (3,), ``p`` (3, 3) in place."""
    x[0] += dt * x[1]
    p01 = p[0, 1] + dt * p[1, 1]
    p02 = p[0, 2] + dt * p[1, 2]
    p[0, 0] += dt * (p[0, 1] + p01) + wander * dt**3 / 3.0
    p[0, 1] = p[1, 0] = p01 + wander * dt**2 / 2.0
    p[0, 2] = p[2, 0] = p02
    p[1, 1] += wander * dt
    p[2, 2] += bias_step


@kernel
def _update(x: Floats, p: Floats, h0: float, h1: float, h2: float, off: float, noise: float) -> None:
    """One scalar reading that differs by ``off`` from what was expected, with variance ``noise``; in place."""
    g0 = p[0, 0] * h0 + p[0, 1] * h1 + p[0, 2] * h2
    g1 = p[1, 0] * h0 + p[1, 1] * h1 + p[1, 2] * h2
    g2 = p[2, 0] * h0 + p[2, 1] * h1 + p[2, 2] * h2
    s = h0 * g0 + h1 * g1 + h2 * g2 + noise
    g = (g0, g1, g2)
    for j in range(3):
        x[j] += g[j] / s * off
        for k in range(3):
            p[j, k] -= g[j] * g[k] / s


@kernel
def wheel_reading(
    fastest: float, v: float, a: float, calm: float, se: float, noise: float, stays: float, alone: bool
) -> tuple[float, float]:
    """What a braked wheel says: how far it is off what was expected of it, and the variance of that; -1: steps back.

    ``v``, ``a``, ``se``: expected speed, acceleration and standard error of the vehicle, ``calm`` its acceleration over
    the last moments; ``stays``: samples that share
    one slip; ``alone``: nothing else tells the speed, so that its slip shows in no difference. A wheel cannot turn
    faster than the vehicle, so its doubt is one-sided. A wheel that stands is a standing vehicle only where nothing
    slows it any more.
    """
    scale = max(v, 0.0)
    if alone:
        expected = v if fastest < STANDS_MPS else v * (1.0 - expected_slip(a))
        return fastest - expected, noise**2 + (DOUBT_FREE * scale) ** 2
    if fastest < STANDS_MPS:
        if abs(calm) > STANDS_MPS2 or v > 3.0 * se + STEP_BACK_MPS:
            return -v, -1.0
        return -v, noise**2 + LEAST_DOUBT_MPS**2
    off = fastest - v * (1.0 - expected_slip(a))
    if off >= 0.0:
        return off, noise**2 + (DOUBT_UP * scale) ** 2
    if off < -(3.0 * se + STEP_BACK_SHARE * scale + STEP_BACK_MPS):
        return off, -1.0
    return off, noise**2 + stays * (DOUBT_DOWN * scale) ** 2 + (0.5 * off) ** 2


@kernel
def expected_slip(a: float) -> float:
    """Slip of the fastest braked wheel at an acceleration (negative while braking)."""
    return min(max(-a, 0.0) * SLIP_PER_DECEL, SLIP_MOST)


@kernel
def wander(time_s: Floats, accel: Floats, gain: Floats, offsets: Ints) -> Floats:
    """How much the acceleration may wander before each sample ``(N,)``, (m/s2)^2 a second."""
    out = np.full(time_s.size, WANDER)
    for e in range(offsets.size - 1):
        for i in range(offsets[e] + 1, offsets[e + 1]):
            step = gain[e] * (accel[i] - accel[i - 1])
            if not np.isnan(step):
                out[i] = WANDER_AT_REST + step * step / (time_s[i] - time_s[i - 1])
    return out


@kernel
def _first_speed(first: int, last: int, free: Floats, braked: Floats, speed: Floats) -> float:
    for i in range(first, last):
        for x in (free[i], speed[i], braked[i]):
            if not np.isnan(x):
                return x
    return np.nan


@kernel
def _forward(
    e: int,
    first: int,
    last: int,
    time_s: Floats,
    accel: Floats,
    accel_noise: Floats,
    gain: Floats,
    gain_se: Floats,
    speed: Floats,
    fresh: Bools,
    speed_noise: Floats,
    delay: Floats,
    free: Floats,
    braked: Floats,
    wheel_noise: Floats,
    wheel_hz: Floats,
    alone: Bools,
    wanders: Floats,
    state: Floats,
    cover: Floats,
    steps: Floats,
) -> None:
    """Filter one event; fills filtered state ``(N, 3)``, covariance ``(N, 6)`` and the bias step ``(N,)`` taken."""
    x, p = np.zeros(3), np.zeros((3, 3))
    x[0] = _first_speed(first, last, free, braked, speed)
    shown = False
    for i in range(first, last):
        shown = shown or not np.isnan(accel[i])
    p[0, 0], p[1, 1], p[2, 2] = FIRST[0], FIRST[1], FIRST[2] if shown else 0.0
    noise_a = max(accel_noise[e], 0.03) ** 2
    noise_v = max(speed_noise[e], LEAST_CHANNEL_MPS) ** 2
    noise_w = max(wheel_noise[e], LEAST_NOISE_MPS)
    stays = max(1.0, DOUBT_STAYS_S * wheel_hz[e]) if wheel_hz[e] > 0.0 else 1.0
    queue = first
    trend = np.nan  # slow copy of the sensor: its steps may be steps of the bias too, where the gain is not sure
    since, calm = 0.0, 0.0
    for i in range(first, last):
        steps[i] = 0.0
        if i > first:
            since = dt = time_s[i] - time_s[i - 1]
            before = trend
            if not np.isnan(accel[i]):
                trend = accel[i] if np.isnan(trend) else trend + (accel[i] - trend) * min(1.0, dt / 0.1)
            moved = 0.0 if np.isnan(before) else gain_se[e] ** 2 * abs(trend**2 - before**2)
            steps[i] = BIAS_WANDER * dt + moved if shown else 0.0
            _predict(x, p, dt, wanders[i], steps[i])
        if not np.isnan(accel[i]):
            _update(x, p, 0.0, 1.0 / gain[e], 1.0, accel[i] - x[1] / gain[e] - x[2], noise_a)
        while queue < last and time_s[queue] - delay[e] <= time_s[i] + 1e-9:
            age = time_s[queue] - delay[e] - time_s[i]
            if fresh[queue] and age > -STALE_S - since and not np.isnan(speed[queue]):
                _update(x, p, 1.0, age, 0.0, speed[queue] - x[0] - age * x[1], noise_v)
            queue += 1
        calm = x[1] if i == first else calm + (x[1] - calm) * min(1.0, since / CALM_S)
        leap = LEAP_MPS + LEAP_SHARE * max(x[0], 0.0) + 4.0 * np.sqrt(p[0, 0])
        if not np.isnan(free[i]):
            doubt = noise_w**2 + stays * (DOUBT_FREE * free[i]) ** 2
            if abs(free[i] - x[0]) < leap:
                _update(x, p, 1.0, 0.0, 0.0, free[i] - x[0], doubt)
        elif not np.isnan(braked[i]) and braked[i] - x[0] < leap:
            off, doubt = wheel_reading(braked[i], x[0], x[1], calm, np.sqrt(p[0, 0]), noise_w, stays, alone[e])
            if doubt > 0.0:
                slip = expected_slip(x[1])
                bend = x[0] * SLIP_PER_DECEL if 0.0 < slip < SLIP_MOST and braked[i] >= STANDS_MPS else 0.0
                _update(x, p, 1.0 - slip if braked[i] >= STANDS_MPS else 1.0, bend, 0.0, off, doubt)
        state[i, 0], state[i, 1], state[i, 2] = x[0], x[1], x[2]
        cover[i, 0], cover[i, 1], cover[i, 2] = p[0, 0], p[0, 1], p[0, 2]
        cover[i, 3], cover[i, 4], cover[i, 5] = p[1, 1], p[1, 2], p[2, 2]


@kernel
def _inverse(p: Floats, q: Floats) -> None:
    """Inverse of a symmetric positive 3 x 3 matrix into ``q``; a state that is known for sure is left alone."""
    if p[2, 2] <= 0.0:
        d = p[0, 0] * p[1, 1] - p[0, 1] ** 2
        q[:] = 0.0
        q[0, 0], q[1, 1], q[0, 1], q[1, 0] = p[1, 1] / d, p[0, 0] / d, -p[0, 1] / d, -p[0, 1] / d
        return
    c00 = p[1, 1] * p[2, 2] - p[1, 2] ** 2
    c01 = p[0, 2] * p[1, 2] - p[0, 1] * p[2, 2]
    c02 = p[0, 1] * p[1, 2] - p[0, 2] * p[1, 1]
    d = p[0, 0] * c00 + p[0, 1] * c01 + p[0, 2] * c02
    q[0, 0], q[0, 1], q[0, 2] = c00 / d, c01 / d, c02 / d
    q[1, 1] = (p[0, 0] * p[2, 2] - p[0, 2] ** 2) / d
    q[1, 2] = (p[0, 1] * p[0, 2] - p[0, 0] * p[1, 2]) / d
    q[2, 2] = (p[0, 0] * p[1, 1] - p[0, 1] ** 2) / d
    q[1, 0], q[2, 0], q[2, 1] = q[0, 1], q[0, 2], q[1, 2]


@kernel
def _backward(
    first: int, last: int, time_s: Floats, wanders: Floats, state: Floats, cover: Floats, steps: Floats
) -> None:
    """Rauch-Tung-Striebel recursion over one event; ``state`` and ``cover`` become the smoothed ones."""
    p, ahead, inverse, back = np.zeros((3, 3)), np.zeros((3, 3)), np.zeros((3, 3)), np.zeros((3, 3))
    later, gain = np.zeros((3, 3)), np.zeros((3, 3))
    x, guess = np.zeros(3), np.zeros(3)
    for i in range(last - 2, first - 1, -1):
        dt = time_s[i + 1] - time_s[i]
        _unpack(cover[i], p)
        _unpack(cover[i + 1], later)
        for j in range(3):
            x[j] = guess[j] = state[i, j]
            for k in range(3):
                ahead[j, k] = p[j, k]
        _predict(guess, ahead, dt, wanders[i + 1], steps[i + 1])
        _inverse(ahead, inverse)
        for j in range(3):  # P F'
            back[j, 0] = p[j, 0] + dt * p[j, 1]
            back[j, 1] = p[j, 1]
            back[j, 2] = p[j, 2]
        for j in range(3):
            for k in range(3):
                gain[j, k] = back[j, 0] * inverse[0, k] + back[j, 1] * inverse[1, k] + back[j, 2] * inverse[2, k]
        for j in range(3):
            for k in range(3):
                later[j, k] -= ahead[j, k]
                state[i, j] += gain[j, k] * (state[i + 1, k] - guess[k])
        place = 0
        for j in range(3):
            for k in range(j, 3):
                total = p[j, k]
                for m in range(3):
                    for n in range(3):
                        total += gain[j, m] * later[m, n] * gain[k, n]
                cover[i, place] = total
                place += 1


@kernel
def _unpack(six: Floats, p: Floats) -> None:
    p[0, 0], p[0, 1], p[0, 2] = six[0], six[1], six[2]
    p[1, 0], p[1, 1], p[1, 2] = six[1], six[3], six[4]
    p[2, 0], p[2, 1], p[2, 2] = six[2], six[4], six[5]


@kernel
def _smooth(
    time_s: Floats,
    offsets: Ints,
    accel: Floats,
    accel_noise: Floats,
    gain: Floats,
    gain_se: Floats,
    speed: Floats,
    fresh: Bools,
    speed_noise: Floats,
    delay: Floats,
    free: Floats,
    braked: Floats,
    wheel_noise: Floats,
    wheel_hz: Floats,
    alone: Bools,
) -> tuple[Floats, Floats]:
    state = np.full((time_s.size, 3), np.nan)
    cover = np.full((time_s.size, 6), np.nan)
    steps = np.zeros(time_s.size)
    wanders = wander(time_s, accel, gain, offsets)
    for e in range(offsets.size - 1):
        first, last = offsets[e], offsets[e + 1]
        _forward(
            e, first, last, time_s, accel, accel_noise, gain, gain_se, speed, fresh, speed_noise, delay, free, braked,
            wheel_noise, wheel_hz, alone, wanders, state, cover, steps,
        )  # fmt: skip
        _backward(first, last, time_s, wanders, state, cover, steps)
    return state, cover


def smooth(time_s: Floats, offsets: Ints, sources: Sources) -> tuple[Floats, Floats, Floats, Floats]:
    """Smoothed speed, acceleration, bias with slope, and the standard error of the speed, each ``(N,)``.

    NaN for an event without any reading of its speed.
    """
    s = sources
    state, cover = _smooth(
        time_s, offsets, s.accel, s.accel_noise, s.gain, s.gain_se, s.speed, s.fresh, s.speed_noise, s.delay, s.free,
        s.braked, s.wheel_noise, s.wheel_hz, s.alone,
    )  # fmt: skip
    error = np.sqrt(np.maximum(cover[:, 0], 0.0))
    state[np.isnan(state[:, 0])] = np.nan
    columns = [np.ascontiguousarray(state[:, k]) for k in range(3)]
    return columns[0], columns[1], columns[2], np.where(np.isnan(columns[0]), np.nan, error)

"""The vehicle's speed by a smoother that looks both ways in time: accelerometer, speed channel and rolling wheels.

State of each event: speed, acceleration, and what the accelerometer shows besides the acceleration (its bias and the
constant part of the slope's pull). Forward a Kalman filter, backward the Rauch-Tung-Striebel recursion (textbook
forms; the tests hold a plain NumPy version beside it). Wheels enter while they are plausible and step back while they
slip; a speed channel enters at the time it speaks of.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.fusion_steps import State, ahead, by_sensor, by_speed, smoothed
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
def _wanders(time: Floats, accel: Floats, gain: float, out: Floats) -> None:
    """How much the acceleration may wander before each sample of one event, into ``out``."""
    out[:1] = WANDER
    for i in range(1, time.size):
        step = gain * (accel[i] - accel[i - 1])
        known = WANDER_AT_REST + step * step / (time[i] - time[i - 1])
        out[i] = WANDER if np.isnan(step) else known


@kernel
def wander(time_s: Floats, accel: Floats, gain: Floats, offsets: Ints) -> Floats:
    """How much the acceleration may wander before each sample ``(N,)``, (m/s2)^2 a second."""
    out = np.empty(time_s.size)
    for e in range(offsets.size - 1):
        first, last = offsets[e], offsets[e + 1]
        _wanders(time_s[first:last], accel[first:last], gain[e], out[first:last])
    return out


@kernel
def _first_speed(free: Floats, braked: Floats, speed: Floats) -> float:
    for i in range(free.size):
        for x in (free[i], speed[i], braked[i]):
            if not np.isnan(x):
                return x
    return np.nan


@kernel
def _by_wheels(s: State, free: float, braked: float, calm: float, noise: float, stays: float, alone: bool) -> State:
    """The state after what the wheels say: freely rolling ones, else braked ones while they are plausible."""
    if np.isnan(free) and np.isnan(braked):
        return s
    x0, x1, se = s[0], s[1], np.sqrt(s[3])
    leap = LEAP_MPS + LEAP_SHARE * max(x0, 0.0) + 4.0 * se
    if not np.isnan(free):
        doubt = noise**2 + stays * (DOUBT_FREE * free) ** 2
        return by_speed(s, 1.0, 0.0, free - x0, doubt) if abs(free - x0) < leap else s
    if not braked - x0 < leap:
        return s
    off, doubt = wheel_reading(braked, x0, x1, calm, se, noise, stays, alone)
    if not doubt > 0.0:
        return s
    slip = expected_slip(x1)
    turns = braked >= STANDS_MPS
    bend = x0 * SLIP_PER_DECEL if 0.0 < slip < SLIP_MOST and turns else 0.0
    return by_speed(s, 1.0 - slip if turns else 1.0, bend, off, doubt)


@kernel
def _forward(
    time: Floats,
    accel: Floats,
    speed: Floats,
    fresh: Bools,
    free: Floats,
    braked: Floats,
    noise: tuple[float, float, float],
    gain: float,
    gain_se: float,
    delay: float,
    stays: float,
    alone: bool,
    wanders: Floats,
    steps: Floats,
    kept: Floats,
) -> None:
    """Filter one event; fills the states ``(L, 9)`` and the bias step ``(L,)`` taken before each.

    ``noise``: standard deviations of the accelerometer, the speed channel and the wheels.
    """
    shown = False
    for i in range(accel.size):
        shown = shown | (accel[i] == accel[i])
    noise_a, noise_v = noise[0] ** 2, noise[1] ** 2
    shows = 1.0 / gain
    s = (_first_speed(free, braked, speed), 0.0, 0.0, FIRST[0], 0.0, 0.0, FIRST[1], 0.0, FIRST[2] if shown else 0.0)
    queue = 0
    trend = np.nan  # slow copy of the sensor: its steps may be steps of the bias too, where the gain is not sure
    since, calm = 0.0, 0.0
    for i in range(time.size):
        steps[i] = 0.0
        if i > 0:
            since = time[i] - time[i - 1]
            before = trend
            if not np.isnan(accel[i]):
                trend = accel[i] if np.isnan(trend) else trend + (accel[i] - trend) * min(1.0, since * 10.0)
            moved = 0.0 if np.isnan(before) else gain_se**2 * abs(trend**2 - before**2)
            steps[i] = BIAS_WANDER * since + moved if shown else 0.0
            s = ahead(s, since, wanders[i], steps[i])
        if not np.isnan(accel[i]):
            s = by_sensor(s, shows, accel[i] - s[1] * shows - s[2], noise_a)
        while queue < time.size and time[queue] - delay <= time[i] + 1e-9:
            age = time[queue] - delay - time[i]
            if fresh[queue] and age > -STALE_S - since and not np.isnan(speed[queue]):
                s = by_speed(s, 1.0, age, speed[queue] - s[0] - age * s[1], noise_v)
            queue += 1
        calm = s[1] if i == 0 else calm + (s[1] - calm) * min(1.0, since * (1.0 / CALM_S))
        s = _by_wheels(s, free[i], braked[i], calm, noise[2], stays, alone)
        kept[i, 0], kept[i, 1], kept[i, 2], kept[i, 3], kept[i, 4] = s[0], s[1], s[2], s[3], s[4]
        kept[i, 5], kept[i, 6], kept[i, 7], kept[i, 8] = s[5], s[6], s[7], s[8]


@kernel
def _backward(time: Floats, wanders: Floats, steps: Floats, kept: Floats, out: Floats) -> None:
    """Rauch-Tung-Striebel recursion over one event; speed, acceleration, bias and speed's standard error ``(4, L)``."""
    last = time.size - 1
    k = kept[last]
    later = (k[0], k[1], k[2], k[3], k[4], k[5], k[6], k[7], k[8])
    for back in range(time.size):
        i = last - back
        if back > 0:
            k = kept[i]
            s = (k[0], k[1], k[2], k[3], k[4], k[5], k[6], k[7], k[8])
            dt = time[i + 1] - time[i]
            later = smoothed(s, later, ahead(s, dt, wanders[i + 1], steps[i + 1]), dt)
        out[0, i], out[1, i], out[2, i], out[3, i] = later[0], later[1], later[2], later[3]
    error = out[3]
    for i in range(error.size):
        error[i] = np.sqrt(0.0 if error[i] < 0.0 else error[i])


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
) -> tuple[Floats, Floats, Floats, Floats]:
    found = np.empty((4, time_s.size))
    longest = 0
    for e in range(offsets.size - 1):
        longest = max(longest, offsets[e + 1] - offsets[e])
    kept, wanders, steps = np.empty((longest, 9)), np.empty(longest), np.empty(longest)
    for e in range(offsets.size - 1):
        a, b = offsets[e], offsets[e + 1]
        if np.isnan(_first_speed(free[a:b], braked[a:b], speed[a:b])):
            found[:, a:b] = np.nan
            continue
        noise = (
            max(accel_noise[e], 0.03), max(speed_noise[e], LEAST_CHANNEL_MPS), max(wheel_noise[e], LEAST_NOISE_MPS)
        )  # fmt: skip
        stays = max(1.0, DOUBT_STAYS_S * wheel_hz[e]) if wheel_hz[e] > 0.0 else 1.0
        _wanders(time_s[a:b], accel[a:b], gain[e], wanders)
        _forward(
            time_s[a:b], accel[a:b], speed[a:b], fresh[a:b], free[a:b], braked[a:b], noise, gain[e], gain_se[e],
            delay[e], stays, alone[e], wanders, steps, kept,
        )  # fmt: skip
        _backward(time_s[a:b], wanders, steps, kept, found[:, a:b])
    return found[0], found[1], found[2], found[3]


def smooth(time_s: Floats, offsets: Ints, sources: Sources) -> tuple[Floats, Floats, Floats, Floats]:
    """Smoothed speed, acceleration, bias with slope, and the standard error of the speed, each ``(N,)``.

    NaN for an event without any reading of its speed.
    """
    s = sources
    return _smooth(  # type: ignore[no-any-return]
        time_s, offsets, s.accel, s.accel_noise, s.gain, s.gain_se, s.speed, s.fresh, s.speed_noise, s.delay, s.free,
        s.braked, s.wheel_noise, s.wheel_hz, s.alone,
    )  # fmt: skip

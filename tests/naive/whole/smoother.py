"""The vehicle's speed by the textbook pair: a Kalman filter forward and Rauch-Tung-Striebel backward, event by event.

General 3 x 3 matrices, a loop over the samples. What a wheel says is told by ``naive_fusion.wheel_reading``.
"""

import math

import numpy as np

from tests.naive import naive_fusion
from tests.naive.whole import numbers as nb


def wander(t, accel, gain):
    """How much the acceleration may wander before each sample."""
    out = np.full(len(t), 1.0)
    if len(t) > 1:
        step = gain * np.diff(accel)
        out[1:] = np.where(nb.known(step), 4.0 + step**2 / np.diff(t), 1.0)
    return out


def bias_steps(t, accel, gain_se):
    """The bias moves by what the gain's error makes of the steps of a copy of the sensor that is 0.1 s slow."""
    out, slow = np.zeros(len(t)), math.nan
    if not nb.known(accel).any():
        return out
    for i in range(1, len(t)):
        dt, before = t[i] - t[i - 1], slow
        if nb.known(accel[i]):
            slow = accel[i] if math.isnan(slow) else slow + (accel[i] - slow) * min(1.0, dt / 0.1)
        moved = 0.0 if math.isnan(before) else gain_se**2 * abs(slow**2 - before**2)
        out[i] = 3e-3 * dt + moved
    return out


def motion(dt, wanders, bias_step):
    f = np.array([[1.0, dt, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    q = np.zeros((3, 3))
    q[0, 0], q[0, 1], q[1, 0], q[1, 1] = (
        wanders * dt**3 / 3.0,
        wanders * dt**2 / 2.0,
        wanders * dt**2 / 2.0,
        wanders * dt,
    )
    q[2, 2] = bias_step
    return f, q


def corrected(x, p, h, off, variance):
    """One scalar reading."""
    ph = p @ h
    gain = ph / (h @ ph + variance)
    return x + gain * off, p - gain[:, None] * ph


def channel_readings(t, speed, fresh, delay):
    """Index of the sample at which each update of the channel is read, its value, and its age then."""
    out = [[] for _ in t]
    moment = t - delay
    at = np.searchsorted(t, moment - nb.SLACK)
    for k in np.flatnonzero(fresh & nb.known(speed)):
        i = at[k]
        since = t[i] - t[i - 1] if i > 0 else 0.0
        if moment[k] - t[i] > -0.1 - since:
            out[i].append((speed[k], moment[k] - t[i]))
    return out


def _wheel(s, x, p, i, stays, calm):
    """Row, difference and variance of the wheels' reading at a sample; None without one that counts."""
    v, a, se = x[0], x[1], math.sqrt(p[0, 0])
    noise, leap = max(s.wheel_noise, 0.005), 1.0 + 0.1 * max(v, 0.0) + 4.0 * se
    free, top = s.free[i], s.braked[i]
    if not math.isnan(free):
        if abs(free - v) >= leap:
            return None
        return np.array([1.0, 0.0, 0.0]), free - v, noise**2 + stays * (0.004 * free) ** 2
    if math.isnan(top) or top - v >= leap:
        return None
    off, doubt = naive_fusion.wheel_reading(top, v, a, calm, se, noise, stays, s.alone)
    if doubt is None:
        return None
    slip = 0.0 if top < naive_fusion.STANDS else naive_fusion.expected_slip(a)
    return np.array([1.0 - slip, v / 250.0 if 0.0 < slip < 0.03 else 0.0, 0.0]), off, doubt


def _forward(s, wanders, steps):
    t, shown = s.t, nb.known(s.accel).any()
    every = np.column_stack((s.free, s.speed, s.braked)).ravel()
    x, p = np.array([every[nb.known(every)][0], 0.0, 0.0]), np.diag([25.0, 9.0, 2.25 if shown else 0.0])
    stays = max(1.0, 0.5 * s.wheel_hz) if s.wheel_hz > 0 else 1.0
    read = channel_readings(t, s.speed, s.fresh, s.delay)
    by_accel = np.array([0.0, 1.0 / s.gain, 1.0])
    noise_a, noise_v = max(s.accel_noise, 0.03) ** 2, max(s.speed_noise, 1e-5) ** 2
    kept, calm = [], 0.0
    for i in range(len(t)):
        dt = t[i] - t[i - 1] if i else 0.0
        if i:
            f, q = motion(dt, wanders[i], steps[i])
            x, p = f @ x, f @ p @ f.T + q
        if not math.isnan(s.accel[i]):
            x, p = corrected(x, p, by_accel, s.accel[i] - by_accel @ x, noise_a)
        for value, age in read[i]:
            h = np.array([1.0, age, 0.0])
            x, p = corrected(x, p, h, value - h @ x, noise_v)
        calm = calm + (x[1] - calm) * min(1.0, dt / 0.4) if i else x[1]
        wheel = _wheel(s, x, p, i, stays, calm)
        if wheel is not None:
            x, p = corrected(x, p, *wheel)
        kept.append((x, p))
    return kept


def smooth(s):
    """Speed, acceleration, bias and the standard error of the speed, ``(4, n)``; NaN without any speed."""
    t = s.t
    out = np.full((4, len(t)), np.nan)
    if not (nb.known(s.free) | nb.known(s.speed) | nb.known(s.braked)).any():
        return out
    wanders, steps = wander(t, s.accel, s.gain), bias_steps(t, s.accel, s.gain_se)
    kept = _forward(s, wanders, steps)
    part = slice(0, 3 if nb.known(s.accel).any() else 2)
    for k in range(len(t) - 2, -1, -1):
        (x, p), (later, spread) = kept[k], kept[k + 1]
        f, q = motion(t[k + 1] - t[k], wanders[k + 1], steps[k + 1])
        ahead = f @ p @ f.T + q
        back = np.zeros((3, 3))
        back[:, part] = (p @ f.T)[:, part] @ np.linalg.inv(ahead[part, part])
        kept[k] = (x + back @ (later - f @ x), p + back @ (spread - ahead) @ back.T)
    out[:3] = np.array([x for x, _ in kept]).T
    out[3] = np.sqrt(np.maximum([p[0, 0] for _, p in kept], 0.0))
    return out

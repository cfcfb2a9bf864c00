"""What the recordings of one vehicle tell of it together: radii, an honest speed channel, its accelerometer, ages.

Least squares by ``numpy.linalg.lstsq`` over the samples of all its events, a prior being a row more. Written from
``fleetbrake.kinematics.vehicle_known`` and ``calibration``.
"""

import itertools

import numpy as np
from scipy.integrate import cumulative_trapezoid

from tests.naive import naive_wheel_speed
from tests.naive.whole import numbers as nb

ROLLING_MPS = 3.0


def rolling(wheels):
    """Median of the wheels at 70 % of the fastest or more."""
    if not len(wheels):
        return np.full(wheels.shape[1], np.nan)
    top = fastest(wheels)
    with np.errstate(all="ignore"):
        near = np.where(wheels >= 0.7 * top, wheels, np.nan)
    return nanmedian(near)


def nanmedian(rows):
    """Median of each column; NaN where nothing is known."""
    rows = np.sort(rows, axis=0)
    count = nb.known(rows).sum(axis=0)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, len(rows) - 1)
    across = np.arange(rows.shape[1])
    return np.where(count > 0, 0.5 * (rows[low, across] + rows[high, across]), np.nan)


def fastest(wheels):
    return np.fmax.reduce(wheels, axis=0) if len(wheels) else np.full(wheels.shape[1], np.nan)


def second_fastest(wheels):
    if len(wheels) < 2:
        return np.full(wheels.shape[1], np.nan)
    found = -np.sort(-wheels, axis=0)[1]  # NaN is sorted last
    return found


def falling(t, top):
    """What the vehicle has at least: it falls from its fastest wheel by no more than 13 m/s2."""
    out = np.full(len(t), np.nan)
    seen = nb.known(top)
    out[seen] = np.maximum.accumulate(top[seen] + 13.0 * t[seen]) - 13.0 * t[seen]
    return out


def envelope(t, top):
    """As ``falling``, and looking back from each peak by no more than 2 m/s2 for 0.6 s."""
    out, ahead = falling(t, top), None
    for i in np.flatnonzero(nb.known(top))[::-1]:
        back = top[ahead] - 2.0 * (t[ahead] - t[i]) if ahead is not None and t[ahead] - t[i] <= 0.6 else -np.inf
        if top[i] >= back:
            ahead, back = i, top[i]
        out[i] = max(out[i], back)
    return out


def mean_ratio(x, base, use, least):
    use = use & nb.known(x) & nb.known(base)
    return x[use].sum() / base[use].sum() if use.sum() >= least and base[use].sum() > 0 else np.nan


def drawn_radius(ratios):
    """What takes the ratio out: the median of the events, drawn to none by one event more; none beyond 4 %."""
    ratios = np.array([x for x in ratios if nb.known(x)])
    if not len(ratios) or abs(np.median(ratios) - 1.0) > 0.04:
        return 1.0
    return 1.0 / (1.0 + (np.median(ratios) - 1.0) * len(ratios) / (len(ratios) + 1.0))


def learn(events):
    """Fill in what holds for the vehicle: ``radius``, ``independent``, ``delay``, ``used``, ``gain``, ``gain_se``."""
    count = len(events[0].wheels)
    radius = np.array([drawn_radius([_wheel_ratio(e, w) for e in events]) for w in range(count)])
    for e in events:
        e.fresh = nb.fresh(e.t, e.speed_channel, e.speed_seen_hz)
        e.scaled = e.lines * radius[:, None]
    follows = count > 0 and _follows(events)
    for e in events:
        e.independent = _independent(e, follows)
        e.joined = joined(e, e.scaled)
    scale = drawn_radius([_channel_ratio(e) for e in events])
    for e in events:
        e.joined = e.joined * scale
        e.rolls = rolling(e.joined)
        e.accel_line = nb.unheld(e.t, e.channel("accel_long_mps2"), e.accel_hz)
    gain, gain_se, delay, used = _sensor(events)
    for e in events:
        e.radius = radius * scale
        e.gain, e.gain_se, e.used = gain, gain_se, used
        e.delay = delay if e.independent else np.nan


def _wheel_ratio(e, w):
    base = rolling(e.lines)
    near = np.where(e.lines[w] >= 0.7 * base, e.lines[w], np.nan)
    return mean_ratio(near, base, e.free & (base > ROLLING_MPS), 8)


def _channel_ratio(e):
    rolls = rolling(e.joined)
    speed = np.where(e.fresh & e.independent, e.speed_channel, np.nan)
    return mean_ratio(rolls, speed, e.free & (rolls > ROLLING_MPS), 3)


def joined(e, wheels):
    """The wheels, and a channel that hangs on them as one more where under two of them were recorded."""
    several = (nb.known(wheels).sum(axis=0) >= 2).any()
    line = nb.unheld(e.t, e.speed_channel, e.speed_seen_hz)
    return np.vstack((wheels, np.full(len(e.t), np.nan) if e.independent or several else line))


def _independent(e, follows):
    if e.dependent or not e.fresh.any() or follows:
        return False
    if not len(e.lines):
        return True
    spread = [np.fmax.reduce(x) - np.fmin.reduce(x) for x in (e.speed_channel, fastest(e.scaled))]
    return not (spread[0] <= 0.02 and spread[1] > 2.0)


def _follows(events):
    """Whether the channel, far under the vehicle's least speed, lies near some mean of the wheels instead."""
    axles = np.array([int(name[:-1]) for name in events[0].wheels])
    parts = [axles > 0, *(axles == k for k in range(1, axles.max() + 1)), None]
    for part, lag in itertools.product(parts, (0.0, 0.1, 0.2)):
        near = far = spent = 0.0
        for e in events:
            least = falling(e.t, second_fastest(e.scaled))
            mean = _mean(e.scaled[part]) if part is not None else np.fmin.reduce(e.scaled, axis=0)
            moments = e.t[e.fresh] - lag + nb.SLACK
            was = np.searchsorted(e.t, moments, side="right") - 1
            at, was = np.flatnonzero(e.fresh)[was >= 0], was[was >= 0]
            apart = (least[at] > 3.0) & (e.speed_channel[at] < 0.9 * least[at]) & nb.known(mean[was])
            near += ((e.speed_channel[at] - mean[was])[apart] ** 2).sum()
            far += ((e.speed_channel[at] - least[at])[apart] ** 2).sum()
            spent += np.minimum(np.diff(e.t[at], prepend=np.inf), 0.15)[apart & (np.arange(len(at)) > 0)].sum()
        if spent >= 0.15 and near < 0.1 * far:
            return True
    return False


def _mean(rows):
    count = nb.known(rows).sum(axis=0)
    return np.divide(np.nansum(rows, axis=0), count, out=np.full(rows.shape[1], np.nan), where=count > 0)


def _sensor(events):
    """Gain, its standard error, the channel's age and whether the accelerometer is used."""
    over_ground = any(e.independent for e in events)
    if over_ground:
        spoken = [(e, e.speed_channel, e.fresh & e.independent) for e in events]
    else:
        spoken = [(e, e.rolls, e.free) for e in events]
    gain, gain_se, delay, explained = gain_and_delay(spoken, late=over_ground)
    for e in events:
        with np.errstate(all="ignore"):
            near = np.where(e.joined >= 0.7 * fastest(e.joined), e.joined, np.nan)
        wide = np.nan_to_num(np.fmax.reduce(near, axis=0) - np.fmin.reduce(near, axis=0))
        e.agree = (e.rolls > ROLLING_MPS) & (wide < 0.03 * e.rolls)
    shows = np.nan
    if not over_ground:
        shows = gain_and_delay([(e, np.where(e.agree, e.rolls, np.nan), e.agree) for e in events], late=False)[3]
    shown = any(nb.known(e.accel_line).any() for e in events)
    used = bool(shown and not explained < 0.7 and not shows < 0.5)
    if not used:
        delay = delay_by_wheels([(e, np.where(e.agree, e.rolls, np.nan)) for e in events if e.independent])
        delay = 0.0 if delay < 0.06 else delay
    return gain, gain_se, delay, used


def gain_and_delay(spoken, *, late):
    """From several ages to begin with, the fit that leaves least: gain, standard error, age, share explained."""
    best = None
    for start in (0.05, 0.25, 0.45) if late else (0.0,):
        found = _gauss_newton(spoken, late, start)
        best = found if best is None or found[2] < best[2] else best
        if not best[4] < 0.95:
            break
    return best[0], best[3], best[1], best[4]


def _gauss_newton(spoken, late, start, rounds=5):
    gain, delay, spread, error, explained = 1.0, start, 0.05, 0.05, np.nan
    for _ in range(rounds):
        parts = [p for p in (_regressors(e, speed, use, gain, delay) for e, speed, use in spoken) if p is not None]
        count = sum(len(part[0]) - 2.0 for part in parts)
        if count <= 2.0:
            gain, delay = 1.0, 0.0
            continue
        by_gain, by_delay, left, moved = (np.concatenate(column) for column in zip(*parts, strict=True))
        sigma = spread * np.sqrt(8.0)
        columns = np.column_stack((by_gain, by_delay if late else np.zeros_like(by_delay)))
        table = np.vstack((columns / sigma, np.diag([1.0 / 0.05, 1.0 / 0.3])))
        wanted = np.concatenate((left / sigma, [(1.0 - gain) / 0.05, -delay / 0.3 if late else 0.0]))
        step = np.linalg.lstsq(table, wanted, rcond=None)[0]
        to = min(max(delay + step[1], 0.0), 0.6) if late else delay
        to_gain = min(max(gain + step[0], 0.75), 1.25)
        rest = left - (to_gain - gain) * by_gain - (to - delay) * by_delay
        gain, delay = to_gain, to
        spread = max(np.sqrt(rest @ rest / count), 0.01)
        error = max(np.sqrt(np.linalg.inv(table.T @ table)[0, 0]), 0.01)
        explained = 1.0 - rest @ rest / (moved @ moved) if moved @ moved > count * 0.3**2 else np.nan
    return gain, delay, spread, error, explained


def _regressors(e, speed, use, gain, delay):
    """Integral and fall of the sensor, and the speed, of one event's usable samples less their own straight lines."""
    integral = cumulative_trapezoid(e.accel_line, e.t, initial=0.0)
    if np.isnan(e.accel_line[0]):
        integral = np.full(len(e.t), np.nan)
    moment = e.t - delay
    rows = np.column_stack((nb.at_moment(e.t, integral, moment), nb.at_moment(e.t, e.accel_line, moment), speed))
    kept = use & nb.known(rows).all(axis=1)
    if kept.sum() < 5:
        return None
    line = np.column_stack((np.ones(kept.sum()), moment[kept] - moment[kept][0]))
    table = rows[kept] - line @ np.linalg.lstsq(line, rows[kept], rcond=None)[0]
    return table[:, 0], -gain * table[:, 1], table[:, 2] - gain * table[:, 0], table[:, 2]


def delay_by_wheels(spoken, rounds=5):
    """Age of the channel against rolling wheels, with radius and slip per deceleration; NaN where nothing slowed."""
    delay, slowing = 0.1, 0
    falls = {id(e): _mean_fall(e.t, wheel) for e, wheel in spoken}
    for _ in range(rounds):
        table, right, slowing = [np.zeros((0, 3))], [np.zeros(0)], 0
        for e, wheel in spoken:
            w, d = (nb.at_moment(e.t, x, e.t - delay) for x in (wheel, falls[id(e)]))
            kept = e.fresh & nb.known(w + e.speed_channel) & (np.abs(d) < 8.0)
            w, d = w[kept], d[kept]
            table.append(np.column_stack((w, d, w * np.maximum(d, 0.0))))
            right.append(e.speed_channel[kept] - w)
            slowing += (np.abs(d) > 1.0).sum()
        sigma = 0.05 * np.sqrt(8.0)
        rows = np.vstack((np.vstack(table) / sigma, np.diag([1 / 0.01, 1 / 0.3, 1 / 0.0015])))
        wanted = np.concatenate((np.concatenate(right) / sigma, [0.0, -delay / 0.3, (1 / 250) / 0.0015]))
        delay = min(max(delay + np.linalg.lstsq(rows, wanted, rcond=None)[0][1], 0.0), 0.6)
    return delay if slowing >= 8 else np.nan


def _mean_fall(t, speed):
    low = np.searchsorted(t, t - 0.15)
    high = np.searchsorted(t, t + 0.15, side="right") - 1
    wide = t[high] - t[low]
    return np.divide(speed[low] - speed[high], wide, out=np.full(len(t), np.nan), where=wide > 0)


def carried(t, top, least):
    """Where a rolling wheel carries the envelope, and where nothing has for too long."""
    holds, lost = naive_wheel_speed.carried(t, top, least, [0, len(t)])
    return np.array(holds), np.array(lost)

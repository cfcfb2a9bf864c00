"""Slow, obvious twins of the smoother and of the vehicle's calibration.

The smoother is the textbook pair, a Kalman filter forward and Rauch-Tung-Striebel backward, with general 3 x 3
matrices. The calibration is ``numpy.linalg.lstsq`` on the full table of unknowns, each prior a row of its own.
"""

import itertools
import math

import numpy as np

from tests.naive.naive_kinematics import known, spans

STANDS = 0.3  # m/s


def expected_slip(a):
    return min(max(-a, 0.0) / 250.0, 0.03)


def wheel_reading(fastest, v, a, calm, se, noise, stays, alone):
    """Difference to what is expected of the fastest braked wheel, and its variance; variance None: it steps back."""
    scale = max(v, 0.0)
    stands = fastest < STANDS
    off = fastest - v * (1.0 - (0.0 if stands else expected_slip(a)))
    if alone:
        return off, noise**2 + (0.004 * scale) ** 2
    if stands:
        may_stand = abs(calm) <= 0.3 and v <= 3.0 * se + 0.3
        return -v, noise**2 + 0.03**2 if may_stand else None
    if off >= 0.0:
        return off, noise**2 + (0.01 * scale) ** 2
    if -off > 3.0 * se + 0.04 * scale + 0.3:
        return off, None
    return off, noise**2 + stays * (0.02 * scale) ** 2 + 0.25 * off**2


def wander(time_s, accel, gain, offsets):
    out = np.full(len(time_s), 1.0)
    for e, span in enumerate(spans(offsets)):
        for a, b in itertools.pairwise(span):
            if known(accel[a]) and known(accel[b]):
                out[b] = 4.0 + (gain[e] * (accel[b] - accel[a])) ** 2 / (time_s[b] - time_s[a])
    return out


def _motion(dt, wanders, bias_step):
    f = np.array([[1.0, dt, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    q = np.zeros((3, 3))
    q[:2, :2] = wanders * np.array([[dt**3 / 3.0, dt**2 / 2.0], [dt**2 / 2.0, dt]])
    q[2, 2] = bias_step
    return f, q


def _corrected(x, p, h, off, noise):
    h = np.asarray(h)
    gain = p @ h / (h @ p @ h + noise)
    keep = np.eye(3) - np.outer(gain, h)
    return x + gain * off, keep @ p @ keep.T + noise * np.outer(gain, gain)


def _bias_steps(time_s, accel, gain_se, span):
    """The bias may move by what the gain's error makes of each step of a copy of the sensor that is 0.1 s slow."""
    steps, slow = {}, math.nan
    shown = any(known(accel[i]) for i in span)
    for a, b in itertools.pairwise(span):
        dt, before = time_s[b] - time_s[a], slow
        if known(accel[b]):
            slow = slow + (accel[b] - slow) * min(1.0, dt / 0.1) if known(slow) else accel[b]
        moved = gain_se**2 * abs(slow**2 - before**2) if known(before) else 0.0
        steps[b] = 3e-3 * dt + moved if shown else 0.0
    return steps, shown


def _channel(s, time_s, e, span):
    """Which readings of the channel are read at which sample: the first at or after the moment they speak of."""
    at = {i: [] for i in span}
    for k in span:
        moment = time_s[k] - s.delay[e]
        ready = [i for i in span if moment <= time_s[i] + 1e-9]
        age = moment - time_s[ready[0]]
        since = time_s[ready[0]] - time_s[ready[0] - 1] if ready[0] > span[0] else 0.0
        if s.fresh[k] and known(s.speed[k]) and age > -0.1 - since:
            at[ready[0]].append((s.speed[k], age))
    return at


def _wheels(s, e, i, x, p, stays, calm):
    """Row, difference and variance of the wheels' reading at a sample; None without one."""
    v, a, se = x[0], x[1], math.sqrt(p[0, 0])
    noise = max(s.wheel_noise[e], 0.005)
    leap = 1.0 + 0.1 * max(v, 0.0) + 4.0 * se
    free, fastest = s.free[i], s.braked[i]
    if known(free):
        if abs(free - v) >= leap:
            return None
        return (1.0, 0.0, 0.0), free - v, noise**2 + stays * (0.004 * free) ** 2
    if not known(fastest) or fastest - v >= leap:
        return None
    off, doubt = wheel_reading(fastest, v, a, calm, se, noise, stays, s.alone[e])
    if doubt is None:
        return None
    slip = 0.0 if fastest < STANDS else expected_slip(a)
    return (1.0 - slip, v / 250.0 if 0.0 < slip < 0.03 else 0.0, 0.0), off, doubt


def _event(s, time_s, e, span, wanders):
    first = [x for i in span for x in (s.free[i], s.speed[i], s.braked[i]) if known(x)]
    steps, shown = _bias_steps(time_s, s.accel, s.gain_se[e], span)
    x = np.array([first[0], 0.0, 0.0])
    p = np.diag([25.0, 9.0, 2.25 if shown else 0.0])
    stays = max(1.0, 0.5 * s.wheel_hz[e]) if s.wheel_hz[e] > 0 else 1.0
    read = _channel(s, time_s, e, span)
    kept, calm = [], 0.0
    for i in span:
        if kept:
            f, q = _motion(time_s[i] - time_s[i - 1], wanders[i], steps[i])
            x, p = f @ x, f @ p @ f.T + q
        if known(s.accel[i]):
            h = np.array([0.0, 1.0 / s.gain[e], 1.0])
            x, p = _corrected(x, p, h, s.accel[i] - h @ x, max(s.accel_noise[e], 0.03) ** 2)
        for value, age in read[i]:
            h = np.array([1.0, age, 0.0])
            x, p = _corrected(x, p, h, value - h @ x, max(s.speed_noise[e], 1e-5) ** 2)
        calm = calm + (x[1] - calm) * min(1.0, (time_s[i] - time_s[i - 1]) / 0.4) if kept else x[1]
        wheel = _wheels(s, e, i, x, p, stays, calm)
        if wheel is not None:
            x, p = _corrected(x, p, *wheel)
        kept.append((x, p))
    for k in range(len(kept) - 2, -1, -1):
        x, p = kept[k]
        later, spread = kept[k + 1]
        i = span[k + 1]
        f, q = _motion(time_s[i] - time_s[i - 1], wanders[i], steps[i])
        ahead = f @ p @ f.T + q
        known_part = slice(0, 3 if shown else 2)
        back = np.zeros((3, 3))
        back[:, known_part] = (p @ f.T)[:, known_part] @ np.linalg.inv(ahead[known_part, known_part])
        kept[k] = (x + back @ (later - f @ x), p + back @ (spread - ahead) @ back.T)
    return kept


def smooth(time_s, offsets, sources):
    s = sources
    out = np.full((4, len(time_s)), np.nan)
    wanders = wander(time_s, s.accel, s.gain, offsets)
    for e, span in enumerate(spans(offsets)):
        if not any(known(x) for i in span for x in (s.free[i], s.speed[i], s.braked[i])):
            continue
        for i, (x, p) in zip(span, _event(s, time_s, e, span, wanders), strict=True):
            out[:3, i] = x
            out[3, i] = math.sqrt(max(p[0, 0], 0.0))
    return out


def mean_ratio(rows, base, use, offsets, least):
    out = np.full((len(rows), len(offsets) - 1), np.nan)
    for w, row in enumerate(rows):
        for e, span in enumerate(spans(offsets)):
            seen = [i for i in span if use[i] and known(row[i]) and known(base[i])]
            bottom = sum(base[i] for i in seen)
            if len(seen) >= least and bottom > 0.0:
                out[w, e] = sum(row[i] for i in seen) / bottom
    return out


def group_radius(ratio, group, groups):
    """Median, drawn towards 1 by one event more; a ratio more than 4 % off is no radius."""
    out = np.ones((len(ratio), groups))
    for w, g in itertools.product(range(len(ratio)), range(groups)):
        seen = [ratio[w, e] for e in range(len(group)) if group[e] == g and known(ratio[w, e])]
        if seen and abs(np.median(seen) - 1.0) <= 0.04:
            n = len(seen)
            out[w, g] = 1.0 / ((n * np.median(seen) + 1.0) / (n + 1))
    return out


def value_at(time_s, values, span, moment):
    """On the line between the rows around a moment; NaN outside, and beside a hole."""
    if moment < time_s[span[0]] or moment > time_s[span[-1]]:
        return math.nan
    i = max(j for j in span if time_s[j] <= moment)
    if i == span[-1]:
        return values[i]
    share = (moment - time_s[i]) / (time_s[i + 1] - time_s[i])
    return (1.0 - share) * values[i] + share * values[i + 1]


def mean_fall(time_s, speed, offsets, half_s):
    out = np.full(len(time_s), np.nan)
    for span in spans(offsets):
        for i in span:
            near = [j for j in span if time_s[i] - half_s <= time_s[j] <= time_s[i] + half_s]
            if len(near) > 1:
                out[i] = (speed[near[0]] - speed[near[-1]]) / (time_s[near[-1]] - time_s[near[0]])
    return out


def delay_by_wheels(time_s, offsets, wheel, speed, use, group, groups, rounds):
    falls = mean_fall(time_s, wheel, offsets, 0.15)
    delay, slowing = np.full(groups, 0.1), [0] * groups
    for _, g in itertools.product(range(rounds), range(groups)):
        table, right = [], []
        for e, span in enumerate(spans(offsets)):
            for i in span if group[e] == g else ():
                w = value_at(time_s, wheel, span, time_s[i] - delay[g])
                d = value_at(time_s, falls, span, time_s[i] - delay[g])
                if use[i] and known(w + speed[i]) and abs(d) < 8.0:
                    table.append([w, d, w * max(d, 0.0)])
                    right.append(speed[i] - w)
        slowing[g] = sum(abs(row[1]) > 1.0 for row in table)
        table, right = table or [[0.0] * 3], right or [0.0]
        sigma = 0.05 * math.sqrt(8.0)
        rows = np.vstack((np.array(table) / sigma, np.diag([1 / 0.01, 1 / 0.3, 1 / 0.0015])))
        wanted = np.concatenate((np.array(right) / sigma, [0.0, (0.0 - delay[g]) / 0.3, (1 / 250) / 0.0015]))
        move = np.linalg.lstsq(rows, wanted, rcond=None)[0][1]
        delay[g] = min(max(delay[g] + move, 0.0), 0.6)
    return [d if n >= 8 else math.nan for d, n in zip(delay, slowing, strict=True)]


def _rows_of_event(time_s, accel, integral, speed, use, span, gain, delay):
    """Integral, fall and speed of the usable samples, with level and slope of time taken out by least squares."""
    rows, moments = [], []
    for i in span:
        row = [value_at(time_s, x, span, time_s[i] - delay) for x in (integral, accel)] + [speed[i]]
        if use[i] and all(known(x) for x in row):
            rows.append(row)
            moments.append(time_s[i] - delay)
    if len(rows) < 5:
        return None
    line = np.column_stack((np.ones(len(rows)), np.array(moments) - moments[0]))
    table = np.array(rows)
    table = table - line @ np.linalg.lstsq(line, table, rcond=None)[0]
    return table[:, 0], -gain * table[:, 1], table[:, 2] - gain * table[:, 0], table[:, 2]


def gauss_newton(time_s, offsets, accel, speed, use, members, late, rounds, start):
    """One vehicle's events ``members`` from one delay: gain, delay, spread, standard error, share explained."""
    gain, delay, spread, error, explained = 1.0, start, 0.05, 0.05, math.nan
    integral = np.full(len(time_s), np.nan)
    for span in spans(offsets):
        steps = [0.5 * (accel[a] + accel[b]) * (time_s[b] - time_s[a]) for a, b in itertools.pairwise(span)]
        integral[list(span)] = np.cumsum([0.0 if known(accel[span[0]]) else math.nan, *steps])
    for _ in range(rounds):
        parts = [_rows_of_event(time_s, accel, integral, speed, use, spans(offsets)[e], gain, delay) for e in members]
        parts = [part for part in parts if part is not None]
        count = sum(len(part[0]) - 2.0 for part in parts)
        if count <= 2.0:
            gain, delay = 1.0, 0.0
            continue
        by_gain, by_delay, left, moved = (np.concatenate(column) for column in zip(*parts, strict=True))
        sigma = spread * math.sqrt(8.0)
        columns = np.column_stack((by_gain, by_delay if late else np.zeros_like(by_delay)))
        table = np.vstack((columns / sigma, np.diag([1.0 / 0.05, 1.0 / 0.3])))
        wanted = np.concatenate((left / sigma, [(1.0 - gain) / 0.05, (0.0 - delay) / 0.3 if late else 0.0]))
        step = np.linalg.lstsq(table, wanted, rcond=None)[0]
        to = min(max(delay + step[1], 0.0), 0.6) if late else delay
        to_gain = min(max(gain + step[0], 0.75), 1.25)
        rest = left - (to_gain - gain) * by_gain - (to - delay) * by_delay
        gain, delay = to_gain, to
        spread = max(math.sqrt(rest @ rest / count), 0.01)
        error = max(math.sqrt(np.linalg.inv(table.T @ table)[0, 0]), 0.01)
        explained = 1.0 - rest @ rest / (moved @ moved) if moved @ moved > count * 0.3**2 else math.nan
    return gain, delay, spread, error, explained


def gain_and_delay(time_s, offsets, accel, speed, use, group, groups, late, rounds):
    """The start that ends with the least spread; gain, standard error, delay and share explained."""
    out = []
    for g in range(groups):
        members = [e for e in range(len(group)) if group[e] == g]
        starts = (0.05, 0.25, 0.45) if late else (0.0,)
        ends = [gauss_newton(time_s, offsets, accel, speed, use, members, late, rounds, start) for start in starts]
        best = min(ends, key=lambda end: end[2])
        out.append((best[0], best[3], best[1], best[4]))
    return np.array(out).T

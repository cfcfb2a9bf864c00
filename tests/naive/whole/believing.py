"""Readings of one event's wheels that can be true, and those that are lost. NumPy where no walk is asked for.

From ``kinematics.believable`` and ``kinematics.signal_loss``.
"""

import math

import numpy as np

from tests.naive import naive_sensors
from tests.naive.whole import numbers as nb


def believable(e, wheels, c):
    """Readings ``(w, n)`` that can be true of a wheel, judged by the wheels alone."""
    ok = np.abs(wheels) <= c.wheel_speed_most_mps
    forward = np.where(ok, wheels, -np.inf).max(axis=0, initial=-np.inf)
    ok &= ~((wheels < -0.6) & (forward > 0.6))
    own = [_own_steps(e.t, row) for row in wheels]
    _drop_frozen(ok, e.t, wheels, own, c)
    _drop_jumps(ok, e.t, wheels, [wait for wait, _ in own], c)
    return ok


def _own_steps(t, row):
    """Lower quartile of the time between changes (NaN under two), and the smallest step."""
    seen = row[nb.known(row)]
    steps = np.abs(np.diff(seen))
    waits = np.sort(np.diff(nb.changes(t, row)))
    return waits[len(waits) // 4] if len(waits) >= 2 else np.nan, steps[steps > 0].min(initial=np.inf)


def equal_runs(row):
    """First and one past the last sample of each run of one value; a missing value is a run of its own."""
    edge = np.concatenate(([True], row[1:] != row[:-1], [True])).nonzero()[0]
    return edge[:-1], edge[1:]


def _drop_frozen(ok, t, wheels, own, c):
    """Take away runs of one value that the other wheels do not share."""
    slowest = max((wait for wait, _ in own if nb.known(wait)), default=0.0)
    for w, row in enumerate(wheels):
        wait, step = own[w]
        needed = max(c.frozen_s, 2.5 * (wait if nb.known(wait) else slowest), step / 0.5 if np.isfinite(step) else 0.0)
        begin, end = equal_runs(row)
        long = (t[end - 1] - t[begin] >= needed - nb.SLACK) & (row[begin] > c.moving_mps) & ok[w, begin]
        for a, b in zip(begin[long], end[long], strict=True):
            live = [o for o in range(len(wheels)) if o != w and (wheels[o, a + 1 : b] != wheels[o, a]).any()]
            top = np.where(ok[live, a:b], wheels[live, a:b], -np.inf).max(axis=0, initial=-np.inf)
            top = top[top > -np.inf]
            if len(top) and top.max() - top.min() > 0.05 * top.max() and row[a] > 0.1 * top.max():
                ok[w, a:b] = False


def _drop_jumps(ok, t, wheels, waits, c):
    """Take away readings that rose faster than the road or the engine can drive a wheel, until they are back."""
    count, rolls = len(wheels), 2.0 * c.moving_mps
    waits = [0.0 if math.isnan(wait) else wait for wait in waits]
    value, at, before = [math.nan] * count, [0.0] * count, [True] * count
    best, best_at = math.nan, 0.0
    for i, (now_s, row, believed) in enumerate(zip(t.tolist(), wheels.T.tolist(), ok.T.tolist(), strict=True)):
        now = best - 0.5 * (now_s - best_at)
        most = now
        for w, x in enumerate(row):
            if not believed[w]:
                continue
            since = max(now_s - at[w], waits[w])
            beyond, rise = x > 1.05 * now + 10.0 * since, x - value[w]
            if x > rolls and (
                rise > c.wheel_rise_most_mps2 * since or (beyond and rise > c.wheel_spin_most_mps2 * since)
            ):
                believed[w] = any(o != w and believed[o] and abs(row[o] - x) <= 0.05 * x for o in range(count))
            if not before[w] and beyond and not math.isnan(value[w]) and x > rolls:
                believed[w] = False
            if believed[w]:
                value[w], at[w] = x, now_s
                most = x if not x <= most else most
        ok[:, i], before, best, best_at = believed, believed, most, now_s


def frozen(t, row, speed, rolling_mps, frozen_s):
    """Samples on one value while the vehicle's speed, above twice ``rolling_mps``, changed by more than 5 %."""
    begin, end = equal_runs(row)
    since = np.repeat(begin, end - begin)
    long = (t - t[since] >= frozen_s) & (np.abs(speed - speed[since]) > 0.05 * speed[since])
    return _back_to(np.zeros(len(t), bool), long & (speed > 2.0 * rolling_mps) & (row > 0.1 * speed), since)


def _back_to(out, caught, since):
    for i in np.flatnonzero(caught):
        out[since[i] : i + 1] = True
    return out


def lost(e, sane, suspect, c):
    """Samples ``(w, n)`` at which a wheel's signal is lost: missing, zero without a brake's doing, frozen."""
    out = ~nb.known(sane)
    braking, span = e.braking | e.outlived, range(len(e.t))
    period = 1.0 / e.wheel_seen_hz if e.wheel_seen_hz > 0 else 0.0
    limits = (c.wheel_fall_most_mps2, c.wheel_fall_per_decel, c.cycle_peak_slip)
    for w, row in enumerate(sane):
        out[w] |= frozen(e.t, row, e.speed, c.moving_mps, c.frozen_s)
        for a, b in _zero_runs(row):
            if not e.speed[a] > c.moving_mps:
                continue
            part = slice(a, b)
            odd = ((row[part] == 0) & (e.speed[part] > c.moving_mps) & ~braking[part]).any()
            before = np.flatnonzero(nb.known(row[:a]))
            if len(before) and not odd:
                k = before[-1]
                over = max(e.t[a] - e.t[k], period)
                steepest = naive_sensors._steepest(e.t, sane, w, e.speed, e.decel, a, span, *limits)
                odd = row[k] > steepest * over or (suspect[w] and row[k] > (1.0 - c.used_up_slip) * e.speed[k])
                odd = odd or naive_sensors._back_by_itself(
                    e.t, row, e.speed, e.level, k, range(a, b), span, over, c.free_wheel_share, 1.0 - c.used_up_slip,
                    c.quick_row_s,
                )  # fmt: skip
            out[w, part] |= odd
    return out


def _zero_runs(row):
    """Stretches of zeros, rows that are missing in between and after them included."""
    return [
        (a + int(np.argmax(row[a:b] == 0)), b) for a, b in nb.runs((row == 0) | np.isnan(row)) if (row[a:b] == 0).any()
    ]


def rolling_loss(e, partner, use, above, c):
    """Samples ``(w, n)`` at which the signal of a freely rolling wheel is gone."""
    out = np.zeros(e.wheel_speed.shape, bool)
    some = nb.known(e.wheel_speed).any(axis=0)
    for w, row in enumerate(e.wheel_speed):
        zero = (row == 0) & (e.wheel_speed[partner[w]] > 0) if partner[w] >= 0 else np.zeros(len(row), bool)
        stuck = frozen(e.t, row, e.speed, above, c.frozen_s)
        out[w] = (stuck | zero | (np.isnan(row) & some)) & use & (e.speed > above)
    return out

"""Plain arithmetic on the samples of one event: rates, noise, lines, slopes, means. NumPy and SciPy, no kernels.

All of it is written from the docstrings of ``fleetbrake.kinematics``; ``t`` are the event's seconds, NaN is unknown.
"""

import itertools

import numpy as np
from scipy.integrate import cumulative_trapezoid

SLACK = 1e-9


def known(x):
    return ~np.isnan(x)


def changes(t, x):
    """Times at which the observed value differs from the one observed before."""
    seen = np.flatnonzero(known(x))
    return t[seen[1:][np.diff(x[seen]) != 0]]


def usual(waits):
    """Mean of the waits up to 1.6 of their median."""
    return waits[waits <= 1.6 * np.median(waits)].mean()


def row_rate(t):
    return 1.0 / np.median(np.diff(t)) if len(t) > 1 else np.nan


def effective_rate(t, rows):
    """One over the usual time between changes of the liveliest row; NaN under four changes."""
    found = [1.0 / usual(np.diff(at)) for at in (changes(t, x) for x in rows) if len(at) >= 4]
    return max(found, default=np.nan)


def seen_rate(t, rows):
    """Changes over the observed time of the liveliest row; NaN without any."""
    found = []
    for x in rows:
        at, seen = changes(t, x), np.flatnonzero(known(x))
        if len(at):
            found.append(len(at) / (t[seen[-1]] - t[seen[0]]))
    return max(found, default=np.nan)


def sure_rate(t, rows):
    """The effective rate, the cautious one where few changes were seen, the rows' where it never moved."""
    for rate in (effective_rate(t, rows), seen_rate(t, rows)):
        if known(rate):
            return rate
    return row_rate(t)


def fresh(t, x, rate_hz):
    """Samples at which a channel was updated: a new value, or its usual wait for one is over."""
    change = np.zeros(len(x), bool)
    change[1:] = known(x[1:]) & known(x[:-1]) & (x[1:] != x[:-1])
    at = np.flatnonzero(change)
    holes = np.cumsum(~known(x))
    waits = np.diff(t[at])[holes[at[1:]] == holes[at[:-1]]] if len(at) > 1 else np.zeros(0)
    wait = usual(waits) if len(waits) else (1.0 / rate_hz if rate_hz > 0 else 0.0)
    if wait < 1.5 * (t[-1] - t[0]) / max(len(t) - 1, 1):
        wait = 0.0
    out, old = np.zeros(len(x), bool), None
    for i in np.flatnonzero(known(x)):
        if old is not None and wait > 0 and not known(x[i - 1]):
            old = i
        elif old is None or x[i] != x[old] or t[i] - t[old] >= wait - SLACK:
            out[i], old = True, i
    return out


def noise(x):
    """Standard deviation of white noise from second differences; NaN under eight of them."""
    bends = np.abs(x[:-2] - 2.0 * x[1:-1] + x[2:])
    bends = bends[known(bends)]
    return np.median(bends) / 0.6745 / np.sqrt(6.0) if len(bends) >= 8 else np.nan


def median(x):
    return np.median(x[known(x)]) if known(x).any() else np.nan


def peak(x):
    return np.max(x[known(x)]) if known(x).any() else np.nan


def unheld(t, x, rate_hz):
    """The channel as a line through its changes, each step spread over one period; holes up to 0.5 s bridged."""
    seen = np.flatnonzero(known(x))
    if len(t) < 2 or len(seen) < 2:
        return x.copy()
    step = (t[-1] - t[0]) / (len(t) - 1)
    period = 1.0 / rate_hz if rate_hz > 0 else step
    held = period > 1.5 * step
    knots = seen
    longest = 0.5
    if held:
        knots = seen[np.concatenate(([True], np.diff(x[seen]) != 0))]
        longest = max(0.5, 1.5 * period)
    marks, levels = [t[knots[0]]], [x[knots[0]]]
    for a, b in itertools.pairwise(knots):
        begin = max(t[a], t[b] - period) if held else t[a]
        if begin > t[a]:
            marks.append(begin)
            levels.append(x[a])
        marks.append(t[b])
        levels.append(x[b])
    out = np.interp(t, marks, levels)
    out[(t < t[knots[0]]) | (t > t[knots[-1]])] = np.nan
    out = np.where(np.isnan(out), x, out)
    last, following = (
        np.searchsorted(seen, np.arange(len(t)), side="right") - 1,
        np.searchsorted(seen, np.arange(len(t))),
    )
    inside = ~known(x) & (last >= 0) & (following < len(seen))
    hole = t[seen[np.minimum(following, len(seen) - 1)]] - t[seen[np.maximum(last, 0)]]
    out[inside & (hole > longest + SLACK)] = np.nan
    return out


def three_point(x):
    """A quarter, a half and a quarter of each neighbourhood; ends and neighbours of holes stay."""
    out = x.copy()
    mean = 0.25 * x[:-2] + 0.5 * x[1:-1] + 0.25 * x[2:]
    out[1:-1] = np.where(known(mean), mean, x[1:-1])
    return out


def mean_around(t, x, half):
    """Mean of what is known within ``half`` seconds on both sides of a known sample."""
    low, high = np.searchsorted(t, t - half), np.searchsorted(t, t + half, side="right")
    total = np.concatenate(([0.0], np.cumsum(np.nan_to_num(x))))
    count = np.concatenate(([0], np.cumsum(known(x))))
    mean = (total[high] - total[low]) / np.maximum(count[high] - count[low], 1)
    return np.where(known(x), mean, np.nan)


def slope(t, speed, window):
    """Mean deceleration over a window centred on each sample; its neighbours where that is narrower than a row."""
    n = len(t)
    low = np.searchsorted(t, t - 0.5 * window - SLACK)
    high = np.searchsorted(t, t + 0.5 * window + SLACK, side="right") - 1
    here = np.arange(n)
    alone = low == high
    low = np.where(alone, np.maximum(here - 1, 0), low)
    high = np.where(alone, np.minimum(here + 1, n - 1), high)
    wide = t[high] - t[low]
    return np.divide(speed[low] - speed[high], wide, out=np.full(n, np.nan), where=wide > 0)


def travelled(t, speed, start, stop):
    """Distance from the sample ``start`` by trapezoids, reversing not counted; NaN outside ``[start, stop)``."""
    out = np.full(len(t), np.nan)
    if start >= 0 and stop > start:
        out[start:stop] = cumulative_trapezoid(np.maximum(speed[start:stop], 0.0), t[start:stop], initial=0.0)
    return out


def greatest_mean(t, speed, extra, window, gap):
    """Greatest mean deceleration over a window of the phase; the far end on the line between its rows.

    ``extra`` is added: by trapezoids over whole steps, and held over the part of a step at the window's end.
    """
    if len(t) < 2:
        return np.nan
    lift = cumulative_trapezoid(extra, t, initial=0.0)
    steps, best = np.diff(t), np.nan
    for i in range(len(t) - 1):
        end = t[i] + window
        last = np.searchsorted(t, end + SLACK, side="right") - 1
        exact = t[last] >= end - SLACK
        if last == len(t) - 1 and not exact and i > 0:
            break
        far, tail, until = speed[last], 0.0, last
        if not exact and last < len(t) - 1:
            far = speed[last] + (speed[last + 1] - speed[last]) * (end - t[last]) / steps[last]
            tail, until = extra[last] * (end - t[last]), last + 1
        if until > i and steps[i:until].max() > gap:
            continue
        mean = (speed[i] - far + lift[last] - lift[i] + tail) / window
        best = np.fmax(best, mean)
    return best


def phase_mean(t, x, use, least):
    """Time-weighted mean over marked samples, each until the next row; NaN under ``least`` seconds."""
    use = use[:-1] & known(x[:-1])
    steps = np.diff(t)[use]
    return (x[:-1][use] * steps).sum() / steps.sum() if len(steps) and steps.sum() >= least else np.nan


def marked_time(t, marks):
    return np.diff(t)[marks[:-1]].sum()


def runs(marks):
    """First and one past the last sample of each run of marked samples."""
    edge = np.diff(np.concatenate(([0], marks.astype(np.int8), [0])))
    return list(zip(np.flatnonzero(edge == 1), np.flatnonzero(edge == -1), strict=True))


def long_above(t, x, limit, least):
    """Whether the values stay at or above the limit for ``least`` seconds in one piece."""
    return any(t[b - 1] - t[a] >= least - SLACK for a, b in runs(x >= limit))


def time_integral(t, x, bridge):
    """Integral over the time of the samples, lines between known ones; NaN with a hole wider than ``bridge``."""
    seen = np.flatnonzero(known(x))
    if len(t) < 2 or not len(seen):
        return np.nan
    at = np.concatenate(([t[0]], t[seen], [t[-1]]))
    if np.diff(at).max() > bridge + SLACK:
        return np.nan
    return np.trapezoid(np.concatenate(([x[seen[0]]], x[seen], [x[seen[-1]]])), at)


def at_moment(t, x, moment):
    """Values on the line between the rows around each moment; NaN outside of them and beside a hole."""
    i = np.clip(np.searchsorted(t, moment, side="right") - 1, 0, max(len(t) - 2, 0))
    j = np.minimum(i + 1, len(t) - 1)
    share = np.divide(moment - t[i], t[j] - t[i], out=np.zeros(len(moment)), where=j > i)
    out = x[i] + share * (x[j] - x[i])
    return np.where((moment < t[0]) | (moment > t[-1]), np.nan, out)

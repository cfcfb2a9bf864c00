"""How often a channel really changes, and how noisy it is."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Fewer changes than this say nothing about a rate (own choice: two intervals have no middle).
LEAST_CHANGES = 4


@kernel
def row_rate(time_s: Floats, offsets: Ints) -> Floats:
    """Rows a second of each event ``(E,)``: one over the median step; NaN under two samples."""
    events = offsets.size - 1
    out = np.full(events, np.nan)
    for e in range(events):
        first, last = offsets[e], offsets[e + 1]
        if last - first >= 2:
            out[e] = 1.0 / np.median(np.diff(time_s[first:last]))
    return out


@kernel
def _usual(waits: Floats) -> float:
    """Mean of the waits up to 1.6 of their median: 2 and 3 rows are 2.5; a value that came again is left out."""
    middle = np.median(waits)
    total, count = 0.0, 0
    for wait in waits:
        if wait <= 1.6 * middle:
            total += wait
            count += 1
    return total / count


@kernel
def effective_rate(time_s: Floats, values: Floats, offsets: Ints) -> Floats:
    """Effective rate of a channel, Hz ``(E,)``: one over the usual time between changes of value.

    ``values`` is ``(rows, N)``; of several rows (wheels) the liveliest counts. A value held in a faster row grid has
    the rate at which it changes. NaN where fewer than ``LEAST_CHANGES`` changes were seen.
    """
    events = offsets.size - 1
    out = np.full(events, np.nan)
    for e in range(events):
        first, last = offsets[e], offsets[e + 1]
        for w in range(values.shape[0]):
            waits = np.empty(max(last - first, 1))
            found = 0
            held = np.nan
            since = np.nan
            for i in range(first, last):
                x = values[w, i]
                if np.isnan(x):
                    continue
                if not np.isnan(held) and x != held:
                    if not np.isnan(since):
                        waits[found] = time_s[i] - since
                        found += 1
                    since = time_s[i]
                held = x
            if found + 1 >= LEAST_CHANGES:
                rate = 1.0 / _usual(waits[:found])
                if np.isnan(out[e]) or rate > out[e]:
                    out[e] = rate
    return out


@kernel
def seen_rate(time_s: Floats, values: Floats, offsets: Ints) -> Floats:
    """Changes of value over the observed time of each event, Hz ``(E,)``: a cautious rate where few changes were seen.

    ``values`` is ``(rows, N)``; of several rows the liveliest counts. Never above the true rate; NaN without a change.
    """
    out = np.full(offsets.size - 1, np.nan)
    for e in range(offsets.size - 1):
        for w in range(values.shape[0]):
            changes = 0
            began, held, seen = np.nan, np.nan, np.nan
            for i in range(offsets[e], offsets[e + 1]):
                x = values[w, i]
                if np.isnan(x):
                    continue
                if np.isnan(began):
                    began = time_s[i]
                elif x != held:
                    changes += 1
                held, seen = x, time_s[i]
            if changes > 0 and not (changes / (seen - began) <= out[e]):
                out[e] = changes / (seen - began)
    return out


@kernel
def _usual_wait(time_s: Floats, values: Floats, first: int, last: int) -> float:
    """Usual time between changes of value, s; a wait across a hole is none. NaN without two changes in a row."""
    waits = np.empty(max(last - first, 1))
    found, changed, held = 0, np.nan, np.nan
    for i in range(first, last):
        if np.isnan(values[i]):
            changed = np.nan
        elif not np.isnan(held) and values[i] != held:
            if not np.isnan(changed):
                waits[found] = time_s[i] - changed
                found += 1
            changed = time_s[i]
        held = values[i]
    return _usual(waits[:found]) if found > 0 else np.nan


@kernel
def fresh(time_s: Floats, values: Floats, rate_hz: Floats, offsets: Ints) -> Bools:
    """Samples ``(N,)`` at which the channel was updated: a new value, or its usual wait for one is over.

    What is held in a faster row grid is one reading, not many; an update may bring the same value again. What comes
    first after a hole is of unknown age: no update. A channel that changed no more than once waits for a period of
    ``rate_hz`` ``(E,)``; one that changes from row to row has a reading in each.
    """
    out = np.zeros(values.size, np.bool_)
    for e in range(offsets.size - 1):
        first, last = offsets[e], offsets[e + 1]
        wait = _usual_wait(time_s, values, first, last)
        if np.isnan(wait):
            wait = 1.0 / rate_hz[e] if rate_hz[e] > 0.0 else 0.0
        if first < last and wait < 1.5 * (time_s[last - 1] - time_s[first]) / max(last - first - 1, 1):
            wait = 0.0
        old = -1
        for i in range(first, last):
            if np.isnan(values[i]):
                continue
            if old >= 0 and wait > 0.0 and np.isnan(values[i - 1]):
                old = i
            elif old < 0 or values[i] != values[old] or time_s[i] - time_s[old] >= wait - 1e-9:
                out[i] = True
                old = i
    return out


@kernel
def update_noise(values: Floats, use: Bools, offsets: Ints) -> Floats:
    """Standard deviation of a channel's noise ``(E,)`` from second differences of its marked updates.

    As :func:`white_noise`, with only the updates in a row. NaN under eight usable differences.
    """
    out = np.full(offsets.size - 1, np.nan)
    for e in range(offsets.size - 1):
        bends = np.empty(max(offsets[e + 1] - offsets[e], 1))
        found = 0
        older, old = np.nan, np.nan
        for i in range(offsets[e], offsets[e + 1]):
            if not use[i]:
                continue
            bend = older - 2.0 * old + values[i]
            older, old = old, values[i]
            if not np.isnan(bend):
                bends[found] = abs(bend)
                found += 1
        if found >= 8:
            out[e] = np.median(bends[:found]) / 0.6745 / np.sqrt(6.0)
    return out


@kernel
def white_noise(values: Floats, start: Ints, stop: Ints) -> Floats:
    """Standard deviation of a channel's sample noise in ``[start, stop)`` ``(E,)`` from its second differences.

    A second difference of white noise has six times its variance; a smooth signal leaves next to nothing in it. The
    median absolute value keeps kinks out (0.6745: normal quartile). NaN under eight usable differences.
    """
    out = np.full(start.size, np.nan)
    for e in range(start.size):
        first, last = start[e], stop[e]
        bends = np.empty(max(last - first, 1))
        found = 0
        for i in range(first + 1, last - 1):
            bend = values[i - 1] - 2.0 * values[i] + values[i + 1]
            if not np.isnan(bend):
                bends[found] = abs(bend)
                found += 1
        if found >= 8:
            out[e] = np.median(bends[:found]) / 0.6745 / np.sqrt(6.0)
    return out


@kernel
def event_median(values: Floats, start: Ints, stop: Ints) -> Floats:
    """Median of the observed samples in ``[start, stop)`` ``(E,)``; NaN where nothing was observed."""
    out = np.full(start.size, np.nan)
    for e in range(start.size):
        kept = np.empty(max(stop[e] - start[e], 1))
        found = 0
        for i in range(start[e], stop[e]):
            if not np.isnan(values[i]):
                kept[found] = values[i]
                found += 1
        if found > 0:
            out[e] = np.median(kept[:found])
    return out

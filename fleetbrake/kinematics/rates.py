"""How often a channel really changes, and how noisy it is."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel
from fleetbrake.kinematics.selection import middle

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
    usual = np.nan
    for e in range(events):
        time = time_s[offsets[e] : offsets[e + 1]]
        if time.size >= 2:
            steps = np.empty(time.size - 1)
            for i in range(1, time.size):
                steps[i - 1] = time[i] - time[i - 1]
            usual = middle(steps, steps.size, usual)
            out[e] = 1.0 / usual
    return out


@kernel
def _usual(waits: Floats, count: int, guess: float) -> tuple[float, float]:
    """Mean of the waits up to 1.6 of their median: 2 and 3 rows are 2.5; a value that came again is left out.

    Also the median; ``guess`` is what it may be.
    """
    median = middle(waits, count, guess)
    total, found = 0.0, 0
    for i in range(count):
        near = waits[i] <= 1.6 * median
        total += waits[i] if near else 0.0
        found += int(near)
    return total / found, median


@kernel
def _waits(time: Floats, values: Floats, waits: Floats) -> int:
    """Times between changes of value into ``waits`` from its second place on, and how many; a hole is passed over.

    What comes before the first change goes to the first place: it is no wait. Room: one more than there are samples.
    """
    changes, whole = 0, True
    for i in range(values.size):
        whole = whole & (not np.isnan(values[i]))
    since = 0.0
    if whole:  # without a branch
        for i in range(1, values.size):
            changed = values[i] != values[i - 1]
            waits[changes] = time[i] - since
            changes += int(changed)
            since = time[i] if changed else since
        return max(changes - 1, 0)
    held = np.nan
    for i in range(values.size):
        x = values[i]
        if not np.isnan(x):
            if not np.isnan(held) and x != held:
                waits[changes] = time[i] - since
                changes += 1
                since = time[i]
            held = x
    return max(changes - 1, 0)


@kernel
def effective_rate(time_s: Floats, values: Floats, offsets: Ints) -> Floats:
    """Effective rate of a channel, Hz ``(E,)``: one over the usual time between changes of value.

    ``values`` is ``(rows, N)``; of several rows (wheels) the liveliest counts. A value held in a faster row grid has
    the rate at which it changes. NaN where fewer than ``LEAST_CHANGES`` changes were seen.
    """
    events = offsets.size - 1
    out = np.full(events, np.nan)
    usual = np.nan
    for e in range(events):
        first, last = offsets[e], offsets[e + 1]
        waits = np.empty(last - first + 1)
        for w in range(values.shape[0]):
            found = _waits(time_s[first:last], values[w, first:last], waits)
            if found + 1 >= LEAST_CHANGES:
                mean, usual = _usual(waits[1:], found, usual)
                if np.isnan(out[e]) or 1.0 / mean > out[e]:
                    out[e] = 1.0 / mean
    return out


@kernel
def seen_rate(time_s: Floats, values: Floats, offsets: Ints) -> Floats:
    """Changes of value over the observed time of each event, Hz ``(E,)``: a cautious rate where few changes were seen.

    ``values`` is ``(rows, N)``; of several rows the liveliest counts. Never above the true rate; NaN without a change.
    """
    out = np.full(offsets.size - 1, np.nan)
    for e in range(offsets.size - 1):
        time = time_s[offsets[e] : offsets[e + 1]]
        for w in range(values.shape[0]):
            changes, row = 0, values[w, offsets[e] : offsets[e + 1]]
            began, held, seen = np.nan, np.nan, np.nan
            for i in range(row.size):
                x = row[i]
                if np.isnan(x):
                    continue
                if np.isnan(began):
                    began = time[i]
                elif x != held:
                    changes += 1
                held, seen = x, time[i]
            if changes > 0 and not (changes / (seen - began) <= out[e]):
                out[e] = changes / (seen - began)
    return out


@kernel
def _usual_wait(time: Floats, values: Floats, guess: float) -> tuple[float, float]:
    """Usual time between changes of value and their median, s; a wait across a hole is none.

    NaN without two changes in a row.
    """
    waits = np.empty(values.size)
    found, changed = 0, np.nan
    for i in range(1, values.size):
        x = values[i]
        if np.isnan(x):
            changed = np.nan
        elif not np.isnan(values[i - 1]) and x != values[i - 1]:
            waits[found] = time[i] - changed
            found += int(not np.isnan(changed))
            changed = time[i]
    if found == 0:
        return np.nan, guess
    return _usual(waits, found, guess)


@kernel
def _mark_fresh(time: Floats, values: Floats, wait: float, out: Bools) -> None:
    """Mark the updates of one event of a channel that is updated every ``wait``."""
    old = -1
    for i in range(values.size):
        if np.isnan(values[i]):
            continue
        if old >= 0 and wait > 0.0 and np.isnan(values[i - 1]):
            old = i
        elif old < 0 or values[i] != values[old] or time[i] - time[old] >= wait - 1e-9:
            out[i] = True
            old = i


@kernel
def fresh(time_s: Floats, values: Floats, rate_hz: Floats, offsets: Ints) -> Bools:
    """Samples ``(N,)`` at which the channel was updated: a new value, or its usual wait for one is over.

    What is held in a faster row grid is one reading, not many; an update may bring the same value again. What comes
    first after a hole is of unknown age: no update. A channel that changed no more than once waits for a period of
    ``rate_hz`` ``(E,)``; one that changes from row to row has a reading in each.
    """
    out = np.zeros(values.size, np.bool_)
    usual = np.nan
    for e in range(offsets.size - 1):
        time, x, marks = (
            time_s[offsets[e] : offsets[e + 1]], values[offsets[e] : offsets[e + 1]], out[offsets[e] : offsets[e + 1]]
        )  # fmt: skip
        wait, usual = _usual_wait(time, x, usual)
        if np.isnan(wait):
            wait = 1.0 / rate_hz[e] if rate_hz[e] > 0.0 else 0.0
        if time.size > 0 and wait < 1.5 * (time[-1] - time[0]) / max(time.size - 1, 1):
            for i in range(x.size):
                marks[i] = not np.isnan(x[i])  # a reading in each row
        else:
            _mark_fresh(time, x, wait, marks)
    return out


@kernel
def update_noise(values: Floats, use: Bools, offsets: Ints) -> Floats:
    """Standard deviation of a channel's noise ``(E,)`` from second differences of its marked updates.

    As :func:`white_noise`, with only the updates in a row. NaN under eight usable differences.
    """
    out = np.full(offsets.size - 1, np.nan)
    for e in range(offsets.size - 1):
        x, mark = values[offsets[e] : offsets[e + 1]], use[offsets[e] : offsets[e + 1]]
        bends = np.empty(max(x.size, 1))
        found = 0
        older, old = np.nan, np.nan
        for i in range(x.size):
            if not mark[i]:
                continue
            bend = abs(older - 2.0 * old + x[i])
            older, old = old, x[i]
            bends[found] = bend
            found += int(not np.isnan(bend))
        if found >= 8:
            out[e] = middle(bends, found, np.nan) / 0.6745 / np.sqrt(6.0)
    return out


@kernel
def white_noise(values: Floats, start: Ints, stop: Ints) -> Floats:
    """Standard deviation of a channel's sample noise in ``[start, stop)`` ``(E,)`` from its second differences.

    A second difference of white noise has six times its variance; a smooth signal leaves next to nothing in it. The
    median absolute value keeps kinks out (0.6745: normal quartile). NaN under eight usable differences.
    """
    out = np.full(start.size, np.nan)
    for e in range(start.size):
        x = values[max(start[e], 0) : max(stop[e], start[e], 0)]
        bends = np.empty(max(x.size, 1))
        found = 0
        for i in range(1, x.size - 1):
            bend = abs(x[i - 1] - 2.0 * x[i] + x[i + 1])
            bends[found] = bend
            found += int(not np.isnan(bend))
        if found >= 8:
            out[e] = middle(bends, found, np.nan) / 0.6745 / np.sqrt(6.0)
    return out


@kernel
def event_median(values: Floats, start: Ints, stop: Ints) -> Floats:
    """Median of the observed samples in ``[start, stop)`` ``(E,)``; NaN where nothing was observed."""
    out = np.full(start.size, np.nan)
    for e in range(start.size):
        x = values[max(start[e], 0) : max(stop[e], start[e], 0)]
        kept = np.empty(max(x.size, 1))
        found = 0
        for i in range(x.size):
            kept[found] = x[i]
            found += int(not np.isnan(x[i]))
        if found > 0:
            out[e] = middle(kept, found, np.nan)
    return out

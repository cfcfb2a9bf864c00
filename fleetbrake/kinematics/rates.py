"""How often a channel really changes, and how noisy it is."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

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
def effective_rate(time_s: Floats, values: Floats, offsets: Ints) -> Floats:
    """Effective rate of a channel, Hz ``(E,)``: one over the median time between changes of value.

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
                rate = 1.0 / np.median(waits[:found])
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

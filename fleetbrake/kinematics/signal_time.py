"""Time that marked samples stand for: from each of them to the next row."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@kernel
def _time_of(time_s: Floats, marks: Bools) -> float:
    """Time from each marked sample to the next row, added up, s."""
    total = 0.0
    for i in range(time_s.size - 1):
        if marks[i]:
            total += time_s[i + 1] - time_s[i]
    return total


@kernel
def marked_time(time_s: Floats, marks: Bools, offsets: Ints) -> Floats:
    """Time ``(W, E)`` from each marked sample to the next row, added up, s."""
    out = np.zeros((marks.shape[0], offsets.size - 1))
    for w in range(marks.shape[0]):
        for e in range(offsets.size - 1):
            out[w, e] = _time_of(time_s[offsets[e] : offsets[e + 1]], marks[w, offsets[e] : offsets[e + 1]])
    return out


@kernel
def missing_time(time_s: Floats, values: Floats, use: Bools, offsets: Ints) -> Floats:
    """Time ``(W, E)`` from each sample marked ``use`` ``(N,)`` without a value to the next row, added up, s."""
    out = np.zeros((values.shape[0], offsets.size - 1))
    for w in range(values.shape[0]):
        for e in range(offsets.size - 1):
            first, last = offsets[e], offsets[e + 1]
            x, counts, missing = values[w, first:last], use[first:last], 0
            for i in range(x.size):
                missing += int(counts[i] & (x[i] != x[i]))
            if missing > 0:
                out[w, e] = _time_of(time_s[first:last], counts & np.isnan(x))
    return out


@kernel
def time_within(time_s: Floats, marks: Bools, start: Ints, stop: Ints) -> Floats:
    """Time ``(W, E)`` from each marked sample of ``[start, stop)`` to the next one in there, added up, s."""
    out = np.zeros((marks.shape[0], start.size))
    for w in range(marks.shape[0]):
        for e in range(start.size):
            if stop[e] > start[e]:
                out[w, e] = _time_of(time_s[start[e] : stop[e]], marks[w, start[e] : stop[e]])
    return out

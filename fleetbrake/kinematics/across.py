"""What the wheels of one moment tell together: the fastest, the second fastest, those that roll, and how far apart.

A block of samples at a time, wheel by wheel: the readings of all wheels are put in order by comparing and exchanging
whole rows, which the processor does for several samples at once.
"""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Wheels under this share of the fastest do not roll with it (raised, unsensed, locked).
ROLLS_SHARE = 0.7

#: Samples of one block: a handful of wheels stay in the nearest cache.
BLOCK = 512


@kernel
def _exchange(low: Floats, high: Floats) -> None:
    """The smaller of each pair into ``low``, the greater into ``high``."""
    for i in range(low.size):
        x, y = low[i], high[i]
        low[i], high[i] = (y if y < x else x), (x if y < x else y)


@kernel
def _ordered(wheels: Floats, factor: Floats, scale: float, first: int, last: int, rows: Floats) -> None:
    """Readings times ``factor`` ``(W,)`` and ``scale`` into ``rows``, slowest first; -inf for what is not known."""
    for w in range(wheels.shape[0]):
        wheel, row = wheels[w, first:last], rows[w]
        for i in range(wheel.size):
            x = wheel[i] * factor[w] * scale
            row[i] = -np.inf if np.isnan(x) else x
    for top in range(wheels.shape[0] - 1, 0, -1):
        for w in range(top):
            _exchange(rows[w, : last - first], rows[w + 1, : last - first])


@kernel
def _top(rows: Floats, place: int, out: Floats) -> None:
    """The reading at one place of the order (-1: the fastest); NaN where there are not so many."""
    if rows.shape[0] + place < 0:
        out[:] = np.nan
        return
    row = rows[rows.shape[0] + place]
    for i in range(out.size):
        out[i] = row[i] if row[i] > -np.inf else np.nan


@kernel
def _rolls(rows: Floats, out: Floats, apart: Floats) -> None:
    """Median of the wheels not far under the fastest, and fastest less slowest of them."""
    count = rows.shape[0]
    top = rows[count - 1]
    found, alike = np.zeros(out.size, np.int64), 0
    for w in range(count):
        row = rows[w]
        for i in range(out.size):
            found[i] += int(row[i] >= ROLLS_SHARE * top[i])
            alike += int((row[i] >= ROLLS_SHARE * top[i]) & (row[i] > -np.inf))
    if alike == count * out.size:  # all wheels roll all the time
        low, lower, upper = rows[0], rows[(count - 1) // 2], rows[count // 2]
        for i in range(out.size):
            out[i] = 0.5 * (lower[i] + upper[i])
            apart[i] = top[i] - low[i]
        return
    for i in range(out.size):
        n = found[i]
        known = n > 0 and top[i] > -np.inf
        out[i] = 0.5 * (rows[count - n + (n - 1) // 2, i] + rows[count - n + n // 2, i]) if known else np.nan
        apart[i] = top[i] - rows[count - n, i] if known else 0.0


@kernel
def across(wheels: Floats, factor: Floats, scale: Floats, offsets: Ints) -> tuple[Floats, Floats, Floats, Floats]:
    """Fastest and second fastest wheel, median of the rolling ones, and fastest less slowest of those, each ``(N,)``.

    ``wheels`` ``(W, N)`` are taken times ``factor`` ``(W, E)``, then times ``scale`` ``(E,)``. Rolling is what has
    ``ROLLS_SHARE`` of the fastest. NaN without enough wheels; the difference is 0 then.
    """
    top, second = np.full(wheels.shape[1], np.nan), np.full(wheels.shape[1], np.nan)
    rolls, apart = np.full(wheels.shape[1], np.nan), np.zeros(wheels.shape[1])
    if wheels.shape[0] == 0:
        return top, second, rolls, apart
    rows = np.empty((wheels.shape[0], BLOCK))
    for e in range(offsets.size - 1):
        for first in range(offsets[e], offsets[e + 1], BLOCK):
            last = min(first + BLOCK, offsets[e + 1])
            _ordered(wheels, factor[:, e], scale[e], first, last, rows)
            _top(rows, -1, top[first:last])
            _top(rows, -2, second[first:last])
            _rolls(rows, rolls[first:last], apart[first:last])
    return top, second, rolls, apart


@kernel
def unscaled(wheels: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """:func:`across` of wheels as they are."""
    factor, scale, offsets = np.empty((wheels.shape[0], 1)), np.empty(1), np.empty(2, np.int64)
    for w in range(wheels.shape[0]):
        factor[w, 0] = 1.0
    scale[0], offsets[0], offsets[1] = 1.0, 0, wheels.shape[1]
    return across(wheels, factor, scale, offsets)


@kernel
def scaled(wheels: Floats, factor: Floats, offsets: Ints) -> Floats:
    """Wheels ``(W, N)`` times ``factor`` ``(W, E)``."""
    out = np.empty(wheels.shape)
    for w in range(wheels.shape[0]):
        for e in range(offsets.size - 1):
            wheel, row = wheels[w, offsets[e] : offsets[e + 1]], out[w, offsets[e] : offsets[e + 1]]
            for i in range(wheel.size):
                row[i] = wheel[i] * factor[w, e]
    return out

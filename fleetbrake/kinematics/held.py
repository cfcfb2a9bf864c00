"""A channel that a logger held in a faster row grid, as the line that it was."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: A hole in the speed channel longer than this is not bridged (edge definition of a gap), s.
LONGEST_BRIDGE_S = 0.5


@kernel
def _line(time: Floats, values: Floats, rate_hz: float, out: Floats) -> None:
    """One event's channel as a line into ``out``, which holds what was read."""
    whole = values.size < 2
    if not whole:
        steps = (values.size - 1) / (time[-1] - time[0])
        period = 1.0 / rate_hz if rate_hz > 0.0 else 1.0 / steps
        held = period * steps > 1.5
        if not held:
            whole = True
            for i in range(values.size):
                whole = whole & (not np.isnan(values[i]))
        if not whole:
            _bridge(time, values, period, held, out)


@kernel
def _bridge(time: Floats, values: Floats, period: float, held: bool, out: Floats) -> None:
    """Spread each step over a ``period`` of a channel that is ``held``, and lay lines over short holes."""
    longest = max(LONGEST_BRIDGE_S, 1.5 * period) if held else LONGEST_BRIDGE_S
    knot = -1
    for i in range(values.size):
        x = values[i]
        if np.isnan(x):
            continue
        if knot >= 0 and (x != values[knot] or not held):
            wait = time[i] - time[knot]
            reach = min(wait, period) if held else wait
            begin = time[i] - reach
            seen, ahead = knot, knot
            for j in range(knot + 1, i):
                if np.isnan(values[j]):
                    while ahead <= j or np.isnan(values[ahead]):  # the far side of the hole, at the latest i
                        ahead += 1
                    if time[ahead] - time[seen] > longest + 1e-9:
                        continue
                else:
                    seen = j
                share = (time[j] - begin) / reach if reach > 0.0 else 1.0
                out[j] = values[knot] + (x - values[knot]) * max(share, 0.0)
            knot = i
        elif knot < 0 or not held:
            knot = i
    # a hole at the very end, or inside a held value, stays as it was read


@kernel
def unheld(time_s: Floats, values: Floats, rate_hz: Floats, offsets: Ints) -> Floats:
    """The channel as a line through its changes ``(N,)``, instead of the steps that a held value makes.

    Each step is spread over one of the channel's own periods, so that a value that truly stood still stays so.
    Holes (NaN) up to ``LONGEST_BRIDGE_S``, or 1.5 periods of a slower channel, are bridged; longer ones stay NaN.
    """
    out = values.copy()
    for e in range(offsets.size - 1):
        first, last = offsets[e], offsets[e + 1]
        _line(time_s[first:last], values[first:last], rate_hz[e], out[first:last])
    return out


@kernel
def unheld_rows(time_s: Floats, rows: Floats, sound: Bools, rate_hz: Floats, offsets: Ints) -> Floats:
    """:func:`unheld` of each row ``(W, N)``, with only its readings marked ``sound``."""
    out = np.empty(rows.shape)
    for w in range(rows.shape[0]):
        for e in range(offsets.size - 1):
            first, last = offsets[e], offsets[e + 1]
            row, mark, line = rows[w, first:last], sound[w, first:last], out[w, first:last]
            for i in range(row.size):
                line[i] = row[i] if mark[i] else np.nan
            _line(time_s[first:last], line.copy(), rate_hz[e], line)
    return out

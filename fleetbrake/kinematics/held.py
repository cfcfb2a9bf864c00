"""A channel that a logger held in a faster row grid, as the line that it was."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: A hole in the speed channel longer than this is not bridged (edge definition of a gap), s.
LONGEST_BRIDGE_S = 0.5


@kernel
def unheld(time_s: Floats, values: Floats, rate_hz: Floats, offsets: Ints) -> Floats:
    """The channel as a line through its changes ``(N,)``, instead of the steps that a held value makes.

    Each step is spread over one of the channel's own periods, so that a value that truly stood still stays so.
    Holes (NaN) up to ``LONGEST_BRIDGE_S``, or 1.5 periods of a slower channel, are bridged; longer ones stay NaN.
    """
    out = values.copy()
    for e in range(offsets.size - 1):
        first, last = offsets[e], offsets[e + 1]
        if last - first < 2:
            continue
        steps = (last - first - 1) / (time_s[last - 1] - time_s[first])
        period = 1.0 / rate_hz[e] if rate_hz[e] > 0.0 else 1.0 / steps
        held = period * steps > 1.5
        longest = max(LONGEST_BRIDGE_S, 1.5 * period) if held else LONGEST_BRIDGE_S
        knot = -1
        for i in range(first, last):
            x = values[i]
            if np.isnan(x):
                continue
            if knot >= 0 and (x != values[knot] or not held):
                wait = time_s[i] - time_s[knot]
                reach = min(wait, period) if held else wait
                begin = time_s[i] - reach
                seen, ahead = knot, knot
                for j in range(knot + 1, i):
                    if np.isnan(values[j]):
                        while ahead <= j or np.isnan(values[ahead]):  # the far side of the hole, at the latest i
                            ahead += 1
                        if time_s[ahead] - time_s[seen] > longest + 1e-9:
                            continue
                    else:
                        seen = j
                    share = (time_s[j] - begin) / reach if reach > 0.0 else 1.0
                    out[j] = values[knot] + (x - values[knot]) * max(share, 0.0)
                knot = i
            elif knot < 0 or not held:
                knot = i
        # a hole at the very end, or inside a held value, stays as it was read
    return out

"""How long a wheel was locked in one piece while the vehicle was faster than a rule's cut-off speed."""

import numpy as np
import numpy.typing as npt

from fleetbrake.detection.lockup import Lockups
from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@kernel
def _longest_above(
    time_s: Floats,
    speed: Floats,
    wheel: Ints,
    event: Ints,
    start: Ints,
    begin_s: Floats,
    end_s: Floats,
    wheels: int,
    events: int,
    limit: float,
) -> Floats:
    """Longest time above ``limit`` within one lockup ``(W, E)``, s; 0 where there is none.

    Lockups are given one a row: wheel, event, first sample, and the times between which the wheel was locked; these may
    lie between samples or, in a held channel, some samples before the first. The speed runs on lines between samples;
    an unknown speed ends the piece.
    """
    out = np.zeros((wheels, events))
    for k in range(wheel.size):
        w, e, run = wheel[k], event[k], 0.0
        i = start[k]
        while i > 0 and time_s[i] > begin_s[k]:  # in a held channel the lockup began rows before the first locked one
            i -= 1
        while i + 1 < time_s.size and time_s[i] < end_s[k]:
            t0, t1 = max(time_s[i], begin_s[k]), min(time_s[i + 1], end_s[k])
            rise = (speed[i + 1] - speed[i]) / (time_s[i + 1] - time_s[i])
            a, b = speed[i] + rise * (t0 - time_s[i]), speed[i] + rise * (t1 - time_s[i])
            if a > limit and b > limit:
                run += t1 - t0
            elif a > limit >= b:
                run += (t1 - t0) * (a - limit) / (a - b)
            out[w, e] = max(out[w, e], run)
            if not (a > limit and b > limit):
                run = (t1 - t0) * (b - limit) / (b - a) if b > limit >= a else 0.0
                out[w, e] = max(out[w, e], run)
            i += 1
    return out


def longest_above(time_s: Floats, speed_mps: Floats, found: Lockups, limit_mps: float) -> Floats:
    """Longest single time locked above ``limit_mps`` of each wheel and event ``(W, E)``, s.

    0 where the wheel did not lock, or only below; NaN where it could not be decided, or where the length of a lockup
    is not known.
    """
    wheels, events = found.verdict.shape
    rows = found.spans
    longest = _longest_above(
        time_s, speed_mps, rows.wheel, rows.event, rows.start, rows.begin_s, rows.end_s, wheels, events, limit_mps
    )
    unknown = (found.verdict < 0) | ((found.verdict == 1) & np.isnan(found.longest_s))
    return np.where(unknown, np.nan, longest)

"""How a driver brakes: the greatest jerk of the build-up, and how much of a stop is left to its last second."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@kernel
def peak_jerk(
    time_s: Floats, decel_mps2: Floats, start: Ints, stop: Ints, offsets: Ints, window_s: float, gap_s: Floats
) -> Floats:
    """Greatest mean rise of the deceleration over ``window_s``, ending between ``start`` and the peak ``(E,)``, m/s3.

    The peak is the first sample of ``[start, stop)`` with the greatest deceleration. The window may begin before the
    demand, within the event. A pair of samples that is more than ``gap_s`` ``(E,)`` longer than the window, or a
    deceleration not known at either end, is left out. NaN without any pair and where ``start`` is -1.
    """
    out = np.full(start.size, np.nan)
    for e in range(start.size):
        if start[e] < 0:
            continue
        peak = -1
        for i in range(start[e], stop[e]):
            if not np.isnan(decel_mps2[i]) and (peak < 0 or decel_mps2[i] > decel_mps2[peak]):
                peak = i
        back = offsets[e]
        for i in range(start[e], peak + 1):
            # the last sample that is a whole window back
            while back + 1 <= i and time_s[back + 1] <= time_s[i] - window_s + 1e-9:
                back += 1
            step = time_s[i] - time_s[back]
            if step < window_s - 1e-9 or step > window_s + gap_s[e]:
                continue
            rise = (decel_mps2[i] - decel_mps2[back]) / step
            if not np.isnan(rise) and not (rise <= out[e]):
                out[e] = rise
    return out


@kernel
def last_share(time_s: Floats, speed_mps: Floats, start: Ints, stop: Ints, last_s: float) -> Floats:
    """Share of the speed taken off in ``[start, stop)`` that came off in its last ``last_s`` ``(E,)``, 0 to 1.

    The speed ``last_s`` before the last sample is read on the line between two samples. 1 where the whole braking was
    no longer; NaN where a speed is not known, none was taken off, or ``start`` is -1.
    """
    out = np.full(start.size, np.nan)
    for e in range(start.size):
        last = stop[e] - 1
        if start[e] < 0 or last <= start[e]:
            continue
        taken = speed_mps[start[e]] - speed_mps[last]
        if not (taken > 0.0):
            continue
        moment = time_s[last] - last_s
        if moment <= time_s[start[e]]:
            out[e] = 1.0
            continue
        i = last
        while time_s[i - 1] > moment:
            i -= 1
        along = (moment - time_s[i - 1]) / (time_s[i] - time_s[i - 1])
        then = speed_mps[i - 1] + along * (speed_mps[i] - speed_mps[i - 1])
        out[e] = min(max((then - speed_mps[last]) / taken, 0.0), 1.0) + 0.0 * then
    return out

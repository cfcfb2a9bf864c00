"""The sums of one event that tell the accelerometer's gain and the age of the speed, made anew in every round."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@kernel
def marked(use: Bools, speed: Floats, offsets: Ints) -> tuple[Ints, Ints]:
    """The samples of each event that count, numbered from the event's first, and where each event's begin."""
    at, begin = np.empty(use.size, np.int64), np.zeros(offsets.size, np.int64)
    found = 0
    for e in range(offsets.size - 1):
        mark, x = use[offsets[e] : offsets[e + 1]], speed[offsets[e] : offsets[e + 1]]
        for i in range(x.size):
            at[found] = i
            found += int(mark[i] & ~np.isnan(x[i]))
        begin[e + 1] = found
    return at, begin


@kernel
def event_sums(
    time: Floats, accel: Floats, integral: Floats, speed: Floats, at: Ints, gain: float, delay: float, out: Floats
) -> float:
    """One event's share of the normal equations, level and slope of time taken out; arrays are the event's own.

    ``at``: samples that count (:func:`marked`). Returns the number of samples and fills ``out`` with
    ``(II, IA, AA, Iy, Ay, yy, zz)`` of the gain's regressor I (integral of the sensor), the delay's regressor A
    (falling with the sensor), the residual y and the speed z. All sums in one pass, in the order of the samples.
    """
    last, next_one = np.uint64(time.size - 1), np.uint64(1)  # unsigned: nothing counts from the end
    middle = 0.5 * (time[0] + time[last])
    n, st, stt = 0.0, 0.0, 0.0
    sum_i, sum_a, sum_y, sum_z = 0.0, 0.0, 0.0, 0.0
    t_i, t_a, t_y, t_z = 0.0, 0.0, 0.0, 0.0
    ii, ia, aa, iy, ay, yy, zz = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    row = np.uint64(0)  # the last one not after the moment that a sample speaks of
    for k in range(at.size):
        i = np.uint64(at[k])
        moment = time[i] - delay
        if moment < time[0] or moment > time[last]:
            continue
        while row < i and time[row + next_one] <= moment:
            row += next_one
        following = min(row + next_one, last)
        share = (moment - time[row]) / (time[following] - time[row]) if following > row else 0.0
        summed = integral[row] + share * (integral[following] - integral[row])
        shown = -gain * (accel[row] + share * (accel[following] - accel[row]))
        if np.isnan(summed) or np.isnan(shown):
            continue
        z = speed[i]
        y = z - gain * summed
        t = moment - middle
        n, st, stt = n + 1.0, st + t, stt + t * t
        sum_i, sum_a, sum_y, sum_z = sum_i + summed, sum_a + shown, sum_y + y, sum_z + z
        t_i, t_a, t_y, t_z = t_i + t * summed, t_a + t * shown, t_y + t * y, t_z + t * z
        ii, ia, aa, iy = ii + summed * summed, ia + summed * shown, aa + shown * shown, iy + summed * y
        ay, yy, zz = ay + shown * y, yy + y * y, zz + z * z
    d = n * stt - st * st
    out[:] = 0.0
    if n < 5.0 or d <= 0.0:
        return 0.0
    one, by_t, cross = (sum_i, sum_a, sum_y, sum_z), (t_i, t_a, t_y, t_z), (ii, ia, aa, iy, ay, yy, zz)
    for place, (j, k) in enumerate(((0, 0), (0, 1), (1, 1), (0, 2), (1, 2), (2, 2), (3, 3))):
        level = (one[j] * stt - by_t[j] * st) / d
        slope = (by_t[j] * n - one[j] * st) / d
        out[place] = cross[place] - level * one[k] - slope * by_t[k]
    return n - 2.0

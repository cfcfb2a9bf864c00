"""Whether a speed channel is one over ground or only the wheels' own, which falls with them in a lockup."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: What the channel may follow lags behind the wheels by one of these, s (own choice: filters of a network gateway).
LAGS_S = (0.0, 0.1, 0.2)

#: A channel this share under the vehicle's least possible speed, above this speed (m/s), is none over ground.
APART_SHARE, ABOVE_MPS = 0.1, 3.0

#: For so long, s; and the channel must be so much nearer to the wheels than to the vehicle (ratio of squares).
APART_S, NEARER = 0.15, 0.1


@kernel
def wheel_means(wheels: Floats, axle: Ints) -> Floats:
    """What a channel may be made of: mean of all wheels, of each axle, and the slowest wheel ``(axles + 2, N)``.

    ``axle`` ``(W,)`` numbers the wheels' axles from 0. NaN where none of its wheels is known.
    """
    axles = 0
    for w in range(axle.size):
        axles = max(axles, axle[w] + 1)
    out = np.full((axles + 2, wheels.shape[1]), np.nan)
    total, count = np.empty(axles), np.empty(axles)
    for i in range(wheels.shape[1]):
        total[:], count[:] = 0.0, 0.0
        slowest = np.nan
        for w in range(wheels.shape[0]):
            x = wheels[w, i]
            if not np.isnan(x):
                total[axle[w]] += x
                count[axle[w]] += 1.0
                if not (x >= slowest):
                    slowest = x
        if count.sum() > 0.0:
            out[0, i] = total.sum() / count.sum()
            out[axles + 1, i] = slowest
        for k in range(axles):
            if count[k] > 0.0:
                out[1 + k, i] = total[k] / count[k]
    return out


@kernel
def apart(speed: Floats, least: Floats, use: Bools) -> Bools:
    """Updates ``(N,)`` at which the channel lies far under what the vehicle has at least: never over ground."""
    out = np.empty(speed.size, np.bool_)
    for i in range(speed.size):
        out[i] = use[i] & (least[i] > ABOVE_MPS) & (speed[i] < (1.0 - APART_SHARE) * least[i])
    return out


@kernel
def _nearness(
    time_s: Floats,
    speed: Floats,
    least: Floats,
    mean: Floats,
    use: Bools,
    marks: Bools,
    lag_s: float,
    near: float,
    far: float,
    spent: float,
) -> tuple[float, float, float]:
    """One event's squares of the distance to the late wheels and to the vehicle, and its time apart, added to."""
    back, before = 0, np.nan
    for i in range(speed.size):
        while back < i and time_s[back + 1] <= time_s[i] - lag_s + 1e-9:
            back += 1
        if not use[i] or time_s[back] > time_s[i] - lag_s + 1e-9:
            continue
        if marks[i] and not np.isnan(mean[back]):
            near += (speed[i] - mean[back]) ** 2
            far += (speed[i] - least[i]) ** 2
            if not np.isnan(before):
                spent += min(time_s[i] - before, APART_S)
        before = time_s[i]
    return near, far, spent


@kernel
def follows_wheels(
    time_s: Floats,
    offsets: Ints,
    speed: Floats,
    least: Floats,
    means: Floats,
    use: Bools,
    group: Ints,
    groups: int,
) -> Bools:
    """Groups ``(G,)`` whose speed channel falls with the wheels.

    Looked at where the channel lies far under ``least`` ``(N,)``, the speed that the vehicle has at least; ``use``
    ``(N,)`` marks its updates. There it follows the wheels if it is much nearer to one of ``means`` ``(M, N)`` than to
    the vehicle. False where the wheels never slid: nothing tells, and nothing hangs on it.
    """
    rows, lags = means.shape[0], len(LAGS_S)
    near = np.zeros((groups, rows, lags))
    far = np.zeros((groups, rows, lags))
    spent = np.zeros((groups, rows, lags))
    for e in range(offsets.size - 1):
        g, first, last = group[e], offsets[e], offsets[e + 1]
        # a speed over ground is never so far under what the vehicle has at least, late as it may be
        marks = apart(speed[first:last], least[first:last], use[first:last])
        if not marks.any():
            continue
        for m in range(rows):
            for n in range(lags):
                a, b, c = _nearness(
                    time_s[first:last], speed[first:last], least[first:last], means[m, first:last], use[first:last],
                    marks, LAGS_S[n], near[g, m, n], far[g, m, n], spent[g, m, n],
                )  # fmt: skip
                near[g, m, n], far[g, m, n], spent[g, m, n] = a, b, c
    out = np.zeros(groups, np.bool_)
    for g in range(groups):
        for m in range(rows):
            for n in range(lags):
                long = spent[g, m, n] >= APART_S
                out[g] = out[g] or (long and near[g, m, n] < NEARER * far[g, m, n])
    return out

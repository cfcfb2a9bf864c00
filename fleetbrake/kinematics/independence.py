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
        g = group[e]
        for m in range(rows):
            for n in range(lags):
                back, before = offsets[e], np.nan
                for i in range(offsets[e], offsets[e + 1]):
                    while back < i and time_s[back + 1] <= time_s[i] - LAGS_S[n] + 1e-9:
                        back += 1
                    if not use[i] or time_s[back] > time_s[i] - LAGS_S[n] + 1e-9:
                        continue
                    # a speed over ground is never so far under what the vehicle has at least, late as it may be
                    apart = least[i] > ABOVE_MPS and speed[i] < (1.0 - APART_SHARE) * least[i]
                    if apart and not np.isnan(means[m, back]):
                        near[g, m, n] += (speed[i] - means[m, back]) ** 2
                        far[g, m, n] += (speed[i] - least[i]) ** 2
                        if not np.isnan(before):
                            spent[g, m, n] += min(time_s[i] - before, APART_S)
                    before = time_s[i]
    out = np.zeros(groups, np.bool_)
    for g in range(groups):
        for m in range(rows):
            for n in range(lags):
                long = spent[g, m, n] >= APART_S
                out[g] = out[g] or (long and near[g, m, n] < NEARER * far[g, m, n])
    return out

"""Three neighbours, weighed a quarter, a half and a quarter: takes single jumps down, leaves cycles standing."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@kernel
def three_point(values: Floats, offsets: Ints, smooth: Bools) -> Floats:
    """Quarter, half and quarter of each sample's neighbourhood, per row ``(rows, N)``, in events marked ``(E,)``.

    Zero phase, and no cycle turns over: one of ``f`` at a rate ``r`` keeps the share ``cos(pi f / r)`` squared of its
    size. Ends of an event, and neighbourhoods with a NaN, keep the sample as it was.
    """
    out = values.copy()
    for w in range(values.shape[0]):
        for e in range(offsets.size - 1):
            if not smooth[e]:
                continue
            for i in range(offsets[e] + 1, offsets[e + 1] - 1):
                mean = 0.25 * values[w, i - 1] + 0.5 * values[w, i] + 0.25 * values[w, i + 1]
                if not np.isnan(mean):
                    out[w, i] = mean
    return out

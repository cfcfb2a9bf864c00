"""On-centre moving averages with a width of their own for each event."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@kernel
def centred_mean(values: Floats, offsets: Ints, points: Ints) -> Floats:
    """Mean of ``points[e]`` (odd) samples around each one, per row ``(rows, N)``; zero phase.

    Ends of an event, and neighbourhoods with a NaN, keep the sample as it was.
    """
    out = values.copy()
    for w in range(values.shape[0]):
        for e in range(offsets.size - 1):
            half = points[e] // 2
            if half < 1:
                continue
            for i in range(offsets[e] + half, offsets[e + 1] - half):
                total = 0.0
                for j in range(i - half, i + half + 1):
                    total += values[w, j]
                if not np.isnan(total):
                    out[w, i] = total / (2 * half + 1)
    return out

"""Facts of channels that many files do not have: no work is done on what was not recorded."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics import rates, slip
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def greatest(batch: EventBatch, name: str, start: Ints, stop: Ints) -> Floats:
    """Greatest value of a channel in ``[start, stop)`` ``(E,)``; NaN where nothing was recorded."""
    if not batch.has(name):
        return np.full(start.size, np.nan)
    return slip.peak(batch.channel(name)[None, :], start, stop)[0]


def median(batch: EventBatch, name: str, start: Ints, stop: Ints) -> Floats:
    """Median of a channel in ``[start, stop)`` ``(E,)``; NaN where nothing was recorded."""
    if not batch.has(name):
        return np.full(start.size, np.nan)
    return rates.event_median(batch.channel(name), start, stop)  # type: ignore[no-any-return]

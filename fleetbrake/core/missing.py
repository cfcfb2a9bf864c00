"""NaN, that is not known, where arithmetic needs a number."""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def or_zero(values: Floats) -> Floats:
    """The values, 0 where one is not known; shape as given."""
    return np.where(np.isnan(values), 0.0, values)

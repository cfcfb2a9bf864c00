"""Tyre-road friction curves of the simulator.

Burckhardt's form mu(s) = c1 (1 - exp(-c2 s)) - c3 s, with the slip ``s`` from 0 (rolling) to 1 (locked). Formula
and dry set: verified (secondary); wet, snow and ice sets: from memory (Kiencke & Nielsen, citing Burckhardt). The
gravel set is our own: a negative c3 makes the force rise up to lock, as a locked wheel digs in; its size follows the
finding that stops with anti-lock control on loose gravel were 27 % longer (NHTSA Light Vehicle ABS Research Program,
Task 4, verified).
"""

from typing import Final

import numpy as np
import numpy.typing as npt

#: Names of the surfaces; the position is the code used in arrays.
SURFACES: Final = ("dry", "wet", "snow", "ice", "gravel")
DRY, WET, SNOW, ICE, GRAVEL = range(5)

#: c1, c2, c3 of each surface, one row a surface.
BURCKHARDT: Final = np.array(
    [
        [1.2801, 23.99, 0.52],
        [0.857, 33.822, 0.347],
        [0.1946, 94.129, 0.0646],
        [0.05, 306.39, 0.0],
        [0.42, 25.0, -0.17],
    ]
)


def friction(slip: npt.ArrayLike, surface: int) -> npt.NDArray[np.float64]:
    """Friction coefficient at a slip (any shape, 0 to 1) on one of :data:`SURFACES`; same shape."""
    c1, c2, c3 = BURCKHARDT[surface]
    s = np.clip(np.asarray(slip, dtype=float), 0.0, 1.0)
    return np.asarray(c1 * (1.0 - np.exp(-c2 * s)) - c3 * s)


def peak_friction(surface: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Greatest friction coefficient of each surface code; same shape as ``surface``."""
    slip = np.linspace(0.0, 1.0, 2001)
    peaks = np.array([friction(slip, code).max() for code in range(len(SURFACES))])
    return np.asarray(peaks[np.asarray(surface, dtype=int)])

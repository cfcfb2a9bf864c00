"""What the road gave: friction used up or not, and the kind of surface that fits."""

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: Positions in ``core.vocabulary.SURFACES``.
DRY, WET, SNOW_ICE, LOOSE, SPLIT, UNKNOWN = range(6)


def friction_used_up(struggling: Bools, sensed: Bools) -> npt.NDArray[np.int8]:
    """Whether the tyres gave all they could ``(E,)``: 1 yes, 0 no, -1 not known (no wheel sensed).

    ``struggling`` ``(W, E)`` marks wheels that locked, cycled or slipped past the peak; half of the sensed wheels or
    more must, since one bad wheel says more of itself than of the road.
    """
    wheels = sensed.sum(axis=0)
    bad = (struggling & sensed).sum(axis=0)
    return np.where(wheels == 0, -1, (bad > 0) & (2 * bad >= wheels)).astype(np.int8)


def one_sided(struggling: Bools, sensed: Bools, left: Bools) -> Bools:
    """Events ``(E,)`` in which two or more wheels of one side struggle and none of the other side does.

    ``left`` ``(W,)`` marks the wheels of the left side. Two wheels: a single one may be its own fault.
    """
    bad = struggling & sensed
    on_left, on_right = bad[left].sum(axis=0), bad[~left].sum(axis=0)
    seen_left, seen_right = sensed[left].sum(axis=0), sensed[~left].sum(axis=0)
    both_seen = (seen_left >= 2) & (seen_right >= 2)
    return both_seen & (((on_left >= 2) & (on_right == 0)) | ((on_right >= 2) & (on_left == 0)))


def surface(
    *, friction: Floats, used_up: npt.NDArray[np.int8], split: Bools, unpaved: Floats, criteria: Criteria
) -> npt.NDArray[np.int8]:
    """Surface code of each event ``(E,)`` by where its friction lies between published values.

    ``friction`` ``(E,)`` is the friction used, ``unpaved`` 1, 0 or NaN from the map. Unknown unless friction was used
    up: a gentle stop says nothing of the road. Sources of the bounds: ``core.criteria`` (Wong's table, from memory).
    """
    out = np.full(friction.size, UNKNOWN, np.int8)
    known = (used_up == 1) & ~np.isnan(friction)
    out[known & (friction >= criteria.wet_below)] = DRY
    out[known & (friction < criteria.wet_below)] = WET
    out[known & (friction < criteria.snow_ice_below)] = SNOW_ICE
    out[known & (unpaved == 1.0) & (friction >= criteria.loose_lowest)] = LOOSE
    out[split & ~np.isnan(friction)] = SPLIT
    return out

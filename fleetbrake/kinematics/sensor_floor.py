"""The speed under which a wheel-speed sensor reads zero, from the stops of a vehicle.

A tone wheel that turns slowly gives too little voltage, or too few pulses, and the reading drops to zero while the
wheel still turns. Files seldom say where. Three things show it: the lowest reading that is not zero, the speed at
which a rolling wheel's reading went to zero in gentle stops, and the step of a coarsely counted reading.
"""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel
from fleetbrake.kinematics.selection import in_order

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: The last readings before a zero are laid a line through for so long, s (own choice: a few rows at 10 Hz).
_LINE_S = 0.4

#: Readings no further apart are one value, m/s (rounding); and how many cells mark where values lie (own choice: a
#: power of two; an event of rows fills few of them, and they stay in the processor's near memory).
_SAME, _CELLS = 1e-9, 16384


@kernel
def lowest_reading(wheels: Floats, offsets: Ints) -> Floats:
    """Smallest reading above zero of each wheel and event ``(W, E)``; NaN where it never turned."""
    out = np.full((wheels.shape[0], offsets.size - 1), np.nan)
    for w in range(wheels.shape[0]):
        for e in range(offsets.size - 1):
            low, turned = np.inf, 0
            for x in wheels[w, offsets[e] : offsets[e + 1]]:
                low = x if (x > 0.0) & (x < low) else low
                turned += int(x > 0.0)
            if turned > 0:
                out[w, e] = low
    return out


@kernel
def _differ(value: Floats, seen: npt.NDArray[np.int32], mark: int) -> bool:
    """Whether more than half of the values lie apart: a quick look that may miss it, and is never wrong about it.

    Each value marks a cell of its own size; one that finds its cell and both beside it empty is far from all before it,
    and no chain of values leads from the one to the other in steps of ``_SAME``. ``seen`` is a table for the cells,
    which come round in it (a value that meets another's mark does not count), ``mark`` the sign of this look.
    """
    a_metre = 1.0 / ((value.size + 1) * _SAME)
    apart, turn = 0, _CELLS - 1
    for x in value:
        at = int(x * a_metre) & turn
        if seen[at] != mark and seen[(at - 1) & turn] != mark and seen[(at + 1) & turn] != mark:
            apart += 1
            if 2 * apart > value.size - 1:
                return True
        seen[at] = mark
    return False


@kernel
def counted_step(wheels: Floats, offsets: Ints) -> Floats:
    """Step of a coarse reading ``(W, E)``: the smallest change, where few values come back often; else 0.

    A reading that is counted in steps comes back to the same values; a fine one hardly ever does. Asked for: no
    more than half as many values above zero as changes, and twenty changes.
    """
    out = np.zeros((wheels.shape[0], offsets.size - 1))
    longest = 1
    for e in range(offsets.size - 1):
        longest = max(longest, offsets[e + 1] - offsets[e])
    kept, seen, mark = np.empty(longest), np.zeros(_CELLS, np.int32), 0
    for w in range(wheels.shape[0]):
        for e in range(offsets.size - 1):
            found, held = 0, 0.0
            for x in wheels[w, offsets[e] : offsets[e + 1]]:
                if x > 0.0 and x != held:
                    kept[found], held = x, x
                    found += 1
            mark += 1
            if found < 21 or _differ(kept[:found], seen, mark):
                continue
            in_order(kept, found)
            distinct, step = 1, np.inf
            for k in range(1, found):
                if kept[k] > kept[k - 1] + _SAME:
                    distinct += 1
                    step = min(step, kept[k] - kept[k - 1])
            if 2 * distinct <= found - 1 and np.isfinite(step):
                out[w, e] = step
    return out


@kernel
def proven_slip(slip: Floats, reading: Floats, floor: Floats, speed: Floats, offsets: Ints) -> Floats:
    """Slip ``(W, N)`` that is proven: a reading under the ``floor`` ``(W, E)`` proves a wheel no faster than that.

    The array itself where nothing has to be taken back: it must not be written to.
    """
    out, same = slip, True
    for w in range(slip.shape[0]):
        for e in range(offsets.size - 1):
            first, last = offsets[e], offsets[e + 1]
            x, read, v = slip[w, first:last], reading[w, first:last], speed[first:last]
            under, least = 0, floor[w, e]
            for i in range(x.size):
                under += int((read[i] <= least) & (x[i] == x[i]))
            if under == 0:
                continue
            for i in range(x.size):
                bound = 1.0 - least / v[i]
                if read[i] <= least and (bound < x[i] or np.isnan(bound)):
                    if same:
                        out, same = slip.copy(), False
                    out[w, first + i] = bound
    return out


@kernel
def under_floor(reading: Floats, floor: Floats, use: Bools, offsets: Ints) -> Bools:
    """Wheels ``(W, E)`` that are read at their ``floor`` ``(W, E)`` or under it where ``use`` ``(N,)`` marks it."""
    out = np.zeros(floor.shape, np.bool_)
    for w in range(floor.shape[0]):
        for e in range(offsets.size - 1):
            if not floor[w, e] > 0.0:
                continue
            for i in range(offsets[e], offsets[e + 1]):
                if use[i] and reading[w, i] <= floor[w, e]:
                    out[w, e] = True
                    break
    return out


@kernel
def speed_at_zero(
    time_s: Floats, wheels: Floats, speed: Floats, decel: Floats, offsets: Ints, quiet_slip: float, gentle: float
) -> Floats:
    """Speed ``(W, E)`` at which a wheel that rolled to a gentle stop last went to zero, by its own line; else NaN.

    Rolled: within ``quiet_slip`` of the vehicle's speed; gentle: deceleration under ``gentle`` (m/s2), both over the
    last ``_LINE_S`` of readings before the zero, which must be three at least.
    """
    out = np.full((wheels.shape[0], offsets.size - 1), np.nan)
    for w in range(wheels.shape[0]):
        for e in range(offsets.size - 1):
            first, last = offsets[e], offsets[e + 1]
            zeros = 0
            for x in wheels[w, first:last]:
                zeros += int(x == 0.0)
            for i in range(first + 1, last if zeros > 0 else first):
                if not (wheels[w, i] == 0.0 and wheels[w, i - 1] > 0.0):
                    continue
                n, sum_t, sum_x, sum_tt, sum_tx, good = 0, 0.0, 0.0, 0.0, 0.0, True
                j = i - 1
                while j >= first and time_s[i] - time_s[j] <= _LINE_S + 1e-9:
                    x, t = wheels[w, j], time_s[j] - time_s[i]
                    good = good and x > 0.0 and x > (1.0 - quiet_slip) * speed[j] - 0.05 and not (decel[j] >= gentle)
                    n, sum_t, sum_x, sum_tt, sum_tx = n + 1, sum_t + t, sum_x + x, sum_tt + t * t, sum_tx + t * x
                    j -= 1
                spread = n * sum_tt - sum_t * sum_t
                if good and n >= 3 and spread > 0.0:
                    slope = (n * sum_tx - sum_t * sum_x) / spread
                    out[w, e] = max(min((sum_x - slope * sum_t) / n, wheels[w, i - 1]), 0.0)
    return out


@kernel
def _shown(under: float, zero: float, stops: int, most: float, least: float, least_stops: int) -> float:
    """The floor that so many gentle stops show, or 0; a stray reading below the speeds at zero does not count."""
    found = max(under, zero)
    return found if stops >= least_stops and zero > least and found <= most else 0.0


@kernel
def _pool(
    lowest: Floats, at_zero: Floats, step: Floats, vehicle: Ints, most: float, least: float, least_stops: int
) -> Floats:
    """Floor of each wheel and vehicle, handed back to all its events ``(W, E)``.

    A wheel with fewer gentle stops of its own takes what all wheels of the vehicle show in twice as many.
    """
    wheels, events = lowest.shape
    out = np.zeros((wheels, events))
    count = 0
    for e in range(events):
        count = max(count, vehicle[e] + 1)
    under, zero = np.full((wheels + 1, count), np.inf), np.full((wheels + 1, count), np.inf)
    stops, coarse = np.zeros((wheels + 1, count), np.int64), np.zeros((wheels, count))
    for w in range(wheels):
        for e in range(events):
            v = vehicle[e]
            coarse[w, v] = max(coarse[w, v], step[w, e])
            for row in (w, wheels):  # the last row is all wheels together
                if lowest[w, e] < under[row, v]:
                    under[row, v] = lowest[w, e]
                if not np.isnan(at_zero[w, e]):
                    stops[row, v] += 1
                    zero[row, v] = min(zero[row, v], at_zero[w, e])
    for w in range(wheels):
        for e in range(events):
            v = vehicle[e]
            row = w if stops[w, v] >= least_stops else wheels
            needed = least_stops if row == w else 2 * least_stops
            out[w, e] = _shown(under[row, v], zero[row, v], stops[row, v], most, least, needed)
            if coarse[w, v] > least:
                out[w, e] = max(out[w, e], coarse[w, v])
    return out


def floors(
    *,
    time_s: Floats,
    wheels_mps: Floats,
    speed_mps: Floats,
    decel_mps2: Floats,
    offsets: Ints,
    vehicle: Ints,
    quiet_slip: float,
    gentle_mps2: float,
    most_mps: float,
    least_mps: float,
    least_stops: int,
) -> Floats:
    """Speed ``(W, E)`` under which each wheel's sensor reads zero, m/s; 0 where nothing shows one.

    Judged over all events of one ``vehicle`` ``(E,)`` (numbers from 0): a floor is believed where in ``least_stops``
    gentle stops the reading went to zero above ``least_mps`` every time; it is then the lowest reading ever seen or
    the lowest of those speeds, whichever is more, if that is no more than ``most_mps``. A wheel with too few of its own
    stops goes by all wheels of the vehicle, if they have twice as many. A reading that is counted in
    steps has its step as floor.
    """
    lowest = lowest_reading(wheels_mps, offsets)
    at_zero = speed_at_zero(time_s, wheels_mps, speed_mps, decel_mps2, offsets, quiet_slip, gentle_mps2)
    step = counted_step(wheels_mps, offsets)
    return _pool(lowest, at_zero, step, vehicle, most_mps, least_mps, least_stops)  # type: ignore[no-any-return]

"""Near misses: a wheel on its way to its lock that was caught before it got there."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class NearMisses:
    """Of each wheel and event ``(W, E)``.

    ``count`` near misses, -1 where they could not be seen; ``deepest_slip`` of them, NaN without one;
    ``fall_mps2`` the greatest deceleration of the wheel beyond the vehicle's while braking, NaN where it was not read.
    """

    count: Ints
    deepest_slip: Floats
    fall_mps2: Floats


@kernel
def wheel_fall(time_s: Floats, wheel: Floats, decel: Floats, offsets: Ints, rate_hz: Floats) -> Floats:
    """Deceleration of each wheel beyond the vehicle's at each sample ``(W, N)``, m/s2, over the step that leads there.

    A value held for longer than a row falls over one period of the channel (``rate_hz`` ``(E,)``). NaN at an event's
    first sample and beside missing readings.
    """
    out = np.full(wheel.shape, np.nan)
    for w in range(wheel.shape[0]):
        for e in range(offsets.size - 1):
            period = 1.0 / rate_hz[e] if rate_hz[e] > 0.0 else 0.0
            for i in range(offsets[e] + 1, offsets[e + 1]):
                step = max(time_s[i] - time_s[i - 1], period)
                out[w, i] = (wheel[w, i - 1] - wheel[w, i]) / step - decel[i]
    return out


@kernel
def excursions(
    slip: Floats,
    fall: Floats,
    locked: Bools,
    start: Ints,
    stop: Ints,
    deep: float,
    steep: float,
    steep_slip: float,
    back: float,
) -> tuple[Ints, Floats]:
    """Near misses of each wheel ``(W, E)`` in ``[start, stop)``, and the deepest slip of them (NaN without one).

    An excursion begins where the slip reaches ``back`` and ends where it is under it again. It is a near miss if it
    reached ``deep``, or fell steeper than ``steep`` with a slip of ``steep_slip``; if the end was seen; and if no
    sample of it belongs to a lockup (``locked`` ``(W, N)``). A missing slip ends it unseen.
    """
    count = np.zeros((slip.shape[0], start.size), np.int64)
    deepest = np.full((slip.shape[0], start.size), np.nan)
    for w in range(slip.shape[0]):
        for e in range(start.size):
            inside, reached, spoiled, most = False, False, False, 0.0
            for i in range(max(start[e], 0), stop[e] if start[e] >= 0 else 0):
                x = slip[w, i]
                if np.isnan(x):
                    inside = False
                elif x >= back:
                    if not inside:
                        inside, reached, spoiled, most = True, False, False, x
                    most = max(most, x)
                    reached = reached or x >= deep or (x >= steep_slip and fall[w, i] >= steep)
                    spoiled = spoiled or locked[w, i]
                else:
                    if inside and reached and not spoiled:
                        count[w, e] += 1
                        if not (most <= deepest[w, e]):
                            deepest[w, e] = most
                    inside = False
    return count, deepest


@kernel
def marks(wheel: Ints, start: Ints, stop: Ints, rows: int, samples: int) -> Bools:
    """The samples ``(rows, samples)`` of spans ``[start, stop]`` of single wheels."""
    out = np.zeros((rows, samples), np.bool_)
    for k in range(wheel.size):
        out[wheel[k], start[k] : stop[k] + 1] = True
    return out


@kernel
def _greatest(values: Floats, use: Bools, start: Ints, stop: Ints) -> Floats:
    out = np.full((values.shape[0], start.size), np.nan)
    for w in range(values.shape[0]):
        for e in range(start.size):
            for i in range(max(start[e], 0), stop[e] if start[e] >= 0 else 0):
                if use[w, i] and not (values[w, i] <= out[w, e]) and not np.isnan(values[w, i]):
                    out[w, e] = values[w, i]
    return out


def near_misses(
    *,
    time_s: Floats,
    offsets: Ints,
    start: Ints,
    stop: Ints,
    slip: Floats,
    speed_mps: Floats,
    decel_mps2: Floats,
    wheel_mps: Floats,
    usable: Bools,
    locked: Bools,
    undecided: Bools,
    rate_hz: Floats,
    criteria: Criteria,
) -> NearMisses:
    """Near misses of each wheel in the braking phase ``[start, stop)``.

    ``slip`` and ``wheel_mps`` ``(W, N)`` with NaN where nothing is known; ``usable`` ``(N,)`` where the reference speed
    carries; ``locked`` ``(W, N)`` samples of lockups; ``undecided`` ``(W, E)`` wheels whose lockups could not be
    decided; ``rate_hz`` ``(E,)`` the wheels' effective rate. Above the least speed of modulation only: below it a
    wheel's slip is coarse. Nothing seen is no word where lockups were undecided or the rate may hide one.
    """
    sure = usable & (speed_mps > criteria.modulation_least_speed_mps)
    seen = np.where(sure, slip, np.nan)
    fall = wheel_fall(time_s, wheel_mps, decel_mps2, offsets, rate_hz)
    count, deepest = excursions(
        seen,
        fall,
        locked,
        start,
        stop,
        criteria.near_lock_slip,
        criteria.near_lock_fall_mps2,
        criteria.near_lock_fall_slip,
        criteria.used_up_slip,
    )
    slow = ~(rate_hz >= criteria.least_rate_near_lock_hz)[None, :]
    blind = (count == 0) & (undecided | slow) | (start < 0)[None, :]
    return NearMisses(
        count=np.where(blind, -1, count),
        deepest_slip=np.where(blind, np.nan, deepest),
        fall_mps2=np.where(slow, np.nan, _greatest(fall, ~np.isnan(seen), start, stop)),
    )

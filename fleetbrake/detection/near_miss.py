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
def _fall(time_s: Floats, wheel: Floats, decel: Floats, i: int, period: float) -> float:
    step = max(time_s[i] - time_s[i - 1], period)
    return (wheel[i - 1] - wheel[i]) / step - decel[i]


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
                out[w, i] = _fall(time_s, wheel[w], decel, i, period)
    return out


@kernel
def _excursions_of_one(
    slip: Floats,
    use: Bools,
    fall: Floats,
    locked: Bools,
    first: int,
    last: int,
    deep: float,
    steep: float,
    steep_slip: float,
    back: float,
) -> tuple[int, float]:
    """How many excursions of one wheel in one event, and the deepest of them; NaN without one."""
    count, deepest = 0, np.nan
    inside, reached, spoiled, most = False, False, False, 0.0
    for i in range(first, last):
        x = slip[i] if use[i] else np.nan
        if np.isnan(x):
            inside = False
        elif x >= back:
            if not inside:
                inside, reached, spoiled, most = True, False, False, x
            most = max(most, x)
            reached = reached or x >= deep or (x >= steep_slip and fall[i] >= steep)
            spoiled = spoiled or locked[i]
        else:
            if inside and reached and not spoiled:
                count += 1
                if not (most <= deepest):
                    deepest = most
            inside = False
    return count, deepest


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
    use = np.ones(slip.shape[1], np.bool_)
    for w in range(slip.shape[0]):
        for e in range(start.size):
            if start[e] >= 0:
                count[w, e], deepest[w, e] = _excursions_of_one(
                    slip[w], use, fall[w], locked[w], start[e], stop[e], deep, steep, steep_slip, back
                )
    return count, deepest


@kernel
def _greatest_fall(time_s: Floats, wheel: Floats, decel: Floats, known: Bools, period: float) -> float:
    """Greatest fall over the steps that lead to each sample but the first, of those ``known``; NaN without one."""
    most = -np.inf
    for i in range(known.size):
        fall = (wheel[i] - wheel[i + 1]) / max(time_s[i + 1] - time_s[i], period) - decel[i + 1]
        most = fall if known[i] & (fall > most) else most
    return most if most > -np.inf else np.nan


@kernel
def _judged(
    time_s: Floats,
    slip: Floats,
    use: Bools,
    wheel: Floats,
    decel: Floats,
    locked: Bools,
    offsets: Ints,
    start: Ints,
    stop: Ints,
    rate_hz: Floats,
    limits: tuple[float, float, float, float],
) -> tuple[Ints, Floats, Floats]:
    """Count, deepest slip and greatest fall of each wheel and event; falls are drawn up for no longer than needed."""
    deep, steep, steep_slip, back = limits
    count = np.zeros((slip.shape[0], start.size), np.int64)
    deepest, greatest = np.full(count.shape, np.nan), np.full(count.shape, np.nan)
    fall = np.full(time_s.size, np.nan)
    for w in range(slip.shape[0]):
        for e in range(start.size):
            if start[e] < 0 or stop[e] <= start[e]:
                continue
            first, last = start[e], stop[e]
            period = 1.0 / rate_hz[e] if rate_hz[e] > 0.0 else 0.0
            s, sure = slip[w, first:last], use[first:last]
            reaches = 0
            for i in range(s.size):
                reaches += int(sure[i] & (s[i] >= back))
            if reaches > 0:
                for i in range(max(first, offsets[e] + 1), last):
                    fall[i] = _fall(time_s, wheel[w], decel, i, period)
                count[w, e], deepest[w, e] = _excursions_of_one(
                    slip[w], use, fall, locked[w], first, last, deep, steep, steep_slip, back
                )
            ahead = max(first - 1, offsets[e])  # the first sample of an event has no fall
            known = sure & ~np.isnan(s)
            greatest[w, e] = _greatest_fall(
                time_s[ahead:last], wheel[w, ahead:last], decel[ahead:last], known[ahead + 1 - first :], period
            )
    return count, deepest, greatest


@kernel
def marks(wheel: Ints, start: Ints, stop: Ints, rows: int, samples: int) -> Bools:
    """The samples ``(rows, samples)`` of spans ``[start, stop]`` of single wheels."""
    out = np.zeros((rows, samples), np.bool_)
    for k in range(wheel.size):
        out[wheel[k], start[k] : stop[k] + 1] = True
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
    limits = (
        criteria.near_lock_slip,
        criteria.near_lock_fall_mps2,
        criteria.near_lock_fall_slip,
        criteria.used_up_slip,
    )
    count, deepest, fall = _judged(
        time_s, slip, sure, wheel_mps, decel_mps2, locked, offsets, start, stop, rate_hz, limits
    )
    slow = ~(rate_hz >= criteria.least_rate_near_lock_hz)[None, :]
    blind = (count == 0) & (undecided | slow) | (start < 0)[None, :]
    return NearMisses(
        count=np.where(blind, -1, count),
        deepest_slip=np.where(blind, np.nan, deepest),
        fall_mps2=np.where(slow, np.nan, fall),
    )

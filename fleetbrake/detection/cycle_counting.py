"""Counting release-and-rebuild cycles of a signal, and timing them between the samples."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel
from fleetbrake.kinematics.selection import middle

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Fewer waits than this show no rule (own choice: two cycles give two, and any two agree somehow).
LEAST_WAITS = 4


@kernel
def _release(
    value: Floats, depth: Floats, usable: Bools, first: int, last: int, least_peak: float, depth_share: float
) -> tuple[int, int]:
    """Next release from ``first``: position of the peak and of the sample at which it counts; -1 twice if none."""
    peak = -1
    for i in range(first, last):
        if np.isnan(value[i]) or not usable[i]:
            continue
        if peak < 0 or value[i] > value[peak]:
            peak = i
        top = value[peak]
        if top >= least_peak and value[i] < top - max(depth[i], depth_share * top):
            return peak, i
    return -1, -1


@kernel
def _rebuild(
    value: Floats, depth: Floats, usable: Bools, first: int, last: int, least_peak: float, depth_share: float
) -> tuple[int, int]:
    """Next rebuild after a release at ``first``: position of the valley and where the rise counts; -1 twice if none.

    The share is of what is reached, as that of a release is of the peak left: the dive that calls a control up is often
    several times as deep as the cycles that follow it.
    """
    valley = first
    for i in range(first, last):
        if np.isnan(value[i]) or not usable[i]:
            continue
        if value[i] < value[valley]:
            valley = i
        need = max(depth[i], depth_share * value[i])
        if value[i] >= least_peak and value[i] > value[valley] + need:
            return valley, i
    return -1, -1


@kernel
def _let_go(held: Floats, since: int, peak: int, last: int, share: float) -> bool:
    """Whether the demand fell, between the peak and ``last``, below ``share`` of its greatest from ``since`` on."""
    greatest = 0.0
    for i in range(since, last):
        if held[i] > greatest:  # False for NaN: nothing to say
            greatest = held[i]
        if i > peak and held[i] < share * greatest:
            return True
    return False


@kernel
def _crossing(
    time_s: Floats, way_m: Floats, value: Floats, usable: Bools, first: int, last: int, rising: bool
) -> tuple[float, float]:
    """Time and way at which the value first passes the middle between those at ``first`` and ``last``; NaN if never.

    Linear between the samples: finer than a sample, and where the signal is steep noise moves it least.
    """
    level = 0.5 * (value[first] + value[last])
    before = -1
    for i in range(first, last + 1):
        if np.isnan(value[i]) or not usable[i]:
            continue
        passed = value[i] >= level if rising else value[i] <= level
        if passed and before >= 0:
            share = (level - value[before]) / (value[i] - value[before])
            at = time_s[before] + share * (time_s[i] - time_s[before])
            return at, way_m[before] + share * (way_m[i] - way_m[before])
        before = i
    return np.nan, np.nan


@kernel
def _mean_and_spread(waits: Floats) -> tuple[float, float]:
    """Mean of the waits within half of their median, and the mean distance of all from the median over it.

    The mean, since noise moves single waits; those left out are cycles that were missed or split. NaN without waits.
    """
    if waits.size == 0:
        return np.nan, np.nan
    usual = middle(waits, waits.size, np.nan)
    total, count, off = 0.0, 0, 0.0
    for wait in waits:
        off += abs(wait - usual)
        if abs(wait - usual) <= 0.5 * usual:
            total += wait
            count += 1
    mean = total / count if count > 0 else usual
    return mean, off / waits.size / usual


@kernel
def _turns(ways: Floats, spread: float, turn: tuple[float, float, float]) -> bool:
    """Whether the ways from cycle to cycle are turns of a wheel; ``spread`` is that of the waits.

    ``turn``: least and greatest way of a turn, and how far the ways may lie from their median on average, over it. So
    are ``LEAST_WAITS`` or more that keep to it while the waits spread half as much again: pulses that slow down with
    the wheel.
    """
    if ways.size < LEAST_WAITS:
        return False
    way, alike = middle(ways, ways.size, np.nan), _mean_and_spread(ways)[1]
    return bool(turn[0] <= way <= turn[1] and alike <= turn[2] and spread >= 1.5 * alike)


@kernel
def _cycles_of_one(
    time_s: Floats,
    way_m: Floats,
    value: Floats,
    depth: Floats,
    usable: Bools,
    held: Floats,
    first: int,
    last: int,
    limits: tuple[float, float, float, float, float],
) -> tuple[int, float, float, Floats, Floats]:
    """Cycles, begin and end, and the waits in s and in m for one wheel of one event."""
    least_peak, depth_share, held_share, longest_s, foot_s = limits
    waits, ways = np.empty(max(last - first, 1)), np.empty(max(last - first, 1))
    found, count = 0, 0
    begin, end = np.nan, np.nan
    fall_t, fall_m, rise_t, rise_m = np.nan, np.nan, np.nan, np.nan
    base, since, i = -1, first, first
    while True:
        peak, falling = _release(value, depth, usable, i, last, least_peak, depth_share)
        if peak < 0:
            break
        if base >= 0:  # the rise that ends a cycle tells the time even if nothing is rebuilt after it
            t, m = _crossing(time_s, way_m, value, usable, base, peak, True)
            if t - rise_t <= 2.0 * longest_s:
                waits[found], ways[found] = t - rise_t, m - rise_m
                found += 1
            rise_t, rise_m = t, m
        valley, risen = _rebuild(value, depth, usable, falling, last, least_peak, depth_share)
        if valley < 0:
            break
        lasted = time_s[risen] - time_s[peak]
        lifted = lasted >= foot_s and _let_go(held, since, peak, risen + 1, held_share)
        i, since = risen, valley
        if lasted > longest_s or lifted:
            base, fall_t, rise_t = -1, np.nan, np.nan
            continue
        t, m = _crossing(time_s, way_m, value, usable, peak, valley, False)
        if t - fall_t <= 2.0 * longest_s:
            waits[found], ways[found] = t - fall_t, m - fall_m
            found += 1
        fall_t, fall_m, base = t, m, valley
        if count == 0:
            begin = time_s[peak]
        end = time_s[risen]
        count += 1
    return count, begin, end, waits[:found], ways[:found]


@kernel
def count_cycles(
    time_s: Floats,
    way_m: Floats,
    value: Floats,
    depth: Floats,
    usable: Bools,
    held: Floats,
    foot_s: Floats,
    start: Ints,
    stop: Ints,
    least_peak: float,
    depth_share: float,
    held_share: float,
    longest_s: float,
    turn: tuple[float, float, float],
) -> tuple[Ints, Floats, Floats, Floats, Floats, Bools]:
    """Count release-and-rebuild cycles of each row of ``value`` ``(W, N)`` in ``[start, stop)``.

    A release is a fall from a peak of at least ``least_peak`` by more than ``depth`` ``(W, N)`` and ``depth_share`` of
    the peak; a rebuild is a rise by ``depth`` and ``depth_share`` of where it arrives, at ``least_peak`` or above. A
    cycle is both, from peak to rebuild within ``longest_s``. It is the foot's and does not count if it takes ``foot_s``
    ``(E,)`` or longer and the demand ``held`` ``(N,)`` (NaN: nothing to say) falls meanwhile below ``held_share`` of
    its greatest since the valley before.

    Waits run between neighbouring falls and between neighbouring rises, each where it passes the middle between its
    peak and its valley, up to twice ``longest_s``; ``way_m`` ``(N,)`` is the way travelled, ``turn`` as in ``_turns``.

    Returns cycles, one over the mean wait, begin, end, spread of the waits, once a turn: ``modulation.Modulations``.
    """
    found = _none(value.shape[0], start.size)
    for w in range(value.shape[0]):
        for e in range(start.size):
            if start[e] < 0:
                continue
            limits = (least_peak, depth_share, held_share, longest_s, foot_s[e])
            one = _cycles_of_one(time_s, way_m, value[w], depth[w], usable, held, start[e], stop[e], limits)
            _note(found, w, e, one, turn)
    return found


@kernel
def _none(rows: int, events: int) -> tuple[Ints, Floats, Floats, Floats, Floats, Bools]:
    """What :func:`count_cycles` returns where no cycle is found."""
    hz, begin = np.full((rows, events), np.nan), np.full((rows, events), np.nan)
    end, spread = np.full((rows, events), np.nan), np.full((rows, events), np.nan)
    return np.zeros((rows, events), np.int64), hz, begin, end, spread, np.zeros((rows, events), np.bool_)


@kernel
def _note(
    found: tuple[Ints, Floats, Floats, Floats, Floats, Bools],
    w: int,
    e: int,
    one: tuple[int, float, float, Floats, Floats],
    turn: tuple[float, float, float],
) -> None:
    cycles, hz, begin, end, spread, turns = found
    cycles[w, e], begin[w, e], end[w, e], waits, ways = one
    mean, spread[w, e] = _mean_and_spread(waits)
    hz[w, e] = 1.0 / mean
    turns[w, e] = _turns(ways, spread[w, e], turn)


@kernel
def _reaches(value: Floats, usable: Bools, first: int, last: int, least: float) -> bool:
    """Whether a usable sample is at ``least`` or above: a release needs such a peak, and a cycle a release."""
    x, counts = value[first:last], usable[first:last]
    i = 0
    while i < x.size and not (x[i] >= least and counts[i]):
        i += 1
    return bool(i < x.size)


@kernel
def count_slip_cycles(
    time_s: Floats,
    way_m: Floats,
    slip: Floats,
    look: Bools,
    need_mps: Floats,
    least_depth: float,
    speed_mps: Floats,
    usable: Bools,
    held: Floats,
    foot_s: Floats,
    start: Ints,
    stop: Ints,
    least_peak: float,
    depth_share: float,
    held_share: float,
    longest_s: float,
    turn: tuple[float, float, float],
) -> tuple[Ints, Floats, Floats, Floats, Floats, Bools]:
    """:func:`count_cycles` of the rows and events marked in ``look`` ``(W, E)``; the others have no cycle.

    The depth of a sample is ``need_mps`` ``(W, E)`` over the vehicle's speed ``(N,)`` (0.1 m/s at least), no less than
    ``least_depth``. It is drawn up only for those that reach ``least_peak`` at all: most never do.
    """
    found = _none(slip.shape[0], start.size)
    depth = np.empty(time_s.size)
    for w in range(slip.shape[0]):
        for e in range(start.size):
            if start[e] < 0 or not look[w, e] or not _reaches(slip[w], usable, start[e], stop[e], least_peak):
                continue
            for i in range(start[e], stop[e]):
                asked = need_mps[w, e] / (0.1 if speed_mps[i] < 0.1 else speed_mps[i])
                depth[i] = asked if asked > least_depth else least_depth
            limits = (least_peak, depth_share, held_share, longest_s, foot_s[e])
            one = _cycles_of_one(time_s, way_m, slip[w], depth, usable, held, start[e], stop[e], limits)
            _note(found, w, e, one, turn)
    return found

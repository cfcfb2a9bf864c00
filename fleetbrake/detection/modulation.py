"""Modulation: release-and-rebuild cycles of a wheel's slip or brake pressure under held demand."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.missing import or_zero
from fleetbrake.detection.cycle_counting import count_cycles, count_slip_cycles
from fleetbrake.kinematics.kernel import kernel
from fleetbrake.kinematics.selection import smallest

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

ONE_WHEEL, ONE_AXLE, ONE_SIDE, SEVERAL_WHEELS, ALL_WHEELS = range(5)


@dataclass(frozen=True)
class Modulations:
    """Cycles of each wheel and event, all ``(W, E)``; times are absolute within the event, NaN without cycles.

    cycles : int64; hz : cycles a second as seen, not yet judged against the sampling rate; begin_s, end_s : span;
    spread : mean distance of the waits from their median, over it; once_a_turn : bool, the waits are alike in way
    travelled and not in time, and one turn of a wheel long.
    """

    cycles: Ints
    hz: Floats
    begin_s: Floats
    end_s: Floats
    spread: Floats
    once_a_turn: Bools


@kernel
def may_cycle(
    slip: Floats, time_s: Floats, offsets: Ints, start: Ints, stop: Ints, around_s: float, least: float
) -> Bools:
    """Rows and events ``(W, E)`` whose slip reaches ``least`` within ``around_s`` (or a row) of ``[start, stop)``.

    No mean over so long, and no mean of three neighbours, reaches it in the others (but for the rounding, which the
    limit leaves room for): they hold no cycle.
    """
    out = np.zeros((slip.shape[0], start.size), np.bool_)
    for e in range(start.size):
        if start[e] < 0 or stop[e] <= start[e]:
            continue
        first, last = start[e], stop[e]
        while first > offsets[e] and time_s[first - 1] >= time_s[start[e]] - around_s:
            first -= 1
        while last < offsets[e + 1] and time_s[last] <= time_s[stop[e] - 1] + around_s:
            last += 1
        first, last = max(first - 1, offsets[e]), min(last + 1, offsets[e + 1])
        for w in range(slip.shape[0]):
            reached = 0
            for x in slip[w, first:last]:
                reached += int(x >= least * (1.0 - 1e-9))
            out[w, e] = reached > 0
    return out


@kernel
def _swing_of_one(
    residual: Floats, free: Bools, time_s: Floats, first: int, last: int, window_s: float, ranges: Floats
) -> float:
    """:func:`free_swing` of one row and event; ``ranges`` is room for a value a sample."""
    x, rests, t = residual[first:last], free[first:last], time_s[first:last]
    found, is_open, opened, values, low, high = 0, False, 0.0, 0, np.inf, -np.inf
    for i in range(x.size):
        if not rests[i]:
            is_open = False
            continue
        if is_open and t[i] - opened >= window_s:
            if values >= 3:
                ranges[found] = high - low
                found += 1
            is_open = False
        if not is_open:
            is_open, opened, values, low, high = True, t[i], 0, np.inf, -np.inf
        if not np.isnan(x[i]):
            values += 1
            low, high = min(low, x[i]), max(high, x[i])
    return smallest(ranges, found, (3 * found - 1) // 4, np.nan) if found > 0 else np.nan


@kernel
def _swings(residual: Floats, free: Bools, time_s: Floats, offsets: Ints, window_s: Floats, look: Bools) -> Floats:
    out = np.full((residual.shape[0], offsets.size - 1), np.nan)
    ranges = np.empty(time_s.size)
    for w in range(residual.shape[0]):
        for e in range(offsets.size - 1):
            if look[w, e]:
                out[w, e] = _swing_of_one(residual[w], free, time_s, offsets[e], offsets[e + 1], window_s[e], ranges)
    return out


def free_swing(
    residual: Floats, free: Bools, time_s: Floats, offsets: Ints, window_s: Floats, look: Bools | None = None
) -> Floats:
    """How far each row swings from peak to valley where ``free`` ``(N,)`` marks it ``(W, E)``; NaN if never so long.

    Upper quartile (nearest rank) of the ranges of the windows of ``window_s`` ``(E,)`` that follow one another through
    the marked samples; a window with fewer than three values says nothing. Unlike the noise from second differences it
    also sees what swings slowly against the rate: a hopping wheel, a damaged tone ring. ``look`` ``(W, E)``: NaN
    elsewhere.
    """
    every = np.ones((residual.shape[0], offsets.size - 1), np.bool_) if look is None else look
    return _swings(residual, free, time_s, offsets, window_s, every)  # type: ignore[no-any-return]


@kernel
def _means_around(value: Floats, time_s: Floats, offsets: Ints, half_s: float, look: Bools) -> Floats:
    out = np.full(value.shape, np.nan)
    for w in range(value.shape[0]):
        for e in range(offsets.size - 1):
            first, last = offsets[e], offsets[e]
            for i in range(offsets[e], offsets[e + 1] if look[w, e] else offsets[e]):
                if np.isnan(value[w, i]):
                    continue
                while time_s[first] < time_s[i] - half_s:
                    first += 1
                while last < offsets[e + 1] and time_s[last] <= time_s[i] + half_s:
                    last += 1
                total, count = 0.0, 0
                for j in range(first, last):
                    if not np.isnan(value[w, j]):
                        total += value[w, j]
                        count += 1
                out[w, i] = total / count
    return out


def mean_around(value: Floats, time_s: Floats, offsets: Ints, half_s: float, look: Bools | None = None) -> Floats:
    """Mean of what is known within ``half_s`` before and after each sample, of its event; NaN where the sample is.

    A hop of one over ``2 half_s`` a second averages out, a cycle of a third of that keeps four fifths of its depth.
    ``look`` ``(W, E)``: NaN elsewhere.
    """
    every = np.ones((value.shape[0], offsets.size - 1), np.bool_) if look is None else look
    return _means_around(value, time_s, offsets, half_s, every)  # type: ignore[no-any-return]


@kernel
def deep_time(
    time_s: Floats,
    slip: Floats,
    speed_mps: Floats,
    use: Bools,
    need_mps: Floats,
    offsets: Ints,
    look: Bools,
    least: float,
    most: float,
) -> Floats:
    """Time ``(W, E)``, s, that the slip of marked samples (``use`` ``(N,)``) is deep, but under ``most``; 0 without
    ``look`` ``(W, E)``.

    Deep is beyond ``least`` and beyond ``need_mps`` ``(W, E)`` over the vehicle's speed.
    """
    out = np.zeros(look.shape)
    for w in range(look.shape[0]):
        for e in range(look.shape[1]):
            for i in range(offsets[e], offsets[e + 1] - 1 if look[w, e] else offsets[e]):
                x = slip[w, i]
                if use[i] and least < x < most and not (x <= need_mps[w, e] / speed_mps[i]):
                    out[w, e] += time_s[i + 1] - time_s[i]
    return out


def needed_swing(noise_mps: Floats, swing_mps: Floats | None, criteria: Criteria) -> Floats:
    """How far a wheel's speed must swing to stand out of its noise and of its unbraked swing ``(W, E)``, m/s.

    The noise is left out by who knows the swing at a rate that shows it: NaN in either says nothing.
    """
    need = criteria.cycle_noise_factor * or_zero(noise_mps)
    if swing_mps is None:
        return need
    return np.maximum(need, criteria.cycle_swing_factor * or_zero(swing_mps))


def by_slip(
    *,
    time_s: Floats,
    start: Ints,
    stop: Ints,
    slip: Floats,
    speed_mps: Floats,
    noise_mps: Floats,
    usable: Bools,
    held: Floats,
    criteria: Criteria,
    swing_mps: Floats | None = None,
    way_m: Floats | None = None,
    foot_s: Floats | None = None,
    look: Bools | None = None,
) -> Modulations:
    """Cycles of slip ``(W, N)``; ``noise_mps`` ``(W, E)``: noise of each wheel.

    The depth a cycle needs grows with the noise of the wheel speeds and with the swing ``swing_mps`` ``(W, E)`` that
    they show unbraked (NaN in either says nothing), so that slow wheels of a coarse sensor, or wheels on a rough road,
    do not cycle by themselves. ``foot_s`` ``(E,)``: see :func:`count_cycles`, 0 where not given. No cycles are looked
    for outside of ``look`` ``(W, E)``, see :func:`may_cycle`.
    """
    need = np.ascontiguousarray(needed_swing(noise_mps, swing_mps, criteria))
    found = count_slip_cycles(
        time_s,
        np.full(time_s.size, np.nan) if way_m is None else way_m,
        slip,
        np.ones(need.shape, np.bool_) if look is None else look,
        need,
        criteria.cycle_slip,
        speed_mps,
        usable & (speed_mps > criteria.modulation_least_speed_mps),
        held,
        np.zeros(start.size) if foot_s is None else foot_s,
        start,
        stop,
        criteria.cycle_peak_slip,
        criteria.cycle_depth_share,
        criteria.demand_held_share,
        criteria.cycle_longest_s,
        (criteria.turn_least_m, criteria.turn_most_m, criteria.turn_spread),
    )
    return Modulations(*found)


def by_pressure(
    *,
    time_s: Floats,
    start: Ints,
    stop: Ints,
    pressure_kpa: Floats,
    greatest_kpa: Floats,
    event_of: Ints,
    speed_mps: Floats,
    held: Floats,
    criteria: Criteria,
    usable: Bools | None = None,
    foot_s: Floats | None = None,
    look: Bools | None = None,
) -> Modulations:
    """Cycles of measured wheel pressure ``(W, N)`` relative to the wheel's greatest ``(W, E)`` in the event.

    A pressure follows the foot even where it only eases a little, so the demand must hold all the better. ``look``
    ``(W, E)``: no cycles elsewhere.
    """
    greatest_kpa = greatest_kpa if look is None else np.where(look, greatest_kpa, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = pressure_kpa / greatest_kpa[:, event_of]
    share = np.where(greatest_kpa[:, event_of] >= 5.0 * criteria.pressure_on_kpa, share, np.nan)
    quick = speed_mps > criteria.modulation_least_speed_mps
    found = count_cycles(
        time_s,
        np.full(time_s.size, np.nan),
        share,
        np.full(share.shape, criteria.cycle_pressure_least),
        quick if usable is None else quick & usable,
        held,
        np.zeros(start.size) if foot_s is None else foot_s,
        start,
        stop,
        2.0 * criteria.cycle_pressure_least,
        criteria.cycle_pressure_share,
        1.0 - 0.5 * criteria.cycle_pressure_share,
        criteria.cycle_longest_s,
        (criteria.turn_least_m, criteria.turn_most_m, criteria.turn_spread),
    )
    return Modulations(*found)


def taking_part(took: Bools, looked_at: Bools, axle: Ints, left: Bools) -> npt.NDArray[np.int8]:
    """Which wheels took part in each event, position in ``core.vocabulary.MODULATION_PATTERNS`` ``(E,)``; -1 for none.

    ``took`` and ``looked_at`` are ``(W, E)``; ``axle`` and ``left`` ``(W,)`` say where a wheel is. All wheels are all
    that were looked at, on more than one axle and both sides.
    """
    count = took.sum(axis=0)
    if not took.size:
        return np.full(took.shape[1], -1, np.int8)
    foremost = np.where(took, axle[:, None], np.iinfo(np.int64).max).min(axis=0)
    hindmost = np.where(took, axle[:, None], -1).max(axis=0)
    lefts = (took & left[:, None]).sum(axis=0)
    whole = ~(looked_at & ~took).any(axis=0)
    word = np.where(whole, ALL_WHEELS, SEVERAL_WHEELS)
    word = np.where((lefts == 0) | (lefts == count), ONE_SIDE, word)
    word = np.where(foremost == hindmost, ONE_AXLE, word)
    word = np.where(count == 1, ONE_WHEEL, word)
    return np.where(count == 0, -1, word).astype(np.int8)

"""Modulation: release-and-rebuild cycles of a wheel's slip or brake pressure under held demand."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.detection.cycle_counting import count_cycles
from fleetbrake.kinematics.kernel import kernel

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
def free_swing(residual: Floats, free: Bools, time_s: Floats, offsets: Ints, window_s: Floats) -> Floats:
    """How far each row swings from peak to valley where ``free`` ``(N,)`` marks it ``(W, E)``; NaN if never so long.

    Upper quartile (nearest rank) of the ranges of the windows of ``window_s`` ``(E,)`` that follow one another through
    the marked samples; a window with fewer than three values says nothing. Unlike the noise from second differences it
    also sees what swings slowly against the rate: a hopping wheel, a damaged tone ring.
    """
    out = np.full((residual.shape[0], offsets.size - 1), np.nan)
    for w in range(residual.shape[0]):
        for e in range(offsets.size - 1):
            ranges = np.empty(offsets[e + 1] - offsets[e])
            found, opened, values, low, high = 0, -1, 0, np.inf, -np.inf
            for i in range(offsets[e], offsets[e + 1]):
                if not free[i]:
                    opened = -1
                    continue
                if opened >= 0 and time_s[i] - time_s[opened] >= window_s[e]:
                    if values >= 3:
                        ranges[found] = high - low
                        found += 1
                    opened = -1
                if opened < 0:
                    opened, values, low, high = i, 0, np.inf, -np.inf
                if not np.isnan(residual[w, i]):
                    values += 1
                    low, high = min(low, residual[w, i]), max(high, residual[w, i])
            if found > 0:
                out[w, e] = np.sort(ranges[:found])[(3 * found - 1) // 4]
    return out


@kernel
def mean_around(value: Floats, time_s: Floats, offsets: Ints, half_s: float) -> Floats:
    """Mean of what is known within ``half_s`` before and after each sample, of its event; NaN where the sample is.

    A hop of one over ``2 half_s`` a second averages out, a cycle of a third of that keeps four fifths of its depth.
    """
    out = np.full(value.shape, np.nan)
    for w in range(value.shape[0]):
        for e in range(offsets.size - 1):
            first, last = offsets[e], offsets[e]
            for i in range(offsets[e], offsets[e + 1]):
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


def needed_swing(noise_mps: Floats, swing_mps: Floats | None, criteria: Criteria) -> Floats:
    """How far a wheel's speed must swing to stand out of its noise and of its unbraked swing ``(W, E)``, m/s.

    The noise is left out by who knows the swing at a rate that shows it: NaN in either says nothing.
    """
    need = criteria.cycle_noise_factor * np.nan_to_num(noise_mps)
    if swing_mps is None:
        return need
    return np.maximum(need, criteria.cycle_swing_factor * np.nan_to_num(swing_mps))


def by_slip(
    *,
    time_s: Floats,
    start: Ints,
    stop: Ints,
    slip: Floats,
    speed_mps: Floats,
    noise_mps: Floats,
    event_of: Ints,
    usable: Bools,
    held: Floats,
    criteria: Criteria,
    swing_mps: Floats | None = None,
    way_m: Floats | None = None,
    foot_s: Floats | None = None,
) -> Modulations:
    """Cycles of slip ``(W, N)``; ``noise_mps`` ``(W, E)``: noise of each wheel, ``event_of`` ``(N,)``: sample -> event.

    The depth a cycle needs grows with the noise of the wheel speeds and with the swing ``swing_mps`` ``(W, E)`` that
    they show unbraked (NaN in either says nothing), so that slow wheels of a coarse sensor, or wheels on a rough road,
    do not cycle by themselves. ``foot_s`` ``(E,)``: see :func:`count_cycles`, 0 where not given.
    """
    need = needed_swing(noise_mps, swing_mps, criteria)
    with np.errstate(divide="ignore", invalid="ignore"):
        depth = np.fmax(criteria.cycle_slip, need[:, event_of] / np.maximum(speed_mps, 0.1))
    found = count_cycles(
        time_s,
        np.full(time_s.size, np.nan) if way_m is None else way_m,
        slip,
        np.ascontiguousarray(np.broadcast_to(depth, slip.shape)),
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
) -> Modulations:
    """Cycles of measured wheel pressure ``(W, N)`` relative to the wheel's greatest ``(W, E)`` in the event.

    A pressure follows the foot even where it only eases a little, so the demand must hold all the better.
    """
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

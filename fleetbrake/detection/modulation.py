"""Modulation: release-and-rebuild cycles of a wheel's slip or brake pressure under held demand."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Modulations:
    """Cycles of each wheel and event, all ``(W, E)``; times are absolute within the event, NaN without cycles.

    cycles : int64; hz : cycles a second as seen, not yet judged against the sampling rate; begin_s, end_s : span.
    """

    cycles: Ints
    hz: Floats
    begin_s: Floats
    end_s: Floats


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
    value: Floats, depth: Floats, usable: Bools, first: int, last: int, peak: int, least_peak: float, depth_share: float
) -> tuple[int, int]:
    """Next rebuild after a release at ``first``: position of the valley and where the rise counts; -1 twice if none."""
    valley = first
    for i in range(first, last):
        if np.isnan(value[i]) or not usable[i]:
            continue
        if value[i] < value[valley]:
            valley = i
        need = max(depth[i], depth_share * value[peak])
        if value[i] >= least_peak and value[i] > value[valley] + need:
            return valley, i
    return -1, -1


@kernel
def _let_go(held: Floats, first: int, peak: int, last: int, share: float) -> bool:
    """Whether the demand fell below ``share`` of its greatest so far between the peak and ``last``."""
    greatest = 0.0
    for i in range(first, last):
        if held[i] > greatest:  # False for NaN: nothing to say
            greatest = held[i]
        if i > peak and held[i] < share * greatest:
            return True
    return False


@kernel
def _typical_rate(waits: Floats) -> float:
    """One over the mean of the waits within half of their median; NaN without waits.

    The mean, since single waits come in whole samples: a median of 3 or 4 samples would be wrong by a sixth.
    """
    if waits.size == 0:
        return np.nan
    middle = np.median(waits)
    total, count = 0.0, 0
    for wait in waits:
        if abs(wait - middle) <= 0.5 * middle:
            total += wait
            count += 1
    return count / total if count > 0 else 1.0 / middle


@kernel
def _cycles_of_one(
    time_s: Floats,
    value: Floats,
    depth: Floats,
    usable: Bools,
    held: Floats,
    first: int,
    last: int,
    least_peak: float,
    depth_share: float,
    held_share: float,
    longest_s: float,
) -> tuple[int, float, float, float]:
    """Cycles, frequency, begin and end for one wheel of one event."""
    waits = np.empty(max(last - first, 1))
    found, count = 0, 0
    begin, end = np.nan, np.nan
    last_peak, last_valley = -1, -1
    i = first
    while True:
        peak, falling = _release(value, depth, usable, i, last, least_peak, depth_share)
        if peak < 0:
            break
        # the peak that ends a cycle gives the period even if nothing is rebuilt after it
        if last_peak >= 0 and time_s[peak] - time_s[last_peak] <= longest_s:
            waits[found] = time_s[peak] - time_s[last_peak]
            found += 1
        valley, risen = _rebuild(value, depth, usable, falling, last, peak, least_peak, depth_share)
        if valley < 0:
            break
        i = risen
        if time_s[risen] - time_s[peak] > longest_s or _let_go(held, first, peak, risen + 1, held_share):
            last_peak, last_valley = -1, -1
            continue
        if last_valley >= 0 and time_s[valley] - time_s[last_valley] <= longest_s:
            waits[found] = time_s[valley] - time_s[last_valley]
            found += 1
        if count == 0:
            begin = time_s[peak]
        end = time_s[risen]
        count += 1
        last_peak, last_valley = peak, valley
    return count, _typical_rate(waits[:found]), begin, end


@kernel
def count_cycles(
    time_s: Floats,
    value: Floats,
    depth: Floats,
    usable: Bools,
    held: Floats,
    start: Ints,
    stop: Ints,
    least_peak: float,
    depth_share: float,
    held_share: float,
    longest_s: float,
) -> tuple[Ints, Floats, Floats, Floats]:
    """Count release-and-rebuild cycles of each row of ``value`` ``(W, N)`` in ``[start, stop)``.

    A release is a fall from a peak of at least ``least_peak`` by more than ``depth`` ``(W, N)`` and ``depth_share`` of
    the peak; a rebuild is a rise by as much, back to ``least_peak``. A cycle is both, from peak to rebuild within
    ``longest_s``, while the demand ``held`` ``(N,)`` (NaN: nothing to say) stays above ``held_share`` of its greatest
    so far. The frequency is one over the mean time between neighbouring peaks and between neighbouring valleys, those
    left out that are off their median by more than half.
    """
    rows, events = value.shape[0], start.size
    cycles = np.zeros((rows, events), np.int64)
    hz = np.full((rows, events), np.nan)
    begin = np.full((rows, events), np.nan)
    end = np.full((rows, events), np.nan)
    for w in range(rows):
        for e in range(events):
            if start[e] >= 0:
                cycles[w, e], hz[w, e], begin[w, e], end[w, e] = _cycles_of_one(
                    time_s, value[w], depth[w], usable, held, start[e], stop[e],
                    least_peak, depth_share, held_share, longest_s,
                )  # fmt: skip
    return cycles, hz, begin, end


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
) -> Modulations:
    """Cycles of slip ``(W, N)``; ``noise_mps`` ``(W, E)``: noise of each wheel, ``event_of`` ``(N,)``: sample -> event.

    The depth a cycle needs grows with the noise that the wheel speeds show at the vehicle's speed, so that slow
    wheels of a coarse sensor do not cycle by themselves.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        noise = criteria.cycle_noise_factor * np.nan_to_num(noise_mps)[:, event_of] / np.maximum(speed_mps, 0.1)
    depth = np.broadcast_to(np.fmax(criteria.cycle_slip, noise), slip.shape)
    quick = usable & (speed_mps > criteria.modulation_least_speed_mps)
    found = count_cycles(
        time_s,
        slip,
        np.ascontiguousarray(depth),
        quick,
        held,
        start,
        stop,
        criteria.cycle_peak_slip,
        criteria.cycle_depth_share,
        criteria.demand_held_share,
        criteria.cycle_longest_s,
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
) -> Modulations:
    """Cycles of measured wheel pressure ``(W, N)`` relative to the wheel's greatest ``(W, E)`` in the event."""
    with np.errstate(divide="ignore", invalid="ignore"):
        share = pressure_kpa / greatest_kpa[:, event_of]
    share = np.where(greatest_kpa[:, event_of] >= 5.0 * criteria.pressure_on_kpa, share, np.nan)
    depth = np.full(share.shape, criteria.cycle_pressure_share)
    quick = speed_mps > criteria.modulation_least_speed_mps
    found = count_cycles(
        time_s,
        share,
        depth,
        quick,
        held,
        start,
        stop,
        2.0 * criteria.cycle_pressure_share,
        0.0,
        criteria.demand_held_share,
        criteria.cycle_longest_s,
    )
    return Modulations(*found)

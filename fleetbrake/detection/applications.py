"""Brake applications: where the demand begins and ends, in a cut recording and in a whole drive."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.missing import or_zero
from fleetbrake.kinematics.kernel import kernel
from fleetbrake.kinematics.rates import row_rate

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

PEDAL, PRESSURE, SWITCH, DECELERATION = range(4)


@dataclass(frozen=True)
class Demand:
    """The brake demand of each event.

    Attributes
    ----------
    kind : int8 ``(E,)``, position in ``core.vocabulary.DEMAND_KINDS``; -1 where nothing can tell.
    level : float64 ``(N,)``, pedal in %, pressure in kPa above its rest, switch 0 or 1, deceleration in m/s2.
    on : bool ``(N,)``, demand present.
    """

    kind: npt.NDArray[np.int8]
    level: Floats
    on: Bools


@kernel
def _lowest_highest(values: Floats, offsets: Ints) -> tuple[Floats, Floats]:
    lowest = np.full(offsets.size - 1, np.nan)
    highest = np.full(offsets.size - 1, np.nan)
    for e in range(offsets.size - 1):
        for i in range(offsets[e], offsets[e + 1]):
            x = values[i]
            if not np.isnan(x):
                if not (x >= lowest[e]):
                    lowest[e] = x
                if not (x <= highest[e]):
                    highest[e] = x
    return lowest, highest


@kernel
def _decel_on(time_s: Floats, decel: Floats, offsets: Ints, high: float, low: float, hold_s: float) -> Bools:
    """Runs above ``low`` that stay above ``high`` for ``hold_s`` somewhere (hysteresis looking both ways)."""
    on = np.zeros(decel.size, np.bool_)
    for e in range(offsets.size - 1):
        i = offsets[e]
        last = offsets[e + 1]
        while i < last:
            if not (decel[i] >= low):
                i += 1
                continue
            begin = i
            held = 0.0
            proven = False
            while i < last and decel[i] >= low:
                if decel[i] >= high and i + 1 < last:
                    held += time_s[i + 1] - time_s[i]
                    proven = proven or held >= hold_s - 1e-9
                elif decel[i] < high:
                    held = 0.0
                i += 1
            if proven:
                on[begin:i] = True
    return on


def above_rest(pressure_kpa: Floats, offsets: Ints, criteria: Criteria) -> tuple[Floats, Floats]:
    """Pressure above its rest ``(N,)`` and the least of it that is a demand ``(E,)``, both in kPa."""
    lowest, highest = _lowest_highest(pressure_kpa, offsets)
    # a sensor's zero may be off by a little, never by a brake application
    rest = np.clip(or_zero(lowest), 0.0, 2.0 * criteria.pressure_on_kpa)
    above = pressure_kpa - np.repeat(rest, np.diff(offsets))
    least = np.maximum(criteria.pressure_on_kpa, criteria.pressure_on_share * or_zero(highest - rest))
    return above, least


def demand(
    *,
    time_s: Floats,
    offsets: Ints,
    pedal_pct: Floats | None,
    pressure_kpa: Floats | None,
    switch: Floats | None,
    decel_mps2: Floats,
    asked_by_system: Bools,
    cut: bool,
    criteria: Criteria,
) -> Demand:
    """The best demand signal of each event: pedal, line or wheel pressure, stop-lamp switch, else the deceleration.

    A channel that never moves in an event leaves the word to the next one; the deceleration speaks only where no demand
    channel was recorded, or where a system other than the driver asked (``asked_by_system`` ``(E,)``), so that a
    retarder or recuperation is not taken for the brake. In a whole drive (``cut`` False) the deceleration must exceed
    what an engine can do.
    """
    events = offsets.size - 1
    lengths = np.diff(offsets)
    kind = np.full(events, -1, np.int8)
    level = np.full(time_s.size, np.nan)
    on = np.zeros(time_s.size, np.bool_)
    any_channel = np.zeros(events, np.bool_)

    def offer(code: int, values: Floats, is_on: Bools) -> None:
        moved = np.logical_or.reduceat(is_on, offsets[:-1]) if events else np.zeros(0, np.bool_)
        taken = moved & (kind < 0)
        kind[taken] = code
        mask = np.repeat(taken, lengths)
        level[mask] = values[mask]
        on[mask] = is_on[mask]

    def note_recorded(values: Floats) -> None:
        if events:
            any_channel[:] |= np.logical_or.reduceat(~np.isnan(values), offsets[:-1])

    if pedal_pct is not None:
        note_recorded(pedal_pct)
        offer(PEDAL, pedal_pct, pedal_pct >= criteria.pedal_on_pct)
    if pressure_kpa is not None:
        note_recorded(pressure_kpa)
        above, least = above_rest(pressure_kpa, offsets, criteria)
        offer(PRESSURE, above, above >= np.repeat(least, lengths))
    if switch is not None:
        note_recorded(switch)
        offer(SWITCH, switch, switch >= 0.5)
    silent = np.repeat(~any_channel | asked_by_system, lengths)
    high = criteria.decel_on_cut_mps2 if cut else criteria.decel_on_mps2
    braking = _decel_on(time_s, decel_mps2, offsets, high, criteria.decel_onset_mps2, criteria.decel_hold_s)
    offer(DECELERATION, decel_mps2, braking & silent)
    return Demand(kind, level, on)


@kernel
def reach_back(time_s: Floats, on: Bools, decel: Floats, offsets: Ints, period_s: Floats, least_mps2: float) -> Bools:
    """Demand ``(N,)`` that a slow channel shows late, taken back to where the vehicle began to slow.

    At each beginning of ``on``, back for no more than ``period_s`` ``(E,)`` while the deceleration is ``least_mps2`` or
    more: between two readings of a slow channel the demand may have begun at any time.
    """
    out = on.copy()
    for e in range(offsets.size - 1):
        if not period_s[e] > 0.0:
            continue
        for i in range(offsets[e] + 1, offsets[e + 1]):
            if on[i] and not on[i - 1]:
                j = i - 1
                while j >= offsets[e] and not on[j] and time_s[i] - time_s[j] <= period_s[e] and decel[j] >= least_mps2:
                    out[j] = True
                    j -= 1
    return out


@kernel
def onset_lead(time_s: Floats, level: Floats, start: Ints, offsets: Ints, coarse_s: float) -> Floats:
    """How long before its first reading the demand began ``(E,)``, s: its first rise, traced back to the rest.

    One that rises too slowly for the step before began half-way into it; so did, between rows ``coarse_s`` or more
    apart, a demand that is at its height with its first reading. 0 without an onset.
    """
    out = np.zeros(start.size)
    for e in range(start.size):
        i = start[e]
        if i <= offsets[e] or i + 1 >= offsets[e + 1]:
            continue
        rest = level[i - 1] if level[i - 1] > 0.0 else 0.0
        first, then = level[i] - rest, level[i + 1] - rest
        step = time_s[i] - time_s[i - 1]
        if first > 0.0 and not then > 1.02 * first and step >= coarse_s:
            out[e] = 0.5 * step
        elif first > 0.0 and then > 1.02 * first:
            lead = first * (time_s[i + 1] - time_s[i]) / (then - first)
            out[e] = lead if lead <= step else 0.5 * step
    return out


@kernel
def _stretch(time_s: Floats, on: Bools, speed: Floats, offsets: Ints, standstill: float) -> tuple[Ints, Ints, Ints]:
    """First and last of the demand of each cut event, up to standstill; and where the demand was let go."""
    events = offsets.size - 1
    start = np.full(events, -1, np.int64)
    stop = np.full(events, -1, np.int64)
    release = np.full(events, -1, np.int64)
    for e in range(events):
        first, last = offsets[e], offsets[e + 1]
        for i in range(first, last):
            if start[e] < 0:
                # a pedal held at standstill counts from the moment the vehicle moves under it, if ever
                if on[i] and not (speed[i] <= standstill):
                    start[e] = i
                continue
            if speed[i] <= standstill:
                if release[e] < 0:
                    stop[e] = i + 1
                break
            if on[i]:
                release[e] = -1
            elif release[e] < 0:
                release[e] = i
        if start[e] >= 0 and stop[e] < 0:
            stop[e] = release[e] + 1 if release[e] >= 0 else last
    return start, stop, release


@kernel
def phase_marks(
    time_s: Floats, offsets: Ints, start: Ints, stop: Ints, release: Ints, clear_s: float, look_s: float
) -> tuple[Bools, Bools, Bools, Bools, Ints]:
    """Samples ``(N,)`` before the demand, of the braking, of what outlives it, and after it; how many outlive ``(E,)``.

    Before is more than ``clear_s`` ahead of ``start``; what outlives the phase lies less than ``look_s`` after
    ``release``, what comes after it more.
    """
    before, braking = np.zeros(time_s.size, np.bool_), np.zeros(time_s.size, np.bool_)
    outlived, after = np.zeros(time_s.size, np.bool_), np.zeros(time_s.size, np.bool_)
    counted = np.zeros(start.size, np.int64)
    for e in range(start.size):
        if start[e] < 0:
            continue
        onset = time_s[start[e]] - clear_s
        for i in range(offsets[e], start[e]):
            before[i] = time_s[i] < onset
        braking[start[e] : stop[e]] = True
        if release[e] < 0:
            continue
        for i in range(min(release[e] + 1, stop[e]), offsets[e + 1]):
            since = time_s[i] - time_s[release[e]]
            after[i] = i > release[e] and since >= look_s
            outlived[i] = i >= stop[e] and since < look_s
            counted[e] += int(outlived[i])
    return before, braking, outlived, after, counted


def stretch(
    *, time_s: Floats, offsets: Ints, wanted: Demand, speed_mps: Floats, criteria: Criteria
) -> tuple[Ints, Ints, Ints]:
    """Braking phase of each cut event as sample positions ``[start, stop)``, and its release sample; -1 for none.

    From the first movement of demand of a moving vehicle to the last release or to standstill, whichever comes first.
    The sample at which the demand is gone, or the vehicle stands, belongs to the phase.
    """
    return _stretch(time_s, wanted.on, speed_mps, offsets, criteria.standstill_mps)  # type: ignore[no-any-return]


@kernel
def _runs(
    time_s: Floats, on: Bools, speed: Floats, offsets: Ints, standstill: float, merge_s: float, gap_s: Floats
) -> tuple[Ints, Ints, Ints]:
    """Demand runs of whole drives: parent, first sample, one past the last.

    Short pauses are merged; a run is cut at standstill and where rows are missing for longer than ``gap_s`` ``(E,)``.
    """
    parents = np.empty(on.size, np.int64)  # at most one run a sample (drives of one sample each)
    starts = np.empty(on.size, np.int64)
    stops = np.empty(on.size, np.int64)
    found = 0
    for e in range(offsets.size - 1):
        i = offsets[e]
        last = offsets[e + 1]
        while i < last:
            if not on[i] or speed[i] <= standstill:
                i += 1
                continue
            begin = i
            seen = i
            standing = False
            while i < last and (on[i] or time_s[i] - time_s[seen] <= merge_s):
                if i > begin and time_s[i] - time_s[i - 1] > gap_s[e]:
                    break
                if speed[i] <= standstill:
                    standing = True
                    break
                if on[i]:
                    seen = i
                i += 1
            parents[found] = e
            starts[found] = begin
            stops[found] = min(i if standing else seen + 1, last - 1) + 1
            found += 1
            while standing and i < last and on[i]:  # the pedal stays down at rest: same application
                i += 1
    return parents[:found], starts[:found], stops[:found]


@dataclass(frozen=True)
class Cuts:
    """Brake applications found in drives: ``parent`` drive, ``onset`` sample, and what to keep: ``[start, stop)``."""

    parent: Ints
    onset: Ints
    start: Ints
    stop: Ints


def cut_drives(*, time_s: Floats, offsets: Ints, wanted: Demand, speed_mps: Floats, criteria: Criteria) -> Cuts:
    """Cut the brake applications out of whole drives, each with its lead-in and run-out.

    An application counts if it lasts ``least_braking_s`` and begins above ``moving_mps``. What is kept reaches
    ``cut_before_s`` back and ``cut_after_s`` on, but never into a neighbour's braking.
    """
    gap = np.fmax(criteria.merge_gap_s, 2.5 / row_rate(time_s, offsets))
    parent, first, last = _runs(
        time_s, wanted.on, speed_mps, offsets, criteria.standstill_mps, criteria.merge_gap_s, gap
    )
    lasted = time_s[np.maximum(last - 1, first)] - time_s[first]
    real = (lasted >= criteria.least_braking_s) & (speed_mps[first] > criteria.moving_mps)
    parent, first, last = parent[real], first[real], last[real]
    # drives stand end to end with times that restart: one shifted axis makes a single search possible
    span = float(time_s.max()) + 10.0 if time_s.size else 1.0
    shift = np.repeat(np.arange(offsets.size - 1) * span, np.diff(offsets))
    axis = time_s + shift
    start = np.searchsorted(axis, axis[first] - criteria.cut_before_s)
    stop = np.searchsorted(axis, axis[last - 1] + criteria.cut_after_s, side="right")
    start = np.maximum(start, offsets[parent])
    stop = np.minimum(stop, offsets[parent + 1])
    if parent.size:
        same = parent[1:] == parent[:-1]
        start[1:] = np.where(same, np.maximum(start[1:], last[:-1]), start[1:])
        stop[:-1] = np.where(same, np.minimum(stop[:-1], first[1:]), stop[:-1])
    return Cuts(parent, first, start.astype(np.int64), stop.astype(np.int64))

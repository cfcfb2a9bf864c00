"""Lockup of each wheel: a wheel under 5 % of the vehicle's speed while that is above walking pace."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.detection.lock_edges import bounds, value_at
from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: States of a wheel's sample. ``NEAR`` follows a lock: above its threshold, not yet back to rolling.
ROLLING, LOCKED, UNKNOWN, NEAR = 0, 1, 2, 3


@dataclass(frozen=True)
class LockSpans:
    """The lockups that count, one row each: wheel and event number, sample positions ``[start, stop)``.

    ``begin_s`` and ``end_s`` are the times between rows, from the event's first sample.
    """

    wheel: Ints
    event: Ints
    start: Ints
    stop: Ints
    begin_s: Floats
    end_s: Floats


@dataclass(frozen=True)
class Lockups:
    """What is known of each wheel and event, all ``(W, E)``.

    verdict : int8, 1 locked, 0 not locked, -1 could not be decided.
    total_s, longest_s, onset_s, onset_speed_mps, slide_m, held_speed_mps : NaN without a lockup. ``onset_s`` counts
    from the event's first sample; ``held_speed_mps`` is the greatest vehicle speed at which a wheel had been locked
    for the shortest duration that counts. Total, longest and slide are NaN too where a lockup comes out of samples
    that say nothing or missing rows, or runs into them: it is certain, its length is not.
    open_speed_mps : the greatest vehicle speed at which a lockup could not be decided, infinite where the rate decides
    nothing, NaN where all was decided.
    spans : the single lockups.
    """

    verdict: npt.NDArray[np.int8]
    total_s: Floats
    longest_s: Floats
    onset_s: Floats
    onset_speed_mps: Floats
    slide_m: Floats
    held_speed_mps: Floats
    open_speed_mps: Floats
    spans: LockSpans


@kernel
def lock_state(
    wheel: Floats,
    ceiling: Bools,
    speed: Floats,
    supported: Bools,
    offsets: Ints,
    moving: float,
    lock: float,
    unlock: float,
    floor: Floats,
) -> npt.NDArray[np.int8]:
    """State of each wheel's sample ``(W, N)``: rolling, locked, near to it, or unknown.

    ``ceiling`` ``(W, N)`` marks readings that are only an upper bound of the wheel's speed. A reading at or under
    ``floor`` ``(W, E)`` proves a wheel speed of at most the floor, no less; after a lock it proves that the wheel has
    not come back, so the lock goes on. Within an event, samples after a lock stay ``NEAR`` while the ratio lies
    between ``lock`` and ``unlock``. Standstill is rolling: nothing can lock there.
    """
    out = np.empty(wheel.shape, np.int8)
    for w in range(wheel.shape[0]):
        for e in range(offsets.size - 1):
            before = ROLLING
            least = floor[w, e]
            first, last = offsets[e], offsets[e + 1]
            to, speeds, readings = out[w, first:last], speed[first:last], wheel[w, first:last]
            known, top = supported[first:last], ceiling[w, first:last]
            for i in range(to.size):
                v, x, state = speeds[i], readings[i], ROLLING
                if np.isnan(v) or not known[i]:
                    state = UNKNOWN
                elif v > moving:
                    if np.isnan(x):
                        state = UNKNOWN
                    else:
                        bound = max(x, least) / v
                        if bound < lock or (x <= least and before == LOCKED):
                            state = LOCKED
                        elif x <= least or top[i]:
                            state = UNKNOWN
                        elif bound < unlock and before in (LOCKED, NEAR):
                            state = NEAR
                to[i] = state
                before = state
    return out


@kernel
def _next_lock(
    time_s: Floats, state: npt.NDArray[np.int8], first: int, last: int, merge_s: float, gap_s: float
) -> tuple[int, int]:
    """Next locked run from ``first``: its begin and one past its end; both ``last`` where there is none."""
    i = first
    while i < last and state[i] != LOCKED:
        i += 1
    begin, end, seen = i, i, i
    # two runs with less than merge_s between them are one, and so are runs that a wheel near its lock connects;
    # neighbouring samples belong together unless rows are missing between them
    while i < last:
        since = time_s[i] - time_s[seen]
        close = state[i] in (LOCKED, NEAR)
        if since > merge_s + 1e-9 and not (close and i == seen + 1 and since <= gap_s + 1e-9):
            break
        if close:
            seen = i
        if state[i] == LOCKED:
            end = i + 1
        i += 1
    return begin, end


@kernel
def _counts(time_s: Floats, before: int, begin: int, until: int, rate_hz: float, least_s: float) -> int:
    """Whether a locked run counts (1), does not (0), or may have been longer between slow samples (-1).

    A single value of a slow channel is held for a period without proving more than an instant: it takes two.
    """
    needed = max(least_s, 1.5 / rate_hz) if rate_hz > 0.0 else least_s
    if time_s[until] - time_s[begin] >= needed - 1e-9 and until - begin >= 2:
        return 1
    slow = not (rate_hz >= 2.0 / least_s)
    return -1 if slow and time_s[until] - time_s[before] >= least_s else 0


@kernel
def _went(time_s: Floats, wheel: Floats, before: int, begin: int, rate_hz: float, fall_most: float) -> bool:
    """Whether the signal went, not the wheel: no brake stops a wheel so fast. A held value falls in one row."""
    step = time_s[begin] - time_s[before]
    if step > 0.0 and rate_hz > 0.0:
        step = max(step, 1.0 / rate_hz)
    return step > 0.0 and wheel[before] - wheel[begin] > fall_most * step


@kernel
def _add_lock(
    facts: Floats,
    time_s: Floats,
    speed: Floats,
    distance: Floats,
    first: int,
    until: int,
    began: float,
    ended: float,
    least_s: float,
) -> None:
    """Add one lockup to a wheel's facts: total, longest, onset, onset speed, slide, held speed."""
    lasted = ended - began
    if np.isnan(facts[2]):
        facts[0], facts[1], facts[4] = 0.0, 0.0, 0.0
        facts[2] = began
        facts[3] = value_at(time_s, speed, began, until, first)
    facts[0] += lasted
    facts[1] = max(facts[1], lasted)
    facts[4] += value_at(time_s, distance, ended, until, first) - value_at(time_s, distance, began, until, first)
    held = value_at(time_s, speed, min(began + least_s, ended), until, first)
    if not (held <= facts[5]):
        facts[5] = held


@kernel
def _open(
    facts: Floats,
    time_s: Floats,
    state: npt.NDArray[np.int8],
    speed: Floats,
    start: int,
    first: int,
    last: int,
    stop: int,
    gap_s: float,
    least_s: float,
) -> None:
    """Note the speed at which pieces of ``[first, last)`` begin that could hide a lockup; infinite if not known."""
    i = first
    while i < last:
        begin = i
        while i < last and state[i] == UNKNOWN:
            i += 1
        if i == begin:
            i += 1
        elif time_s[min(i, stop - 1)] - time_s[begin] >= least_s - 1e-9:
            facts[6] = np.fmax(facts[6], speed[begin] if speed[begin] >= 0.0 else np.inf)
    for i in range(max(first - 1, start), min(last, stop - 1)):
        if time_s[i + 1] - time_s[i] > gap_s + 1e-9:  # what missing rows hide is unknown
            facts[6] = np.fmax(facts[6], speed[i] if speed[i] >= 0.0 else np.inf)


@kernel
def _one_wheel(
    facts: Floats,
    spans: Floats,
    found: int,
    time_s: Floats,
    speed: Floats,
    distance: Floats,
    state: npt.NDArray[np.int8],
    wheel: Floats,
    earliest: int,
    start: int,
    stop: int,
    rate_hz: float,
    least_s: float,
    merge_s: float,
    gap_s: float,
    fall_most: float,
    moving: float,
    lock: float,
) -> tuple[int, bool]:
    """Walk along one wheel of one event: add its lockups, tell how many are ``found`` then and if a length is open.

    ``facts[6]`` becomes the greatest speed at which a piece that could hide a lockup began. From row ``found`` on
    ``spans`` gets first and last sample, begin and end.
    """
    unended = False
    longest = max(gap_s, 2.5 / rate_hz) if rate_hz > 0.0 else gap_s
    i = start
    while i < stop:
        begin, end = _next_lock(time_s, state, i, stop, merge_s, longest)
        _open(facts, time_s, state, speed, start, i, begin, stop, longest, least_s)
        i = end
        if begin == end:
            break
        until = min(end, stop - 1)
        if time_s[until] - time_s[end - 1] > longest + 1e-9:
            until = end - 1  # rows are missing: what happened there is not known
        before = max(begin - 1, earliest)
        if _went(time_s, wheel, before, begin, rate_hz, fall_most):
            if time_s[until] - time_s[begin] >= least_s - 1e-9:
                facts[6] = np.fmax(facts[6], speed[begin])
            continue
        counts = _counts(time_s, before, begin, until, rate_hz, least_s)
        if counts == 1:
            began, ended = bounds(time_s, wheel, speed, start, begin, end, until, stop, rate_hz, longest, moving, lock)
            _add_lock(facts, time_s, speed, distance, start, until, began, ended, least_s)
            unended = unended or (end < stop and (state[end] == UNKNOWN or until < end))
            hidden = begin > start and time_s[begin] - time_s[begin - 1] > longest + 1e-9
            unended = unended or hidden or (begin > start and state[begin - 1] == UNKNOWN)
            spans[found, 2], spans[found, 3], spans[found, 4], spans[found, 5] = begin, until, began, ended
            found += 1
        elif counts == -1:
            facts[6] = np.fmax(facts[6], speed[begin])
    return found, unended


@kernel
def _most(state: npt.NDArray[np.int8]) -> int:
    """So many lockups there are at most: each takes two locked samples of ``(W, N)``."""
    locked = 0
    for w in range(state.shape[0]):
        row = state[w]
        for i in range(row.size):
            locked += int(row[i] == LOCKED)
    return locked // 2


@kernel
def _lockups(
    time_s: Floats,
    speed: Floats,
    distance: Floats,
    state: npt.NDArray[np.int8],
    wheel: Floats,
    offsets: Ints,
    start: Ints,
    stop: Ints,
    rate_hz: Floats,
    least_s: float,
    merge_s: float,
    gap_s: float,
    least_rate: float,
    fall_most: float,
    moving: float,
    lock: float,
) -> tuple[npt.NDArray[np.int8], Floats, Floats]:
    """Verdict ``(W, E)``, seven facts of each wheel and event, and the lockups as rows of six."""
    wheels, events = state.shape[0], start.size
    verdict = np.zeros((wheels, events), np.int8)
    facts = np.full((wheels, events, 7), np.nan)
    spans, found = np.empty((_most(state), 6)), 0
    for w in range(wheels):
        for e in range(events):
            if start[e] < 0:
                verdict[w, e] = -1
                continue
            before = found
            found, unended = _one_wheel(
                facts[w, e],
                spans,
                before,
                time_s,
                speed,
                distance,
                state[w],
                wheel[w],
                offsets[e],
                start[e],
                stop[e],
                rate_hz[e],
                least_s,
                merge_s,
                gap_s,
                fall_most,
                moving,
                lock,
            )
            if not (rate_hz[e] >= least_rate):
                facts[w, e, 6] = np.inf
            for k in range(before, found):
                spans[k, 0], spans[k, 1] = w, e
            verdict[w, e] = 1 if found > before else (0 if np.isnan(facts[w, e, 6]) else -1)
            if unended:
                facts[w, e, 0] = facts[w, e, 1] = facts[w, e, 4] = np.nan
    return verdict, facts, spans[:found]


def lockups(
    *,
    time_s: Floats,
    offsets: Ints,
    start: Ints,
    stop: Ints,
    speed_mps: Floats,
    supported: Bools,
    distance_m: Floats,
    wheel_mps: Floats,
    ceiling: Bools | None,
    rate_hz: Floats,
    floor_mps: float | Floats,
    criteria: Criteria,
) -> Lockups:
    """Lockups of each wheel in the braking phase ``[start, stop)``.

    ``wheel_mps`` ``(W, N)`` with NaN where nothing is known; ``rate_hz`` ``(E,)`` the wheels' effective rate;
    ``floor_mps`` a number or ``(W, E)``, the speed under which a sensor reads zero.
    Undecided (-1) where the signal was missing, saturated, under its floor or its reference unsupported for as long
    as a lockup that counts, or where the rate is too low to say no.
    """
    top = np.zeros(wheel_mps.shape, np.bool_) if ceiling is None else ceiling
    state = lock_state(
        wheel_mps,
        top,
        speed_mps,
        supported,
        offsets,
        criteria.moving_mps,
        criteria.lock_ratio,
        criteria.unlock_ratio,
        np.ascontiguousarray(np.broadcast_to(floor_mps, (wheel_mps.shape[0], start.size)), dtype=np.float64),
    )
    verdict, facts, rows = _lockups(
        time_s,
        speed_mps,
        distance_m,
        state,
        wheel_mps,
        offsets,
        start,
        stop,
        rate_hz,
        criteria.least_lockup_s,
        criteria.lockup_merge_s,
        criteria.gap_s,
        criteria.least_rate_lockup_hz,
        criteria.wheel_fall_most_mps2,
        criteria.moving_mps,
        criteria.lock_ratio,
    )
    places = np.ascontiguousarray(rows[:, :4].T).astype(np.int64)
    spans = LockSpans(
        wheel=places[0],
        event=places[1],
        start=places[2],
        stop=places[3],
        begin_s=np.ascontiguousarray(rows[:, 4]),
        end_s=np.ascontiguousarray(rows[:, 5]),
    )
    total, longest, onset, onset_speed, slide, held, still = (np.ascontiguousarray(facts[:, :, k]) for k in range(7))
    return Lockups(verdict, total, longest, onset, onset_speed, slide, held, still, spans)

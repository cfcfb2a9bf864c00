"""Lockup of each wheel: a wheel under 5 % of the vehicle's speed while that is above walking pace."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: States of a wheel's sample. ``NEAR`` follows a lock: above its threshold, not yet back to rolling.
ROLLING, LOCKED, UNKNOWN, NEAR = 0, 1, 2, 3


@dataclass(frozen=True)
class LockSpans:
    """The lockups that count, one row each: wheel and event number, sample positions ``[start, stop)``."""

    wheel: Ints
    event: Ints
    start: Ints
    stop: Ints


@dataclass(frozen=True)
class Lockups:
    """What is known of each wheel and event, all ``(W, E)``.

    verdict : int8, 1 locked, 0 not locked, -1 could not be decided.
    total_s, longest_s, onset_s, onset_speed_mps, slide_m, held_speed_mps : NaN without a lockup. ``onset_s`` counts
    from the event's first sample; ``held_speed_mps`` is the greatest vehicle speed at which a wheel had been locked
    for the shortest duration that counts. Total, longest and slide are NaN too where a lockup runs into samples that
    say nothing: it is certain, its length is not. ``spans`` are the single lockups.
    """

    verdict: npt.NDArray[np.int8]
    total_s: Floats
    longest_s: Floats
    onset_s: Floats
    onset_speed_mps: Floats
    slide_m: Floats
    held_speed_mps: Floats
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
    floor: float,
) -> npt.NDArray[np.int8]:
    """State of each wheel's sample ``(W, N)``: rolling, locked, near to it, or unknown.

    ``ceiling`` ``(W, N)`` marks readings that are only an upper bound of the wheel's speed. A reading at or under
    ``floor`` proves a wheel speed of at most the floor, no less. Within an event, samples after a lock stay ``NEAR``
    while the ratio lies between ``lock`` and ``unlock``. Standstill is rolling: nothing can lock there.
    """
    out = np.empty(wheel.shape, np.int8)
    for w in range(wheel.shape[0]):
        for e in range(offsets.size - 1):
            before = ROLLING
            for i in range(offsets[e], offsets[e + 1]):
                v = speed[i]
                x = wheel[w, i]
                state = ROLLING
                if np.isnan(v) or not supported[i]:
                    state = UNKNOWN
                elif v > moving:
                    if np.isnan(x):
                        state = UNKNOWN
                    else:
                        bound = max(x, floor) / v
                        if bound < lock:
                            state = LOCKED
                        elif x <= floor or ceiling[w, i]:
                            state = UNKNOWN
                        elif bound < unlock and before in (LOCKED, NEAR):
                            state = NEAR
                out[w, i] = state
                before = state
    return out


@kernel
def _next_lock(
    time_s: Floats, state: npt.NDArray[np.int8], first: int, last: int, merge_s: float, gap_s: float
) -> tuple[int, int, int, float]:
    """Next locked run from ``first``: begin, one past its end, where to go on, longest unknown time before it."""
    unknown_s = 0.0
    i = first
    while i < last and state[i] != LOCKED:
        if i > first and time_s[i] - time_s[i - 1] > gap_s + 1e-9:
            unknown_s = max(unknown_s, time_s[i] - time_s[i - 1])  # what missing rows hide is unknown
        if state[i] == UNKNOWN:
            begin = i
            while i < last and state[i] == UNKNOWN:
                i += 1
            unknown_s = max(unknown_s, time_s[min(i, last - 1)] - time_s[begin])
        else:
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
    return begin, end, end, unknown_s


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
    facts: Floats, time_s: Floats, speed: Floats, distance: Floats, begin: int, until: int, least_s: float
) -> None:
    """Add one lockup to a wheel's facts: total, longest, onset, onset speed, slide, held speed."""
    lasted = time_s[until] - time_s[begin]
    if np.isnan(facts[2]):
        facts[0], facts[1], facts[4] = 0.0, 0.0, 0.0
        facts[2] = time_s[begin]
        facts[3] = speed[begin]
    facts[0] += lasted
    facts[1] = max(facts[1], lasted)
    facts[4] += distance[until] - distance[begin]
    at = begin
    while at < until and time_s[at] - time_s[begin] < least_s - 1e-9:
        at += 1
    if not (speed[at] <= facts[5]):
        facts[5] = speed[at]


@kernel
def _lockups(  # noqa: PLR0912 - one walk along one wheel, each branch a reason to doubt
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
) -> tuple[npt.NDArray[np.int8], Floats, Ints]:
    wheels, events = state.shape[0], start.size
    verdict = np.zeros((wheels, events), np.int8)
    facts = np.full((wheels, events, 6), np.nan)
    spans = [(np.int64(0), np.int64(0), np.int64(0), np.int64(0)) for _ in range(0)]
    for w in range(wheels):
        for e in range(events):
            if start[e] < 0:
                verdict[w, e] = -1
                continue
            undecided, unended = 0.0, False
            longest = max(gap_s, 2.5 / rate_hz[e]) if rate_hz[e] > 0.0 else gap_s
            i = start[e]
            while i < stop[e]:
                begin, end, i, unknown_s = _next_lock(time_s, state[w], i, stop[e], merge_s, longest)
                undecided = max(undecided, unknown_s)
                if begin == end:
                    break
                until = min(end, stop[e] - 1)
                if time_s[until] - time_s[end - 1] > longest + 1e-9:
                    until = end - 1  # rows are missing: what happened there is not known
                before = max(begin - 1, offsets[e])
                if _went(time_s, wheel[w], before, begin, rate_hz[e], fall_most):
                    undecided = max(undecided, time_s[until] - time_s[begin])
                    continue
                counts = _counts(time_s, before, begin, until, rate_hz[e], least_s)
                if counts == 1:
                    verdict[w, e] = 1
                    _add_lock(facts[w, e], time_s, speed, distance, begin, until, least_s)
                    unended = unended or (end < stop[e] and state[w, end] == UNKNOWN)
                    spans.append((np.int64(w), np.int64(e), np.int64(begin), np.int64(until)))
                elif counts == -1:
                    undecided = max(undecided, least_s)
            unsure = undecided >= least_s - 1e-9 or not (rate_hz[e] >= least_rate)
            if verdict[w, e] == 0 and unsure:
                verdict[w, e] = -1
            if unended:
                facts[w, e, 0] = facts[w, e, 1] = facts[w, e, 4] = np.nan
    rows = np.empty((len(spans), 4), np.int64)
    for k in range(len(spans)):
        for j in range(4):
            rows[k, j] = spans[k][j]
    return verdict, facts, rows


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
    floor_mps: float,
    criteria: Criteria,
) -> Lockups:
    """Lockups of each wheel in the braking phase ``[start, stop)``.

    ``wheel_mps`` ``(W, N)`` with NaN where nothing is known; ``rate_hz`` ``(E,)`` the wheels' effective rate.
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
        floor_mps,
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
    )
    spans = LockSpans(*(np.ascontiguousarray(rows[:, k]) for k in range(4)))
    total, longest, onset, onset_speed, slide, held = (np.ascontiguousarray(facts[:, :, k]) for k in range(6))
    return Lockups(verdict, total, longest, onset, onset_speed, slide, held, spans)

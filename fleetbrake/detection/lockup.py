"""Lockup of each wheel: a wheel under 5 % of the vehicle's speed while that is above walking pace."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: States of a wheel's sample.
ROLLING, LOCKED, UNKNOWN = 0, 1, 2


@dataclass(frozen=True)
class Lockups:
    """What is known of each wheel and event, all ``(W, E)``.

    verdict : int8, 1 locked, 0 not locked, -1 could not be decided.
    total_s, longest_s, onset_s, onset_speed_mps, slide_m, held_speed_mps : NaN without a lockup. ``onset_s`` counts
    from the event's first sample; ``held_speed_mps`` is the greatest vehicle speed at which a wheel had been locked
    for the shortest duration that counts.
    """

    verdict: npt.NDArray[np.int8]
    total_s: Floats
    longest_s: Floats
    onset_s: Floats
    onset_speed_mps: Floats
    slide_m: Floats
    held_speed_mps: Floats


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
    """State of each wheel's sample ``(W, N)``: rolling, locked or unknown, with hysteresis.

    ``ceiling`` ``(W, N)`` marks readings that are only an upper bound of the wheel's speed. A reading at or under
    ``floor`` proves a wheel speed of at most the floor, no less. Within an event the state is carried along while the
    ratio lies between ``lock`` and ``unlock``. Standstill is rolling: nothing can lock there.
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
                        elif bound < unlock and before == LOCKED:
                            state = LOCKED
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
        if state[i] == UNKNOWN:
            begin = i
            while i < last and state[i] == UNKNOWN:
                i += 1
            unknown_s = max(unknown_s, time_s[min(i, last - 1)] - time_s[begin])
        else:
            i += 1
    begin, end = i, i
    # two runs with less than merge_s between them are one; neighbouring samples are, unless rows are missing between
    while i < last:
        since = time_s[i] - time_s[max(end, begin + 1) - 1]
        locked = state[i] == LOCKED
        if since > merge_s + 1e-9 and not (locked and i == end and since <= gap_s + 1e-9):
            break
        if locked:
            end = i + 1
        i += 1
    return begin, end, end, unknown_s


@kernel
def _counts(time_s: Floats, before: int, begin: int, until: int, rate_hz: float, least_s: float) -> int:
    """Whether a locked run counts (1), does not (0), or may have been longer between slow samples (-1)."""
    if time_s[until] - time_s[begin] >= least_s - 1e-9 and until - begin >= 2:
        return 1
    slow = not (rate_hz >= 2.0 / least_s)
    return -1 if slow and time_s[until] - time_s[before] >= least_s else 0


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
) -> tuple[npt.NDArray[np.int8], Floats]:
    wheels, events = state.shape[0], start.size
    verdict = np.zeros((wheels, events), np.int8)
    facts = np.full((wheels, events, 6), np.nan)
    for w in range(wheels):
        for e in range(events):
            if start[e] < 0:
                verdict[w, e] = -1
                continue
            undecided = 0.0
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
                step = time_s[begin] - time_s[before]
                if step > 0.0 and rate_hz[e] > 0.0:
                    step = max(step, 1.0 / rate_hz[e])  # a held value falls in one row
                if step > 0.0 and wheel[w, before] - wheel[w, begin] > fall_most * step:
                    # no brake stops a wheel so fast: the signal went, not the wheel
                    undecided = max(undecided, time_s[until] - time_s[begin])
                    continue
                counts = _counts(time_s, before, begin, until, rate_hz[e], least_s)
                if counts == 1:
                    verdict[w, e] = 1
                    _add_lock(facts[w, e], time_s, speed, distance, begin, until, least_s)
                elif counts == -1:
                    undecided = max(undecided, least_s)
            unsure = undecided >= least_s - 1e-9 or not (rate_hz[e] >= least_rate)
            if verdict[w, e] == 0 and unsure:
                verdict[w, e] = -1
    return verdict, facts


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
    verdict, facts = _lockups(
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
    return Lockups(verdict, *(np.ascontiguousarray(facts[:, :, k]) for k in range(6)))

"""Readings that can be true: of the wheels, judged by the wheels alone, and of a speed channel by itself."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel
from fleetbrake.kinematics.selection import smallest

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: A wheel on one value counts as frozen only above this share of the fastest other: a locked wheel may rest on a
#: small value (own choice).
_NOT_LOCKED = 0.1

#: Change of the other wheels that a frozen one does not follow (own choice: above rolling-radius and noise effects).
_FOLLOWS = 0.05

#: Least deceleration of a vehicle whose wheels change so, m/s2 (own choice: rolling drag and a little brake).
_LEAST_DECEL_MPS2 = 0.5

#: How much slower the known speed may have become at most without being seen, m/s2: nothing but drag.
_LEAST_FADE_MPS2 = 0.5

#: Backward speed of a wheel that is no rebound of a stop, m/s (own choice: beyond -0.45 m/s of the measured stop).
_REBOUND_MPS = 0.6

#: Greatest rise of a vehicle's own speed, m/s2 (own choice: tyres drive no harder than they brake).
_GREATEST_RISE_MPS2 = 10.0

#: A speed channel that leaps by more than this, m/s and m/s2, is away; if it comes back in this time, s, it was a burst
#: (own choice: a 1 Hz channel of a full stop steps by 12 m/s; receivers lose their fix for some tenths).
LEAP_MPS, LEAP_MPS2, AWAY_S = 2.0, 20.0, 1.0


@kernel
def _own_steps(time_s: Floats, wheel: Floats, first: int, last: int) -> tuple[float, float]:
    """Usual time between changes of one wheel's value (lower quartile, NaN under two) and its smallest step (or 0)."""
    waits = np.empty(max(last - first, 1))
    found, quantum = 0, np.inf
    held, since = np.nan, np.nan
    for i in range(first, last):
        x = wheel[i]
        if np.isnan(x):
            continue
        if not np.isnan(held) and x != held:
            quantum = min(quantum, abs(x - held))
            if not np.isnan(since):
                waits[found] = time_s[i] - since
                found += 1
            since = time_s[i]
        held = x
    wait = smallest(waits, found, found // 4, waits[0]) if found >= 2 else np.nan
    return wait, quantum if np.isfinite(quantum) else 0.0


@kernel
def _moves(wheels: Floats, out: Bools, w: int, begin: int, end: int) -> bool:
    """Whether the fastest of the wheels that are not held themselves changes in ``[begin, end)`` while ``w`` is."""
    live = np.zeros(wheels.shape[0], np.bool_)
    for o in range(wheels.shape[0]):
        if o != w:
            for i in range(begin + 1, end):
                live[o] = live[o] or wheels[o, i] != wheels[o, begin]
    low, high = np.inf, -np.inf
    for i in range(begin, end):
        fastest = -np.inf
        for o in range(wheels.shape[0]):
            if live[o] and out[o, i] and wheels[o, i] > fastest:
                fastest = wheels[o, i]
        if fastest > -np.inf:
            low, high = min(low, fastest), max(high, fastest)
    return high - low > _FOLLOWS * high and wheels[w, begin] > _NOT_LOCKED * high


@kernel
def _drop_frozen(
    out: Bools, time_s: Floats, wheels: Floats, first: int, last: int, frozen_s: float, rolling_mps: float
) -> None:
    """Take away runs of one value that the other wheels do not share."""
    count = wheels.shape[0]
    waits, steps = np.empty(count), np.empty(count)
    for w in range(count):
        waits[w], steps[w] = _own_steps(time_s, wheels[w], first, last)
    slowest = 0.0
    for w in range(count):
        slowest = max(slowest, 0.0 if np.isnan(waits[w]) else waits[w])
    for w in range(count):
        # a wheel that hardly ever changed is as quick as the slowest of the others
        wait = slowest if np.isnan(waits[w]) else waits[w]
        needed = max(frozen_s, 2.5 * wait, steps[w] / _LEAST_DECEL_MPS2)
        i = first
        while i < last:
            begin = i
            i += 1
            while i < last and wheels[w, i] == wheels[w, begin]:
                i += 1
            slow = not (wheels[w, begin] > 0.5 * rolling_mps)
            if slow or time_s[i - 1] - time_s[begin] < needed - 1e-9 or not out[w, begin]:
                continue
            if _moves(wheels, out, w, begin, i):
                out[w, begin:i] = False


@kernel
def _drop_jumps(
    out: Bools,
    time_s: Floats,
    wheels: Floats,
    first: int,
    last: int,
    rise_most: float,
    spin_most: float,
    rolling_mps: float,
) -> None:
    """Take away readings that rose faster than the road can drive a wheel, until they are back where they can be.

    Up to what any wheel showed before, the tyre drives (``rise_most``); beyond it only an engine does (``spin_most``).
    """
    count = wheels.shape[0]
    waits = np.empty(count)
    for w in range(count):
        waits[w] = _own_steps(time_s, wheels[w], first, last)[0]
    value, at = np.full(count, np.nan), np.zeros(count)
    known, known_at = np.nan, 0.0
    for i in range(first, last):
        now = known - _LEAST_FADE_MPS2 * (time_s[i] - known_at)
        most = now
        for w in range(count):
            x = wheels[w, i]
            if not out[w, i]:
                continue
            since = max(time_s[i] - at[w], 0.0 if np.isnan(waits[w]) else waits[w])
            rise = x - value[w]
            beyond = x > 1.05 * now + _GREATEST_RISE_MPS2 * since
            if x > rolling_mps and (rise > rise_most * since or (beyond and rise > spin_most * since)):
                shared = False
                for o in range(count):
                    shared = shared or (o != w and out[o, i] and abs(wheels[o, i] - x) <= _FOLLOWS * x)
                out[w, i] = shared
            # what once jumped beyond all that was known stays out until it is back
            if i > first and not out[w, i - 1] and beyond and not np.isnan(value[w]) and x > rolling_mps:
                out[w, i] = False
            if out[w, i]:
                value[w], at[w] = x, time_s[i]
                if not (x <= most):
                    most = x
        known, known_at = most, time_s[i]


@kernel
def _drop_backward(out: Bools, wheels: Floats, first: int, last: int) -> None:
    """Take away negative readings beyond the rebound of a stop while another wheel turns forward as fast."""
    for i in range(first, last):
        forward = -np.inf
        for w in range(wheels.shape[0]):
            if out[w, i]:
                forward = max(forward, wheels[w, i])
        for w in range(wheels.shape[0]):
            if wheels[w, i] < -_REBOUND_MPS and forward > _REBOUND_MPS:
                out[w, i] = False


# What follows looks through one wheel of one event without a branch: whether anything above has anything to do. Most
# events have nothing of it.


@kernel
def _mark_possible(out: Bools, wheel: Floats, speed_most: float) -> int:
    """Mark the readings that are there and not absurd; how many."""
    read = 0
    for i in range(wheel.size):
        out[i] = abs(wheel[i]) <= speed_most
        read += int(abs(wheel[i]) <= speed_most)
    return read


@kernel
def _turns_back(wheel: Floats) -> bool:
    """Whether a reading is negative beyond the rebound of a stop."""
    back = 0
    for i in range(wheel.size):
        back += int(wheel[i] < -_REBOUND_MPS)
    return back > 0


@kernel
def _rests(time_s: Floats, wheel: Floats, frozen_s: float, rolling_mps: float) -> bool:
    """Whether a run of one value is long enough to be frozen at the least."""
    rests, began = 0, time_s[0] if time_s.size > 0 else 0.0
    for i in range(1, wheel.size):
        began = began if wheel[i] == wheel[i - 1] else time_s[i]
        rests += int((time_s[i] - began >= frozen_s - 1e-9) & (wheel[i] > 0.5 * rolling_mps))
    return rests > 0


@kernel
def _rises(time_s: Floats, wheel: Floats, rise_least: float, rolling_mps: float) -> bool:
    """Whether a wheel rose above rolling from one row to the next by as much as may be too much."""
    rises = 0
    for i in range(1, wheel.size):
        steep = wheel[i] - wheel[i - 1] > rise_least * (time_s[i] - time_s[i - 1])
        rises += int(steep & (wheel[i] > rolling_mps))
    return rises > 0


@kernel
def believable(
    time_s: Floats,
    wheels: Floats,
    offsets: Ints,
    frozen_s: float,
    speed_most: float,
    rise_most: float,
    spin_most: float,
    rolling_mps: float,
) -> Bools:
    """Readings ``(W, N)`` that can be true of a wheel, judged by the wheels alone: no vehicle speed is needed.

    False for: missing; absurd, beyond ``speed_most`` either way; negative beyond the rebound of a stop while another
    wheel turns forward as fast; frozen, on one value above half of ``rolling_mps`` for ``frozen_s`` (or 2.5 times as
    long as the channel usually holds a value, or until 0.5 m/s2 would show in its steps) while the fastest of the other
    wheels changes by more than 5 %; risen above ``rolling_mps`` faster than the tyre can drive a wheel
    (``rise_most``, m/s2) or, beyond all that a wheel showed before, than an engine can (``spin_most``), unless another
    wheel shows the same. A low reading stays believable: it may be a locked wheel.
    """
    out = np.empty(wheels.shape, np.bool_)
    for e in range(offsets.size - 1):
        first, last = offsets[e], offsets[e + 1]
        time = time_s[first:last]
        whole, backward, frozen, jumps = True, False, False, False
        for w in range(wheels.shape[0]):
            wheel = wheels[w, first:last]
            read = _mark_possible(out[w, first:last], wheel, speed_most)
            whole = whole and read in (0, wheel.size)
            backward = backward or _turns_back(wheel)
            frozen = frozen or _rests(time, wheel, frozen_s, rolling_mps)
            jumps = jumps or _rises(time, wheel, min(rise_most, spin_most), rolling_mps)
        if backward:
            _drop_backward(out, wheels, first, last)
        if frozen:
            _drop_frozen(out, time_s, wheels, first, last, frozen_s, rolling_mps)
        if jumps or frozen or backward or not whole:
            _drop_jumps(out, time_s, wheels, first, last, rise_most, spin_most, rolling_mps)
    return out


@kernel
def bursts(time_s: Floats, values: Floats, offsets: Ints) -> Bools:
    """Samples ``(N,)`` at which a speed channel is away for a moment: it leaps as no vehicle can, and comes back.

    Away is farther than ``LEAP_MPS`` plus ``LEAP_MPS2`` times the time since the last sound reading; what does not leap
    back within ``AWAY_S`` was no burst but a step of a slow channel.
    """
    out = np.zeros(values.size, np.bool_)
    for e in range(offsets.size - 1):
        held, at = np.nan, 0.0
        i, last = offsets[e], offsets[e + 1]
        while i < last:
            x = values[i]
            if np.isnan(x):
                i += 1
                continue
            j = i
            if abs(x - held) > LEAP_MPS + LEAP_MPS2 * (time_s[i] - at):
                while j < last and time_s[j] - time_s[i] <= AWAY_S:
                    near = abs(values[j] - held) <= LEAP_MPS + LEAP_MPS2 * (time_s[j] - at)
                    if near and abs(values[j] - held) < abs(x - held) - LEAP_MPS:
                        break
                    j += 1
                if j == last or time_s[j] - time_s[i] > AWAY_S:
                    j = i
            for k in range(i, j):
                out[k] = True
            held, at = values[j], time_s[j]
            i = j + 1
    return out

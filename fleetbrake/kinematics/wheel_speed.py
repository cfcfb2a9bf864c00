"""The vehicle's speed as its wheels tell it: rolling wheels, the fastest braked wheel, and how low it can be."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.across import unscaled
from fleetbrake.kinematics.kernel import kernel
from fleetbrake.kinematics.selection import middle

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Greatest deceleration a road vehicle on tyres is taken to reach, m/s2. Burckhardt's dry asphalt peaks at 1.17 g
#: (computed from constants verified (secondary)); the measured full stop in data_samples reaches 12 m/s2.
GREATEST_DECEL_MPS2 = 13.0

#: Greatest acceleration while somebody brakes, m/s2 (own choice: a steep descent).
GREATEST_ACCEL_MPS2 = 2.0

#: A reading so far above what the vehicle can have (share, m/s) is none, unless it lasts, s (own choice: bends and
#: noise make less; bursts of broken readings last some tens of milliseconds).
LEAP_SHARE, LEAP_MPS, LEAP_LASTS_S = 0.15, 2.0, 0.5

#: Wheels may stay this far below the envelope (share, m/s) before it is no longer carried by a rolling wheel.
SUPPORT_SHARE, SUPPORT_SLACK_MPS = 0.985, 0.03

#: Without a carrying wheel the envelope is believed for so long, s (own choice: 0.3 s at 13 m/s2 is 4 m/s); for the
#: second time between two turning wheels (a slow cycle of air brakes).
UNSUPPORTED_S, BETWEEN_S = 0.3, 0.6

#: A wheel faster than this turns; one that was slower than this last may just as well stand, m/s (own choice: sensors
#: read zero below 0.5 to 1.5 m/s).
TURNS_MPS, SLOW_MPS = 1.0, 2.0


@kernel
def leaps(time_s: Floats, wheels: Floats, offsets: Ints) -> Bools:
    """Readings ``(W, N)`` above what the vehicle can have reached since its fastest wheel was last believed.

    A wheel that spins up again comes back to the vehicle's speed, never beyond it; several wheels may leap at once (a
    code for "not available" read as a speed). What stays above for ``LEAP_LASTS_S`` was right after all.
    """
    out = np.zeros(wheels.shape, np.bool_)
    since, room = np.empty(wheels.shape[0]), np.empty(wheels.shape[0])
    for e in range(offsets.size - 1):
        since[:] = np.nan
        held, at = np.nan, 0.0
        for i in range(offsets[e], offsets[e + 1]):
            passed = time_s[i] - at
            limit = held * (1.0 + LEAP_SHARE) + LEAP_MPS + GREATEST_ACCEL_MPS2 * passed
            most, known = np.nan, 0
            for w in range(wheels.shape[0]):
                x = wheels[w, i]
                if np.isnan(x):
                    continue
                known += 1
                if x > limit:
                    if np.isnan(since[w]):
                        since[w] = time_s[i]
                    out[w, i] = time_s[i] - since[w] < LEAP_LASTS_S
                else:
                    since[w] = np.nan
                if not out[w, i] and not (x <= most):
                    most = x
            if np.isnan(held):  # the first reading of an event has nothing before it: the middle one is believed
                most = _middle(wheels, i, room)
            if known > 0:
                low = held - GREATEST_DECEL_MPS2 * passed
                held = most if np.isnan(low) or most >= low else low
                at = time_s[i]
    return out


@kernel
def _middle(wheels: Floats, i: int, room: Floats) -> float:
    """Median of the known values of ``(W, N)`` at sample ``i``; NaN without any. ``room`` for a value of each wheel."""
    found = 0
    for w in range(wheels.shape[0]):
        room[found] = wheels[w, i]
        found += int(not np.isnan(wheels[w, i]))
    return middle(room, found, np.nan) if found > 0 else np.nan


@kernel
def fastest(wheels: Floats) -> Floats:
    """Fastest wheel of each sample ``(N,)`` of ``(W, N)``; NaN where none is known."""
    return unscaled(wheels)[0]


@kernel
def second_fastest(wheels: Floats) -> Floats:
    """Second fastest wheel of each sample ``(N,)``: one that is stuck on a high value does not count. NaN under two."""
    return unscaled(wheels)[1]


@kernel
def rolling(wheels: Floats) -> Floats:
    """Speed by wheels that roll freely ``(N,)``: the median of those not far under the fastest; NaN without any."""
    return unscaled(wheels)[2]


@kernel
def spread(wheels: Floats) -> Floats:
    """Difference of the fastest and the slowest rolling wheel of each sample ``(N,)``; 0 under two of them."""
    return unscaled(wheels)[3]


@kernel
def several(wheels: Floats, offsets: Ints) -> Bools:
    """Whether two wheels of an event are known at one moment ``(E,)``."""
    out = np.zeros(offsets.size - 1, np.bool_)
    for e in range(offsets.size - 1):
        i = offsets[e]
        while i < offsets[e + 1] and not out[e]:
            known = 0
            for w in range(wheels.shape[0]):
                known += int(not np.isnan(wheels[w, i]))
            out[e] = known >= 2
            i += 1
    return out


@kernel
def falling(time_s: Floats, top: Floats, offsets: Ints) -> Floats:
    """Speed that the vehicle has at least ``(N,)``: from its fastest wheel ``top`` ``(N,)`` it falls no faster than
    ``GREATEST_DECEL_MPS2``. NaN where no wheel is known."""
    out = np.full(top.size, np.nan)
    for e in range(offsets.size - 1):
        held, at = np.nan, 0.0
        first, last = offsets[e], offsets[e + 1]
        time, x, least = time_s[first:last], top[first:last], out[first:last]
        for i in range(x.size):
            if np.isnan(x[i]):
                continue
            lowest = held - GREATEST_DECEL_MPS2 * (time[i] - at)
            held = x[i] if np.isnan(lowest) or x[i] >= lowest else lowest
            at = time[i]
            least[i] = held
    return out


@kernel
def envelope(time_s: Floats, top: Floats, offsets: Ints) -> Floats:
    """As :func:`falling`, looking both ways: shortly before a wheel turns the vehicle was no more than a descent's gain
    slower. So short dips of all wheels are bridged from peak to peak."""
    out = falling(time_s, top, offsets)
    for e in range(offsets.size - 1):
        held, at, seen = np.nan, 0.0, 0.0
        first, last = offsets[e], offsets[e + 1]
        time, x, least = time_s[first:last], top[first:last], out[first:last]
        for back in range(x.size):
            i = x.size - 1 - back
            if np.isnan(x[i]):
                continue
            lowest = held - GREATEST_ACCEL_MPS2 * (at - time[i])
            if np.isnan(lowest) or x[i] >= lowest or seen - time[i] > BETWEEN_S:
                held = x[i]
                seen = time[i]
            else:
                held = lowest
            at = time[i]
            least[i] = max(least[i], held)
    return out


@kernel
def carried(time_s: Floats, top: Floats, least: Floats, offsets: Ints) -> tuple[Bools, Bools]:
    """Samples at which a rolling wheel carries the envelope ``(N,)``, and those at which nothing does for too long.

    A fall that no vehicle can follow ends the carrying. It begins again with a turning wheel; a standing one means a
    standing vehicle only where the wheel was slow before, else all wheels are locked and nothing tells.
    """
    holds = np.zeros(top.size, np.bool_)
    lost = np.zeros(top.size, np.bool_)
    for e in range(offsets.size - 1):
        first, last = offsets[e], offsets[e + 1]
        since = first - 1
        for i in range(first, last):
            if not (top[i] >= SUPPORT_SHARE * least[i] - SUPPORT_SLACK_MPS):
                continue
            if first <= since < i - 1 and top[i] <= TURNS_MPS and top[since] > SLOW_MPS:
                continue
            pause = time_s[i] - time_s[since] if since >= first else 0.0
            allowed = BETWEEN_S if top[i] > TURNS_MPS else UNSUPPORTED_S
            for j in range(since + 1, i):
                lost[j] = pause > allowed + 1e-9
            since = i
            holds[i] = True
        for j in range(since + 1, last):
            lost[j] = since < first or time_s[j] - time_s[since] > UNSUPPORTED_S + 1e-9
    return holds, lost


@kernel
def settled(time_s: Floats, asked: Bools, offsets: Ints, after_s: float) -> Bools:
    """Samples ``(N,)`` at which nothing was asked of the brakes, nor in the ``after_s`` before."""
    out = np.zeros(time_s.size, np.bool_)
    for e in range(offsets.size - 1):
        last = -np.inf
        time, ask = time_s[offsets[e] : offsets[e + 1]], asked[offsets[e] : offsets[e + 1]]
        free = out[offsets[e] : offsets[e + 1]]
        for i in range(time.size):
            last = time[i] if ask[i] else last
            free[i] = time[i] - last > after_s
    return out


@kernel
def unread(time_s: Floats, read: Bools, longest_s: Floats, offsets: Ints) -> Bools:
    """Samples ``(N,)`` inside a stretch without any reading that is longer than ``longest_s`` ``(E,)``.

    At the ends of an event the stretch counts from its first or to its last sample.
    """
    out = np.zeros(time_s.size, np.bool_)
    for e in range(offsets.size - 1):
        first, last = offsets[e], offsets[e + 1]
        since = first - 1
        for i in range(first, last + 1):
            if i < last and not read[i]:
                continue
            begin = time_s[max(since, first)]
            end = time_s[min(i, last - 1)]
            if end - begin > longest_s[e] + 1e-9 or (since < first <= i - 1 and i == last):
                for j in range(since + 1, i):
                    out[j] = True
            since = i
    return out

"""The vehicle's speed as its wheels tell it: rolling wheels, the fastest braked wheel, and how low it can be."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

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

#: Wheels under this share of the fastest do not roll with it (raised, unsensed, locked).
ROLLS_SHARE = 0.7


@kernel
def leaps(time_s: Floats, wheels: Floats, offsets: Ints) -> Bools:
    """Readings ``(W, N)`` above what the vehicle can have reached since its fastest wheel was last believed.

    A wheel that spins up again comes back to the vehicle's speed, never beyond it; several wheels may leap at once (a
    code for "not available" read as a speed). What stays above for ``LEAP_LASTS_S`` was right after all.
    """
    out = np.zeros(wheels.shape, np.bool_)
    since = np.empty(wheels.shape[0])
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
                most = _middle(wheels[:, i])
            if known > 0:
                low = held - GREATEST_DECEL_MPS2 * passed
                held = most if np.isnan(low) or most >= low else low
                at = time_s[i]
    return out


@kernel
def _middle(values: Floats) -> float:
    """Median of the known values; NaN without any."""
    kept = values[~np.isnan(values)]
    return np.median(kept) if kept.size > 0 else np.nan


@kernel
def fastest(wheels: Floats) -> Floats:
    """Fastest wheel of each sample ``(N,)`` of ``(W, N)``; NaN where none is known."""
    out = np.full(wheels.shape[1], np.nan)
    for w in range(wheels.shape[0]):
        for i in range(wheels.shape[1]):
            if wheels[w, i] >= out[i] or np.isnan(out[i]):
                out[i] = wheels[w, i]
    return out


@kernel
def second_fastest(wheels: Floats) -> Floats:
    """Second fastest wheel of each sample ``(N,)``: one that is stuck on a high value does not count. NaN under two."""
    out = np.full(wheels.shape[1], np.nan)
    for i in range(wheels.shape[1]):
        most = np.nan
        for w in range(wheels.shape[0]):
            x = wheels[w, i]
            if np.isnan(x):
                continue
            if np.isnan(most):
                most = x
            elif x >= most:
                out[i], most = most, x
            elif not (x <= out[i]):
                out[i] = x
    return out


@kernel
def falling(time_s: Floats, top: Floats, offsets: Ints) -> Floats:
    """Speed that the vehicle has at least ``(N,)``: from its fastest wheel ``top`` ``(N,)`` it falls no faster than
    ``GREATEST_DECEL_MPS2``. NaN where no wheel is known."""
    out = np.full(top.size, np.nan)
    for e in range(offsets.size - 1):
        held, at = np.nan, 0.0
        for i in range(offsets[e], offsets[e + 1]):
            if np.isnan(top[i]):
                continue
            lowest = held - GREATEST_DECEL_MPS2 * (time_s[i] - at)
            held = top[i] if np.isnan(lowest) or top[i] >= lowest else lowest
            at = time_s[i]
            out[i] = held
    return out


@kernel
def envelope(time_s: Floats, top: Floats, offsets: Ints) -> Floats:
    """As :func:`falling`, looking both ways: shortly before a wheel turns the vehicle was no more than a descent's gain
    slower. So short dips of all wheels are bridged from peak to peak."""
    out = falling(time_s, top, offsets)
    for e in range(offsets.size - 1):
        held, at, seen = np.nan, 0.0, 0.0
        for i in range(offsets[e + 1] - 1, offsets[e] - 1, -1):
            if np.isnan(top[i]):
                continue
            lowest = held - GREATEST_ACCEL_MPS2 * (at - time_s[i])
            if np.isnan(lowest) or top[i] >= lowest or seen - time_s[i] > BETWEEN_S:
                held = top[i]
                seen = time_s[i]
            else:
                held = lowest
            at = time_s[i]
            out[i] = max(out[i], held)
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
def rolling(wheels: Floats) -> Floats:
    """Speed by wheels that roll freely ``(N,)``: the median of those not far under the fastest; NaN without any."""
    out = np.full(wheels.shape[1], np.nan)
    some = np.empty(wheels.shape[0])
    for i in range(wheels.shape[1]):
        most = np.nan
        for w in range(wheels.shape[0]):
            if wheels[w, i] >= most or np.isnan(most):
                most = wheels[w, i]
        found = 0
        for w in range(wheels.shape[0]):
            if wheels[w, i] >= ROLLS_SHARE * most:
                at = found  # a handful of values: sorted as they come
                while at > 0 and some[at - 1] > wheels[w, i]:
                    some[at] = some[at - 1]
                    at -= 1
                some[at] = wheels[w, i]
                found += 1
        if found > 0:
            out[i] = 0.5 * (some[(found - 1) // 2] + some[found // 2])
    return out


@kernel
def spread(wheels: Floats) -> Floats:
    """Difference of the fastest and the slowest rolling wheel of each sample ``(N,)``; 0 under two of them."""
    out = np.zeros(wheels.shape[1])
    for i in range(wheels.shape[1]):
        most, least = -np.inf, np.inf
        for w in range(wheels.shape[0]):
            most = max(most, wheels[w, i])  # False for NaN: nothing to say
        for w in range(wheels.shape[0]):
            if wheels[w, i] >= ROLLS_SHARE * most:
                least = min(least, wheels[w, i])
        if least < most:
            out[i] = most - least
    return out


@kernel
def settled(time_s: Floats, asked: Bools, offsets: Ints, after_s: float) -> Bools:
    """Samples ``(N,)`` at which nothing was asked of the brakes, nor in the ``after_s`` before."""
    out = np.zeros(time_s.size, np.bool_)
    for e in range(offsets.size - 1):
        last = -np.inf
        for i in range(offsets[e], offsets[e + 1]):
            if asked[i]:
                last = time_s[i]
            out[i] = time_s[i] - last > after_s
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

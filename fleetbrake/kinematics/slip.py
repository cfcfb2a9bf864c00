"""Brake slip of each wheel and its means over the quiet phases of an event."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@kernel
def _brake_slip(wheel: Floats, radius: Floats, speed: Floats, use: Bools, offsets: Ints, least: float) -> Floats:
    out = np.empty(wheel.shape)
    for w in range(wheel.shape[0]):
        for e in range(offsets.size - 1):
            factor, first, last = radius[w, e], offsets[e], offsets[e + 1]
            to, x, v, sure = out[w, first:last], wheel[w, first:last], speed[first:last], use[first:last]
            for i in range(x.size):
                s = 1.0 - x[i] * factor / v[i]
                to[i] = s if sure[i] & (v[i] > least) else np.nan
    return out


def brake_slip(
    wheel_mps: Floats,
    speed_mps: Floats,
    least_speed_mps: float,
    *,
    radius: Floats | None = None,
    use: Bools | None = None,
    offsets: Ints | None = None,
) -> Floats:
    """Brake slip ``(W, N)``: ``1 - wheel speed / vehicle speed``, 0 rolling, 1 locked; negative when driven.

    ``radius`` ``(W, E)`` is what makes a wheel's speed the vehicle's (1 where not given). NaN where the vehicle is not
    faster than ``least_speed_mps`` and where ``use`` ``(N,)`` does not mark the sample. Source: the usual definition,
    s = 1 - w R / v (verified, general-purpose library documentation).
    """
    ends = np.array([0, speed_mps.size]) if offsets is None else offsets
    factor = np.ones((wheel_mps.shape[0], ends.size - 1)) if radius is None else radius
    marked = np.ones(speed_mps.size, np.bool_) if use is None else use
    return _brake_slip(wheel_mps, factor, speed_mps, marked, ends, least_speed_mps)  # type: ignore[no-any-return]


@kernel
def less_free(slip: Floats, free: Floats, look: Bools, offsets: Ints) -> Floats:
    """The slip ``(W, N)`` without what a wheel's ``free`` rolling ``(W, E)`` shows; NaN outside ``look`` ``(E,)``."""
    out = np.full(slip.shape, np.nan)
    for e in range(offsets.size - 1):
        if not look[e]:
            continue
        for w in range(slip.shape[0]):
            to, x = out[w, offsets[e] : offsets[e + 1]], slip[w, offsets[e] : offsets[e + 1]]
            rolls = 1.0 - free[w, e]
            for i in range(x.size):
                to[i] = 1.0 - (1.0 - x[i]) / rolls
    return out


@kernel
def greatest_of(slip: Floats, start: Ints, stop: Ints) -> Floats:
    """Greatest slip of any wheel ``(N,)`` in ``[start, stop)`` ``(E,)``; NaN elsewhere and where no wheel has one."""
    out = np.full(slip.shape[1], np.nan)
    for e in range(start.size):
        for w in range(slip.shape[0] if stop[e] > start[e] >= 0 else 0):
            to, x = out[start[e] : stop[e]], slip[w, start[e] : stop[e]]
            for i in range(x.size):
                to[i] = to[i] if x[i] <= to[i] or np.isnan(x[i]) else x[i]
    return out


@kernel
def beside(slip: Floats, wheel_mps: Floats, speed_mps: Floats) -> Floats:
    """How much faster each wheel turns than the vehicle goes ``(W, N)``, m/s; NaN where its slip is not known."""
    out = np.empty(slip.shape)
    for w in range(slip.shape[0]):
        to, s, x = out[w], slip[w], wheel_mps[w]
        for i in range(s.size):
            more = x[i] - speed_mps[i]
            to[i] = np.nan if np.isnan(s[i]) else more
    return out


@kernel
def phase_mean(values: Floats, use: Bools, time_s: Floats, offsets: Ints, least_s: float) -> Floats:
    """Time-weighted mean of each row over the marked samples ``(W, E)``; NaN under ``least_s`` of usable time."""
    rows = values.shape[0]
    events = offsets.size - 1
    out = np.full((rows, events), np.nan)
    for e in range(events):
        first, last = offsets[e], offsets[e + 1] - 1
        while first < last and not use[first]:  # phases are short beside their events
            first += 1
        while last > first and not use[last - 1]:
            last -= 1
        if first >= last:
            continue
        t, counts = time_s[first : last + 1], use[first:last]
        for w in range(rows):
            total = 0.0
            weight = 0.0
            x = values[w, first:last]
            for i in range(x.size):
                if counts[i] and not np.isnan(x[i]):
                    step = t[i + 1] - t[i]
                    total += x[i] * step
                    weight += step
            if weight >= least_s:
                out[w, e] = total / weight
    return out


@kernel
def _greatest(values: Floats, use: Bools) -> float:
    """Greatest of the values, of those marked where ``use`` has marks; NaN where none is known."""
    most, known = -np.inf, False
    if use.size == 0:
        for x in values:
            most = x if x > most else most
    else:
        for i in range(use.size):
            x = values[i]
            most = x if use[i] & (x > most) else most
    if most > -np.inf:
        return most
    for i in range(values.size):
        known = known or (not np.isnan(values[i]) and (use.size == 0 or use[i]))
    return most if known else np.nan


@kernel
def _peak(values: Floats, use: Bools, start: Ints, stop: Ints) -> Floats:
    out = np.full((values.shape[0], start.size), np.nan)
    for w in range(values.shape[0]):
        for e in range(start.size):
            if stop[e] > start[e]:
                marks = use if use.size == 0 else use[start[e] : stop[e]]
                out[w, e] = _greatest(values[w, start[e] : stop[e]], marks)
    return out


#: Marks of samples that leave none out.
_ALL: Bools = np.zeros(0, np.bool_)


def peak(values: Floats, start: Ints, stop: Ints, use: Bools | None = None) -> Floats:
    """Greatest value of each row in ``[start, stop)`` ``(W, E)``, NaN where nothing was observed.

    ``use`` ``(N,)`` marks the samples that count.
    """
    return _peak(values, _ALL if use is None else use, start, stop)  # type: ignore[no-any-return]

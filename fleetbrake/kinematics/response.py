"""How the vehicle answers the demand: effectiveness, its change within an application, build-up and release time."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@kernel
def steady(
    time_s: Floats,
    level: Floats,
    greatest_slip: Floats,
    speed: Floats,
    start: Ints,
    stop: Ints,
    settle_s: float,
    slip_below: float,
    speed_above: float,
    share: float,
) -> Bools:
    """Samples ``(N,)`` of the braking phase in which a held demand meets rolling wheels.

    ``settle_s`` after the onset and with the demand within ``share`` of what it was ``settle_s`` before;
    ``greatest_slip`` ``(N,)`` of any wheel below ``slip_below`` (NaN counts as rolling: no wheels recorded).
    """
    out = np.zeros(time_s.size, np.bool_)
    for e in range(start.size):
        if start[e] < 0:
            continue
        back = start[e]
        for i in range(start[e], stop[e]):
            while back < i and time_s[back + 1] <= time_s[i] - settle_s:
                back += 1
            settled = time_s[i] - time_s[start[e]] >= settle_s
            now, then = level[i], level[back]
            if settled and now > 0.0 and abs(now - then) <= share * now and speed[i] > speed_above:
                out[i] = not (greatest_slip[i] >= slip_below)
    return out


@kernel
def effectiveness(
    time_s: Floats,
    speed: Floats,
    extra_mps2: Floats,
    level: Floats,
    use: Bools,
    start: Ints,
    stop: Ints,
    least_s: float,
) -> tuple[Floats, Floats]:
    """Deceleration per unit of demand over the marked samples, and how it changed ``(E,)`` each.

    The change is the second half of the marked time over its first half, less one. NaN under ``least_s`` of marked
    time (for the change: in either half). ``extra_mps2`` ``(N,)`` is the slope's share, added to the deceleration.
    """
    whole = np.full(start.size, np.nan)
    change = np.full(start.size, np.nan)
    for e in range(start.size):
        if start[e] < 0:
            continue
        total = 0.0
        for i in range(start[e], stop[e] - 1):
            if use[i] and use[i + 1]:
                total += time_s[i + 1] - time_s[i]
        fall = np.zeros(2)
        asked = np.zeros(2)
        spent = np.zeros(2)
        run = 0.0
        for i in range(start[e], stop[e] - 1):
            if not (use[i] and use[i + 1]):
                continue
            step = time_s[i + 1] - time_s[i]
            half = 0 if run < 0.5 * total else 1
            fall[half] += speed[i] - speed[i + 1] + extra_mps2[i] * step
            asked[half] += 0.5 * (level[i] + level[i + 1]) * step
            spent[half] += step
            run += step
        if total >= least_s and asked[0] + asked[1] > 0.0:
            whole[e] = (fall[0] + fall[1]) / (asked[0] + asked[1])
        if min(spent[0], spent[1]) >= least_s and min(asked[0], asked[1]) > 0.0 and fall[0] > 0.0:
            change[e] = (fall[1] / asked[1]) / (fall[0] / asked[0]) - 1.0
    return whole, change


@kernel
def _first_at(time_s: Floats, values: Floats, first: int, last: int, limit: float) -> float:
    """Time at which the values first reach ``limit`` in ``[first, last)``, on a line between neighbours; NaN: never."""
    for i in range(first, last):
        if values[i] >= limit:
            if i > first and values[i - 1] < limit:
                share = (limit - values[i - 1]) / (values[i] - values[i - 1])
                return time_s[i - 1] + share * (time_s[i] - time_s[i - 1])
            return time_s[i]
    return np.nan


@kernel
def _last_at(time_s: Floats, values: Floats, first: int, last: int, limit: float) -> float:
    """Time at which the values fall under ``limit`` for good in ``[first, last)``; NaN: never above, or to the end."""
    for i in range(last - 1, first - 1, -1):
        if values[i] >= limit:
            if i == last - 1:
                return np.nan
            if values[i + 1] < limit:
                share = (values[i] - limit) / (values[i] - values[i + 1])
                return time_s[i] + share * (time_s[i + 1] - time_s[i])
            return time_s[i]
    return np.nan


@kernel
def _most(values: Floats, first: int, last: int) -> float:
    """Greatest value in ``[first, last)``; NaN where nothing is known."""
    most = np.nan
    for i in range(first, last):
        if not np.isnan(values[i]) and not (values[i] <= most):
            most = values[i]
    return most


@kernel
def build_up(
    time_s: Floats, level: Floats, decel: Floats, rest_mps2: Floats, start: Ints, stop: Ints, share: float
) -> Floats:
    """Time from the demand reaching ``share`` of its greatest to the deceleration doing so ``(E,)``, s.

    Both are looked for from the onset, so a slow foot does not count as a slow brake. ``rest_mps2`` ``(E,)`` is the
    deceleration that was there before the demand (drag, engine, slope); only what comes on top of it counts. Moments
    are read on the line between two samples. May be negative by a sample; NaN where either is unknown. 75 % is common
    practice, no source.
    """
    out = np.full(start.size, np.nan)
    for e in range(start.size):
        if start[e] < 0:
            continue
        most_level, most_decel = _most(level, start[e], stop[e]), _most(decel, start[e], stop[e])
        if most_level > 0.0 and most_decel > max(rest_mps2[e], 0.0):
            limit = rest_mps2[e] + share * (most_decel - rest_mps2[e])
            given = _first_at(time_s, decel, start[e], stop[e], limit)
            out[e] = given - _first_at(time_s, level, start[e], stop[e], share * most_level)
    return out


@kernel
def rise_time(time_s: Floats, level: Floats, start: Ints, stop: Ints, share: float) -> Floats:
    """Time from the onset to the demand reaching ``share`` of its greatest ``(E,)``, s; NaN without a demand."""
    out = np.full(start.size, np.nan)
    for e in range(start.size):
        if start[e] < 0:
            continue
        most = _most(level, start[e], stop[e])
        if most > 0.0:
            out[e] = _first_at(time_s, level, start[e], stop[e], share * most) - time_s[start[e]]
    return out


@kernel
def release_time(
    time_s: Floats,
    level: Floats,
    decel: Floats,
    release: Ints,
    first: Ints,
    last: Ints,
    share: float,
    look_s: float,
    rest_after_s: float,
    rest_least_s: float,
) -> tuple[Floats, Floats, Floats]:
    """Time from the demand losing ``share`` of its level for good to the deceleration doing so ``(E,)``, s.

    Also returns the deceleration that was lost and what remained of it ``(E,)``. The levels are the greatest within
    ``look_s`` before ``release`` (``(E,)``, where the demand is gone; -1: never) but not before ``first``; what remains
    of the deceleration is its mean from ``rest_after_s`` after the release up to ``last`` ``(E,)``. NaN with less than
    ``rest_least_s`` of that, and where the deceleration never falls so far. The mirror image of the build-up time, so
    that a slow foot is no slow brake. May be negative by a sample.
    """
    out = np.full(release.size, np.nan)
    lost = np.full(release.size, np.nan)
    rest = np.full(release.size, np.nan)
    for e in range(release.size):
        gone = release[e]
        if gone < 0:
            continue
        begin = gone
        while begin > first[e] and time_s[begin - 1] >= time_s[gone] - look_s - 1e-9:
            begin -= 1
        after = gone
        while after < last[e] and time_s[after] < time_s[gone] + rest_after_s - 1e-9:
            after += 1
        if after >= last[e] or time_s[last[e] - 1] - time_s[after] < rest_least_s - 1e-9:
            continue
        total, known = 0.0, 0
        for i in range(after, last[e]):
            if not np.isnan(decel[i]):
                total += decel[i]
                known += 1
        most_level, most_decel = _most(level, begin, gone + 1), _most(decel, begin, gone + 1)
        if known == 0 or not (most_level > 0.0) or np.isnan(most_decel):
            continue
        rest[e] = total / known
        lost[e] = most_decel - rest[e]
        if lost[e] > 0.0:
            asked = _last_at(time_s, level, begin, gone + 1, (1.0 - share) * most_level)
            given = _last_at(time_s, decel, begin, after + 1, rest[e] + (1.0 - share) * lost[e])
            out[e] = given - asked
    return out, lost, rest


@kernel
def _long_above(
    values: Floats, limit: float, time_s: Floats, use: Bools, start: Ints, stop: Ints, least_s: float
) -> Bools:
    out = np.zeros((values.shape[0], start.size), np.bool_)
    for w in range(values.shape[0]):
        for e in range(start.size):
            since = np.nan
            for i in range(start[e], stop[e]):
                if values[w, i] >= limit and (use.size == 0 or use[i]):
                    if np.isnan(since):
                        since = time_s[i]
                    if time_s[i] - since >= least_s - 1e-9:
                        out[w, e] = True
                        break
                else:
                    since = np.nan
    return out


#: Marks of samples that leave none out.
_ALL: Bools = np.zeros(0, np.bool_)


def long_above(
    values: Floats, limit: float, time_s: Floats, start: Ints, stop: Ints, least_s: float, use: Bools | None = None
) -> Bools:
    """Whether each row stays at or above ``limit`` for ``least_s`` in one piece within ``[start, stop)`` ``(W, E)``.

    ``use`` ``(N,)`` marks the samples that count; the others end a piece.
    """
    marked = _ALL if use is None else use
    return _long_above(values, limit, time_s, marked, start, stop, least_s)  # type: ignore[no-any-return]

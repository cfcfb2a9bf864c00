"""How the vehicle answers the demand: effectiveness, its change within an application, and build-up time."""

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
def build_up(time_s: Floats, level: Floats, decel: Floats, start: Ints, stop: Ints, share: float) -> Floats:
    """Time from the demand reaching ``share`` of its greatest to the deceleration doing so ``(E,)``, s.

    Both are looked for from the onset, so a slow foot does not count as a slow brake. May be negative by a sample;
    NaN where either is unknown. 75 % is common practice, no source.
    """
    out = np.full(start.size, np.nan)
    for e in range(start.size):
        if start[e] < 0:
            continue
        most_level, most_decel = 0.0, 0.0
        for i in range(start[e], stop[e]):
            most_level = max(most_level, level[i])
            most_decel = max(most_decel, decel[i])
        asked, given = np.nan, np.nan
        for i in range(start[e], stop[e]):
            if np.isnan(asked) and level[i] >= share * most_level:
                asked = time_s[i]
            if np.isnan(given) and decel[i] >= share * most_decel:
                given = time_s[i]
        if most_level > 0.0 and most_decel > 0.0:
            out[e] = given - asked
    return out


@kernel
def long_above(values: Floats, limit: float, time_s: Floats, start: Ints, stop: Ints, least_s: float) -> Bools:
    """Whether each row stays at or above ``limit`` for ``least_s`` in one piece within ``[start, stop)`` ``(W, E)``."""
    out = np.zeros((values.shape[0], start.size), np.bool_)
    for w in range(values.shape[0]):
        for e in range(start.size):
            since = np.nan
            for i in range(start[e], stop[e]):
                if values[w, i] >= limit:
                    if np.isnan(since):
                        since = time_s[i]
                    if time_s[i] - since >= least_s - 1e-9:
                        out[w, e] = True
                else:
                    since = np.nan
    return out

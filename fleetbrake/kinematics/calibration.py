"""What is the same in all recordings of a vehicle: rolling radii, gain of its accelerometer, age of its speed.

Events are pooled by ``group`` ``(E,)``, a number 0 to G - 1 for each vehicle of the batch; results are ``(G,)``. What
the events do not show stays at its prior: nothing is made up from a single weak event.
"""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.calibration_sums import event_sums, marked
from fleetbrake.kinematics.kernel import kernel
from fleetbrake.kinematics.selection import middle

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Prior of the accelerometer's gain: a body that dives under braking shows some per cent too much (own choice).
GAIN, GAIN_SE = 1.0, 0.05

#: A gain farther off than this is no dive: the sensor is dead, reversed or in another unit.
GAIN_MOST = 0.25

#: The gain is never known better: dive differs with load (own choice).
GAIN_LEAST_SE = 0.01

#: Prior of a speed channel's age, s (satellite receivers: 0.1 to 0.3 s, common practice, no source), and its most.
DELAY, DELAY_SE, DELAY_MOST = 0.0, 0.3, 0.6

#: Residuals stay alike for a while: so many samples count as one (own choice).
ALIKE = 8.0

#: Rolling radii differ by up to 2 % (worn or odd tyres): prior standard deviation; a bend in one event makes as much.
RADIUS_SE = 0.01

#: Brake slip per deceleration of rolling wheels, s2/m, and how far tyres differ (own choice: Burckhardt's dry curve has
#: 1/296, computed; heavy tyres up to twice that); told only where the vehicle slows gently, m/s2.
SLIP_PER_DECEL, SLIP_PER_DECEL_SE, GENTLE_MPS2 = 1.0 / 250.0, 0.0015, 8.0

#: An age is told by so many readings at more than this deceleration, m/s2 (own choice: a second of 8 Hz).
LEAST_READINGS, SLOWS_MPS2 = 8.0, 1.0

#: From so good a fit on no other valley is looked for.
SURELY_EXPLAINED = 0.95

#: A speed that moves by less than this standard deviation within events says nothing of the accelerometer, m/s.
LEAST_MOVEMENT_MPS = 0.3


@kernel
def running_integral(time_s: Floats, values: Floats, offsets: Ints) -> Floats:
    """Integral from each event's first sample ``(N,)`` by trapezoids; NaN from the first hole on."""
    out = np.full(time_s.size, np.nan)
    for e in range(offsets.size - 1):
        first, last = offsets[e], offsets[e + 1]
        time, x, part = time_s[first:last], values[first:last], out[first:last]
        if x.size == 0 or np.isnan(x[0]):
            continue
        total = 0.0
        part[0] = total
        for i in range(1, x.size):
            total += 0.5 * (x[i] + x[i - 1]) * (time[i] - time[i - 1])
            part[i] = total
    return out


@kernel
def mean_ratio(rows: Floats, base: Floats, use: Bools, offsets: Ints, least: int, near: float = np.nan) -> Floats:
    """Ratio of the sums of each row and of ``base`` over the marked samples ``(W, E)``; NaN under ``least`` of them.

    Readings under the share ``near`` of the base do not count (NaN: all do).
    """
    out = np.full((rows.shape[0], offsets.size - 1), np.nan)
    for w in range(rows.shape[0]):
        for e in range(offsets.size - 1):
            top, bottom, found = 0.0, 0.0, 0
            row, mark = rows[w, offsets[e] : offsets[e + 1]], use[offsets[e] : offsets[e + 1]]
            b = base[offsets[e] : offsets[e + 1]]
            for i in range(row.size):
                if mark[i] and not np.isnan(row[i] + b[i]) and not row[i] < near * b[i]:
                    top += row[i]
                    bottom += b[i]
                    found += 1
            if found >= least and bottom > 0.0:
                out[w, e] = top / bottom
    return out


@kernel
def _by_group(group: Ints, groups: int) -> tuple[Ints, Ints]:
    """Where the events of each group begin ``(G + 1,)`` in their order by groups ``(E,)``."""
    begin, order = np.zeros(groups + 2, np.int64), np.empty(group.size, np.int64)
    for e in range(group.size):
        begin[group[e] + 2] += 1
    for g in range(groups):
        begin[g + 2] += begin[g + 1]
    for e in range(group.size):
        order[begin[group[e] + 1]] = e
        begin[group[e] + 1] += 1
    return begin, order


@kernel
def group_radius(ratio: Floats, group: Ints, groups: int) -> Floats:
    """Correction of each wheel ``(W, G)`` from the ratios ``(W, E)`` of its speed to what the vehicle does: 1 / radius.

    1 where nothing was seen, or more than 4 % of difference: no tyre explains that.

    The median over the vehicle's events, drawn towards 1 as if one more event had shown no difference: a bend in a
    single event must not pass for a worn tyre.
    """
    out = np.ones((ratio.shape[0], groups))
    begin, order = _by_group(group, groups)
    kept = np.empty(group.size)
    for w in range(ratio.shape[0]):
        for g in range(groups):
            found = 0
            for k in range(begin[g], begin[g + 1]):
                kept[found] = ratio[w, order[k]]
                found += int(not np.isnan(ratio[w, order[k]]))
            if found > 0:
                off = middle(kept, found, np.nan) - 1.0
                if abs(off) <= 4.0 * RADIUS_SE:
                    out[w, g] = 1.0 / (1.0 + off * found / (found + 1.0))
    return out


@kernel
def _at(time_s: Floats, values: Floats, first: int, last: int, near: int, moment: float) -> float:
    """Value at a moment, on the line between rows; ``near`` is a row not far from it. NaN outside the event."""
    if moment < time_s[first] or moment > time_s[last - 1]:
        return np.nan
    i = min(max(near, first), last - 1)
    while i > first and time_s[i] > moment:
        i -= 1
    while i < last - 2 and time_s[i + 1] < moment:
        i += 1
    if i + 1 >= last:
        return values[i]
    share = (moment - time_s[i]) / (time_s[i + 1] - time_s[i])
    return values[i] + share * (values[i + 1] - values[i])


@kernel
def _fit(
    time_s: Floats,
    offsets: Ints,
    accel: Floats,
    integral: Floats,
    speed: Floats,
    use: Bools,
    group: Ints,
    late: bool,
    rounds: int,
    gain: Floats,
    delay: Floats,
    spread: Floats,
    error: Floats,
    explained: Floats,
) -> None:
    """Rounds of Gauss-Newton from where ``gain`` and ``delay`` ``(G,)`` stand; all results in place."""
    groups, part = gain.size, np.empty(7)
    at, begin = marked(use, speed, offsets)
    for _ in range(rounds):
        sums, count = np.zeros((groups, 7)), np.zeros(groups)
        for e in range(offsets.size - 1):
            if begin[e] == begin[e + 1]:
                continue
            g, a, b = group[e], offsets[e], offsets[e + 1]
            count[g] += event_sums(
                time_s[a:b], accel[a:b], integral[a:b], speed[a:b], at[begin[e] : begin[e + 1]], gain[g], delay[g],
                part,
            )  # fmt: skip
            for k in range(7):
                sums[g, k] += part[k]
        for g in range(groups):
            if count[g] <= 2.0:
                gain[g], delay[g] = GAIN, DELAY
                continue
            s = sums[g]
            weight = 1.0 / (spread[g] ** 2 * ALIKE)
            a = s[0] * weight + 1.0 / GAIN_SE**2
            b = s[1] * weight if late else 0.0
            c = s[2] * weight + 1.0 / DELAY_SE**2
            p = s[3] * weight - (gain[g] - GAIN) / GAIN_SE**2
            q = s[4] * weight - (delay[g] - DELAY) / DELAY_SE**2 if late else 0.0
            d = a * c - b * b
            move_gain = (c * p - b * q) / d
            to = delay[g] + (a * q - b * p) / d if late else delay[g]
            move_delay = min(max(to, 0.0), DELAY_MOST) - delay[g]
            to_gain = min(max(gain[g] + move_gain, GAIN - GAIN_MOST), GAIN + GAIN_MOST)
            move_gain = to_gain - gain[g]
            left = s[5] - 2.0 * (move_gain * s[3] + move_delay * s[4])
            left += move_gain**2 * s[0] + 2.0 * move_gain * move_delay * s[1] + move_delay**2 * s[2]
            gain[g] += move_gain
            delay[g] += move_delay
            spread[g] = max(np.sqrt(max(left, 0.0) / count[g]), 0.01)
            error[g] = max(np.sqrt(c / d), GAIN_LEAST_SE)
            explained[g] = 1.0 - left / s[6] if s[6] > count[g] * LEAST_MOVEMENT_MPS**2 else np.nan


@kernel
def gain_and_delay(
    time_s: Floats,
    offsets: Ints,
    accel: Floats,
    speed: Floats,
    use: Bools,
    group: Ints,
    groups: int,
    late: bool,
    rounds: int,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Accelerometer gain, its standard error, age of the speed and share explained ``(G,)``: least squares.

    Model of every event: ``speed(t) = level + slope t + gain * integral(accel)(t - delay)``; level and slope (start
    speed; bias and grade) are the event's own, gain and delay the vehicle's. ``use`` ``(N,)`` marks the samples of
    ``speed`` that count; ``late`` False fixes the delay at zero. Gauss-Newton with priors, from several delays, since
    a few readings of a slow channel have more than one valley. The share explained is NaN where the speed hardly
    moved; low values say that the sensor does not show this vehicle's motion.
    """
    integral = running_integral(time_s, accel, offsets)
    best = np.full((5, groups), np.nan)
    for start in (0.05, 0.25, 0.45) if late else (0.0, 0.0, 0.0):
        found = np.empty((5, groups))  # gain, delay, spread, error, explained
        found[0], found[1], found[2], found[3], found[4] = GAIN, start, 0.05, GAIN_SE, np.nan
        _fit(
            time_s, offsets, accel, integral, speed, use, group, late, rounds, found[0], found[1], found[2], found[3],
            found[4],
        )  # fmt: skip
        unexplained = 0
        for g in range(groups):
            if not (found[2, g] >= best[2, g]):
                for k in range(5):
                    best[k, g] = found[k, g]
            unexplained += int(best[4, g] < SURELY_EXPLAINED)
        if not late or unexplained == 0:
            break
    return best[0].copy(), best[3].copy(), best[1].copy(), best[4].copy()


@kernel
def mean_fall(time_s: Floats, speed: Floats, offsets: Ints, half_s: float) -> Floats:
    """Deceleration ``(N,)`` as the fall from ``half_s`` before to ``half_s`` after each sample; NaN beside a hole."""
    out = np.full(time_s.size, np.nan)
    for e in range(offsets.size - 1):
        low, high = 0, 0
        first, last = offsets[e], offsets[e + 1]
        time, v, fall = time_s[first:last], speed[first:last], out[first:last]
        for i in range(time.size):
            while time[low] < time[i] - half_s:
                low += 1
            while high < time.size - 1 and time[high + 1] <= time[i] + half_s:
                high += 1
            if high > low:
                fall[i] = (v[low] - v[high]) / (time[high] - time[low])
    return out


@kernel
def _shift(matrix: Floats, right: Floats, delay: float) -> float:
    """Next delay from the normal equations of one vehicle, with the priors."""
    weight = 1.0 / (0.05**2 * ALIKE)  # m/s: receivers and wheels differ by about so much
    a, b, c = weight * matrix[0, 0] + 1.0 / RADIUS_SE**2, weight * matrix[0, 1], weight * matrix[0, 2]
    d, e = weight * matrix[1, 1] + 1.0 / DELAY_SE**2, weight * matrix[1, 2]
    f = weight * matrix[2, 2] + 1.0 / SLIP_PER_DECEL_SE**2
    x, y = weight * right[0], weight * right[1] - (delay - DELAY) / DELAY_SE**2
    z = weight * right[2] + SLIP_PER_DECEL / SLIP_PER_DECEL_SE**2
    # symmetric and, by the priors, positive definite: elimination needs no exchange of rows; the delay comes last
    c_a, b_a = c / a, b / a
    f, e, z = f - c_a * c, e - c_a * b, z - c_a * x
    d, y = d - b_a * b, y - b_a * x
    e_f = e / f
    return min(max(delay + (y - e_f * z) / (d - e_f * e), 0.0), DELAY_MOST)


@kernel
def delay_by_wheels(
    time_s: Floats, offsets: Ints, wheel: Floats, speed: Floats, use: Bools, group: Ints, groups: int, rounds: int
) -> Floats:
    """Age of the speed channel ``(G,)`` against rolling wheels, where there is no accelerometer.

    Model: ``speed(t) = wheel (1 + radius + slip_per_decel * decel)`` at ``t - delay``, pooled over the vehicle's marked
    samples; ``wheel`` ``(N,)`` the vehicle's speed by its wheels, to be marked only where they agree. Deceleration is
    the wheels' own, over about 0.3 s. NaN where too few readings came while the vehicle slowed: a steady speed says
    nothing of its age.
    """
    falling = mean_fall(time_s, wheel, offsets, 0.15)
    delay = np.full(groups, 0.1)
    row = np.empty(3)
    for _ in range(rounds):
        matrix, right, count = np.zeros((groups, 3, 3)), np.zeros((groups, 3)), np.zeros(groups)
        for e in range(offsets.size - 1):
            g, first, last = group[e], offsets[e], offsets[e + 1]
            for i in range(first, last):
                w = _at(time_s, wheel, first, last, i, time_s[i] - delay[g]) if use[i] else np.nan
                d = _at(time_s, falling, first, last, i, time_s[i] - delay[g]) if use[i] else np.nan
                if np.isnan(w + speed[i]) or not abs(d) < GENTLE_MPS2:
                    continue
                row[0], row[1], row[2] = w, d, w * max(d, 0.0)
                for j in range(3):
                    right[g, j] += row[j] * (speed[i] - w)
                    for k in range(3):
                        matrix[g, j, k] += row[j] * row[k]
                if abs(d) > SLOWS_MPS2:
                    count[g] += 1.0
        for g in range(groups):
            delay[g] = _shift(matrix[g], right[g], delay[g])
    for g in range(groups):
        if not count[g] >= LEAST_READINGS:
            delay[g] = np.nan
    return delay

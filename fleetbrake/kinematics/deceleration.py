"""Deceleration, distance and mean fully developed deceleration from the reference speed."""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@kernel
def slope(time_s: Floats, speed_mps: Floats, window_s: Floats, offsets: Ints) -> Floats:
    """Deceleration ``(N,)`` as the mean over a window centred on each sample, ``window_s`` ``(E,)`` wide.

    Ends of an event use what lies inside it. NaN where the speed is not known at both ends of the window.
    """
    out = np.full(time_s.size, np.nan)
    for e in range(offsets.size - 1):
        first, last = offsets[e], offsets[e + 1]
        time, v, fall = time_s[first:last], speed_mps[first:last], out[first:last]
        half = 0.5 * window_s[e]
        low, high = 0, 0
        for i in range(time.size):
            while low < i and time[low] < time[i] - half - 1e-9:
                low += 1
            while high < time.size - 1 and time[high + 1] <= time[i] + half + 1e-9:
                high += 1
            a, b = low, max(high, low)
            if a == b:  # window narrower than a step: use the neighbours
                a, b = max(i - 1, 0), min(i + 1, time.size - 1)
            if b > a:
                fall[i] = (v[a] - v[b]) / (time[b] - time[a])
    return out


@kernel
def travelled(time_s: Floats, speed_mps: Floats, start: Ints, stop: Ints) -> Floats:
    """Distance from the sample at ``start`` ``(N,)``, m (trapezoids; reversing does not count back).

    NaN outside ``[start, stop)`` and from the first unknown speed on: what comes before ``start`` does not matter.
    """
    out = np.full(time_s.size, np.nan)
    for e in range(start.size):
        if start[e] < 0 or stop[e] <= start[e]:
            continue
        time, v, way = (
            time_s[start[e] : stop[e]], speed_mps[start[e] : stop[e]], out[start[e] : stop[e]]
        )  # fmt: skip
        way[0] = 0.0
        for i in range(1, time.size):
            mean = 0.5 * (max(v[i], 0.0) + max(v[i - 1], 0.0))
            way[i] = way[i - 1] + mean * (time[i] - time[i - 1])
    return out


@kernel
def _wide_steps(time: Floats, gap_s: float) -> Ints:
    """How many steps longer than ``gap_s`` come before each sample ``(L,)``."""
    out = np.zeros(time.size, np.int64)
    for i in range(1, time.size):
        out[i] = out[i - 1] + int(time[i] - time[i - 1] > gap_s)
    return out


@kernel
def _greatest_mean(time: Floats, speed: Floats, extra: Floats, window_s: float, gap_s: float) -> float:
    """:func:`greatest_mean` of one phase."""
    most = np.nan
    last = time.size
    wide = _wide_steps(time, gap_s)
    right = 0
    added = 0.0  # integral of extra over [0, right] minus that over [0, i]
    for i in range(last - 1):
        if right < i:
            right = i
            added = 0.0
        end = time[i] + window_s
        while right < last - 1 and time[right + 1] <= end + 1e-9:
            added += 0.5 * (extra[right] + extra[right + 1]) * (time[right + 1] - time[right])
            right += 1
        exact = time[right] >= end - 1e-9  # the window ends on a sample: the step behind it is not in it
        beyond = right if exact else min(right + 1, last - 1)
        if right < last - 1 and not exact:
            share = (end - time[right]) / (time[right + 1] - time[right])
            v_end = speed[right] + share * (speed[right + 1] - speed[right])
            tail = extra[right] * (end - time[right])
        else:
            if i > 0 and time[right] < end - 1e-9:  # would look past the phase: earlier windows saw it all
                break
            v_end = speed[right]
            tail = 0.0
        if wide[max(beyond, i)] == wide[i]:
            mean = (speed[i] - v_end + added + tail) / window_s
            if not np.isnan(mean) and not (mean <= most):
                most = mean
        if right > i:
            added -= 0.5 * (extra[i] + extra[i + 1]) * (time[i + 1] - time[i])
    return most


@kernel
def greatest_mean(
    time_s: Floats, speed_mps: Floats, extra_mps2: Floats, start: Ints, stop: Ints, window_s: Floats, gap_s: Floats
) -> Floats:
    """Greatest mean deceleration over ``window_s`` within ``[start, stop)`` ``(E,)``.

    ``window_s`` and ``gap_s`` are ``(E,)``; ``extra_mps2`` ``(N,)`` is added to the deceleration (zero, or the
    slope's share). The window's far end is interpolated. A phase shorter than the window gives its own mean over the
    window (the speed is held outside). Windows that span a step longer than ``gap_s`` are left out. NaN where no
    window is known.
    """
    out = np.full(start.size, np.nan)
    for e in range(start.size):
        a, b = start[e], stop[e]
        if b - a >= 2 and not np.isnan(gap_s[e]):
            out[e] = _greatest_mean(time_s[a:b], speed_mps[a:b], extra_mps2[a:b], window_s[e], gap_s[e])
    return out


@kernel
def longest_step(time_s: Floats, start: Ints, stop: Ints) -> Floats:
    """Longest time between two rows in ``[start, stop)`` ``(E,)``, s; NaN under two rows."""
    out = np.full(start.size, np.nan)
    for e in range(start.size):
        for i in range(start[e], stop[e] - 1):
            step = time_s[i + 1] - time_s[i]
            if not (step <= out[e]):
                out[e] = step
    return out


@kernel
def _falls_to(time_s: Floats, speed_mps: Floats, distance_m: Floats, i: int, level: float) -> float:
    """Distance at which the speed comes down to ``level`` in the step that ends at ``i``; NaN if it does not."""
    before, now = speed_mps[i - 1], speed_mps[i]
    if not (before > level >= now):
        return np.nan
    step = time_s[i] - time_s[i - 1]
    return distance_m[i - 1] + 0.5 * (before + level) * step * (before - level) / (before - now)


@kernel
def mean_fully_developed(
    time_s: Floats, speed_mps: Floats, distance_m: Floats, start: Ints, stop: Ints, slack_share: float
) -> Floats:
    """Mean fully developed deceleration ``(E,)``: from 80 % to 10 % of the speed at ``start``, over distance.

    ``(vb^2 - ve^2) / (2 (se - sb))`` with speeds in m/s, which is the regulation's 25.92 form in km/h. NaN unless the
    speed falls through the whole band. The band ends where the speed first comes down to 10 % and begins where it came
    down to 80 % for the last time before: a speed that rose above the band again counts from its last fall. A noisy
    speed passes an edge several times; the middle between the first and the last passing counts, as long as it stays
    within ``slack_share`` of the initial speed of the edge in between. Source: UN Regulation 13 Annex 4, 1.1.2
    (verified).
    """
    out = np.full(start.size, np.nan)
    for e in range(start.size):
        first, last = start[e], stop[e]
        if last - first < 3 or not (speed_mps[first] > 0.0):
            continue
        v_b, v_e, slack = 0.8 * speed_mps[first], 0.1 * speed_mps[first], slack_share * speed_mps[first]
        low = first + 1
        while low < last and not (speed_mps[low - 1] > v_e >= speed_mps[low]):
            low += 1
        high = low
        while high > first and not (speed_mps[high - 1] > v_b >= speed_mps[high]):
            high -= 1
        if low >= last or high <= first:
            continue
        begin = _falls_to(time_s, speed_mps, distance_m, high, v_b)
        earliest, i = begin, high - 1
        while i > first and speed_mps[i] < v_b + slack:
            passed = _falls_to(time_s, speed_mps, distance_m, i, v_b)
            if not np.isnan(passed):
                earliest = passed
            i -= 1
        end = _falls_to(time_s, speed_mps, distance_m, low, v_e)
        latest, i = end, low + 1
        while i < last and speed_mps[i - 1] > v_e - slack:
            passed = _falls_to(time_s, speed_mps, distance_m, i, v_e)
            if not np.isnan(passed):
                latest = passed
            i += 1
        covered = 0.5 * (end + latest) - 0.5 * (begin + earliest)
        if covered > 0.0:
            out[e] = (v_b * v_b - v_e * v_e) / (2.0 * covered)
    return out

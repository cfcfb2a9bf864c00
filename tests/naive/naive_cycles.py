"""Slow, obvious twins of the kernels that count and time cycles: written from their docstrings."""

import itertools
import math
import statistics

import numpy as np

from tests.naive.naive_kinematics import NAN, bounded, known, spans


def count_cycles(
    time_s, way_m, value, depth, usable, held, foot_s, start, stop, least_peak, depth_share, held_share, longest_s, turn
):
    """Walk from turning point to turning point of the usable samples, then judge each swing."""
    rows, events = len(value), len(start)
    cycles = np.zeros((rows, events), np.int64)
    hz, begin, end, spread = (np.full((rows, events), NAN) for _ in range(4))
    turns = np.zeros((rows, events), bool)
    for w in range(rows):
        for e, span in enumerate(bounded(start, stop)):
            samples = [i for i in span if known(value[w, i]) and usable[i]]
            swings, last_peak = _swings(value[w], depth[w], samples, least_peak, depth_share)
            counted = []  # one entry a swing: its peak and valley, or None where it was no cycle
            for n, (peak, valley, rebuilt) in enumerate(swings):
                since = swings[n - 1][1] if n else span.start
                lasted = time_s[rebuilt] - time_s[peak]
                foot = lasted >= foot_s[e] and any(
                    known(held[i]) and held[i] < held_share * max(x for x in held[since : i + 1] if known(x))
                    for i in range(peak + 1, rebuilt + 1)
                )
                counted.append(None if foot or lasted > longest_s else (peak, valley))
                if counted[-1]:
                    begin[w, e] = time_s[peak] if cycles[w, e] == 0 else begin[w, e]
                    end[w, e] = time_s[rebuilt]
                    cycles[w, e] += 1
            peaks = [peak for peak, _, _ in swings] + ([] if last_peak is None else [last_peak])
            falls = [None if c is None else _passed(time_s, way_m, value[w], samples, *c) for c in counted]
            rises = [
                None
                if c is None or n + 1 >= len(peaks)
                else _passed(time_s, way_m, value[w], samples, c[1], peaks[n + 1])
                for n, c in enumerate(counted)
            ]
            waits, ways = [], []
            for marks in (falls, rises):
                for one, two in itertools.pairwise(marks):
                    if one and two and two[0] - one[0] <= 2.0 * longest_s:
                        waits.append(two[0] - one[0])
                        ways.append(two[1] - one[1])
            if waits:
                middle = statistics.median(waits)
                usual = [x for x in waits if abs(x - middle) <= 0.5 * middle] or [middle]
                hz[w, e] = 1.0 / statistics.mean(usual)
                spread[w, e] = statistics.mean(abs(x - middle) for x in waits) / middle
            if len(waits) >= 4 and all(known(x) for x in ways):
                way = statistics.median(ways)
                alike = statistics.mean(abs(x - way) for x in ways) / way if way > 0 else NAN
                turns[w, e] = turn[0] <= way <= turn[1] and alike <= turn[2] and spread[w, e] >= 1.5 * alike
    return cycles, hz, begin, end, spread, turns


def _passed(time_s, way_m, x, samples, first, last):
    """Time and way at which a straight line from sample to sample passes the middle of its two ends."""
    level = 0.5 * (x[first] + x[last])
    inside = [i for i in samples if first <= i <= last]
    for a, b in itertools.pairwise(inside):
        if (x[b] - level) * (x[last] - x[first]) >= 0:
            share = (level - x[a]) / (x[b] - x[a])
            return time_s[a] + share * (time_s[b] - time_s[a]), way_m[a] + share * (way_m[b] - way_m[a])
    return None


def free_swing(residual, free, time_s, offsets, window_s):
    out = np.full((len(residual), len(offsets) - 1), NAN)
    for w in range(len(residual)):
        for e, span in enumerate(spans(offsets)):
            ranges = []
            runs = itertools.groupby(span, key=lambda i: bool(free[i]))
            for whole in [list(run) for marked, run in runs if marked]:
                left = whole
                while left:
                    beyond = [i for i in left if time_s[i] - time_s[left[0]] >= window_s[e]]
                    if not beyond:
                        break
                    inside = [residual[w, i] for i in left if i < beyond[0] and known(residual[w, i])]
                    if len(inside) >= 3:
                        ranges.append(max(inside) - min(inside))
                    left = beyond
            if ranges:
                out[w, e] = sorted(ranges)[math.floor(0.75 * (len(ranges) - 1) + 0.5)]
    return out


def mean_around(value, time_s, offsets, half_s):
    out = np.full(np.shape(value), NAN)
    for w in range(len(value)):
        for span in spans(offsets):
            for i in span:
                near = [value[w, j] for j in span if time_s[i] - half_s <= time_s[j] <= time_s[i] + half_s]
                near = [x for x in near if known(x)]
                if known(value[w, i]):
                    out[w, i] = statistics.mean(near)
    return out


def taking_part(took, looked_at, axle, left):
    out = []
    for e in range(took.shape[1]):
        wheels = [w for w in range(len(took)) if took[w, e]]
        if not wheels:
            out.append(-1)
        elif len(wheels) == 1:
            out.append(0)
        elif len({axle[w] for w in wheels}) == 1:
            out.append(1)
        elif len({bool(left[w]) for w in wheels}) == 1:
            out.append(2)
        else:
            out.append(4 if all(took[w, e] for w in range(len(took)) if looked_at[w, e]) else 3)
    return out


def _swings(x, depth, samples, least_peak, depth_share):
    """Peaks that were left by enough and came back, as (peak, valley, rebuilt); and a last peak without return."""
    swings, k = [], 0
    while k < len(samples):
        top = k
        fall = None
        for j in range(k, len(samples)):
            if x[samples[j]] > x[samples[top]]:
                top = j
            high = x[samples[top]]
            if high >= least_peak and x[samples[j]] < high - max(depth[samples[j]], depth_share * high):
                fall = j
                break
        if fall is None:
            return swings, None
        low = fall
        back = None
        for j in range(fall, len(samples)):
            if x[samples[j]] < x[samples[low]]:
                low = j
            need = max(depth[samples[j]], depth_share * x[samples[j]])
            if x[samples[j]] > x[samples[low]] + need and x[samples[j]] >= least_peak:
                back = j
                break
        if back is None:
            return swings, samples[top]
        swings.append((samples[top], samples[low], samples[back]))
        k = back
    return swings, None

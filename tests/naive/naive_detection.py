"""Slow, obvious twins of the kernels of ``fleetbrake.detection``: written from their docstrings."""

import math
import statistics

import numpy as np

from tests.naive.naive_kinematics import NAN, TIME_SLACK, bounded, known, spans

ROLLING, LOCKED, UNKNOWN, NEAR = 0, 1, 2, 3


def lock_state(wheel, ceiling, speed, supported, offsets, moving, lock, unlock, floor):
    out = np.zeros(wheel.shape, np.int8)
    for w in range(len(wheel)):
        for span in spans(offsets):
            after_lock = False
            for i in span:
                v, x = speed[i], wheel[w, i]
                if not known(v) or not supported[i]:
                    word = UNKNOWN
                elif v <= moving:
                    word = ROLLING
                elif not known(x):
                    word = UNKNOWN
                elif max(x, floor) < lock * v:
                    word = LOCKED
                elif x <= floor or ceiling[w, i]:
                    word = UNKNOWN
                else:
                    word = NEAR if after_lock and max(x, floor) < unlock * v else ROLLING
                out[w, i] = word
                after_lock = word in (LOCKED, NEAR)
    return out


def _runs_of(flags, span):
    """Ranges of neighbouring marked samples."""
    runs = []
    for i in span:
        if flags[i]:
            if runs and runs[-1].stop == i:
                runs[-1] = range(runs[-1].start, i + 1)
            else:
                runs.append(range(i, i + 1))
    return runs


def lockups(
    time_s, speed, distance, state, wheel, offsets, start, stop, rate_hz, least_s, merge_s, gap_s, least_rate, fall_most
):
    wheels, events = len(state), len(start)
    verdict = np.full((wheels, events), -1, np.int8)
    facts = np.full((wheels, events, 6), NAN)
    for w in range(wheels):
        for e, span in enumerate(bounded(start, stop)):
            if start[e] < 0:
                continue
            locks = []
            gap = max(gap_s, 2.5 / rate_hz[e]) if rate_hz[e] > 0 else gap_s
            touch = None  # last sample that belongs to the open lock or is near it
            for i in span:
                if touch is not None:
                    since = time_s[i] - time_s[touch]
                    close = state[w, i] in (LOCKED, NEAR)
                    neighbour = close and i == touch + 1 and since <= gap + TIME_SLACK
                    if not neighbour and since > merge_s + TIME_SLACK:
                        touch = None
                    elif close:
                        touch = i
                        if state[w, i] == LOCKED:
                            locks[-1] = range(locks[-1].start, i + 1)
                if touch is None and state[w, i] == LOCKED:
                    touch = i
                    locks.append(range(i, i + 1))
            inside = {i for run in locks for i in run}
            doubt = 0.0
            unknown = np.array([state[w, i] == UNKNOWN and i not in inside for i in range(len(time_s))], bool)
            for run in _runs_of(unknown, span):
                doubt = max(doubt, time_s[min(run.stop, span.stop - 1)] - time_s[run.start])
            # rows that are missing outside a lock hide what happened
            for a in range(span.start, span.stop - 1):
                lone = not (a in inside and a + 1 in inside) and state[w, a + 1] is not None
                if lone and time_s[a + 1] - time_s[a] > gap + TIME_SLACK:
                    doubt = max(doubt, time_s[a + 1] - time_s[a])
            counted, unended = [], False
            for run in locks:
                until = min(run.stop, span.stop - 1)
                if time_s[until] - time_s[run.stop - 1] > gap + TIME_SLACK:
                    until = run.stop - 1
                lasted = time_s[until] - time_s[run.start]
                before = max(run.start - 1, offsets[e])
                step = time_s[run.start] - time_s[before]
                if rate_hz[e] > 0 and step > 0:
                    step = max(step, 1.0 / rate_hz[e])
                if step > 0 and wheel[w, before] - wheel[w, run.start] > fall_most * step:
                    doubt = max(doubt, lasted)
                elif (
                    lasted >= max(least_s, 1.5 / rate_hz[e] if rate_hz[e] > 0 else 0) - TIME_SLACK
                    and until - run.start >= 2
                ):
                    counted.append((run.start, until))
                    unended = unended or (run.stop < span.stop and state[w, run.stop] == UNKNOWN)
                elif not rate_hz[e] >= 2.0 / least_s and time_s[until] - time_s[before] >= least_s:
                    doubt = max(doubt, least_s)
            if counted:
                verdict[w, e] = 1
                lengths = [time_s[b] - time_s[a] for a, b in counted]
                held = []
                for a, b in counted:
                    held.append(
                        speed[next((i for i in range(a, b) if time_s[i] - time_s[a] >= least_s - TIME_SLACK), b)]
                    )
                first = counted[0][0]
                slide = sum(distance[b] - distance[a] for a, b in counted)
                held_most = max((v for v in held if known(v)), default=NAN)
                facts[w, e] = (sum(lengths), max(lengths), time_s[first], speed[first], slide, held_most)
                if unended:
                    facts[w, e, [0, 1, 4]] = NAN
            elif doubt >= least_s - TIME_SLACK or not rate_hz[e] >= least_rate:
                verdict[w, e] = -1
            else:
                verdict[w, e] = 0
    return verdict, facts


def count_cycles(time_s, value, depth, usable, held, start, stop, least_peak, depth_share, held_share, longest_s):
    """Walk from turning point to turning point of the usable samples, then judge each swing."""
    rows, events = len(value), len(start)
    cycles = np.zeros((rows, events), np.int64)
    hz, begin, end = (np.full((rows, events), NAN) for _ in range(3))
    for w in range(rows):
        for e, span in enumerate(bounded(start, stop)):
            samples = [i for i in span if known(value[w, i]) and usable[i]]
            swings, last_peak = _swings(value[w], depth[w], samples, least_peak, depth_share)
            demanded = [max((held[j] for j in range(span.start, i + 1) if known(held[j])), default=0.0) for i in span]
            waits, chain = [], None  # chain: peak and valley of a neighbouring cycle, None after a swing that was none
            for peak, valley, rebuilt in swings:
                if chain and time_s[peak] - time_s[chain[0]] <= longest_s:
                    waits.append(time_s[peak] - time_s[chain[0]])
                fall = range(peak + 1, rebuilt + 1)
                lifted = any(known(held[i]) and held[i] < held_share * demanded[i - span.start] for i in fall)
                if lifted or time_s[rebuilt] - time_s[peak] > longest_s:
                    chain = None
                    continue
                if chain and time_s[valley] - time_s[chain[1]] <= longest_s:
                    waits.append(time_s[valley] - time_s[chain[1]])
                chain = (peak, valley)
                if cycles[w, e] == 0:
                    begin[w, e] = time_s[peak]
                end[w, e] = time_s[rebuilt]
                cycles[w, e] += 1
            if last_peak is not None and chain and time_s[last_peak] - time_s[chain[0]] <= longest_s:
                waits.append(time_s[last_peak] - time_s[chain[0]])
            if waits:
                middle = statistics.median(waits)
                usual = [x for x in waits if abs(x - middle) <= 0.5 * middle] or [middle]
                hz[w, e] = 1.0 / statistics.mean(usual)
    return cycles, hz, begin, end


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
        high = x[samples[top]]
        low = fall
        back = None
        for j in range(fall, len(samples)):
            if x[samples[j]] < x[samples[low]]:
                low = j
            need = max(depth[samples[j]], depth_share * high)
            if x[samples[j]] > x[samples[low]] + need and x[samples[j]] >= least_peak:
                back = j
                break
        if back is None:
            return swings, samples[top]
        swings.append((samples[top], samples[low], samples[back]))
        k = back
    return swings, None


def stretch(on, speed, offsets, standstill):
    start, stop, release = [], [], []
    for span in spans(offsets):
        moving_on = [i for i in span if on[i] and not speed[i] <= standstill]
        if not moving_on:
            start.append(-1), stop.append(-1), release.append(-1)
            continue
        first = moving_on[0]
        stands = next((i for i in range(first + 1, span.stop) if speed[i] <= standstill), None)
        reach = range(first, span.stop if stands is None else stands)
        last_on = max(i for i in reach if on[i])
        let_go = last_on + 1 if last_on + 1 < reach.stop else -1
        start.append(first)
        release.append(let_go)
        if let_go >= 0:
            stop.append(let_go + 1)
        else:
            stop.append(span.stop if stands is None else stands + 1)
    return start, stop, release


def runs(time_s, on, speed, offsets, standstill, merge_s, gap_s):
    found = []
    for e, span in enumerate(spans(offsets)):
        i = span.start
        while i < span.stop:
            if not (on[i] and not speed[i] <= standstill):
                i += 1
                continue
            begin = last_on = i
            stood = None
            j = i
            while j < span.stop and (on[j] or time_s[j] - time_s[last_on] <= merge_s):
                if j > i and time_s[j] - time_s[j - 1] > gap_s[e]:
                    break
                if speed[j] <= standstill:
                    stood = j
                    break
                if on[j]:
                    last_on = j
                j += 1
            end = stood if stood is not None else last_on + 1
            found.append((e, begin, min(end, span.stop - 1) + 1))
            i = j
            if stood is not None:
                while i < span.stop and on[i]:
                    i += 1
    return found


def decel_on(time_s, decel, offsets, high, low, hold_s):
    out = np.zeros(len(decel), bool)
    for span in spans(offsets):
        for run in _runs_of(decel >= low, span):
            for strong in _runs_of(decel >= high, run):
                until = min(strong.stop, span.stop - 1)
                if time_s[until] - time_s[strong.start] >= hold_s - TIME_SLACK and not math.isclose(hold_s, 0.0):
                    out[list(run)] = True
    return out

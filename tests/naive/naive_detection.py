"""Slow, obvious twins of the kernels of ``fleetbrake.detection``: written from their docstrings."""

import itertools
import math

import numpy as np

from tests.naive.naive_kinematics import NAN, TIME_SLACK, bounded, known, spans

ROLLING, LOCKED, UNKNOWN, NEAR = 0, 1, 2, 3


def lock_state(wheel, ceiling, speed, supported, offsets, moving, lock, unlock, floors):
    out = np.zeros(wheel.shape, np.int8)
    for w in range(len(wheel)):
        for e, span in enumerate(spans(offsets)):
            last, floor = ROLLING, floors[w, e]
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
                elif x <= floor:
                    word = LOCKED if last == LOCKED else UNKNOWN
                elif ceiling[w, i]:
                    word = UNKNOWN
                else:
                    word = NEAR if last in (LOCKED, NEAR) and max(x, floor) < unlock * v else ROLLING
                out[w, i] = last = word
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


def _line(time_s, values, t, rows):
    """Value at ``t`` on the lines between the given rows."""
    last = max(k for k in rows if k == rows.start or time_s[k] <= t)
    if last == rows.stop - 1 or time_s[last] >= t:
        return values[last]
    share = (t - time_s[last]) / (time_s[last + 1] - time_s[last])
    return values[last] + share * (values[last + 1] - values[last])


def _between(time_s, wheel, speed, inner, outer, beyond, lock, period):
    """When the wheel passed the ratio, between a locked row and the next one outside."""
    step = abs(time_s[outer] - time_s[inner])
    if period > 1.5 * step:
        return max(time_s[inner], time_s[outer]) - period / 2
    above, under = wheel[outer] - lock * speed[outer], lock * speed[inner] - wheel[inner]
    if not (above > 0 and under > 0):
        return time_s[inner]
    away = time_s[outer] - time_s[inner]
    on_line = time_s[inner] + away * under / (above + under)
    middle = time_s[inner] + away / 2
    if wheel[inner] > 0:
        return on_line
    if beyond is None or not wheel[outer] < 0.9 * speed[outer]:
        return middle
    pace = (wheel[beyond] - wheel[outer]) / abs(time_s[beyond] - time_s[outer])
    guess = time_s[outer] - math.copysign(above / pace, away) if pace > 0 else middle
    low, high = sorted((time_s[outer], on_line))
    return min(max(guess, low), high)


def _edges(time_s, wheel, speed, span, begin, end, until, rate_hz, gap, moving, lock):
    period = 1.0 / rate_hz if rate_hz > 0 else 0.0
    began, ended = time_s[begin], time_s[until]
    a = begin - 1
    if a >= span.start and known(wheel[a]) and time_s[begin] - time_s[a] <= gap + TIME_SLACK and speed[a] > moving:
        past = a - 1 if a - 1 >= span.start and known(wheel[a - 1]) else None
        began = max(_between(time_s, wheel, speed, begin, a, past, lock, period), time_s[span.start])
    if until == end and end < span.stop:
        b = end
        if speed[b] <= moving < speed[b - 1]:
            share = (speed[b - 1] - moving) / (speed[b - 1] - speed[b])
            ended = time_s[b - 1] + share * (time_s[b] - time_s[b - 1])
        elif known(wheel[b]) and wheel[b] > lock * speed[b]:
            past = b + 1 if b + 1 < span.stop and known(wheel[b + 1]) else None
            ended = max(_between(time_s, wheel, speed, b - 1, b, past, lock, period), began)
    return began, ended


def _locks(time_s, state, span, merge_s, gap):
    """Locked runs: those close to each other, or joined by samples near the lock, are one."""
    locks, touch = [], None
    for i in span:
        if touch is not None:
            since = time_s[i] - time_s[touch]
            close = state[i] in (LOCKED, NEAR)
            neighbour = close and i == touch + 1 and since <= gap + TIME_SLACK
            if not neighbour and since > merge_s + TIME_SLACK:
                touch = None
            elif close:
                touch = i
                if state[i] == LOCKED:
                    locks[-1] = range(locks[-1].start, i + 1)
        if touch is None and state[i] == LOCKED:
            touch = i
            locks.append(range(i, i + 1))
    return locks


def _openings(time_s, state, speed, span, locks, gap, least_s):
    """Speeds at which pieces begin, outside the locks, that could hide one."""

    def at(i):
        return speed[i] if known(speed[i]) and speed[i] >= 0 else math.inf

    found = []
    edges = [span.start, *(edge for run in locks for edge in (run.start, run.stop)), span.stop]
    for first, last in zip(edges[::2], edges[1::2], strict=True):  # the pieces between the locks
        for run in _runs_of(np.array(state) == UNKNOWN, range(first, last)):
            if time_s[min(run.stop, span.stop - 1)] - time_s[run.start] >= least_s - TIME_SLACK:
                found.append(at(run.start))
        for a in range(max(first - 1, span.start), min(last, span.stop - 1)):
            if time_s[a + 1] - time_s[a] > gap + TIME_SLACK:
                found.append(at(a))
    return found


def lockups(
    time_s, speed, distance, state, wheel, offsets, start, stop, rate_hz,
    least_s, merge_s, gap_s, least_rate, fall_most, moving, lock,
):  # fmt: skip
    wheels, events = len(state), len(start)
    verdict = np.full((wheels, events), -1, np.int8)
    facts = np.full((wheels, events, 7), NAN)
    for w in range(wheels):
        for e, span in enumerate(bounded(start, stop)):
            if start[e] < 0:
                continue
            hz = rate_hz[e]
            gap = max(gap_s, 2.5 / hz) if hz > 0 else gap_s
            locks = _locks(time_s, state[w], span, merge_s, gap)
            doubts = _openings(time_s, state[w], speed, span, locks, gap, least_s)
            counted, unended = [], False
            for run in locks:
                until = min(run.stop, span.stop - 1)
                if time_s[until] - time_s[run.stop - 1] > gap + TIME_SLACK:
                    until = run.stop - 1
                lasted = time_s[until] - time_s[run.start]
                before = max(run.start - 1, offsets[e])
                step = time_s[run.start] - time_s[before]
                if hz > 0 and step > 0:
                    step = max(step, 1.0 / hz)
                if step > 0 and wheel[w, before] - wheel[w, run.start] > fall_most * step:
                    if lasted >= least_s - TIME_SLACK:
                        doubts.append(speed[run.start])
                elif lasted >= max(least_s, 1.5 / hz if hz > 0 else 0) - TIME_SLACK and until - run.start >= 2:
                    times = _edges(time_s, wheel[w], speed, span, run.start, run.stop, until, hz, gap, moving, lock)
                    counted.append((*times, range(span.start, until + 1)))
                    sides = [(a, b) for a, b in ((run.start, run.start - 1), (run.stop - 1, run.stop)) if b in span]
                    unended = unended or any(
                        state[w, b] == UNKNOWN or abs(time_s[b] - time_s[a]) > gap + TIME_SLACK for a, b in sides
                    )
                elif not hz >= 2.0 / least_s and time_s[until] - time_s[before] >= least_s:
                    doubts.append(speed[run.start])
            if not hz >= least_rate:
                doubts.append(math.inf)
            facts[w, e, 6] = max(doubts, default=NAN)
            verdict[w, e] = 1 if counted else -1 if doubts else 0
            if counted:
                lengths = [b - a for a, b, _ in counted]
                held = [_line(time_s, speed, min(a + least_s, b), rows) for a, b, rows in counted]
                slide = sum(
                    _line(time_s, distance, b, rows) - _line(time_s, distance, a, rows) for a, b, rows in counted
                )
                onset, _, rows = counted[0]
                held_most = max((v for v in held if known(v)), default=NAN)
                facts[w, e, :6] = (
                    sum(lengths),
                    max(lengths),
                    onset,
                    _line(time_s, speed, onset, rows),
                    slide,
                    held_most,
                )
                if unended:
                    facts[w, e, [0, 1, 4]] = NAN
    return verdict, facts


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


def longest_above(time_s, speed, offsets, spans, shape, limit):
    """Longest time in one piece above ``limit`` within a lockup, by pieces of lines cut at all that can end one."""
    out = np.zeros(shape)
    for wheel, event, begin, end in spans:
        run = 0.0
        for i in range(offsets[event], offsets[event + 1] - 1):
            t0, t1, v0, v1 = time_s[i], time_s[i + 1], speed[i], speed[i + 1]
            cuts = {t0, t1, begin, end}
            if (v0 - limit) * (v1 - limit) < 0:
                cuts.add(t0 + (limit - v0) / (v1 - v0) * (t1 - t0))
            cuts = sorted(t for t in cuts if t0 <= t <= t1)
            for a, b in itertools.pairwise(cuts):
                if begin <= a and b <= end:
                    middle = v0 + (v1 - v0) * ((a + b) / 2 - t0) / (t1 - t0)
                    run = run + b - a if known(middle) and middle > limit else 0.0
                    out[wheel, event] = max(out[wheel, event], run)
    return out

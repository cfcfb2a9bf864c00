"""Slow, obvious twins of what the wheels and a held channel tell of the speed: written from the docstrings."""

import itertools
import math
import statistics

import numpy as np

from tests.naive.naive_kinematics import NAN, TIME_SLACK, known, spans


def _readings(wheels, i):
    return sorted(float(x) for x in wheels[:, i] if known(x))


def fastest(wheels):
    return [max(_readings(wheels, i), default=NAN) for i in range(wheels.shape[1])]


def second_fastest(wheels):
    every = [_readings(wheels, i) for i in range(wheels.shape[1])]
    return [x[-2] if len(x) >= 2 else NAN for x in every]


def rolling(wheels, share=0.7):
    out = []
    for i in range(wheels.shape[1]):
        seen = _readings(wheels, i)
        out.append(statistics.median([x for x in seen if x >= share * seen[-1]]) if seen else NAN)
    return out


def spread(wheels, share=0.7):
    out = []
    for i in range(wheels.shape[1]):
        seen = _readings(wheels, i)
        rolls = [x for x in seen if x >= share * seen[-1]]
        out.append(max(rolls) - min(rolls) if rolls else 0.0)
    return out


def leaps(time_s, wheels, offsets, share=0.15, more=2.0, accel=2.0, decel=13.0, lasts_s=0.5):
    """Readings above what the fastest believed wheel allows, unless they have been so for ``lasts_s``."""
    out = np.zeros(wheels.shape, bool)
    for span in spans(offsets):
        began = [None] * len(wheels)
        believed = None  # speed and moment of what the vehicle was last taken to do
        for i in span:
            seen = {w: wheels[w, i] for w in range(len(wheels)) if known(wheels[w, i])}
            if not seen:
                continue
            if believed is None:
                believed = (statistics.median(seen.values()), time_s[i])
                continue
            speed, at = believed
            most = speed * (1.0 + share) + more + accel * (time_s[i] - at)
            for w, x in seen.items():
                began[w] = None if x <= most else began[w] if began[w] is not None else time_s[i]
                out[w, i] = began[w] is not None and time_s[i] - began[w] < lasts_s
            kept = [x for w, x in seen.items() if not out[w, i]]
            believed = (max([*kept, speed - decel * (time_s[i] - at)]), time_s[i])
    return out


def bursts(time_s, values, offsets, leap=2.0, rate=20.0, away_s=1.0):
    """Runs of readings out of reach of the last sound one that are followed, soon enough, by one within reach."""
    out = np.zeros(len(values), bool)
    for span in spans(offsets):
        sound = None
        for i in span:
            if out[i] or not known(values[i]):
                continue

            def near(k, s=sound):
                return known(values[k]) and abs(values[k] - values[s]) <= leap + rate * (time_s[k] - time_s[s])

            if sound is not None and not near(i):
                off = abs(values[i] - values[sound]) - leap
                back = [k for k in range(i, span[-1] + 1) if near(k) and abs(values[k] - values[sound]) < off]
                if back and time_s[back[0]] - time_s[i] <= away_s:
                    out[i : back[0]] = True
                    continue
            sound = i
    return out


def falling(time_s, top, offsets, decel=13.0):
    """The greatest of all earlier readings, each fallen at ``decel`` since."""
    out = [NAN] * len(time_s)
    for span in spans(offsets):
        seen = [i for i in span if known(top[i])]
        for i in seen:
            out[i] = max(top[j] - decel * (time_s[i] - time_s[j]) for j in seen if j <= i)
    return out


def envelope(time_s, top, offsets, decel=13.0, accel=2.0, between_s=0.6):
    out = falling(time_s, top, offsets, decel)
    for span in spans(offsets):
        seen = [i for i in span if known(top[i])]
        peak = None  # the wheel reading, ahead in time, from which the look back started
        for i in reversed(seen):
            back = None
            if peak is not None and time_s[peak] - time_s[i] <= between_s:
                back = top[peak] - accel * (time_s[peak] - time_s[i])
            if back is None or top[i] >= back:
                peak, back = i, top[i]
            out[i] = max(out[i], back)
    return out


def carried(time_s, top, least, offsets):
    holds, lost = [False] * len(time_s), [False] * len(time_s)
    for span in spans(offsets):
        carriers = []
        for i in span:
            if not top[i] >= 0.985 * least[i] - 0.03:
                continue
            fell = carriers and carriers[-1] < i - 1 and top[carriers[-1]] > 2.0
            if fell and top[i] <= 1.0:
                continue  # after a fall that no vehicle follows, a standing wheel tells nothing
            carriers.append(i)
        for i in carriers:
            holds[i] = True
        for a, b in itertools.pairwise(carriers):
            allowed = 0.6 if top[b] > 1.0 else 0.3
            for j in range(a + 1, b):
                lost[j] = time_s[b] - time_s[a] > allowed + TIME_SLACK
        for j in span if not carriers else range(carriers[-1] + 1, span.stop):
            lost[j] = not carriers or time_s[j] - time_s[carriers[-1]] > 0.3 + TIME_SLACK
    return holds, lost


def settled(time_s, asked, offsets, after_s):
    return [
        not any(asked[j] and time_s[i] - time_s[j] <= after_s for j in range(span.start, i + 1))
        for span in spans(offsets)
        for i in span
    ]


def unread(time_s, read, longest_s, offsets):
    out = [False] * len(time_s)
    for e, span in enumerate(spans(offsets)):
        seen = [i for i in span if read[i]]
        for j in span:
            if read[j]:
                continue
            before = [i for i in seen if i < j]
            after = [i for i in seen if i > j]
            begin = time_s[before[-1] if before else span.start]
            end = time_s[after[0] if after else span.stop - 1]
            out[j] = not seen or end - begin > longest_s[e] + TIME_SLACK
    return out


def fresh(time_s, values, rate_hz, offsets):
    out = [False] * len(time_s)
    for e, span in enumerate(spans(offsets)):
        seen = [i for i in span if known(values[i])]
        beside = {b for a, b in itertools.pairwise(seen) if b == a + 1}
        changes = [b for a, b in itertools.pairwise(seen) if b in beside and values[a] != values[b]]
        whole = [(a, b) for a, b in itertools.pairwise(changes) if all(known(values[k]) for k in range(a, b))]
        waits = [time_s[b] - time_s[a] for a, b in whole]
        step = (time_s[span[-1]] - time_s[span[0]]) / max(len(span) - 1, 1)
        if waits:
            usual = statistics.mean(w for w in waits if w <= 1.6 * statistics.median(waits))
        else:
            usual = 1.0 / rate_hz[e] if rate_hz[e] > 0 else 0.0
        if usual < 1.5 * step:
            usual = 0.0
        last = None
        for i in seen:
            if last is not None and i not in beside and usual > 0.0:
                last = i
            elif last is None or values[i] != values[last] or time_s[i] - time_s[last] >= usual - 1e-9:
                out[i], last = True, i
    return out


def update_noise(values, use, offsets):
    out = []
    for span in spans(offsets):
        x = [values[i] for i in span if use[i]]
        bends = [abs(a - 2.0 * b + c) for a, b, c in zip(x, x[1:], x[2:], strict=False)]
        bends = [b for b in bends if known(b)]
        out.append(statistics.median(bends) / 0.6745 / math.sqrt(6.0) if len(bends) >= 8 else NAN)
    return out


def wheel_means(wheels, axle):
    rows = [range(len(axle))] + [[w for w in range(len(axle)) if axle[w] == k] for k in range(max(axle) + 1)]
    out = []
    for row in rows:
        at = [[wheels[w, i] for w in row if known(wheels[w, i])] for i in range(wheels.shape[1])]
        out.append([statistics.mean(x) if x else NAN for x in at])
    out.append([min(_readings(wheels, i), default=NAN) for i in range(wheels.shape[1])])
    return out


def follows_wheels(time_s, offsets, speed, least, means, use, group, groups):
    out = [False] * groups
    for g, mean, lag in itertools.product(range(groups), means, (0.0, 0.1, 0.2)):
        near = far = spent = 0.0
        for e, span in enumerate(spans(offsets)):
            if group[e] != g:
                continue
            looked = [i for i in span if use[i] and time_s[span.start] <= time_s[i] - lag + TIME_SLACK]
            for place, i in enumerate(looked):
                was = max(j for j in range(span.start, i + 1) if time_s[j] <= time_s[i] - lag + TIME_SLACK)
                if least[i] > 3.0 and speed[i] < 0.9 * least[i] and known(mean[was]):
                    near += (speed[i] - mean[was]) ** 2
                    far += (speed[i] - least[i]) ** 2
                    if place:
                        spent += min(time_s[i] - time_s[looked[place - 1]], 0.15)
        out[g] = out[g] or (spent >= 0.15 and near < 0.1 * far)
    return out

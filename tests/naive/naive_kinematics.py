"""Slow, obvious twins of the kernels of ``fleetbrake.kinematics``: written from their docstrings."""

import itertools
import math
import statistics

import numpy as np

NAN = float("nan")
TIME_SLACK = 1e-9


def known(x):
    return not math.isnan(x)


def spans(offsets):
    return [range(a, b) for a, b in itertools.pairwise(offsets)]


def bounded(start, stop):
    return [range(a, b) if a >= 0 else range(0) for a, b in zip(start, stop, strict=True)]


def _changes(time_s, row, span):
    """Times at which the observed value differs from the one observed before."""
    seen = [i for i in span if known(row[i])]
    return [time_s[b] for a, b in itertools.pairwise(seen) if row[b] != row[a]], seen


def row_rate(time_s, offsets):
    return [1.0 / statistics.median(np.diff(time_s[list(s)])) if len(s) >= 2 else NAN for s in spans(offsets)]


def effective_rate(time_s, values, offsets, least_changes=4):
    out = []
    for span in spans(offsets):
        rates = []
        for row in values:
            at, _ = _changes(time_s, row, span)
            if len(at) >= least_changes:
                waits = [b - a for a, b in itertools.pairwise(at)]
                usual = [w for w in waits if w <= 1.6 * statistics.median(waits)]
                rates.append(1.0 / statistics.mean(usual))
        out.append(max(rates, default=NAN))
    return out


def seen_rate(time_s, values, offsets):
    out = []
    for span in spans(offsets):
        rates = []
        for row in values:
            at, seen = _changes(time_s, row, span)
            if at:
                rates.append(len(at) / (time_s[seen[-1]] - time_s[seen[0]]))
        out.append(max(rates, default=NAN))
    return out


def white_noise(values, start, stop):
    out = []
    for span in bounded(start, stop):
        x = values[list(span)]
        bends = [abs(b) for b in x[:-2] - 2.0 * x[1:-1] + x[2:] if known(b)] if len(x) > 2 else []
        out.append(statistics.median(bends) / 0.6745 / math.sqrt(6.0) if len(bends) >= 8 else NAN)
    return out


def event_median(values, start, stop):
    seen = [[values[i] for i in span if known(values[i])] for span in bounded(start, stop)]
    return [statistics.median(x) if x else NAN for x in seen]


def three_point(values, offsets, smooth):
    out = values.copy()
    for w in range(len(values)):
        for span, wanted in zip(spans(offsets), smooth, strict=True):
            for i in span[1:-1]:
                if wanted and not np.isnan(values[w, i - 1 : i + 2]).any():
                    out[w, i] = np.dot(values[w, i - 1 : i + 2], (0.25, 0.5, 0.25))
    return out


def unheld(time_s, values, rate_hz, offsets, bridge_s=0.5):
    """Lines between knots (changes, or all samples seen); a held channel's steps spread over one period."""
    out = values.copy()
    for e, span in enumerate(spans(offsets)):
        if len(span) < 2:
            continue
        row_period = (time_s[span[-1]] - time_s[span[0]]) / (len(span) - 1)
        period = 1.0 / rate_hz[e] if rate_hz[e] > 0 else row_period
        held = period > 1.5 * row_period
        seen = [i for i in span if known(values[i])]
        knots = seen
        if held:
            knots = [i for k, i in enumerate(seen) if k == 0 or values[i] != values[seen[k - 1]]]
        longest = max(bridge_s, 1.5 * period) if held else bridge_s
        for a, b in itertools.pairwise(knots):
            ramp = min(time_s[b] - time_s[a], period) if held else time_s[b] - time_s[a]
            for i in range(a + 1, b):
                if not known(values[i]):
                    left = max(j for j in seen if j < i)
                    right = min(j for j in seen if j > i)
                    if time_s[right] - time_s[left] > longest + TIME_SLACK:
                        continue
                share = max((time_s[i] - (time_s[b] - ramp)) / ramp, 0.0)
                out[i] = values[a] + share * (values[b] - values[a])
    return out


def slope(time_s, speed, window_s, offsets):
    out = np.full(len(time_s), NAN)
    for e, span in enumerate(spans(offsets)):
        for i in span:
            inside = [j for j in span if abs(time_s[j] - time_s[i]) <= 0.5 * window_s[e] + TIME_SLACK]
            a, b = inside[0], inside[-1]
            if a == b:
                a, b = max(i - 1, span.start), min(i + 1, span.stop - 1)
            if a != b:
                out[i] = (speed[a] - speed[b]) / (time_s[b] - time_s[a])
    return out


def travelled(time_s, speed, start, stop):
    out = np.full(len(time_s), NAN)
    for span in bounded(start, stop):
        for k, i in enumerate(span):
            part = list(span)[: k + 1]
            forward = np.where(speed[part] < 0.0, 0.0, speed[part])
            out[i] = np.trapezoid(forward, time_s[part]) if k else 0.0
    return out


def greatest_mean(time_s, speed, start, stop, window_s, gap_s):
    """Without the slope's share, which is checked in closed form: its integral is stepwise."""
    out = []
    for e, span in enumerate(bounded(start, stop)):
        best = NAN
        window = window_s[e]
        for i in span[:-1]:
            end = time_s[i] + window
            beyond = end > time_s[span[-1]] + TIME_SLACK
            if beyond and i > span[0]:
                continue
            whole = [j for j in span if j >= i and time_s[j] <= end + TIME_SLACK]
            steps = [time_s[b] - time_s[a] for a, b in itertools.pairwise(whole)]
            far = speed[whole[-1]]
            if not beyond and end > time_s[whole[-1]] + TIME_SLACK:
                a, b = whole[-1], whole[-1] + 1
                steps.append(time_s[b] - time_s[a])
                far = speed[a] + (speed[b] - speed[a]) * (end - time_s[a]) / (time_s[b] - time_s[a])
            mean = (speed[i] - far) / window
            if max(steps, default=0.0) <= gap_s[e] and known(mean) and not mean <= best:
                best = mean
        out.append(best)
    return out


def longest_step(time_s, start, stop):
    return [max(np.diff(time_s[list(s)]), default=NAN) if len(s) >= 2 else NAN for s in bounded(start, stop)]


def mean_fully_developed(time_s, speed, distance, start, stop, slack_share):
    out = []
    for span in bounded(start, stop):
        found = NAN
        if len(span) >= 3 and speed[span[0]] > 0:
            v0 = speed[span[0]]
            high, low, slack = 0.8 * v0, 0.1 * v0, slack_share * v0

            def passings(level, span=span):
                """Steps in which the speed falls to ``level``, and the distance there."""
                at = {}
                for i in span[1:]:
                    a, b = speed[i - 1], speed[i]
                    if a > level >= b:  # constant deceleration within a step
                        until = (time_s[i] - time_s[i - 1]) * (a - level) / (a - b)
                        at[i] = distance[i - 1] + until * (a + level) / 2.0
                return at

            ends = passings(low)
            begins = {i: s for i, s in passings(high).items() if ends and i <= min(ends)}
            if begins:
                last, first = max(begins), min(ends)
                near_begin = [s for i, s in begins.items() if all(speed[k] < high + slack for k in range(i, last))]
                near_end = [s for i, s in ends.items() if all(speed[k] > low - slack for k in range(first, i))]
                covered = (min(near_end) + max(near_end)) / 2 - (min(near_begin) + max(near_begin)) / 2
                if covered > 0:
                    found = (high**2 - low**2) / (2.0 * covered)
        out.append(found)
    return out


def phase_mean(values, use, time_s, offsets, least_s):
    out = np.full((len(values), len(offsets) - 1), NAN)
    for w, row in enumerate(values):
        for e, span in enumerate(spans(offsets)):
            kept = [(row[i], time_s[i + 1] - time_s[i]) for i in span[:-1] if use[i] and known(row[i])]
            total = sum(step for _, step in kept)
            if kept and total >= least_s:
                out[w, e] = sum(x * step for x, step in kept) / total
    return out


def peak(values, start, stop):
    return [[max((x for x in row[list(s)] if known(x)), default=NAN) for s in bounded(start, stop)] for row in values]


def steady(time_s, level, greatest_slip, speed, start, stop, settle_s, slip_below, speed_above, share):
    out = np.zeros(len(time_s), bool)
    for span in bounded(start, stop):
        for i in span:
            earlier = [j for j in span if time_s[j] <= time_s[i] - settle_s]
            if not earlier or not level[i] > 0 or not speed[i] > speed_above or greatest_slip[i] >= slip_below:
                continue
            out[i] = abs(level[i] - level[earlier[-1]]) <= share * level[i]
    return out


def effectiveness(time_s, speed, extra, level, use, start, stop, least_s):
    whole, change = [], []
    for span in bounded(start, stop):
        steps = [i for i in span[:-1] if use[i] and use[i + 1]]
        lasted = {i: time_s[i + 1] - time_s[i] for i in steps}
        total = sum(lasted.values())
        first, second, run = [], [], 0.0
        for i in steps:
            (first if run < 0.5 * total else second).append(i)
            run += lasted[i]

        def fall(part, lasted=lasted):
            return sum(speed[i] - speed[i + 1] + extra[i] * lasted[i] for i in part)

        def asked(part, lasted=lasted):
            return sum(0.5 * (level[i] + level[i + 1]) * lasted[i] for i in part)

        enough = total >= least_s and asked(steps) > 0
        whole.append(fall(steps) / asked(steps) if enough else NAN)
        halves = min(sum(lasted[i] for i in part) for part in (first, second))
        ok = halves >= least_s and min(asked(first), asked(second)) > 0 and fall(first) > 0
        change.append(fall(second) / asked(second) / (fall(first) / asked(first)) - 1.0 if ok else NAN)
    return whole, change


def _passes(time_s, values, limit, a, b):
    """Time at which the line between the samples ``a`` and ``b`` passes ``limit``."""
    return time_s[a] + (limit - values[a]) / (values[b] - values[a]) * (time_s[b] - time_s[a])


def build_up(time_s, level, decel, rest, start, stop, share):
    out = []
    for span, below in zip(bounded(start, stop), rest, strict=True):
        times = []
        for signal, base in ((level, 0.0), (decel, below)):
            most = max((signal[i] for i in span if known(signal[i])), default=NAN)
            limit = base + share * (most - base)
            reached = [i for i in span if signal[i] >= limit]
            ok = most > max(base, 0.0) and reached
            at = reached[0] if ok else None
            if not ok:
                times.append(NAN)
            elif at > span[0] and signal[at - 1] < limit:
                times.append(_passes(time_s, signal, limit, at - 1, at))
            else:
                times.append(time_s[at])
        out.append(times[1] - times[0])
    return out


def rise_time(time_s, level, start, stop, share):
    out = []
    for span in bounded(start, stop):
        limit = share * max((level[i] for i in span if known(level[i])), default=NAN)
        at = next((i for i in span if level[i] >= limit), None)
        if at is None or not limit > 0:
            out.append(NAN)
        elif at > span[0] and level[at - 1] < limit:
            out.append(_passes(time_s, level, limit, at - 1, at) - time_s[span[0]])
        else:
            out.append(time_s[at] - time_s[span[0]])
    return out


def release_time(time_s, level, decel, release, first, last, share, look_s, rest_after_s, rest_least_s):
    out = []
    for gone, begin, end in zip(release, first, last, strict=True):
        taken, lost, rest = NAN, NAN, NAN
        if gone >= 0:
            ahead = [i for i in range(begin, gone + 1) if time_s[i] >= time_s[gone] - look_s - TIME_SLACK or i == gone]
            after = [i for i in range(gone, end) if time_s[i] >= time_s[gone] + rest_after_s - TIME_SLACK]
            remains = [decel[i] for i in after if known(decel[i])]
            asked = [level[i] for i in ahead if known(level[i])]
            given = [decel[i] for i in ahead if known(decel[i])]
            long = after and time_s[after[-1]] - time_s[after[0]] >= rest_least_s - TIME_SLACK
            if long and remains and asked and given and max(asked) > 0:
                rest = sum(remains) / len(remains)
                lost = max(given) - rest
                if lost > 0:
                    limits = ((1 - share) * max(asked), rest + (1 - share) * lost)
                    spans_ = (range(ahead[0], gone + 1), range(ahead[0], after[0] + 1))
                    times = [_falls(time_s, x, s, y) for x, s, y in zip((level, decel), spans_, limits, strict=True)]
                    taken = times[1] - times[0]
        out.append((taken, lost, rest))
    return [list(x) for x in zip(*out, strict=True)] if out else [[], [], []]


def _falls(time_s, values, span, limit):
    """Time at which the values leave ``limit`` for good, downwards."""
    above = [i for i in span if values[i] >= limit]
    if not above or above[-1] == span[-1]:
        return NAN
    at = above[-1]
    return _passes(time_s, values, limit, at, at + 1) if values[at + 1] < limit else time_s[at]


def time_integral(time_s, values, start, stop, bridge_s):
    out = []
    for span, bridge in zip(bounded(start, stop), bridge_s, strict=True):
        seen = [i for i in span if known(values[i])]
        if len(span) < 2 or not seen:
            out.append(NAN)
            continue
        knots = [(time_s[span[0]], values[seen[0]])]
        knots += [(time_s[i], values[i]) for i in seen] + [(time_s[span[-1]], values[seen[-1]])]
        steps = [(b[0] - a[0], (a[1] + b[1]) / 2) for a, b in itertools.pairwise(knots)]
        out.append(sum(t * x for t, x in steps) if all(t <= bridge + TIME_SLACK for t, _ in steps) else NAN)
    return out


def long_above(values, limit, time_s, start, stop, least_s):
    out = np.zeros((len(values), len(start)), bool)
    for w, row in enumerate(values):
        for e, span in enumerate(bounded(start, stop)):
            for a in span:
                for b in range(a, span.stop):
                    if not row[b] >= limit:
                        break
                    out[w, e] |= time_s[b] - time_s[a] >= least_s - TIME_SLACK
    return out

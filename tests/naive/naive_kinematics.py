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
                rates.append(1.0 / statistics.median(b - a for a, b in itertools.pairwise(at)))
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


def centred_mean(values, offsets, points):
    out = values.copy()
    for w in range(len(values)):
        for span, n in zip(spans(offsets), points, strict=True):
            for i in span:
                around = range(i - n // 2, i + n // 2 + 1)
                if around[0] >= span.start and around[-1] < span.stop and not np.isnan(values[w, list(around)]).any():
                    out[w, i] = sum(values[w, j] for j in around) / len(around)
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


def wheel_envelope(time_s, wheels, offsets, greatest_decel=13.0, support=0.97, unsupported_s=0.3):
    speed = np.full(len(time_s), NAN)
    supported = np.zeros(len(time_s), bool)
    for span in spans(offsets):
        last_known, last_carried = None, -math.inf
        for i in span:
            readings = [x for x in wheels[:, i] if known(x)]
            if not readings:
                continue
            fastest = max(readings)
            lowest = -math.inf
            if last_known is not None:
                lowest = speed[last_known] - greatest_decel * (time_s[i] - time_s[last_known])
            speed[i] = max(fastest, lowest)
            if fastest >= lowest or fastest >= support * lowest:
                last_carried = time_s[i]
            last_known = i
            supported[i] = time_s[i] - last_carried <= unsupported_s
    return speed, supported


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


def mean_fully_developed(time_s, speed, distance, start, stop):
    out = []
    for span in bounded(start, stop):
        found = NAN
        if len(span) >= 3 and speed[span[0]] > 0:
            high, low = 0.8 * speed[span[0]], 0.1 * speed[span[0]]

            def passing(level, first, span=span):
                """Distance at which the speed first falls to ``level``, and the step in which it does."""
                for i in range(max(first, span[0] + 1), span.stop):
                    v0, v1 = speed[i - 1], speed[i]
                    if v0 > level >= v1:  # constant deceleration within a step
                        until = (time_s[i] - time_s[i - 1]) * (v0 - level) / (v0 - v1)
                        return distance[i - 1] + until * (v0 + level) / 2.0, i
                return NAN, span.stop

            s_high, at = passing(high, span[0])
            s_low, _ = passing(low, at)
            if s_low > s_high:
                found = (high**2 - low**2) / (2.0 * (s_low - s_high))
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


def build_up(time_s, level, decel, start, stop, share):
    out = []
    for span in bounded(start, stop):
        times = []
        for signal in (level, decel):
            most = max((signal[i] for i in span if known(signal[i])), default=0.0)
            reached = [time_s[i] for i in span if signal[i] >= share * most]
            times.append(reached[0] if most > 0 and reached else NAN)
        out.append(times[1] - times[0])
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


def dead(wheel, speed, braking, offsets, rolling_mps):
    out = np.zeros((len(wheel), len(offsets) - 1), bool)
    for w, row in enumerate(wheel):
        for e, span in enumerate(spans(offsets)):
            seen = [i for i in span if known(row[i])]
            free = [i for i in seen if not braking[i] and speed[i] > rolling_mps]
            never = not any(row[i] > 0 for i in seen)
            out[w, e] = never or (len(free) >= 5 and not any(row[i] > 0.1 * speed[i] for i in free))
    return out


def lost(time_s, wheel, speed, braking, offsets, rate_hz, rolling_mps, frozen_s, fall_most, free, quick_s):
    out = np.zeros(wheel.shape, bool)
    for w, row in enumerate(wheel):
        for e, span in enumerate(spans(offsets)):
            period = 1.0 / rate_hz[e] if rate_hz[e] > 0 else 0.0
            gone = {i for i in span if not known(row[i])}
            zeros = [i for i in span if row[i] == 0]
            for begin in [i for i in zeros if i == span.start or row[i - 1] != 0]:
                end = begin
                while end < span.stop and row[end] == 0:
                    end += 1
                odd = not braking[begin]
                if begin > span.start:
                    over = max(time_s[begin] - time_s[begin - 1], period)
                    odd = odd or row[begin - 1] > fall_most * over
                    if end < span.stop and max(over, time_s[end] - time_s[end - 1]) <= quick_s:
                        odd = odd or all(row[i] > free * speed[i] for i in (begin - 1, end))
                if odd and speed[begin] > rolling_mps:
                    gone.update(range(begin, end))
            for i in span:
                since = i
                while since > span.start and row[since - 1] == row[i]:
                    since -= 1
                changed = abs(speed[i] - speed[since]) > 0.05 * speed[since]
                rolls = speed[i] > 2.0 * rolling_mps
                if rolls and row[i] > 0.1 * speed[i] and time_s[i] - time_s[since] >= frozen_s and changed:
                    gone.update(range(since, i + 1))
            for i in gone:
                out[w, i] = True
    return out


def marked_time(time_s, marks, offsets):
    out = np.zeros((len(marks), len(offsets) - 1))
    for w, row in enumerate(marks):
        for e, span in enumerate(spans(offsets)):
            out[w, e] = sum(time_s[i + 1] - time_s[i] for i in span[:-1] if row[i])
    return out

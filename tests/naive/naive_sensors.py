"""Slow, obvious twins of the kernels that judge wheel-speed sensors and near misses: written from their docstrings."""

import itertools

import numpy as np

from tests.naive.naive_kinematics import NAN, TIME_SLACK, bounded, known, spans

HALF_SECOND = 0.5


# --- signals that are lost


def dead(wheel, speed, braking, offsets, rolling_mps, turns):
    out = np.zeros((len(wheel), len(offsets) - 1), bool)
    for w, row in enumerate(wheel):
        for e, span in enumerate(spans(offsets)):
            seen = [i for i in span if known(row[i])]
            free = [i for i in seen if not braking[i] and speed[i] > rolling_mps]
            never = not any(row[i] > 0 for i in seen)
            out[w, e] = never or (len(free) >= 5 and not any(row[i] > turns[e] * speed[i] for i in free))
    return out


def _zero_runs(row, span):
    """Stretches of zeros, rows that are missing in between and after them included."""
    runs = []
    for i in span:
        if runs and runs[-1].stop == i and (row[i] == 0 or not known(row[i])):
            runs[-1] = range(runs[-1].start, i + 1)
        elif row[i] == 0:
            runs.append(range(i, i + 1))
    return runs


def _steepest(time_s, wheels, w, speed, decel, begin, span, fall_most, per_decel, quiet):
    around = [i for i in span if abs(time_s[i] - time_s[begin]) <= HALF_SECOND]
    others = [(o, i) for i in around for o in range(len(wheels)) if o != w and known(wheels[o, i])]
    if not others or any(wheels[o, i] < (1 - quiet) * speed[i] for o, i in others):
        return fall_most
    hardest = max((decel[i] for i in around if known(decel[i])), default=0.0)
    return min(fall_most, per_decel * max(max(hardest, 0.0) - 0.65, 0.5))


def _back_by_itself(time_s, row, speed, level, before, run, span, over, free, sound, quick_s):
    a, b = before, run.stop
    if b >= span.stop:
        return False
    shares = [row[i] / speed[i] if speed[i] else NAN for i in (a, b)]
    if not all(known(s) for s in shares):
        return False
    if over <= quick_s and time_s[b] - time_s[b - 1] <= quick_s and min(shares) > free:
        return True
    levels = [level[i] for i in range(a, b + 1)]
    held = all(known(x) for x in levels) and all(x >= 0.9 * max(levels[: k + 1]) for k, x in enumerate(levels))
    return min(shares) > sound and held and max(levels) > 0


def _frozen(time_s, row, speed, span, rolling_mps, frozen_s):
    gone = set()
    for i in span:
        since = i
        while since > span.start and row[since - 1] == row[i]:
            since -= 1
        changed = abs(speed[i] - speed[since]) > 0.05 * speed[since]
        rolls = speed[i] > 2.0 * rolling_mps
        if rolls and row[i] > 0.1 * speed[i] and time_s[i] - time_s[since] >= frozen_s and changed:
            gone.update(range(since, i + 1))
    return gone


def rolling_loss(time_s, wheels, partner, speed, use, offsets, rolling_mps, frozen_s):
    out = np.zeros(wheels.shape, bool)
    for w, row in enumerate(wheels):
        for span in spans(offsets):
            gone = _frozen(time_s, row, speed, span, rolling_mps, frozen_s)
            for i in span:
                missing = not known(row[i]) and any(known(other[i]) for other in wheels)
                zero = row[i] == 0 and partner[w] >= 0 and wheels[partner[w], i] > 0
                out[w, i] = (i in gone or missing or zero) and use[i] and speed[i] > rolling_mps
    return out


def lost(
    time_s, wheels, speed, decel, level, braking, suspect, offsets, rate_hz,
    rolling_mps, frozen_s, fall_most, per_decel, quiet, free, sound, quick_s,
):  # fmt: skip
    out = np.zeros(wheels.shape, bool)
    for w, row in enumerate(wheels):
        for e, span in enumerate(spans(offsets)):
            period = 1.0 / rate_hz[e] if rate_hz[e] > 0 else 0.0
            gone = {i for i in span if not known(row[i])}
            for run in _zero_runs(row, span):
                begin = run.start
                if not speed[begin] > rolling_mps:
                    continue
                odd = any(row[i] == 0 and speed[i] > rolling_mps and not braking[i] for i in run)
                before = max((i for i in span if i < begin and known(row[i])), default=None)
                if before is not None and not odd:
                    over = max(time_s[begin] - time_s[before], period)
                    limit = _steepest(time_s, wheels, w, speed, decel, begin, span, fall_most, per_decel, quiet)
                    odd = row[before] > limit * over
                    odd = odd or _back_by_itself(
                        time_s, row, speed, level, before, run, span, over, free, sound, quick_s
                    )
                    odd = odd or (suspect[w, e] and row[before] > sound * speed[before])
                if odd:
                    gone.update(run)
            gone |= _frozen(time_s, row, speed, span, rolling_mps, frozen_s)
            for i in gone:
                out[w, i] = True
    return out


def marked_time(time_s, marks, offsets):
    out = np.zeros((len(marks), len(offsets) - 1))
    for w, row in enumerate(marks):
        for e, span in enumerate(spans(offsets)):
            out[w, e] = sum(time_s[i + 1] - time_s[i] for i in span[:-1] if row[i])
    return out


def time_within(time_s, marks, start, stop):
    out = np.zeros((len(marks), len(start)))
    for w, row in enumerate(marks):
        for e, (a, b) in enumerate(zip(start, stop, strict=True)):
            out[w, e] = sum(time_s[i + 1] - time_s[i] for i in range(a, b - 1) if row[i])
    return out


# --- readings that cannot be true


def _usual_wait(time_s, row, span):
    seen = [i for i in span if known(row[i])]
    changed = [b for a, b in itertools.pairwise(seen) if row[a] != row[b]]
    steps = [abs(row[b] - row[a]) for a, b in itertools.pairwise(seen) if row[a] != row[b]]
    waits = sorted(time_s[b] - time_s[a] for a, b in itertools.pairwise(changed))
    wait = waits[len(waits) // 4] if len(waits) >= 2 else NAN
    return wait, min(steps, default=0.0)


def _equal_runs(row, span):
    runs = []
    for i in span:
        if runs and known(row[i]) and row[i] == row[i - 1]:
            runs[-1].append(i)
        else:
            runs.append([i])
    return runs


def _drop_frozen(out, time_s, wheels, span, frozen_s, rolling):
    own = [_usual_wait(time_s, row, span) for row in wheels]
    slowest = max((wait for wait, _ in own if known(wait)), default=0.0)
    for w, row in enumerate(wheels):
        wait, step = own[w]
        needed = max(frozen_s, 2.5 * (wait if known(wait) else slowest), step / 0.5)
        for run in _equal_runs(row, span):
            value = row[run[0]]
            if not value > 0.5 * rolling or time_s[run[-1]] - time_s[run[0]] < needed - TIME_SLACK:
                continue
            if not out[w, run[0]]:
                continue
            live = [o for o in range(len(wheels)) if o != w and any(wheels[o, i] != wheels[o, run[0]] for i in run[1:])]
            fastest = [max((wheels[o, i] for o in live if out[o, i]), default=None) for i in run]
            fastest = [x for x in fastest if x is not None]
            if fastest and max(fastest) - min(fastest) > 0.05 * max(fastest) and value > 0.1 * max(fastest):
                out[w, run] = False


def _drop_jumps(out, time_s, wheels, span, rise_most, spin_most, rolling):
    waits = [_usual_wait(time_s, row, span)[0] for row in wheels]
    last = [None] * len(wheels)  # time and value of the last believed reading
    best, best_at = NAN, 0.0  # the fastest that the vehicle can still be
    for i in span:
        now = best - 0.5 * (time_s[i] - best_at)
        most = now
        for w in range(len(wheels)):
            x = wheels[w, i]
            if not out[w, i]:
                continue
            when, value = last[w] if last[w] else (0.0, NAN)
            since = max(time_s[i] - when, waits[w] if known(waits[w]) else 0.0)
            beyond = x > 1.05 * now + 10.0 * since
            too_fast = x - value > rise_most * since or (beyond and x - value > spin_most * since)
            if x > rolling and too_fast:
                out[w, i] = any(o != w and out[o, i] and abs(wheels[o, i] - x) <= 0.05 * x for o in range(len(wheels)))
            if i > span.start and not out[w, i - 1] and beyond and known(value) and x > rolling:
                out[w, i] = False
            if out[w, i]:
                last[w] = (time_s[i], x)
                most = x if not x <= most else most
        best, best_at = most, time_s[i]


def believable(time_s, wheels, offsets, frozen_s, most, rise_most, spin_most, rolling):
    out = np.array([[known(x) and abs(x) <= most for x in row] for row in wheels], bool).reshape(wheels.shape)
    for span in spans(offsets):
        for i in span:
            forward = any(wheels[w, i] > 0.6 for w in range(len(wheels)) if out[w, i])
            for w in range(len(wheels)):
                if forward and wheels[w, i] < -0.6:
                    out[w, i] = False
        _drop_frozen(out, time_s, wheels, span, frozen_s, rolling)
        _drop_jumps(out, time_s, wheels, span, rise_most, spin_most, rolling)
    return out


# --- the sensor's floor


def lowest_reading(wheels, offsets):
    return np.array(
        [[min((row[i] for i in span if row[i] > 0), default=NAN) for span in spans(offsets)] for row in wheels]
    ).reshape(len(wheels), len(offsets) - 1)


def counted_step(wheels, offsets):
    out = np.zeros((len(wheels), len(offsets) - 1))
    for w, row in enumerate(wheels):
        for e, span in enumerate(spans(offsets)):
            above = [row[i] for i in span if row[i] > 0]
            kept = [x for k, x in enumerate(above) if k == 0 or x != above[k - 1]]
            values = sorted(set(kept))
            if len(kept) >= 21 and len(values) > 1 and 2 * len(values) <= len(kept) - 1:
                out[w, e] = min(b - a for a, b in itertools.pairwise(values))
    return out


def speed_at_zero(time_s, wheels, speed, decel, offsets, quiet, gentle):
    out = np.full((len(wheels), len(offsets) - 1), NAN)
    for w, row in enumerate(wheels):
        for e, span in enumerate(spans(offsets)):
            for i in span[1:]:
                if not (row[i] == 0 and row[i - 1] > 0):
                    continue
                before = [j for j in span if j < i and time_s[i] - time_s[j] <= 0.4 + TIME_SLACK]
                rolled = all(
                    row[j] > 0 and row[j] > (1 - quiet) * speed[j] - 0.05 and not decel[j] >= gentle for j in before
                )
                if rolled and len(before) >= 3:
                    at_zero = np.polyfit([time_s[j] - time_s[i] for j in before], [row[j] for j in before], 1)[1]
                    out[w, e] = max(min(at_zero, row[i - 1]), 0.0)
    return out


def pool(lowest, at_zero, step, vehicle, most, least, least_stops):
    out = np.zeros(lowest.shape)
    for w in range(len(lowest)):
        for e in range(len(vehicle)):
            same = [k for k in range(len(vehicle)) if vehicle[k] == vehicle[e]]
            own = [at_zero[w, k] for k in same if known(at_zero[w, k])]
            rows, needed = ([w], least_stops) if len(own) >= least_stops else (range(len(lowest)), 2 * least_stops)
            stops = [at_zero[r, k] for k in same for r in rows if known(at_zero[r, k])]
            under = min((lowest[r, k] for k in same for r in rows if known(lowest[r, k])), default=np.inf)
            floor = max(under, min(stops, default=np.inf))
            if len(stops) >= needed and min(stops) > least and floor <= most:
                out[w, e] = floor
            coarse = max(step[w, k] for k in same)
            if coarse > least:
                out[w, e] = max(out[w, e], coarse)
    return out


# --- near misses


def wheel_fall(time_s, wheel, decel, offsets, rate_hz):
    out = np.full(wheel.shape, NAN)
    for w, row in enumerate(wheel):
        for e, span in enumerate(spans(offsets)):
            for i in span[1:]:
                step = max(time_s[i] - time_s[i - 1], 1.0 / rate_hz[e] if rate_hz[e] > 0 else 0.0)
                out[w, i] = (row[i - 1] - row[i]) / step - decel[i]
    return out


def excursions(slip, fall, locked, start, stop, deep, steep, steep_slip, back):
    count = np.zeros((len(slip), len(start)), np.int64)
    deepest = np.full((len(slip), len(start)), NAN)
    for w, row in enumerate(slip):
        for e, span in enumerate(bounded(start, stop)):
            out_there = []
            for i in span:
                if row[i] >= back:
                    out_there.append(i)
                    continue
                if known(row[i]) and out_there:
                    reached = any(row[j] >= deep or (row[j] >= steep_slip and fall[w, j] >= steep) for j in out_there)
                    if reached and not any(locked[w, j] for j in out_there):
                        count[w, e] += 1
                        deepest[w, e] = np.fmax(deepest[w, e], max(row[j] for j in out_there))
                out_there = []
    return count, deepest

"""What the wheels of one event tell: signals that are lost, slip, lockups, near misses. From ``features.sensors`` on.

The walks from sample to sample are those of ``naive_sensors`` and ``naive_detection``; the rest is NumPy.
"""

import numpy as np

from tests.naive import naive_detection, naive_sensors
from tests.naive.whole import believing
from tests.naive.whole import numbers as nb
from tests.naive.whole.speed import settled


def silent(e):
    """Wheels that say nothing in the event: unsensed, never turning, or on a raised axle."""
    turns = 0.9 if (e.channel("lift_axle_up") >= 0.5).any() else 0.1
    e.silent = naive_sensors.dead(e.lines, e.speed, e.braking, [0, len(e.t)], 3.0, [turns])[:, 0]


def read(e, c):
    """Samples at which a signal is lost, what may be believed, and its slip. ``suspect``: silent in the next event."""
    seen = np.where(e.silent[:, None], np.nan, e.wheel_speed)
    wild = ~believing.believable(e, seen, c) & nb.known(seen)
    sane = np.where(wild, np.nan, seen)
    suspect = e.silent_next
    lost = believing.lost(e, sane, suspect, c)
    caught = np.array([_caught(e, x & ~y, z, c) for x, y, z in zip(lost, wild, sane, strict=True)], bool)
    if (caught & ~suspect).any():
        lost = believing.lost(e, sane, suspect | caught, c)
    e.lost = lost | wild
    gone = e.lost | e.silent[:, None]
    e.reading = np.where(gone, np.nan, e.wheel_speed)
    e.slips = np.where(gone, np.nan, e.slip)
    e.dropout = np.array([nb.marked_time(e.t, row & (e.speed > 3.0)) for row in e.lost])
    e.dropout[e.silent] = np.nan


def _caught(e, lost, sane, c):
    """A sensor whose fault looks like a locked wheel: it read something while lost, or nothing for a lockup's time."""
    moves = lost & (e.speed > c.moving_mps)
    return bool((moves & nb.known(sane)).any() or nb.long_above(e.t, np.where(moves, 1.0, 0.0), 1.0, c.least_lockup_s))


def floors(events, c):
    """Speed under which each sensor reads zero, by all events of a vehicle."""
    if not events[0].wheels:
        for e in events:
            e.floor = np.zeros(0)
        return
    at = [(e.reading, [0, len(e.t)]) for e in events]
    lowest = np.hstack([naive_sensors.lowest_reading(*x) for x in at])
    step = np.hstack([naive_sensors.counted_step(*x) for x in at])
    zero = np.hstack(
        [
            naive_sensors.speed_at_zero(
                e.t, e.reading, e.speed, e.decel, [0, len(e.t)], c.cycle_peak_slip, c.floor_gentle_mps2
            )
            for e in events
        ]
    )
    found = naive_sensors.pool(
        lowest, zero, step, [0] * len(events), c.floor_most_mps, c.floor_least_mps, int(c.floor_least_stops)
    )
    for e, floor in zip(events, found.T, strict=True):
        e.floor = np.maximum(e.wheel_floor, floor)


def wheel_facts(e, c):
    """Lockups, near misses and slips of each wheel ``(w,)``."""
    floor = e.floor[:, None]
    with np.errstate(all="ignore"):
        proven = np.where(e.reading <= floor, np.minimum(e.slips, 1.0 - floor / e.speed), e.slips)
    e.fast = e.speed > c.modulation_least_speed_mps
    _lockups(e, c)
    locked = e.verdict == 1
    greatest = np.array([nb.peak(np.where(e.fast, x, np.nan)[e.part]) for x in proven])
    e.peak_slip = np.where(e.silent, np.nan, np.where(locked, 1.0, np.clip(greatest, 0.0, 1.0)))
    bound = (e.reading <= floor) & (floor > 0) & e.braking & e.fast
    e.is_bound = bound.any(axis=1) & ~locked
    _near_misses(e, proven, c)
    e.noise = np.array(
        [
            nb.noise(np.where(np.isnan(s), np.nan, x - e.speed)[: max(e.start, 0)])
            for s, x in zip(e.slips, e.lines, strict=True)
        ]
    )
    quick = np.where(e.fast, e.slips, np.nan)[:, e.part]
    long = [nb.long_above(e.t[e.part], x, c.used_up_slip, c.used_up_s) for x in quick]
    e.long_slip = np.array(long, bool)
    _quiet_slip(e, c)
    e.peak_pressure = np.array([nb.peak(x[e.part]) for x in e.wheel_pressure])


def _quiet_slip(e, c):
    """Mean slip before the demand, under held demand and after release; the latter two less the first."""
    onset = e.speed[e.start] if e.began else np.inf
    erratic = np.nan_to_num(e.noise) > c.noisiest_slip * onset
    rolls = e.supported & (e.speed > 3.0)
    means = [
        np.array([nb.phase_mean(e.t, x, use & rolls, c.free_roll_s) for x in e.slips])
        for use in (e.before, e.steady, e.after)
    ]
    e.free_slip, steady, released = (np.where(erratic, np.nan, x) for x in means)
    e.steady_slip, e.released_slip = steady - e.free_slip, released - e.free_slip


def _lockups(e, c):
    """Verdict of each wheel (1, 0, -1), its facts, and the single lockups as (wheel, first, last, begin, end)."""
    count, n = len(e.wheels), len(e.t)
    e.verdict, e.spans = np.full(count, -1), []
    facts = ("total", "longest", "onset", "onset_speed", "slide", "held_speed", "open_speed")
    for name in facts:
        setattr(e, "lock_" + name, np.full(count, np.nan))
    e.locked_above = np.full((3, count), np.nan)
    if e.began:
        state = naive_detection.lock_state(
            e.reading, np.zeros((count, n), bool), e.speed, e.supported, [0, n], c.moving_mps, c.lock_ratio,
            c.unlock_ratio, e.floor[:, None],
        )  # fmt: skip
        for w in range(count):
            _walk(e, w, state[w], c)
    limits = (c.allowed_15_kmh_mps, c.allowed_10_mph_mps, c.allowed_20_mph_mps)
    for k, limit in enumerate(limits):
        times = [(w, 0, begin, end) for w, _, _, begin, end in e.spans]
        above = naive_detection.longest_above(e.t, e.speed, [0, n], times, (count, 1), limit)[:, 0]
        unknown = (e.verdict < 0) | ((e.verdict == 1) & np.isnan(e.lock_longest))
        e.locked_above[k] = np.where(unknown, np.nan, above)


def _walk(e, w, state, c):
    """One wheel of a braking event: which of its locked runs count, what cannot be decided."""
    t, wheel, speed, hz = e.t, e.reading[w], e.speed, e.wheel_seen_hz
    span = range(e.judged.start, e.judged.stop)
    gap = max(c.gap_s, 2.5 / hz) if hz > 0 else c.gap_s
    locks = naive_detection._locks(t, state, span, c.lockup_merge_s, gap)
    doubts = naive_detection._openings(t, state, speed, span, locks, gap, c.least_lockup_s)
    counted, unended = [], False
    for run in locks:
        until = min(run.stop, span.stop - 1)
        until = run.stop - 1 if t[until] - t[run.stop - 1] > gap + nb.SLACK else until
        lasted, before = t[until] - t[run.start], max(run.start - 1, 0)
        step = t[run.start] - t[before]
        step = max(step, 1.0 / hz) if hz > 0 and step > 0 else step
        if step > 0 and wheel[before] - wheel[run.start] > c.wheel_fall_most_mps2 * step:
            doubts += [speed[run.start]] if lasted >= c.least_lockup_s - nb.SLACK else []
        elif lasted >= max(c.least_lockup_s, 1.5 / hz if hz > 0 else 0) - nb.SLACK and until - run.start >= 2:
            edges = naive_detection._edges(
                t, wheel, speed, span, run.start, run.stop, until, hz, gap, c.moving_mps, c.lock_ratio
            )
            counted.append((*edges, range(span.start, until + 1)))
            e.spans.append((w, run.start, until, *edges))
            sides = [(a, b) for a, b in ((run.start, run.start - 1), (run.stop - 1, run.stop)) if b in span]
            unended |= any(state[b] == naive_detection.UNKNOWN or abs(t[b] - t[a]) > gap + nb.SLACK for a, b in sides)
        elif not hz >= 2.0 / c.least_lockup_s and t[until] - t[before] >= c.least_lockup_s:
            doubts.append(speed[run.start])
    if not hz >= c.least_rate_lockup_hz:
        doubts.append(np.inf)
    e.lock_open_speed[w] = max(doubts, default=np.nan)
    e.verdict[w] = 1 if counted else -1 if doubts else 0
    if counted:
        _tell(e, w, counted, unended, c)


def _tell(e, w, counted, unended, c):
    def line(values, moment, rows):
        return naive_detection._line(e.t, values, moment, rows)

    lengths = [b - a for a, b, _ in counted]
    e.lock_onset[w], e.lock_onset_speed[w] = counted[0][0], line(e.speed, counted[0][0], counted[0][2])
    e.lock_held_speed[w] = nb.peak(np.array([line(e.speed, min(a + c.least_lockup_s, b), r) for a, b, r in counted]))
    if not unended:
        e.lock_total[w], e.lock_longest[w] = sum(lengths), max(lengths)
        e.lock_slide[w] = sum(line(e.distance, b, r) - line(e.distance, a, r) for a, b, r in counted)


def _near_misses(e, proven, c):
    """Excursions of slip caught before a lockup; -1 where they could not be seen."""
    count, n = len(e.wheels), len(e.t)
    seen = np.where(e.supported & e.fast, proven, np.nan)
    fall = np.full((count, n), np.nan)
    if n > 1:
        step = np.fmax(np.diff(e.t), 1.0 / e.wheel_seen_hz if e.wheel_seen_hz > 0 else 0.0)
        fall[:, 1:] = -np.diff(e.reading, axis=1) / step - e.decel[1:]
    locked = np.zeros((count, n), bool)
    for w, first, last, _, _ in e.spans:
        locked[w, first : last + 1] = True
    start, stop = ([e.judged.start], [e.judged.stop]) if e.began else ([-1], [-1])
    found, deepest = naive_sensors.excursions(
        seen, fall, locked, start, stop, c.near_lock_slip, c.near_lock_fall_mps2, c.near_lock_fall_slip, c.used_up_slip
    )
    slow = not e.wheel_seen_hz >= c.least_rate_near_lock_hz
    blind = ((found[:, 0] == 0) & ((e.verdict < 0) | e.silent | slow)) | (not e.began)
    e.near = np.where(blind, -1, found[:, 0])
    e.near_slip = np.where(blind, np.nan, deepest[:, 0])
    rows = np.where(nb.known(seen), fall, np.nan)[:, e.judged]
    e.wheel_fall = np.array([np.nan if slow else nb.peak(x) for x in rows])


def between(e, c):
    """Time in which each wheel rolled unbraked, and that without its signal: before and after the application."""
    quiet = settled(e.t, e.on, c.release_look_s) & ~(e.channel("lift_axle_up") >= 0.5) & e.supported
    other = [name[:-1] + {"L": "R", "R": "L"}[name[-1]] for name in e.wheels]
    partner = [e.wheels.index(name) if name in e.wheels else -1 for name in other]
    lost = believing.rolling_loss(e, partner, quiet, 3.0, c)
    rolls = e.speed > 3.0
    turned = ((e.wheel_speed > 0.1 * e.speed) & rolls).any(axis=1)
    e.between_lost = np.where(turned, [nb.marked_time(e.t, x) for x in lost], np.nan)
    e.between_watched = np.where(turned, nb.marked_time(e.t, quiet & rolls), np.nan)


def struggling(e, c):
    """Wheels that locked, cycled or slipped past the peak."""
    e.struggling = (e.verdict == 1) | (e.cycles >= c.least_cycles) | e.long_slip

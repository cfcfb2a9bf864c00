"""Release-and-rebuild cycles of each wheel of one event, by its slip or its pressure. From ``features.cycles``.

Counting is the walk of ``naive_cycles``; what is asked of it stands here, wheel arrays being ``(w,)``.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from fleetbrake.core.vocabulary import BRAKE_SOURCES
from tests.naive import naive_cycles
from tests.naive.whole import numbers as nb
from tests.naive.whole.speed import DECELERATION, PRESSURE, SWITCH

STOPPING = [BRAKE_SOURCES.index(name) for name in ("aeb", "acc", "hold")]
STABILITY = BRAKE_SOURCES.index("esc")


def cycles(e, c):
    """``cycles``, ``cycles_hz``, ``cycles_rate_hz``, ``modulated`` (1, 0, -1) and ``once_a_turn`` of each wheel."""
    e.unasked_brakes = _unasked(e, c)
    by_stability = np.zeros(len(e.t), bool)
    if e.brake_source is not None:
        by_stability = (e.brake_source == STABILITY) & ~(e.channel("brake_pedal_pct") >= c.pedal_on_pct)
    e.usable = ~(e.unasked_brakes | by_stability)
    e.flagged = e.began and nb.peak(e.channel("abs_active")[e.part]) >= 0.5
    told = _by_slip(e, c)
    yes = (told.cycles >= c.least_cycles) & ~told.turns & ~told.doubtful
    count, hz, rate, seen = told.cycles, told.hz, told.rate_hz, told.seen
    doubtful = told.doubtful | told.turns
    if nb.known(e.wheel_pressure).any():
        pressed = _by_pressure(e, c)
        pulsed = (pressed.cycles >= c.least_cycles) & ~pressed.turns & ~pressed.doubtful
        instead = (pulsed & (~yes | (pressed.rate_hz > rate))) | (~yes & ~seen & pressed.seen)
        count, hz = np.where(instead, pressed.cycles, count), np.where(instead, pressed.hz, hz)
        rate, doubtful = np.where(instead, pressed.rate_hz, rate), np.where(instead, pressed.doubtful, doubtful)
        yes, seen = yes | pulsed, seen | instead
    e.cycles = np.where((e.silent & ~seen) | (doubtful & ~yes), 0, count)
    e.cycles_hz, e.cycles_rate_hz, e.once_a_turn = np.where(e.cycles > 0, hz, np.nan), rate, told.turns
    e.modulated = np.where(yes, 1, np.where(seen & ~doubtful, 0, -1)) if e.began else np.full(len(e.wheels), -1)


def _unasked(e, c):
    """The friction brakes were off, or on at no more than half of the wheels and without the pedal."""
    pressed = np.array([nb.peak(x) for x in e.wheel_pressure])
    line = nb.known(e.channel("brake_pressure_kpa")).any() or nb.known(pressed).any()
    foot = nb.known(e.channel("brake_pedal_pct")).any()
    by_system = e.brake_source is not None and np.isin(e.brake_source, STOPPING).any()
    at_rest = e.kind in (SWITCH, DECELERATION) and (line or (foot and not by_system))
    braked = (pressed > c.pressed_share * np.nan_to_num(nb.peak(pressed))).sum() if len(pressed) else 0
    of = nb.known(pressed).sum()
    return bool(at_rest or (e.kind == PRESSURE and of >= 3 and braked > 0 and 2 * braked <= of))


def _counted(e, c, value, depth, usable, held, foot, limits, way):
    found = naive_cycles.count_cycles(
        e.t, way, value, depth, usable & e.fast, held, [foot], [e.start], [e.stop], *limits, c.cycle_longest_s,
        (c.turn_least_m, c.turn_most_m, c.turn_spread),
    )  # fmt: skip
    cycles, hz, _, _, spread, turns = (x[:, 0] for x in found)
    return SimpleNamespace(cycles=cycles, hz=hz, spread=spread, turns=turns)


def _foot(e, c):
    return c.foot_shortest_s if e.kind == PRESSURE else 0.0


def _slip_count(e, c):
    """The counting of slip cycles; depth grows with the noise and with the unbraked swing of each wheel."""

    def count(slip, grain, swing, c=c, held=e.held, foot=None):
        depth = np.fmax(c.cycle_slip, needed(grain, swing, c)[:, None] / np.maximum(e.speed, 0.1))
        limits = (c.cycle_peak_slip, c.cycle_depth_share, c.demand_held_share)
        usable = e.supported & e.usable
        return _counted(e, c, slip, depth, usable, held, _foot(e, c) if foot is None else foot, limits, e.distance)

    return count


def needed(grain, swing, c):
    noise = c.cycle_noise_factor * np.nan_to_num(grain)
    return np.maximum(noise, c.cycle_swing_factor * np.nan_to_num(swing))


def _merged(base, other, instead):
    names = ("cycles", "hz", "spread")
    merged = {name: np.where(instead, getattr(other, name), getattr(base, name)) for name in names}
    return SimpleNamespace(**merged, turns=base.turns & ~instead)


def _each(function, rows):
    return np.array([function(x) for x in rows]).reshape(rows.shape)


def _swing(e, c, smooth):
    """How far each wheel swings against the vehicle while nobody brakes, m/s; smoothed as the slip is."""
    residual = np.where(np.isnan(e.slips), np.nan, e.lines - e.speed)
    free = (e.before | e.after) & e.supported & (e.speed > 3.0)
    window = max(c.cycle_swing_window_s, 16.0 / e.wheel_seen_hz)
    return naive_cycles.free_swing(_each(smooth, residual), free, e.t, [0, len(e.t)], [window])[:, 0]


def _foot_may_be(e, c, count, found):
    """Cycles that may be a pumping foot which no channel shows: slow, and in step with the deceleration."""
    if e.kind not in (SWITCH, DECELERATION):
        return np.zeros(len(e.wheels), bool)
    in_step = count(held=e.decel, foot=c.foot_shortest_s)
    return (found.cycles >= c.least_cycles) & (in_step.cycles < c.least_cycles)


def _by_slip(e, c):
    own = np.array([nb.effective_rate(e.t, [x]) for x in e.wheel_speed])
    rate = np.where(own < 0.6 * e.wheel_seen_hz, own, e.wheel_seen_hz)
    quick = e.wheel_seen_hz >= 75.0
    same = np.asarray
    smooth = nb.three_point if quick else same
    swing, slow = _swing(e, c, smooth), rate < c.alias_free_hydraulic_hz
    grain = np.where(slow | np.isnan(swing), e.noise, np.nan)
    count, slip = _slip_count(e, c), _each(smooth, e.slips)
    found = count(slip, grain, swing)
    if quick:
        raw = count(e.slips, grain, _swing(e, c, same))
        even = (raw.cycles >= c.quick_cycles) & (raw.spread <= c.quick_cycle_spread)
        found = _merged(found, raw, (found.cycles < c.least_cycles) & even)
    doubtful = _foot_may_be(e, c, lambda **more: count(slip, grain, swing, **more), found)
    found, doubtful = _hopping(e, c, count, found, doubtful, grain, swing)
    found.turns = found.turns | count(slip, 0.0 * e.noise, np.zeros(len(e.wheels))).turns
    need = needed(grain, swing, c)
    onset = e.speed[e.start] if e.began else np.inf
    seen = ~e.silent & ~(slow & _suspect(e, c, need)) & ~_drowned(e, c, count, slip, grain, swing, slow)
    seen &= ~(need > 0.5 * onset) & ~_hidden(e, c) & (rate >= c.least_rate_modulation_hz)
    return SimpleNamespace(**vars(found), doubtful=doubtful, seen=seen, rate_hz=rate)


def _hopping(e, c, count, found, doubtful, grain, swing):
    """Where a wheel hops unbraked, cycles are counted on its mean over a hop."""
    slip = _each(lambda x: nb.mean_around(e.t, x, 0.051), e.slips)
    still = _swing(e, c, lambda x: nb.mean_around(e.t, x, 0.051))
    with np.errstate(all="ignore"):
        hushed = grain * (still / swing)
    slowly = count(slip, hushed, still)
    hop = (still < 0.5 * swing) & (found.cycles < c.least_cycles) & (slowly.cycles >= c.least_cycles)
    if hop.any():
        found = _merged(found, slowly, hop)
        foot = _foot_may_be(e, c, lambda **more: count(slip, hushed, still, **more), slowly)
        doubtful = np.where(hop, foot, doubtful)
    return found, doubtful


def _drowned(e, c, count, slip, grain, swing, slow):
    """Cycles that neither prove a control nor can be told from the road or from quicker ones."""
    swings = count(slip, grain, swing, replace(c, cycle_longest_s=np.inf)).cycles
    deeper = count(slip, 0.0 * swing, swing * 1.25 / c.cycle_swing_factor).cycles
    return (slow & (swings > 0)) | (deeper >= c.least_cycles)


def _suspect(e, c, need):
    """Slip that stays deep for the time of two quick cycles, or the vehicle's own word."""
    with np.errstate(all="ignore"):
        deep = e.slips > np.fmax(c.cycle_peak_slip, need[:, None] / e.speed)
    marked = deep & (e.slips < 1.0 - c.unlock_ratio) & e.braking & e.usable & e.fast
    long = np.array([nb.marked_time(e.t, x) for x in marked]) >= c.two_quick_cycles_s
    return long | e.flagged


def _hidden(e, c):
    """Slip that was missing for as long as a gap while it mattered, or rows that were."""
    mattered = e.braking & e.fast
    missing = np.array([nb.marked_time(e.t, np.isnan(x) & mattered) for x in e.slips])
    return (missing >= c.gap_s) | e.gapped


def _by_pressure(e, c):
    """What the wheels' own pressures tell."""
    greatest = np.array([nb.peak(x[e.part]) for x in e.wheel_pressure])
    rate = nb.effective_rate(e.t, e.wheel_pressure)
    with np.errstate(all="ignore"):
        share = e.wheel_pressure / greatest[:, None]
    share[~(greatest >= 5.0 * c.pressure_on_kpa)] = np.nan
    depth, none = np.full(share.shape, c.cycle_pressure_least), np.full(len(e.t), np.nan)
    limits = (2.0 * c.cycle_pressure_least, c.cycle_pressure_share, 1.0 - 0.5 * c.cycle_pressure_share)

    def count(c=c, held=e.held, foot=_foot(e, c)):
        return _counted(e, c, share, depth, np.full(len(e.t), e.usable), held, foot, limits, none)

    found, swings = count(), count(c=replace(c, cycle_longest_s=np.inf)).cycles
    slow, enough = not rate >= c.alias_free_hydraulic_hz, rate >= c.least_rate_modulation_hz
    seen = nb.known(greatest) & enough & ~(slow & ((swings > 0) | e.flagged)) & (not e.gapped)
    found.cycles = np.where(enough, found.cycles, 0)
    doubtful = _foot_may_be(e, c, count, found)
    return SimpleNamespace(**vars(found), doubtful=doubtful, seen=seen, rate_hz=np.full(len(greatest), rate))

"""The signals of one event: believable wheels, reference speed, slip, deceleration, demand. Plain NumPy.

Written from ``fleetbrake.features.motion``, ``features.signals`` and ``kinematics.reference_speed``.
"""

from types import SimpleNamespace

import numpy as np

from fleetbrake.core.units import G_MPS2
from fleetbrake.core.vocabulary import BRAKE_SOURCES, DEPENDENT_SPEED_SOURCES
from tests.naive import naive_wheel_speed
from tests.naive.whole import believing, smoother, vehicle
from tests.naive.whole import numbers as nb

SYSTEMS = [BRAKE_SOURCES.index(name) for name in ("aeb", "acc", "esc")]
PEDAL, PRESSURE, SWITCH, DECELERATION = range(4)


def prepare(e, c):
    """Rates, believable wheels as lines, and where nothing brakes: what the vehicle is learned from."""
    whole = [0, len(e.t)]
    e.row_hz = nb.row_rate(e.t)
    raw = e.channel("speed_mps")
    e.speed_channel = np.where(naive_wheel_speed.bursts(e.t, raw, whole), np.nan, raw)
    e.speed_hz, e.wheel_hz = nb.effective_rate(e.t, [e.speed_channel]), nb.effective_rate(e.t, e.wheel_speed)
    e.speed_seen_hz, e.wheel_seen_hz = nb.sure_rate(e.t, [e.speed_channel]), nb.sure_rate(e.t, e.wheel_speed)
    e.accel_hz = nb.sure_rate(e.t, [e.channel("accel_long_mps2")])
    sound = believing.believable(e, e.wheel_speed, c)
    sound &= ~naive_wheel_speed.leaps(e.t, np.where(sound, e.wheel_speed, np.nan), whole)
    rows = [nb.unheld(e.t, x, e.wheel_seen_hz) for x in np.where(sound, e.wheel_speed, np.nan)]
    e.lines = np.array(rows).reshape(e.wheel_speed.shape)
    e.dependent = e.speed_source in DEPENDENT_SPEED_SOURCES
    e.free = _free(e, c)


def _free(e, c):
    """Samples at which nothing brakes, nor did for a while before."""
    asked, spoken = np.zeros(len(e.t), bool), np.zeros(len(e.t), bool)
    for name, least in (("brake_pedal_pct", c.pedal_on_pct), ("brake_switch", 0.5)):
        spoken |= nb.known(e.channel(name))
        asked |= e.channel(name) >= least
    if e.pressure is not None:
        above, least = above_rest(e.pressure, c)
        spoken |= nb.known(e.pressure)
        asked |= above >= least
    for name, least in (("endurance_torque_pct", 2.0), ("regen_power_kw", 0.5)):
        asked |= np.abs(e.channel(name)) >= least
    if e.brake_source is not None:
        asked |= np.isin(e.brake_source, SYSTEMS)
    slowing = nb.slope(e.t, vehicle.rolling(e.lines), 0.3)
    asked |= ~spoken & ~(np.abs(slowing) < 0.6)
    return settled(e.t, asked, c.release_look_s)


def settled(t, asked, after):
    """Nothing asked here nor in the ``after`` seconds before."""
    last = np.maximum.accumulate(np.where(asked, t, -np.inf))
    return t - last > after


def above_rest(pressure, c):
    lowest, highest = -nb.peak(-pressure), nb.peak(pressure)
    rest = np.clip(np.nan_to_num(lowest), 0.0, 2.0 * c.pressure_on_kpa)
    return pressure - rest, max(c.pressure_on_kpa, c.pressure_on_share * np.nan_to_num(highest - rest))


def derive(e, c):
    """Reference speed with support, slip, deceleration and demand of one event of a vehicle that is known."""
    _reference(e)
    e.carrier_hz = e.accel_hz if e.has_accel else e.speed_seen_hz if e.has_channel else e.wheel_seen_hz
    e.decel = _decel(e)
    slow = e.has_channel and e.carrier_hz < c.least_rate_peak_hz
    e.measured = e.line if slow else np.where(e.supported, e.speed, np.nan)
    with np.errstate(all="ignore"):
        slip = 1.0 - e.lines * e.radius[:, None] / e.speed
    e.slip = np.where((e.speed > c.moving_mps) & e.supported, slip, np.nan)
    grade = np.nan_to_num(e.channel("grade"))
    e.slope_extra = -G_MPS2 * grade / np.sqrt(1.0 + grade**2)
    _demand(e, c)


def _reference(e):
    n = len(e.t)
    wheels = vehicle.joined(e, e.lines * e.radius[:, None])
    accel = np.where(e.used, e.accel_line, np.nan)
    e.has_accel = bool(nb.known(accel).sum() >= 0.5 * n)
    e.has_channel = bool(e.independent and nb.known(e.speed_channel).sum() >= 0.5 * n)
    top, rolls = vehicle.fastest(wheels), vehicle.rolling(wheels)
    holds, slides = vehicle.carried(e.t, top, vehicle.envelope(e.t, top))
    s = SimpleNamespace(t=e.t, accel=accel, gain=e.gain, gain_se=e.gain_se, fresh=e.fresh, wheel_hz=e.wheel_seen_hz)
    s.accel_noise = np.nan_to_num(nb.noise(accel[nb.known(accel)]))
    s.speed = e.speed_channel if e.independent else np.full(n, np.nan)
    s.speed_noise = np.nan_to_num(nb.noise(e.speed_channel[e.fresh]))
    s.delay = np.nan_to_num(e.delay)
    s.free = np.where(e.free, rolls, np.nan)
    beside = (not e.independent) if e.has_accel else holds
    s.braked = np.where(beside, top, np.nan)
    s.wheel_noise = np.nan_to_num(nb.noise(rolls[e.free & nb.known(rolls)]))
    s.alone = not e.has_accel and not (e.independent and e.speed_seen_hz >= 5.0)
    speed, e.accel_smooth, tilt, error = smoother.smooth(s)
    scale = 0.001 if e.independent else 0.006
    hidden = 0.015 if not e.has_accel and not e.independent else 0.0
    scale = np.where(e.free, scale, np.hypot(scale, hidden))
    e.level_se = np.hypot(error, scale * np.maximum(speed, 0.0))
    e.speed = np.where(e.level_se <= 3.0, speed, np.nan)
    e.supported = (e.level_se <= np.fmax(0.4, 0.04 * e.speed)) & ~_blind(e, s)
    if not e.has_accel and not e.independent:
        e.supported &= ~slides
    age = 0.006 if e.has_accel else 0.15 if np.isnan(e.delay) else 0.04
    e.age_error = age if e.independent else 0.0
    e.speed_se = np.hypot(e.level_se, np.hypot(e.age_error, 0.1 / e.row_hz) * np.abs(e.accel_smooth))
    e.tilt = tilt if e.has_accel else np.full(n, np.nan)
    e.line = nb.unheld(e.t, e.speed_channel, e.speed_seen_hz)
    e.mean_error = _mean_error(e, s)


def _blind(e, s):
    """Samples in a hole of all sources that is too long to be bridged."""
    read = nb.known(s.accel) | nb.known(s.free) | nb.known(s.braked) | nb.known(s.speed)
    hole = max(0.5, 1.5 / e.speed_seen_hz) if e.independent else 0.5
    out = np.zeros(len(e.t), bool)
    for a, b in nb.runs(~read):
        begin, end = e.t[max(a - 1, 0)], e.t[min(b, len(e.t) - 1)]
        out[a:b] = end - begin > hole + nb.SLACK or b - a == len(e.t)
    return out


def _mean_error(e, s):
    """Noise of a mean deceleration over 0.2 s."""
    if e.has_accel:
        return np.nan_to_num(s.accel_noise * e.gain / np.sqrt(np.fmax(1.0, 0.2 * e.accel_hz)))
    power = (s.speed_noise**2 / e.speed_seen_hz) if e.independent else (s.wheel_noise**2 / e.wheel_seen_hz)
    return np.nan_to_num(np.sqrt(power / (2.0 * np.sqrt(2.0)) / np.fmax(power**0.25, 0.1) ** 3))


def _decel(e):
    if e.has_accel:
        return -e.accel_smooth
    noise = np.nan_to_num(nb.noise(e.channel("speed_mps")))
    noise = noise / np.sqrt(5.0) if e.carrier_hz >= 40.0 else noise
    window = np.fmax(np.fmax(2.0 / e.row_hz, 1.0 / e.carrier_hz), min(0.4, noise * np.sqrt(2.0) / 0.15))
    return nb.slope(e.t, e.speed, window)


def _decel_on(t, decel, high, low, hold):
    """Runs above ``low`` that stay above ``high`` for ``hold`` somewhere."""
    on = np.zeros(len(t), bool)
    for a, b in nb.runs(decel >= low):
        strong = [(a + p, min(a + q, len(t) - 1)) for p, q in nb.runs(decel[a:b] >= high)]
        on[a:b] = any(t[q] - t[p] >= hold - nb.SLACK for p, q in strong)
    return on


def _demand(e, c):
    """The best demand channel that moves in the event; ``kind`` -1 where none does."""
    e.by_system = e.brake_source is not None and bool(np.isin(e.brake_source, SYSTEMS).any())
    offers, recorded = [], False
    if "brake_pedal_pct" in e.channels:
        pedal = e.channel("brake_pedal_pct")
        offers.append((PEDAL, pedal, pedal >= c.pedal_on_pct))
    if e.pressure is not None:
        above, least = above_rest(e.pressure, c)
        offers.append((PRESSURE, above, above >= least))
    if "brake_switch" in e.channels:
        offers.append((SWITCH, e.channel("brake_switch"), e.channel("brake_switch") >= 0.5))
    recorded = any(nb.known(values).any() for _, values, _ in offers)
    braking = _decel_on(e.t, e.decel, c.decel_on_cut_mps2, c.decel_onset_mps2, c.decel_hold_s)
    offers.append((DECELERATION, e.decel, braking & (not recorded or e.by_system)))
    nothing = (-1, np.full(len(e.t), np.nan), np.zeros(len(e.t), bool))
    e.kind, e.level, on = next((offer for offer in offers if offer[2].any()), nothing)
    e.measured_demand = e.kind in (PEDAL, PRESSURE)
    shown = np.inf
    if e.measured_demand:
        rate = nb.effective_rate(e.t, [e.level])
        rate = nb.seen_rate(e.t, [e.level]) if np.isnan(rate) and e.has_accel else rate
        shown = np.inf if np.isnan(rate) else rate
    period = 1.0 / shown if shown < 0.5 * e.row_hz else 0.0
    e.on = _reach_back(e.t, on, e.decel, min(period, 1.5), c.decel_onset_mps2)
    late = (e.on & ~on).any()
    e.onset_doubt = min(0.6, period) / 2.0 if late else 0.25 / e.row_hz


def _reach_back(t, on, decel, period, least):
    """Demand that a slow channel shows late, taken back to where the vehicle began to slow."""
    out = on.copy()
    for a, _ in nb.runs(on) if period > 0 else ():
        j = a - 1
        while j >= 0 and not on[j] and t[a] - t[j] <= period and decel[j] >= least:
            out[j] = True
            j -= 1
    return out

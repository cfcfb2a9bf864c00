"""The road under one event: friction used up, fitted tyre curves, the surface, what a lockup cost.

By matrices within an event; curves and their beliefs are those of ``detection.surface``, told anew here from the
criteria. From ``features.road``.
"""

import numpy as np

from fleetbrake.core.units import G_MPS2
from fleetbrake.core.vocabulary import SURFACES
from fleetbrake.kinematics.friction import CURVES, SETS  # published figures, not computed
from tests.naive.whole import numbers as nb

ZONES = [0.02, 0.04, 0.06, 0.09, 0.13, 0.2, 0.3, 0.5, 0.8]
KIND = np.array([0, 0, 0, 1, 1, 2, 2, 2, 2, 0, 1, 3])  # dry, wet, snow or ice, loose
ODDS = np.array([0.13, 0.10, 0.02, 0.18, 0.03, 0.05, 0.05, 0.05, 0.05, 0.10, 0.09, 0.15])
C2, LOOSE = SETS[:, 1], CURVES.index("loose")
SPLIT, UNKNOWN = SURFACES.index("split"), SURFACES.index("unknown")


def road(e, c):
    """``used_up``, ``surface`` (code), its probability, friction levels, and the cost of lockups."""
    e.left, e.front = (np.array([test(name) for name in e.wheels], bool) for test in (_is_left, _is_front))
    e.sensed = ~e.silent
    e.used_up = _used_up(e) if e.began and e.carried else -1
    with np.errstate(all="ignore"):
        e.net_slip = 1.0 - (1.0 - e.slips) / (1.0 - np.nan_to_num(e.free_slip)[:, None])
    e.share = _shares(e, c)
    split = _split(e, c) and e.began
    pairs = _pairs(e, c) if e.used_up == 1 and e.began else []
    fit = _fit(e, pairs, c)
    by_surface = np.array([fit["probability"][code == KIND].sum() for code in range(4)])
    named = e.used_up == 1 and fit["fits"] and by_surface.max() >= c.surface_least_probability and not split
    e.surface = SPLIT if split else int(by_surface.argmax()) if named else UNKNOWN
    e.surface_probability = by_surface.max() if named else np.nan
    _levels(e, fit, c)


def _is_left(name):
    return name.endswith("L")


def _is_front(name):
    return name.startswith("1")


def _used_up(e):
    bad = e.struggling & e.sensed
    if not e.sensed.any():
        return -1
    return int((bad.any() and 2 * bad.sum() >= e.sensed.sum()) or bad[e.front].sum() >= 2)


def _shares(e, c):
    axle = np.array([int(name[:-1]) for name in e.wheels], int)
    axles = len(set(axle))
    front = c.front_share if axles <= 2 else c.front_share_many_axles
    return np.where(axle == 1, front, (1.0 - front) / max(axles - 1, 1)) / 2.0


def _split(e, c):
    """One side struggles alone, or the vehicle turns to the side whose wheels have it easier."""
    bad, left, front = e.struggling & e.sensed, e.left, e.front
    both = (e.sensed & left).sum() >= 2 and (e.sensed & ~left).sum() >= 2
    here, there = (bad & left).sum(), (bad & ~left).sum()
    one = both and ((here >= 2 and there == 0) or (there >= 2 and here == 0))
    fast = e.braking & e.fast
    yaw = e.channel("yaw_rate_radps")
    before, during = (nb.phase_mean(e.t, yaw, use, c.free_roll_s) for use in (e.before, fast))
    change = during - before if abs(during) > abs(before) else 0.0
    change = np.nan if np.isnan(before + during) else change
    rate = nb.phase_mean(e.t, e.decel, fast, c.free_roll_s) / G_MPS2
    turned = change / rate if rate > 0 else np.nan
    cycles = [e.cycles[front & side].sum() for side in (left, ~left)]
    better_left = cycles[0] > cycles[1] if np.isnan(turned) else turned > 0
    worse, better = (~left, left) if better_left else (left, ~left)
    slip = np.nan_to_num([nb.phase_mean(e.t, np.clip(x, 0.0, 1.0), fast, c.free_roll_s) for x in e.net_slip])
    poor, good = e.cycles[front & worse].sum(), e.cycles[front & better].sum()
    slower = poor >= c.least_cycles and good >= c.split_ratio * poor
    unsteered = ((e.verdict == 1) & e.sensed)[front].sum() >= 2
    slips_more = slip[worse].sum() >= c.split_ratio * slip[better].sum()
    by_yaw = abs(turned) >= c.split_yaw and bad[worse].sum() >= 2 and (slips_more or slower or unsteered)
    behind = e.cycles >= c.least_cycles
    by_wheels = np.isnan(turned) and slower and behind[~front & worse].any() and not behind[~front & better].any()
    return bool(one or by_yaw or by_wheels)


def _pairs(e, c):
    """Windows that follow one another: first and last sample, braking rate, mean slip."""
    seen = (e.share[:, None] * nb.known(e.net_slip)).sum(axis=0) >= 0.5 * e.share.sum()
    use = e.supported & e.fast & nb.known(e.measured) & seen
    window = max(c.pair_window_s, 1.0 / e.carrier_hz, 1.0 / e.wheel_seen_hz)
    t, out, i = e.t, [], e.start
    weight = e.share[:, None] * nb.known(e.net_slip)
    with np.errstate(all="ignore"):
        mean = (weight * np.nan_to_num(np.clip(e.net_slip, 0, 1))).sum(axis=0) / weight.sum(axis=0)
    while i < e.stop - 1:
        j = i
        whole = use[i]
        while whole and j < e.stop - 1 and t[j] - t[i] < window - nb.SLACK:
            j += 1
            whole = use[j] and t[j] - t[j - 1] <= e.gap_limit
        if not whole or t[j] - t[i] < window - nb.SLACK:
            i = max(j, i + 1)
            continue
        part, length = slice(i, j + 1), t[j] - t[i]
        rate = (e.speed[i] - e.speed[j] + np.trapezoid(e.slope_extra[part], t[part])) / (length * G_MPS2)
        slip = np.trapezoid(mean[part], t[part]) / length
        if nb.known(slip) and nb.known(rate):
            out.append((i, j, rate, slip))
        i = j
    return out


def _basis(e, i, j):
    """Time means of what multiplies ``a`` of each curve, and ``b``, between two samples."""
    part = slice(i, j + 1)
    slip = np.clip(e.net_slip[:, part], 0.0, 1.0)
    weight = e.share[:, None] * nb.known(slip)
    weight = weight / weight.sum(axis=0)
    slip, t = np.nan_to_num(slip), e.t[part]
    rises = np.array([(weight * (1.0 - np.exp(-k * slip))).sum(axis=0) for k in C2])
    return np.trapezoid(rises, t, axis=1) / (t[-1] - t[0]), -np.trapezoid((weight * slip).sum(axis=0), t) / (
        t[-1] - t[0]
    )


def _beliefs(e, c):
    """Prior mean and covariance of ``(a, b)`` of each curve."""
    heavy = _heavy(e, c)
    grip, sd = {
        1: (c.grip_heavy, c.grip_heavy_sd), 0: (c.grip_light, c.grip_light_sd), -1: (c.grip_any, c.grip_any_sd)
    }[heavy]  # fmt: skip
    out = []
    for k, name in enumerate(CURVES):
        own = name in ("snow", "ice", "snow_slow", "ice_slow", "loose")
        g, s = (getattr(c, "grip_" + name), getattr(c, f"grip_{name}_sd")) if own else (grip, sd)
        c1, c3 = SETS[k, 0], SETS[k, 2] * (1.0 if k == LOOSE else c.fall_share)
        fall = g * c1 * (c.fall_loose_sd if k == LOOSE else c.fall_sd)
        cov = s**2 * np.array([[c1 * c1, c1 * c3], [c1 * c3, c3 * c3]]) + np.diag([0.0, fall**2])
        out.append((np.array([g * c1, g * c3]), cov))
    return out


def _heavy(e, c):
    """Heavy (1), light (0) or not known (-1): by mass, else by pressure, else by axles."""
    mass = nb.median(e.channel("gross_mass_kg"))
    if nb.known(mass):
        return int(mass > c.heavy_above_kg)
    out = 1 if len({name[:-1] for name in e.wheels}) > 2 else -1
    if e.pressure is not None:
        most, strong = nb.peak(e.pressure[e.part]), nb.peak(e.decel[e.part]) >= c.air_braked_from * G_MPS2
        out = 0 if most > c.hydraulic_above_kpa else 1 if most <= c.hydraulic_above_kpa and strong else out
    return out


def _fit(e, pairs, c):
    """Every curve fitted to the pairs: least squares with a prior, and how likely each is."""
    first, last, rate, slip = (np.array(x) for x in zip(*pairs, strict=True)) if pairs else ([], [], np.zeros(0), [])
    up, down = np.zeros((len(rate), len(CURVES))), np.zeros(len(rate))
    for p in range(len(rate)):
        up[p], down[p] = _basis(e, first[p], last[p])
    weight = np.zeros(0)
    if len(rate):
        length = e.t[last] - e.t[first]
        variance = 2.0 * (e.speed_se[first] / (length * G_MPS2)) ** 2
        variance += (c.pair_model_error * rate) ** 2 + c.pair_least_error**2
        zone = np.digitize(slip, ZONES)
        alike = (zone[:, None] == zone).sum(axis=1)
        weight = np.minimum(1.0, c.pairs_alike / alike) / variance
    z = rate - c.rolling_resistance
    curves = [_one_curve(prior, cov, up[:, k], down, z, weight) for k, (prior, cov) in enumerate(_beliefs(e, c))]
    mean, cov, evidence, misfit = (np.array(x) for x in zip(*curves, strict=True))
    score = evidence + np.log(ODDS) + _weather(e, c)
    probability = np.exp(score - score.max())
    squares = np.nanmin(misfit) * weight.sum() / len(rate) if len(rate) else 0.0
    fits = len(rate) >= c.least_pairs and squares < c.surface_worst_misfit
    return {"mean": mean, "cov": cov, "probability": probability / probability.sum(), "fits": fits}


def _one_curve(prior, cov, up, down, z, weight):
    x, hold = np.column_stack((up, down)), np.linalg.inv(cov)
    whole = np.linalg.inv(hold + x.T @ (weight[:, None] * x))
    theta = whole @ (hold @ prior + x.T @ (weight * z))
    off = z - x @ theta
    square = (weight * off**2).sum()
    step = theta - prior
    evidence = -0.5 * (square + step @ hold @ step) + 0.5 * (np.linalg.slogdet(whole)[1] - np.linalg.slogdet(cov)[1])
    return theta, whole, evidence, square / weight.sum() if len(z) else np.nan


def _weather(e, c):
    """Warm air speaks against snow and ice, the map for or against loose ground."""
    air = nb.median(e.channel("air_temp_c"))
    warmth = np.clip((air - c.ice_probable_c) / (c.ice_improbable_c - c.ice_probable_c), 0.0, 1.0)
    out = np.where(KIND == 2, np.log(0.02) * np.nan_to_num(warmth), 0.0)
    unpaved = nb.median(e.road_unpaved[e.part]) if e.road_unpaved is not None else np.nan
    word = 0.0 if np.isnan(unpaved) else 1.0 if unpaved >= 0.5 else -1.0
    return out + np.where(KIND == 3, word * np.log(c.map_trust), 0.0)


def _friction(a, b, slip):
    return a * -np.expm1(-C2 * slip) - b * slip


def _peak_slip(a, b):
    falls = (a > 0) & (b > 0)
    with np.errstate(all="ignore"):
        return np.where(falls, np.clip(np.log(a * C2 / b) / C2, 0.0, 1.0), 1.0)


def _levels(e, fit, c):
    """Peak and sliding friction of the named surface, and what the lockups cost against the curve's peak."""
    e.friction_peak = e.friction_sliding = e.lockup_extra = e.lockup_extra_se = np.nan
    if e.surface >= SPLIT:
        return
    within = np.where(e.surface == KIND, fit["probability"], 0.0)
    within = within / within.sum()
    curves = _shifted(fit)
    for name, values in (
        ("friction_peak", [_friction(*m.T, _peak_slip(*m.T)) for m in curves]),
        ("friction_sliding", [_friction(*m.T, 1.0) for m in curves]),
    ):
        mean, error = _mixed(within, *values)
        setattr(e, name, mean if error <= c.friction_known_within * mean else np.nan)
    if (e.verdict == 1).any() and not e.gapped:
        e.lockup_extra, e.lockup_extra_se = _mixed(fit["probability"], *(_cost(e, m, c) for m in curves))


def _shifted(fit):
    """The fit and the steps of one standard error along two independent directions."""
    sd = np.sqrt(fit["cov"][:, 0, 0])
    cross = fit["cov"][:, 0, 1] / sd
    rest = np.sqrt(np.maximum(fit["cov"][:, 1, 1] - cross**2, 0.0))
    mean = fit["mean"]
    return mean, mean + np.column_stack((sd, cross)), mean + np.column_stack((np.zeros_like(sd), rest))


def _mixed(weight, value, one, other):
    mean = (weight * value).sum()
    variance = (one - value) ** 2 + (other - value) ** 2
    return mean, np.sqrt((weight * (variance + (value - mean) ** 2)).sum())


def _cost(e, curve, c):
    """Distance that locked wheels cost for every curve, step by step at the same loss of speed."""
    a, b = curve.T
    instead = _peak_slip(a, b)
    instead[LOOSE] = 0.15
    locked = (e.verdict == 1)[:, None] & (e.net_slip > 1.0 - c.unlock_ratio)
    speed, out = np.where(e.supported, e.speed, np.nan), np.zeros(len(CURVES))
    for i in range(e.start, e.stop - 1):
        if not locked[:, i].any():
            continue
        seen = nb.known(e.net_slip[:, i])
        held, share = locked[seen, i], e.share[seen] / e.share[seen].sum()
        slip = np.clip(e.net_slip[seen, i], 0.0, 1.0)
        rates = []
        for at_lock in (np.ones(len(CURVES)), instead):
            at = np.where(held[:, None], at_lock, slip[:, None])
            level = (share[:, None] * _friction(a, b, at)).sum(axis=0)
            rates.append(np.maximum(level + c.rolling_resistance - e.slope_extra[i] / G_MPS2, 0.01))
        way = 0.5 * (speed[i] + speed[i + 1]) * (e.t[i + 1] - e.t[i])
        out += way * (1.0 - rates[0] / rates[1])
    return out

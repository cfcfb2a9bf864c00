"""The phases of one event: before the demand, braking, held demand, after release. From ``features.phases``."""

import numpy as np

from tests.naive import naive_detection
from tests.naive.whole import numbers as nb
from tests.naive.whole import vehicle
from tests.naive.whole.speed import DECELERATION


def phases(e, c):
    """``start``, ``stop``, ``release`` (-1: none) and what is marked between them."""
    n, here = len(e.t), np.arange(len(e.t))
    (e.start,), (e.stop,), (e.release,) = naive_detection.stretch(e.on, e.speed, [0, n], c.standstill_mps)
    e.began = e.start >= 0
    e.part = slice(e.start, e.stop) if e.began else slice(0, 0)
    e.braking = e.began & (here >= e.start) & (here < e.stop)
    since = e.t - e.t[max(e.release, 0)]
    let_go = e.began and e.release >= 0
    e.after = let_go & (here > e.release) & (since >= c.release_look_s)
    e.before = e.began & (e.t < e.t[max(e.start, 0)] - 0.1)
    e.outlived = let_go & (here >= e.stop) & (since < c.release_look_s)
    e.judged = slice(e.start, e.stop + int(e.outlived.sum())) if e.began else slice(0, 0)
    steps = np.diff(e.t[e.part])
    e.longest_gap = steps.max() if len(steps) else np.nan
    e.gap_limit = max(c.gap_s, 2.5 / e.row_hz)
    e.gapped = bool(e.longest_gap > e.gap_limit)
    e.lead = _lead(e)
    whole = nb.marked_time(e.t, e.braking)
    e.carried = whole > 0 and nb.marked_time(e.t, e.braking & e.supported) / whole >= c.carried_least
    e.distance = nb.travelled(e.t, np.where(e.supported, e.speed, np.nan), e.start, e.stop)
    e.steady = _steady(e, c)
    e.held = np.full(n, np.nan) if e.kind == DECELERATION else e.level


def _steady(e, c):
    """Held demand that meets rolling wheels: settled for 0.6 s, within a tenth of what it was so long before."""
    out, t = np.zeros(len(e.t), bool), e.t
    if not e.began:
        return out
    i = np.arange(e.start, e.stop)
    back = np.maximum(np.searchsorted(t, t[i] - 0.6, side="right") - 1, e.start)
    now, then = e.level[i], e.level[back]
    rolls = ~(vehicle.fastest(e.slip)[i] >= c.steady_slip_below)
    held = (t[i] - t[e.start] >= 0.6) & (now > 0) & (np.abs(now - then) <= 0.1 * now)
    out[i] = held & rolls & (e.speed[i] > c.modulation_least_speed_mps)
    return out


def _lead(e):
    """How long before its first reading a measured demand began: its first rise traced back to its rest."""
    i, t, x = e.start, e.t, e.level
    if i <= 0 or i + 1 >= len(t) or not e.measured_demand:
        return 0.0
    rest = x[i - 1] if x[i - 1] > 0 else 0.0
    first, then, step = x[i] - rest, x[i + 1] - rest, t[i] - t[i - 1]
    if first > 0 and then > 1.02 * first:
        lead = first * (t[i + 1] - t[i]) / (then - first)
        return lead if lead <= step else 0.5 * step
    return 0.5 * step if first > 0 and step >= 0.035 else 0.0

"""Slow, obvious twins of the kernels of ``fleetbrake.kinematics.friction``: written from their docstrings."""

import math

import numpy as np

from fleetbrake.core.units import G_MPS2
from tests.naive.naive_kinematics import TIME_SLACK, known


def clipped(s):
    return min(max(s, 0.0), 1.0)


def mean_over_wheels(values, share, slip, i):
    """Mean of ``values(slip)`` over the wheels that have a value at sample ``i``, or NaN."""
    seen = [w for w in range(slip.shape[0]) if known(slip[w, i])]
    if not seen:
        return float("nan")
    return sum(share[w] * values(clipped(slip[w, i])) for w in seen) / sum(share[w] for w in seen)


def time_mean(time_s, values, first, last):
    """Trapezoids from sample ``first`` to ``last``, over their time."""
    parts = [0.5 * (values(i) + values(i + 1)) * (time_s[i + 1] - time_s[i]) for i in range(first, last)]
    return sum(parts) / (time_s[last] - time_s[first])


def braking_points(time_s, speed_mps, extra_mps2, slip, share, use, start, stop, window_s, gap_s):
    out = []
    for e, (a, b) in enumerate(zip(start, stop, strict=True)):
        if a < 0:
            continue
        i = a
        while i < b - 1:
            if not use[i]:
                i += 1
                continue
            ends = [j for j in range(i + 1, b) if time_s[j] - time_s[i] >= window_s[e] - TIME_SLACK]
            last = ends[0] if ends else b - 1
            bad = [j for j in range(i + 1, last + 1) if not use[j] or time_s[j] - time_s[j - 1] > gap_s[e]]
            if bad:
                i = bad[0]
                continue
            if not ends:
                break
            length = time_s[last] - time_s[i]
            extra = time_mean(time_s, lambda k: extra_mps2[k], i, last)
            slips = time_mean(time_s, lambda k: mean_over_wheels(lambda s: s, share, slip, k), i, last)
            rate = ((speed_mps[i] - speed_mps[last]) / length + extra) / G_MPS2
            if known(slips) and known(rate):
                out.append((e, i, last, rate, slips))
            i = last
    return [np.array(column) for column in zip(*out, strict=True)] if out else [np.zeros(0)] * 5


def basis(time_s, slip, share, first, last, rise):
    up = [
        [
            time_mean(time_s, lambda i, c=c: mean_over_wheels(lambda s: 1.0 - math.exp(-c * s), share, slip, i), a, b)
            for c in rise
        ]
        for a, b in zip(first, last, strict=True)
    ]
    down = [
        -time_mean(time_s, lambda i: mean_over_wheels(lambda s: s, share, slip, i), a, b)
        for a, b in zip(first, last, strict=True)
    ]
    return np.array(up).reshape(len(first), len(rise)), np.array(down)


def curve_fits(event, rate, weight, up, down, mean, cov):
    """By matrices, and the evidence by the density of the pairs themselves, less that of the pairs about zero."""
    events, curves = mean.shape[:2]
    out, spread = np.empty_like(mean), np.empty_like(cov)
    evidence, misfit = np.zeros((events, curves)), np.full((events, curves), np.nan)
    for e in range(events):
        rows = np.flatnonzero(np.asarray(event) == e)
        z, w = np.asarray(rate)[rows], np.asarray(weight)[rows]
        for k in range(curves):
            x = np.stack([np.asarray(up)[rows, k], np.asarray(down)[rows]], axis=1)
            prior = np.array([[cov[e, k, 0], cov[e, k, 1]], [cov[e, k, 1], cov[e, k, 2]]])
            hold = np.linalg.inv(prior)
            whole = np.linalg.inv(hold + x.T @ np.diag(w) @ x)
            theta = whole @ (hold @ mean[e, k] + x.T @ (w * z))
            out[e, k] = theta
            spread[e, k] = whole[0, 0], whole[0, 1], whole[1, 1]
            total = np.diag(1.0 / w) + x @ prior @ x.T
            off = z - x @ mean[e, k]
            # Gaussian density of the pairs; sum(log w) is the same for every curve
            evidence[e, k] = -0.5 * (off @ np.linalg.solve(total, off) + np.linalg.slogdet(total)[1] + np.log(w).sum())
            if len(rows):
                misfit[e, k] = (w * (z - x @ theta) ** 2).sum() / w.sum()
    return out, spread, evidence, misfit


def lock_cost(
    time_s, speed, extra, slip, share, locked, start, stop, rise, curve, instead, rolling, least_rate=0.01
):  # fmt: skip
    out = np.zeros((len(start), len(rise)))
    for e, (a0, b0) in enumerate(zip(start, stop, strict=True)):
        for k, c2 in enumerate(rise):
            a, b = curve[e, k]

            def mu(s, a=a, b=b, c2=c2):
                return a * (1.0 - math.exp(-c2 * s)) - b * s

            for i in range(a0, b0 - 1) if a0 >= 0 else ():
                if not locked[:, i].any():
                    continue
                seen = [w for w in range(len(share)) if locked[w, i] or known(slip[w, i])]
                weight = sum(share[w] for w in seen)

                def braked(at_lock, i=i, seen=seen, weight=weight, mu=mu):
                    slips = [at_lock if locked[w, i] else clipped(slip[w, i]) for w in seen]
                    level = sum(share[w] * mu(s) for w, s in zip(seen, slips, strict=True)) / weight
                    return max(level + rolling - extra[i] / G_MPS2, least_rate)

                way = 0.5 * (speed[i] + speed[i + 1]) * (time_s[i + 1] - time_s[i])
                out[e, k] += way * (1.0 - braked(1.0) / braked(instead[e, k]))
    return out

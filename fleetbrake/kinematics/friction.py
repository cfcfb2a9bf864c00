"""Published tyre curves, and their fit to the (slip, braking rate) pairs of whole batches.

A curve is ``mu(s) = a (1 - exp(-c2 s)) - b s`` over the brake slip ``s`` from 0 (rolling) to 1 (locked), Burckhardt's
form: formula and dry asphalt verified (secondary), the other sets from memory (Kiencke & Nielsen, citing Burckhardt).
A grip factor takes ``a = grip c1`` and ``b = grip c3`` down to truck tyres and worn or polished ones; how far the force
falls from peak to lock differs between the sources more than the grip does (0.65 of the peak with Burckhardt, 0.88
with Wong's dry asphalt), so ``a`` and ``b`` are fitted both, with a prior around the published set. That keeps the fit
linear: one two-by-two system a curve and event, no search.
"""

import math

import numpy as np
import numpy.typing as npt

from fleetbrake.core.units import G_MPS2
from fleetbrake.kinematics.kernel import kernel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Names of the curves, in the order of the rows of :data:`SETS`.
CURVES = (
    "asphalt_dry",
    "concrete_dry",
    "cobblestone_dry",
    "asphalt_wet",
    "cobblestone_wet",
    "snow",
    "ice",
    "snow_slow",
    "ice_slow",
    "asphalt_dry_slow",
    "asphalt_wet_slow",
    "loose",
)

#: c1, c2, c3 ``(K, 3)``. The two slow ones rise later, as other sources have snow and ice: this form fitted (computed)
#: to the Magic Formula with its snow and ice constants (formula verified, constants from memory; peaks 0.30 and 0.10).
#: Asphalt rises more slowly too where the tyre is softer or deep in tread (own choice: c2 by 0.6, as a truck's peak
#: lies at 0.2 and beyond rather than at 0.13 to 0.17, common practice, no source); c3 as published.
#: The last row has no peak and is our own: sliding 0.6 as the best gravel of Wong's table (from
#: memory), and at the slip of a control at work (0.15) less by the 27.2 % by which stops with anti-lock control on
#: loose gravel were longer (NHTSA Light Vehicle ABS Research Program, Task 4, verified); c2 as on paved ground.
SETS: Floats = np.array(
    [
        [1.2801, 23.99, 0.52],
        [1.1973, 25.168, 0.5373],
        [1.3713, 6.4565, 0.6691],
        [0.857, 33.822, 0.347],
        [0.4004, 33.708, 0.1204],
        [0.1946, 94.129, 0.0646],
        [0.05, 306.39, 0.0],
        [0.316, 13.0, 0.0347],
        [0.107, 10.1, 0.0126],
        [1.2801, 14.4, 0.52],
        [0.857, 20.3, 0.347],
        [0.4772, 20.0, -0.1228],
    ]
)

#: Positions in :data:`CURVES`.
LOOSE = CURVES.index("loose")

#: Slip at which a control keeps a wheel on ground without a peak (own choice: between release 0.07 and lock).
MODULATED_SLIP = 0.15

#: Braking rate that a slope leaves at least, of g (own choice: else a stop down an icy hill has no end to compare).
LEAST_RATE = 0.01

#: Bounds of slip between which pairs count as alike (own choice: about equal steps of force, then of slide).
ALIKE: Floats = np.array([0.02, 0.04, 0.06, 0.09, 0.13, 0.2, 0.3, 0.5, 0.8])


def friction(slip: npt.ArrayLike, a: npt.ArrayLike, c2: npt.ArrayLike, b: npt.ArrayLike) -> Floats:
    """Friction coefficient of a curve at a slip from 0 to 1; shapes broadcast."""
    s = np.asarray(slip, float)
    return np.asarray(np.asarray(a, float) * -np.expm1(-np.asarray(c2, float) * s) - np.asarray(b, float) * s)


def peak_slip(a: npt.ArrayLike, c2: npt.ArrayLike, b: npt.ArrayLike) -> Floats:
    """Slip of the greatest friction, ``ln(a c2 / b) / c2`` within 0 to 1; 1 where the force only rises."""
    a, c2, b = np.asarray(a, float), np.asarray(c2, float), np.asarray(b, float)
    falls = (b > 0.0) & (a > 0.0)
    found = (np.log(np.where(falls, a * c2, 1.0)) - np.log(np.where(falls, b, 1.0))) / c2
    return np.where(falls, np.clip(found, 0.0, 1.0), 1.0)


@kernel
def share_seen(slip: Floats, share: Floats, look: Bools, offsets: Ints) -> Floats:
    """Share of the load ``(N,)`` on wheels whose slip is known, ``share`` ``(W,)``; 0 outside of ``look`` ``(E,)``."""
    out = np.zeros(slip.shape[1])
    for e in range(offsets.size - 1):
        for w in range(slip.shape[0] if look[e] else 0):
            for i in range(offsets[e], offsets[e + 1]):
                out[i] += 0.0 if np.isnan(slip[w, i]) else share[w]
    return out


@kernel
def slid(slip: Floats, locked: Bools, least: float, offsets: Ints) -> Bools:
    """Samples ``(W, N)`` of more slip than ``least`` of the wheels and events marked in ``locked`` ``(W, E)``."""
    out = np.zeros(slip.shape, np.bool_)
    for w in range(slip.shape[0]):
        for e in range(offsets.size - 1):
            for i in range(offsets[e], offsets[e + 1] if locked[w, e] else offsets[e]):
                out[w, i] = slip[w, i] > least
    return out


@kernel
def braking_points(
    time_s: Floats,
    speed_mps: Floats,
    extra_mps2: Floats,
    slip: Floats,
    share: Floats,
    use: Bools,
    start: Ints,
    stop: Ints,
    window_s: Floats,
    gap_s: Floats,
) -> tuple[Ints, Ints, Ints, Floats, Floats]:
    """The (slip, braking rate) pairs of each event: means over windows that follow each other without overlap.

    A window begins at a usable sample (``use`` ``(N,)``) of ``[start, stop)`` ``(E,)`` and ends at the first one at
    least ``window_s`` ``(E,)`` later; a sample that is not usable, or a step longer than ``gap_s`` ``(E,)``, ends it
    without a pair. Braking rate: fall of ``speed_mps`` over time plus the mean of ``extra_mps2`` (what makes the road
    level), over g. Slip: time mean of the wheels' mean, each wheel with its ``share`` ``(W,)`` of the load and clipped
    to 0 to 1; wheels without a value are left out, and a window with a sample without any wheel gives no pair.

    Returns event, first and last sample, braking rate and slip of each pair ``(P,)``.
    """
    event = np.empty(time_s.size, np.int64)
    first = np.empty(time_s.size, np.int64)
    last = np.empty(time_s.size, np.int64)
    rate = np.empty(time_s.size)
    mean_slip = np.empty(time_s.size)
    found = 0
    for e in range(start.size):
        i = max(start[e], 0)
        while start[e] >= 0 and i < stop[e] - 1:
            j = i
            whole = use[i]
            while whole and j < stop[e] - 1 and time_s[j] - time_s[i] < window_s[e] - 1e-9:
                j += 1
                whole = use[j] and time_s[j] - time_s[j - 1] <= gap_s[e]
            length = time_s[j] - time_s[i]
            if not whole or length < window_s[e] - 1e-9:
                i = max(j, i + 1)
                continue
            slips = 0.0
            extra = 0.0
            for k in range(i, j):
                step = 0.5 * (time_s[k + 1] - time_s[k])
                for end in (k, k + 1):
                    total = 0.0
                    weight = 0.0
                    for w in range(slip.shape[0]):
                        if not np.isnan(slip[w, end]):
                            total += share[w] * min(max(slip[w, end], 0.0), 1.0)
                            weight += share[w]
                    slips += step * (total / weight if weight > 0.0 else np.nan)
                    extra += step * extra_mps2[end]
            z = ((speed_mps[i] - speed_mps[j]) + extra) / (length * G_MPS2)
            if not np.isnan(slips) and not np.isnan(z):
                event[found], first[found], last[found] = e, i, j
                rate[found] = z
                mean_slip[found] = slips / length
                found += 1
            i = j
    return (
        event[:found].copy(),
        first[:found].copy(),
        last[:found].copy(),
        rate[:found].copy(),
        mean_slip[:found].copy(),
    )


def thinned_weights(weight: Floats, event: Ints, slip: Floats, most_alike: float) -> Floats:
    """Weights ``(P,)`` of the pairs, lessened where more than ``most_alike`` of an event have alike slip.

    What is wrong with a curve at one slip is wrong in every pair there: a second of sliding is not fifty witnesses.
    """
    zone = np.digitize(slip, ALIKE)
    key = event * (ALIKE.size + 1) + zone
    alike = np.bincount(key)[key] if key.size else np.zeros(0)
    return np.asarray(weight * np.minimum(1.0, most_alike / np.maximum(alike, 1.0)))


@kernel
def basis(time_s: Floats, slip: Floats, share: Floats, first: Ints, last: Ints, rise: Floats) -> tuple[Floats, Floats]:
    """What multiplies ``a`` and ``b`` of each curve in each pair: ``(P, K)`` and ``(P,)``.

    Time means between samples ``first`` and ``last`` ``(P,)`` of the wheels' mean, by their ``share`` ``(W,)``, of
    ``1 - exp(-c2 s)`` for each ``c2`` in ``rise`` ``(K,)``, and of ``-s``. The mean of the curve over the wheels, not
    the curve at the mean slip: one locked wheel among four is not four that slip by a quarter.
    """
    up = np.zeros((first.size, rise.size))
    down = np.zeros(first.size)
    for p in range(first.size):
        length = time_s[last[p]] - time_s[first[p]]
        for i in range(first[p], last[p] + 1):
            before = time_s[i] - time_s[i - 1] if i > first[p] else 0.0
            behind = time_s[i + 1] - time_s[i] if i < last[p] else 0.0
            part = 0.5 * (before + behind) / length
            weight = 0.0
            for w in range(slip.shape[0]):
                if not np.isnan(slip[w, i]):
                    weight += share[w]
            for w in range(slip.shape[0]):
                if not np.isnan(slip[w, i]):
                    s = min(max(slip[w, i], 0.0), 1.0)
                    down[p] -= part * share[w] / weight * s
                    for k in range(rise.size):
                        up[p, k] += part * share[w] / weight * (1.0 - math.exp(-rise[k] * s))
    return up, down


@kernel
def curve_fits(
    event: Ints, rate: Floats, weight: Floats, up: Floats, down: Floats, mean: Floats, cov: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Fit ``rate = a up + b down`` to the pairs of each event, for every curve: least squares with a prior.

    ``event``, ``rate``, ``weight`` (one over variance) and ``down`` are ``(P,)``, ``up`` ``(P, K)``; the prior of
    ``(a, b)`` has mean ``(E, K, 2)`` and covariance ``cov`` ``(E, K, 3)``: of a, of both, of b. Returns fitted mean and
    covariance in the same shapes, the logarithm of the evidence ``(E, K)`` (of the pairs given the curve, less what is
    the same for every curve) and the weighted mean square of the residuals ``(E, K)``, NaN without a pair.
    """
    events, curves = mean.shape[0], mean.shape[1]
    sums = np.zeros((events, curves, 6))
    for p in range(event.size):
        for k in range(curves):
            s = sums[event[p], k]
            u, d, z, q = up[p, k], down[p], rate[p], weight[p]
            s[0] += q * u * u
            s[1] += q * u * d
            s[2] += q * d * d
            s[3] += q * u * z
            s[4] += q * d * z
            s[5] += q * z * z
    totals = np.zeros(events)
    for p in range(event.size):
        totals[event[p]] += weight[p]
    out, spread = np.empty_like(mean), np.empty_like(cov)
    evidence, misfit = np.zeros((events, curves)), np.full((events, curves), np.nan)
    for e in range(events):
        for k in range(curves):
            s = sums[e, k]
            a0, b0 = mean[e, k, 0], mean[e, k, 1]
            det0 = cov[e, k, 0] * cov[e, k, 2] - cov[e, k, 1] ** 2
            p11, p12, p22 = cov[e, k, 2] / det0, -cov[e, k, 1] / det0, cov[e, k, 0] / det0
            h11, h12, h22 = p11 + s[0], p12 + s[1], p22 + s[2]
            r1, r2 = p11 * a0 + p12 * b0 + s[3], p12 * a0 + p22 * b0 + s[4]
            det = h11 * h22 - h12 * h12
            a, b = (h22 * r1 - h12 * r2) / det, (h11 * r2 - h12 * r1) / det
            out[e, k, 0], out[e, k, 1] = a, b
            spread[e, k, 0], spread[e, k, 1], spread[e, k, 2] = h22 / det, -h12 / det, h11 / det
            held = p11 * a0 * a0 + 2.0 * p12 * a0 * b0 + p22 * b0 * b0
            evidence[e, k] = -0.5 * (s[5] + held - a * r1 - b * r2) - 0.5 * math.log(det * det0)
            if totals[e] > 0.0:
                square = s[5] - 2.0 * (a * s[3] + b * s[4]) + a * a * s[0] + 2.0 * a * b * s[1] + b * b * s[2]
                misfit[e, k] = max(square, 0.0) / totals[e]
    return out, spread, evidence, misfit


@kernel
def lock_cost(
    time_s: Floats,
    speed_mps: Floats,
    extra_mps2: Floats,
    slip: Floats,
    share: Floats,
    locked: Bools,
    start: Ints,
    stop: Ints,
    rise: Floats,
    curve: Floats,
    instead: Floats,
    rolling: float,
) -> Floats:
    """Distance that locked wheels cost in each event for every curve ``(E, K)``, m.

    ``curve`` ``(E, K, 2)`` holds a and b, ``instead`` ``(E, K)`` the slip at which the locked wheels (``locked``
    ``(W, N)``) are thought instead. On a step with a locked wheel the vehicle would have lost the same speed in its way
    times (braking rate now / braking rate then), both from the curve; ``rolling`` is added to both and the slope
    (``extra_mps2``, what makes the road level) is taken off; neither is taken to be under ``LEAST_RATE``. Zero without
    a locked wheel; NaN where a speed is missing under a lock.
    """
    out = np.zeros((start.size, rise.size))
    for e in range(start.size):
        for i in range(max(start[e], 0), (stop[e] - 1) if start[e] >= 0 else 0):
            weight = 0.0
            held = 0.0
            for w in range(slip.shape[0]):
                if locked[w, i]:
                    weight += share[w]
                    held += share[w]
                elif not np.isnan(slip[w, i]):
                    weight += share[w]
            if held == 0.0:
                continue
            way = 0.5 * (speed_mps[i] + speed_mps[i + 1]) * (time_s[i + 1] - time_s[i])
            for k in range(rise.size):
                a, b = curve[e, k, 0], curve[e, k, 1]
                now = held * (a * (1.0 - math.exp(-rise[k])) - b)
                then = held * (a * (1.0 - math.exp(-rise[k] * instead[e, k])) - b * instead[e, k])
                for w in range(slip.shape[0]):
                    if not locked[w, i] and not np.isnan(slip[w, i]):
                        s = min(max(slip[w, i], 0.0), 1.0)
                        more = share[w] * (a * (1.0 - math.exp(-rise[k] * s)) - b * s)
                        now += more
                        then += more
                level = rolling - extra_mps2[i] / G_MPS2
                now = max(now / weight + level, LEAST_RATE)
                then = max(then / weight + level, LEAST_RATE)
                out[e, k] += way * (1.0 - now / then)
    return out

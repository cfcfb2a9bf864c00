"""What the road gave: friction used up or not, and the kind of surface whose tyre curves fit."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.missing import or_zero
from fleetbrake.kinematics.friction import CURVES, SETS
from fleetbrake.kinematics.friction import LOOSE as LOOSE_CURVE

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Array = npt.NDArray[Any]

#: Positions in ``core.vocabulary.SURFACES``.
DRY, WET, SNOW_ICE, LOOSE, SPLIT, UNKNOWN = range(6)

#: Surface of each curve of ``kinematics.friction.CURVES``.
SURFACE_OF: Ints = np.array([DRY, DRY, DRY, WET, WET, SNOW_ICE, SNOW_ICE, SNOW_ICE, SNOW_ICE, DRY, WET, LOOSE])

#: How likely each curve is before anything was seen, friction being used up (own choice: asphalt far more often than
#: cobblestone; loose ground seldom, but not seldom for those who work on it).
BEFOREHAND: Floats = np.array([0.13, 0.10, 0.02, 0.18, 0.03, 0.05, 0.05, 0.05, 0.05, 0.10, 0.09, 0.15])

#: How much less likely snow and ice are from ``ice_improbable_c`` on (own choice, with that criterion).
WARM = 0.02


def friction_used_up(struggling: Bools, sensed: Bools, front: Bools) -> npt.NDArray[np.int8]:
    """Whether the tyres gave all they could ``(E,)``: 1 yes, 0 no, -1 not known (no wheel sensed).

    ``struggling`` ``(W, E)`` marks wheels that locked, cycled or slipped past the peak; half of the sensed wheels or
    more must, since one bad wheel says more of itself than of the road. Both wheels of the front axle (``front``
    ``(W,)``) are enough however many axles follow: braking rests most on it, and a rear axle that its control or its
    load keeps under the peak does not take that back.
    """
    bad = struggling & sensed
    wheels = sensed.sum(axis=0)
    both_front = (bad[front].sum(axis=0) >= 2) if front.any() else np.zeros(wheels.size, np.bool_)
    enough = (bad.any(axis=0) & (2 * bad.sum(axis=0) >= wheels)) | both_front
    return np.where(wheels == 0, -1, enough).astype(np.int8)


@dataclass(frozen=True)
class Sides:
    """What speaks of a difference between the sides: per wheel ``(W, E)``, per event ``(E,)``, per wheel ``(W,)``.

    ``cycles`` of the control; ``mean_slip`` over the fast part of the braking; ``yaw_radps`` the yaw rate while braking
    less that before (left positive), zero where it only lost what it had, NaN where it was not recorded; ``rate`` the
    mean braking rate over g; ``left`` and ``front`` mark wheels.
    """

    struggling: Bools
    sensed: Bools
    locked: Bools
    cycles: Ints
    mean_slip: Floats
    yaw_radps: Floats
    rate: Floats
    left: Bools
    front: Bools


def one_sided(struggling: Bools, sensed: Bools, left: Bools) -> Bools:
    """Events ``(E,)`` in which two or more wheels of one side struggle and none of the other side does.

    ``left`` ``(W,)`` marks the wheels of the left side. Two wheels: a single one may be its own fault.
    """
    bad = struggling & sensed
    on_left, on_right = bad[left].sum(axis=0), bad[~left].sum(axis=0)
    seen_left, seen_right = sensed[left].sum(axis=0), sensed[~left].sum(axis=0)
    both_seen = (seen_left >= 2) & (seen_right >= 2)
    return both_seen & (((on_left >= 2) & (on_right == 0)) | ((on_right >= 2) & (on_left == 0)))


def split(sides: Sides, criteria: Criteria) -> Bools:
    """Events ``(E,)`` on a road whose sides differ in friction: one side struggles alone, or both in their own way.

    Where wheels of both sides struggle, the better side pulls: the yaw rate changes towards it by ``split_yaw`` a g of
    braking. A bend looks the same to that channel, so the wheels must agree: on the poorer side they slip more, or
    their control cycles more slowly, as a poor road takes longer to turn a wheel up again (in a bend the inner wheels,
    to which the vehicle turns, slip more). With both front wheels locked no steering can turn the vehicle, and the yaw
    rate stands for itself. Without a yaw rate the cycles of both front wheels must differ and the wheels behind must
    say the same: only those of the slower side cycle.
    """
    bad = sides.struggling & sides.sensed
    turned = sides.yaw_radps / np.where(sides.rate > 0.0, sides.rate, np.nan)
    front_left, front_right = (sides.cycles[sides.front & on].sum(axis=0) for on in (sides.left, ~sides.left))
    # towards the better side: by the yaw rate, else by the front wheels' cycles
    better_left = np.where(np.isnan(turned), front_left > front_right, turned > 0.0)

    def poorer_and_better(of: Array, wheels: Bools) -> tuple[Array, Array]:
        on_left, on_right = of[wheels & sides.left].sum(axis=0), of[wheels & ~sides.left].sum(axis=0)
        return np.where(better_left, on_right, on_left), np.where(better_left, on_left, on_right)

    every = np.ones(sides.left.size, np.bool_)
    slip_there, slip_here = poorer_and_better(or_zero(sides.mean_slip), every)
    cycles_there, cycles_here = poorer_and_better(sides.cycles, sides.front)
    slower = (cycles_there >= criteria.least_cycles) & (cycles_here >= criteria.split_ratio * cycles_there)
    unsteered = (sides.locked & sides.sensed)[sides.front].sum(axis=0) >= 2
    there = poorer_and_better(bad, every)[0]
    behind_there, behind_here = poorer_and_better(sides.cycles >= criteria.least_cycles, ~sides.front)
    by_yaw = np.abs(turned) >= criteria.split_yaw
    by_yaw &= (there >= 2) & ((slip_there >= criteria.split_ratio * slip_here) | slower | unsteered)
    by_wheels = np.isnan(turned) & slower & (behind_there >= 1) & (behind_here == 0)
    return one_sided(sides.struggling, sides.sensed, sides.left) | by_yaw | by_wheels


def beliefs(kind: npt.NDArray[np.int8], criteria: Criteria) -> tuple[Floats, Floats]:
    """Prior of ``(a, b)`` of every curve for each event: mean ``(E, K, 2)`` and covariance ``(E, K, 3)``.

    ``kind`` ``(E,)``: 1 heavy vehicle, 0 light, -1 not known. ``a`` and ``b`` share the grip factor; ``b`` spreads
    besides, as the sources differ in how far the force falls from peak to lock.
    """
    paved = np.array([criteria.grip_light, criteria.grip_heavy, criteria.grip_any])[kind]
    paved_sd = np.array([criteria.grip_light_sd, criteria.grip_heavy_sd, criteria.grip_any_sd])[kind]
    own = {
        "snow": (criteria.grip_snow, criteria.grip_snow_sd),
        "ice": (criteria.grip_ice, criteria.grip_ice_sd),
        "snow_slow": (criteria.grip_snow_slow, criteria.grip_snow_slow_sd),
        "ice_slow": (criteria.grip_ice_slow, criteria.grip_ice_slow_sd),
        "loose": (criteria.grip_loose, criteria.grip_loose_sd),
    }
    grip = np.repeat(paved[:, None], len(CURVES), axis=1)
    spread = np.repeat(paved_sd[:, None], len(CURVES), axis=1)
    for name, (factor, sd) in own.items():
        grip[:, CURVES.index(name)], spread[:, CURVES.index(name)] = factor, sd
    c1, c3 = SETS[:, 0], SETS[:, 2]
    rises = np.arange(len(CURVES)) == LOOSE_CURVE
    c3 = np.where(rises, c3, criteria.fall_share * c3)
    variance = spread**2
    fall = (grip * c1 * np.where(rises, criteria.fall_loose_sd, criteria.fall_sd)) ** 2
    mean = np.stack([grip * c1, grip * c3], axis=2)
    return mean, np.stack([variance * c1**2, variance * c1 * c3, variance * c3**2 + fall], axis=2)


def posterior(evidence: Floats, temperature_c: Floats, unpaved: Floats, criteria: Criteria) -> Floats:
    """Probability of each curve ``(E, K)`` from its ``evidence`` (logarithm), the air and the map ``(E,)``.

    ``unpaved`` is 1, 0 or NaN from the map. Air between ``ice_probable_c`` and ``ice_improbable_c`` makes snow and ice
    less likely in equal steps of the logarithm. NaN says nothing.
    """
    span = criteria.ice_improbable_c - criteria.ice_probable_c
    warmth = np.clip((temperature_c - criteria.ice_probable_c) / span, 0.0, 1.0)
    warmth = np.where(np.isnan(warmth), 0.0, warmth)
    odds = np.where(np.isnan(unpaved), 0.0, np.where(unpaved >= 0.5, 1.0, -1.0)) * np.log(criteria.map_trust)
    score = evidence + np.log(BEFOREHAND)
    score = score + np.where(SURFACE_OF == SNOW_ICE, np.log(WARM) * warmth[:, None], 0.0)
    score = score + np.where(SURFACE_OF == LOOSE, odds[:, None], 0.0)
    score = score - score.max(axis=1, keepdims=True)
    weight = np.exp(score)
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def surface(
    *, probability: Floats, fits: Bools, used_up: npt.NDArray[np.int8], split: Bools, criteria: Criteria
) -> tuple[npt.NDArray[np.int8], Floats]:
    """Surface code of each event ``(E,)`` and its probability (NaN for split and unknown).

    ``probability`` ``(E, K)`` of the curves, ``fits`` ``(E,)`` whether any of them explains the pairs. Unknown unless
    friction was used up (a gentle stop says nothing of the road) and one surface is likely enough.
    """
    by_surface = np.stack([probability[:, code == SURFACE_OF].sum(axis=1) for code in range(SPLIT)], axis=1)
    best = by_surface.argmax(axis=1)
    sure = by_surface.max(axis=1) if len(best) else np.zeros(0)
    named = (used_up == 1) & fits & (sure >= criteria.surface_least_probability) & ~split
    code = np.where(named, best, UNKNOWN)
    code = np.where(split, SPLIT, code).astype(np.int8)
    return code, np.where(named, sure, np.nan)

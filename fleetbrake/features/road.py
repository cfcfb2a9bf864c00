"""Friction used up, the kind of surface, the friction curve, and what a lockup cost in distance."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.missing import or_zero
from fleetbrake.core.units import G_MPS2
from fleetbrake.detection import surface
from fleetbrake.features.phases import Phases
from fleetbrake.features.recorded import median
from fleetbrake.features.signals import Signals, line_pressure
from fleetbrake.features.wheels import WheelFacts
from fleetbrake.kinematics import friction, rates, slip
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Array = npt.NDArray[Any]


@dataclass(frozen=True)
class Pairs:
    """The (slip, braking rate) pairs of a batch ``(P,)`` in the order of their events: event, samples, values."""

    event: Ints
    first: Ints
    last: Ints
    rate: Floats
    slip: Floats


@dataclass(frozen=True)
class Road:
    """Per event ``(E,)``, see the columns of ``events``; ``curve`` ``(E, 3)`` is the likeliest curve: a, c2 and b."""

    used_up: npt.NDArray[np.int8]
    surface: npt.NDArray[np.int8]
    probability: Floats
    peak: Floats
    sliding: Floats
    lockup_extra: Floats
    lockup_extra_se: Floats
    curve: Floats
    pairs: Pairs


def road(batch: EventBatch, signals: Signals, phases: Phases, wheels: WheelFacts, criteria: Criteria) -> Road:
    """What the wheels and the deceleration of each event say of the road."""
    braked = phases.start >= 0
    front = np.array([name.startswith("1") for name in batch.wheels], np.bool_)
    left = np.array([name.endswith("L") for name in batch.wheels], np.bool_)
    used_up = surface.friction_used_up(wheels.struggling, wheels.sensed, front)
    used_up = np.where(braked & phases.carried, used_up, np.int8(-1)).astype(np.int8)
    looked = np.logical_or.reduce(wheels.struggling, axis=0)  # where no wheel struggles nothing is said of the road
    slips, share = _slips(batch, wheels, looked), _shares(batch.wheels, criteria)
    split = surface.split(_sides(batch, signals, phases, wheels, slips, looked, left, front, criteria), criteria)
    split &= braked
    pairs = _pairs(batch, signals, phases, slips, share, looked & (used_up == 1), criteria)
    fit = _fit(batch, signals, phases, pairs, slips, share, np.flatnonzero(used_up == 1), criteria)
    code, probability = surface.surface(
        probability=fit.at_events(fit.probability, 0.0),
        fits=fit.at_events(fit.fits, False),
        used_up=used_up,
        split=split,
        criteria=criteria,
    )
    fit = fit.only((code < surface.SPLIT)[fit.event])
    within = np.where(code[fit.event, None] == surface.SURFACE_OF, fit.probability, 0.0)
    within /= within.sum(axis=1, keepdims=True)
    shifted = fit.shifted()
    peak, sliding = _levels(shifted, within, criteria)
    cost, cost_se = _lock_cost(batch, signals, phases, wheels, slips, share, fit, shifted, criteria)
    best = within.argmax(axis=1)
    across = np.arange(best.size)
    line = np.stack([fit.mean[across, best, 0], friction.SETS[best, 1], fit.mean[across, best, 1]], axis=1)
    return Road(
        used_up=used_up,
        surface=code,
        probability=probability,
        peak=fit.at_events(peak, np.nan),
        sliding=fit.at_events(sliding, np.nan),
        lockup_extra=fit.at_events(cost, np.nan),
        lockup_extra_se=fit.at_events(cost_se, np.nan),
        curve=fit.at_events(line, np.nan),
        pairs=pairs,
    )


@dataclass(frozen=True)
class FrictionView:
    """One event's pairs ``(P,)`` and the curve that was chosen ``(M,)``, empty where no surface was named.

    ``start_s`` and ``stop_s`` are the times of each pair's first and last sample. The curve holds what rolls against
    the vehicle besides the tyres' grip, as the pairs do.
    """

    start_s: Floats
    stop_s: Floats
    slip: Floats
    rate: Floats
    curve_slip: Floats
    curve_rate: Floats


def friction_view(
    batch: EventBatch, signals: Signals, phases: Phases, wheels: WheelFacts, criteria: Criteria
) -> FrictionView:
    """Pairs and curve of a batch of one event, by the steps that made its row; pairs also where no curve was sought."""
    found = road(batch, signals, phases, wheels, criteria)
    every = np.ones(batch.events, np.bool_)
    slips, share = _slips(batch, wheels, every), _shares(batch.wheels, criteria)
    pairs = _pairs(batch, signals, phases, slips, share, every, criteria)
    a, c2, b = found.curve[0] if batch.events else (np.nan, np.nan, np.nan)
    grid = np.linspace(0.0, 1.0, 201) if np.isfinite(a) else np.zeros(0)
    return FrictionView(
        start_s=batch.time_s[pairs.first],
        stop_s=batch.time_s[pairs.last],
        slip=pairs.slip,
        rate=pairs.rate,
        curve_slip=grid,
        curve_rate=friction.friction(grid, a, c2, b) + criteria.rolling_resistance,
    )


@dataclass(frozen=True)
class _Fit:
    """Curves fitted to the events ``event`` ``(F,)``: ``mean`` ``(F, K, 2)``, ``cov`` ``(F, K, 3)``, ``probability``
    ``(F, K)``, and whether any of them ``fits`` ``(F,)``; ``events`` is how many there are in all.
    """

    events: int
    event: Ints
    mean: Floats
    cov: Floats
    probability: Floats
    fits: Bools

    def only(self, kept: Bools) -> "_Fit":
        """The fits marked in ``kept`` ``(F,)``."""
        return _Fit(
            events=self.events,
            event=self.event[kept],
            mean=self.mean[kept],
            cov=self.cov[kept],
            probability=self.probability[kept],
            fits=self.fits[kept],
        )

    def at_events(self, values: Array, elsewhere: float) -> Array:
        """What is said of the fitted events, ``(F, ...)``, as of all events ``(E, ...)``."""
        out = np.full((self.events, *values.shape[1:]), elsewhere, values.dtype)
        out[self.event] = values
        return out

    def shifted(self) -> Floats:
        """The fit and the two one-standard-error steps away from it along independent directions ``(3, F, K, 2)``."""
        sd = np.sqrt(self.cov[..., 0])
        cross = self.cov[..., 1] / sd
        rest = np.sqrt(np.maximum(self.cov[..., 2] - cross**2, 0.0))
        out = np.stack([self.mean, self.mean, self.mean])
        out[1, ..., 0] += sd
        out[1, ..., 1] += cross
        out[2, ..., 1] += rest
        return out


def _shares(wheels: tuple[str, ...], criteria: Criteria) -> Floats:
    """Share of the load of each wheel while braking hard ``(W,)``; shares of missing wheels fall to the others."""
    axle = np.array([int(name[:-1]) for name in wheels], np.int64)
    axles = np.unique(axle).size
    front = criteria.front_share if axles <= 2 else criteria.front_share_many_axles
    rest = (1.0 - front) / max(axles - 1, 1)
    return np.where(axle == 1, front, rest) / 2.0


def _slips(batch: EventBatch, wheels: WheelFacts, looked: Bools) -> Floats:
    """Slip of the sound wheels ``(W, N)`` less what the rolling radius feigns; NaN where it says nothing or is slow,
    and in events that are not ``looked`` at ``(E,)``.
    """
    found = slip.less_free(wheels.slip, or_zero(wheels.free_slip), looked, batch.offsets)
    if batch.wheel_saturated is not None:
        found = np.where(batch.wheel_saturated, np.nan, found)
    return np.asarray(found)


def _sides(
    batch: EventBatch,
    signals: Signals,
    phases: Phases,
    wheels: WheelFacts,
    slips: Floats,
    looked: Bools,
    left: Bools,
    front: Bools,
    criteria: Criteria,
) -> surface.Sides:
    fast = phases.braking & (signals.speed > criteria.modulation_least_speed_mps) & looked[signals.event_of]

    def mean(values: Floats, use: Bools) -> Floats:
        return np.asarray(slip.phase_mean(values, use, batch.time_s, batch.offsets, criteria.free_roll_s))

    before = during = np.full(batch.events, np.nan)
    if batch.has("yaw_rate_radps"):
        yaw = batch.channel("yaw_rate_radps")[None, :]
        before, during = mean(yaw, phases.before)[0], mean(yaw, fast)[0]
    # a vehicle that leaves its bend while braking turns less: that is no pull
    turned = np.where(np.abs(during) > np.abs(before), during - before, 0.0)
    return surface.Sides(
        struggling=wheels.struggling,
        sensed=wheels.sensed,
        locked=wheels.lockups.verdict == 1,
        cycles=wheels.cycles,
        mean_slip=mean(np.clip(slips, 0.0, 1.0), fast),
        yaw_radps=np.where(np.isnan(before + during), np.nan, turned),
        rate=mean(signals.decel[None, :], fast)[0] / G_MPS2,
        left=left,
        front=front,
    )


def _pairs(
    batch: EventBatch,
    signals: Signals,
    phases: Phases,
    slips: Floats,
    share: Floats,
    wanted: Bools,
    criteria: Criteria,
) -> Pairs:
    """Pairs of the wanted events, where speed and slip are known and the vehicle is fast enough for both."""
    seen = friction.share_seen(slips, share, wanted, batch.offsets)
    use = signals.supported & (signals.speed > criteria.modulation_least_speed_mps) & ~np.isnan(signals.measured)
    use &= seen >= 0.5 * share.sum()
    window = np.fmax(np.fmax(criteria.pair_window_s, 1.0 / signals.carrier_hz), 1.0 / signals.wheel_seen_hz)
    gap = np.fmax(criteria.gap_s, 2.5 / signals.row_hz)
    start = np.where(wanted & (phases.start >= 0), phases.start, -1)
    found = friction.braking_points(
        batch.time_s, signals.speed, signals.slope_extra, slips, share, use, start, phases.stop, window, gap
    )
    return Pairs(event=found[0], first=found[1], last=found[2], rate=found[3], slip=found[4])


def _fit(
    batch: EventBatch,
    signals: Signals,
    phases: Phases,
    pairs: Pairs,
    slips: Floats,
    share: Floats,
    events: Ints,
    criteria: Criteria,
) -> _Fit:
    """The curves of the ``events`` ``(F,)`` that have pairs, or may have some."""
    mean, cov = surface.beliefs(_heavy(batch, signals, phases, criteria)[events], criteria)
    place = np.searchsorted(events, pairs.event)
    up, down = friction.basis(batch.time_s, slips, share, pairs.first, pairs.last, friction.SETS[:, 1])
    length = batch.time_s[pairs.last] - batch.time_s[pairs.first]
    noise = signals.speed_se[pairs.first]
    rate = pairs.rate - criteria.rolling_resistance
    variance = (
        2.0 * (noise / (length * G_MPS2)) ** 2
        + (criteria.pair_model_error * pairs.rate) ** 2
        + criteria.pair_least_error**2
    )
    weight = friction.thinned_weights(1.0 / variance, place, pairs.slip, criteria.pairs_alike)
    fitted, spread, evidence, misfit = friction.curve_fits(place, rate, weight, up, down, mean, cov)
    counted = np.bincount(place, minlength=events.size)
    total = np.bincount(place, weight, minlength=events.size)
    unpaved = np.full(events.size, np.nan)
    if batch.road_unpaved is not None:
        unpaved = rates.event_median(batch.road_unpaved, phases.start[events], phases.stop[events])
    air = median(batch, "air_temp_c", batch.offsets[events], batch.offsets[events + 1])
    # the misfit is weighted: times the mean weight it counts in standard errors of a pair
    squares = np.nanmin(np.where(np.isnan(misfit), np.inf, misfit), axis=1, initial=np.inf)
    squares = np.where(counted > 0, squares, 0.0) * total / np.maximum(counted, 1)
    return _Fit(
        events=batch.events,
        event=events,
        mean=fitted,
        cov=spread,
        probability=surface.posterior(evidence, air, unpaved, criteria),
        fits=(counted >= criteria.least_pairs) & (squares < criteria.surface_worst_misfit),
    )


def _heavy(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> npt.NDArray[np.int8]:
    """Whether each event's vehicle is heavy ``(E,)``: 1, 0 or -1 not known; by mass, else pressure, else axles.

    Hydraulic brakes work above the pressure of any air brake; strong braking at less than that is done by air.
    """
    mass = median(batch, "gross_mass_kg", batch.offsets[:-1], batch.offsets[1:])
    out = np.full(batch.events, 1 if len({name[:-1] for name in batch.wheels}) > 2 else -1, np.int8)
    pressure = line_pressure(batch)
    if pressure is not None:
        begin, end = np.maximum(phases.start, 0), np.where(phases.start >= 0, phases.stop, 0)
        most = slip.peak(pressure[None, :], begin, end)[0]
        strong = slip.peak(signals.decel[None, :], begin, end)[0] >= criteria.air_braked_from * G_MPS2
        out[most > criteria.hydraulic_above_kpa] = 0
        out[(most <= criteria.hydraulic_above_kpa) & strong] = 1
    return np.where(np.isnan(mass), out, mass > criteria.heavy_above_kg).astype(np.int8)


def _levels(shifted: Floats, within: Floats, criteria: Criteria) -> tuple[Floats, Floats]:
    """Peak and sliding friction of the surface's curves ``(F,)``; NaN unless known closely enough."""
    c2, a, b = friction.SETS[:, 1], shifted[..., 0], shifted[..., 1]

    def known(at: Floats | float) -> Floats:
        mean, error = _mixed(within, friction.friction(at, a, c2, b))
        return np.where(error <= criteria.friction_known_within * mean, mean, np.nan)

    return known(friction.peak_slip(a, c2, b)), known(1.0)


def _mixed(weight: Floats, shifted: Floats) -> tuple[Floats, Floats]:
    """Mean and standard error ``(F,)`` of what the curves ``(3, F, K)`` say, each by its probability ``(F, K)``."""
    value, one, other = shifted
    variance = (one - value) ** 2 + (other - value) ** 2
    mean = (weight * value).sum(axis=1)
    spread = (weight * (variance + (value - mean[:, None]) ** 2)).sum(axis=1)
    return mean, np.sqrt(spread)


def _lock_cost(
    batch: EventBatch,
    signals: Signals,
    phases: Phases,
    wheels: WheelFacts,
    slips: Floats,
    share: Floats,
    fit: _Fit,
    shifted: Floats,
    criteria: Criteria,
) -> tuple[Floats, Floats]:
    """Distance that lockups cost the fitted events and its standard error ``(F,)``, m; NaN without a lockup.

    Against the same loss of speed with the locked wheels at the peak of the curve; on ground without a peak, at the
    slip of a control at work. Where no pair lies near the peak, the spread of the published sets makes the error.
    """
    known = np.zeros(batch.events, np.bool_)
    known[fit.event] = True
    did = (wheels.lockups.verdict == 1) & known[None, :]
    valid = (np.logical_or.reduce(did, axis=0) & ~phases.gapped)[fit.event]
    if not valid.any():
        return np.full(valid.size, np.nan), np.full(valid.size, np.nan)
    locked = friction.slid(slips, did, 1.0 - criteria.unlock_ratio, batch.offsets)
    speed = np.where(signals.supported, signals.speed, np.nan)
    c2 = friction.SETS[:, 1]
    start, stop = phases.start[fit.event], np.where(valid, phases.stop[fit.event], 0)

    def cost(curve: Floats) -> Floats:
        instead = friction.peak_slip(curve[..., 0], c2, curve[..., 1])
        instead[:, friction.LOOSE] = friction.MODULATED_SLIP
        return np.asarray(
            friction.lock_cost(
                batch.time_s,
                speed,
                signals.slope_extra,
                slips,
                share,
                locked,
                start,
                stop,
                c2,
                curve,
                instead,
                criteria.rolling_resistance,
            )
        )

    mean, error = _mixed(fit.probability, np.stack([cost(curve) for curve in shifted]))
    return np.where(valid, mean, np.nan), np.where(valid, error, np.nan)

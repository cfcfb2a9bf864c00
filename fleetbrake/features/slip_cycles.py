"""Release-and-rebuild cycles by the slip of each wheel and event."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.detection import modulation
from fleetbrake.features.cycles_told import Count, Told, flagged, foot_s, maybe_the_foot, merged, onset_speed
from fleetbrake.features.phases import Phases
from fleetbrake.features.sensors import FREE_ROLL_ABOVE_MPS
from fleetbrake.features.signals import Signals
from fleetbrake.kinematics import signal_loss, smoothing
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: Wheel rate from which single samples are smoothed, Hz (own choice: five samples to a cycle of 15 per second).
JITTER_FREE_ABOVE_HZ = 75.0

#: Depth of slip that a control's cycles reach at most (own choice: beyond it the wheel locks).
DEEPEST_CYCLE = 0.5

#: A wheel under this share of the liveliest wheel's rate has a rate of its own (own choice: beyond chance repeats).
CLEARLY_SLOWER = 0.6

#: Cycles so much deeper than the unbraked wheel swings leave the word open (own choice: beyond its usual scatter).
BARELY_DEEPER = 1.25

#: Half of one hop of a wheel at 10 a second, the slowest that unsprung masses do, s (common practice, no source);
#: with a little more for time stamps that are not quite even.
HALF_HOP_S = 0.051

#: A wheel hops if its mean over a hop swings by less than this share of itself (own choice: slower swings keep more).
HOP_LEFT = 0.5

#: Samples in which a swing shows (own choice: several cycles of the quickest that a rate can tell).
WINDOW_SAMPLES = 16.0


@dataclass(frozen=True)
class _Wheels:
    """What is looked at: ``slips`` and ``beside`` (m/s against the vehicle) ``(W, N)``, NaN where the signal is lost.

    ``lively`` ``(W, E)``: wheels whose slip is ever deep enough for a cycle, however it is smoothed; ``free`` ``(N,)``:
    nothing brakes; ``window_s`` ``(E,)``: time in which a swing is measured.
    """

    slips: Floats
    beside: Floats
    lively: Bools
    free: Bools
    window_s: Floats

    def swing(self, batch: EventBatch, beside: Floats, look: Bools | None = None) -> Floats:
        """How far each wheel swings against the vehicle while nobody brakes ``(W, E)``, m/s; NaN where not looked."""
        return modulation.free_swing(beside, self.free, batch.time_s, batch.offsets, self.window_s, look)


def _looked_at(
    batch: EventBatch, signals: Signals, phases: Phases, slips: Floats, beside: Floats, criteria: Criteria
) -> _Wheels:
    lively = modulation.may_cycle(
        slips, batch.time_s, batch.offsets, phases.start, phases.stop, HALF_HOP_S, criteria.cycle_peak_slip
    )
    free = (phases.before | phases.after) & signals.supported & (signals.speed > FREE_ROLL_ABOVE_MPS)
    # in few samples a swing shows only by chance
    window = np.fmax(criteria.cycle_swing_window_s, WINDOW_SAMPLES / signals.wheel_seen_hz)
    return _Wheels(slips, beside, lively, free, window)


def by_slip(
    batch: EventBatch,
    signals: Signals,
    phases: Phases,
    slips: Floats,
    beside: Floats,
    noise: Floats,
    dead: Bools,
    usable: Bools,
    criteria: Criteria,
) -> Told:
    """What the slip tells; ``beside`` ``(W, N)``: each wheel against the vehicle, m/s; ``usable`` ``(N,)``: samples in
    which the brakes were asked for.
    """
    wheels = _looked_at(batch, signals, phases, slips, beside, criteria)
    wheel_hz = _wheel_rates(signals)
    jitters = signals.wheel_seen_hz >= JITTER_FREE_ABOVE_HZ
    steady = partial(smoothing.three_point, offsets=batch.offsets, smooth=jitters) if jitters.any() else _as_it_is
    swing = wheels.swing(batch, steady(beside))
    slow = wheel_hz < criteria.alias_free_hydraulic_hz
    # second differences overrate what swings quickly; but a low rate may show a quick swing at rest in one moment
    grain = np.where(slow | np.isnan(swing), noise, np.nan)
    need = modulation.needed_swing(grain, swing, criteria)
    seen = (
        ~dead
        & ~(slow & _suspect(batch, signals, phases, wheels, need, usable, slow, criteria))
        # noise that asks for deeper cycles than a wheel makes leaves nothing to see
        & ~(need > DEEPEST_CYCLE * onset_speed(signals, phases))
        & ~_hidden(batch, signals, phases, slips, criteria)
        & (wheel_hz >= criteria.least_rate_modulation_hz)
    )
    count = _counting(signals, phases, usable, grain, wheels.lively, batch, criteria)
    smooth = partial(count, slip=steady(slips))
    found = smooth(swing_mps=swing, criteria=criteria)
    if not wheels.lively.any():
        return Told(found, seen, np.zeros(seen.shape, np.bool_), wheel_hz)
    if jitters.any():
        raw = count(slip=slips, swing_mps=wheels.swing(batch, beside, wheels.lively), criteria=criteria)
        found = merged(found, raw, (found.cycles < criteria.least_cycles) & _even(raw, criteria))
    doubtful = maybe_the_foot(partial(smooth, swing_mps=swing), signals, found, criteria)
    found, doubtful = _hushed(batch, signals, wheels, count, swing, grain, found, doubtful, criteria)
    # a damaged ring also swings unbraked: looked for at the plain depth
    plain = smooth(noise_mps=0.0 * noise, swing_mps=None, criteria=criteria).once_a_turn
    seen &= ~_drowned(smooth, swing, slow, wheels.lively, criteria)
    return Told(replace(found, once_a_turn=found.once_a_turn | plain), seen, doubtful, wheel_hz)


def _as_it_is(values: Floats) -> Floats:
    return values


def _hushed(
    batch: EventBatch,
    signals: Signals,
    wheels: _Wheels,
    count: Count,
    swing: Floats,
    grain: Floats,
    found: modulation.Modulations,
    doubtful: Bools,
    criteria: Criteria,
) -> tuple[modulation.Modulations, Bools]:
    """Cycles and doubts, with those of a hopping wheel's mean over a hop where they are cycles enough instead."""
    few = wheels.lively & (found.cycles < criteria.least_cycles)
    if not few.any():
        return found, doubtful
    mean: Callable[[Floats], Floats] = partial(
        modulation.mean_around, time_s=batch.time_s, offsets=batch.offsets, half_s=HALF_HOP_S, look=few
    )
    still = wheels.swing(batch, mean(wheels.beside), few)
    hops = few & _hops(still, swing)
    if not hops.any():
        return found, doubtful
    with np.errstate(divide="ignore", invalid="ignore"):
        quiet = grain * (still / swing)  # as the swing is
    hushed = partial(partial(count, look=hops), slip=mean(wheels.slips), swing_mps=still, noise_mps=quiet)
    slowly = hushed(criteria=criteria)
    hop = hops & (slowly.cycles >= criteria.least_cycles)
    doubtful = np.where(hop, maybe_the_foot(hushed, signals, slowly, criteria), doubtful)
    return merged(found, slowly, hop), doubtful


def _counting(
    signals: Signals,
    phases: Phases,
    usable: Bools,
    grain: Floats,
    lively: Bools,
    batch: EventBatch,
    criteria: Criteria,
) -> Count:
    """The count of slip cycles that still asks for the slip and the swing; ``grain`` ``(W, E)``: noise in m/s."""
    return partial(
        modulation.by_slip,
        time_s=batch.time_s,
        start=phases.start,
        stop=phases.stop,
        speed_mps=signals.speed,
        noise_mps=grain,
        usable=usable & signals.supported,
        way_m=phases.distance,
        held=phases.held,
        foot_s=foot_s(signals, criteria),
        look=lively,
    )


def _drowned(count: Count, swing: Floats, slow: Bools, lively: Bools, criteria: Criteria) -> Bools:
    """Wheels ``(W, E)`` with cycles that neither prove a control nor can be told from the road or from quicker ones."""
    hidden = np.zeros(lively.shape, np.bool_)
    if (slow & lively).any():
        # one swing, however slow, at a low rate may be quick cycles in disguise: it cannot say no
        endless = replace(criteria, cycle_longest_s=np.inf)
        hidden = slow & (count(swing_mps=swing, look=slow & lively, criteria=endless).cycles > 0)
    # deeper than the unbraked wheel swings, not deep enough to be told from it
    barely = swing * BARELY_DEEPER / criteria.cycle_swing_factor
    deeper = count(noise_mps=0.0 * swing, swing_mps=barely, criteria=criteria).cycles
    return hidden | (deeper >= criteria.least_cycles)


def _wheel_rates(signals: Signals) -> Floats:
    """Effective rate of each wheel ``(W, E)``, Hz: that of the liveliest, its own where that is clearly slower."""
    own, seen = signals.each_wheel_hz, signals.wheel_seen_hz[None, :]
    return np.where(own < CLEARLY_SLOWER * seen, own, np.broadcast_to(seen, own.shape))


def _even(found: modulation.Modulations, criteria: Criteria) -> Bools:
    """Cycles of few samples each that are believed: several, following one another evenly."""
    return (found.cycles >= criteria.quick_cycles) & (found.spread <= criteria.quick_cycle_spread)


def _hops(still: Floats, swing: Floats) -> Bools:
    """Wheels ``(W, E)`` that hop unbraked: what their mean over a hop leaves of the swing is little.

    On a rough road the cycles of a control are no deeper than the hop but slower: the mean tells them apart, and what
    it leaves of the hop is measured unbraked as the swing itself is.
    """
    return still < HOP_LEFT * swing  # type: ignore[no-any-return]  # False for NaN


def _suspect(
    batch: EventBatch,
    signals: Signals,
    phases: Phases,
    wheels: _Wheels,
    need: Floats,
    usable: Bools,
    slow: Bools,
    criteria: Criteria,
) -> Bools:
    """Wheels ``(W, E)`` among the ``slow`` whose slip gives reason to think of cycles that a low rate would hide.

    Cycles as quick as the samples come leave a slip that looks steady; so it is deep for the time of two quick cycles,
    short of a locked wheel. Or the vehicle says itself that its control was at work.
    """
    if not slow.any():
        return slow
    long = modulation.deep_time(
        batch.time_s,
        wheels.slips,
        signals.speed,
        phases.braking & usable & (signals.speed > criteria.modulation_least_speed_mps),
        need,
        batch.offsets,
        slow & wheels.lively,  # deep is deeper than a cycle's least peak
        criteria.cycle_peak_slip,
        1.0 - criteria.unlock_ratio,
    )
    return slow & ((long >= criteria.two_quick_cycles_s) | flagged(batch, phases)[None, :])  # type: ignore[no-any-return]


def _hidden(batch: EventBatch, signals: Signals, phases: Phases, slips: Floats, criteria: Criteria) -> Bools:
    """Wheels ``(W, E)`` whose slip was missing for as long as a gap while it mattered, or whose rows were missing."""
    mattered = phases.braking & (signals.speed > criteria.modulation_least_speed_mps)
    missing = signal_loss.missing_time(batch.time_s, slips, mattered, batch.offsets)
    return (missing >= criteria.gap_s) | phases.gapped[None, :]

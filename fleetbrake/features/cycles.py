"""Release-and-rebuild cycles of each wheel and event: what counts as one, and what the rates leave unseen."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.vocabulary import BRAKE_SOURCES
from fleetbrake.detection import applications, modulation
from fleetbrake.features.phases import Phases
from fleetbrake.features.signals import Signals
from fleetbrake.kinematics import rates, signal_loss, slip, smoothing
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_Count = Callable[..., modulation.Modulations]

#: Vehicle speed above which a wheel's free rolling is measured, m/s (own choice: ten steps of a coarse tone wheel).
FREE_ROLL_ABOVE_MPS = 3.0

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

#: Systems that ask for a stop of the whole vehicle without the driver's foot, and the one that brakes single wheels.
_STOPPING = tuple(BRAKE_SOURCES.index(name) for name in ("aeb", "acc", "hold"))
_STABILITY = BRAKE_SOURCES.index("esc")


@dataclass(frozen=True)
class Cycles:
    """Of each wheel ``(W, E)``: cycles, frequency as seen, rate of the channel, span, and the verdict 1, 0 or -1.

    ``once_a_turn`` marks wheels whose slip pulses with their turning; ``unasked`` ``(E,)`` events in which nobody asked
    for the friction brakes of the whole vehicle.
    """

    count: Ints
    hz: Floats
    rate_hz: Floats
    begin_s: Floats
    end_s: Floats
    verdict: npt.NDArray[np.int8]
    once_a_turn: Bools
    unasked: Bools


@dataclass(frozen=True)
class _Told:
    """What one kind of channel tells: its cycles, whether it could have shown some, whether they may be the foot's."""

    found: modulation.Modulations
    seen: Bools
    doubtful: Bools
    rate_hz: Floats

    def yes(self, criteria: Criteria) -> Bools:
        """Wheels ``(W, E)`` with cycles enough, and no reason to doubt them."""
        return (self.found.cycles >= criteria.least_cycles) & ~self.found.once_a_turn & ~self.doubtful


def wheel_cycles(
    batch: EventBatch, signals: Signals, phases: Phases, slips: Floats, noise: Floats, dead: Bools, criteria: Criteria
) -> Cycles:
    """Cycles of each wheel: by its slip, or by its own pressure where that tells more.

    ``slips`` ``(W, N)`` is NaN where the signal is lost, ``noise`` ``(W, E)`` in m/s, ``dead`` wheels say nothing.
    """
    unasked = _unasked(batch, signals, criteria)
    usable = ~(unasked[signals.event_of] | _by_stability(batch, criteria))
    told = _by_slip(batch, signals, phases, slips, noise, dead, usable, criteria)
    found, seen, rate_hz = told.found, told.seen, np.broadcast_to(told.rate_hz, told.seen.shape)
    yes, doubtful = told.yes(criteria), told.doubtful | told.found.once_a_turn
    if not np.isnan(batch.wheel_pressure_kpa).all():
        pressed = _by_pressure(batch, signals, phases, usable, criteria)
        pulsed = pressed.yes(criteria)
        instead = (pulsed & (~yes | (pressed.rate_hz > told.rate_hz))) | (~yes & ~seen & pressed.seen)
        found = _merged(found, pressed.found, instead)
        rate_hz = np.where(instead, pressed.rate_hz, rate_hz)
        doubtful = np.where(instead, pressed.doubtful, doubtful)
        yes, seen = yes | pulsed, seen | instead
    cycles = np.where((dead & ~seen) | (doubtful & ~yes), 0, found.cycles)
    verdict = np.where(yes, 1, np.where(seen & ~doubtful, 0, -1))
    return Cycles(
        count=cycles,
        hz=np.where(cycles > 0, found.hz, np.nan),
        rate_hz=rate_hz,
        begin_s=found.begin_s,
        end_s=found.end_s,
        verdict=np.where(phases.start[None, :] < 0, -1, verdict).astype(np.int8),
        once_a_turn=told.found.once_a_turn,
        unasked=unasked & (phases.start >= 0),
    )


def _merged(base: modulation.Modulations, other: modulation.Modulations, instead: Bools) -> modulation.Modulations:
    return modulation.Modulations(
        cycles=np.where(instead, other.cycles, base.cycles),
        hz=np.where(instead, other.hz, base.hz),
        begin_s=np.where(instead, other.begin_s, base.begin_s),
        end_s=np.where(instead, other.end_s, base.end_s),
        spread=np.where(instead, other.spread, base.spread),
        once_a_turn=base.once_a_turn & ~instead,
    )


# --- who asked for the brakes


def _by_stability(batch: EventBatch, criteria: Criteria) -> Bools:
    """Samples ``(N,)`` in which stability control brakes on its own, the pedal not down."""
    if batch.brake_source is None:
        return np.zeros(batch.samples, np.bool_)
    pressed = batch.channel("brake_pedal_pct") >= criteria.pedal_on_pct  # False where not recorded
    return (batch.brake_source == _STABILITY) & ~pressed


def _unasked(batch: EventBatch, signals: Signals, criteria: Criteria) -> Bools:
    """Events ``(E,)`` whose friction brakes were off, or on at no more than half of the wheels and without the pedal.

    A stop lamp lit by a retarder, a deceleration while pedal or pressure stay at rest: what slips then, slips by the
    driveline. Pressure at single wheels is stability control.
    """
    if not batch.events:
        return np.zeros(0, np.bool_)
    first = batch.offsets[:-1]
    kind = signals.demand.kind

    def recorded(values: Floats) -> Bools:
        return np.logical_or.reduceat(~np.isnan(values), first)  # type: ignore[no-any-return]

    pressed = _greatest_pressures(batch)
    line = recorded(batch.channel("brake_pressure_kpa")) | ~np.isnan(pressed).all(axis=0)
    foot = recorded(batch.channel("brake_pedal_pct"))
    by_system = np.zeros(batch.events, np.bool_)
    if batch.brake_source is not None:
        by_system = np.logical_or.reduceat(np.isin(batch.brake_source, _STOPPING), first)
    # a channel that moves is the demand: where the lamp or the deceleration had to speak, pedal and pressure rested
    other = (kind == applications.SWITCH) | (kind == applications.DECELERATION)
    at_rest = other & (line | (foot & ~by_system))
    braked = (pressed > criteria.pressed_share * np.fmax.reduce(pressed, axis=0, initial=0.0)).sum(axis=0)
    known = (~np.isnan(pressed)).sum(axis=0)
    single = (kind == applications.PRESSURE) & (known >= 3) & (braked > 0) & (2 * braked <= known)
    return at_rest | single  # type: ignore[no-any-return]


def _greatest_pressures(batch: EventBatch) -> Floats:
    """Greatest pressure of each wheel in each event ``(W, E)``, kPa; NaN where not recorded."""
    return slip.peak(batch.wheel_pressure_kpa, batch.offsets[:-1], batch.offsets[1:])  # type: ignore[no-any-return]


# --- by slip


def _by_slip(
    batch: EventBatch,
    signals: Signals,
    phases: Phases,
    slips: Floats,
    noise: Floats,
    dead: Bools,
    usable: Bools,
    criteria: Criteria,
) -> _Told:
    """What the slip tells; ``usable`` ``(N,)``: samples in which the brakes were asked for."""
    wheel_hz = _wheel_rates(batch, signals)
    jitters = signals.wheel_seen_hz >= JITTER_FREE_ABOVE_HZ
    steady = partial(smoothing.three_point, offsets=batch.offsets, smooth=jitters)
    swing = _swing(batch, signals, phases, slips, steady, criteria)
    slow = wheel_hz < criteria.alias_free_hydraulic_hz
    # second differences overrate what swings quickly; but a low rate may show a quick swing at rest in one moment
    grain = np.where(slow | np.isnan(swing), noise, np.nan)
    count = _counting(signals, phases, usable, grain, batch, criteria)
    smooth = smoothing.three_point(slips, batch.offsets, jitters)
    found = count(slip=smooth, swing_mps=swing, criteria=criteria)
    if jitters.any():
        sharp = _swing(batch, signals, phases, slips, np.asarray, criteria)
        raw = count(slip=slips, swing_mps=sharp, criteria=criteria)
        found = _merged(found, raw, (found.cycles < criteria.least_cycles) & _even(raw, criteria))
    doubtful = _maybe_the_foot(partial(count, slip=smooth, swing_mps=swing), signals, found, criteria)
    mean = partial(modulation.mean_around, time_s=batch.time_s, offsets=batch.offsets, half_s=HALF_HOP_S)
    still = _swing(batch, signals, phases, slips, mean, criteria)
    with np.errstate(divide="ignore", invalid="ignore"):
        hushed = partial(count, slip=mean(slips), swing_mps=still, noise_mps=grain * (still / swing))  # as the swing is
    slowly = hushed(criteria=criteria)
    hop = _hops(still, swing) & (found.cycles < criteria.least_cycles) & (slowly.cycles >= criteria.least_cycles)
    found = _merged(found, slowly, hop)
    doubtful = np.where(hop, _maybe_the_foot(hushed, signals, slowly, criteria), doubtful)
    # a damaged ring also swings unbraked: looked for at the plain depth
    plain = count(slip=smooth, noise_mps=0.0 * noise, swing_mps=None, criteria=criteria).once_a_turn
    need = modulation.needed_swing(grain, swing, criteria)
    seen = (
        ~dead
        & ~(slow & _suspect(batch, signals, phases, slips, need, usable, criteria))
        & ~_drowned(partial(count, slip=smooth), swing, slow, criteria)
        # noise that asks for deeper cycles than a wheel makes leaves nothing to see
        & ~(need > DEEPEST_CYCLE * onset_speed(signals, phases))
        & ~_hidden(batch, signals, phases, slips, criteria)
        & (wheel_hz >= criteria.least_rate_modulation_hz)
    )
    return _Told(replace(found, once_a_turn=found.once_a_turn | plain), seen, doubtful, wheel_hz)


def _counting(
    signals: Signals, phases: Phases, usable: Bools, grain: Floats, batch: EventBatch, criteria: Criteria
) -> _Count:
    """The count of slip cycles that still asks for the slip and the swing; ``grain`` ``(W, E)``: noise in m/s."""
    return partial(
        modulation.by_slip,
        time_s=batch.time_s,
        start=phases.start,
        stop=phases.stop,
        speed_mps=signals.speed,
        noise_mps=grain,
        event_of=signals.event_of,
        usable=usable & signals.supported,
        way_m=phases.distance,
        held=phases.held,
        foot_s=_foot_s(signals, criteria),
    )


def _drowned(count: _Count, swing: Floats, slow: Bools, criteria: Criteria) -> Bools:
    """Wheels ``(W, E)`` with cycles that neither prove a control nor can be told from the road or from quicker ones."""
    # one swing, however slow, at a low rate may be quick cycles in disguise: it cannot say no
    swings = count(swing_mps=swing, criteria=replace(criteria, cycle_longest_s=np.inf)).cycles
    # deeper than the unbraked wheel swings, not deep enough to be told from it
    barely = swing * BARELY_DEEPER / criteria.cycle_swing_factor
    deeper = count(noise_mps=0.0 * swing, swing_mps=barely, criteria=criteria).cycles
    return (slow & (swings > 0)) | (deeper >= criteria.least_cycles)  # type: ignore[no-any-return]


def _wheel_rates(batch: EventBatch, signals: Signals) -> Floats:
    """Effective rate of each wheel ``(W, E)``, Hz: that of the liveliest, its own where that is clearly slower."""
    rows = [rates.effective_rate(batch.time_s, row[None, :], batch.offsets) for row in batch.wheel_speed_mps]
    own = np.array(rows) if rows else np.zeros((0, batch.events))
    seen = signals.wheel_seen_hz[None, :]
    return np.where(own < CLEARLY_SLOWER * seen, own, np.broadcast_to(seen, own.shape))


def _foot_s(signals: Signals, criteria: Criteria) -> Floats:
    """How long a cycle must take to be the foot's ``(E,)``: pressure may itself carry a control's quick cycles."""
    return np.where(signals.demand.kind == applications.PRESSURE, criteria.foot_shortest_s, 0.0)


def _even(found: modulation.Modulations, criteria: Criteria) -> Bools:
    """Cycles of few samples each that are believed: several, following one another evenly."""
    return (found.cycles >= criteria.quick_cycles) & (found.spread <= criteria.quick_cycle_spread)


def _maybe_the_foot(count: _Count, signals: Signals, found: modulation.Modulations, criteria: Criteria) -> Bools:
    """Wheels ``(W, E)`` whose cycles may be a pumping foot that no channel shows.

    With a stop lamp or nothing for a demand, slow cycles in step with the vehicle's deceleration can be either.
    """
    blind = (signals.demand.kind == applications.SWITCH) | (signals.demand.kind == applications.DECELERATION)
    held = np.where(blind[signals.event_of], signals.decel, np.nan)
    in_step = count(held=held, foot_s=np.full(blind.size, criteria.foot_shortest_s), criteria=criteria)
    enough = criteria.least_cycles
    return blind & (found.cycles >= enough) & (in_step.cycles < enough)  # type: ignore[no-any-return]


def _hops(still: Floats, swing: Floats) -> Bools:
    """Wheels ``(W, E)`` that hop unbraked: what their mean over a hop leaves of the swing is little.

    On a rough road the cycles of a control are no deeper than the hop but slower: the mean tells them apart, and what
    it leaves of the hop is measured unbraked as the swing itself is.
    """
    return still < HOP_LEFT * swing  # type: ignore[no-any-return]  # False for NaN


def _swing(
    batch: EventBatch,
    signals: Signals,
    phases: Phases,
    slips: Floats,
    smooth: Callable[[Floats], Floats],
    criteria: Criteria,
) -> Floats:
    """How far each wheel swings against the vehicle while nobody brakes ``(W, E)``, m/s; smoothed as the slip is."""
    residual = np.where(np.isnan(slips), np.nan, signals.wheel - signals.speed)
    free = (phases.before | phases.after) & signals.supported & (signals.speed > FREE_ROLL_ABOVE_MPS)
    # in few samples a swing shows only by chance
    window = np.fmax(criteria.cycle_swing_window_s, WINDOW_SAMPLES / signals.wheel_seen_hz)
    return modulation.free_swing(smooth(residual), free, batch.time_s, batch.offsets, window)  # type: ignore[no-any-return]


def _suspect(
    batch: EventBatch,
    signals: Signals,
    phases: Phases,
    slips: Floats,
    need: Floats,
    usable: Bools,
    criteria: Criteria,
) -> Bools:
    """Wheels ``(W, E)`` whose slip gives reason to think of cycles that a low rate would hide.

    Cycles as quick as the samples come leave a slip that looks steady; so it is deep for the time of two quick cycles,
    short of a locked wheel. Or the vehicle says itself that its control was at work.
    """
    fast = phases.braking & usable & (signals.speed > criteria.modulation_least_speed_mps)
    with np.errstate(divide="ignore", invalid="ignore"):
        deep = slips > np.fmax(criteria.cycle_peak_slip, need[:, signals.event_of] / signals.speed)
    marked = deep & (slips < 1.0 - criteria.unlock_ratio) & fast
    long = signal_loss.marked_time(batch.time_s, marked, batch.offsets) >= criteria.two_quick_cycles_s
    return long | flagged(batch, phases)[None, :]  # type: ignore[no-any-return]


def flagged(batch: EventBatch, phases: Phases) -> Bools:
    """Whether the vehicle's own anti-lock flag was up while braking ``(E,)``."""
    flag = batch.channel("abs_active")[None, :]
    return slip.peak(flag, phases.start, np.where(phases.start >= 0, phases.stop, -1))[0] >= 0.5  # type: ignore[no-any-return]


def _hidden(batch: EventBatch, signals: Signals, phases: Phases, slips: Floats, criteria: Criteria) -> Bools:
    """Wheels ``(W, E)`` whose slip was missing for as long as a gap while it mattered, or whose rows were missing."""
    mattered = phases.braking & (signals.speed > criteria.modulation_least_speed_mps)
    missing = signal_loss.marked_time(batch.time_s, np.isnan(slips) & mattered, batch.offsets)
    return (missing >= criteria.gap_s) | phases.gapped[None, :]


def onset_speed(signals: Signals, phases: Phases) -> Floats:
    """Vehicle speed when the demand begins ``(E,)``, infinite where there is none."""
    if not signals.speed.size:
        return np.full(phases.start.size, np.inf)
    return np.where(phases.start >= 0, signals.speed[np.maximum(phases.start, 0)], np.inf)


# --- by pressure


def _by_pressure(batch: EventBatch, signals: Signals, phases: Phases, usable: Bools, criteria: Criteria) -> _Told:
    """What the wheels' own pressures tell."""
    greatest = slip.peak(batch.wheel_pressure_kpa, phases.start, phases.stop)
    rate_hz = rates.effective_rate(batch.time_s, batch.wheel_pressure_kpa, batch.offsets)
    count = partial(
        modulation.by_pressure,
        time_s=batch.time_s,
        start=phases.start,
        stop=phases.stop,
        pressure_kpa=batch.wheel_pressure_kpa,
        greatest_kpa=greatest,
        event_of=signals.event_of,
        speed_mps=signals.speed,
        usable=usable,
        held=phases.held,
        foot_s=_foot_s(signals, criteria),
    )
    found = count(criteria=criteria)
    swings = count(criteria=replace(criteria, cycle_longest_s=np.inf)).cycles
    slow = ~(rate_hz >= criteria.alias_free_hydraulic_hz)
    quick_enough = rate_hz >= criteria.least_rate_modulation_hz
    # a low rate may show a flat pressure where there are cycles: then it speaks only for wheels without any sign
    seen = ~np.isnan(greatest) & quick_enough & ~(slow & ((swings > 0) | flagged(batch, phases))) & ~phases.gapped
    found = replace(found, cycles=np.where(quick_enough, found.cycles, 0))
    return _Told(found, seen, _maybe_the_foot(count, signals, found, criteria), rate_hz)

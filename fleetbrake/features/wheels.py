"""Facts of each wheel and event: slip, lockups, cycles, lost signal."""

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.detection import lockup, modulation
from fleetbrake.features.phases import Phases
from fleetbrake.features.signals import Signals
from fleetbrake.kinematics import rates, response, signal_loss, slip, smoothing
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Vehicle speed above which a wheel's free rolling is measured, m/s (own choice: ten steps of a coarse tone wheel).
FREE_ROLL_ABOVE_MPS = 3.0

#: Wheel rate from which single samples are smoothed, Hz (own choice: five samples to a cycle of 15 per second).
JITTER_FREE_ABOVE_HZ = 75.0

#: Depth of slip that a control's cycles reach at most (own choice: beyond it the wheel locks).
DEEPEST_CYCLE = 0.5

#: A signal on one value for so long is frozen, s (own choice: ten rows at 50 Hz).
FROZEN_S = 0.2


@dataclass(frozen=True)
class WheelFacts:
    """All ``(W, E)``: see the columns of ``event_wheels`` in ``core.tables``; ``modulated`` is 1, 0 or -1 (unknown)."""

    sensed: Bools
    peak_slip: Floats
    peak_slip_is_bound: Bools
    lockups: lockup.Lockups
    cycles: Ints
    seen_hz: Floats
    modulated: npt.NDArray[np.int8]
    modulation_begin_s: Floats
    modulation_end_s: Floats
    struggling: Bools
    free_slip: Floats
    steady_slip: Floats
    released_slip: Floats
    dropout_s: Floats
    peak_pressure_kpa: Floats


def wheel_facts(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> WheelFacts:
    """Everything that is said of a wheel in an event."""
    time_s, offsets = batch.time_s, batch.offsets
    dead = signal_loss.dead(signals.wheel, signals.speed, phases.braking, offsets, FREE_ROLL_ABOVE_MPS)
    if batch.wheel_saturated is not None:  # a saturated wheel is sensed, only not measured
        dead &= ~np.logical_or.reduceat(batch.wheel_saturated, offsets[:-1], axis=1)
    gone = dead[:, signals.event_of]
    lost = _lost(batch, signals, phases, gone, criteria)
    reading = np.where(gone | lost, np.nan, batch.wheel_speed_mps)
    slips = np.where(gone | lost, np.nan, signals.slip)
    found = lockup.lockups(
        time_s=time_s,
        offsets=offsets,
        start=phases.start,
        stop=phases.judged,
        speed_mps=signals.speed,
        supported=signals.supported,
        distance_m=phases.distance,
        wheel_mps=reading,
        ceiling=batch.wheel_saturated,
        rate_hz=signals.wheel_seen_hz,
        floor_mps=batch.wheel_floor_mps,
        criteria=criteria,
    )
    fast = np.where(signals.speed > criteria.modulation_least_speed_mps, slips, np.nan)
    greatest = slip.peak(fast, phases.start, phases.stop)
    peak = np.where(found.verdict == 1, 1.0, np.clip(greatest, 0.0, 1.0))
    noise = _noise(batch, signals, phases, slips)
    cycles = _cycles(batch, signals, phases, slips, noise, dead, criteria)
    long_slip = response.long_above(fast, criteria.used_up_slip, time_s, phases.start, phases.stop, criteria.used_up_s)
    quiet = _quiet_slip(batch, signals, phases, slips, noise, criteria)
    return WheelFacts(
        sensed=~dead,
        peak_slip=np.where(dead, np.nan, peak),
        peak_slip_is_bound=_is_bound(batch, signals, phases, found, criteria),
        lockups=found,
        cycles=cycles.count,
        seen_hz=cycles.hz,
        modulated=cycles.verdict,
        modulation_begin_s=cycles.begin_s,
        modulation_end_s=cycles.end_s,
        struggling=(found.verdict == 1) | (cycles.count >= criteria.least_cycles) | long_slip,
        free_slip=quiet[0],
        steady_slip=quiet[1],
        released_slip=quiet[2],
        dropout_s=np.where(
            dead, np.nan, signal_loss.marked_time(time_s, lost & (signals.speed > FREE_ROLL_ABOVE_MPS), offsets)
        ),
        peak_pressure_kpa=slip.peak(batch.wheel_pressure_kpa, phases.start, phases.stop),
    )


def _lost(batch: EventBatch, signals: Signals, phases: Phases, gone: Bools, criteria: Criteria) -> Bools:
    """Samples ``(W, N)`` at which a wheel's signal is lost; ``gone`` marks wheels that say nothing at all."""
    return signal_loss.lost(  # type: ignore[no-any-return]
        batch.time_s,
        np.where(gone, np.nan, batch.wheel_speed_mps),
        signals.speed,
        phases.braking | phases.outlived,
        batch.offsets,
        signals.wheel_seen_hz,
        criteria.moving_mps,
        FROZEN_S,
        criteria.wheel_fall_most_mps2,
        criteria.free_wheel_share,
        criteria.quick_row_s,
    )


def _is_bound(batch: EventBatch, signals: Signals, phases: Phases, found: lockup.Lockups, criteria: Criteria) -> Bools:
    """Whether the greatest slip is only a lower bound: a saturated reading, or one under the sensor's floor."""
    under_floor = (batch.wheel_speed_mps <= batch.wheel_floor_mps) & (batch.wheel_floor_mps > 0.0)
    if batch.wheel_saturated is not None:
        under_floor |= batch.wheel_saturated
    counted = under_floor & phases.braking & (signals.speed > criteria.modulation_least_speed_mps)
    if not batch.events:
        return np.zeros(found.verdict.shape, np.bool_)
    return np.logical_or.reduceat(counted, batch.offsets[:-1], axis=1) & (found.verdict != 1)


def _noise(batch: EventBatch, signals: Signals, phases: Phases, slips: Floats) -> Floats:
    """Sample noise of each wheel against the vehicle before the demand ``(W, E)``, m/s; NaN where too little rolled."""
    residual = np.where(np.isnan(slips), np.nan, signals.wheel - signals.speed)
    first = batch.offsets[:-1]
    rows = [rates.white_noise(row, first, np.maximum(phases.start, first)) for row in residual]  # a handful of wheels
    return np.array(rows) if rows else np.zeros((0, batch.events))


@dataclass(frozen=True)
class _Cycles:
    """Of each wheel ``(W, E)``: cycles, frequency as seen, span, and the verdict 1, 0 or -1."""

    count: Ints
    hz: Floats
    begin_s: Floats
    end_s: Floats
    verdict: npt.NDArray[np.int8]


def _cycles(
    batch: EventBatch,
    signals: Signals,
    phases: Phases,
    slips: Floats,
    noise: Floats,
    dead: Bools,
    criteria: Criteria,
) -> _Cycles:
    """Cycles of each wheel: by its slip, or by its own pressure where the slip does not tell."""
    wheel_hz = signals.wheel_seen_hz
    # single-sample jumps of a quick channel are no pressure cycles; three points leave 15 cycles a second standing
    points = np.where(wheel_hz >= JITTER_FREE_ABOVE_HZ, 3, 1)
    count = partial(
        modulation.by_slip,
        time_s=batch.time_s,
        start=phases.start,
        stop=phases.stop,
        slip=smoothing.centred_mean(slips, batch.offsets, points),
        speed_mps=signals.speed,
        noise_mps=noise,
        event_of=signals.event_of,
        usable=signals.supported,
        held=phases.held,
    )
    found = count(criteria=criteria)
    # one swing, however slow, at a low rate may be quick cycles in disguise: it cannot say no
    swings = count(criteria=replace(criteria, cycle_longest_s=np.inf)).cycles
    disguised = (swings > 0) & (wheel_hz < criteria.alias_free_hydraulic_hz)[None, :]
    # noise that asks for deeper cycles than a wheel makes leaves nothing to see
    drowned = criteria.cycle_noise_factor * np.nan_to_num(noise) > DEEPEST_CYCLE * _onset_speed(signals, phases)
    seen = (
        ~dead
        & ~disguised
        & ~drowned
        & ~_hidden(batch, signals, phases, slips, criteria)
        & (wheel_hz >= criteria.least_rate_modulation_hz)[None, :]
    )
    if not np.isnan(batch.wheel_pressure_kpa).all():
        found, seen = _or_by_pressure(batch, signals, phases, found, seen, criteria)
    cycles = np.where(dead & ~seen, 0, found.cycles)
    verdict = np.where(cycles >= criteria.least_cycles, 1, np.where(seen, 0, -1))
    verdict = np.where(phases.start[None, :] < 0, -1, verdict).astype(np.int8)
    return _Cycles(cycles, found.hz, found.begin_s, found.end_s, verdict)


def _or_by_pressure(
    batch: EventBatch,
    signals: Signals,
    phases: Phases,
    by_slip: modulation.Modulations,
    seen: Bools,
    criteria: Criteria,
) -> tuple[modulation.Modulations, Bools]:
    """The cycles of a wheel's own pressure in place of those of its slip, where only the pressure can tell."""
    greatest = slip.peak(batch.wheel_pressure_kpa, phases.start, phases.stop)
    pressed = modulation.by_pressure(
        time_s=batch.time_s,
        start=phases.start,
        stop=phases.stop,
        pressure_kpa=batch.wheel_pressure_kpa,
        greatest_kpa=greatest,
        event_of=signals.event_of,
        speed_mps=signals.speed,
        held=phases.held,
        criteria=criteria,
    )
    rate_hz = rates.effective_rate(batch.time_s, batch.wheel_pressure_kpa, batch.offsets)
    instead = ~seen & ~np.isnan(greatest) & (rate_hz >= criteria.least_rate_modulation_hz)[None, :]
    merged = modulation.Modulations(
        cycles=np.where(instead, pressed.cycles, by_slip.cycles),
        hz=np.where(instead, pressed.hz, by_slip.hz),
        begin_s=np.where(instead, pressed.begin_s, by_slip.begin_s),
        end_s=np.where(instead, pressed.end_s, by_slip.end_s),
    )
    return merged, seen | instead


def _hidden(batch: EventBatch, signals: Signals, phases: Phases, slips: Floats, criteria: Criteria) -> Bools:
    """Wheels ``(W, E)`` whose slip was missing for as long as a gap while it mattered, or whose rows were missing."""
    mattered = phases.braking & (signals.speed > criteria.modulation_least_speed_mps)
    missing = signal_loss.marked_time(batch.time_s, np.isnan(slips) & mattered, batch.offsets)
    return (missing >= criteria.gap_s) | phases.gapped[None, :]


def _onset_speed(signals: Signals, phases: Phases) -> Floats:
    """Vehicle speed when the demand begins ``(E,)``, infinite where there is none."""
    if not signals.speed.size:
        return np.full(phases.start.size, np.inf)
    return np.where(phases.start >= 0, signals.speed[np.maximum(phases.start, 0)], np.inf)


def _quiet_slip(
    batch: EventBatch, signals: Signals, phases: Phases, slips: Floats, noise: Floats, criteria: Criteria
) -> tuple[Floats, Floats, Floats]:
    """Slip before the demand, under held demand less the former, and after release less the former.

    NaN for a wheel whose signal scatters too much for its mean to be trusted.
    """
    erratic = np.nan_to_num(noise) > criteria.noisiest_slip * _onset_speed(signals, phases)
    rolling = signals.supported & (signals.speed > FREE_ROLL_ABOVE_MPS)
    args = (batch.time_s, batch.offsets, criteria.free_roll_s)

    def mean(use: Bools) -> Floats:
        return np.where(erratic, np.nan, slip.phase_mean(slips, use & rolling, *args))

    free = mean(phases.before)
    return free, mean(phases.steady) - free, mean(phases.after) - free

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
    reading = np.where(gone, np.nan, batch.wheel_speed_mps)
    slips = np.where(gone, np.nan, signals.slip)
    found = lockup.lockups(
        time_s=time_s,
        offsets=offsets,
        start=phases.start,
        stop=phases.stop,
        speed_mps=signals.speed,
        supported=signals.supported,
        distance_m=signals.distance,
        wheel_mps=reading,
        ceiling=batch.wheel_saturated,
        rate_hz=signals.wheel_seen_hz,
        floor_mps=batch.wheel_floor_mps,
        criteria=criteria,
    )
    fast = np.where(signals.speed > criteria.modulation_least_speed_mps, slips, np.nan)
    greatest = slip.peak(fast, phases.start, phases.stop)
    peak = np.where(found.verdict == 1, 1.0, np.clip(greatest, 0.0, 1.0))
    cycles, hz, modulated = _cycles(batch, signals, phases, slips, dead, criteria)
    long_slip = response.long_above(fast, criteria.used_up_slip, time_s, phases.start, phases.stop, criteria.used_up_s)
    quiet = _quiet_slip(batch, signals, phases, slips, criteria)
    lost = signal_loss.lost_time(
        time_s,
        reading,
        signals.speed,
        phases.braking,
        offsets,
        signals.wheel_seen_hz,
        FREE_ROLL_ABOVE_MPS,
        FROZEN_S,
        criteria.wheel_fall_most_mps2,
    )
    return WheelFacts(
        sensed=~dead,
        peak_slip=np.where(dead, np.nan, peak),
        peak_slip_is_bound=_is_bound(batch, signals, phases, found, criteria),
        lockups=found,
        cycles=cycles,
        seen_hz=hz,
        modulated=modulated,
        struggling=(found.verdict == 1) | (cycles >= criteria.least_cycles) | long_slip,
        free_slip=quiet[0],
        steady_slip=quiet[1],
        released_slip=quiet[2],
        dropout_s=np.where(dead, np.nan, lost),
        peak_pressure_kpa=slip.peak(batch.wheel_pressure_kpa, phases.start, phases.stop),
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


def _cycles(
    batch: EventBatch, signals: Signals, phases: Phases, slips: Floats, dead: Bools, criteria: Criteria
) -> tuple[Ints, Floats, npt.NDArray[np.int8]]:
    """Cycles, their frequency as seen and the verdict of each wheel: by slip, or by its own pressure without slip."""
    residual = signals.wheel - signals.speed
    noise = np.zeros(batch.events)
    for row in residual:  # a handful of wheels, whole arrays each
        noise = np.fmax(noise, rates.white_noise(row, batch.offsets[:-1], np.maximum(phases.start, batch.offsets[:-1])))
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
    by_slip = count(criteria=criteria)
    # one swing, however slow, at a low rate may be quick cycles in disguise: it cannot say no
    swings = count(criteria=replace(criteria, cycle_longest_s=np.inf)).cycles
    disguised = (swings > 0) & (wheel_hz < criteria.alias_free_hydraulic_hz)[None, :]
    seen = ~dead & ~disguised & (wheel_hz >= criteria.least_rate_modulation_hz)[None, :]
    cycles, hz = by_slip.cycles, by_slip.hz
    if not np.isnan(batch.wheel_pressure_kpa).all():
        pressed = modulation.by_pressure(
            time_s=batch.time_s,
            start=phases.start,
            stop=phases.stop,
            pressure_kpa=batch.wheel_pressure_kpa,
            greatest_kpa=slip.peak(batch.wheel_pressure_kpa, phases.start, phases.stop),
            event_of=signals.event_of,
            speed_mps=signals.speed,
            held=phases.held,
            criteria=criteria,
        )
        pressure_hz = rates.effective_rate(batch.time_s, batch.wheel_pressure_kpa, batch.offsets)
        has_pressure = ~np.isnan(slip.peak(batch.wheel_pressure_kpa, phases.start, phases.stop))
        instead = ~seen & has_pressure & (pressure_hz >= criteria.least_rate_modulation_hz)[None, :]
        cycles = np.where(instead, pressed.cycles, cycles)
        hz = np.where(instead, pressed.hz, hz)
        seen |= instead
    cycles = np.where(dead & ~seen, 0, cycles)
    modulated = np.where(cycles >= criteria.least_cycles, 1, np.where(seen, 0, -1)).astype(np.int8)
    return cycles, hz, np.where(phases.start[None, :] < 0, np.int8(-1), modulated)


def _quiet_slip(
    batch: EventBatch, signals: Signals, phases: Phases, slips: Floats, criteria: Criteria
) -> tuple[Floats, Floats, Floats]:
    """Slip before the demand, under held demand less the former, and after release less the former."""
    rolling = signals.supported & (signals.speed > FREE_ROLL_ABOVE_MPS)
    args = (batch.time_s, batch.offsets, criteria.free_roll_s)

    def mean(use: Bools) -> Floats:
        return slip.phase_mean(slips, use & rolling, *args)  # type: ignore[no-any-return]

    free = mean(phases.before)
    return free, mean(phases.steady) - free, mean(phases.after) - free

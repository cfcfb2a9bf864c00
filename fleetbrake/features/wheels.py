"""Facts of each wheel and event: slip, lockups, cycles, lost signal."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.missing import or_zero
from fleetbrake.detection import allowances, lockup, near_miss
from fleetbrake.features.cycles import wheel_cycles
from fleetbrake.features.cycles_told import onset_speed
from fleetbrake.features.phases import Phases
from fleetbrake.features.sensors import FREE_ROLL_ABOVE_MPS, Sensors, is_bound, sensors
from fleetbrake.features.signals import Signals
from fleetbrake.kinematics import rates, response, slip
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class WheelFacts:
    """All ``(W, E)``: see the columns of ``event_wheels`` in ``core.tables``; ``modulated`` is 1, 0 or -1 (unknown).

    ``slip`` ``(W, N)`` is the slip of the sound samples: NaN where a wheel's signal is lost. ``locked_above``
    ``(3, W, E)`` is the longest single time locked above 15 km/h, 10 mph and 20 mph.
    """

    sensed: Bools
    slip: Floats
    peak_slip: Floats
    peak_slip_is_bound: Bools
    lockups: lockup.Lockups
    locked_above: Floats
    near: near_miss.NearMisses
    cycles: Ints
    seen_hz: Floats
    cycles_rate_hz: Floats
    once_a_turn: Bools
    unasked: Bools
    modulated: npt.NDArray[np.int8]
    modulation_begin_s: Floats
    modulation_end_s: Floats
    struggling: Bools
    free_slip: Floats
    steady_slip: Floats
    released_slip: Floats
    dropout_s: Floats
    floor: Floats
    peak_pressure_kpa: Floats


def wheel_facts(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> WheelFacts:
    """Everything that is said of a wheel in an event."""
    time_s, offsets = batch.time_s, batch.offsets
    sensed = sensors(batch, signals, phases, criteria)
    dead, slips = sensed.silent, sensed.slip
    found = lockup.lockups(
        time_s=time_s,
        offsets=offsets,
        start=phases.start,
        stop=phases.judged,
        speed_mps=signals.speed,
        supported=signals.supported,
        distance_m=phases.distance,
        wheel_mps=sensed.reading,
        ceiling=batch.wheel_saturated,
        rate_hz=signals.wheel_seen_hz,
        floor_mps=sensed.floor,
        criteria=criteria,
    )
    above = signals.speed > criteria.modulation_least_speed_mps
    greatest = slip.peak(sensed.proven, phases.start, phases.stop, above)
    peak = np.where(found.verdict == 1, 1.0, np.clip(greatest, 0.0, 1.0))
    near = _near_misses(batch, signals, phases, sensed, found, criteria)
    beside = slip.beside(slips, signals.wheel, signals.speed)
    noise = _noise(batch, phases, beside)
    cycles = wheel_cycles(batch, signals, phases, slips, beside, noise, dead, criteria)
    long_slip = response.long_above(
        slips, criteria.used_up_slip, time_s, phases.start, phases.stop, criteria.used_up_s, above
    )
    quiet = _quiet_slip(batch, signals, phases, slips, noise, criteria)
    return WheelFacts(
        sensed=~dead,
        slip=slips,
        peak_slip=np.where(dead, np.nan, peak),
        peak_slip_is_bound=is_bound(
            batch, signals, phases, sensed, found.verdict == 1, criteria.modulation_least_speed_mps
        ),
        lockups=found,
        locked_above=_locked_above(batch, signals, found, criteria),
        near=near,
        cycles=cycles.count,
        seen_hz=cycles.hz,
        cycles_rate_hz=cycles.rate_hz,
        once_a_turn=cycles.once_a_turn,
        unasked=cycles.unasked,
        modulated=cycles.verdict,
        modulation_begin_s=cycles.begin_s,
        modulation_end_s=cycles.end_s,
        struggling=(found.verdict == 1) | (cycles.count >= criteria.least_cycles) | long_slip,
        free_slip=quiet[0],
        steady_slip=quiet[1],
        released_slip=quiet[2],
        dropout_s=sensed.dropout_s,
        floor=sensed.floor,
        peak_pressure_kpa=_peak_pressure(batch, phases),
    )


def _peak_pressure(batch: EventBatch, phases: Phases) -> Floats:
    if not batch.presses:
        return np.full((len(batch.wheels), batch.events), np.nan)
    return slip.peak(batch.wheel_pressure_kpa, phases.start, phases.stop)


def _locked_above(batch: EventBatch, signals: Signals, found: lockup.Lockups, criteria: Criteria) -> Floats:
    limits = (criteria.allowed_15_kmh_mps, criteria.allowed_10_mph_mps, criteria.allowed_20_mph_mps)
    return np.stack([allowances.longest_above(batch.time_s, signals.speed, found, limit) for limit in limits])


def _near_misses(
    batch: EventBatch,
    signals: Signals,
    phases: Phases,
    sensed: Sensors,
    found: lockup.Lockups,
    criteria: Criteria,
) -> near_miss.NearMisses:
    spans = found.spans
    locked = near_miss.marks(spans.wheel, spans.start, spans.stop, len(batch.wheels), batch.samples)
    return near_miss.near_misses(
        time_s=batch.time_s,
        offsets=batch.offsets,
        start=phases.start,
        stop=phases.judged,
        slip=sensed.proven,
        speed_mps=signals.speed,
        decel_mps2=signals.decel,
        wheel_mps=sensed.reading,
        usable=signals.supported,
        locked=locked,
        undecided=(found.verdict < 0) | sensed.silent,
        rate_hz=signals.wheel_seen_hz,
        criteria=criteria,
    )


def _noise(batch: EventBatch, phases: Phases, beside: Floats) -> Floats:
    """Sample noise of each wheel against the vehicle before the demand ``(W, E)``, m/s; NaN where too little rolled."""
    first = batch.offsets[:-1]
    rows = [rates.white_noise(row, first, np.maximum(phases.start, first)) for row in beside]  # a handful of wheels
    return np.array(rows) if rows else np.zeros((0, batch.events))


def _quiet_slip(
    batch: EventBatch, signals: Signals, phases: Phases, slips: Floats, noise: Floats, criteria: Criteria
) -> tuple[Floats, Floats, Floats]:
    """Slip before the demand, under held demand less the former, and after release less the former.

    NaN for a wheel whose signal scatters too much for its mean to be trusted.
    """
    erratic = or_zero(noise) > criteria.noisiest_slip * onset_speed(signals, phases)
    rolling = signals.supported & (signals.speed > FREE_ROLL_ABOVE_MPS)
    args = (batch.time_s, batch.offsets, criteria.free_roll_s)

    def mean(use: Bools) -> Floats:
        return np.where(erratic, np.nan, slip.phase_mean(slips, use & rolling, *args))

    free = mean(phases.before)
    return free, mean(phases.steady) - free, mean(phases.after) - free

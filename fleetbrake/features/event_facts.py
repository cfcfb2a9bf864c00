"""Facts of each event: speeds, deceleration, distance, friction, response."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.missing import or_zero
from fleetbrake.core.units import G_MPS2
from fleetbrake.detection import applications
from fleetbrake.features.answer import Answer, answer
from fleetbrake.features.manner import Manner, manner
from fleetbrake.features.phases import Phases
from fleetbrake.features.pull import Pull, pull
from fleetbrake.features.recorded import median
from fleetbrake.features.road import Road, road
from fleetbrake.features.signals import Signals
from fleetbrake.features.wheels import WheelFacts
from fleetbrake.features.work import Work, work
from fleetbrake.kinematics import deceleration, energy, response, slip
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Greatest speed at which only one axle turning is a roller tester, m/s (2.5 to 5 km/h, common practice, no source).
ROLLER_BELOW_MPS = 3.0

#: Over this time, s, wheels that run into slip still prove a deceleration, less the share of speed that the slip of the
#: best of them takes meanwhile (own choice: the slip of peak adhesion of paved Burckhardt sets, halved).
PROVEN_OVER_S, SLIP_GAINED = 1.0, 0.08

#: No wheel locks for so long, s (own choice: from 25 m/s at 25 m/s2).
FALLS_TOO_LONG_S = 1.0

#: Speed below which a vehicle is reversing, m/s (own choice: beyond the rebound of the measured stop, -0.45 m/s).
REVERSING_MPS = -0.6


@dataclass(frozen=True)
class EventFacts:
    """All ``(E,)``: see the columns of ``events`` in ``core.tables``."""

    initial_speed: Floats
    final_speed: Floats
    braking_s: Floats
    distance: Floats
    distance_se: Floats
    peak_decel: Floats
    peak_at_least: Floats
    mean_decel: Floats
    mfdd: Floats
    energy_kj: Floats
    friction_used: Floats
    road: Road
    demand_peak: Floats
    answer: Answer
    manner: Manner
    work: Work
    pull: Pull
    longest_gap: Floats
    grade: Floats
    mass_kg: Floats
    temperature_c: Floats
    beyond: Bools
    not_braking: npt.NDArray[np.object_]

    @property
    def braked(self) -> Bools:
        """Which events are brake applications ``(E,)``."""
        return np.equal(self.not_braking, np.array(None, dtype=object)).astype(np.bool_)


def event_facts(
    batch: EventBatch, signals: Signals, phases: Phases, wheels: WheelFacts, criteria: Criteria
) -> EventFacts:
    """Everything that is said of an event as a whole."""
    begin, end = _bounds(phases)
    time_s, speed = batch.time_s, signals.speed
    braked = phases.start >= 0
    initial = _at(speed, begin, braked)
    # an end that rests on nothing (all wheels sliding, no other speed) is not known, nor what follows from it
    known_end = braked & _at(signals.supported.astype(np.float64), end, braked).astype(bool)
    final = _at(speed, end, known_end)
    lasted = _at(time_s, end, known_end) - _at(time_s, begin, braked) + phases.lead
    whole = braked & ~phases.gapped
    covered = _at(phases.distance, end, braked) - _at(phases.distance, begin, braked) + phases.lead * initial
    reversing, reasons = _not_braking(batch, signals, phases)
    mfdd = deceleration.mean_fully_developed(time_s, speed, phases.distance, begin, end + 1, criteria.mfdd_slack_share)
    mass = median(batch, "gross_mass_kg", batch.offsets[:-1], batch.offsets[1:])
    grade = median(batch, "grade", begin, end + 1)
    peak, at_least = _peak(batch, signals, phases, wheels, criteria)
    # no road vehicle brakes so: the speed is in another unit, or broken, and so is all that follows from it
    beyond = (np.fmax(peak, at_least) > criteria.decel_most_mps2) | _falls_too_long(batch, signals, phases, criteria)
    peak, at_least = np.where(beyond, np.nan, peak), np.where(beyond, np.nan, at_least)
    initial, final = np.where(beyond, np.nan, initial), np.where(beyond, np.nan, final)
    doubt = _level_doubt(batch, signals, phases)
    whole &= ~beyond & ~(doubt > criteria.distance_doubt)
    friction = np.where(beyond | ~phases.carried, np.nan, _friction(batch, signals, phases, criteria))
    found = road(batch, signals, phases, wheels, criteria)
    drop = -or_zero(grade) * or_zero(covered)
    return EventFacts(
        initial_speed=initial,
        final_speed=np.maximum(final, 0.0),
        braking_s=lasted,
        distance=np.where(whole, covered, np.nan),
        distance_se=np.where(
            whole,
            # a speed that is older than it is taken for lengthens the stop by the way meanwhile
            np.hypot(
                np.hypot(doubt * covered, signals.onset_doubt_s * initial), signals.age_error_s * (initial - final)
            ),
            np.nan,
        ),
        peak_decel=peak,
        peak_at_least=at_least,
        mean_decel=np.where(lasted > 0.0, (initial - final) / np.where(lasted > 0.0, lasted, np.nan), np.nan),
        mfdd=np.where(whole, mfdd, np.nan),
        energy_kj=energy.energy_taken_out(mass, initial, np.maximum(final, 0.0), drop),
        friction_used=friction,
        road=found,
        demand_peak=np.where(
            (signals.demand.kind == applications.PEDAL) | (signals.demand.kind == applications.PRESSURE),
            slip.peak(signals.demand.level[None, :], phases.start, phases.stop)[0],
            np.nan,
        ),
        answer=answer(batch, signals, phases, wheels, criteria),
        manner=manner(batch, signals, phases, criteria),
        work=work(batch, signals, phases, criteria),
        pull=pull(batch, signals, phases, criteria),
        longest_gap=phases.longest_gap,
        grade=np.where(braked, grade, np.nan),
        mass_kg=mass,
        temperature_c=median(batch, "air_temp_c", batch.offsets[:-1], batch.offsets[1:]),
        beyond=beyond,
        not_braking=np.where(reversing, "reversing", reasons),
    )


def _bounds(phases: Phases) -> tuple[Ints, Ints]:
    """First and last sample of the braking phase, 0 and -1 where there is none (an empty range)."""
    return np.maximum(phases.start, 0), np.where(phases.start >= 0, phases.stop - 1, -1)


def _at(values: Floats, position: Ints, valid: Bools) -> Floats:
    return np.where(valid, values[np.maximum(position, 0)] if values.size else np.nan, np.nan)


def _level_doubt(batch: EventBatch, signals: Signals, phases: Phases) -> Floats:
    """Standard error of the speed over the speed, both as means while braking ``(E,)``: that of the distance."""
    use = phases.braking & signals.supported
    error, speed = (
        slip.phase_mean(values[None, :], use, batch.time_s, batch.offsets, 1e-3)[0]
        for values in (signals.level_se, signals.speed)
    )
    return np.asarray(error / speed)


def _falls_too_long(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> Bools:
    """Events ``(E,)`` whose channel, or whose wheels where there is none, fall for a second as no tyre allows.

    A locking wheel falls faster, but is down long before; speeds in another unit look so. An accelerometer that goes
    with the speed speaks against it.
    """
    if signals.has_accel.all():
        return np.zeros(batch.events, np.bool_)
    fastest = np.fmax.reduce(signals.wheel, axis=0) if len(batch.wheels) else np.full(batch.samples, np.nan)
    recorded = slip.peak(signals.channel[None, :], batch.offsets[:-1], batch.offsets[1:])[0] >= 0.0
    known = np.repeat(recorded, np.diff(batch.offsets))
    speed = np.where(known, signals.channel, fastest)
    fall = deceleration.slope(batch.time_s, speed, np.fmax(criteria.peak_window_s, 1.0 / signals.row_hz), batch.offsets)
    begin, end = _bounds(phases)
    long = response.long_above(fall[None, :], criteria.decel_most_mps2, batch.time_s, begin, end + 1, FALLS_TOO_LONG_S)
    return np.asarray(long[0] & ~signals.has_accel)


def _peak(
    batch: EventBatch, signals: Signals, phases: Phases, wheels: WheelFacts, criteria: Criteria
) -> tuple[Floats, Floats]:
    """Greatest 0.2 s mean where rate and rows show it; else NaN and what the deceleration reached at least.

    The greatest of several noisy means overstates by what their scatter makes of it: taken off.
    """
    begin, end = _bounds(phases)
    gap = np.fmax(criteria.gap_s, 2.5 / signals.row_hz)
    fine = (signals.carrier_hz >= 0.99 * criteria.least_rate_peak_hz) & ~phases.gapped
    window = np.fmax(criteria.peak_window_s, 1.0 / signals.carrier_hz)
    level = np.zeros(batch.samples)
    # a reference without support (all wheels sliding, nothing independent) proves no deceleration
    greatest = deceleration.greatest_mean(batch.time_s, signals.measured, level, begin, end + 1, window, gap)
    greatest = np.fmax(greatest - criteria.peak_excess * signals.mean_error, 0.0) + 0.0 * greatest
    # wheels alone that run into slip fall faster than the vehicle: a second of it, less the slip, is proven
    slides = ~signals.from_channel & ~signals.has_accel & wheels.struggling.any(axis=0)
    if not slides.any():
        return np.where(fine, greatest, np.nan), np.where(fine, np.nan, greatest)
    second = np.full(batch.events, PROVEN_OVER_S)
    lasting = deceleration.greatest_mean(
        batch.time_s, signals.measured, level, begin, np.where(slides, end + 1, begin), second, gap
    )
    lasting = np.fmax(lasting - SLIP_GAINED * _at(signals.speed, begin, phases.start >= 0) / PROVEN_OVER_S, 0.0)
    greatest, fine = np.where(slides, lasting, greatest), fine & ~slides
    return np.where(fine, greatest, np.nan), np.where(fine, np.nan, greatest)


def _friction(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> Floats:
    """Greatest 0.5 s mean on a level road over g; NaN where missing rows may hide a greater one."""
    begin, end = _bounds(phases)
    gap = np.fmax(criteria.gap_s, 2.5 / signals.row_hz)
    window = np.fmax(criteria.friction_window_s, 1.0 / signals.carrier_hz)
    found = deceleration.greatest_mean(batch.time_s, signals.measured, signals.slope_extra, begin, end + 1, window, gap)
    return np.where(phases.gapped, np.nan, np.maximum(found, 0.0) / G_MPS2)


def _not_braking(batch: EventBatch, signals: Signals, phases: Phases) -> tuple[Bools, npt.NDArray[np.object_]]:
    """Which events reverse, and why the others are no brake application (None: they are one)."""
    first, last = batch.offsets[:-1], batch.offsets[1:]
    fastest = slip.peak(signals.speed[None, :], first, last)[0]
    channel = batch.channel("speed_mps")
    backwards = slip.peak(-channel[None, :], first, last)[0]
    turning = slip.peak(signals.wheel, first, last) if len(batch.wheels) else np.zeros((1, batch.events))
    most, least = np.nanmax(or_zero(turning), axis=0), np.nanmin(or_zero(turning), axis=0)
    reason = np.full(batch.events, None, dtype=object)
    none = phases.start < 0
    reason[none] = "no brake demand recorded"
    reason[none & ~(fastest > 0.3)] = "standstill"
    reason[np.isnan(fastest)] = "no usable vehicle speed"
    on_rollers = (most > 0.3) & (most < ROLLER_BELOW_MPS) & (least < 0.1)
    still = signals.from_channel & ~(fastest > 0.3)
    roller = (on_rollers & (still | ~signals.from_channel)) & (len(batch.wheels) >= 4)
    reason[roller] = "only one axle turns: roller tester"
    # a speed channel with a sign knows best: wheels have none
    forwards = np.where(np.isnan(backwards), fastest, slip.peak(channel[None, :], first, last)[0])
    reversing = (backwards > -REVERSING_MPS) & ~(forwards > 1.5)
    return reversing, reason

"""Facts of each event: speeds, deceleration, distance, friction, response."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.units import G_MPS2
from fleetbrake.detection import applications, surface
from fleetbrake.features.phases import Phases
from fleetbrake.features.signals import Signals
from fleetbrake.features.wheels import WheelFacts
from fleetbrake.kinematics import deceleration, energy, rates, response, slip
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Least steady time for an effectiveness, s (own choice: at 0.03 m/s speed noise 0.5 s give 0.1 m/s2).
LEAST_STEADY_S = 0.5

#: Greatest speed at which only one axle turning is a roller tester, m/s (2.5 to 5 km/h, common practice, no source).
ROLLER_BELOW_MPS = 3.0

#: Speed below which a vehicle is reversing, m/s (own choice: beyond the rebound of the measured stop, -0.45 m/s).
REVERSING_MPS = -0.6


@dataclass(frozen=True)
class EventFacts:
    """All ``(E,)``: see the columns of ``events`` in ``core.tables``."""

    demand_hz: Floats
    initial_speed: Floats
    final_speed: Floats
    braking_s: Floats
    distance: Floats
    peak_decel: Floats
    peak_at_least: Floats
    mean_decel: Floats
    mfdd: Floats
    energy_kj: Floats
    friction_used: Floats
    used_up: npt.NDArray[np.int8]
    surface: npt.NDArray[np.int8]
    demand_peak: Floats
    build_up: Floats
    effectiveness: Floats
    effectiveness_change: Floats
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
    lasted = _at(time_s, end, known_end) - _at(time_s, begin, braked)
    whole = braked & ~phases.gapped
    covered = _at(phases.distance, end, braked) - _at(phases.distance, begin, braked)
    reversing, reasons = _not_braking(batch, signals, phases)
    mfdd = deceleration.mean_fully_developed(time_s, speed, phases.distance, begin, end + 1)
    mass = rates.event_median(batch.channel("gross_mass_kg"), batch.offsets[:-1], batch.offsets[1:])
    grade = rates.event_median(batch.channel("grade"), begin, end + 1)
    peak, at_least = _peak(batch, signals, phases, criteria)
    # no road vehicle brakes so: the speed is in another unit, or broken, and so is all that follows from it
    beyond = np.fmax(peak, at_least) > criteria.decel_most_mps2
    peak, at_least = np.where(beyond, np.nan, peak), np.where(beyond, np.nan, at_least)
    initial, final = np.where(beyond, np.nan, initial), np.where(beyond, np.nan, final)
    whole &= ~beyond
    friction = np.where(beyond, np.nan, _friction(batch, signals, phases, criteria))
    used_up, kind = _road(batch, phases, wheels, friction, criteria)
    answer = _answer(batch, signals, phases, wheels, criteria)
    drop = -np.nan_to_num(grade) * np.nan_to_num(covered)
    return EventFacts(
        demand_hz=_demand_rate(batch, signals),
        initial_speed=initial,
        final_speed=np.maximum(final, 0.0),
        braking_s=lasted,
        distance=np.where(whole, covered, np.nan),
        peak_decel=peak,
        peak_at_least=at_least,
        mean_decel=np.where(lasted > 0.0, (initial - final) / np.where(lasted > 0.0, lasted, np.nan), np.nan),
        mfdd=np.where(whole, mfdd, np.nan),
        energy_kj=energy.energy_taken_out(mass, initial, np.maximum(final, 0.0), drop),
        friction_used=friction,
        used_up=used_up,
        surface=kind,
        demand_peak=np.where(
            (signals.demand.kind == applications.PEDAL) | (signals.demand.kind == applications.PRESSURE),
            slip.peak(signals.demand.level[None, :], phases.start, phases.stop)[0],
            np.nan,
        ),
        build_up=answer[0],
        effectiveness=answer[1],
        effectiveness_change=answer[2],
        longest_gap=phases.longest_gap,
        grade=np.where(braked, grade, np.nan),
        mass_kg=mass,
        temperature_c=rates.event_median(batch.channel("air_temp_c"), batch.offsets[:-1], batch.offsets[1:]),
        beyond=beyond,
        not_braking=np.where(reversing, "reversing", reasons),
    )


def _bounds(phases: Phases) -> tuple[Ints, Ints]:
    """First and last sample of the braking phase, 0 and -1 where there is none (an empty range)."""
    return np.maximum(phases.start, 0), np.where(phases.start >= 0, phases.stop - 1, -1)


def _at(values: Floats, position: Ints, valid: Bools) -> Floats:
    return np.where(valid, values[np.maximum(position, 0)] if values.size else np.nan, np.nan)


def _peak(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> tuple[Floats, Floats]:
    """Greatest 0.2 s mean where rate and rows show it; else NaN and what the deceleration reached at least."""
    begin, end = _bounds(phases)
    gap = np.fmax(criteria.gap_s, 2.5 / signals.row_hz)
    fine = (signals.carrier_hz >= 0.99 * criteria.least_rate_peak_hz) & ~phases.gapped
    window = np.fmax(criteria.peak_window_s, 1.0 / signals.carrier_hz)
    level = np.zeros(batch.samples)
    # a reference without support (all wheels sliding, nothing independent) proves no deceleration
    greatest = deceleration.greatest_mean(batch.time_s, signals.measured, level, begin, end + 1, window, gap)
    return np.where(fine, greatest, np.nan), np.where(fine, np.nan, greatest)


def _friction(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> Floats:
    """Greatest 0.5 s mean on a level road over g; NaN where missing rows may hide a greater one."""
    begin, end = _bounds(phases)
    gap = np.fmax(criteria.gap_s, 2.5 / signals.row_hz)
    window = np.fmax(criteria.friction_window_s, 1.0 / signals.carrier_hz)
    found = deceleration.greatest_mean(batch.time_s, signals.measured, signals.slope_extra, begin, end + 1, window, gap)
    return np.where(phases.gapped, np.nan, np.maximum(found, 0.0) / G_MPS2)


def _road(
    batch: EventBatch, phases: Phases, wheels: WheelFacts, friction: Floats, criteria: Criteria
) -> tuple[npt.NDArray[np.int8], npt.NDArray[np.int8]]:
    used_up = surface.friction_used_up(wheels.struggling, wheels.sensed)
    used_up = np.where(phases.start >= 0, used_up, np.int8(-1)).astype(np.int8)
    left = np.array([name.endswith("L") for name in batch.wheels], dtype=np.bool_)
    split = surface.one_sided(wheels.struggling, wheels.sensed, left) & (phases.start >= 0)
    unpaved = np.full(batch.events, np.nan)
    if batch.road_unpaved is not None:
        begin, end = _bounds(phases)
        unpaved = rates.event_median(batch.road_unpaved, begin, end + 1)
    kind = surface.surface(friction=friction, used_up=used_up, split=split, unpaved=unpaved, criteria=criteria)
    # a wheel that slides gives less than the road has, and loose ground looks like wet ground: without a map no word
    sliding = (wheels.lockups.held_speed_mps > criteria.cutoff_speed_mps).any(axis=0) & np.isnan(unpaved)
    kind = np.where(sliding & (kind == surface.WET), np.int8(surface.UNKNOWN), kind).astype(np.int8)
    return used_up, kind


def _answer(
    batch: EventBatch, signals: Signals, phases: Phases, wheels: WheelFacts, criteria: Criteria
) -> tuple[Floats, Floats, Floats]:
    """Build-up time, effectiveness and its change; NaN without a measured demand or where its rate hides them.

    Where the anti-lock control holds pressure back, by the wheels or by the vehicle's own flag, the demand is not what
    the brakes got: no effectiveness.
    """
    kind, demand_hz = signals.demand.kind, _demand_rate(batch, signals)
    measured = (kind == applications.PEDAL) | (kind == applications.PRESSURE)
    level = signals.demand.level
    whole, change = response.effectiveness(
        batch.time_s,
        signals.speed,
        signals.slope_extra,
        level,
        phases.steady,
        phases.start,
        phases.stop,
        LEAST_STEADY_S,
    )
    risen = response.build_up(batch.time_s, level, signals.decel, phases.start, phases.stop, criteria.build_up_share)
    least = criteria.least_rate_build_up_hz
    quick = measured & ~(demand_hz < least) & (signals.carrier_hz >= least)
    # below a tenth of a g the rise drowns in the noise of the speed
    strong = slip.peak(signals.decel[None, :], phases.start, phases.stop)[0] >= 0.1 * G_MPS2
    flagged = slip.peak(batch.channel("abs_active")[None, :], phases.start, phases.stop)[0] >= 0.5
    given = measured & ~flagged & ~(wheels.modulated == 1).any(axis=0)
    return (
        np.where(quick & strong, risen, np.nan),
        np.where(given, whole, np.nan),
        np.where(given, change, np.nan),
    )


def _demand_rate(batch: EventBatch, signals: Signals) -> Floats:
    """Effective rate of the demand channel used; NaN for a switch or where the demand hardly moved."""
    kind = signals.demand.kind
    known = (kind == applications.PEDAL) | (kind == applications.PRESSURE)
    found = rates.effective_rate(batch.time_s, signals.demand.level[None, :], batch.offsets)
    return np.where(known, found, np.nan)


def _not_braking(batch: EventBatch, signals: Signals, phases: Phases) -> tuple[Bools, npt.NDArray[np.object_]]:
    """Which events reverse, and why the others are no brake application (None: they are one)."""
    first, last = batch.offsets[:-1], batch.offsets[1:]
    fastest = slip.peak(signals.speed[None, :], first, last)[0]
    channel = batch.channel("speed_mps")
    backwards = slip.peak(-channel[None, :], first, last)[0]
    turning = slip.peak(signals.wheel, first, last) if len(batch.wheels) else np.zeros((1, batch.events))
    most, least = np.nanmax(np.nan_to_num(turning), axis=0), np.nanmin(np.nan_to_num(turning), axis=0)
    reason = np.full(batch.events, None, dtype=object)
    none = phases.start < 0
    reason[none] = "no brake demand recorded"
    reason[none & ~(fastest > 0.3)] = "standstill"
    reason[np.isnan(fastest)] = "no usable vehicle speed"
    on_rollers = (most > 0.3) & (most < ROLLER_BELOW_MPS) & (least < 0.1)
    still = signals.from_channel & ~(fastest > 0.3)
    roller = (on_rollers & (still | ~signals.from_channel)) & (len(batch.wheels) >= 4)
    reason[roller] = "only one axle turns: roller tester"
    reversing = (backwards > -REVERSING_MPS) & ~(fastest > 1.5)
    return reversing, reason

"""What the wheel-speed sensors of an event can be believed: silent wheels, lost samples, what is left to read."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.features.motion import believed
from fleetbrake.features.phases import Phases
from fleetbrake.features.signals import Signals
from fleetbrake.kinematics import sensor_floor, signal_loss
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Vehicle speed above which a wheel's free rolling is measured, m/s (own choice: ten steps of a coarse tone wheel).
FREE_ROLL_ABOVE_MPS = 3.0

#: Share of the vehicle's speed above which a wheel that rolls before the demand turns at all, and with it (own choice:
#: the wheels of a raised axle coast down).
TURNS, FOLLOWS = 0.1, 0.9


@dataclass(frozen=True)
class Sensors:
    """What the wheel sensors say.

    ``silent`` ``(W, E)`` wheels that say nothing in the event; ``lost`` ``(W, N)`` samples at which the signal of a
    wheel that does say something is lost; ``reading`` ``(W, N)`` what may be believed, m/s, NaN elsewhere; ``slip``
    ``(W, N)`` likewise, ``proven`` no more of it than a reading under the floor proves; ``floor`` ``(W, E)`` speed
    under which the sensor reads zero, m/s, 0 where none is known; ``dropout_s`` ``(W, E)`` time without signal while
    the vehicle rolled, NaN for silent wheels.
    """

    silent: Bools
    lost: Bools
    reading: Floats
    slip: Floats
    proven: Floats
    floor: Floats
    dropout_s: Floats


def sensors(batch: EventBatch, signals: Signals, phases: Phases, criteria: Criteria) -> Sensors:
    """Judge the wheel-speed signals of a batch."""
    silent = _silent(batch, signals, phases)
    lost = _lost(batch, signals, phases, silent, criteria)
    rolling = signals.speed > FREE_ROLL_ABOVE_MPS
    reading = signal_loss.heard(batch.wheel_speed_mps, lost, silent, batch.offsets)
    slips = signal_loss.heard(signals.slip, lost, silent, batch.offsets)
    floor = _floor(batch, signals, reading, criteria)
    return Sensors(
        silent=silent,
        lost=lost,
        reading=reading,
        slip=slips,
        proven=sensor_floor.proven_slip(slips, reading, floor, signals.speed, batch.offsets),
        floor=floor,
        dropout_s=np.where(silent, np.nan, signal_loss.marked_time(batch.time_s, lost & rolling, batch.offsets)),
    )


def _silent(batch: EventBatch, signals: Signals, phases: Phases) -> Bools:
    """Wheels ``(W, E)`` that say nothing: unsensed, never turning, or on a raised axle."""
    raised = batch.channel("lift_axle_up") >= 0.5
    first = batch.offsets[:-1]
    up = np.logical_or.reduceat(raised, first) if batch.events else np.zeros(0, np.bool_)
    silent = signal_loss.dead(
        signals.wheel, signals.speed, phases.braking, batch.offsets, FREE_ROLL_ABOVE_MPS, np.where(up, FOLLOWS, TURNS)
    )
    if batch.wheel_saturated is not None and batch.events:  # a saturated wheel is sensed, only not measured
        silent &= ~np.logical_or.reduceat(batch.wheel_saturated, first, axis=1)
    return silent  # type: ignore[no-any-return]


def _lost(batch: EventBatch, signals: Signals, phases: Phases, silent: Bools, criteria: Criteria) -> Bools:
    """Samples ``(W, N)`` at which a wheel's signal is lost; ``silent`` ``(W, E)`` are wheels that say nothing at all.

    Readings that no wheel can have are taken away first: what comes after them is no return of a signal. A sensor is
    suspect that is silent in the vehicle's next event, or was caught elsewhere in this one.
    """
    seen = (
        np.where(np.take(silent, signals.event_of, axis=1), np.nan, batch.wheel_speed_mps)
        if silent.any()
        else batch.wheel_speed_mps
    )
    wild = _wild(batch, signals, seen, silent, criteria)
    sane = np.where(wild, np.nan, seen) if wild.any() else seen
    suspect = _silent_next(batch, silent)
    lost = _signal_lost(batch, signals, phases, sane, suspect, criteria)
    caught = signal_loss.caught(
        batch.time_s, lost, wild, sane, signals.speed, batch.offsets, criteria.moving_mps, criteria.least_lockup_s
    )
    if (caught & ~suspect).any():
        lost = _signal_lost(batch, signals, phases, sane, suspect | caught, criteria)
    return lost | wild  # type: ignore[no-any-return]


def _wild(batch: EventBatch, signals: Signals, seen: Floats, silent: Bools, criteria: Criteria) -> Bools:
    """Readings ``(W, N)`` that cannot be true of a wheel; missing and saturated ones are not among them.

    A wheel that says nothing is no witness for the others: where one has readings, its event is judged without them.
    """
    sound = signals.sound
    spoke = silent & _any(~np.isnan(batch.wheel_speed_mps), batch.offsets) if silent.any() else silent
    if spoke.any():
        again: Bools = np.asarray(spoke.any(axis=0))
        here = again[signals.event_of]
        ends = np.concatenate(([0], np.cumsum(np.diff(batch.offsets)[again])))
        full = batch.wheel_saturated
        saturated = None if full is None else np.compress(here, full, axis=1)
        sound = sound.copy()
        sound[:, here] = believed(batch.time_s[here], np.compress(here, seen, axis=1), saturated, ends, criteria)
    wild: Bools = ~sound & ~np.isnan(seen)
    if batch.wheel_saturated is not None:
        wild &= ~batch.wheel_saturated
    return wild


def _any(marks: Bools, offsets: Ints) -> Bools:
    return np.logical_or.reduceat(marks, offsets[:-1], axis=1)  # type: ignore[no-any-return]


def _signal_lost(
    batch: EventBatch, signals: Signals, phases: Phases, sane: Floats, suspect: Bools, criteria: Criteria
) -> Bools:
    return signal_loss.lost(  # type: ignore[no-any-return]
        batch.time_s,
        sane,
        signals.speed,
        signals.decel,
        signals.demand.level,
        phases.braking | phases.outlived,
        suspect,
        batch.offsets,
        signals.wheel_seen_hz,
        criteria.moving_mps,
        criteria.frozen_s,
        criteria.wheel_fall_most_mps2,
        criteria.wheel_fall_per_decel,
        criteria.cycle_peak_slip,
        criteria.free_wheel_share,
        1.0 - criteria.used_up_slip,
        criteria.quick_row_s,
    )


def _vehicle(batch: EventBatch) -> Ints:
    """Number of each event's vehicle ``(E,)``."""
    return np.unique(batch.vehicle_id.astype(str), return_inverse=True)[1].astype(np.int64)


def _silent_next(batch: EventBatch, silent: Bools) -> Bools:
    """Which wheels ``(W, E)`` are silent in the next event of the same vehicle in the batch."""
    vehicle = _vehicle(batch)
    order = np.lexsort((batch.start_us, vehicle))
    out = np.zeros_like(silent)
    follows = vehicle[order[1:]] == vehicle[order[:-1]]
    out[:, order[:-1][follows]] = silent[:, order[1:][follows]]
    return out


def _floor(batch: EventBatch, signals: Signals, reading: Floats, criteria: Criteria) -> Floats:
    """Speed ``(W, E)`` under which each sensor reads zero: what the file says, or what its vehicle's stops show."""
    said = np.full((len(batch.wheels), batch.events), batch.wheel_floor_mps)
    if not said.size:
        return said
    return np.maximum(
        said,
        sensor_floor.floors(
            time_s=batch.time_s,
            wheels_mps=reading,
            speed_mps=signals.speed,
            decel_mps2=signals.decel,
            offsets=batch.offsets,
            vehicle=_vehicle(batch),
            quiet_slip=criteria.cycle_peak_slip,
            gentle_mps2=criteria.floor_gentle_mps2,
            most_mps=criteria.floor_most_mps,
            least_mps=criteria.floor_least_mps,
            least_stops=int(criteria.floor_least_stops),
        ),
    )


def is_bound(batch: EventBatch, signals: Signals, phases: Phases, found: Sensors, locked: Bools, least: float) -> Bools:
    """Whether the greatest slip of each wheel ``(W, E)`` is only a lower bound, above the speed ``least``.

    A saturated reading bounds it, or one under the sensor's floor; a proven lock (``locked``) is no bound.
    """
    if not batch.events:
        return np.zeros(locked.shape, np.bool_)
    fast = phases.braking & (signals.speed > least)
    bound = sensor_floor.under_floor(found.reading, found.floor, fast, batch.offsets)
    if batch.wheel_saturated is not None:
        bound |= _any(batch.wheel_saturated & fast, batch.offsets)
    return bound & ~locked  # type: ignore[no-any-return]

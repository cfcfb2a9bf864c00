"""From a batch to its reference speed: which readings can be believed, where nothing brakes, whose vehicle it is."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.vocabulary import BRAKE_SOURCES, DEPENDENT_SPEED_SOURCES
from fleetbrake.detection import applications
from fleetbrake.kinematics import believable, deceleration, rates, reference_speed, signal_loss, wheel_speed
from fleetbrake.kinematics.held import unheld_rows
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Systems that brake without the driver's foot.
SYSTEMS = tuple(BRAKE_SOURCES.index(name) for name in ("aeb", "acc", "esc"))

#: Retarder torque (%) and recuperation (kW) from which wheels no longer roll freely (own choice: above sensor rest).
ENDURANCE_PCT, REGEN_KW = 2.0, 0.5

#: Without a demand channel wheels roll freely while their own deceleration stays under this, m/s2, over this time, s.
COASTING_MPS2, COASTING_S = 0.6, 0.3


@dataclass(frozen=True)
class Motion:
    """Rates ``(E,)`` (``each_wheel_hz`` ``(W, E)``), wheel speeds as lines ``(W, N)``, and the reference.

    ``sound`` ``(W, N)`` marks the readings that can be true of a wheel.
    """

    row_hz: Floats
    speed_hz: Floats
    wheel_hz: Floats
    each_wheel_hz: Floats
    speed_seen_hz: Floats
    wheel_seen_hz: Floats
    carrier_hz: Floats
    lines: Floats
    sound: Bools
    reference: reference_speed.Reference


def motion(batch: EventBatch, criteria: Criteria, told: reference_speed.Told | None = None) -> Motion:
    """Rates, readings and reference speed of a batch; ``told``: what is known of its vehicles already."""
    offsets, time_s = batch.offsets, batch.time_s
    row_hz = rates.row_rate(time_s, offsets)
    channel, accel = batch.channel("speed_mps"), batch.channel("accel_long_mps2")
    away = believable.bursts(time_s, channel, offsets)
    channel = np.where(away, np.nan, channel) if away.any() else channel
    speed_hz = rates.effective_rate(time_s, channel[None, :], offsets)
    each = [rates.effective_rate(time_s, row[None, :], offsets) for row in batch.wheel_speed_mps]  # a handful
    each_wheel_hz = np.array(each).reshape(len(each), batch.events)
    wheel_hz = np.fmax.reduce(each_wheel_hz, axis=0, initial=np.nan)
    accel_hz = _seen(rates.effective_rate(time_s, accel[None, :], offsets), time_s, accel[None, :], offsets, row_hz)
    speed_seen_hz = _seen(speed_hz, time_s, channel[None, :], offsets, row_hz)
    wheel_seen_hz = _seen(wheel_hz, time_s, batch.wheel_speed_mps, offsets, row_hz)
    sound = believed(batch.time_s, batch.wheel_speed_mps, batch.wheel_saturated, batch.offsets, criteria)
    lines = _lines(batch, wheel_seen_hz, sound)
    wheels = lines if batch.wheel_saturated is None else np.where(batch.wheel_saturated, np.nan, lines)
    rolls = wheel_speed.rolling(wheels)
    vehicle, group = np.unique(batch.vehicle_id.astype(str), return_inverse=True)
    reference = reference_speed.reference_speed(
        reference_speed.Recorded(
            time_s=time_s,
            offsets=offsets,
            group=np.ascontiguousarray(group.reshape(-1), dtype=np.int64),
            groups=len(vehicle),
            speed=channel,
            speed_hz=speed_seen_hz,
            accel=accel,
            accel_hz=accel_hz,
            wheels=wheels,
            axle=np.array([int(name[:-1]) - 1 for name in batch.wheels], dtype=np.int64),
            wheel_hz=wheel_seen_hz,
            free=_free(batch, rolls, criteria),
            dependent=batch.speed_source in DEPENDENT_SPEED_SOURCES,
            told=told,
            rolls=rolls,
        )
    )
    carrier_hz = np.where(reference.has_channel, speed_seen_hz, wheel_seen_hz)
    return Motion(
        row_hz=row_hz,
        speed_hz=speed_hz,
        wheel_hz=wheel_hz,
        each_wheel_hz=each_wheel_hz,
        speed_seen_hz=speed_seen_hz,
        wheel_seen_hz=wheel_seen_hz,
        carrier_hz=np.where(reference.has_accel, accel_hz, carrier_hz),
        lines=lines,
        sound=sound,
        reference=reference,
    )


def _seen(rate_hz: Floats, time_s: Floats, values: Floats, offsets: Ints, row_hz: Floats) -> Floats:
    """The effective rate; where few changes were seen what they show, and the rows' rate where the channel never moved.

    A 1 Hz speed that changes three times in 50 Hz rows must not pass for a 50 Hz speed.
    """
    if not np.isnan(rate_hz).any():
        return rate_hz
    unknown = np.isnan(rate_hz)
    if not unknown.any():
        return rate_hz
    few = np.where(unknown, rates.seen_rate(time_s, values, offsets), rate_hz)
    return np.where(np.isnan(few), row_hz, few)


def believed(time_s: Floats, wheels: Floats, saturated: Bools | None, offsets: Ints, criteria: Criteria) -> Bools:
    """Readings ``(W, N)`` that can be true of a wheel; saturated ones are not among them."""
    known = wheels if saturated is None else np.where(saturated, np.nan, wheels)
    return signal_loss.believable(  # type: ignore[no-any-return]
        time_s,
        known,
        offsets,
        criteria.frozen_s,
        criteria.wheel_speed_most_mps,
        criteria.wheel_rise_most_mps2,
        criteria.wheel_spin_most_mps2,
        2.0 * criteria.moving_mps,
    )


def _lines(batch: EventBatch, rate_hz: Floats, sound: Bools) -> Floats:
    """Believable wheel speeds ``(W, N)`` as lines through their changes: held steps are no slip."""
    if not batch.wheels:
        return batch.wheel_speed_mps
    raw = batch.wheel_speed_mps
    ok = sound & ~wheel_speed.leaps(batch.time_s, np.where(sound, raw, np.nan), batch.offsets)
    if batch.wheel_saturated is not None:
        ok |= batch.wheel_saturated
    return unheld_rows(batch.time_s, raw, ok, rate_hz, batch.offsets)  # type: ignore[no-any-return]


def line_pressure(batch: EventBatch) -> Floats | None:
    """Service pressure ``(N,)``, or the greatest wheel pressure where only those were recorded; None without either."""
    if batch.has("brake_pressure_kpa"):
        return batch.channel("brake_pressure_kpa")
    if batch.wheels and batch.presses:
        return np.fmax.reduce(batch.wheel_pressure_kpa, axis=0)  # type: ignore[no-any-return]
    return None


def _free(batch: EventBatch, rolls: Floats, criteria: Criteria) -> Bools:
    """Samples ``(N,)`` at which nothing brakes the wheels, long enough after it did; ``rolls`` ``(N,)`` their speed."""
    asked = np.zeros(batch.samples, np.bool_)
    spoken = np.zeros(batch.samples, np.bool_)  # a demand channel says something here
    for name, least in (("brake_pedal_pct", criteria.pedal_on_pct), ("brake_switch", 0.5)):
        spoken |= ~np.isnan(batch.channel(name))
        asked |= batch.channel(name) >= least
    pressure = line_pressure(batch)
    if pressure is not None:
        above, least_kpa = applications.above_rest(pressure, batch.offsets, criteria)
        spoken |= ~np.isnan(pressure)
        asked |= above >= np.repeat(least_kpa, np.diff(batch.offsets))
    for name, least in (("endurance_torque_pct", ENDURANCE_PCT), ("regen_power_kw", REGEN_KW)):
        asked |= np.abs(batch.channel(name)) >= least
    if batch.brake_source is not None:
        asked |= np.isin(batch.brake_source, SYSTEMS)
    if not spoken.all():
        window = np.full(batch.events, COASTING_S)
        slowing = deceleration.slope(batch.time_s, rolls, window, batch.offsets)
        asked |= ~spoken & ~(np.abs(slowing) < COASTING_MPS2)
    return wheel_speed.settled(batch.time_s, asked, batch.offsets, criteria.release_look_s)  # type: ignore[no-any-return]

"""What every decision needs per sample: rates, reference speed, slip, distance, deceleration, demand."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.units import G_MPS2
from fleetbrake.core.vocabulary import BRAKE_SOURCES, DEPENDENT_SPEED_SOURCES
from fleetbrake.detection import applications
from fleetbrake.kinematics import deceleration, rates, reference_speed, slip
from fleetbrake.kinematics.energy import climb_rate
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Systems that brake without the driver's foot.
_SYSTEMS = tuple(BRAKE_SOURCES.index(name) for name in ("aeb", "acc", "esc"))


@dataclass(frozen=True)
class Signals:
    """Per-sample and per-event signals of one batch; shapes as in ``EventBatch`` (``N``, ``(W, N)``, ``(E,)``).

    ``speed`` reference speed, ``measured`` the same with NaN where no reading carries it; ``supported`` whether it
    rests on something that does not slip; ``from_channel`` ``(E,)`` whether that is the speed channel; ``speed_hz`` and
    ``wheel_hz`` effective rates with NaN for too few changes; ``wheel_seen_hz`` the wheels' rate, cautious where few
    changes were seen; ``carrier_hz`` ``(E,)`` the rate of what the reference rests on; ``slope_extra`` the slope's
    share to add to get a level road.
    """

    event_of: Ints
    row_hz: Floats
    speed_hz: Floats
    wheel_hz: Floats
    wheel_seen_hz: Floats
    carrier_hz: Floats
    speed: Floats
    supported: Bools
    measured: Floats
    from_channel: Bools
    wheel: Floats
    slip: Floats
    decel: Floats
    slope_extra: Floats
    demand: applications.Demand


def derive(batch: EventBatch, criteria: Criteria, *, cut: bool) -> Signals:
    """Derive the signals of a batch; ``cut`` False for whole drives."""
    offsets, time_s = batch.offsets, batch.time_s
    first, last = offsets[:-1], offsets[1:]
    row_hz = rates.row_rate(time_s, offsets)
    channel = batch.channel("speed_mps")
    speed_hz = rates.effective_rate(time_s, channel[None, :], offsets)
    wheel_hz = rates.effective_rate(time_s, batch.wheel_speed_mps, offsets)
    speed_seen_hz = _seen(speed_hz, time_s, channel[None, :], offsets, row_hz)
    wheel_seen_hz = _seen(wheel_hz, time_s, batch.wheel_speed_mps, offsets, row_hz)
    noise = rates.white_noise(channel, first, last)
    lines = _lines(batch, wheel_seen_hz)
    wheel = lines if batch.wheel_saturated is None else np.where(batch.wheel_saturated, np.nan, lines)
    speed, supported, from_channel, measured = reference_speed.reference_speed(
        time_s,
        channel,
        speed_seen_hz,
        np.nan_to_num(noise),
        wheel,
        offsets,
        independent=_usable_alone(batch, speed_seen_hz, criteria),
    )
    carrier_hz = np.where(from_channel, speed_seen_hz, wheel_seen_hz)
    smoothed = np.where(carrier_hz >= 40.0, np.nan_to_num(noise) / np.sqrt(5.0), np.nan_to_num(noise))
    # a window in which the speed's noise is 0.15 m/s2, but no finer than the channel and no wider than 0.4 s
    window = np.fmax(np.fmax(2.0 / row_hz, 1.0 / carrier_hz), np.minimum(0.4, smoothed * np.sqrt(2.0) / 0.15))
    decel = deceleration.slope(time_s, speed, window, offsets)
    grade = np.nan_to_num(batch.channel("grade"))
    return Signals(
        event_of=np.repeat(np.arange(batch.events), np.diff(offsets)),
        row_hz=row_hz,
        speed_hz=speed_hz,
        wheel_hz=wheel_hz,
        wheel_seen_hz=wheel_seen_hz,
        carrier_hz=carrier_hz,
        speed=speed,
        supported=supported,
        measured=np.where(measured, speed, np.nan),
        from_channel=from_channel,
        wheel=wheel,
        slip=slip.brake_slip(lines, speed, criteria.moving_mps),
        decel=decel,
        slope_extra=-G_MPS2 * climb_rate(grade),
        demand=_demand(batch, decel, criteria, cut=cut),
    )


def _seen(rate_hz: Floats, time_s: Floats, values: Floats, offsets: Ints, row_hz: Floats) -> Floats:
    """The effective rate; where few changes were seen what they show, and the rows' rate where the channel never moved.

    A 1 Hz speed that changes three times in 50 Hz rows must not pass for a 50 Hz speed.
    """
    few = np.where(np.isnan(rate_hz), rates.seen_rate(time_s, values, offsets), rate_hz)
    return np.where(np.isnan(few), row_hz, few)


def _usable_alone(batch: EventBatch, speed_hz: Floats, criteria: Criteria) -> Bools:
    """Where the speed channel can be the reference ``(E,)``: not carried by the wheels, not too slow beside them."""
    if batch.speed_source in DEPENDENT_SPEED_SOURCES or not batch.has("speed_mps") or not batch.events:
        return np.zeros(batch.events, np.bool_)
    wheels = np.logical_or.reduceat(~np.isnan(batch.wheel_speed_mps), batch.offsets[:-1], axis=1).sum(axis=0)
    # a rate is told from time stamps: a hundredth under the least is the least
    return (speed_hz >= 0.99 * criteria.least_rate_peak_hz) | (wheels < 2)


def _lines(batch: EventBatch, rate_hz: Floats) -> Floats:
    """Wheel speeds ``(W, N)`` as lines through their changes, as the reference is: held steps beside it are no slip."""
    rows = [reference_speed.unheld(batch.time_s, row, rate_hz, batch.offsets) for row in batch.wheel_speed_mps]
    return np.array(rows) if rows else batch.wheel_speed_mps


def line_pressure(batch: EventBatch) -> Floats | None:
    """Service pressure ``(N,)``, or the greatest wheel pressure where only those were recorded; None without either."""
    if batch.has("brake_pressure_kpa"):
        return batch.channel("brake_pressure_kpa")
    if batch.wheels and not np.isnan(batch.wheel_pressure_kpa).all():
        return np.fmax.reduce(batch.wheel_pressure_kpa, axis=0)  # type: ignore[no-any-return]
    return None


def _demand(batch: EventBatch, decel: Floats, criteria: Criteria, *, cut: bool) -> applications.Demand:
    source = batch.brake_source
    if source is None or not batch.events:
        by_system = np.zeros(batch.events, np.bool_)
    else:
        by_system = np.logical_or.reduceat(np.isin(source, _SYSTEMS), batch.offsets[:-1])
    return applications.demand(
        time_s=batch.time_s,
        offsets=batch.offsets,
        pedal_pct=batch.channels.get("brake_pedal_pct"),
        pressure_kpa=line_pressure(batch),
        switch=batch.channels.get("brake_switch"),
        decel_mps2=decel,
        asked_by_system=by_system,
        cut=cut,
        criteria=criteria,
    )

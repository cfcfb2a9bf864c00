"""The vehicle's speed over ground: what is known of a vehicle first, then the smoother over each of its events."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics import fusion, rates, support, wheel_speed
from fleetbrake.kinematics.held import LONGEST_BRIDGE_S, unheld
from fleetbrake.kinematics.vehicle_known import KnownVehicle, Recorded, Told, half, known_vehicle

__all__ = ["Recorded", "Reference", "Told", "reference_speed", "unheld"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Standard error of the scale of a speed by wheels alone, and by an independent channel (own choice: rolling radii
#: within 2 %, four wheels; receivers are better than that).
SCALE_BY_WHEELS, SCALE_BY_CHANNEL = 0.006, 0.001

#: Braked wheels alone hide so much slip, share of the speed (own choice: half of the slip of peak adhesion, at worst).
SLIP_HIDDEN = 0.015

#: Window of the peak deceleration, s (edge definition).
MEAN_S = 0.2

#: A channel slower than this leaves the time between its readings to the wheels, Hz (own choice).
QUICK_HZ = 5.0

#: Standard error of the channel's age by an accelerometer and by wheels, s, and of a moment, share of the row period
#: (own choices, checked against simulated truth: the error is within two standard errors nine times in ten).
AGE_BY_ACCEL_S, AGE_BY_WHEELS_S, ROW_DOUBT = 0.006, 0.04, 0.1

#: The same where nothing told the age: a receiver's speed may be 0.3 s late (common practice, no source), s.
AGE_UNTOLD_S = 0.15


@dataclass(frozen=True)
class Reference:
    """``speed``, its standard error ``error`` and ``accel`` (rate of change of the speed) ``(N,)``; ``level_error`` is
    the standard error without what the moment of the readings adds, which moves a stop but does not stretch it.

    tilt : ``(N,)`` what the accelerometer shows beside that change, m/s2: the slope's share of gravity (uphill
    positive) and the sensor's own zero; NaN without an accelerometer.
    supported : ``(N,)`` whether it rests on something that does not slip. Per event ``(E,)``: ``independent`` whether
    the speed channel is a speed over ground, ``has_channel`` whether it carries the event, ``has_accel`` whether the
    accelerometer does, ``delay`` age of the channel in s (NaN: not told), ``age_error`` its
    standard error, ``gain`` of the accelerometer with ``gain_se``,
    ``mean_error`` the noise of a mean deceleration over 0.2 s in m/s2. ``radius`` ``(W, E)`` factor that makes a
    wheel's speed the vehicle's; ``line`` ``(N,)`` the speed channel as a line through its changes.
    """

    speed: Floats
    error: Floats
    level_error: Floats
    accel: Floats
    tilt: Floats
    supported: Bools
    independent: Bools
    has_channel: Bools
    has_accel: Bools
    delay: Floats
    age_error: Floats
    gain: Floats
    gain_se: Floats
    radius: Floats
    line: Floats
    mean_error: Floats


def reference_speed(r: Recorded) -> Reference:
    """Reference speed of every event of a batch; see the parts for how and why."""
    known = known_vehicle(r)
    sources, slides = _sources(r, known)
    smooth, slope, lean, smooth_error = fusion.smooth(r.time_s, r.offsets, sources)
    own = known.told.independent
    hidden = np.where(known.has_accel | own, 0.0, SLIP_HIDDEN)
    share = np.where(own, SCALE_BY_CHANNEL, SCALE_BY_WHEELS)
    speed, error, level_error, tilt, supported = support.judged(
        r.offsets, smooth, slope, lean, smooth_error, share, hidden, _time_doubt(r, known), known.has_accel, own,
        r.free, _blind(r, known, sources), slides,
    )  # fmt: skip
    return Reference(
        speed=speed,
        error=error,
        level_error=level_error,
        accel=slope,
        tilt=tilt,
        supported=supported,
        independent=own,
        has_channel=own & half(~np.isnan(r.speed), r.offsets),
        has_accel=known.has_accel,
        delay=known.told.delay,
        age_error=_age_error(known),
        gain=known.told.gain,
        gain_se=known.told.gain_se,
        radius=known.told.radius,
        line=unheld(r.time_s, r.speed, r.speed_hz, r.offsets),
        mean_error=_mean_error(r, known, sources),
    )


def _sources(r: Recorded, known: KnownVehicle) -> tuple[fusion.Sources, Bools]:
    """What the smoother is given, and the samples ``(N,)`` at which wheels that carry nothing slide."""
    offsets, told = r.offsets, known.told
    holds, slides = wheel_speed.carried(r.time_s, known.top, known.least, offsets)
    speed, free, braked = support.given(
        offsets, told.independent, known.has_accel, r.speed, r.free, known.rolls, known.top, holds
    )
    sources = fusion.Sources(
        accel=known.accel,
        accel_noise=_or_none(rates.update_noise(known.accel, ~np.isnan(known.accel), offsets)),
        gain=told.gain,
        gain_se=told.gain_se,
        speed=speed,
        fresh=known.fresh,
        speed_noise=_or_none(rates.update_noise(r.speed, known.fresh, offsets)),
        delay=_or_none(told.delay),
        free=free,
        braked=braked,
        wheel_noise=_or_none(rates.update_noise(free, ~np.isnan(free), offsets)),
        wheel_hz=r.wheel_hz,
        alone=~known.has_accel & ~(told.independent & (r.speed_hz >= QUICK_HZ)),
    )
    return sources, slides


def _or_none(values: Floats) -> Floats:
    """The values, 0 where nothing is known."""
    return np.where(np.isnan(values), 0.0, values)


def _blind(r: Recorded, known: KnownVehicle, sources: fusion.Sources) -> Bools:
    """Samples ``(N,)`` in a hole of all sources that is too long to be bridged."""
    read = support.any_read(sources.accel, sources.speed, sources.free, sources.braked)
    hole = np.fmax(LONGEST_BRIDGE_S, 1.5 / np.where(known.told.independent, r.speed_hz, np.inf))
    return wheel_speed.unread(r.time_s, read, hole, r.offsets)  # type: ignore[no-any-return]


def _mean_error(r: Recorded, known: KnownVehicle, sources: fusion.Sources) -> Floats:
    """Standard error by noise of a mean deceleration over ``MEAN_S`` ``(E,)``, m/s2.

    With an accelerometer that of its samples' mean. Without one that of the smoother's acceleration: a random walk of
    it, seen through readings of a speed, is smoothed over (noise^2 step / wander)^(1/4) (steady state, computed).
    """
    by_accel = sources.accel_noise * known.told.gain / np.sqrt(np.fmax(1.0, MEAN_S * r.accel_hz))
    noise = np.where(known.told.independent, sources.speed_noise, sources.wheel_noise)
    step = 1.0 / np.where(known.told.independent, r.speed_hz, r.wheel_hz)
    power = noise**2 * step
    over = np.fmax((power / fusion.WANDER) ** 0.25, 0.5 * MEAN_S)
    return _or_none(np.where(known.has_accel, by_accel, np.sqrt(power / (2.0 * np.sqrt(2.0)) / over**3)))


def _age_error(known: KnownVehicle) -> Floats:
    """Standard error of the speed channel's age ``(E,)``, s; 0 where it does not carry the event."""
    told = known.told
    error = np.where(known.has_accel, AGE_BY_ACCEL_S, np.where(np.isnan(told.delay), AGE_UNTOLD_S, AGE_BY_WHEELS_S))
    return np.where(told.independent, error, 0.0)


def _time_doubt(r: Recorded, known: KnownVehicle) -> Floats:
    """How sure the moment is that the readings speak of ``(E,)``, s: the channel's age, and the time between rows."""
    return np.asarray(np.hypot(_age_error(known), ROW_DOUBT / rates.row_rate(r.time_s, r.offsets)))

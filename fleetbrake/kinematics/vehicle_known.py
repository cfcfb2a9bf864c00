"""What a batch tells of each vehicle before its events are looked at: radii, an honest speed channel, its sensor."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics import calibration, independence, rates, wheel_speed
from fleetbrake.kinematics.across import ROLLS_SHARE, across, scaled
from fleetbrake.kinematics.held import unheld

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: An accelerometer that explains less of the speed's movement than this does not show it: not used.
LEAST_EXPLAINED = 0.7

#: The same, held against braked wheels, which slip.
LEAST_SHOWN = 0.5

#: Wheels whose speeds differ by less than this share roll alike (own choice: a bend makes as much).
AGREE_SHARE = 0.03

#: A channel that moves by less while the wheels' speed changes by more is stuck, m/s (own choice).
STUCK_MPS, MOVES_MPS = 0.02, 2.0

#: Wheels tell no smaller age of a channel than this from their own slip, s (own choice, by simulated truth).
DELAY_LEAST_S = 0.06

#: Rounds of least squares for gain and delay (converges in three to four).
ROUNDS = 5

#: Free rolling for a wheel's radius: speed above, m/s, and samples at least.
ROLLING_MPS, ROLLING_LEAST = 3.0, 8


@dataclass(frozen=True)
class Told:
    """What holds for the vehicle of each event, whichever event told it ``(E,)``.

    independent : the speed channel is a speed over ground; ``delay`` its age in s, NaN where nothing told it.
    used : the accelerometer shows the
    vehicle's motion; ``gain`` what to multiply it with, ``gain_se`` its standard error. radius : ``(W, E)`` what brings
    each wheel's speed to the vehicle's scale.
    """

    independent: Bools
    delay: Floats
    used: Bools
    gain: Floats
    gain_se: Floats
    radius: Floats


@dataclass(frozen=True)
class Recorded:
    """What a batch recorded of motion. ``group`` ``(E,)``: number of each event's vehicle, 0 to ``groups - 1``.

    speed, accel : ``(N,)`` as recorded, NaN where not; ``speed_hz``, ``accel_hz``, ``wheel_hz`` ``(E,)`` effective
    rates. wheels : ``(W, N)`` believable wheel speeds as lines through their changes; ``axle`` ``(W,)`` from 0.
    free : ``(N,)`` samples at which nothing brakes. dependent : the file says that its speed comes from the wheels.
    told : what is known of the vehicles already (an event looked at alone), instead of what this batch would tell.
    rolls : ``(N,)`` speed of the rolling wheels as they are, if it was computed already.
    """

    time_s: Floats
    offsets: Ints
    group: Ints
    groups: int
    speed: Floats
    speed_hz: Floats
    accel: Floats
    accel_hz: Floats
    wheels: Floats
    axle: Ints
    wheel_hz: Floats
    free: Bools
    dependent: bool
    told: Told | None = None
    rolls: Floats | None = None


@dataclass(frozen=True)
class KnownVehicle:
    """Readings that can be believed, on one scale. Per sample ``(N,)``, per event ``(E,)``.

    told : what holds for the vehicle of each event. fresh : updates of the speed channel.
    top : the fastest wheel on the vehicle's scale; ``least`` what the vehicle has at least by it; ``rolls`` the speed
    by rolling wheels. accel : the sensor's line, NaN where it is not used; ``has_accel`` ``(E,)`` whether it carries
    half of the event.
    """

    told: Told
    fresh: Bools
    top: Floats
    least: Floats
    rolls: Floats
    accel: Floats
    has_accel: Bools


def known_vehicle(r: Recorded) -> KnownVehicle:
    """The readings that can be believed, by what is told or learned of the vehicles."""
    readings = _readings(r)
    told = _learn(r, readings) if r.told is None else r.told
    wheels, factor = _joined(r, told.radius, told.independent)
    top, _, rolls, _ = across(wheels, factor, np.ones(r.group.size), r.offsets)
    accel = readings.accel
    if not told.used.all():
        accel = np.where(np.repeat(told.used, np.diff(r.offsets)), accel, np.nan)
    return KnownVehicle(
        told=told,
        fresh=readings.fresh,
        top=top,
        least=wheel_speed.envelope(r.time_s, top, r.offsets),
        rolls=rolls,
        accel=accel,
        has_accel=half(~np.isnan(accel), r.offsets),
    )


@dataclass(frozen=True)
class _Readings:
    """``fresh`` ``(N,)`` updates of the speed channel, ``accel`` ``(N,)`` the sensor as a line."""

    fresh: Bools
    accel: Floats


def _readings(r: Recorded) -> _Readings:
    return _Readings(
        rates.fresh(r.time_s, r.speed, r.speed_hz, r.offsets), unheld(r.time_s, r.accel, r.accel_hz, r.offsets)
    )


def _learn(r: Recorded, readings: _Readings) -> Told:
    """Radii first, then whether the speed channel stands on its own, then the sensor by whichever speed is left."""
    fresh, even = readings.fresh, np.ones(r.group.size)
    radius = np.take(_radius(r), r.group, axis=1)
    top, second, rolls, _ = across(r.wheels, radius, even, r.offsets)
    independent = _independent(r, radius, top, second, fresh)
    wheels, factor = _joined(r, radius, independent)
    if wheels is not r.wheels:
        rolls = across(wheels, factor, even, r.offsets)[2]
    scale = _scale(r, rolls, fresh, independent)[r.group]
    _, _, rolls, apart = across(wheels, factor, scale, r.offsets)
    sensor = _sensor(r, readings.accel, rolls, apart, fresh, independent)
    return Told(
        independent=independent,
        delay=np.where(independent, sensor.delay[r.group], np.nan),
        used=sensor.used[r.group],
        gain=sensor.gain[r.group],
        gain_se=sensor.gain_se[r.group],
        radius=radius * scale,
    )


def _any(marks: Bools, offsets: Ints) -> Bools:
    """Whether an event has a marked sample ``(E,)``."""
    return np.logical_or.reduceat(marks, offsets[:-1]) if offsets.size > 1 else np.zeros(0, np.bool_)


def half(marks: Bools, offsets: Ints) -> Bools:
    """Whether at least half of an event's samples are marked ``(E,)``."""
    if offsets.size < 2:
        return np.zeros(0, np.bool_)
    return np.asarray(np.add.reduceat(marks, offsets[:-1]) >= 0.5 * np.diff(offsets))


def _radius(r: Recorded) -> Floats:
    """Factor ``(W, G)`` that makes each wheel's speed that of the vehicle's rolling wheels."""
    base = wheel_speed.rolling(r.wheels) if r.rolls is None else r.rolls
    use = r.free & (base > ROLLING_MPS)
    ratio = calibration.mean_ratio(r.wheels, base, use, r.offsets, ROLLING_LEAST, ROLLS_SHARE)
    return calibration.group_radius(ratio, r.group, r.groups)  # type: ignore[no-any-return]


def _scale(r: Recorded, rolls: Floats, fresh: Bools, independent: Bools) -> Floats:
    """Factor ``(G,)`` that makes the rolling wheels' speed that of the independent channel."""
    use = r.free & (rolls > ROLLING_MPS) & fresh & np.repeat(independent, np.diff(r.offsets))
    ratio = calibration.mean_ratio(rolls[None, :], r.speed, use, r.offsets, 3, np.nan)
    return calibration.group_radius(ratio, r.group, r.groups)[0]  # type: ignore[no-any-return]


def _independent(r: Recorded, radius: Floats, top: Floats, second: Floats, fresh: Bools) -> Bools:
    """Whether the speed channel is one over ground ``(E,)``: not by its label, nor by what it does in a lockup.

    A channel that stands still on one value while the wheels change is none at all. ``radius`` ``(W, E)``; ``top`` and
    ``second`` ``(N,)`` the fastest wheels.
    """
    if r.dependent or not r.group.size:
        return np.zeros(r.group.size, np.bool_)
    if not r.wheels.shape[0]:
        return _any(fresh, r.offsets)
    least = wheel_speed.falling(r.time_s, second, r.offsets)
    follows = np.zeros(r.groups, np.bool_)
    if independence.apart(r.speed, least, fresh).any():
        means = independence.wheel_means(scaled(r.wheels, radius, r.offsets), r.axle)
        follows = independence.follows_wheels(r.time_s, r.offsets, r.speed, least, means, fresh, r.group, r.groups)
    stuck = (_range(r.speed, r.offsets) <= STUCK_MPS) & (_range(top, r.offsets) > MOVES_MPS)
    return np.asarray(~follows[r.group] & ~stuck & _any(fresh, r.offsets))


def _range(values: Floats, offsets: Ints) -> Floats:
    """Greatest less least known value of each event ``(E,)``; NaN without any."""
    first = offsets[:-1]
    return np.asarray(np.fmax.reduceat(values, first) - np.fmin.reduceat(values, first))


def _joined(r: Recorded, factor: Floats, independent: Bools) -> tuple[Floats, Floats]:
    """The wheels and their factors ``(W, E)``, with a channel that hangs on them as one more wheel (``(W + 1, N)``)
    where under two of them were recorded.

    Beside real wheels such a channel only comes later and smoother than they do.
    """
    joins = ~independent & ~wheel_speed.several(r.wheels, r.offsets)
    if not joins.any():
        return r.wheels, factor
    line = unheld(r.time_s, r.speed, r.speed_hz, r.offsets)
    line = np.where(np.repeat(joins, np.diff(r.offsets)), line, np.nan)
    return np.vstack((r.wheels, line[None, :])), np.vstack((factor, np.ones((1, r.group.size))))


@dataclass(frozen=True)
class _Sensor:
    """Accelerometer and age of the speed channel: gain, its standard error, delay, use of it, per group ``(G,)``."""

    gain: Floats
    gain_se: Floats
    delay: Floats
    used: Bools


def _sensor(r: Recorded, accel: Floats, rolls: Floats, apart: Floats, fresh: Bools, independent: Bools) -> _Sensor:
    """By the independent channel where there is one, else by the rolling wheels between which the sensor is summed.

    ``rolls`` ``(N,)`` is the speed of the rolling wheels, ``apart`` ``(N,)`` the fastest of them less the slowest.
    """
    spread = np.repeat(r.group, np.diff(r.offsets))
    over_ground, shown = np.zeros(r.groups, np.bool_), np.zeros(r.groups, np.bool_)
    np.logical_or.at(over_ground, r.group, independent)
    np.logical_or.at(shown, r.group, _any(~np.isnan(accel), r.offsets))
    on_channel = fresh & np.repeat(independent, np.diff(r.offsets))
    vehicles = (r.group, r.groups)
    by_channel = calibration.gain_and_delay(r.time_s, r.offsets, accel, r.speed, on_channel, *vehicles, True, ROUNDS)
    free = r.free & ~over_ground[spread]
    by_wheels = calibration.gain_and_delay(r.time_s, r.offsets, accel, rolls, free, *vehicles, False, ROUNDS)
    gain, gain_se, _, explained = (np.where(over_ground, a, b) for a, b in zip(by_channel, by_wheels, strict=True))
    agree = (rolls > ROLLING_MPS) & (apart < AGREE_SHARE * rolls)
    rolling = np.where(agree, rolls, np.nan)
    # unbraked wheels alone hardly move: whether the sensor shows a stop at all, braked wheels tell while they agree
    braked = agree & ~over_ground[spread]
    shows = calibration.gain_and_delay(r.time_s, r.offsets, accel, rolling, braked, *vehicles, False, ROUNDS)[3]
    used = shown & ~(explained < LEAST_EXPLAINED) & ~(shows < LEAST_SHOWN)
    untold = on_channel & ~used[spread]
    late = np.full(r.groups, np.nan)
    if untold.any():
        late = calibration.delay_by_wheels(r.time_s, r.offsets, rolling, r.speed, untold, *vehicles, ROUNDS)
        late = np.where(late < DELAY_LEAST_S, 0.0, late)
    return _Sensor(gain, gain_se, np.where(used, by_channel[2], late), used)

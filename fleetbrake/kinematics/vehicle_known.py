"""What a batch tells of each vehicle before its events are looked at: radii, an honest speed channel, its sensor."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics import calibration, independence, rates, wheel_speed
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


def learn(r: Recorded) -> Told:
    """Radii first, then whether the speed channel stands on its own, then the sensor by whichever speed is left."""
    spread = np.repeat(r.group, np.diff(r.offsets))
    fresh = rates.fresh(r.time_s, r.speed, r.speed_hz, r.offsets)
    radius = _radius(r)
    independent = _independent(r, r.wheels * radius[:, spread], fresh)
    wheels = _joined(r, r.wheels * radius[:, spread], independent)
    scale = _scale(r, wheel_speed.rolling(wheels), fresh, independent)
    wheels = wheels * scale[spread]
    accel = unheld(r.time_s, r.accel, r.accel_hz, r.offsets)
    sensor = _sensor(r, accel, wheels, wheel_speed.rolling(wheels), fresh, independent)
    return Told(
        independent=independent,
        delay=np.where(independent, sensor.delay[r.group], np.nan),
        used=sensor.used[r.group],
        gain=sensor.gain[r.group],
        gain_se=sensor.gain_se[r.group],
        radius=(radius * scale)[:, r.group],
    )


def known_vehicle(r: Recorded) -> KnownVehicle:
    """The readings that can be believed, by what is told or learned of the vehicles."""
    lengths = np.diff(r.offsets)
    told = learn(r) if r.told is None else r.told
    wheels = _joined(r, r.wheels * np.repeat(told.radius, lengths, axis=1), told.independent)
    accel = unheld(r.time_s, r.accel, r.accel_hz, r.offsets)
    accel = np.where(np.repeat(told.used, lengths), accel, np.nan)
    top = wheel_speed.fastest(wheels)
    return KnownVehicle(
        told=told,
        fresh=rates.fresh(r.time_s, r.speed, r.speed_hz, r.offsets),
        top=top,
        least=wheel_speed.envelope(r.time_s, top, r.offsets),
        rolls=wheel_speed.rolling(wheels),
        accel=accel,
        has_accel=half(~np.isnan(accel), r.offsets),
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
    base = wheel_speed.rolling(r.wheels)
    use = r.free & (base > ROLLING_MPS)
    near = np.where(r.wheels >= wheel_speed.ROLLS_SHARE * base, r.wheels, np.nan)
    ratio = calibration.mean_ratio(near, base, use, r.offsets, ROLLING_LEAST)
    return calibration.group_radius(ratio, r.group, r.groups)  # type: ignore[no-any-return]


def _scale(r: Recorded, rolls: Floats, fresh: Bools, independent: Bools) -> Floats:
    """Factor ``(G,)`` that makes the rolling wheels' speed that of the independent channel."""
    speed = np.where(fresh & np.repeat(independent, np.diff(r.offsets)), r.speed, np.nan)
    use = r.free & (rolls > ROLLING_MPS)
    ratio = calibration.mean_ratio(rolls[None, :], speed, use, r.offsets, 3)
    return calibration.group_radius(ratio, r.group, r.groups)[0]  # type: ignore[no-any-return]


def _independent(r: Recorded, wheels: Floats, fresh: Bools) -> Bools:
    """Whether the speed channel is one over ground ``(E,)``: not by its label, nor by what it does in a lockup.

    A channel that stands still on one value while the wheels change is none at all.
    """
    if r.dependent or not r.group.size:
        return np.zeros(r.group.size, np.bool_)
    if not wheels.shape[0]:
        return _any(fresh, r.offsets)
    least = wheel_speed.falling(r.time_s, wheel_speed.second_fastest(wheels), r.offsets)
    means = independence.wheel_means(wheels, r.axle)
    follows = independence.follows_wheels(r.time_s, r.offsets, r.speed, least, means, fresh, r.group, r.groups)
    stuck = _range(r.speed, r.offsets) <= STUCK_MPS
    stuck &= _range(wheel_speed.fastest(wheels), r.offsets) > MOVES_MPS
    return np.asarray(~follows[r.group] & ~stuck & _any(fresh, r.offsets))


def _range(values: Floats, offsets: Ints) -> Floats:
    """Greatest less least known value of each event ``(E,)``; NaN without any."""
    first = offsets[:-1]
    return np.asarray(np.fmax.reduceat(values, first) - np.fmin.reduceat(values, first))


def _joined(r: Recorded, wheels: Floats, independent: Bools) -> Floats:
    """The wheels, and a channel that hangs on them as one more where under two of them were recorded ``(W + 1, N)``.

    Beside real wheels such a channel only comes later and smoother than they do.
    """
    several = _any(np.sum(~np.isnan(wheels), axis=0) >= 2, r.offsets)
    line = unheld(r.time_s, r.speed, r.speed_hz, r.offsets)
    joins = np.repeat(~independent & ~several, np.diff(r.offsets))
    return np.vstack((wheels, np.where(joins, line, np.nan)[None, :]))


@dataclass(frozen=True)
class _Sensor:
    """Accelerometer and age of the speed channel: gain, its standard error, delay, use of it, per group ``(G,)``."""

    gain: Floats
    gain_se: Floats
    delay: Floats
    used: Bools


def _sensor(r: Recorded, accel: Floats, wheels: Floats, rolls: Floats, fresh: Bools, independent: Bools) -> _Sensor:
    """By the independent channel where there is one, else by the rolling wheels between which the sensor is summed."""
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
    agree = (rolls > ROLLING_MPS) & (wheel_speed.spread(wheels) < AGREE_SHARE * rolls)
    rolling = np.where(agree, rolls, np.nan)
    # unbraked wheels alone hardly move: whether the sensor shows a stop at all, braked wheels tell while they agree
    braked = agree & ~over_ground[spread]
    shows = calibration.gain_and_delay(r.time_s, r.offsets, accel, rolling, braked, *vehicles, False, ROUNDS)[3]
    used = shown & ~(explained < LEAST_EXPLAINED) & ~(shows < LEAST_SHOWN)
    untold = on_channel & ~used[spread]
    late = calibration.delay_by_wheels(r.time_s, r.offsets, rolling, r.speed, untold, *vehicles, ROUNDS)
    late = np.where(late < DELAY_LEAST_S, 0.0, late)
    return _Sensor(gain, gain_se, np.where(used, by_channel[2], late), used)

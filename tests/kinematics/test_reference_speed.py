"""The reference speed against motions that are known in closed form; all sensors here are made in this file."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbrake.core.criteria import Criteria
from fleetbrake.kinematics import fusion, wheel_speed
from fleetbrake.kinematics.believable import believable
from fleetbrake.kinematics.reference_speed import Recorded, reference_speed
from tests.recordings_made import braking, held, times

RATE_HZ = 50.0
#: A wheel-speed word of all ones, 65535/256 km/h.
ABSURD_MPS = 65535 / 256 / 3.6


@dataclass
class Stop:
    """One recording: rolls for two seconds, brakes to rest or through. Every argument is what the sensors see."""

    v0: float = 20.0
    decel: float = 6.0
    seconds: float = 8.0
    begin_s: float = 2.0
    rate_hz: float = RATE_HZ
    channel_hz: float = 0.0
    delay: float = 0.0
    channel_noise: float = 0.0
    accel: bool = False
    bias: float = 0.0
    gain: float = 1.0
    accel_noise: float = 0.0
    wheels: int = 4
    wheel_noise: float = 0.0
    slip: float = 1.0 / 280.0  # of the wheels per deceleration, s2/m; Burckhardt's dry curve: 1/296 (computed)
    locked: tuple = ()
    lock_s: tuple = (2.5, 1e9)
    seed: int = 0

    def truth(self):
        time_s = times(self.seconds, self.rate_hz)
        return time_s, braking(time_s, self.v0, self.decel, begin_s=self.begin_s, rise_s=0.3)

    def recorded(self):
        rng = np.random.default_rng(self.seed)
        time_s, speed = self.truth()
        n = len(time_s)
        late = braking(time_s - self.delay, self.v0, self.decel, begin_s=self.begin_s, rise_s=0.3)
        channel = np.full(n, np.nan)
        if self.channel_hz:
            channel = held(time_s, late + rng.normal(0.0, self.channel_noise, n), self.channel_hz)
        shown = np.gradient(speed, time_s) / self.gain + self.bias + rng.normal(0.0, self.accel_noise, n)
        turning = speed * (1.0 + self.slip * np.minimum(np.gradient(speed, time_s), 0.0))
        wheels = np.tile(turning, (self.wheels, 1)) + rng.normal(0.0, self.wheel_noise, (self.wheels, n))
        inside = (time_s > self.lock_s[0]) & (time_s < self.lock_s[1])
        for w in self.locked:
            wheels[w, inside] = 0.0
        wheels = np.where(speed > 0.0, np.maximum(wheels, 0.0), 0.0)  # a wheel that stands sends no pulses
        return Recorded(
            time_s=time_s,
            offsets=np.array([0, n], np.int64),
            group=np.zeros(1, np.int64),
            groups=1,
            speed=channel,
            speed_hz=np.array([self.channel_hz or np.nan]),
            accel=shown if self.accel else np.full(n, np.nan),
            accel_hz=np.array([self.rate_hz if self.accel else np.nan]),
            wheels=wheels,
            axle=(np.arange(self.wheels) // 2).astype(np.int64),
            wheel_hz=np.array([self.rate_hz]),
            free=time_s < self.begin_s,
            dependent=False,
        )


ALL = (0, 1, 2, 3)


def joined(parts, group=None):
    """Several recordings as one batch."""
    group = np.arange(len(parts)) if group is None else np.asarray(group)
    lengths = [len(p.time_s) for p in parts]
    along = {k: np.concatenate([getattr(p, k) for p in parts])
             for k in ("time_s", "speed", "accel", "free", "speed_hz", "accel_hz", "wheel_hz")}  # fmt: skip
    return Recorded(
        offsets=np.concatenate(([0], np.cumsum(lengths))).astype(np.int64), group=group.astype(np.int64),
        groups=int(group.max()) + 1, wheels=np.hstack([p.wheels for p in parts]), axle=parts[0].axle,
        dependent=parts[0].dependent, **along,
    )  # fmt: skip


def fleet(count, **settings):
    """Recordings of one vehicle from different speeds, with different noise."""
    stops = [Stop(v0=14.0 + 1.1 * k, seed=k, **settings) for k in range(count)]
    return stops, joined([s.recorded() for s in stops], np.zeros(count, np.int64))


# What is known exactly


@pytest.mark.parametrize("channel_hz", [0.0, 10.0])
@pytest.mark.parametrize("accel", [False, True])
def test_constant_speed_stays(channel_hz, accel):
    found = reference_speed(Stop(decel=0.0, channel_hz=channel_hz, accel=accel).recorded())
    np.testing.assert_allclose(found.speed, 20.0, atol=0.02)
    np.testing.assert_allclose(found.accel, 0.0, atol=0.05)
    assert found.supported.all()


def test_a_ramp_with_an_accelerometer_is_followed():
    """Wheels that roll without slip: a doubt of 1 % of the speed is what the smoother itself allows a braked wheel."""
    stop = Stop(accel=True, channel_hz=50.0)
    _, speed = stop.truth()
    found = reference_speed(stop.recorded())
    np.testing.assert_allclose(found.speed, speed, atol=0.1)
    assert found.supported.all()
    assert found.has_accel[0]


def test_a_stop_with_all_wheels_locked_is_carried_by_the_accelerometer():
    """Bias 0.4 m/s2 and a gain known to be 1: without the bias the speed would drift by 1.2 m/s in three seconds."""
    stop = Stop(accel=True, bias=0.4, locked=ALL)
    time_s, speed = stop.truth()
    found = reference_speed(stop.recorded())
    moving = speed > 2.0
    assert np.abs(found.speed - speed)[moving].max() < 0.5
    inside = moving & (time_s > 2.6)
    assert (found.speed[inside] > 1.0).all()  # not the locked wheels' zero


def test_bias_and_dive_gain_are_found_beside_a_channel():
    _, batch = fleet(6, accel=True, bias=0.4, gain=0.94, channel_hz=10.0, channel_noise=0.05, accel_noise=0.1)
    assert reference_speed(batch).gain[0] == pytest.approx(0.94, rel=0.01)


@pytest.mark.parametrize("channel_hz", [1.0, 4.0, 10.0])
@pytest.mark.parametrize("delay", [0.0, 0.2])
def test_the_age_of_a_held_channel_is_found(channel_hz, delay):
    stops, batch = fleet(8, accel=True, delay=delay, channel_hz=channel_hz, channel_noise=0.03, accel_noise=0.1)
    found = reference_speed(batch)
    np.testing.assert_allclose(found.delay, delay, atol=0.01)
    speed = np.concatenate([s.truth()[1] for s in stops])
    assert np.sqrt(np.mean((found.speed - speed) ** 2)) < 0.15


def test_rolling_radii_are_found():
    """Within 0.1 %, drawn towards none by one event of thirty: 2 % x 1/31 is 0.06 %."""
    parts = [Stop(seed=k, wheel_noise=0.02).recorded() for k in range(30)]
    worn = np.array([1.02, 1.0, 1.0, 0.985])  # the median of the four rolls with the vehicle
    batch = joined([replace(p, wheels=p.wheels * worn[:, None]) for p in parts], np.zeros(30, np.int64))
    np.testing.assert_allclose(reference_speed(batch).radius[:, 0] * worn, 1.0, atol=1e-3)


# Channels that are none


def test_a_channel_made_of_the_wheels_is_recognised_in_a_lockup():
    batch = Stop(channel_hz=10.0, accel=True, locked=ALL).recorded()
    made = replace(batch, speed=held(batch.time_s, batch.wheels.mean(axis=0), 10.0))
    assert not reference_speed(made).independent[0]


@pytest.mark.parametrize("delay", [0.0, 0.2, 0.3])
def test_a_late_channel_over_ground_is_not_taken_for_the_wheels(delay):
    for locked in ((), (0, 1), ALL):
        batch = Stop(channel_hz=10.0, delay=delay, accel=True, locked=locked, lock_s=(2.5, 3.2)).recorded()
        assert reference_speed(batch).independent[0]


def test_what_a_label_says_of_a_channel_holds():
    assert not reference_speed(replace(Stop(channel_hz=10.0).recorded(), dependent=True)).independent[0]


def test_a_stuck_channel_is_not_used():
    stop = Stop(channel_hz=10.0)
    batch = replace(stop.recorded(), speed=np.full(len(stop.truth()[0]), 20.0))
    found = reference_speed(batch)
    assert not found.independent[0]
    np.testing.assert_allclose(found.speed, stop.truth()[1], atol=0.5)


@pytest.mark.parametrize("channel_hz", [10.0, 0.0])
@pytest.mark.parametrize("factor", [0.0, -1.0])
def test_a_dead_or_reversed_accelerometer_does_not_carry_the_speed(factor, channel_hz):
    """Told by the channel where there is one, else by the wheels."""
    stops, batch = fleet(4, accel=True, channel_hz=channel_hz, accel_noise=0.05)
    found = reference_speed(replace(batch, accel=batch.accel * factor))
    assert not found.has_accel.any()
    speed = np.concatenate([s.truth()[1] for s in stops])
    assert np.abs(found.speed - speed)[found.supported].max() < 1.0


# What the standard error says


def honest_share(**settings):
    inside = []
    for seed in range(50):
        rng = np.random.default_rng(seed)
        slip = 1.0 / rng.uniform(200.0, 300.0)
        stop = Stop(seed=seed, v0=rng.uniform(12.0, 25.0), decel=rng.uniform(3.0, 8.0), slip=slip, **settings)
        found = reference_speed(stop.recorded())
        known = ~np.isnan(found.speed)
        inside.append(np.abs(found.speed - stop.truth()[1])[known] <= 2.0 * found.error[known])
    return np.concatenate(inside).mean()


@pytest.mark.parametrize(
    "settings",
    [
        {"accel": True, "accel_noise": 0.1, "bias": 0.3, "wheel_noise": 0.03},
        {"accel": True, "accel_noise": 0.1, "bias": 0.3, "wheel_noise": 0.03, "locked": ALL},
        {"accel": True, "accel_noise": 0.1, "channel_hz": 10.0, "channel_noise": 0.1, "wheel_noise": 0.03},
        {"channel_hz": 10.0, "channel_noise": 0.1, "wheel_noise": 0.03, "locked": (0, 1)},
        {"wheel_noise": 0.03},
    ],
    ids=["accel", "accel locked", "accel and channel", "channel", "wheels"],
)
def test_the_standard_error_is_honest(settings):
    """Two standard errors hold 95 % where all is normal; 85 % leaves room for what is not."""
    assert honest_share(**settings) >= 0.85


def test_all_wheels_locked_and_nothing_else_supports_nothing():
    stop = Stop(locked=ALL)
    time_s, _ = stop.truth()
    found = reference_speed(stop.recorded())
    assert found.supported[time_s < 2.4].all()
    assert not found.supported[time_s > 2.9].any()  # 0.3 s without a carrying wheel


def test_a_hole_in_the_only_channel_longer_than_half_a_second_supports_nothing():
    batch = Stop(channel_hz=50.0, wheels=1).recorded()
    time_s = batch.time_s
    bare = replace(batch, wheels=np.full_like(batch.wheels, np.nan))
    for seconds, supported in ((0.4, True), (0.7, False)):
        hole = (time_s > 2.5) & (time_s < 2.5 + seconds)
        found = reference_speed(replace(bare, speed=np.where(hole, np.nan, batch.speed)))
        assert found.supported[hole].all() == supported
        assert found.supported[hole].any() == supported
        assert found.supported[time_s < 2.4].all()


@pytest.mark.parametrize("absurd", [(1,), (0, 2)])
@pytest.mark.parametrize("settings", [{}, {"accel": True}, {"channel_hz": 10.0, "accel": True}, {"channel_hz": 10.0}],
                         ids=["wheels", "accel", "both", "channel"])  # fmt: skip
def test_absurd_wheels_do_not_move_the_reference(absurd, settings):
    stop = Stop(**settings)
    clean = stop.recorded()
    spoiled = clean.wheels.copy()
    for begin in (1.0, 3.0):
        at = (clean.time_s >= begin) & (clean.time_s < begin + 0.06)
        spoiled[np.ix_(absurd, at)] = ABSURD_MPS
    c = Criteria()
    # as in the features: what cannot be is taken out first
    ok = believable(
        clean.time_s, spoiled, clean.offsets, c.frozen_s, c.wheel_speed_most_mps, c.wheel_rise_most_mps2,
        c.wheel_spin_most_mps2, 2.0 * c.moving_mps,
    )  # fmt: skip
    ok &= ~wheel_speed.leaps(clean.time_s, np.where(ok, spoiled, np.nan), clean.offsets)
    assert not ok[spoiled == ABSURD_MPS].any()
    spoiled[~ok] = np.nan
    one, other = reference_speed(clean), reference_speed(replace(clean, wheels=spoiled))
    inside = ~np.isnan(one.speed) & (one.speed > 1.0)
    assert np.abs(other.speed - one.speed)[inside].max() < 0.5


@pytest.mark.parametrize("rate_hz", [10.0, 4.0])
def test_a_late_channel_in_slow_rows_is_read(rate_hz):
    stop = Stop(rate_hz=rate_hz, channel_hz=rate_hz, delay=0.14, wheels=0)
    batch = stop.recorded()
    nothing, zero, one = np.full(len(batch.time_s), np.nan), np.zeros(1), np.ones(1)
    sources = fusion.Sources(
        accel=nothing, accel_noise=zero, gain=one, gain_se=zero, speed=batch.speed, fresh=~np.isnan(batch.speed),
        speed_noise=zero, delay=np.array([stop.delay]), free=nothing, braked=nothing, wheel_noise=zero,
        wheel_hz=zero, alone=np.zeros(1, np.bool_),
    )  # fmt: skip
    speed = fusion.smooth(batch.time_s, batch.offsets, sources)[0]
    assert np.abs(speed - stop.truth()[1]).max() < 0.6  # a row's fall and the age's


# What must not matter


def test_other_vehicles_of_the_batch_do_not_matter():
    mine = Stop(accel=True, bias=0.3, channel_hz=10.0, accel_noise=0.1, wheel_noise=0.03).recorded()
    other = Stop(v0=9.0, accel=True, gain=0.8, channel_hz=4.0, delay=0.3, locked=ALL, seed=5).recorded()
    alone = reference_speed(mine)
    for parts, at in (((mine, other), 0), ((other, mine), len(other.time_s))):
        found = reference_speed(joined(parts))
        np.testing.assert_allclose(found.speed[at:][: len(mine.time_s)], alone.speed, rtol=1e-9, atol=1e-9)
        np.testing.assert_array_equal(found.supported[at:][: len(mine.time_s)], alone.supported)


@settings(max_examples=25, deadline=None, derandomize=True, database=None)
@given(shift=st.integers(-1000, 100000), seed=st.integers(0, 1000), accel=st.booleans())
def test_a_shift_in_time_does_not_matter(shift, seed, accel):
    batch = Stop(seed=seed, accel=accel, channel_hz=10.0, channel_noise=0.1, wheel_noise=0.02).recorded()
    one, other = reference_speed(batch), reference_speed(replace(batch, time_s=batch.time_s + float(shift)))
    np.testing.assert_allclose(other.speed, one.speed, atol=1e-5)  # stamps of 1e5 s keep 1e-11 s of a step of 0.02 s
    np.testing.assert_array_equal(other.supported, one.supported)


@settings(max_examples=25, deadline=None, derandomize=True, database=None)
@given(factor=st.sampled_from([0.5, 2.0, 4.0]), seed=st.integers(0, 1000))
def test_radii_and_rolling_speed_scale_with_the_wheels(factor, seed):
    wheels = np.random.default_rng(seed).uniform(0.0, 20.0, (4, 30))
    for kernel in (wheel_speed.fastest, wheel_speed.second_fastest, wheel_speed.rolling, wheel_speed.spread):
        np.testing.assert_allclose(kernel(factor * wheels), factor * kernel(wheels), rtol=1e-12)


@settings(max_examples=30, deadline=None, derandomize=True, database=None)
@given(seed=st.integers(0, 1000))
def test_order_of_wheels_does_not_matter(seed):
    rng = np.random.default_rng(seed)
    batch = Stop(seed=seed, wheel_noise=0.05, locked=(0,)).recorded()
    order = rng.permutation(4)
    found = reference_speed(replace(batch, wheels=batch.wheels[order], axle=batch.axle[order]))
    np.testing.assert_allclose(found.speed, reference_speed(batch).speed, rtol=1e-9, atol=1e-9)


# Nothing to go by


def empty():
    batch = Stop().recorded()
    none = {k: np.zeros(0) for k in ("time_s", "speed", "speed_hz", "accel", "accel_hz", "wheel_hz")}
    return replace(batch, offsets=np.zeros(1, np.int64), group=np.zeros(0, np.int64), groups=0,
                   wheels=np.zeros((4, 0)), free=np.zeros(0, np.bool_), **none)  # fmt: skip


def test_an_empty_batch_gives_nothing():
    found = reference_speed(empty())
    assert found.speed.size == 0
    assert found.independent.size == 0
    assert found.radius.shape == (4, 0)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_few_samples(count):
    batch = Stop(channel_hz=10.0, accel=True).recorded()
    few = {k: getattr(batch, k)[:count] for k in ("time_s", "speed", "accel", "free")}
    short = replace(batch, offsets=np.array([0, count], np.int64), wheels=batch.wheels[:, :count], **few)
    found = reference_speed(short)
    np.testing.assert_allclose(found.speed, 20.0, atol=0.1)
    assert np.isfinite(found.speed).all()


def test_all_nan_knows_nothing():
    batch = Stop().recorded()
    found = reference_speed(replace(batch, wheels=np.full_like(batch.wheels, np.nan)))
    for values in (found.speed, found.error, found.accel):
        assert np.isnan(values).all()
    assert not found.supported.any()
    assert not found.has_channel.any()
    assert not found.has_accel.any()


def test_an_accelerometer_alone_knows_no_speed():
    batch = Stop(accel=True).recorded()
    found = reference_speed(replace(batch, wheels=np.full_like(batch.wheels, np.nan)))
    assert np.isnan(found.speed).all()
    assert np.isnan(found.accel).all()  # up to the last sample
    assert not found.supported.any()


def test_no_wheels_at_all_leaves_the_channel():
    stop = Stop(channel_hz=10.0, wheels=0)
    found = reference_speed(stop.recorded())
    assert found.independent[0]
    assert found.radius.shape == (0, 1)
    assert np.abs(found.speed - stop.truth()[1]).max() < 1.0


# Parts, by hand


def test_the_expected_slip_of_a_braked_wheel():
    assert fusion.expected_slip(-5.0) == pytest.approx(0.02)
    assert fusion.expected_slip(-12.0) == pytest.approx(0.03)
    assert fusion.expected_slip(2.0) == 0.0

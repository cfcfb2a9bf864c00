"""Each nuisance does what its name says, and the truth beneath it stays what it was."""

import numpy as np
import pytest

from fleetbrake.simulation import scenes
from fleetbrake.simulation.applications import TRUCK, VAN, Applications, applications
from fleetbrake.simulation.loggers import LOGGER_RATES_HZ, TRUTH_HZ, Setup, latest, record_rows, rows_of
from fleetbrake.simulation.nuisances import NUISANCES
from fleetbrake.simulation.run import Simulated, simulate
from fleetbrake.simulation.trials import SPECS, quicken_on_ice, trial
from fleetbrake.simulation.tyre import DRY, ICE
from fleetbrake.simulation.wheel_sensors import absurd, fail, rough_road, tone_wheel


def rng() -> np.random.Generator:
    return np.random.default_rng(5)


def run(apps: Applications) -> Simulated:
    return simulate(apps, rate_hz=TRUTH_HZ)


def setup(**how: object) -> Setup:
    return Setup(axles=2, radius_error=np.zeros(6), **how)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def stops() -> Simulated:
    return run(trial(VAN, 6, rng()))


@pytest.mark.parametrize("name", NUISANCES)
def test_every_nuisance_draws_and_records(name: str) -> None:
    nuisance = NUISANCES[name]
    apps = trial(TRUCK, 3, rng())
    apps["limit_s"] = 6.0
    if nuisance.drive is not None:
        nuisance.drive(apps, TRUCK, rng())
    quicken_on_ice(apps)
    made = Setup(axles=3, radius_error=np.zeros(6))
    if nuisance.setup is not None:
        nuisance.setup(made, TRUCK, rng())
    sim = run(apps)
    wheel = sim.wheel_speed_mps
    if nuisance.sensors is not None:
        wheel = nuisance.sensors(sim, wheel, TRUCK, rng()).wheel
    rows = rows_of(sim, made, 50.0, rng())
    channels = record_rows(sim, made, rows, wheel, rng())
    if nuisance.stage is not None:
        nuisance.stage.change(channels, sim, rows, made, rng())
    assert {len(values) for values in channels.values()} == {rows.index.size}
    assert "wheel_speed_3r_mps" in channels


@pytest.mark.parametrize("rate", LOGGER_RATES_HZ)
def test_rows_come_at_the_loggers_rate(stops: Simulated, rate: float) -> None:
    rows = rows_of(stops, setup(), rate, rng())
    steps = np.diff(stops.time_s[rows.index])[np.diff(rows.event) == 0]
    np.testing.assert_allclose(steps, 1.0 / rate, atol=1e-9)


def test_a_late_speed_is_the_speed_of_then(stops: Simulated) -> None:
    rows = rows_of(stops, setup(), 100.0, rng())
    at = latest(stops, rows, np.inf, 0.2)
    late = stops.time_s[rows.index] - stops.time_s[at]
    first = stops.time_s[rows.index] < -2.0 + 0.2
    np.testing.assert_allclose(late[~first], 0.2, atol=1e-9)


@pytest.mark.parametrize("hz", [1.0, 4.0, 5.0, 10.0, 25.0])
def test_a_held_channel_changes_at_its_own_rate(stops: Simulated, hz: float) -> None:
    rows = rows_of(stops, setup(), 100.0, rng())
    at = latest(stops, rows, hz)
    age = rows.index - at
    assert age.min() >= 0
    assert age.max() <= np.ceil(TRUTH_HZ / hz)
    changes = (np.diff(at) != 0) & (np.diff(rows.event) == 0)
    seconds = rows.index.size / 100.0
    assert changes.sum() / seconds == pytest.approx(hz, rel=0.25)


def test_missing_rows_lie_in_the_braking(stops: Simulated) -> None:
    rows = rows_of(stops, setup(gap_s=0.8), 50.0, rng())
    for e in range(6):
        time = stops.time_s[rows.index[rows.event == e]]
        at = int(np.argmax(np.diff(time)))
        assert np.diff(time)[at] >= 0.8
        assert 0.0 <= time[at] + 0.02 <= max(stops.braking_end_s[e], 1.0)


def test_a_failed_sensor_is_none_of_a_wheel_that_locks(stops: Simulated) -> None:
    loss = fail(stops, stops.wheel_speed_mps, 4, 1.0, rng())
    assert loss.lost.any()
    for e in range(6):
        part = slice(stops.offsets[e], stops.offsets[e + 1])
        moving = stops.speed_mps[part] > 1.5
        locks = ((stops.wheel_speed_mps[:4, part] < 0.05 * stops.speed_mps[part]) & moving).any(axis=1)
        assert not loss.lost[:4, part][locks].any()
    np.testing.assert_array_equal(loss.wheel[~loss.lost], stops.wheel_speed_mps[~loss.lost])


def test_a_tone_wheel_reads_zero_below_its_floor_and_right_above(stops: Simulated) -> None:
    seen = tone_wheel(stops, stops.wheel_speed_mps, 1.0, 80, VAN.radius_m)[:4]
    true = stops.wheel_speed_mps[:4]
    assert np.all((seen == 0.0) | (seen >= 1.0))
    # a wheel that stops shows its last pulse until the next is overdue, and that pulse may itself come that late:
    # twice 27 mm at 1 m/s, and 5 ms of sampling
    slow = true < 0.5
    slow_before = np.lib.stride_tricks.sliding_window_view(slow, 13, axis=1).all(axis=2)
    assert slow_before.any()
    assert not seen[:, 12:][slow_before].any()
    rolling = np.broadcast_to(stops.time_s < 0.0, true.shape) & (true > 5.0)
    np.testing.assert_allclose(seen[rolling], true[rolling], rtol=0.02)


def test_wheel_hop_is_where_it_is_said_to_be(stops: Simulated) -> None:
    rolling = stops.speed_mps > 5.0
    rolling &= stops.wheel_speed_mps[0] > 0.0
    share = rough_road(stops, stops.wheel_speed_mps, rng())[0][rolling] / stops.wheel_speed_mps[0][rolling] - 1.0
    assert 0.01 < share.std() < 0.04
    power = np.abs(np.fft.rfft(share)) ** 2
    hz = np.fft.rfftfreq(share.size, 1.0 / TRUTH_HZ)
    assert power[(hz > 8.0) & (hz < 18.0)].sum() > 0.9 * power.sum()


def test_absurd_values_are_absurd(stops: Simulated) -> None:
    long = np.tile(stops.wheel_speed_mps, (1, 5))
    loss = absurd(stops, long, 4, rng())
    assert loss.lost.any()
    assert loss.wheel[loss.lost].min() > 70.0


def test_stability_control_brakes_one_wheel_without_the_pedal() -> None:
    apps = trial(VAN, 5, rng())
    scenes.stability(apps, VAN, rng())
    sim = run(apps)
    assert not sim.pedal_pct.any()
    for e in range(5):
        part = slice(sim.offsets[e], sim.offsets[e + 1])
        assert (sim.wheel_pressure_kpa[:4, part].max(axis=1) > 500.0).sum() == 1


def test_a_retarder_raises_the_flag_and_no_valve_acts() -> None:
    apps = trial(TRUCK, 12, rng())
    scenes.retarder(apps, TRUCK, rng())
    sim = run(apps)
    assert sim.abs_active.any()
    assert not sim.wheel_controlled.any()


def test_the_road_changes_under_way() -> None:
    apps = applications(VAN, 1)
    apps["abs_on"], apps["pedal_pct"], apps["jump_m"] = 0, 30.0, 8.0
    apps["next_left"] = apps["next_right"] = ICE
    sim = run(apps)
    went = sim.distance_m - np.interp(0.0, sim.time_s, sim.distance_m)
    locked = sim.wheel_locked[:4].all(axis=0)
    assert apps["surface_left"][0] == DRY
    assert not locked[(went > 0.0) & (went < 8.0)].any()
    assert locked[(went > 10.0) & (sim.speed_mps > 2.0)].all()


def test_the_same_seed_draws_the_same_trial() -> None:
    for spec in SPECS:
        np.testing.assert_array_equal(trial(spec, 4, rng()), trial(spec, 4, rng()))

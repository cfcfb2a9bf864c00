"""Each fault parameter does what its name says, and nothing to the sound wheels."""

import numpy as np

from fleetbrake.core.vocabulary import INDICATORS
from fleetbrake.simulation import scenario as sc
from fleetbrake.simulation.applications import BUS, TRACTOR, TRUCK, VAN, applications
from fleetbrake.simulation.braking import TRAILER_GAIN, apply_fault, day_of
from fleetbrake.simulation.run import simulate
from fleetbrake.simulation.sensors import Logger, wheel_speeds
from fleetbrake.simulation.tyre import WET

FLAT = np.zeros(6)


def test_the_scenario_has_every_indicator() -> None:
    assert {fault.indicator for fault in sc.FAULTS} == set(INDICATORS)


def test_a_weak_wheel_slips_less_and_pulls_to_the_other_side() -> None:
    apps = applications(VAN, 1)
    apps["factor"][:, 0] = 0.5
    sim = simulate(apps)
    steady = (sim.time_s > 1.0) & (sim.speed_mps > 5.0)
    slip = 1.0 - sim.wheel_speed_mps[:2, steady].mean(axis=1) / sim.speed_mps[steady].mean()
    # half the force; the tyre curve flattens with slip, so a little less than half the slip
    assert 0.35 * slip[1] < slip[0] < 0.5 * slip[1]
    assert sim.yaw_rate_radps[steady].mean() < 0.0


def test_a_dragging_wheel_keeps_braking_after_the_release() -> None:
    apps = applications(VAN, 1)
    apps["release_speed_mps"], apps["release_tau_s"][:, 2] = 8.0, 1.6
    sim = simulate(apps)
    after = (sim.time_s > sim.braking_end_s[0] + 0.3) & (sim.time_s < sim.braking_end_s[0] + 1.0)
    slip = 1.0 - sim.wheel_speed_mps[:4, after].mean(axis=1) / sim.speed_mps[after].mean()
    assert slip[2] > 0.005
    assert np.all(np.abs(slip[[0, 1, 3]]) < 0.0005)


def test_slow_response_delays_the_pressure_by_what_was_added() -> None:
    fault = next(f for f in sc.FAULTS if f.indicator == "slow_response")
    apps = applications(BUS, 2)
    day = (fault.since - sc.FIRST_DAY).days
    apply_fault(apps, fault, np.array([day - 1, day]))
    sim = simulate(apps, rate_hz=200.0)
    late = []
    for e in (0, 1):
        part = slice(sim.offsets[e], sim.offsets[e + 1])
        late.append(sim.time_s[part][sim.line_pressure_kpa[part] > 0.75 * 0.25 * 850.0][0])
    assert 0.3 < late[1] - late[0] < 0.8


def test_fade_takes_deceleration_away_within_one_application() -> None:
    apps = applications(TRUCK, 2, load=1.0)
    apps["initial_speed_mps"], apps["pedal_pct"], apps["fade_per_k"] = 22.0, 20.0, [0.0002, 0.0025]
    sim = simulate(apps)
    ends = []
    for e in (0, 1):
        part = slice(sim.offsets[e], sim.offsets[e + 1])
        moving = sim.speed_mps[part] > 2.0
        ends.append(-sim.accel_mps2[part][moving][-1])
    assert ends[1] < 0.8 * ends[0]


def test_a_damaged_tone_ring_brings_control_on_light_braking() -> None:
    apps = applications(VAN, 2)
    apps["pedal_pct"] = 12.0
    apps["sensor_dip"][1, 0] = 0.3
    sim = simulate(apps)
    active = [sim.abs_active[sim.offsets[e] : sim.offsets[e + 1]].any() for e in (0, 1)]
    assert active == [False, True]


def test_failed_control_locks_its_wheel_only() -> None:
    fault = next(f for f in sc.FAULTS if f.indicator == "lockup_without_modulation")
    apps = applications(VAN, 1)
    apps["pedal_pct"], apps["surface_left"], apps["surface_right"] = 100.0, WET, WET
    apply_fault(apps, fault, np.array([60]))
    sim = simulate(apps)
    fast = (sim.speed_mps > 4.5) & (sim.time_s > 0.6)
    assert sim.wheel_locked[1, fast].mean() > 0.9
    assert not sim.wheel_locked[[0, 2, 3]][:, fast].any()


def test_low_effectiveness_grows_over_four_weeks() -> None:
    fault = next(f for f in sc.FAULTS if f.indicator == "low_brake_effectiveness")
    apps = applications(TRUCK, 3)
    first = (fault.since - sc.FIRST_DAY).days
    apply_fault(apps, fault, np.array([first - 3, first + 14, first + 40]))
    np.testing.assert_allclose(apps["factor"][:, 0], [1.0, 1.0 - fault.size / 2, 1.0 - fault.size])


def test_a_weak_trailer_lengthens_the_stop() -> None:
    apps = applications(TRACTOR, 2)
    apps["trailer_mass_kg"], apps["trailer_gain_n_per_kpa"] = 20000.0, [TRAILER_GAIN, 0.35 * TRAILER_GAIN]
    sim = simulate(apps)
    assert sim.braking_distance_m[1] > 1.3 * sim.braking_distance_m[0]


def test_the_retarder_slows_without_pressure() -> None:
    apps = applications(TRACTOR, 1)
    apps["friction_share"], apps["endurance_force_n"], apps["hold_s"] = 0.0, 14000.0, 5.0
    sim = simulate(apps)
    assert not sim.line_pressure_kpa.any()
    assert sim.speed_mps[-1] < 0.85 * sim.speed_mps[0]


def test_a_raised_axle_reads_zero() -> None:
    apps = applications(TRACTOR, 1)
    apps["load_n"][:, 4:] = 0.0
    sim = simulate(apps)
    assert not sim.wheel_speed_mps[4:].any()
    assert not sim.wheel_locked[4:].any()


def test_dropouts_take_their_share_of_one_wheel() -> None:
    sim = simulate(applications(TRUCK, 40))
    logger = Logger(axles=3, radius_error=FLAT, dropout_wheel=3, dropout_share=0.12)
    recorded = wheel_speeds(sim, logger, np.random.default_rng(1))
    rolling = sim.wheel_speed_mps[3] > 1.0
    lost = (recorded[:, rolling] == 0.0).mean(axis=1)
    assert not np.delete(lost, 3).any()
    assert 0.06 < lost[3] < 0.18  # bursts: some 200 of them, they overlap a little


def test_a_larger_radius_reads_slower() -> None:
    sim = simulate(applications(VAN, 1))
    error = np.array([0.01, -0.01, 0.0, 0.0, 0.0, 0.0])
    recorded = wheel_speeds(sim, Logger(axles=2, radius_error=error), np.random.default_rng(1))
    before = sim.time_s < -0.5
    ratio = recorded[:, before].mean(axis=1) / sim.speed_mps[before].mean()
    # 75 samples of 0.015 m/s noise at 15 m/s: standard error 0.00012
    np.testing.assert_allclose(ratio, [1 / 1.01, 1 / 0.99, 1.0, 1.0], atol=0.0005)


def test_a_late_release_stays_on_its_side_of_a_select_low_axle() -> None:
    apps = applications(VAN, 1)
    apps["release_speed_mps"], apps["release_tau_s"][:, 2] = 8.0, 1.6
    sim = simulate(apps)
    after = sim.time_s > sim.braking_end_s[0] + 0.5
    assert sim.wheel_pressure_kpa[2, after].max() > 500.0
    assert sim.wheel_pressure_kpa[3, after].max() < 50.0


def test_a_repaired_fault_is_there_up_to_the_day_of_the_repair() -> None:
    for fault in sc.REPAIRED_FAULTS:
        assert fault.repaired_on is not None
        first, last = (fault.since - sc.FIRST_DAY).days, (fault.repaired_on - sc.FIRST_DAY).days
        days = np.array([first - 1, first + 1, last, last + 1])
        spec = next(v.spec for v in sc.FLEET if v.vehicle_id == fault.vehicle_id)
        apps, sound = applications(spec, 4), applications(spec, 4)
        apply_fault(apps, fault, days)
        assert (apps != sound).tolist() == [False, True, True, False]
        assert [fault.present_on(day_of(int(day))) for day in days] == [False, True, True, False]

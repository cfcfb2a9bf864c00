"""Modulation through ``features()``: what is told apart from it, what low rates leave open, which wheels took part."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbrake.features.build import features
from tests.features.feature_rows import event, wheels
from tests.recordings_made import FOUR, braking, concat, cycling_slip, held, make_batch, pressed, rolling, times

V0, DECEL, PEDAL = 25.0, 5.0, "brake_pedal_pct"


def cycling(hz=5.0, *, rate=100.0, cycled=("1L",), begin_s=2.5, seconds=2.0, channels=None, seed=None, **more):
    """A stop from 25 m/s in which the named wheels' slip cycles; the others roll."""
    time_s = times(7.0, rate)
    speed = braking(time_s, V0, DECEL)
    turning = rolling(speed)
    for number, name in enumerate(cycled):  # a quarter of a cycle later each
        at = begin_s + number * 0.25 / hz
        turning[name] = speed * (1.0 - cycling_slip(time_s, hz, at, at + seconds))
    if seed is not None:
        rng = np.random.default_rng(seed)
        turning = {name: np.maximum(v + rng.normal(0.0, 0.03, len(v)), 0.0) for name, v in turning.items()}
    asked = {PEDAL: pressed(time_s)} if channels is None else channels(time_s)
    return make_batch(time_s, speed, turning, asked, **more)


def pumped(hz, channels, *, rate=50.0, least=0.25, **more):
    """A foot that pumps at ``hz`` down to ``least`` of its stroke: slip of all wheels and deceleration follow it."""
    time_s = times(8.0, rate)
    stroke = np.where(
        time_s >= 2.0, 0.5 * (1 + least) - 0.5 * (1 - least) * np.cos(2 * np.pi * hz * (time_s - 2.0)), 0.0
    )
    decel = np.where(time_s >= 2.0, 7.0 * stroke, 0.0)
    speed = np.maximum(30.0 - np.concatenate(([0.0], np.cumsum(0.5 * (decel[1:] + decel[:-1]) / rate))), 0.0)
    return make_batch(time_s, speed, rolling(speed, slip=0.2 * stroke), channels(time_s, stroke), **more)


# --- counted and timed


@pytest.mark.parametrize("rate", [50.0, 100.0, 200.0])
@pytest.mark.parametrize("hz", [2.0, 3.7, 8.0, 11.3, 15.0, 19.5])
def test_noisy_cycles_are_counted_and_timed(hz, rate):
    """3 %: the figure to reach; 0.03 m/s is twice the noise of a common sensor. A cycle more or less at the ends."""
    row = wheels(cycling(hz, rate=rate, seed=int(hz * rate)))["1L"]
    assert row["modulation_cycles"] == pytest.approx(2 * hz - 1, abs=1)
    assert row["modulation_seen_hz"] == pytest.approx(hz, rel=0.03)
    assert row["modulation_rate_hz"] == pytest.approx(rate)


@pytest.mark.parametrize("hz", [24.0, 30.0, 36.0])
def test_quick_cycles_beyond_any_published_control_are_seen_where_the_rate_allows(hz):
    """2.5 samples a cycle and more at 100 Hz: smoothing alone would hide them."""
    row = wheels(cycling(hz, rate=100.0))["1L"]
    assert row["modulation_cycles"] >= 1.8 * hz
    assert row["modulation_seen_hz"] == pytest.approx(hz, rel=0.03)


@given(hz=st.floats(2.0, 15.0), late_s=st.floats(0.0, 0.5), rate=st.sampled_from([50.0, 100.0]))
@settings(max_examples=25, deadline=None, derandomize=True, database=None)
def test_phase_against_the_samples_does_not_matter(hz, late_s, rate):
    row = wheels(cycling(hz, rate=rate, begin_s=2.3 + late_s))["1L"]
    assert row["modulation_seen_hz"] == pytest.approx(hz, rel=0.03)
    assert row["modulation_cycles"] == pytest.approx(2 * hz - 1, abs=1.5)


def test_jittered_stamps_keep_the_frequency():
    """Rows up to 4 ms early or late with the values of their true times."""
    time_s = times(7.0, 100.0) + np.random.default_rng(3).uniform(-0.004, 0.004, 701)
    time_s[0] = 0.0
    speed = braking(time_s, V0, DECEL)
    turning = rolling(speed) | {"2R": speed * (1.0 - cycling_slip(time_s, 9.0, 2.5, 4.5))}
    row = wheels(make_batch(time_s, speed, turning, {PEDAL: pressed(time_s)}))["2R"]
    assert row["modulation_cycles"] == pytest.approx(17, abs=1)
    assert row["modulation_seen_hz"] == pytest.approx(9.0, rel=0.03)


# --- which wheels


@pytest.mark.parametrize(
    ("cycled", "word"),
    [
        (("2R",), "one_wheel"),
        (("1L", "1R"), "one_axle"),
        (("1R", "2R"), "one_side"),
        (("1L", "2R"), "several_wheels"),
        (("1L", "1R", "2L"), "several_wheels"),
        (FOUR, "all_wheels"),
    ],
)
def test_which_wheels_took_part(cycled, word):
    """Out of phase by a quarter of a cycle each."""
    batch = cycling(cycled=cycled)
    row = event(batch)
    assert (row["wheels_modulated"], row["modulation_wheels"]) == ("+".join(cycled), word)
    for name, facts in wheels(batch).items():
        assert facts["modulation_cycles"] == pytest.approx(9 if name in cycled else 0, abs=1)


def test_no_pattern_without_modulation_or_with_a_wheel_unknown():
    assert event(cycling(cycled=()))["modulation_wheels"] is None
    batch = cycling()
    batch.wheel_speed_mps[3, (batch.time_s > 3.0) & (batch.time_s < 4.0)] = np.nan
    row = event(batch)
    assert (row["modulation"], row["modulation_wheels"]) == (True, None)


# --- a foot


FOOT = {
    "pedal": lambda t, x: {PEDAL: 60.0 * x},
    "line pressure": lambda t, x: {"brake_pressure_kpa": 5000.0 * x},
    "switch that opens": lambda t, x: {"brake_switch": (x > 0.4).astype(float)},
}


@pytest.mark.parametrize("hz", [1.0, 1.5, 2.0])
@pytest.mark.parametrize("shown", FOOT)
def test_a_pumping_foot_is_no_modulation(hz, shown):
    assert event(pumped(hz, FOOT[shown]))["modulation"] is False


@pytest.mark.parametrize("hz", [1.5, 2.0])
@pytest.mark.parametrize("channels", [lambda t, x: {"brake_switch": pressed(t, level=1.0)}, lambda t, x: {}])
def test_a_pumping_foot_that_no_channel_shows_is_left_open(hz, channels):
    """Slow cycles in step with the deceleration: foot or control, nothing recorded tells."""
    assert event(pumped(hz, channels, least=0.1))["modulation"] is not True


@pytest.mark.parametrize("hz", [3.0, 6.0])
@pytest.mark.parametrize(
    "asked",
    [
        lambda t: {PEDAL: pressed(t)},
        lambda t: {"brake_pressure_kpa": pressed(t, level=6000.0)},
        lambda t: {"brake_switch": pressed(t, level=1.0)},
        lambda t: {},
    ],
)
def test_a_control_under_any_held_demand_is_modulation(hz, asked):
    assert event(cycling(hz, cycled=FOUR, channels=asked))["modulation"] is True


def test_line_pressure_that_carries_the_control_itself_is_no_foot():
    """Chamber pressure of an air brake under control, 4 a second: too quick for a foot."""

    def chamber(t):
        return {"brake_pressure_kpa": np.where(t >= 2.0, 400.0 - 200.0 * np.cos(2 * np.pi * 4.0 * (t - 2.5)), 0.0)}

    assert event(cycling(4.0, cycled=FOUR, channels=chamber))["modulation"] is True


def test_a_foot_that_eases_once_does_not_end_the_word():
    """From 100 % to 45 % while the control is at work: one cycle is the foot's, the later ones are not."""
    eased = cycling(4.0, seconds=2.4, channels=lambda t: {PEDAL: np.where(t > 3.1, 45.0, 100.0) * (t >= 2.0)})
    assert event(eased)["modulation_cycles"] >= 5


def test_snubs_on_a_descent_are_no_modulation():
    """3 s on, 3 s off, three times in one recording (commercial driver handbook 2.16.4: about 3 s)."""
    time_s = times(20.0, 50.0)
    on = (time_s >= 2.0) & ((time_s - 2.0) % 6.0 < 3.0)
    speed = np.maximum(25.0 - np.concatenate(([0.0], np.cumsum(np.where(on, 2.0, -1.6)[1:] / 50.0))), 0.0)
    speed = np.where(time_s < 2.0, 25.0, speed - speed[100] + 25.0)
    asked = {PEDAL: np.where(on, 30.0, 0.0)}
    assert event(make_batch(time_s, speed, rolling(speed, slip=0.1 * on), asked))["modulation"] is False


# --- road and sensor


def hopping(amplitude, hop_hz, seed, rate=100.0, slip=None):
    """Wheels that hop at ``hop_hz`` with a wandering amplitude (m/s) all the time, braked or not."""
    rng = np.random.default_rng(seed)
    time_s = times(7.0, rate)
    speed = braking(time_s, V0, DECEL)
    turning = {}
    for name in FOUR:
        size = amplitude * (1.0 + 0.4 * np.sin(2 * np.pi * rng.uniform(0.3, 0.8) * time_s + rng.uniform(0, 6)))
        hop = size * np.sin(2 * np.pi * (hop_hz + rng.uniform(-1, 1)) * time_s + rng.uniform(0, 6))
        turning[name] = np.maximum(speed * (1.0 - (0.04 * (time_s > 2.0) if slip is None else slip(time_s))) + hop, 0.0)
    return make_batch(time_s, speed, turning, {PEDAL: pressed(time_s)})


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("amplitude", [0.3, 0.6, 1.0])
@pytest.mark.parametrize("hop_hz", [11.0, 14.0])
def test_wheel_hop_on_a_rough_road_is_no_modulation(hop_hz, amplitude, seed):
    assert event(hopping(amplitude, hop_hz, seed))["modulation"] is not True


@pytest.mark.parametrize("seed", range(4))
def test_a_control_at_work_on_a_rough_road_is_still_seen(seed):
    row = event(hopping(0.3, 12.0, seed, slip=lambda t: cycling_slip(t, 4.0, 2.3, 4.8, mean=0.2, swing=0.17)))
    assert row["modulation"] is True


@pytest.mark.parametrize("rate", [25.0, 50.0, 100.0])
@pytest.mark.parametrize("seed", range(3))
def test_cycles_no_deeper_than_the_hop_are_told_by_being_slower(rate, seed):
    """A hop of 1 m/s and more from peak to valley hides cycles of 0.16 of slip (4 to 2 m/s), unless by its pace."""
    slip = lambda t: cycling_slip(t, 3.0, 2.3, 4.8, mean=0.12, swing=0.08)  # noqa: E731
    row = event(hopping(0.6, 12.0, seed, rate=rate, slip=slip))
    assert row["modulation"] is True
    assert row["modulation_cycles"] == pytest.approx(2.5 * 3.0 - 1, abs=2)


def ringing(dip, *, rate=100.0, lead_s=2.0, turn_m=2.1):
    """A damaged tone ring: 1L reads ``dip`` too little over three tenths of every turn, braked or not."""
    time_s = times(lead_s + 4.5, rate)
    speed = braking(time_s, V0, DECEL, begin_s=lead_s)
    way = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) / rate)))
    turning = rolling(speed) | {"1L": speed * (1.0 - dip * ((way / turn_m) % 1.0 < 0.3))}
    return make_batch(time_s, speed, turning, {PEDAL: pressed(time_s, lead_s)})


@pytest.mark.parametrize("dip", [0.1, 0.2, 0.3])
@pytest.mark.parametrize("lead_s", [0.1, 2.0])
def test_dips_once_a_turn_are_the_sensor(dip, lead_s):
    """Without rolling before the demand their even way from dip to dip, while the time grows, tells them."""
    batch = ringing(dip, lead_s=lead_s)
    assert event(batch)["modulation"] is not True
    assert {name: row["once_a_turn"] for name, row in wheels(batch).items()} == dict.fromkeys(FOUR, False) | {
        "1L": True
    }
    assert wheels(cycling())["1L"]["once_a_turn"] is False


# --- brakes that nobody's foot asked for


def test_stability_control_without_pedal_is_not_the_drivers_modulation():
    def no_foot(t):
        return {PEDAL: np.zeros(len(t))}

    assert event(cycling(channels=no_foot, brake_source="aeb"))["modulation"] is True
    row = event(cycling(channels=no_foot, brake_source="esc"))
    assert row["modulation"] is False
    pressing = cycling(brake_source="esc")  # the driver brakes while stability control helps
    assert event(pressing)["modulation"] is True


def test_pressure_at_one_wheel_without_pedal_is_stability_control():
    def pulses(t, names):
        wave = np.where(t >= 2.0, 3000.0 - 1500.0 * np.cos(2 * np.pi * 5.0 * t), 0.0)
        return {name: wave if name in names else np.zeros(len(t)) for name in FOUR}

    def no_foot(t):
        return {PEDAL: np.zeros(len(t))}

    time_s = times(7.0, 100.0)
    row = event(cycling(channels=no_foot, pressures=pulses(time_s, ("1L",))))
    assert row["modulation"] is False
    assert "single wheels" in row["notes"]
    assert event(cycling(channels=no_foot, pressures=pulses(time_s, FOUR)))["modulation"] is True


def test_retarder_slip_raises_the_flag_and_is_no_modulation():
    """The stop lamp lit by a retarder, pedal and pressure at rest, the driven axle slipping in pulses."""

    def retarder(t):
        lamp = pressed(t, level=1.0)
        return {
            PEDAL: 0.0 * t, "brake_pressure_kpa": 0.0 * t, "brake_switch": lamp, "abs_active": lamp,
            "endurance_torque_pct": -60.0 * lamp,
        }  # fmt: skip

    row = event(cycling(4.0, cycled=("2L", "2R"), channels=retarder))
    assert (row["modulation"], row["abs_flag"], row["flag_and_wheels"]) == (False, True, "flag_only")
    assert "retarder" in row["notes"]


# --- flag and wheels


@pytest.mark.parametrize(
    ("cycled", "flag", "word", "said"),
    [
        (FOUR, 1.0, "both", None),
        ((), 1.0, "flag_only", "raised, its wheels show no modulation"),
        (FOUR, 0.0, "wheels_only", "flag was not raised"),
        ((), 0.0, "neither", None),
        (FOUR, np.nan, None, None),
    ],
)
def test_flag_and_wheels_are_both_kept(cycled, flag, word, said):
    row = event(
        cycling(cycled=cycled, channels=lambda t: {PEDAL: pressed(t), "abs_active": flag * pressed(t, level=1.0)})
    )
    assert row["flag_and_wheels"] == word
    assert row["abs_flag"] is (None if np.isnan(flag) else flag > 0.5)
    assert row["modulation"] is bool(cycled)
    assert row["notes"] is None if said is None else said in row["notes"]


# --- what a low rate leaves open


@pytest.mark.parametrize(
    ("rate", "share"), [(10.0, 1.0), (10.0, 0.98), (10.0, 0.5), (12.5, 1.0), (12.5, 0.5), (20.0, 0.5), (25.0, 0.5)]
)
@pytest.mark.parametrize("late", [0.0, 0.2, 0.35, 0.5])
def test_cycles_as_quick_as_the_samples_are_never_denied(rate, late, share):
    """In step with the samples the slip looks steady; where it is deep it may not be called rolling quietly.

    ``late`` of a cycle: at 0 the samples fall into the valleys and show next to no slip; then nothing gives reason.
    """
    hz = share * rate
    found = event(cycling(hz, rate=rate, begin_s=2.4 - late / hz))["modulation"]  # 2.4 s is a sample at every rate
    assert found is not False or (late == 0.0 and share == 1.0)
    assert event(cycling(hz, rate=rate, cycled=()))["modulation"] is False


@pytest.mark.parametrize("rate", [10.0, 25.0])
def test_a_held_channel_hides_as_a_slow_one_does(rate):
    time_s = times(7.0, 100.0)
    speed = braking(time_s, V0, DECEL)
    wheel = held(time_s, speed * (1.0 - cycling_slip(time_s, rate / 2, 2.44, 5.0)), rate)
    row = event(make_batch(time_s, speed, rolling(speed) | {"1L": wheel}, {PEDAL: pressed(time_s)}))
    assert row["modulation"] is not False  # the other wheels' rate of 100 Hz is not this one's
    assert row["modulation_rate_hz"] is None or row["modulation_rate_hz"] <= rate * 1.01


@pytest.mark.parametrize("rate", [10.0, 20.0, 25.0])
def test_a_gentle_stop_at_a_low_rate_stays_a_no(rate):
    time_s = times(12.0, rate)
    speed = braking(time_s, V0, 2.5)
    noise = np.random.default_rng(int(rate)).normal(0.0, 0.03, (5, len(time_s)))
    turning = {name: np.maximum(0.98 * speed + n, 0.0) for name, n in zip(FOUR, noise, strict=False)}
    asked = {PEDAL: pressed(time_s)}
    assert event(make_batch(time_s, np.maximum(speed + noise[4], 0.0), turning, asked))["modulation"] is False


@pytest.mark.parametrize("flag", [0.0, 1.0])
def test_the_vehicles_own_flag_is_reason_enough(flag):
    row = event(cycling(cycled=(), rate=10.0, channels=lambda t: {PEDAL: pressed(t), "abs_active": flag + 0.0 * t}))
    assert row["modulation"] is (None if flag else False)


def test_a_quick_pressure_beside_slow_wheels_tells_cycles_and_frequency():
    """Wheels at 10 Hz, their pressures at 100 Hz: 8 cycles a second are counted and timed by the pressure."""
    time_s = times(7.0, 100.0)
    speed = braking(time_s, V0, DECEL)
    wave = np.where(time_s >= 2.0, 4000.0 - 1200.0 * np.cos(2 * np.pi * 8.0 * time_s), 0.0)
    turning = rolling(speed) | {"1L": speed * (1.0 - cycling_slip(time_s, 8.0, 2.5, 5.0))}
    flat = pressed(time_s, level=5000.0)
    batch = make_batch(
        time_s, speed, {name: held(time_s, v, 10.0) for name, v in turning.items()}, {PEDAL: pressed(time_s)},
        pressures={"1L": wave, "1R": flat, "2L": flat, "2R": flat},
    )  # fmt: skip
    row = wheels(batch)
    assert row["1L"]["modulation_seen_hz"] == pytest.approx(8.0, rel=0.01)
    assert row["1L"]["modulation_rate_hz"] == pytest.approx(100.0)
    assert [row[name]["modulation_cycles"] for name in FOUR[1:]] == [0, 0, 0]


# --- nothing but the recording decides


@given(shift_us=st.integers(0, 10**12), scale=st.floats(0.7, 1.4))
@settings(max_examples=10, deadline=None, derandomize=True, database=None)
def test_neither_the_clock_nor_the_size_of_speeds_matters(shift_us, scale):
    """Slip is a ratio: all speeds by one factor (no noise, so no depth changes) leave every cycle where it was.

    A hundredth: the reference speed knows noise and deceleration in m/s, so it may move a little.
    """
    batch = cycling(6.0, cycled=FOUR)
    other = replace(
        batch,
        start_us=batch.start_us + shift_us,
        channels=batch.channels | {"speed_mps": scale * batch.channel("speed_mps")},
        wheel_speed_mps=scale * batch.wheel_speed_mps,
    )
    for name, row in wheels(batch).items():
        assert wheels(other)[name]["modulation_cycles"] == row["modulation_cycles"]
        assert wheels(other)[name]["modulation_seen_hz"] == pytest.approx(row["modulation_seen_hz"], rel=0.01)


def test_twice_the_rate_tells_the_same():
    slow, quick = (wheels(cycling(7.0, rate=rate, cycled=FOUR)) for rate in (50.0, 100.0))
    for name in FOUR:
        assert slow[name]["modulation_cycles"] == quick[name]["modulation_cycles"]
        assert slow[name]["modulation_seen_hz"] == pytest.approx(quick[name]["modulation_seen_hz"], rel=0.02)


def test_neighbours_in_the_file_do_not_matter():
    """Events of other vehicles: what is calibrated over a vehicle's own events may well move its figures."""
    made = [cycling(5.0), hopping(0.6, 12.0, 1), ringing(0.3), cycling(9.0, cycled=FOUR)]
    names = (np.array([f"e{n}"], dtype=object) for n in range(len(made)))
    made = [replace(batch, event_id=name, vehicle_id=name) for batch, name in zip(made, names, strict=True)]
    facts = ("event_id", "wheel", "modulation_cycles", "modulation_seen_hz", "once_a_turn")
    alone = [row for batch in made for row in features(batch).wheels.select(facts).to_pylist()]
    assert features(concat(made)).wheels.select(facts).to_pylist() == alone

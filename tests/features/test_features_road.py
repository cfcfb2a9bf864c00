"""Surface, friction curve and the cost of lockups of whole events whose friction is known."""

import numpy as np
import pytest

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.core.units import G_MPS2
from fleetbrake.features.build import features, judge
from fleetbrake.features.road import friction_view, road
from fleetbrake.features.view import event_view
from fleetbrake.kinematics import friction
from fleetbrake.kinematics.friction import CURVES, SETS
from tests.recordings_made import braking, concat, empty_batch, make_batch, pressed, rolling, times

RATE = 50.0
FOUR = ("1L", "1R", "2L", "2R")
KPA = {"brake_pressure_kpa": 9000.0}  # hydraulic: a light vehicle


def made(name, grip, slip_of, *, seconds=6.0, v0=22.0, channels=None, **more):
    """A stop whose deceleration is what the curve gives at ``slip_of(time)`` from 1 s on, all wheels alike."""
    time_s = times(seconds, RATE)
    c1, c2, c3 = SETS[CURVES.index(name)]
    asked = np.clip(np.where(time_s >= 1.0, slip_of(time_s - 1.0), 0.0), 0.0, 1.0)
    z = np.where(time_s >= 1.0, grip * friction.friction(asked, c1, c2, c3) + DEFAULT.rolling_resistance, 0.0)
    step = np.diff(time_s)
    v = v0 - np.concatenate(([0.0], np.cumsum(0.5 * (z[1:] + z[:-1]) * step))) * G_MPS2
    v = np.maximum(v, 0.0)
    pressed_kpa = np.where(time_s >= 1.0, KPA["brake_pressure_kpa"], 0.0)
    found = {"brake_pedal_pct": pressed(time_s, 1.0, level=90.0), "brake_pressure_kpa": pressed_kpa}
    found["accel_long_mps2"] = np.where(v > 0.0, -z * G_MPS2, 0.0)
    return make_batch(time_s, v, rolling(v, slip=asked), found | (channels or {}), **more)


def to_lock(t):
    """Through the peak within half a second, then locked."""
    return np.where(t < 0.6, 0.5 * t, np.minimum(0.3 + 3.0 * (t - 0.6), 1.0))


def cycles(t):
    """A control that keeps the slip around the peak, three cycles a second."""
    return np.minimum(0.5 * t, 0.16 - 0.11 * np.cos(2.0 * np.pi * 3.0 * t))


def row(batch):
    rows = features(batch).events.to_pylist()
    assert len(rows) == 1
    return rows[0]


WORDS = [
    ("asphalt_dry", 0.9, "dry_paved"),
    ("asphalt_wet", 0.85, "wet_paved"),
    ("snow", 1.0, "snow_or_ice"),
    ("loose", 0.95, "loose"),
]


@pytest.mark.parametrize("way", [to_lock, cycles], ids=["to lock", "under control"])
@pytest.mark.parametrize(("name", "grip", "word"), WORDS)
def test_surface_of_a_made_stop(name, grip, word, way):
    found = row(made(name, grip, way))
    assert found["friction_used_up"] is True
    if word == "loose" and way is cycles:  # at the slip of a control, loose and wet ground are alike
        assert found["surface"] in ("loose", "unknown", "wet_paved")
        return
    assert found["surface"] == word
    assert found["surface_probability"] > DEFAULT.surface_least_probability


def test_peak_and_sliding_friction_come_back():
    """To a tenth: the prior of the level pulls, and the deceleration is a mean over some samples."""
    c1, c2, c3 = SETS[CURVES.index("asphalt_dry")]
    found = row(made("asphalt_dry", 0.9, to_lock))
    peak = 0.9 * friction.friction(friction.peak_slip(c1, c2, c3), c1, c2, c3)
    assert found["friction_peak"] == pytest.approx(peak, rel=0.1)
    assert found["friction_sliding"] == pytest.approx(0.9 * friction.friction(1.0, c1, c2, c3), rel=0.1)


def test_the_cost_of_a_lockup_is_the_difference_of_two_stops():
    """From the lock on: v^2 / 2g (1/sliding - 1/peak); to three standard errors and a fifth."""
    batch = made("asphalt_wet", 0.85, to_lock)
    found = row(batch)
    c1, c2, c3 = SETS[CURVES.index("asphalt_wet")]
    peak = 0.85 * friction.friction(friction.peak_slip(c1, c2, c3), c1, c2, c3) + DEFAULT.rolling_resistance
    slide = 0.85 * friction.friction(1.0, c1, c2, c3) + DEFAULT.rolling_resistance
    v1 = features(batch).wheels.to_pylist()[0]["lockup_onset_speed_mps"]
    v2 = DEFAULT.moving_mps
    true = (v1**2 - v2**2) / (2.0 * G_MPS2) * (1.0 / slide - 1.0 / peak)
    assert found["lockup_extra_m"] == pytest.approx(true, rel=0.2)
    assert abs(found["lockup_extra_m"] - true) <= 3.0 * found["lockup_extra_se_m"]


def test_on_loose_ground_a_lockup_saves_distance():
    found = row(made("loose", 0.95, to_lock))
    assert found["surface"] == "loose"
    assert found["lockup_extra_m"] < 0.0
    assert found["lockup_extra_se_m"] > 0.0


def test_without_a_pair_near_the_peak_the_sources_make_the_error():
    """Locked at once: the ratio of sliding to peak is not seen, the error is that of the published sets."""
    seen = row(made("asphalt_wet", 0.85, to_lock))
    hidden = row(made("asphalt_wet", 0.85, lambda t: np.where(t > 0.04, 1.0, 0.0)))
    assert hidden["lockup"] is True
    if hidden["surface"] in ("wet_paved", "dry_paved"):
        share = [r["lockup_extra_se_m"] / r["lockup_extra_m"] for r in (seen, hidden)]
        assert share[1] > 1.5 * share[0]
        assert hidden["friction_peak"] is None
    else:  # a slide alone does not tell wet from loose
        assert hidden["surface"] == "unknown"
        assert hidden["lockup_extra_m"] is None


def test_no_lockup_no_cost():
    found = row(made("asphalt_wet", 0.85, cycles))
    assert found["surface"] == "wet_paved"
    assert found["lockup_extra_m"] is None
    assert found["lockup_extra_se_m"] is None


def test_a_gentle_stop_and_a_laden_truck_at_full_demand_say_nothing_of_the_road():
    """Full demand, little slip, no cycles: the brakes are at their end, the road is not."""
    time_s = times(8.0, RATE)
    for decel, level in ((2.0, 25.0), (4.5, 100.0)):
        speed = braking(time_s, 20.0, decel)
        wheels = rolling(speed, names=("1L", "1R", "2L", "2R", "3L", "3R"), slip=pressed(time_s, level=0.04))
        found = row(make_batch(time_s, speed, wheels, {"brake_pedal_pct": pressed(time_s, level=level)}))
        assert found["friction_used_up"] is False
        assert found["surface"] == "unknown"
        for name in ("surface_probability", "friction_peak", "friction_sliding", "lockup_extra_m"):
            assert found[name] is None, name


def test_one_side_alone_is_split_and_blames_nobody():
    time_s = times(8.0, RATE)
    speed = braking(time_s, 18.0, 3.0)
    slipping = {w: speed * (1.0 - np.clip((time_s - 2.1) / 0.4, 0.0, 1.0)) for w in ("1R", "2R")}
    asked = {"brake_pedal_pct": pressed(time_s), "accel_long_mps2": np.gradient(speed, time_s)}
    found = row(make_batch(time_s, speed, rolling(speed) | slipping, asked))
    assert found["surface"] == "split"
    assert found["lockup_extra_m"] is None
    single = row(make_batch(time_s, speed, rolling(speed) | {"1R": slipping["1R"]}, asked))
    assert single["surface"] == "unknown"
    assert single["friction_used_up"] is False


def test_warm_air_takes_snow_out_and_the_map_brings_loose_in():
    cold = made("snow", 1.2, cycles, channels={"air_temp_c": np.full(301, -4.0)})
    assert row(cold)["surface"] == "snow_or_ice"
    warm = made("snow", 1.2, cycles, channels={"air_temp_c": np.full(301, 25.0)})
    assert (row(warm)["surface_probability"] or 0.0) < row(cold)["surface_probability"]
    alike = made("loose", 0.9, cycles, unpaved=1.0)
    assert row(alike)["surface"] == "loose"


def test_an_event_alone_is_judged_as_in_a_batch():
    """Events of other vehicles do not see each other, and no wheels at all is no error."""
    batches = [made(name, grip, to_lock, event_id=name, vehicle_id=name) for name, grip, _ in WORDS]
    together = features(concat(batches)).events.to_pylist()
    for one, whole in zip(batches, together, strict=True):
        alone = row(one)
        for name in ("surface", "surface_probability", "friction_peak", "lockup_extra_m", "lockup_extra_se_m"):
            assert alone[name] == pytest.approx(whole[name]), name
    assert features(empty_batch()).events.num_rows == 0
    time_s = times(6.0, RATE)
    bare = row(make_batch(time_s, braking(time_s, 20.0, 5.0), None, {"brake_pedal_pct": pressed(time_s)}))
    assert bare["surface"] == "unknown"
    assert bare["friction_used_up"] is None


def test_the_view_holds_pairs_and_the_curve_through_them():
    batch = made("asphalt_dry", 0.9, to_lock)
    seen = friction_view(batch, *judge(batch, DEFAULT, cut=True), DEFAULT)
    assert len(seen.slip) == len(seen.rate) > 10
    # the deceleration is smeared over the quick way to lock: half of the pairs lie within a twentieth of g
    off = np.abs(np.interp(seen.slip, seen.curve_slip, seen.curve_rate) - seen.rate)
    assert np.median(off) < 0.05
    view = event_view(batch)
    np.testing.assert_array_equal(view.friction.rate, seen.rate)


def test_the_view_of_a_gentle_stop_has_pairs_and_no_curve():
    time_s = times(8.0, RATE)
    batch = make_batch(
        time_s, braking(time_s, 20.0, 2.0), rolling(braking(time_s, 20.0, 2.0)), {"brake_pedal_pct": pressed(time_s)}
    )
    seen = friction_view(batch, *judge(batch, DEFAULT, cut=True), DEFAULT)
    assert len(seen.slip) > 10
    assert len(seen.curve_slip) == len(seen.curve_rate) == 0
    assert road(batch, *judge(batch, DEFAULT, cut=True), DEFAULT).pairs.rate.size == 0

"""Tyre curves and their fit against published values and closed forms.

Sets: Burckhardt, standards sheet section 6.2; formula and dry asphalt verified (secondary), the others from memory;
peaks and sliding values computed there.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetbrake.core.units import G_MPS2
from fleetbrake.kinematics import friction
from fleetbrake.kinematics.friction import CURVES, LOOSE, SETS
from tests.recordings_made import times

#: Slip of the peak, peak and sliding friction as the sheet gives them, to its digits.
PUBLISHED = {
    "asphalt_dry": (0.170, 1.170, 0.760),
    "asphalt_wet": (0.131, 0.801, 0.510),
    "concrete_dry": (0.160, 1.090, 0.660),
    "cobblestone_dry": (0.400, 1.000, 0.700),
    "cobblestone_wet": (0.140, 0.380, 0.280),
    "snow": (0.060, 0.190, 0.130),
}


def set_of(name):
    c1, c2, c3 = SETS[CURVES.index(name)]
    return c1, c2, c3


@pytest.mark.parametrize("name", PUBLISHED)
def test_peaks_and_sliding_values_are_the_published_ones(name):
    at, peak, sliding = PUBLISHED[name]
    found = friction.peak_slip(*set_of(name))
    # the sheet rounds to the last digit it prints
    assert found == pytest.approx(at, abs=6e-3)
    assert friction.friction(found, *set_of(name)) == pytest.approx(peak, abs=6e-3)
    assert friction.friction(1.0, *set_of(name)) == pytest.approx(sliding, abs=6e-3)


def test_ice_has_no_peak_before_lock():
    assert friction.peak_slip(*set_of("ice")) == 1.0
    assert friction.friction(1.0, *set_of("ice")) == pytest.approx(0.050, abs=1e-6)
    assert friction.friction(0.01, *set_of("ice")) == pytest.approx(0.95 * 0.05, rel=0.01)


@pytest.mark.parametrize(("slip", "expected"), [(0.05, 0.8683), (0.2, 1.1655), (1.0, 0.7601)])
def test_dry_asphalt_vector(slip, expected):
    """Vector C19 of the standards sheet (computed there from the verified (secondary) set)."""
    assert friction.friction(slip, *set_of("asphalt_dry")) == pytest.approx(expected, abs=5e-5)


def test_loose_curve_is_made_of_its_sources():
    """Wong's best gravel at lock (0.6, from memory); stops under control longer by 27.2 % (NHTSA Task 4, verified)."""
    locked = friction.friction(1.0, *set_of("loose"))
    controlled = friction.friction(friction.MODULATED_SLIP, *set_of("loose"))
    assert locked == pytest.approx(0.6, abs=1e-3)
    assert locked / controlled == pytest.approx(1.272, abs=2e-3)
    assert friction.peak_slip(*set_of("loose")) == 1.0


@given(
    a=st.floats(0.02, 1.5),
    c2=st.floats(3.0, 300.0),
    b=st.floats(-0.3, 0.7),
)
def test_nothing_on_a_curve_is_above_its_peak(a, c2, b):
    slips = np.linspace(0.0, 1.0, 501)
    top = friction.friction(friction.peak_slip(a, c2, b), a, c2, b)
    if a * c2 > b:  # else the force falls from the start, and the peak is no friction
        assert (friction.friction(slips, a, c2, b) <= top + 1e-9).all()


def points_of(time_s, speed, slip, *, extra=0.0, window=0.1, use=None, gap=0.5):
    n = len(time_s)
    share = np.full(slip.shape[0], 0.25)
    return friction.braking_points(
        time_s, speed, np.full(n, extra), slip, share, np.ones(n, bool) if use is None else use,
        np.array([0]), np.array([n]), np.array([window]), np.array([gap]),
    )  # fmt: skip


def test_pairs_of_a_steady_slide():
    """Constant 0.5 g: every pair has it, whatever the window; an upward road is taken off by what makes it level."""
    time_s = times(3.0, 50.0)
    speed = 20.0 - 0.5 * G_MPS2 * time_s
    event, first, last, rate, slip = points_of(time_s, speed, np.full((4, len(time_s)), 0.2))
    assert len(event) == 30
    assert (last - first == 5).all()
    np.testing.assert_allclose(rate, 0.5, rtol=1e-9)
    np.testing.assert_allclose(slip, 0.2, rtol=1e-9)
    uphill = points_of(time_s, speed, np.full((4, len(time_s)), 0.2), extra=-0.05 * G_MPS2)[3]
    np.testing.assert_allclose(uphill, 0.45, rtol=1e-9)


def test_pairs_stop_at_a_hole_and_where_nothing_is_known():
    time_s = np.concatenate((times(1.0, 50.0), 2.0 + times(1.0, 50.0)))
    speed = 20.0 - 4.0 * time_s
    slip = np.full((2, len(time_s)), 0.1)
    assert len(points_of(time_s, speed, slip)[0]) == 20
    slip[:, 10] = np.nan
    assert len(points_of(time_s, speed, slip)[0]) == 18  # the sample is in two windows
    assert len(points_of(time_s, np.full(len(time_s), np.nan), slip)[0]) == 0
    assert len(points_of(time_s, speed, slip, use=np.zeros(len(time_s), bool))[0]) == 0
    assert len(points_of(time_s[:3], speed[:3], slip[:, :3])[0]) == 0


def fitted(slip, rate, mean, cov, weight=1e8):
    """Fits of one event whose pairs have one slip each, all wheels alike: the basis by its kernel."""
    n = len(rate)
    time_s = times(n * 0.2, 10.0)
    held = np.repeat(slip, 2)  # two samples a pair, then the next pair
    up, down = friction.basis(
        time_s, np.tile(held, (4, 1)), np.full(4, 0.25), np.arange(0, 2 * n, 2), np.arange(1, 2 * n, 2), SETS[:, 1]
    )
    return friction.curve_fits(np.zeros(n, np.int64), np.asarray(rate), np.full(n, weight), up, down, mean, cov)


def loose_prior():
    """A prior so wide that it says nothing."""
    mean = np.zeros((1, len(CURVES), 2))
    return mean, np.tile([1e3, 0.0, 1e3], (1, len(CURVES), 1))


@pytest.mark.parametrize("name", [n for n in CURVES if n != "ice"])
@pytest.mark.parametrize("grip", [0.5, 0.7, 1.0, 1.1])
def test_a_noise_free_curve_gives_its_constants_back(name, grip):
    """And of all curves it is the likeliest: residuals zero."""
    k = CURVES.index(name)
    c1, c2, c3 = SETS[k]
    slip = np.array([0.01, 0.03, 0.06, 0.1, 0.15, 0.25, 0.5, 0.8, 1.0])
    rate = grip * friction.friction(slip, c1, c2, c3)
    mean, _, evidence, misfit = fitted(slip, rate, *loose_prior())
    assert mean[0, k] == pytest.approx([grip * c1, grip * c3], rel=1e-5)
    assert misfit[0, k] < 1e-12
    assert evidence[0].argmax() == k


def test_without_a_pair_the_prior_stands():
    mean = np.tile([0.8, 0.3], (2, len(CURVES), 1))
    cov = np.tile([0.04, 0.01, 0.02], (2, len(CURVES), 1))
    none = np.zeros(0)
    found, spread, evidence, misfit = friction.curve_fits(
        none.astype(np.int64), none, none, np.zeros((0, len(CURVES))), none, mean, cov
    )
    np.testing.assert_allclose(found, mean)
    np.testing.assert_allclose(spread, cov)
    np.testing.assert_allclose(evidence, 0.0, atol=1e-12)
    assert np.isnan(misfit).all()


def test_alike_pairs_count_as_few():
    """Fifty pairs of a slide weigh as three; the two on the way there keep their weight."""
    slip = np.concatenate((np.full(50, 1.0), [0.05, 0.17]))
    weight = friction.thinned_weights(np.ones(52), np.zeros(52, np.int64), slip, 3.0)
    assert weight[:50].sum() == pytest.approx(3.0)
    assert weight[50:].tolist() == [1.0, 1.0]
    assert friction.thinned_weights(np.zeros(0), np.zeros(0, np.int64), np.zeros(0), 3.0).size == 0


def cost(v1, a, c2, b, instead, *, extra=0.0, rolling=0.0, locked=(1, 1, 1, 1), slips=(1.0, 1.0, 1.0, 1.0)):
    """Of a slide from ``v1`` to rest at the rate that the curve gives."""
    mu = friction.friction(np.array(slips), a, c2, b).mean() + rolling - extra / G_MPS2
    time_s = np.linspace(0.0, v1 / (mu * G_MPS2), 2001)
    speed = v1 - mu * G_MPS2 * time_s
    n = len(time_s)
    return friction.lock_cost(
        time_s, speed, np.full(n, extra), np.tile(np.array(slips)[:, None], (1, n)), np.full(4, 0.25),
        np.tile(np.array(locked, bool)[:, None], (1, n)), np.array([0]), np.array([n]), np.array([c2]),
        np.array([[[a, b]]]), np.array([[instead]]), rolling,
    )[0, 0]  # fmt: skip


@pytest.mark.parametrize("v1", [8.0, 20.0])
@pytest.mark.parametrize("name", ["asphalt_dry", "asphalt_wet", "snow"])
def test_a_locked_stop_costs_the_difference_of_two_stopping_distances(v1, name):
    """v1^2 / (2 g) (1 / sliding - 1 / peak); trapezoids of a straight line are exact."""
    c1, c2, c3 = set_of(name)
    at = float(friction.peak_slip(c1, c2, c3))
    peak, slide = friction.friction(at, c1, c2, c3), friction.friction(1.0, c1, c2, c3)
    expected = v1**2 / (2.0 * G_MPS2) * (1.0 / slide - 1.0 / peak)
    assert cost(v1, c1, c2, c3, at) == pytest.approx(expected, rel=1e-6)


def test_on_loose_ground_a_lock_saves_distance():
    """As much as the source says: the stop under control is 27.2 % longer (NHTSA Task 4, verified)."""
    c1, c2, c3 = SETS[LOOSE]
    slid = 15.0**2 / (2.0 * G_MPS2 * friction.friction(1.0, c1, c2, c3))
    assert cost(15.0, c1, c2, c3, friction.MODULATED_SLIP) == pytest.approx(-0.272 * slid, rel=0.01)


def test_one_locked_wheel_of_four_costs_its_share_and_a_slope_makes_it_dearer():
    c1, c2, c3 = set_of("asphalt_wet")
    at = float(friction.peak_slip(c1, c2, c3))
    one = cost(20.0, c1, c2, c3, at, locked=(1, 0, 0, 0), slips=(1.0, at, at, at))
    peak, slide = friction.friction(at, c1, c2, c3), friction.friction(1.0, c1, c2, c3)
    mixed = 0.25 * slide + 0.75 * peak
    assert one == pytest.approx(20.0**2 / (2.0 * G_MPS2) * (1.0 / mixed - 1.0 / peak), rel=1e-6)
    level, down = (cost(20.0, c1, c2, c3, at, extra=0.05 * G_MPS2 * x) for x in (0.0, 1.0))
    assert down > level > one > 0.0


def test_no_lock_costs_nothing_and_an_unknown_speed_leaves_it_open():
    c1, c2, c3 = set_of("asphalt_dry")
    assert cost(20.0, c1, c2, c3, 0.17, locked=(0, 0, 0, 0)) == 0.0
    assert np.isnan(cost(np.nan, c1, c2, c3, 0.17))

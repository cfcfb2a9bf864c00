"""Friction used up, sides that differ, and the surface named from fitted curves."""

from dataclasses import replace

import numpy as np
import pytest

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.detection import surface
from fleetbrake.kinematics import friction
from fleetbrake.kinematics.friction import CURVES, SETS

NAN = float("nan")
LEFT = np.array([True, False, True, False])
FRONT = np.array([True, True, False, False])


def marks(*events):
    """Wheels by events from one tuple an event."""
    return np.array(events, bool).T


def test_one_bad_wheel_says_more_of_itself_than_of_the_road():
    struggling = marks((1, 0, 0, 0), (1, 0, 1, 0), (1, 1, 1, 1), (0, 0, 0, 0), (1, 1, 1, 1))
    sensed = np.ones((4, 5), bool)
    sensed[:, 4] = False
    assert surface.friction_used_up(struggling, sensed, FRONT).tolist() == [0, 1, 1, 0, -1]


def test_both_front_wheels_are_enough_of_six():
    """The front axle of three at its limit, the rear ones kept under the peak: the road gave what it has there."""
    front = np.array([True, True, False, False, False, False])
    struggling = marks((1, 1, 0, 0, 0, 0), (1, 0, 0, 1, 0, 0), (0, 0, 1, 1, 0, 0), (0, 0, 1, 1, 1, 0))
    assert surface.friction_used_up(struggling, np.ones((6, 4), bool), front).tolist() == [1, 0, 0, 1]


def sides(struggling, *, cycles=None, slip=None, yaw=NAN, rate=0.3, locked=None):
    bad = marks(struggling)
    return surface.Sides(
        struggling=bad,
        sensed=np.ones((4, 1), bool),
        locked=marks(locked or (0, 0, 0, 0)),
        cycles=np.array(cycles or (0, 0, 0, 0)).reshape(4, 1),
        mean_slip=np.array(slip or (0.1, 0.1, 0.1, 0.1)).reshape(4, 1),
        yaw_radps=np.array([yaw]),
        rate=np.array([rate]),
        left=LEFT,
        front=FRONT,
    )


SPLIT_CASES = [
    # one side alone struggles; with a yaw rate or without
    (sides((1, 0, 1, 0)), True),
    (sides((0, 1, 0, 1), yaw=0.05), True),
    # a single bad wheel, and a bad axle, are no split
    (sides((1, 0, 0, 0), yaw=-0.05), False),
    (sides((1, 1, 0, 0)), False),
    # both sides struggle; the vehicle turns to the right, the left wheels slip more: the left is poorer
    (sides((1, 1, 1, 0), yaw=-0.06, slip=(0.3, 0.15, 0.3, 0.05)), True),
    # the same turn in a bend: the inner, right wheels slip more
    (sides((1, 1, 1, 1), yaw=-0.06, slip=(0.1, 0.2, 0.1, 0.2)), False),
    # the control of the poorer side cycles more slowly
    (sides((1, 1, 1, 1), yaw=-0.06, cycles=(4, 11, 3, 3)), True),
    (sides((1, 1, 1, 1), yaw=-0.06, cycles=(11, 4, 3, 3)), False),
    # all locked: nothing but the sides can turn it
    (sides((1, 1, 1, 1), yaw=0.06, locked=(1, 1, 1, 1)), True),
    (sides((1, 1, 1, 1), yaw=0.02, locked=(1, 1, 1, 1)), False),
    # without a yaw rate: the front wheels' cycles differ and only the slower side cycles behind
    (sides((1, 1, 1, 0), cycles=(4, 11, 5, 0)), True),
    (sides((1, 1, 1, 1), cycles=(4, 11, 5, 5)), False),
    (sides((1, 1, 0, 1), cycles=(4, 11, 0, 5)), False),
]


@pytest.mark.parametrize(("given", "expected"), SPLIT_CASES, ids=range(len(SPLIT_CASES)))
def test_sides_that_differ(given, expected):
    assert surface.split(given, DEFAULT).tolist() == [expected]


def test_no_wheels_and_no_events():
    empty = np.zeros((0, 2), bool)
    none = np.zeros(0, bool)
    assert surface.friction_used_up(empty, empty, none).tolist() == [-1, -1]
    floats = np.full(2, NAN)
    bare = surface.Sides(empty, empty, empty, empty.astype(int), empty.astype(float), floats, floats, none, none)
    assert surface.split(bare, DEFAULT).tolist() == [False, False]
    code, sure = surface.surface(
        probability=np.zeros((0, len(CURVES))), fits=none, used_up=np.zeros(0, np.int8), split=none, criteria=DEFAULT
    )
    assert code.size == sure.size == 0


def named(probability, *, fits=True, used=1, split=False):
    code, sure = surface.surface(
        probability=np.array([probability], float),
        fits=np.array([fits]),
        used_up=np.array([used], np.int8),
        split=np.array([split]),
        criteria=DEFAULT,
    )
    return int(code[0]), float(sure[0])


def likely(**curves):
    """Probabilities by curve name, in the order of the curves."""
    return tuple(curves.get(name, 0.0) for name in CURVES)


DRY = likely(asphalt_dry=0.5, concrete_dry=0.4, asphalt_wet=0.1)


def test_a_surface_is_named_only_where_friction_was_used_up_and_one_is_clearly_likeliest():
    assert named(DRY) == (surface.DRY, pytest.approx(0.9))
    for more in ({"used": 0}, {"used": -1}, {"fits": False}):
        code, sure = named(DRY, **more)
        assert code == surface.UNKNOWN
        assert np.isnan(sure)
    assert named(likely(asphalt_dry=0.3, concrete_dry=0.1, asphalt_wet=0.3, loose=0.3))[0] == surface.UNKNOWN
    assert named(likely(snow=0.3, ice_slow=0.6, loose=0.1))[0] == surface.SNOW_ICE
    code, sure = named(DRY, used=0, split=True)
    assert code == surface.SPLIT
    assert np.isnan(sure)


def test_air_and_map_help():
    """Equal evidence: what was likely beforehand, moved by the air and the map."""
    flat = np.zeros((5, len(CURVES)))
    air = np.array([NAN, 2.0, 20.0, NAN, NAN])
    found = surface.posterior(flat, air, np.array([NAN, NAN, NAN, 1.0, 0.0]), DEFAULT)
    snow = found[:, surface.SURFACE_OF == surface.SNOW_ICE].sum(axis=1)
    loose = found[:, friction.LOOSE]
    np.testing.assert_allclose(found.sum(axis=1), 1.0)
    np.testing.assert_allclose(found[0], surface.BEFOREHAND / surface.BEFOREHAND.sum())
    assert snow[1] == pytest.approx(snow[0])
    odds = snow / (1.0 - snow)
    assert odds[2] == pytest.approx(odds[0] * surface.WARM)
    odds = loose / (1.0 - loose)
    assert odds[3] == pytest.approx(odds[0] * DEFAULT.map_trust)
    assert odds[4] == pytest.approx(odds[0] / DEFAULT.map_trust)
    assert surface.BEFOREHAND.sum() == pytest.approx(1.0)
    assert len(surface.BEFOREHAND) == len(surface.SURFACE_OF) == len(SETS)


def test_priors_hold_the_published_levels():
    """Wong's peaks (from memory) are no strangers to the prior of their surface: within 2.3 standard errors, 98 %."""
    wong = {"asphalt_dry": (0.8, 0.9), "asphalt_wet": (0.5, 0.7), "snow": (0.2, 0.2), "ice": (0.1, 0.1),
            "loose": (0.55, 0.6)}  # fmt: skip
    mean, cov = surface.beliefs(np.array([-1, 0, 1], np.int8), DEFAULT)
    for name, (low, high) in wong.items():
        k = CURVES.index(name)
        c1, c2, c3 = SETS[k]
        at = friction.peak_slip(c1, c2, c3) if name != "loose" else 1.0
        grips = mean[:, k, 0] / c1
        spread = np.sqrt(cov[:, k, 0]) / c1
        for peak in (low, high):
            need = peak / friction.friction(at, c1, c2, c3)
            assert (np.abs(need - grips) <= 2.3 * spread).all(), name


#: D, B, C, E of the Magic Formula as a simulation library's page gives them (formula verified; sets from memory).
MAGIC = {
    "dry": ((1.0, 10.0, 1.9, 0.97), surface.DRY),
    "wet": ((0.82, 12.0, 2.3, 1.0), surface.WET),
    "snow": ((0.3, 5.0, 2.0, 1.0), surface.SNOW_ICE),
    "ice": ((0.1, 4.0, 2.0, 1.0), surface.SNOW_ICE),
}


def magic(slip, d, b, c, e):
    x = b * slip
    return d * np.sin(c * np.arctan(x - e * (x - np.arctan(x))))


@pytest.mark.parametrize("road", MAGIC)
def test_pairs_from_another_tyre_model_give_the_same_word(road):
    """A car's tyres by another formula. The slow curves of snow and ice were made after it; dry and wet were not."""
    constants, expected = MAGIC[road]
    slip = np.array([0.01, 0.02, 0.04, 0.07, 0.11, 0.16, 0.25, 0.4, 0.7, 1.0])
    rate = magic(slip, *constants)
    variance = (DEFAULT.pair_model_error * rate) ** 2 + DEFAULT.pair_least_error**2
    up, down = -np.expm1(-np.outer(slip, SETS[:, 1])), -slip
    mean, cov = surface.beliefs(np.zeros(1, np.int8), DEFAULT)
    evidence = friction.curve_fits(np.zeros(10, np.int64), rate, 1.0 / variance, up, down, mean, cov)[2]
    unknown = np.array([NAN])
    chance = surface.posterior(evidence, unknown, unknown, DEFAULT)
    code, _ = surface.surface(
        probability=chance,
        fits=np.ones(1, bool),
        used_up=np.ones(1, np.int8),
        split=np.zeros(1, bool),
        criteria=replace(DEFAULT, surface_least_probability=0.5),
    )
    assert code[0] == expected

"""FMVSS 121 Table II, 49 CFR 393.52 and stopping sight distances, as recordings through ingest."""

from collections.abc import Callable
from math import ceil

import numpy as np
import pytest
from product_run import Published, Stop, stops_file

from fleetbrake.core.units import FOOT, G_MPS2, MPH

#: These made stops begin with a step of the deceleration, which the reference speed takes for a very steep ramp.
STEP = 5e-4

Run = Callable[..., Published]

# --- FMVSS 121 (49 CFR 571.121) Table II, stopping distances in ft on a dry road. Status: verified.
SPEEDS_MPH = (30, 35, 40, 45, 50, 55, 60)
FMVSS_121_TABLE_II = {
    "buses": (70, 96, 125, 158, 195, 236, 280),
    "loaded single-unit": (78, 106, 138, 175, 216, 261, 310),
    "loaded tractor, typical": (65, 89, 114, 144, 176, 212, 250),
    "loaded tractor, severe": (78, 106, 138, 175, 216, 261, 310),
    "unloaded single-unit": (84, 114, 149, 189, 233, 281, 335),
    "bobtail": (61, 84, 108, 136, 166, 199, 235),
    "emergency, all but tractors": (170, 225, 288, 358, 435, 520, 613),
    "emergency, bobtail": (186, 250, 325, 409, 504, 608, 720),
}
# Lag in s and deceleration in ft/s2 of S = v t + v^2 / 2a. Status: computed; stated with a greatest error of 1.1 ft.
LAG_AND_DECELERATION = {
    "buses": (0.015, 13.9),
    "loaded single-unit": (0.02, 12.55),
    "loaded tractor, severe": (0.02, 12.55),
    "loaded tractor, typical": (0.14, 16.25),
    "bobtail": (0.135, 17.3),
    "emergency, all but tractors": (0.77, 7.1),
}
HARD = 3.0  # m/s2, edge definition of a hard stop for M2, M3, N2, N3


def _fitted(feet: tuple[int, ...]) -> tuple[float, float]:
    """Lag and deceleration of a column for which none was stated: least squares on both terms."""
    v = np.array(SPEEDS_MPH) * MPH / FOOT
    lag, half_inverse = np.linalg.lstsq(np.column_stack((v, v * v)), np.array(feet, float), rcond=None)[0]
    return float(lag), float(0.5 / half_inverse)


def test_fmvss_121_table_ii(published: Run) -> None:
    """All rows within 1.25 ft of stops with one lag and one deceleration a column (the columns do not share a lag).

    1.1 ft is the stated error of the fit; the digits of its pairs (bobtail: 0.135 s, 17.3 ft/s2) add 0.1 ft, and the
    way from 0.3 m/s to standstill 0.03 ft.
    """
    fitted = {name: LAG_AND_DECELERATION.get(name) or _fitted(feet) for name, feet in FMVSS_121_TABLE_II.items()}
    stops = [
        (f"{name} {mph}", Stop(mph * MPH, decel * FOOT, lag_s=lag))
        for name, (lag, decel) in fitted.items()
        for mph in SPEEDS_MPH
    ]
    vehicle = {"vehicle_id": "V1", "category": "N3", "axles": 2, "actuation": "air"}
    events = published({"table.parquet": stops_file(stops)}, vehicles=[vehicle]).events
    for name, feet in FMVSS_121_TABLE_II.items():
        got = [events.braking_distance_m[f"{name} {mph}"] / FOOT for mph in SPEEDS_MPH]
        assert got == pytest.approx(feet, abs=1.25)
    # service stops of every class are hard stops of a heavy vehicle; those with a failed circuit are not
    hard = {name: set(events.hard_stop[[f"{name} {mph}" for mph in SPEEDS_MPH]]) for name in FMVSS_121_TABLE_II}
    assert hard == {name: {decel * FOOT >= HARD} for name, (_, decel) in fitted.items()}
    assert hard["buses"] == {True}
    assert hard["emergency, bobtail"] == {False}


# --- 49 CFR 393.52(d) from 20 mph. Status: verified. Deceleration ft/s2 -> % of weight, distance limits ft of classes.
CFR_393_52 = {21: (65.2, (20,)), 17: (52.8, (25,)), 14: (43.5, (35, 40))}
# v^2/2a of the listed deceleration, computed: longer than the limit in the first two classes (known disagreement: the
# deceleration column is a peak and must not be used to compute the distance column, notes (a) to (e)).
PURE_FT = {21: 20.49, 17: 25.31, 14: 30.73}


def test_cfr_393_52(published: Run) -> None:
    stops = [(f"{a}", Stop(20 * MPH, a * FOOT)) for a in CFR_393_52]
    events = published({"in_service.parquet": stops_file(stops)}).events
    for decel, (percent, limits) in CFR_393_52.items():
        row = events.loc[f"{decel}"]
        assert row.peak_decel_mps2 / FOOT == pytest.approx(decel, rel=STEP)
        # printed to 0.1 %; the regulation divides by 32.2 ft/s2, g is 32.174
        assert row.friction_used * 100 * G_MPS2 / (32.2 * FOOT) == pytest.approx(percent, abs=0.05)
        feet = row.braking_distance_m / FOOT
        # printed to 0.005 ft, and 0.3 m/s left at the end of the braking phase
        assert feet == pytest.approx(PURE_FT[decel], abs=0.005 + 0.3**2 / (2 * decel * FOOT) / FOOT)
        assert all((feet > limit) == (decel in (21, 17)) for limit in limits)


def test_cfr_393_52_decelerations_are_peaks(published: Run) -> None:
    """Notes (a) to (e), verified: the deceleration is the greatest of the stop, so a slow rise leaves it alone.

    The slack of the 35 ft limit at 14 ft/s2 is 0.146 s (computed): a rise of 0.29 s (half of it counts) just meets it.
    """
    stops = [
        ("slow rise", Stop(20 * MPH, 14 * FOOT, rise_s=0.290)),
        ("too slow", Stop(20 * MPH, 14 * FOOT, rise_s=0.31)),
    ]
    events = published({"peaks.parquet": stops_file(stops)}).events
    assert (events.peak_decel_mps2 / FOOT).tolist() == pytest.approx([14, 14], rel=STEP)
    feet = (events.braking_distance_m + 0.3**2 / (2 * 14 * FOOT)) / FOOT
    assert feet["slow rise"] < 35.0 < feet["too slow"]


# --- AASHTO stopping sight distance, mph -> ft: Highway Engineering Handbook Table 2.2, p. 79. Status: verified.
AASHTO_FT = {
    20: 115, 21: 120, 22: 130, 23: 140, 24: 145, 25: 155, 26: 165, 27: 170, 28: 180, 29: 190, 30: 200, 31: 210, 32: 220,
    33: 230, 34: 240, 35: 250, 36: 260, 37: 270, 38: 280, 39: 290, 46: 375, 47: 385, 48: 400, 49: 415, 50: 425, 51: 440,
    52: 455, 53: 465, 54: 480, 55: 495, 56: 510, 57: 525, 58: 540, 59: 555, 60: 570, 61: 585, 62: 600, 63: 615, 64: 630,
    65: 645,
}  # fmt: skip
# Metric table: from memory; km/h -> m.
AASHTO_M = {
    20: 20, 30: 35, 40: 50, 50: 65, 60: 85, 70: 105, 80: 130, 90: 160, 100: 185, 110: 220, 120: 250, 130: 285,
}  # fmt: skip


def _up_to_5(value: float) -> int:
    return 5 * ceil(value / 5)


def test_aashto_table(published: Run) -> None:
    """Braking part through ingest at 11.2 ft/s2, reaction part 1.47 V 2.5 s as the manual has it (verified).

    Design values are rounded up to 5 ft. All 40 must come out.
    """
    assert len(AASHTO_FT) == 40
    stops = [(f"{mph}", Stop(mph * MPH, 11.2 * FOOT)) for mph in AASHTO_FT]
    feet = published({"sight.parquet": stops_file(stops, rate_hz=50.0)}).events.braking_distance_m / FOOT
    assert {mph: _up_to_5(1.47 * mph * 2.5 + feet[f"{mph}"]) for mph in AASHTO_FT} == AASHTO_FT


def test_aashto_metric_table(published: Run) -> None:
    """0.278 V 2.5 s + 0.039 V^2 / 3.4, rounded up to 5 m (constants from memory; 3.4 m/s2 is 11.2 ft/s2, verified).

    0.039 is rounded from 1/25.92: the vehicle brakes with the 3.363 m/s2 for which that constant is exact.
    """
    stops = [(f"{kmh}", Stop(kmh / 3.6, 3.4 / (0.039 * 25.92))) for kmh in AASHTO_M]
    metres = published({"sight.parquet": stops_file(stops, rate_hz=50.0)}).events.braking_distance_m
    assert {kmh: _up_to_5(0.278 * kmh * 2.5 + metres[f"{kmh}"]) for kmh in AASHTO_M} == AASHTO_M

"""Published tables of stopping distance and deceleration, as recordings through ingest.

Every row of a table becomes a recording in closed form (dead time, then constant deceleration); what is compared are
columns of the published ``events``. The braking phase ends at 0.3 m/s, so a distance may be short by 0.3^2 / 2a.
"""

from math import ceil
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from product_run import Stop, Together, publish_together, stops_file

from fleetbrake.core.units import FOOT, KMH, MPH

#: These made stops begin with a step of the deceleration, which the reference speed takes for a very steep ramp.
STEP = 5e-4

#: Recordings of each test by a name, which is that of the file.
FILES: dict[str, pa.Table] = {}


def recorded(name: str, stops: list[tuple[str, Stop]], **how: Any) -> None:
    """Stops that go through the one run of this file."""
    FILES[name] = stops_file(stops, **how)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Together:
    """All recordings in one run."""
    return publish_together(tmp_path_factory.mktemp("tables"), FILES)


def end_m(decel_mps2: float) -> float:
    """Distance that is left when the speed reaches the 0.3 m/s at which the braking phase ends."""
    return 0.3**2 / (2.0 * decel_mps2)


# --- FMVSS 105 (49 CFR 571.105) Table III: deceleration in ft/s2 -> equivalent stopping distance from 60 mph in ft.
# Status: verified. 13 entries are v^2/2a rounded up; 9.5 and 6.7 are printed 1 and 2 ft longer (known disagreement).
FMVSS_105_TABLE_III = {
    16.0: 242, 14.0: 277, 13.0: 298, 12.0: 323, 11.0: 352, 10.0: 388, 9.5: 409, 9.0: 431,
    8.5: 456, 8.0: 484, 7.5: 517, 7.0: 554, 6.7: 580, 6.5: 596, 6.0: 646,
}  # fmt: skip
PRINTED_TOO_LONG_FT = {9.5: 1, 6.7: 2}


RATES_HZ = (50.0, 100.0)
for rate in RATES_HZ:
    recorded(f"table {rate}", [(f"{a}", Stop(60 * MPH, a * FOOT)) for a in FMVSS_105_TABLE_III], rate_hz=rate)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_fmvss_105_table_iii(run: Together, rate_hz: float) -> None:
    feet = run[f"table {rate_hz}"].events.braking_distance_m / FOOT
    rounded_up = {a: ceil(feet[f"{a}"]) for a in FMVSS_105_TABLE_III}
    assert rounded_up == {a: feet_ - PRINTED_TOO_LONG_FT.get(a, 0) for a, feet_ in FMVSS_105_TABLE_III.items()}


recorded("fade", [(f"{a}", Stop(60 * MPH, a * FOOT)) for a in (7, 6, 12)])


def test_fmvss_105_fade_requirements(run: Together) -> None:
    """S5.1.3 (verified): 7, 6 and 12 ft/s2 from 60 mph are 554, 646 and 323 ft; the deceleration comes back."""
    events = run["fade"].events
    assert [ceil(d / FOOT) for d in events.braking_distance_m] == [554, 646, 323]
    assert (events.mfdd_mps2 / FOOT).tolist() == pytest.approx([7, 6, 12], rel=1e-6)
    assert (events.peak_decel_mps2 / FOOT).tolist() == pytest.approx([7, 6, 12], rel=STEP)


# --- FMVSS 135 (49 CFR 571.135): S = 0.10 V + c V^2, metres and km/h. Status: verified (limits and formulas); the
# decelerations 1/(25.92 c) are computed. UN R13-H Annex 3 has 0.0060, 0.0067 and 0.0158 with these MFDD (from memory).
# c -> (speed km/h, printed limit m or None, deceleration m/s2)
FMVSS_135 = {
    0.0060: (100, 70, 6.43),
    0.0067: (160, None, 5.76),
    0.0075: (100, 85, 5.14),
    0.0079: (100, 89, 4.88),
    0.0100: (100, 110, 3.86),
    0.0158: (100, 168, 2.44),
}


for rate in RATES_HZ:
    limits = [(f"{c}", Stop(v * KMH, 1 / (25.92 * c), lag_s=0.36)) for c, (v, _, _) in FMVSS_135.items()]
    recorded(f"limits {rate}", limits, rate_hz=rate)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_fmvss_135_distances_and_mfdd(run: Together, rate_hz: float) -> None:
    """0.10 V is 0.36 s of dead time; it must be in the distance and must not be in the MFDD."""
    events = run[f"limits {rate_hz}"].events
    for c, (v, limit, decel) in FMVSS_135.items():
        row = events.loc[f"{c}"]
        assert row.braking_distance_m == pytest.approx(0.10 * v + c * v * v, abs=end_m(decel))
        if limit is not None:
            assert round(row.braking_distance_m) == limit
        assert row.mfdd_mps2 == pytest.approx(decel, abs=0.005)  # printed to two decimals
        # dead time lengthens the way, so the mean over the whole way is lower than the fully developed one
        assert row.mean_decel_mps2 < row.mfdd_mps2


recorded("hot", [(name, Stop(100 * KMH, share * 6.43, lag_s=0.36)) for name, share in (("cold", 1.0), ("hot", 0.62))])


def test_fmvss_135_hot_stop_share(run: Together) -> None:
    """S7.14.4 (verified): a hot stop needs 60 % of the cold deceleration; two events say what it has."""
    events = run["hot"].events
    assert events.mfdd_mps2["hot"] / events.mfdd_mps2["cold"] == pytest.approx(0.62, rel=1e-6)


# --- UN R13 Annex 4 section 2 (from memory; limits computed): dead time s, v^2 divisor, speed km/h, limit m, MFDD m/s2.
R13 = {
    "M2, M3, N2, N3": (0.54, 130.0, 60, 36.69, 5.0),
    "N1": (0.54, 130.0, 80, 61.23, 5.0),
    "M1, old form": (0.36, 150.0, 80, 50.67, 5.8),
    "engine connected, N3": (0.54, 103.5, 90, 0.15 * 90 + 90**2 / 103.5, 4.0),
    "secondary, M2 and M3": (0.54, 65.0, 60, 0.15 * 60 + 2 * 60**2 / 130, 2.5),
    "secondary, N2": (0.54, 57.5, 50, 0.15 * 50 + 2 * 50**2 / 115, 2.2),
}


recorded("r13", [(name, Stop(v * KMH, d / 25.92, lag_s=lag)) for name, (lag, d, v, _, _) in R13.items()])


def test_r13_pairs_of_distance_and_mfdd(run: Together) -> None:
    """Distance to the printed digits; MFDD to 1 %: the divisors are rounded (130 for 129.6, 115 for 114.0)."""
    events = run["r13"].events
    for name, (_, _, _, limit, mfdd) in R13.items():
        assert events.braking_distance_m[name] == pytest.approx(limit, abs=0.005 + end_m(mfdd))
        assert events.mfdd_mps2[name] == pytest.approx(mfdd, rel=0.01)


# --- MFDD worked through by hand from UN R13 Annex 4, 1.1.2 (formula verified; vectors C1 to C3 computed).
VECTORS = [
    ("C1", Stop(100 * KMH, 6.43, lag_s=0.36)),
    ("C1 without dead time", Stop(100 * KMH, 6.43)),
    ("C2", Stop(60 * KMH, 5.0)),
    ("C3", Stop(100 * KMH, 6.0, rise_s=0.5)),
    ("stops at 15 %", Stop(100 * KMH, 6.0, to_mps=15 * KMH)),
]
recorded("mfdd", VECTORS)


def test_mfdd_vectors(run: Together) -> None:
    events = run["mfdd"].events
    mfdd, distance = events.mfdd_mps2, events.braking_distance_m
    assert distance["C1"] == pytest.approx(70.00, abs=0.005 + end_m(6.43))
    assert mfdd["C1"] == pytest.approx(6.430, abs=5e-4)
    assert mfdd["C1"] == pytest.approx(mfdd["C1 without dead time"], rel=1e-6)
    assert mfdd["C2"] == pytest.approx(5.000, abs=5e-4)
    # the rise ends above 80 % of the speed: it is in the distance and not in the MFDD
    assert distance["C3"] == pytest.approx(71.18, abs=0.005 + end_m(6.0))
    assert (100 * KMH) ** 2 / (2 * distance["C3"]) == pytest.approx(5.42, abs=0.006)
    assert mfdd["C3"] == pytest.approx(6.00, abs=0.005)
    assert np.isnan(mfdd["stops at 15 %"])  # the speed never fell through the whole band


class TwoSteps(Stop):
    """From 30 m/s at 6 m/s2 down to 15 m/s, then at 3 m/s2 to standstill."""

    end_s = 7.5  # type: ignore[assignment]

    def speed(self, time_s: np.ndarray) -> np.ndarray:
        falling = np.where(time_s < 2.5, 30.0 - 6.0 * np.maximum(time_s, 0.0), 15.0 - 3.0 * (time_s - 2.5))
        return np.maximum(falling, 0.0)


recorded("steps", [("two steps", TwoSteps(30.0, 6.0))])


def test_mfdd_of_a_changing_deceleration_is_a_mean_over_distance(run: Together) -> None:
    """Computed: v_b = 24, v_e = 3 m/s; 24 to 15 m/s at 6 m/s2 take 29.25 m, 15 to 3 m/s at 3 m/s2 take 36 m.

    Mean over distance (24^2 - 3^2) / (2 * 65.25) = 4.345 m/s2; over time it would be 21 / 5.5 = 3.818. The regulation's
    mean is the first; 0.01 because the speed has a kink between two samples at most.
    """
    events = run["steps"].events
    assert events.mfdd_mps2["two steps"] == pytest.approx(4.345, abs=0.01)

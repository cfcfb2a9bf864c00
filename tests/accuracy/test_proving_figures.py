"""The figures of the proving fleet on tables small enough to be worked out by hand."""

from typing import Any

import numpy as np
import pandas as pd
import pytest
from benchmarks.proving.ceiling import known_days
from benchmarks.proving.figures import (
    Figure,
    Scored,
    calibration,
    driver_figures,
    known_environment,
    vehicles,
    wheel_answers,
)

AS_OF = "2026-03-05"


def fault(vehicle: str, indicator: str, wheel: str | None = None, **changed: Any) -> dict[str, Any]:
    values = {"begin": "2026-02-01", "end": None, "showed": 5, "recordable": True}
    return {"vehicle_id": vehicle, "indicator": indicator, "wheel": wheel} | values | changed


@pytest.fixture
def scored() -> Scored:
    rows = [
        # found, right indicator and wheel; found, right indicator, wrong wheel; found, wrong indicator
        ("A", 1, 5.0, "this_week", "side_imbalance", "1L"),
        ("B", 2, 20.0, "watch", "brake_drag", "2L"),
        ("C", 3, 40.0, "watch", "slow_response", None),
        # not found; showed too seldom; no channel; repaired; sound
        ("D", 4, 90.0, "no_sign", None, None),
        ("E", 5, 96.0, "no_sign", None, None),
        ("F", 6, 96.0, "no_sign", None, None),
        ("G", 7, 97.0, "no_sign", None, None),
        ("H", 8, np.nan, "too_little_evidence", None, None),
        ("TR-1", 9, 50.0, "watch", None, None),
    ]
    columns = ["vehicle_id", "rank", "health_score", "priority", "leading_indicator", "suspect_wheel"]
    faults = [
        fault("A", "side_imbalance", "1L"),
        fault("B", "brake_drag", "2R"),
        fault("C", "brake_fade"),
        fault("D", "brake_fade", showed=3),
        fault("E", "brake_fade", showed=2),
        fault("F", "brake_fade", recordable=False),
        fault("G", "brake_fade", end="2026-02-20"),
    ]
    drivers = [
        # rate, thousands of km, stops, incidents
        {"driver_id": "p", "rate_per_1000km": 1.0, "exposure_1000km": 2.0, "hard_stops": 2, "incidents": 2},
        {"driver_id": "q", "rate_per_1000km": 2.0, "exposure_1000km": 2.0, "hard_stops": 4, "incidents": 4},
        {"driver_id": "r", "rate_per_1000km": 3.0, "exposure_1000km": 4.0, "hard_stops": 12, "incidents": 12},
    ]
    published = pd.DataFrame(
        {
            "driver_id": ["p", "q", "r"],
            "hard_stops": [2, 4, 12],
            "hard_stops_per_1000km": [3.0, 2.0, 1.0],
            "adjusted_hard_stops_per_1000km": [1.0, 2.5, 3.0],
            "adjusted_low": [0.5, 2.1, 2.0],
            "adjusted_high": [1.5, 3.0, 4.0],
        }
    )
    truth = {
        "as_of": AS_OF,
        "faults": faults,
        "drivers": drivers,
        "harsh_or_slippery": {"harsh_drivers": ["H"], "slippery_routes": ["G", "H"]},
    }
    empty = pd.DataFrame()
    return Scored(truth, pd.DataFrame(rows, columns=columns), empty, published, pd.Series(dtype=float))


def test_who_is_faulty_and_who_is_judged(scored: Scored) -> None:
    table = vehicles(scored).set_index("vehicle_id")
    assert "TR-1" not in table.index
    assert list(table.index[table["faulty"]]) == list("ABCDEF")
    assert list(table.index[~table["shown"]]) == ["E"]
    assert list(table.index[~table["judged"]]) == ["E", "F"]
    assert list(table.index[table["found"]]) == list("ABC")
    assert list(table.index[table["right"]]) == list("AB")
    assert list(table.index[table["left_alone"]]) == ["G", "H"]
    assert wheel_answers(vehicles(scored)) == [True, False]


def test_calibration_counts_every_vehicle_with_a_score(scored: Scored) -> None:
    curve = calibration(vehicles(scored))
    assert curve["vehicles"].sum() == 7
    # D says 0.10; E and F 0.04, G 0.03: in the first bin, of which G alone is sound
    low = curve.iloc[0]
    assert low["vehicles"] == 3
    assert low["said"] == pytest.approx((0.04 + 0.04 + 0.03) / 3)
    assert low["faulty"] == pytest.approx(2 / 3)


def test_driver_figures_by_hand(scored: Scored) -> None:
    values = {f.title.strip(): f.value for f in driver_figures(scored)}
    assert values["Spearman with the true rate: raw rate"] == pytest.approx(-1.0)
    assert values["adjusted rate (target: above the raw one)"] == pytest.approx(1.0)
    assert values["90 % intervals that hold the true rate"] == pytest.approx(2 / 3)
    assert values["adjusted over true rate, median"] == pytest.approx(1.0)


def test_the_known_environment_draws_towards_the_mean() -> None:
    """Gamma-Poisson by hand: rates 1, 2, 3 have mean 2 and variance 1, shape 4: (n + 4) / (exposure + 2)."""
    table = pd.DataFrame(
        {
            "rate_per_1000km": [1.0, 2.0, 3.0],
            "hard_stops_true": [2, 4, 12],
            "incidents_true": [2, 4, 12],
            "exposure_1000km": [2.0, 2.0, 4.0],
        }
    )
    assert known_environment(table).to_list() == pytest.approx([6 / 4, 8 / 4, 16 / 6])


def test_a_figure_knows_when_it_is_short() -> None:
    assert Figure("x", 0.89, 0.90).short
    assert not Figure("x", 0.90, 0.90).short
    assert Figure("x", 0.04, 0.03, "low").short
    assert Figure("x", 0.96, 0.85, "within", 0.95).short
    assert not Figure("x", 0.1).short
    assert not Figure("x", np.nan, 0.9).short


def test_the_ceiling_knows_the_day_of_what_is_still_there() -> None:
    begin = "2026-02-04"
    faults = [fault("V7", "brake_drag", begin=begin), fault("V3", "brake_drag", begin="2026-01-20", end="2026-02-10")]
    days = known_days({"seed": 1, "as_of": AS_OF, "faults": faults}, [f"V{i}" for i in range(12)])
    assert days["V7"].isoformat() == begin
    assert {day.isoformat() for day in days.values()} == {begin, "2026-01-20"}  # drawn from the faults' days
    assert days == known_days({"seed": 1, "as_of": AS_OF, "faults": faults}, [f"V{i}" for i in range(12)])

"""Findings in the units of whoever reads."""

import pandas as pd
import pytest

from fleetbrake.reports import findings
from fleetbrake.reports.measures import METRIC, US

ROW = {
    "indicator": "side_imbalance", "measure": "yaw", "wheel": "1L", "value": 0.01, "expected": 0.002,
    "unit": "rad/s for each m/s2", "basis": "its peers", "deviation": 3.0, "detection_limit": 0.005,
    "trend_per_30d": None, "events_used": 9, "trips_used": 4, "ranks": True, "first_seen_on": None, "probability": 0.2,
}  # fmt: skip


def _rows() -> pd.DataFrame:
    shares = {**ROW, "indicator": "wheel_speed_dropout", "measure": "braking", "unit": "share of events"}
    return pd.DataFrame([ROW, {**ROW, "measure": "coasting", "unit": "m/s2"}, shares])


def test_figures_and_unit_are_read_in_us_units_and_shares_stay() -> None:
    read = findings.in_units(_rows(), US)
    # foot 0.3048 m, exact by definition: for each ft/s2 less, in ft/s2 more
    assert read["value"].tolist() == pytest.approx([0.01 * 0.3048, 0.01 / 0.3048, 0.01])
    assert read["detection_limit"].tolist() == pytest.approx([0.005 * 0.3048, 0.005 / 0.3048, 0.005])
    assert read["unit"].tolist() == ["rad/s for each ft/s²", "ft/s²", "share of events"]
    assert read["trend_per_30d"].isna().all()
    trips = findings.trips_in_units(pd.DataFrame({"value": [1.0]}), read["quantity"].iloc[1], US)
    assert trips["value"].tolist() == pytest.approx([1 / 0.3048])
    assert "(ft/s²)" in findings.finding_text(read.iloc[1].to_dict())


def test_metric_figures_stay_and_the_table_speaks_in_words() -> None:
    read = findings.in_units(_rows(), METRIC)
    assert read["value"].tolist() == [0.01] * 3
    table = findings.numbers(read)
    assert table["Position"].tolist() == ["axle 1 left"] * 3 and table["Seen by"].iloc[0] == "turning while braking"
    assert not table["Unit"].str.contains("m/s2").any()


def test_the_distance_since_a_test_is_read_in_miles() -> None:
    row = {"as_of": "2026-01-28", "roller_tested_on": "2026-01-01", "km_since_roller_test": 1609.344}
    assert findings.quiet_text(row, US).endswith("1,000 mi ago.")
    assert findings.quiet_text(row).endswith("1,609 km ago.")

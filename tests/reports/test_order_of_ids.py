"""Aliases stand in no order that the ids have."""

import numpy as np
import pandas as pd

from fleetbrake.reports.order_of_ids import without_order_of_ids


def test_drivers_without_a_score_stand_in_the_order_of_their_aliases() -> None:
    shown = pd.DataFrame(
        {
            "driver_id": ["driver-f", "driver-k", "driver-z", "driver-a", "driver-m"],
            "rank": [1, 2, 3, 4, 5],
            "style_score": [40.0, 55.0, np.nan, np.nan, np.nan],
            "events": [9, 8, 3, 1, 2],
        },
        index=[10, 11, 12, 13, 14],
    )
    found = without_order_of_ids(shown)
    assert found["driver_id"].tolist() == ["driver-f", "driver-k", "driver-a", "driver-m", "driver-z"]
    assert found["rank"].tolist() == [1, 2, 3, 4, 5] and found.index.tolist() == [10, 11, 12, 13, 14]
    assert found["events"].tolist() == [9, 8, 1, 2, 3], "the rest of a row goes with it"
    assert found.dtypes.equals(shown.dtypes)


def test_two_drivers_of_one_score_do_too_and_each_day_is_for_itself() -> None:
    shown = pd.DataFrame(
        {
            "driver_id": ["c", "b", "b", "a"],
            "rank": [1, 2, 1, 2],
            "style_score": [50.0, 50.0, 50.0, 50.0],
            "as_of": [pd.Timestamp("2026-01-05")] * 2 + [pd.Timestamp("2026-01-12")] * 2,
        }
    )
    assert without_order_of_ids(shown)["driver_id"].tolist() == ["b", "c", "a", "b"]


def test_unknown_drivers_of_equal_counts_are_moved_and_vehicles_are_not() -> None:
    shown = pd.DataFrame(
        {"kind": ["driver", "driver", "driver", "vehicle", "vehicle"], "id": ["z", "y", "x", "V2", "V1"],
         "events": [5, 2, 2, 1, 1]}
    )  # fmt: skip
    assert without_order_of_ids(shown)["id"].tolist() == ["z", "x", "y", "V2", "V1"]
    other = pd.DataFrame({"driver_id": ["b", "a"], "event_id": ["1", "2"]})
    assert without_order_of_ids(other) is other

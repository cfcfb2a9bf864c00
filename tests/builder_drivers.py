"""Made rows of the tables on drivers for the stores that pages and reports are tested with."""

from datetime import date

import numpy as np
import pandas as pd


def coaching(drivers: tuple[str, ...], events: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """For each driver with events one to talk about and a figure that went well; the sentences name the driver."""
    rows = []
    for driver in drivers:
        own = events[events.driver_id == driver]["event_id"].tolist()
        said = {"driver_id": driver, "as_of": as_of, "value": 4.5, "usual": 1.8}
        if own:
            rows.append(said | {
                "position": 1, "kind": "talk_about", "event_id": own[0], "subject": "hard_stop",
                "sentence": f"8 Jan 2026 from 54 km/h: deceleration of driver {driver} up to 4.5 m/s², usual is 1.8.",
            })  # fmt: skip
        rows.append(said | {
            "position": 1 + bool(own), "kind": "went_well", "event_id": None, "subject": "build_up",
            "sentence": "Brakes smoothly: the deceleration builds up by 2.0 m/s³ at most, usual is 4.1.",
        })  # fmt: skip
    return pd.DataFrame(rows)


def exposure(depots: tuple[str, ...], as_of: date) -> pd.DataFrame:
    """A quarter of the distance and a tenth of the stops without a driver."""
    return pd.DataFrame(
        {
            "as_of": as_of,
            "depot": list(depots[:2]),
            "distance_km": [3000.0, 1000.0],
            "unattributed_km": [1000.0, 0.0],
            "hard_stops": [15, 5],
            "unattributed_hard_stops": [2, 0],
        }
    )


def style(
    drivers: tuple[str, ...], depots: tuple[str, ...], events: pd.DataFrame, as_of: date, rng: np.random.Generator
) -> pd.DataFrame:
    """One row a driver, the last one without a distance; the third has a note."""
    rows = []
    for i, driver in enumerate(drivers):
        distance = None if i == len(drivers) - 1 else 2600.0 - 250 * i
        own = events[events.driver_id == driver]
        hard = int((own.hard_stop == True).sum())  # noqa: E712 - a column with None
        adjusted = None if distance is None else 9.0 - 1.2 * i
        rows.append(
            {
                "driver_id": driver,
                "as_of": as_of,
                "rank": i + 1,
                "style_score": None if distance is None else 30.0 + 12 * i,
                "score_low": None if distance is None else 20.0 + 12 * i,
                "score_high": None if distance is None else 42.0 + 12 * i,
                "distance_km": distance,
                "hard_stops": hard,
                "hard_stops_per_1000km": None if distance is None else 1000 * hard / distance,
                "adjusted_hard_stops_per_1000km": adjusted,
                "adjusted_low": None if adjusted is None else adjusted * 0.6,
                "adjusted_high": None if adjusted is None else adjusted * 1.5,
                "expected_hard_stops": 6.0 + float(rng.uniform(0, 2)),
                "incidents": max(hard - 1, 0),
                "brake_applications": len(own),
                "depot": depots[i % 2],
                "note": "Drove mostly on the icy route: much of the count was the road" if i == 2 else None,
            }
        )
    return pd.DataFrame(rows)

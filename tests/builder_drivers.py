"""Made rows of the tables on drivers for the stores that pages and reports are tested with."""

from datetime import date

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

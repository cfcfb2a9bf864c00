"""Hand-made vehicles judged by their indicators."""

import random
from datetime import timedelta
from typing import Any

import duckdb
from judged import judge_vehicles
from scoring_fleet import DAY, Fleet, only


def scored(fleet: Fleet) -> duckdb.DuckDBPyConnection:
    """A connection in which the vehicles of the fleet were judged."""
    con = fleet.connect()
    judge_vehicles(con)
    return con


def health(con: duckdb.DuckDBPyConnection, vehicle: str) -> dict[str, Any]:
    """What is published of a vehicle."""
    return only(con, "select * from vehicle_health where vehicle_id = ?", vehicle)


def finding(con: duckdb.DuckDBPyConnection, vehicle: str, indicator: str, wheel: str | None = None) -> dict[str, Any]:
    """What is published of one indicator of it, or of one wheel's."""
    return only(
        con,
        "select * from indicators where vehicle_id = ? and indicator = ? and wheel is not distinct from ?",
        vehicle,
        indicator,
        wheel,
    )


def brakes(fleet: Fleet, vehicle: str, factors: list[float], **values: Any) -> list[str]:
    """Applications whose effectiveness is 0.01 m/s2 per kPa times each factor, one a day."""
    rng = random.Random(vehicle)
    defaults = {"demand_kind": "pressure", "gross_mass_kg": 18000.0} | values
    return [
        fleet.event(
            vehicle, DAY + timedelta(days=i), effectiveness=0.01 * factor * rng.lognormvariate(0, 0.08), **defaults
        )
        for i, factor in enumerate(factors)
    ]

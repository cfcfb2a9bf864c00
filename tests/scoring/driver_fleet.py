"""Hand-made drivers: their trips and stops, and what is published of them."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
from judged import judge_drivers
from scoring_fleet import DAY, Fleet, only


def drives(
    fleet: Fleet, driver: str, km: float, stops: int, vehicle: str = "van", day: date = DAY, **values: Any
) -> None:
    """So many kilometres on one trip of the day, if any, and so many hard stops."""
    if km:
        start = datetime(day.year, day.month, day.day, 5, tzinfo=UTC)
        fleet.add("trips", trip_id=f"{driver}-{vehicle}-{day}", vehicle_id=vehicle, driver_id=driver, started_at=start,
                  distance_km=km)  # fmt: skip
    for _ in range(stops):
        fleet.event(vehicle, day, **{"driver_id": driver, "hard_stop": True, "brake_source": "driver"} | values)


def trip(
    fleet: Fleet, name: str, driver: str | None, vehicle: str | None, *, hour: int = 5, hours: float | None = None,
    km: float = 100.0, day: date = DAY, **values: Any,
) -> None:  # fmt: skip
    """A trip from that hour on, its end not recorded without ``hours``."""
    start = datetime(day.year, day.month, day.day, hour, tzinfo=UTC)
    ended = None if hours is None else start + timedelta(hours=hours)
    fleet.add("trips", trip_id=name, vehicle_id=vehicle, driver_id=driver, started_at=start, ended_at=ended,
              distance_km=km, **values)  # fmt: skip


def style(con: duckdb.DuckDBPyConnection, driver: str) -> dict[str, Any]:
    """The row of a driver."""
    return only(con, "select * from driver_style where driver_id = ?", driver)


def scored(fleet: Fleet) -> duckdb.DuckDBPyConnection:
    """A connection in which the drivers of the fleet were judged; no vehicle of it is flagged."""
    con = fleet.connect()
    judge_drivers(con)
    return con


def braked(fleet: Fleet, driver: str, decel: float, *, jerk: float = 3.0, late: float = 0.2, day: int = 0,
           vehicle: str = "van", **values: Any) -> str:  # fmt: skip
    """An application of that peak deceleration, hard from 3 m/s2 on."""
    defaults = {"driver_id": driver, "brake_source": "driver", "hard_stop": decel >= 3.0, "peak_decel_mps2": decel,
                "peak_jerk_mps3": jerk, "last_second_share": late, "initial_speed_mps": 15.0,
                "modulation": False}  # fmt: skip
    return fleet.event(vehicle, DAY - timedelta(days=day), **defaults | values)


def usual_fleet() -> Fleet:
    """Four drivers of one van with ten usual applications each."""
    fleet = Fleet()
    fleet.vehicle("van")
    for number in range(40):
        braked(fleet, f"usual{number % 4}", 1.2 + 0.02 * number, jerk=2.0 + 0.05 * number, late=0.15 + 0.002 * number,
               day=number % 10)  # fmt: skip
    for number in range(4):
        fleet.add("trips", trip_id=f"t{number}", vehicle_id="van", driver_id=f"usual{number}", distance_km=1000.0,
                  started_at=f"{DAY} 05:00:00+00")  # fmt: skip
    return fleet

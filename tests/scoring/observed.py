"""What the models of single events make of a hand-made fleet: staging and observations only, no statistics on top."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
from scoring_fleet import DAY, Fleet

from fleetbrake.scoring import models
from fleetbrake.scoring.priors import DEFAULT


def observed(
    fleet: Fleet, as_of: date = DAY + timedelta(days=90), reverse: bool = False, **priors: float
) -> duckdb.DuckDBPyConnection:
    """A connection with every staging and observation model of the fleet."""
    con = fleet.connect(reverse=reverse)
    models.load_parameters(con, as_of, replace(DEFAULT, **priors))
    models.build(con, models.STAGING + models.OBSERVATIONS)
    return con


def rows(con: duckdb.DuckDBPyConnection, sql: str, *values: Any) -> list[tuple[Any, ...]]:
    """All rows of a query."""
    return con.execute(sql, list(values)).fetchall()


def moment(day: date, seconds: float = 0.0) -> datetime:
    """So many seconds after six o'clock of a day, UTC."""
    return datetime(day.year, day.month, day.day, 6, tzinfo=UTC) + timedelta(seconds=seconds)


def trip(fleet: Fleet, trip_id: str, vehicle: str, day: date = DAY, km: float | None = 100.0, **values: Any) -> str:
    """A trip of the day, from six to eighteen o'clock."""
    fleet.add(
        "trips",
        **{"trip_id": trip_id, "vehicle_id": vehicle, "started_at": moment(day), "ended_at": moment(day, 43200.0)}
        | {"distance_km": km}
        | values,
    )
    return trip_id

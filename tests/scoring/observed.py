"""What the models of single events make of a hand-made fleet: staging and observations only, no statistics on top."""

import re
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from typing import Any

import duckdb
from scoring_fleet import DAY, Fleet

from fleetbrake.scoring import models
from fleetbrake.scoring.priors import DEFAULT


class Observed:
    """A connection in which a model is there once a query reads it: with those that it reads, and no other."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self.con = con
        self.built: set[str] = set()

    def execute(self, sql: str, values: list[Any] | None = None) -> duckdb.DuckDBPyConnection:
        wanted = [name for name in read_by(named_in(sql)) if name not in self.built]
        models.build(self.con, tuple(wanted))
        self.built.update(wanted)
        return self.con.execute(sql, values or [])


def named_in(sql: str) -> list[str]:
    """The models that a text names."""
    words = set(re.findall(r"\w+", sql))
    return [name for name in models.MODELS if name in words]


def read_by(names: Iterable[str]) -> list[str]:
    """These models and all that they read, in the order of building."""
    known: set[str] = set()
    open_ = list(names)
    while open_:
        name = open_.pop()
        if name not in known:
            known.add(name)
            open_ += _named_in_model(name)
    return [name for name in models.MODELS if name in known]


@cache
def _named_in_model(name: str) -> list[str]:
    return named_in(models.sql_of(name))


def observed(fleet: Fleet, as_of: date = DAY + timedelta(days=90), reverse: bool = False, **priors: float) -> Observed:
    """A connection with the staging and observation models of the fleet that are asked for."""
    con = fleet.connect(reverse=reverse)
    models.load_parameters(con, as_of, replace(DEFAULT, **priors))
    return Observed(con)


def rows(con: Observed, sql: str, *values: Any) -> list[tuple[Any, ...]]:
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

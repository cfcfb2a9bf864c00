"""A hand-made fleet with inspections on file, scored with what is learned from them."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import duckdb
import numpy as np
from scoring_fleet import DAY, Fleet

from fleetbrake.scoring.learning_priors import DEFAULT_LEARNING
from fleetbrake.scoring.run import score

LAST = DAY + timedelta(days=34)  # a Sunday
FEW = replace(DEFAULT_LEARNING, quality_least=2, weeks_a_run=2)


def fleet_of(vehicles: int = 6, days: int = 35) -> Fleet:
    """One application a day and vehicle; v00 brakes ever less on wheel 1L, half as much in the end."""
    rng = np.random.default_rng(1)
    fleet = Fleet()
    for number in range(vehicles):
        fleet.vehicle(f"v{number:02d}")
        for day in range(days):
            weak = 1 - 0.015 * day if number == 0 else 1.0
            slips = {w: {"steady_slip": 0.02 * rng.lognormal(0, 0.1), "dropout_s": 0.0} for w in ("1L", "1R")}
            slips["1L"]["steady_slip"] *= weak
            fleet.event(
                f"v{number:02d}", DAY + timedelta(days=day), slips, demand_kind="pressure",
                effectiveness=0.01 * rng.lognormal(0, 0.1), surface="dry_paved",
            )  # fmt: skip
    return fleet


def inspect(fleet: Fleet, name: str, vehicle: str, day: date, finding: str | None = "none", **more: Any) -> None:
    """An inspection on file; without a finding nothing is said of it."""
    severity = None if finding is None else 0 if finding == "none" else 2
    row = {"inspection_id": name, "vehicle_id": vehicle, "inspected_on": day, "finding": finding, "severity": severity}
    fleet.add("inspections", **row | more)


def run(fleet: Fleet, as_of: date = LAST, **more: Any) -> duckdb.DuckDBPyConnection:
    """A connection in which the fleet was scored."""
    con = fleet.connect()
    score(con, as_of, learning=more.pop("learning", FEW), **more)
    return con

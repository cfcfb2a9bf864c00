"""The half of a run of scores that a test is about: the vehicles, or the drivers. Same models, in the same order.

A run plans and executes some hundred statements, whatever the size of the fleet; most tests read one half of what they
make. ``test_vehicle_health`` holds that each half publishes what the whole run does.
"""

from datetime import date

import duckdb
import pandas as pd

from fleetbrake.scoring import learn, models, run
from fleetbrake.scoring.drivers import driver_posterior
from fleetbrake.scoring.evidence import evaluate
from fleetbrake.scoring.priors import DEFAULT

LATE = date(2027, 1, 1)  # "today" of the tests
VEHICLES = ("vehicle_health", "indicators", "indicator_trips")
DRIVERS = ("driver_style", "driver_coaching", "exposure_summary")
_CHECKS_OF_DRIVERS = ("check_driver_ranks", "check_coaching_traceable", "check_scores_in_range")
_READ_BY_DRIVERS = ("stg_vehicles", "stg_trips", "stg_events", "int_conditions")


def judge_vehicles(con: duckdb.DuckDBPyConnection, as_of: date | None = None, today: date = LATE) -> date:
    """As ``score`` with the priors, without learning from inspections: fills the tables of ``VEHICLES``."""
    newest = run._newest_day(con, today)
    day = as_of or newest
    try:
        evaluate(con, day, DEFAULT, known_on=today if day == newest else day)
        models.give(con, "learned_scores", pd.DataFrame(learn._NO_SCORES))
        models.build(con, models.VERDICTS)
        _publish(con, day, VEHICLES)
    finally:
        models.drop_temporary(con)
    return day


def judge_drivers(con: duckdb.DuckDBPyConnection, as_of: date | None = None, today: date = LATE) -> date:
    """As ``score`` of a fleet without a flagged vehicle: fills the tables of ``DRIVERS``."""
    newest = run._newest_day(con, today)
    day = as_of or newest
    try:
        models.load_parameters(con, day, DEFAULT, today if day == newest else day)
        models.build(con, _READ_BY_DRIVERS)
        con.execute("create temp table int_flagged_since (vehicle_id varchar, flagged_since date)")
        models.build(con, tuple(name for name in models.DRIVERS if name != "int_flagged_since"))
        models.give(con, "driver_posterior", driver_posterior(con, DEFAULT))
        models.build(con, models.STYLE)
        _publish(con, day, DRIVERS)
    finally:
        models.drop_temporary(con)
    return day


def _publish(con: duckdb.DuckDBPyConnection, day: date, tables: tuple[str, ...]) -> None:
    models.build(con, tuple(f"mart_{table}" for table in tables))
    for table in {*VEHICLES, *DRIVERS} - set(tables):  # a check may read both halves
        con.execute(f"create temp table mart_{table} as from {table} limit 0")
    for name in models.CHECKS if tables == VEHICLES else _CHECKS_OF_DRIVERS:
        assert con.execute(models.sql_of(name)).fetchall() == [], name
    for table in tables:
        run._replace(con, table, f"mart_{table}", day)

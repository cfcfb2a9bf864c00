"""``score``: fills vehicle_health, indicators and driver_style from the published events and registers."""

from datetime import UTC, date, datetime

import duckdb
import pandas as pd

from fleetbrake.core.tables import TABLES
from fleetbrake.scoring import models
from fleetbrake.scoring.evidence import evaluate
from fleetbrake.scoring.learn import give_scores, learn_from_inspections
from fleetbrake.scoring.learning_priors import DEFAULT_LEARNING, LearningPriors
from fleetbrake.scoring.priors import DEFAULT, Priors
from fleetbrake.scoring.rates import exact_interval, gamma_poisson, shape_by_moments

_OUTPUTS = {
    "vehicle_health": "mart_vehicle_health",
    "indicators": "mart_indicators",
    "driver_style": "mart_driver_style",
}


def score(
    con: duckdb.DuckDBPyConnection,
    as_of: date | None = None,
    *,
    today: date | None = None,
    priors: Priors = DEFAULT,
    learning: LearningPriors = DEFAULT_LEARNING,
    all_weeks: bool = False,
) -> date:
    """Score the fleet on the evidence up to and with ``as_of`` (UTC) and replace the rows of that day.

    Rows of other days stay: the three tables hold one set of rows for each day scored. Readers who want the present
    state take the newest ``as_of``.

    Parameters
    ----------
    con : write connection with every table of ``core.tables`` and the registers.
    as_of : day; by default that of the newest event not after ``today`` (without events: ``today``).
    today : by default the present day in UTC.
    priors : numbers from outside the recordings.
    learning : when and how the findings of inspections take the place of the priors.
    all_weeks : score all past weeks with inspections anew, instead of the newest few that are missing.

    Returns
    -------
    The day scored. Raises ``StoreError`` if a model or a check fails; the tables then stand as they were.
    """
    day = as_of or _newest_day(con, today or datetime.now(UTC).date())
    try:
        learned = learn_from_inspections(con, day, priors, learning, all_weeks=all_weeks)
        evaluate(con, day, priors)
        give_scores(con, learned)
        models.build(con, models.VERDICTS)
        models.build(con, models.DRIVERS)
        models.give(con, "driver_posterior", _driver_posterior(con, priors))
        models.build(con, models.MARTS)
        models.check(con)
        for table, mart in _OUTPUTS.items():
            _replace(con, table, mart, day)
    finally:
        models.drop_temporary(con)
    return day


def _newest_day(con: duckdb.DuckDBPyConnection, today: date) -> date:
    row = con.execute(
        "select max(day) from (select (started_at at time zone 'UTC')::date as day from events) where day <= ?",
        [today],
    ).fetchone()
    return today if row is None or row[0] is None else row[0]


def _driver_posterior(con: duckdb.DuckDBPyConnection, priors: Priors) -> pd.DataFrame:
    """Observed over expected hard stops of each driver, shrunk; one row a driver, NaN without exposure."""
    frame = con.execute("select * from int_driver_expected order by driver_id").df()
    rated = frame["km"] > 0
    stops, expected = frame.loc[rated, "stops"].to_numpy(float), frame.loc[rated, "expected"].to_numpy(float)
    shape = priors.shape_default
    if rated.sum() >= priors.shape_drivers and expected.sum() > 0:
        shape = shape_by_moments(stops, expected, least=priors.shape_least, greatest=priors.shape_greatest)
    ratio = gamma_poisson(stops, expected, shape=shape, rate=shape, level=priors.driver_level)
    for name, values in {
        "ratio": ratio.mean,
        "ratio_low": ratio.low,
        "ratio_high": ratio.high,
        "own_weight": 1.0 - ratio.prior_weight,
    }.items():
        frame[name] = pd.Series(values, index=frame.index[rated], dtype=float).reindex(frame.index)
    frame["count_low"], frame["count_high"] = exact_interval(frame["stops"].to_numpy(float))
    return frame


def _replace(con: duckdb.DuckDBPyConnection, table: str, mart: str, day: date) -> None:
    columns = ", ".join(f'"{column.name}"' for column in TABLES[table])
    con.execute(f"delete from {table} where as_of is null or as_of = ?", [day])  # noqa: S608 - own table names
    con.execute(f"insert into {table} ({columns}) select {columns} from {mart}")  # noqa: S608

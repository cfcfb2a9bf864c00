"""``score``: fills vehicle_health, indicators and driver_style from the published events and registers."""

from datetime import UTC, date, datetime, timedelta

import duckdb
import pandas as pd

from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import TABLES
from fleetbrake.scoring import models
from fleetbrake.scoring.drivers import driver_posterior
from fleetbrake.scoring.evidence import evaluate
from fleetbrake.scoring.learn import give_scores, learn_from_inspections
from fleetbrake.scoring.learning_priors import DEFAULT_LEARNING, LearningPriors
from fleetbrake.scoring.priors import DEFAULT, Priors
from fleetbrake.store.schema import fill_table

_OUTPUTS = {
    "vehicle_health": "mart_vehicle_health",
    "indicators": "mart_indicators",
    "indicator_trips": "mart_indicator_trips",
    "driver_style": "mart_driver_style",
    "driver_coaching": "mart_driver_coaching",
    "exposure_summary": "mart_exposure_summary",
}
#: Of all days at once: drawn up anew each time.
_WHOLE = {"inspection_outcomes": "mart_inspection_outcomes"}

#: Large and for looking at: of these only the newest day scored is kept.
_NEWEST_ONLY = ("indicator_trips",)
#: Days for which what was told is kept: the twelve months of a report's hit rate and what stood before them.
PREDICTIONS_KEPT_DAYS = 400


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

    What is told of each vehicle stays in ``predictions`` with the day it was computed, also when that day is scored
    again later. On the day of the newest event inspections, tests, repairs and reports up to ``today`` count as well.
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
    The day scored. Raises ``StoreError`` if a model or a check fails, or if no ``as_of`` is given and every event is of
    a day that is yet to come; the tables then stand as they were.
    """
    now = today or datetime.now(UTC).date()
    newest = _newest_day(con, now, must=as_of is None)
    day = as_of or newest
    try:
        learned = learn_from_inspections(con, day, priors, learning, all_weeks=all_weeks)
        # recordings lag: what people found or reported since the newest of them must not wait for the next one
        evaluate(con, day, priors, known_on=now if day == newest else day)
        give_scores(con, learned)
        models.build(con, models.VERDICTS, free=True)
        models.build(con, models.VEHICLE_MARTS, free=True)
        models.build(con, models.DRIVERS, free=True)
        models.give(con, "driver_posterior", driver_posterior(con, priors))
        models.build(con, models.STYLE, free=True)
        models.give(con, "made", pd.DataFrame({"made_on": [now]}))
        models.build(con, models.MARTS, free=True)
        models.check(con)
        for table, mart in _OUTPUTS.items():
            _replace(con, table, mart, day)
        _keep_told(con, day, now, min(now, newest))
        for table, mart in _WHOLE.items():
            fill_table(con, table, mart)
    finally:
        models.drop_temporary(con)
    return day


def _newest_day(con: duckdb.DuckDBPyConnection, today: date, *, must: bool = False) -> date:
    """Day of the newest event not after ``today``; ``today`` where there is none, unless there ``must`` be one."""
    newest, events = con.execute(
        "select max(day) filter (day <= ?), count(day) from "
        "(select (started_at at time zone 'UTC')::date as day from events)",
        [today],
    ).fetchall()[0]
    if newest is None and events and must:
        # a machine that lost its clock: scores of that day would say of every vehicle that nothing is known of it
        raise StoreError(
            f"All events are dated after today, {today} by this machine's clock, so that nothing can be scored: set "
            "the clock, or give the day with --as-of."
        )
    return newest or today


def _keep_told(con: duckdb.DuckDBPyConnection, day: date, made_on: date, newest: date) -> None:
    """Add what is told of each vehicle to ``predictions``; an earlier run of the same days is replaced.

    How long they are kept is counted back from the ``newest`` recording: a clock that runs years ahead drops nothing.
    """
    oldest = newest - min(timedelta(days=PREDICTIONS_KEPT_DAYS), newest - date.min)
    con.execute("delete from predictions where made_on < ? or made_on = ? and as_of = ?", [oldest, made_on, day])
    _insert(con, "predictions", "mart_predictions")


def _replace(con: duckdb.DuckDBPyConnection, table: str, mart: str, day: date) -> None:
    if table in _NEWEST_ONLY:
        newer = con.execute(f"select count(*) from {table} where as_of > ?", [day]).fetchone()  # noqa: S608 - own names
        if newer is not None and newer[0] > 0:
            return  # a look back at an older day leaves what the pages show
        con.execute(f"delete from {table}")  # noqa: S608 - own table names
    con.execute(f"delete from {table} where as_of is null or as_of = ?", [day])  # noqa: S608 - own names
    _insert(con, table, mart)


def _insert(con: duckdb.DuckDBPyConnection, table: str, mart: str) -> None:
    columns = ", ".join(f'"{column.name}"' for column in TABLES[table])
    con.execute(f"insert into {table} ({columns}) select {columns} from {mart}")  # noqa: S608 - own names

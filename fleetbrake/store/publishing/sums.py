"""What the published events are summed up to: all of it, or the months and vehicles that changed."""

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from typing import Final

import duckdb
import pyarrow as pa

from fleetbrake.core.record_criteria import DEFAULT_RECORDS, RecordCriteria
from fleetbrake.store.publishing.models import make, sql_of
from fleetbrake.store.schema import append_rows, fill_table

#: From the published tables alone, in order.
_OF_MONTHS: Final = ("month_work", "month_figures", "month_surfaces")
_OF_VEHICLES: Final = ("recording_channels", "recording_facts")
_MONTH: Final = re.compile(r"\d{4}-\d{2}")
_ALL: Final = {"counted_events": "SELECT * FROM events", "counted_trips": "SELECT * FROM trips"}


def sum_up(con: duckdb.DuckDBPyConnection, criteria: RecordCriteria = DEFAULT_RECORDS) -> None:
    """Fill the tables of ``core.summary_tables`` from the published events, log, trips and vehicles."""
    with _sources(con, criteria, _ALL):
        for summary in (*_OF_MONTHS, *_OF_VEHICLES):
            with _mart(con, sql_of(summary)):
                fill_table(con, summary, "mart")


def sum_up_changed(con: duckdb.DuckDBPyConnection, criteria: RecordCriteria = DEFAULT_RECORDS) -> None:
    """The same, of the months and vehicles alone that ``pub_before``, ``pub_after`` and the registers touch."""
    con.execute(f"CREATE TEMP TABLE pub_months AS {_MONTHS}")
    months = [row[0] for row in con.execute("SELECT month FROM pub_months ORDER BY month").fetchall()]
    if months:
        with _sources(con, criteria, _in_months(con, months)):
            for summary in _OF_MONTHS:
                _replace(con, summary, "month IN (SELECT month FROM pub_months)")
    _vehicles(con)
    mine = "vehicle_id IN (SELECT vehicle_id FROM pub_theirs)"
    with _sources(con, criteria, {**_ALL, "counted_events": f"SELECT * FROM events WHERE {mine}"}):  # noqa: S608 - own names
        for summary in _OF_VEHICLES:
            _replace(con, summary, mine)
        with _mart(con, f"SELECT * FROM ({_SINCE}) ORDER BY vehicle_id"):  # noqa: S608 - own names
            fill_table(con, "recording_facts", "mart")


def sum_up_missing(con: duckdb.DuckDBPyConnection) -> None:
    """Fill the summaries of a store of an earlier version, which had fewer of them; else nothing."""
    rows = con.execute(
        "SELECT EXISTS (FROM events WHERE started_at IS NOT NULL) AND (NOT EXISTS (FROM month_work) "
        "OR NOT EXISTS (FROM month_surfaces WHERE not_braking IS NOT NULL))"
    ).fetchall()  # to the end: what comes next must find no result open
    if rows[0][0]:
        sum_up(con)


def _vehicles(con: duckdb.DuckDBPyConnection) -> None:
    """Make ``pub_theirs``: vehicles of which an event, a file's entry or the register's row is another, or whose events
    of a day that was yet to come have come meanwhile, or the other way round.
    """
    make(con, "int_newest_day")
    con.execute(
        "CREATE TEMP TABLE pub_days AS SELECT n.newest_on, f.newest_on AS before_on FROM int_newest_day AS n "
        "LEFT JOIN (SELECT any_value(newest_on) AS newest_on FROM recording_facts) AS f ON true"
    )
    con.execute(f"CREATE TEMP TABLE pub_theirs AS {_THEIRS}")


def _replace(con: duckdb.DuckDBPyConnection, name: str, which: str) -> None:
    with _mart(con, f"SELECT * FROM ({sql_of(name)}) WHERE {which}"):  # noqa: S608 - own names
        con.execute(f"DELETE FROM {name} WHERE {which}")  # noqa: S608 - own names
        append_rows(con, name, "mart")


@contextmanager
def _mart(con: duckdb.DuckDBPyConnection, sql: str) -> Iterator[None]:
    con.execute(f"CREATE TEMP VIEW mart AS {sql}")
    try:
        yield
    finally:
        con.execute("DROP VIEW temp.mart")


@contextmanager
def _sources(con: duckdb.DuckDBPyConnection, criteria: RecordCriteria, views: dict[str, str]) -> Iterator[None]:
    """What the models of summaries read besides published tables, while the block runs."""
    con.register("record_criteria", pa.Table.from_pylist([asdict(criteria)]))
    for name, sql in views.items():
        con.execute(f"CREATE OR REPLACE TEMP VIEW {name} AS {sql}")
    make(con, "int_newest_day")
    try:
        yield
    finally:
        for name in views:
            con.execute(f"DROP VIEW temp.{name}")
        con.execute("DROP TABLE temp.int_newest_day")
        con.unregister("record_criteria")


def _in_months(con: duckdb.DuckDBPyConnection, months: Sequence[str]) -> dict[str, str]:
    """Events of these months, and trips that begin in or after the first of them or that say whether those count."""
    if not all(map(_MONTH.fullmatch, months)):  # a clock that was out by thousands of years
        return dict(_ALL)
    events = " OR ".join(
        f"(started_at >= TIMESTAMPTZ '{first}-01 00:00:00+00' AND started_at < TIMESTAMPTZ '{after}-01 00:00:00+00')"
        for first, after in _runs(months)
    )
    since = f"TIMESTAMPTZ '{months[0]}-01 00:00:00+00'"
    # a trip counts unless one that began before it ended no earlier: earlier ones matter if they end late enough
    ((ended_at,),) = con.execute(
        f"SELECT least(min(ended_at), {since}) FROM trips WHERE started_at >= {since}"  # noqa: S608 - our own months
    ).fetchall()
    ended = f"ended_at >= TIMESTAMPTZ '{ended_at.isoformat()}'"
    return {
        "counted_events": f"SELECT * FROM events WHERE {events}",  # noqa: S608 - own names and our own months
        "counted_trips": f"SELECT * FROM trips WHERE started_at >= {since} OR {ended}",  # noqa: S608 - own names
    }


def _runs(months: Sequence[str]) -> list[tuple[str, str]]:
    """Months that follow each other as (first, the one after the last)."""
    runs: list[tuple[str, str]] = []
    for month in months:
        year, number = divmod(int(month[:4]) * 12 + int(month[5:]), 12)  # the month after, counted from 0
        after = f"{year:04d}-{number + 1:02d}"
        if runs and runs[-1][1] == month:
            runs[-1] = (runs[-1][0], after)
        else:
            runs.append((month, after))
    return runs


#: Months in which events came or went, from the first changed trip on, and in which changed vehicles drove.
_MONTHS = """
WITH first_trip AS (SELECT strftime(min(started_at) AT TIME ZONE 'UTC', '%Y-%m') AS month FROM pub_trips),
driven AS (
    SELECT DISTINCT strftime(started_at AT TIME ZONE 'UTC', '%Y-%m') AS month, vehicle_id
    FROM trips
    WHERE started_at IS NOT NULL
),
known AS (SELECT month, vehicle_id FROM driven UNION SELECT month, vehicle_id FROM month_work)
SELECT DISTINCT month
FROM (
    SELECT strftime(started_at AT TIME ZONE 'UTC', '%Y-%m') AS month FROM pub_before
    UNION ALL
    SELECT strftime(started_at AT TIME ZONE 'UTC', '%Y-%m') AS month FROM pub_after
    UNION ALL
    SELECT k.month FROM known AS k JOIN first_trip AS f ON k.month >= f.month
    UNION ALL
    SELECT k.month FROM known AS k WHERE k.vehicle_id IN (SELECT vehicle_id FROM pub_vehicles)
)
WHERE month IS NOT NULL
"""
_THEIRS = """
SELECT vehicle_id FROM pub_before WHERE vehicle_id IS NOT NULL
UNION
SELECT vehicle_id FROM pub_after WHERE vehicle_id IS NOT NULL
UNION
SELECT vehicle_id FROM events WHERE source_path IN (SELECT path FROM pub_paths) AND vehicle_id IS NOT NULL
UNION
SELECT vehicle_id FROM pub_vehicles
UNION
SELECT e.vehicle_id
FROM events AS e
CROSS JOIN pub_days AS d
WHERE
    d.newest_on IS DISTINCT FROM d.before_on
    AND e.vehicle_id IS NOT NULL
    AND coalesce(
        e.started_at >= CAST(least(d.newest_on, d.before_on) AS TIMESTAMP) AT TIME ZONE 'UTC' + INTERVAL 1 DAY, true
    )
"""
#: Vehicles of which nothing came are silent for longer with every newer day of the others.
_SINCE = """
SELECT f.* REPLACE (
    n.newest_on AS newest_on,
    n.newest_on - f.last_on AS days_silent,
    n.newest_on - f.last_on > f.silent_from_days AS silent
)
FROM recording_facts AS f
CROSS JOIN int_newest_day AS n
"""

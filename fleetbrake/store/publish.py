"""From the lake, the log and the registers to the published event tables.

Everything that needs a register, another file or another event is decided here, in the SQL files beside this module,
so that the order in which files were read never changes a result.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import date
from importlib.resources import files
from pathlib import Path

import duckdb
import pyarrow as pa

from fleetbrake.core.criteria import DEFAULT, Criteria
from fleetbrake.core.record_criteria import DEFAULT_RECORDS, RecordCriteria
from fleetbrake.core.tables import REGISTERS
from fleetbrake.core.vocabulary import CATEGORIES, LIGHT_CATEGORIES
from fleetbrake.store.findings import merged_registers
from fleetbrake.store.forgetting.at_rest import AtRest, for_publishing
from fleetbrake.store.forgetting.hidden import drop_shown, shown_rows
from fleetbrake.store.lake import DRIVER_FORGOTTEN, PIECE_KEY, Lake
from fleetbrake.store.lake_schema import LAKE_EVENT_WHEELS, LAKE_EVENTS
from fleetbrake.store.log import IngestLog, read_log
from fleetbrake.store.observability import observability
from fleetbrake.store.registers import read_register
from fleetbrake.store.schema import clean_select, fill_table, replace_table

#: Edge definitions: onsets this close are the same application; events this close are one incident (both s).
SAME_ONSET_S = 0.5
INCIDENT_S = 60.0

#: In order; each reads those before it.
_STEPS = (
    "stg_events",
    "int_fates",
    "int_trips",
    "int_events",
    "int_emergencies",
    "int_incidents",
    "int_wheels",
    "int_wheel_words",
    "int_brake_work",
    "int_allowed_lockups",
)
_MARTS = ("events", "event_wheels", "ingest_log", "unknown_ids")
#: From the published tables alone, in order.
_SUMMARIES = ("month_work", "month_figures", "month_surfaces", "recording_channels", "recording_facts")


def publish_recordings(con: duckdb.DuckDBPyConnection, store: Path, criteria: Criteria = DEFAULT) -> None:
    """Fill events, event_wheels, ingest_log, observability, unknown_ids, the registers and what sums them up.

    The other tables stay as they are.

    Parameters
    ----------
    con : connection of :func:`fleetbrake.store.database.rebuilding`.
    criteria : thresholds, by default the published ones.

    Raises
    ------
    StoreError
        A part of the store is missing or damaged.
    """
    rest = for_publishing(store)
    for name in REGISTERS:
        replace_table(con, name, rest.register(name, read_register(store, name)))
    merged_registers(con, store)
    replace_table(con, "observability", observability(criteria))
    with _sources(con, store, criteria, rest):
        for step in _STEPS:
            con.execute(f"CREATE TEMP TABLE {step} AS {_sql(step)}")
        for mart in _MARTS:
            con.execute(f"CREATE TEMP VIEW mart AS {_sql(mart)}")
            fill_table(con, mart, "mart")
            con.execute("DROP VIEW mart")
    sum_up(con)


def sum_up(con: duckdb.DuckDBPyConnection, criteria: RecordCriteria = DEFAULT_RECORDS) -> None:
    """Fill the tables of ``core.summary_tables`` from the published events, log, trips and vehicles."""
    con.register("record_criteria", pa.Table.from_pylist([asdict(criteria)]))
    try:
        for summary in _SUMMARIES:
            con.execute(f"CREATE TEMP VIEW mart AS {_sql(summary)}")
            try:
                fill_table(con, summary, "mart")
            finally:
                con.execute("DROP VIEW mart")
    finally:
        con.unregister("record_criteria")


def sum_up_missing(con: duckdb.DuckDBPyConnection) -> None:
    """Fill the summaries of a store of an earlier version, which had fewer of them; else nothing."""
    rows = con.execute(
        "SELECT EXISTS (FROM events WHERE started_at IS NOT NULL) AND (NOT EXISTS (FROM month_work) "
        "OR NOT EXISTS (FROM month_surfaces WHERE not_braking IS NOT NULL))"
    ).fetchall()  # to the end: what comes next must find no result open
    if rows[0][0]:
        sum_up(con)


def number_incidents(con: duckdb.DuckDBPyConnection) -> None:
    """Number the incidents of the published events anew, after a driver was taken out of them."""
    con.register("criteria", pa.Table.from_pylist([{"incident_s": INCIDENT_S}]))
    con.execute(
        "CREATE TEMP VIEW int_events AS SELECT *, started_at + to_microseconds(CAST(round(coalesce(onset_s, 0) * 1e6) "
        "AS BIGINT)) AS onset_at FROM events"
    )
    try:
        con.execute(f"CREATE TEMP TABLE numbered AS {_sql('int_incidents')}")
        con.execute(
            "UPDATE events SET incident = numbered.incident FROM numbered "
            "WHERE numbered.event_id = events.event_id AND numbered.incident IS DISTINCT FROM events.incident"
        )
        con.execute("DROP TABLE temp.numbered")
    finally:
        con.execute("DROP VIEW temp.int_events")
        con.unregister("criteria")


def newest_day(con: duckdb.DuckDBPyConnection, today: date) -> date | None:
    """Day (UTC) of the newest published event that is not dated after ``today``; None without events."""
    row = con.execute(
        "SELECT max(CAST(started_at AT TIME ZONE 'UTC' AS DATE)) FROM events "
        "WHERE CAST(started_at AT TIME ZONE 'UTC' AS DATE) <= ?",
        [today],
    ).fetchone()
    return None if row is None else row[0]


@contextmanager
def _sources(con: duckdb.DuckDBPyConnection, store: Path, criteria: Criteria, rest: AtRest) -> Iterator[None]:
    """What the SQL files read, as views of this connection, while the block runs."""
    log = read_log(store)
    events, wheels = Lake(store).pieces(log.keys())
    raw_events = shown_rows(con, "raw_events", events, rest)
    raw_wheels = shown_rows(con, "raw_event_wheels", wheels, rest)
    con.register("file_log", IngestLog(store, {new.path: new for new in map(rest.entry, log)}).table())
    con.register("criteria", _criteria_row(criteria))
    key = {PIECE_KEY: "VARCHAR"}
    gone = {DRIVER_FORGOTTEN: "BOOLEAN"}
    con.execute(f"CREATE TEMP VIEW lake_events AS {clean_select({**LAKE_EVENTS, **gone, **key}, raw_events)}")
    con.execute(f"CREATE TEMP VIEW lake_event_wheels AS {clean_select({**LAKE_EVENT_WHEELS, **key}, raw_wheels)}")
    try:
        yield
    finally:
        for step in _STEPS:
            con.execute(f"DROP TABLE IF EXISTS temp.{step}")
        for view in ("mart", "lake_events", "lake_event_wheels"):
            con.execute(f"DROP VIEW IF EXISTS temp.{view}")
        for name in ("raw_events", "raw_event_wheels"):
            drop_shown(con, name)
        for source in ("file_log", "criteria"):
            con.unregister(source)


def _criteria_row(criteria: Criteria) -> pa.Table:
    """One row: every threshold, and the lists of words that the SQL files compare with."""
    return pa.Table.from_pylist(
        [
            {
                **asdict(criteria),
                "same_onset_s": SAME_ONSET_S,
                "incident_s": INCIDENT_S,
                "categories": list(CATEGORIES),
                "light_categories": list(LIGHT_CATEGORIES),
            }
        ]
    )


def _sql(name: str) -> str:
    return (files("fleetbrake.store") / "sql" / f"{name}.sql").read_text(encoding="utf-8")

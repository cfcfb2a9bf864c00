"""From the lake, the log and the registers to the published event tables.

Everything that needs a register, another file or another event is decided here, in the SQL files beside this module,
so that the order in which files were read never changes a result. Only what is new, and what that touches, is made:
the tables of any sequence of publishings hold the rows that publishing all at once would give.
"""

from dataclasses import asdict
from datetime import date
from pathlib import Path

import duckdb
import pyarrow as pa

from fleetbrake.core.criteria import DEFAULT, Criteria
from fleetbrake.core.tables import REGISTERS
from fleetbrake.core.vocabulary import CATEGORIES, LIGHT_CATEGORIES
from fleetbrake.store.forgetting.at_rest import AtRest, for_publishing
from fleetbrake.store.forgetting.forgetter import DRIVER_COLUMNS, Forgetter
from fleetbrake.store.forgetting.tombstones import mark_left, read_tombstones
from fleetbrake.store.lake import PIECE_KEY, Lake
from fleetbrake.store.lock import check_held
from fleetbrake.store.log import IngestLog, read_log
from fleetbrake.store.lost import refuse_lost_recordings
from fleetbrake.store.observability import observability
from fleetbrake.store.publishing.changes import compare_events, compare_files, list_rows, note_files, nothing_changed
from fleetbrake.store.publishing.from_registers import take_registers
from fleetbrake.store.publishing.models import number, sql_of
from fleetbrake.store.publishing.state import EVENTS, begin_anew, drop_state, fingerprint, note, register_prints, stands
from fleetbrake.store.publishing.sums import sum_up, sum_up_changed, sum_up_missing
from fleetbrake.store.publishing.wide import number_incidents as _number_incidents
from fleetbrake.store.publishing.wide import write_rows
from fleetbrake.store.schema import append_rows, declared_columns, fill_table, replace_table

__all__ = [
    "PUBLISHING_MEMORY", "made_by", "newest_day", "number_incidents", "publish_recordings", "sum_up", "sum_up_missing",
]  # fmt: skip

#: Edge definitions: onsets this close are the same application; events this close are one incident (both s).
SAME_ONSET_S = 0.5
INCIDENT_S = 60.0

#: What DuckDB may hold in memory while it publishes (own choice: with Python, its libraries and the rows of a slice a
#: run stays under 1 GiB). What does not fit goes to files beside the private copy.
PUBLISHING_MEMORY = "400MB"

#: Where more than this share of all rows would be made anew, all are (own choice): it is quicker, and leaves the table
#: in order of time.
_MOST_SHARE = 0.5


def publish_recordings(
    con: duckdb.DuckDBPyConnection,
    store: Path,
    criteria: Criteria = DEFAULT,
    *,
    anew: bool = False,
    recount_to: int | None = None,
) -> None:
    """Fill events, event_wheels, ingest_log, observability, unknown_ids, the registers and what sums them up.

    The other tables stay as they are. Pieces of the lake that stand alone may become blocks.

    Parameters
    ----------
    con : connection of :func:`fleetbrake.store.database.rebuilding`.
    criteria : thresholds, by default the published ones.
    anew : make every row, whatever was published before.
    recount_to : only to compare with what stands published: the lake stays as it is, and what people entered counts up
        to this entry.

    Raises
    ------
    StoreError
        A part of the store is missing or damaged.
    """
    rest, logged, lake = for_publishing(store), read_log(store), Lake(store)
    if recount_to is None:
        lake.fold(logged.keys())
    log = shown_log(store, rest, logged)
    if recount_to is None:
        check_held(store)  # a store that went away meanwhile would seem to have lost them
        refuse_lost_recordings(con, store, log)
    print_ = made_by(criteria)
    # ids that a hold keeps and that may not be shown change many rows' texts: then all is looked at
    anew = anew or bool(rest.forgetter) or not stands(con, print_)
    try:
        if not _publish(con, store, criteria, rest, log, lake, print_, anew=anew, up_to=recount_to):
            _publish(con, store, criteria, rest, log, lake, print_, anew=True, up_to=recount_to)
        if recount_to is None and not rest.forgetter and somebody_back(con, Forgetter(read_tombstones(store))):
            # an older copy of the lake was put back: they are not shown, and the next run erases them there
            mark_left(store)
            rest = for_publishing(store)
            log = shown_log(store, rest, logged)
            _publish(con, store, criteria, rest, log, lake, print_, anew=True, up_to=None)
    except duckdb.Error as error:
        if lake.failure is not None:
            raise lake.failure from error
        raise
    if rest.forgetter:
        drop_state(con)


def somebody_back(con: duckdb.DuckDBPyConnection, forgetter: Forgetter) -> bool:
    """Whether a published column of drivers names somebody who was forgotten."""
    for name in ("events", *REGISTERS) if forgetter else ():
        for column in sorted(DRIVER_COLUMNS & set(declared_columns(name))):
            shown = con.execute(f"SELECT DISTINCT {column} FROM {name} WHERE {column} IS NOT NULL").fetchall()  # noqa: S608 - own names
            if any(forgetter.knows(row[0]) for row in shown):
                return True
    return False


def shown_log(store: Path, rest: AtRest, log: IngestLog) -> IngestLog:
    """The log as it is published: its paths name nobody who was forgotten."""
    return IngestLog(store, {new.path: new for new in map(rest.entry, log)}) if rest.forgetter else log


def made_by(criteria: Criteria = DEFAULT) -> str:
    """Fingerprint of the models, thresholds and tables by which rows are published."""
    return fingerprint(criteria, {"same_onset_s": SAME_ONSET_S, "incident_s": INCIDENT_S, **_words()})


def number_incidents(con: duckdb.DuckDBPyConnection) -> None:
    """Number the incidents of the published events anew, after a driver was taken out of them."""
    con.register("criteria", _criteria_row(DEFAULT))
    try:
        _number_incidents(con)
    finally:
        con.unregister("criteria")


def newest_day(con: duckdb.DuckDBPyConnection, today: date) -> date | None:
    """Day (UTC) of the newest published event that is not dated after ``today``; None without events."""
    row = con.execute(
        "SELECT max(CAST(started_at AT TIME ZONE 'UTC' AS DATE)) FROM events "
        "WHERE CAST(started_at AT TIME ZONE 'UTC' AS DATE) <= ?",
        [today],
    ).fetchone()
    return None if row is None else row[0]


def _publish(
    con: duckdb.DuckDBPyConnection,
    store: Path,
    criteria: Criteria,
    rest: AtRest,
    log: IngestLog,
    lake: Lake,
    print_: str,
    *,
    anew: bool,
    up_to: int | None,
) -> bool:
    """Publish; False where so much changed that all is to be made anew."""
    there = _temporary(con)
    con.register("criteria", _criteria_row(criteria))
    try:
        if anew:
            begin_anew(con)
        known = {} if anew else register_prints(con)
        prints = take_registers(con, store, rest, known, anew=anew, up_to=up_to)
        same_registers = prints == known
        replace_table(con, "observability", observability(criteria))
        compare_files(con, log.table(), lake)
        if not anew and same_registers and nothing_changed(con):
            note(con, print_, prints)
            return True
        compare_events(con, lake, rest)
        list_rows(con)
        if not anew and _much(con):
            drop_state(con)
            return False
        write_rows(con, lake, rest, anew=anew)
        _write_log(con)
        with_names = sql_of("unknown_ids")
        con.execute(f"CREATE TEMP VIEW mart AS {with_names}")
        fill_table(con, "unknown_ids", "mart")
        con.execute("DROP VIEW temp.mart")
        (sum_up if anew else sum_up_changed)(con)
        note_files(con)
        note(con, print_, prints)
        return True
    finally:
        for kind, name in _temporary(con) - there:
            con.execute(f'DROP {kind} IF EXISTS temp."{name}"')
        con.unregister("criteria")


def _much(con: duckdb.DuckDBPyConnection) -> bool:
    kept = number(con, f"SELECT count(*) FROM {EVENTS} WHERE fate = 'kept'")  # noqa: S608 - own names
    return number(con, "SELECT count(*) FROM pub_write") > _MOST_SHARE * kept


def _write_log(con: duckdb.DuckDBPyConnection) -> None:
    """The published log of the files in ``pub_paths``."""
    con.execute("DELETE FROM ingest_log WHERE path IN (SELECT path FROM pub_paths)")
    con.execute(
        "CREATE OR REPLACE TEMP VIEW file_log AS SELECT * EXCLUDE (events_stamp, wheels_stamp) FROM pub_files "
        "WHERE path IN (SELECT path FROM pub_paths)"
    )
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE int_fates AS SELECT * FROM {EVENTS} "  # noqa: S608 - own names
        f"WHERE {PIECE_KEY} IN (SELECT key FROM file_log)"
    )
    con.execute(f"CREATE TEMP VIEW mart AS {sql_of('ingest_log')}")
    append_rows(con, "ingest_log", "mart")
    con.execute("DROP VIEW temp.mart")


def _temporary(con: duckdb.DuckDBPyConnection) -> set[tuple[str, str]]:
    """Kind and name of the connection's temporary tables and views."""
    rows = con.execute(
        "SELECT 'TABLE', table_name FROM duckdb_tables() WHERE temporary UNION ALL "
        "SELECT 'VIEW', view_name FROM duckdb_views() WHERE temporary AND NOT internal"
    ).fetchall()
    return {(row[0], row[1]) for row in rows}


def _words() -> dict[str, object]:
    return {"categories": list(CATEGORIES), "light_categories": list(LIGHT_CATEGORIES)}


def _criteria_row(criteria: Criteria) -> pa.Table:
    """One row: every threshold, and the lists of words that the SQL files compare with."""
    return pa.Table.from_pylist(
        [{**asdict(criteria), "same_onset_s": SAME_ONSET_S, "incident_s": INCIDENT_S, **_words()}]
    )

"""A seal for the published tables that nothing makes again: scores, plans, what was told on days gone by.

What publishing makes is recounted from the lake; of these tables only their own rows can tell that they are the ones
that a run left. The seal is against damage and slips of the hand: whoever wants to forge one can.
"""

import hashlib
import json
from collections.abc import Collection
from typing import Final

import duckdb

from fleetbrake.core.tables import REGISTERS, TABLES
from fleetbrake.store.schema import SETTINGS, declared_columns, note_setting, quoted

#: Every table that publishing makes.
RECOUNTED: Final = (
    *("events", "event_wheels", "ingest_log", "observability", "unknown_ids"),
    *("month_figures", "month_surfaces", "month_work", "recording_facts", "recording_channels"),
    *REGISTERS,
)
#: Tables with a seal, and the setting of the published file that holds the seals.
SEALED: Final = tuple(sorted(set(TABLES) - set(RECOUNTED)))
SEALS: Final = "table_seals"
TAKEN: Final = "tables_taken_as_they_are"


def seal_tables(con: duckdb.DuckDBPyConnection, other: Collection[str] = ()) -> None:
    """Seal every such table as it is now.

    ``other``: tables that something else had changed before; that stays noted, unless somebody took them as they are.
    """
    taken = bool(con.execute(f"SELECT 1 FROM {SETTINGS} WHERE name = '{TAKEN}'").fetchall())  # noqa: S608 - own names
    con.execute(f"DELETE FROM {SETTINGS} WHERE name = '{TAKEN}'")  # noqa: S608 - own names
    seals = {name: _seal(con, "", name) for name in _whole(con)}
    note_setting(con, SEALS, json.dumps({"seals": seals, "changed": [] if taken else sorted(other)}, sort_keys=True))


def changed_tables(con: duckdb.DuckDBPyConnection, database: str = "", names: Collection[str] = SEALED) -> set[str]:
    """Those of the tables whose rows are not the ones that a run left, or were not at the begin of a later one.

    Of a file that an earlier version of this program or of the database wrote nothing is known: it passes.

    Parameters
    ----------
    database : where they are, if it is another one than the connection's own.
    names : tables that are there and can be read.
    """
    within = f"{quoted(database)}.main." if database else ""
    seals, changed = _noted(con, within)
    found = set(names) & set(changed)
    for name in sorted(set(names) & set(seals) - found):
        if seals[name][:1] == [_print(name)] and seals[name] != _seal(con, within, name):
            found.add(name)
    return found


def take_as_they_are(con: duckdb.DuckDBPyConnection) -> None:
    """The rows of tables that something else changed are taken as they stand, once these are sealed again."""
    note_setting(con, TAKEN, "")


def _whole(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Tables that are there with all of their columns: a version may have taken some away."""
    rows = con.execute(
        "SELECT table_name, list(column_name) FROM duckdb_columns() WHERE database_name = current_database() GROUP BY 1"
    ).fetchall()
    there = {name: set(columns) for name, columns in rows}
    return [name for name in SEALED if set(declared_columns(name)) <= there.get(name, set())]


def _noted(con: duckdb.DuckDBPyConnection, within: str) -> tuple[dict[str, list[str]], list[str]]:
    """Seals by table, and tables that were changed; nothing where that is not known."""
    rows = con.execute(f"SELECT value FROM {within}{SETTINGS} WHERE name = '{SEALS}'").fetchall()  # noqa: S608 - own names
    try:
        told = json.loads(rows[0][0]) if rows else {}
        return dict(told.get("seals", {})), list(told.get("changed", []))
    except (TypeError, ValueError, AttributeError):
        return {}, []


def _seal(con: duckdb.DuckDBPyConnection, within: str, name: str) -> list[str]:
    """On what the seal stands, number of rows, and the sum of their fingerprints: no order of rows changes it."""
    columns = ", ".join(map(quoted, declared_columns(name)))
    sql = f"SELECT count(*), coalesce(sum(CAST(hash({columns}) AS HUGEINT)), 0) FROM {within}{quoted(name)}"  # noqa: S608 - own names
    count, total = con.execute(sql).fetchall()[0]
    return [_print(name), str(count), str(total)]


def _print(name: str) -> str:
    """Another version of the database may give other fingerprints, another one of this program other columns."""
    told = json.dumps([duckdb.__version__, declared_columns(name)])
    return hashlib.sha256(told.encode()).hexdigest()[:16]

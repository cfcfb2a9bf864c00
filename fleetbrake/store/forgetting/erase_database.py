"""Forgotten ids out of the published database: every table, whatever version wrote it, and no totals changed."""

from collections import Counter
from pathlib import Path

import duckdb
import pyarrow as pa

from fleetbrake.store.database import database_path, rebuilding
from fleetbrake.store.forgetting.forgetter import DRIVER_COLUMNS, SPARED, Forgetter
from fleetbrake.store.publish import number_incidents
from fleetbrake.store.publishing.state import drop_state
from fleetbrake.store.schema import quoted

#: Tables whose rows are about one driver: they go. In all others the driver becomes NULL and the row stays.
OF_DRIVERS = ("drivers", "driver_style", "driver_coaching")


def erase_database(store: Path, forgetter: Forgetter) -> Counter[str]:
    """Take the forgotten ids out of every published table and write the file anew; rows changed or dropped by table.

    Nothing is done without a published database. Only for the holder of the writer's lock.
    """
    changed: Counter[str] = Counter()
    if not database_path(store).is_file():
        return changed
    with rebuilding(store, fresh=True) as con:
        drop_state(con)  # what stands in the published rows is no longer what was published
        for table, columns in _text_columns(con).items():
            changed[table] = max(_erase_column(con, table, column, forgetter) for column in columns)
        if changed["driver_style"]:
            _rank_again(con)
        if changed["events"]:
            number_incidents(con)
    return +changed


def _text_columns(con: duckdb.DuckDBPyConnection) -> dict[str, list[str]]:
    """Columns of text of every table, those of drivers first: whole rows go before their texts are looked at."""
    rows = con.execute(
        "SELECT table_name, column_name FROM duckdb_columns() WHERE data_type = 'VARCHAR' AND NOT internal "
        "AND database_name = current_database() ORDER BY table_name, column_index"
    ).fetchall()
    columns: dict[str, list[str]] = {}
    for table, column in rows:
        columns.setdefault(table, []).append(column)
    return {table: sorted(names, key=lambda name: name not in DRIVER_COLUMNS) for table, names in columns.items()}


def _erase_column(con: duckdb.DuckDBPyConnection, table: str, column: str, forgetter: Forgetter) -> int:
    if (table, column) == ("unknown_ids", "id"):
        gone = [one for one in _values(con, table, column, "kind = 'driver'") if forgetter.knows(one)]
        return _with(con, dict.fromkeys(gone), "DELETE FROM unknown_ids USING given WHERE kind = 'driver' AND id = old")
    if column in DRIVER_COLUMNS:
        gone = [one for one in _values(con, table, column) if forgetter.knows(one)]
        return _with(con, dict.fromkeys(gone), _driver_statement(table, column))
    if column in SPARED:
        return 0
    name = quoted(table)
    statement = f"UPDATE {name} SET {quoted(column)} = given.new FROM given WHERE {name}.{quoted(column)} = given.old"  # noqa: S608 - quoted names
    return _with(con, forgetter.texts(_values(con, table, column), column), statement)


def _driver_statement(table: str, column: str) -> str:
    name, same = quoted(table), f"{quoted(table)}.{quoted(column)} = given.old"
    if table in OF_DRIVERS:
        return f"DELETE FROM {name} USING given WHERE {same}"  # noqa: S608 - names of the file's own tables
    return f"UPDATE {name} SET {quoted(column)} = NULL FROM given WHERE {same}"  # noqa: S608 - quoted names


def _values(con: duckdb.DuckDBPyConnection, table: str, column: str, which: str = "true") -> list[str]:
    name = quoted(column)
    rows = con.execute(
        f"SELECT DISTINCT {name} FROM {quoted(table)} WHERE {name} IS NOT NULL AND {which} ORDER BY 1"  # noqa: S608 - quoted names
    ).fetchall()
    return [row[0] for row in rows]


def _with(con: duckdb.DuckDBPyConnection, given: dict[str, str] | dict[str, None], statement: str) -> int:
    """Number of rows that a statement changes with ``given`` (old, new) at hand."""
    if not given:
        return 0
    con.register(
        "given",
        pa.table({"old": pa.array(list(given), pa.string()), "new": pa.array(list(given.values()), pa.string())}),
    )
    try:
        return int(con.execute(statement).fetchall()[0][0])
    finally:
        con.unregister("given")


def _rank_again(con: duckdb.DuckDBPyConnection) -> None:
    """Ranks of drivers from 1 on again, without a gap that would tell of somebody."""
    con.execute(
        "UPDATE driver_style SET rank = again.place FROM (SELECT rowid AS number, row_number() OVER "
        "(PARTITION BY as_of ORDER BY rank, driver_id) AS place FROM driver_style WHERE rank IS NOT NULL) AS again "
        "WHERE driver_style.rowid = again.number AND driver_style.rank <> again.place"
    )

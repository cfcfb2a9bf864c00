"""The tables of the published database: making them, mending older files, filling them."""

import secrets
from collections.abc import Mapping
from typing import TYPE_CHECKING, TypeAlias

import duckdb
import pyarrow as pa

from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import REGISTERS, TABLES

if TYPE_CHECKING:
    import pandas as pd

#: Goes up when anything in a store changes so that an older program would read it wrongly or lose it when it writes:
#: the published tables, the lake and its log, registers, what people enter, runs, holds, rules. See ``store.format``.
SCHEMA_VERSION = 2

#: Name and value of what holds for the whole file.
SETTINGS = "settings"

Rows: TypeAlias = "duckdb.DuckDBPyRelation | pa.Table | pa.RecordBatchReader | pd.DataFrame"


def declared_columns(name: str) -> dict[str, str]:
    """Column name -> DuckDB type of a published table or register."""
    if name in TABLES:
        return {column.name: column.type for column in TABLES[name]}
    if name in REGISTERS:
        return dict(REGISTERS[name])
    raise StoreError(f"There is no table {name!r}.")


def quoted(identifier: str) -> str:
    """The identifier as SQL may hold it."""
    return '"' + identifier.replace('"', '""') + '"'


def create_tables(con: duckdb.DuckDBPyConnection) -> None:
    """Make every table and register that is missing, and the missing columns of those that are there.

    Raises
    ------
    StoreError
        The file was written by a newer version.
    """
    con.execute(f"CREATE TABLE IF NOT EXISTS {SETTINGS} (name VARCHAR PRIMARY KEY, value VARCHAR)")
    check_version(con)
    there = _columns_there(con)
    for name in (*TABLES, *REGISTERS):
        columns = declared_columns(name)
        if name not in there:
            con.execute(f"CREATE TABLE {quoted(name)} ({_column_list(columns)})")
            continue
        for column, type_ in columns.items():
            if column not in there[name]:
                con.execute(f"ALTER TABLE {quoted(name)} ADD COLUMN {quoted(column)} {type_}")
    con.execute(f"INSERT OR REPLACE INTO {SETTINGS} VALUES ('schema_version', ?)", [str(SCHEMA_VERSION)])  # noqa: S608 - own names


def note_setting(con: duckdb.DuckDBPyConnection, name: str, value: str) -> None:
    """Note something that holds for the whole file."""
    con.execute(f"CREATE TABLE IF NOT EXISTS {SETTINGS} (name VARCHAR PRIMARY KEY, value VARCHAR)")
    con.execute(f"INSERT OR REPLACE INTO {SETTINGS} VALUES (?, ?)", [name, value])  # noqa: S608 - own name


def setting_number(settings: Mapping[str, object], name: str) -> int:
    """A number among what the file says of itself; 0 where it says none."""
    told = str(settings.get(name, ""))
    return int(told) if told.isdecimal() else 0


def _columns_there(con: duckdb.DuckDBPyConnection) -> dict[str, set[str]]:
    """Columns of each table of the database, by its name: one query, where asking for each takes longer than all."""
    there: dict[str, set[str]] = {}
    rows = con.execute("SELECT table_name, column_name FROM duckdb_columns() WHERE database_name = current_database()")
    for table, column in rows.fetchall():
        there.setdefault(table, set()).add(column)
    return there


def check_version(con: duckdb.DuckDBPyConnection) -> None:
    """Refuse a file of a newer version (StoreError), or one that is no database of this program."""
    tables = set(_columns_there(con))
    if tables and not tables & {SETTINGS, *TABLES}:
        raise StoreError("The database of the store was not written by this program.")
    rows = []
    if SETTINGS in tables:  # to the last row: a result that is under way forbids other work on the connection
        rows = con.execute(f"SELECT name, value FROM {SETTINGS} WHERE name = 'schema_version'").fetchall()  # noqa: S608 - own names
    version = setting_number(dict(rows), "schema_version")
    if version > SCHEMA_VERSION:
        raise StoreError(newer_sentence(version))


def newer_sentence(found: int) -> str:
    """What is said of a store that a newer version wrote."""
    return (
        f"The store was written by a newer version of fleetbrake (format {found}, this one knows {SCHEMA_VERSION}); "
        "update fleetbrake or use another store."
    )


def replace_table(con: duckdb.DuckDBPyConnection, name: str, rows: Rows) -> None:
    """Replace all rows of a published table, by column name, in the declared columns and types.

    Columns that ``rows`` lacks become NULL; NaN and infinite numbers become NULL. ``rows`` may itself be a query of
    the table. A relation must come from the same connection.

    Raises
    ------
    StoreError
        ``rows`` has a column that the table does not declare, or a value that is not of the declared type.
    """
    incoming = f"incoming_{secrets.token_hex(4)}"
    if isinstance(rows, duckdb.DuckDBPyRelation):
        rows.create(incoming)
        try:
            fill_table(con, name, incoming)
        finally:
            con.execute(f"DROP TABLE {incoming}")
    else:
        con.register(incoming, rows)
        try:
            fill_table(con, name, incoming)
        finally:
            con.unregister(incoming)


def fill_table(con: duckdb.DuckDBPyConnection, name: str, source: str) -> None:
    """As :func:`replace_table`, from a table or view ``source`` of the connection."""
    fresh = f"fresh_{secrets.token_hex(4)}"
    con.execute(f"CREATE TABLE {fresh} ({_column_list(declared_columns(name))})")
    try:
        _insert(con, name, fresh, source)
    except StoreError:
        con.execute(f"DROP TABLE {fresh}")
        raise
    con.execute(f"DROP TABLE IF EXISTS {quoted(name)}")
    con.execute(f"ALTER TABLE {fresh} RENAME TO {quoted(name)}")


def append_rows(con: duckdb.DuckDBPyConnection, name: str, source: str) -> None:
    """Add the rows of a table or view ``source`` to a published table; else as :func:`replace_table`."""
    _insert(con, name, name, source)


def _insert(con: duckdb.DuckDBPyConnection, name: str, into: str, source: str) -> None:
    columns = declared_columns(name)
    given = [row[0] for row in con.execute(f"DESCRIBE {quoted(source)}").fetchall()]
    unknown = [column for column in given if column not in columns]
    if unknown:
        raise StoreError(f"Table {name} has no column {', '.join(unknown)}.")
    taken = {column: columns[column] for column in given}
    target = ", ".join(quoted(column) for column in taken)
    try:
        con.execute(f"INSERT INTO {quoted(into)} ({target}) {clean_select(taken, source)}")
    except duckdb.ConversionException as error:
        raise StoreError(f"Table {name}: {error}") from error


def clean_select(columns: dict[str, str], source: str) -> str:
    """SQL that reads ``columns`` (name -> type) of ``source`` in their types, with NULL for what is no number.

    DuckDB holds NaN for greater than every number, so that a comparison or a maximum would be wrong.
    """

    def expression(name: str, type_: str) -> str:
        cast = f"CAST({quoted(name)} AS {type_})"
        if type_ == "DOUBLE":
            cast = f"CASE WHEN isfinite({cast}) THEN {cast} END"
        return f"{cast} AS {quoted(name)}"

    # only names of declared columns and of our own tables come in here, quoted; values never do
    listed = ", ".join(expression(*item) for item in columns.items())
    return f"SELECT {listed} FROM {quoted(source)}"  # noqa: S608 - quoted names


def _column_list(columns: dict[str, str]) -> str:
    return ", ".join(f"{quoted(name)} {type_}" for name, type_ in columns.items())

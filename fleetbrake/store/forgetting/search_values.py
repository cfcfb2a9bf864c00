"""Every text that a file holds, decoded: Parquet, DuckDB, SQLite, archives, and plain text."""

import gzip
import sqlite3
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import duckdb
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from fleetbrake.store.fresh import NO_EXTENSIONS
from fleetbrake.store.schema import quoted
from fleetbrake.store.sealed import SET_ASIDE, Seal, seal_of
from fleetbrake.store.shut import shut, wary

_SQLITE: Final = b"SQLite format 3\0"
#: Where a DuckDB file says that it is one.
_DUCK_AT: Final = 8
_DUCK: Final = b"DUCK"
#: Parts of an archive of up to so many bytes are read.
_MOST: Final = 200_000_000


#: Parts of databases and Parquet files in which tables and columns are named.
NAMES_OF_TABLES: Final = frozenset({"names of columns", "names of tables", "definitions"})


@dataclass(frozen=True)
class Found:
    """Texts of one part of a file; ``column`` where it is a column, else empty."""

    part: str
    texts: list[str]
    column: str = ""


def values_of(path: Path) -> Iterator[Found]:
    """The texts of a file, part by part; of a file of unknown kind those of its lines, if it is text."""
    with path.open("rb") as file:
        head = file.read(16)
    if head[:4] == b"PAR1":
        yield from _parquet(path)
    elif head[_DUCK_AT : _DUCK_AT + len(_DUCK)] == _DUCK:
        yield from _duckdb(path)
    elif head == _SQLITE:
        yield from _sqlite(path)
    elif head[:2] == b"PK":
        with zipfile.ZipFile(path) as archive:
            for item in archive.infolist():
                yield Found("name of a part", [item.filename])
                if item.file_size <= _MOST:
                    yield from _lines(archive.read(item), item.filename)
    elif head[:2] == b"\x1f\x8b":
        yield from _lines(gzip.decompress(path.read_bytes()), "unpacked")
    else:
        yield from _lines(path.read_bytes(), "lines")


def _lines(content: bytes, part: str) -> Iterator[Found]:
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        return
    if "\0" not in text:
        yield Found(part, [text, *text.splitlines()] if text[:1] in "[{" else text.splitlines())


def _parquet(path: Path) -> Iterator[Found]:
    if SET_ASIDE in path.parts and seal_of(path) is not Seal.WHOLE:
        raise OSError("damaged: not decoded")
    with pq.ParquetFile(path) as parquet:
        schema = parquet.schema_arrow
        yield Found("names of columns", schema.names)
        yield Found("schema", [*_metadata(schema.metadata), *_metadata(parquet.metadata.metadata)])
        for group in range(parquet.num_row_groups):
            table = parquet.read_row_group(group)
            for name in table.column_names:
                yield Found(f"column {name}", list(_texts_of(table.column(name), name)), name)


def _metadata(pairs: dict[bytes, bytes] | None) -> list[str]:
    return [part.decode("utf-8", "replace") for pair in (pairs or {}).items() for part in pair]


def _texts_of(column: pa.ChunkedArray, name: str) -> Iterable[str]:
    """Every different text of a column; of one that names drivers numbers too."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column, kind = column.cast(kind.value_type), kind.value_type
    if pa.types.is_nested(kind):
        return {text for value in column.to_pylist() for text in _within(value)}
    if pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_binary(kind):
        return {text for value in pc.unique(column).to_pylist() for text in _within(value)}
    if "driver" in name.casefold():
        return {str(value) for value in pc.unique(column).to_pylist() if value is not None}
    return ()


def _within(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, bytes):
        yield value.decode("utf-8", "replace")
    elif isinstance(value, dict):
        for pair in value.items():
            yield from _within(list(pair))
    elif isinstance(value, list | tuple | set):
        for one in value:
            yield from _within(one)


def _duckdb(path: Path) -> Iterator[Found]:
    place = str(path.resolve()).replace("'", "''")
    with duckdb.connect(":memory:", config=dict(NO_EXTENSIONS)) as con:
        con.execute(f"ATTACH '{place}' AS searched (TYPE duckdb, READ_ONLY)")
        shut(con)
        yield Found("names of tables", _said(con, "table_name, sql", "column_name, column_default", "view_name, sql"))
        yield Found("comments", _said(con, "comment", "comment", "comment"))
        columns = con.execute(
            "SELECT schema_name, table_name, column_name FROM duckdb_columns() WHERE database_name = 'searched' "
            "AND NOT internal AND (regexp_matches(data_type, 'VARCHAR|BLOB|JSON|ENUM') "
            "OR contains(lower(column_name), 'driver')) ORDER BY ALL"
        ).fetchall()
        for schema, table, column in columns:
            name = quoted(column)
            rows = con.execute(
                f"SELECT DISTINCT CAST({name} AS VARCHAR) FROM searched.{quoted(schema)}.{quoted(table)} "  # noqa: S608 - quoted names
                f"WHERE {name} IS NOT NULL"
            ).fetchall()
            yield Found(f"table {table}, column {column}", [row[0] for row in rows], column)


def _said(con: duckdb.DuckDBPyConnection, tables: str, columns: str, views: str) -> list[str]:
    """What the file itself says of its tables, columns and views."""
    asked = (
        f"SELECT {tables} FROM duckdb_tables() WHERE database_name = 'searched'",  # noqa: S608 - own names
        f"SELECT {columns} FROM duckdb_columns() WHERE database_name = 'searched'",  # noqa: S608 - own names
        f"SELECT {views} FROM duckdb_views() WHERE database_name = 'searched' AND NOT internal",  # noqa: S608 - own names
    )
    return [str(cell) for sql in asked for row in con.execute(sql).fetchall() for cell in row if cell is not None]


def _sqlite(path: Path) -> Iterator[Found]:
    def asked(con: sqlite3.Connection, sql: str) -> list[tuple[Any, ...]]:
        return con.execute(sql).fetchall()

    # opened as writers do, since one that was killed may have left something to be undone first
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=rw", uri=True)) as con:
        wary(con)
        con.text_factory = lambda raw: raw.decode("utf-8", "replace")
        definitions = asked(con, "SELECT name, sql FROM sqlite_master")
        yield Found("definitions", [str(cell) for row in definitions for cell in row])
        tables = asked(con, "SELECT name FROM sqlite_master WHERE type = 'table'")
        for (table,) in tables:
            for _, column, *_rest in asked(con, f"PRAGMA table_info({quoted(table)})"):
                rows = asked(con, f"SELECT DISTINCT {quoted(column)} FROM {quoted(table)}")  # noqa: S608 - quoted names
                texts = [text for row in rows for text in _within(row[0])]
                yield Found(f"table {table}, column {column}", texts, column)

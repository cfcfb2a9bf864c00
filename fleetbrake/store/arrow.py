"""Arrow tables in the types of the published columns."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from fleetbrake.core.errors import StoreError
from fleetbrake.store.files import write_bytes
from fleetbrake.store.sealed import check_footer, sealed

ARROW_TYPES: dict[str, pa.DataType] = {
    "VARCHAR": pa.string(),
    "DOUBLE": pa.float64(),
    "BIGINT": pa.int64(),
    "BOOLEAN": pa.bool_(),
    "TIMESTAMPTZ": pa.timestamp("us", tz="UTC"),
    "DATE": pa.date32(),
}


def arrow_schema(columns: Mapping[str, str]) -> pa.Schema:
    """Schema of columns given as name -> DuckDB type."""
    return pa.schema([(name, ARROW_TYPES[type_]) for name, type_ in columns.items()])


def in_schema(table: pa.Table, schema: pa.Schema, what: str) -> pa.Table:
    """The table with just the columns of ``schema``, in its types; what is missing is NULL, what is unknown falls away.

    Raises
    ------
    StoreError
        A value does not fit the type of its column; ``what`` names the table.
    """
    arrays, there = [], set(table.column_names)
    for field in schema:
        if field.name not in there:
            arrays.append(pa.nulls(table.num_rows, field.type))
            continue
        try:
            column = table.column(field.name)
            arrays.append(column if column.type == field.type else column.cast(field.type))
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError) as error:
            raise StoreError(f"{what}: column {field.name} does not hold {field.type}: {error}") from error
    return pa.table(arrays, schema=schema)


def in_one(values: pa.Array | pa.ChunkedArray) -> pa.Array:
    """The values as one array."""
    return values.combine_chunks() if isinstance(values, pa.ChunkedArray) else values


def how_many(mask: pa.BooleanArray | pa.ChunkedArray) -> int:
    """Number of true values."""
    return int(pc.sum(mask).as_py() or 0)


#: For a table of a hundred columns and few rows: what helps large tables takes most of the time and room of small ones.
_FEW_ROWS: Final = {"compression": "lz4", "use_dictionary": False, "write_statistics": False, "store_schema": False}


def write_parquet(path: Path, table: pa.Table, *, few_rows: bool = False) -> None:
    """Write the table to ``path``, wholly or not at all; ``few_rows``: in the way that is quickest for such a one."""
    write_bytes(path, parquet_bytes(table, few_rows=few_rows))


def parquet_bytes(table: pa.Table, *, few_rows: bool = False) -> memoryview:
    """What :func:`write_parquet` writes of the table: pages with checksums, and a seal."""
    how: dict[str, Any] = dict(_FEW_ROWS) if few_rows else {"compression": "zstd"}
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, write_page_checksum=True, **how)
    return sealed(memoryview(sink.getvalue()))


def read_parquet(
    path: Path, schema: pa.Schema, what: str, columns: list[str] | None = None, *, few_rows: bool = False
) -> pa.Table:
    """The stored table, or an empty one if there is none; ``what`` names it in the StoreError of a broken file.

    ``columns``: read no others; those that an older version did not write are NULL. ``few_rows``: threads would only
    be in each other's way.
    """
    if not path.exists():
        return schema.empty_table()
    try:
        with path.open("rb") as file:  # an open file, so that no name is read as a pattern or an address
            check_footer(file)
            parquet = pq.ParquetFile(file, page_checksum_verification=True)
            there = set(parquet.schema_arrow.names)
            names = None if columns is None else [name for name in columns if name in there]
            return in_schema(parquet.read(columns=names, use_threads=not few_rows), schema, what)
    except (OSError, ValueError, pa.ArrowException) as error:  # a name that is no text any more, for instance
        raise StoreError(f"Cannot read {what} ({path}): {error}") from error

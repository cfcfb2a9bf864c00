"""Arrow tables in the types of the published columns."""

from collections.abc import Mapping
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from fleetbrake.core.errors import StoreError
from fleetbrake.store.files import write_atomically

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


def write_parquet(path: Path, table: pa.Table) -> None:
    """Write the table to ``path``, wholly or not at all."""
    write_atomically(path, lambda part: pq.write_table(table, part, compression="zstd"))


def read_parquet(path: Path, schema: pa.Schema, what: str, columns: list[str] | None = None) -> pa.Table:
    """The stored table, or an empty one if there is none; ``what`` names it in the StoreError of a broken file.

    ``columns``: read no others; those that an older version did not write are NULL.
    """
    if not path.exists():
        return schema.empty_table()
    try:
        with path.open("rb") as file:  # an open file, so that no name is read as a pattern or an address
            parquet = pq.ParquetFile(file)
            there = set(parquet.schema_arrow.names)
            names = None if columns is None else [name for name in columns if name in there]
            return in_schema(parquet.read(columns=names), schema, what)
    except (OSError, pa.ArrowInvalid) as error:
        raise StoreError(f"Cannot read {what} ({path}): {error}") from error

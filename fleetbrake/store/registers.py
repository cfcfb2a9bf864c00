"""Registers as kept in the store: one Parquet file each, upserted by key."""

from collections.abc import Mapping
from pathlib import Path

import pyarrow as pa

from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import REGISTER_KEYS, REGISTERS
from fleetbrake.store.arrow import arrow_schema, in_schema, read_parquet, write_parquet


def merge_registers(store: Path, tables: Mapping[str, pa.Table]) -> None:
    """Upsert rows into the registers; a later row replaces an earlier one of the same key, as a whole.

    Parts of a key that are empty (NULL) are equal. Columns that a register does not have are ignored. Nothing is
    written before all tables are found good. Only for the holder of the writer's lock.

    Raises
    ------
    StoreError
        There is no such register, or a column has values of another type.
    """
    merged = {name: upserted(name, read_register(store, name), table) for name, table in tables.items()}
    for name, table in merged.items():
        write_parquet(register_path(store, name), table)


def write_register(store: Path, name: str, table: pa.Table) -> None:
    """Put other rows in place of all of a register's. Only for the holder of the writer's lock."""
    write_parquet(register_path(store, name), in_schema(table, _schema(name), f"register {name}"))


def read_register(store: Path, name: str) -> pa.Table:
    """The rows of a register in order of key, empty if there are none."""
    if name not in REGISTERS:
        raise StoreError(f"There is no register {name!r}.")
    return read_parquet(register_path(store, name), _schema(name), f"register {name}")


def upserted(name: str, known: pa.Table, more: pa.Table) -> pa.Table:
    """Rows of a register with more of them, in order of key; a later row replaces an earlier one of the same key."""
    schema = _schema(name)
    rows = pa.concat_tables([in_schema(known, schema, f"register {name}"), in_schema(more, schema, f"register {name}")])
    keys = list(REGISTER_KEYS[name])
    numbered = rows.append_column("row_number", pa.array(range(rows.num_rows), pa.int64()))
    last = numbered.group_by(keys).aggregate([("row_number", "max")]).column("row_number_max")
    # in order of key, so that the order of reading leaves no trace
    return rows.take(last).sort_by([(key, "ascending") for key in keys]).combine_chunks()


def _schema(name: str) -> pa.Schema:
    return arrow_schema(dict(REGISTERS[name]))


def register_path(store: Path, name: str) -> Path:
    """Where a register is kept."""
    return store / "registers" / f"{name}.parquet"

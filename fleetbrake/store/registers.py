"""Registers as kept in the store: one Parquet file each, upserted by key."""

from collections.abc import Mapping
from pathlib import Path

import pyarrow as pa

from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import REGISTER_KEYS, REGISTERS
from fleetbrake.store.arrow import arrow_schema, in_schema, read_parquet, write_parquet
from fleetbrake.store.lost import is_older, lost_sentence, older_sentence, refuse_part
from fleetbrake.store.numbered import Written, numbered, written
from fleetbrake.store.remembered import register_path, remember, remembered

__all__ = ["merge_registers", "read_register", "register_path", "rows_there", "upserted", "write_register"]


def merge_registers(store: Path, tables: Mapping[str, pa.Table]) -> None:
    """Upsert rows into the registers; a later row replaces an earlier one of the same key, as a whole.

    Parts of a key that are empty (NULL) are equal. Columns that a register does not have are ignored. Nothing is
    written before all tables are found good. Only for the holder of the writer's lock.

    Raises
    ------
    StoreError
        There is no such register, a column has values of another type, or a register whose file is gone or an older
        copy would come back with a part of its rows alone.
    """
    for name, table in tables.items():
        refuse_part(store, name, table)
    merged = {name: upserted(name, rows_there(store, name), table) for name, table in tables.items()}
    _put(store, {name: table for name, table in merged.items() if not _as_it_is(store, name, table)})


def write_register(store: Path, name: str, table: pa.Table) -> None:
    """Put other rows in place of all of a register's. Only for the holder of the writer's lock."""
    _put(store, {name: in_schema(table, _schema(name), f"register {name}")})


def _put(store: Path, tables: Mapping[str, pa.Table]) -> None:
    """Write the files, each as one newer than any before, and note that."""
    noted = remembered(store).registers_written
    for name, table in tables.items():
        path = register_path(store, name)
        before = max(noted.get(name, Written()), written(path) or Written())
        write_parquet(path, numbered(table, before.number + 1))
    if tables:
        remember(store)


def _as_it_is(store: Path, name: str, table: pa.Table) -> bool:
    """Whether the file holds just these rows already, and is the newest: it need not be written again."""
    there = written(register_path(store, name))
    if there is None or not there.number or is_older(store, name):
        return False
    return rows_there(store, name).equals(table)


def read_register(store: Path, name: str) -> pa.Table:
    """The rows of a register in order of key, empty if there never were any.

    Raises
    ------
    StoreError
        There is no such register, its file cannot be read, is an older copy, or is gone: that is no empty one.
    """
    rows = rows_there(store, name)
    if name in remembered(store).registers and not register_path(store, name).is_file():
        raise StoreError(lost_sentence(name))
    if is_older(store, name):
        raise StoreError(older_sentence(name))
    return rows


def rows_there(store: Path, name: str) -> pa.Table:
    """As :func:`read_register`, empty where the file is gone, and as it is where that is an older copy."""
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

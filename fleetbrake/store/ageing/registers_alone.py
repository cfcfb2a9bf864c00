"""The registers with what was entered, in a database of their own in memory: for questions that need no recordings."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import duckdb

from fleetbrake.core.tables import REGISTERS
from fleetbrake.store.database import database_path, reading
from fleetbrake.store.findings import merged_registers
from fleetbrake.store.fresh import NO_EXTENSIONS
from fleetbrake.store.lost import refuse_lost_entries, refuse_lost_registers
from fleetbrake.store.registers import read_register
from fleetbrake.store.schema import create_tables, replace_table
from fleetbrake.store.shut import shut


@contextmanager
def registers_alone(store: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """Connection to every table, of which only the registers are filled; times are shown in UTC. Nothing is kept.

    Raises
    ------
    StoreError
        A register or what was entered cannot be read, or is gone.
    """
    if database_path(store).is_file():
        with reading(store) as published:
            refuse_lost_registers(published, store)
            refuse_lost_entries(published, store)
    with closing(duckdb.connect(":memory:", config=dict(NO_EXTENSIONS))) as con:
        con.execute("SET TimeZone = 'UTC'")
        shut(con)
        create_tables(con)
        for name in REGISTERS:
            replace_table(con, name, read_register(store, name))
        merged_registers(con, store)
        yield con

"""Published rows made once more beside the published file, which is never touched, and both compared."""

import shutil
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.store.database import (
    create_tables,
    database_path,
    first_line,
    open_private,
    private_path,
)
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.publish import PUBLISHING_MEMORY
from fleetbrake.store.schema import declared_columns, quoted
from fleetbrake.store.shut import shut
from fleetbrake.store.table_seals import RECOUNTED

__all__ = ["PUBLISHED", "RECOUNTED", "beside", "differing"]

#: The published file under this name.
PUBLISHED: Final = "published"


@contextmanager
def beside(store: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """Connection to a private, empty database with every table, and to the published file (``published``), to be read.

    What does not fit into memory goes to files beside it; all of it is removed at the end. For the holder of the
    writer's lock.

    Raises
    ------
    StoreError
        The published file cannot be opened, or nothing can be written in the store.
    """
    with writer_lock(store, "check"):
        private = private_path(store)
        try:
            with closing(open_private(private, PUBLISHING_MEMORY, None)) as con:
                create_tables(con)
                name = str(database_path(store).resolve()).replace("'", "''")
                try:
                    con.execute(f"ATTACH '{name}' AS {PUBLISHED} (TYPE duckdb, READ_ONLY)")
                except duckdb.Error as error:
                    raise StoreError(f"Cannot read {database_path(store)}: {first_line(error)}") from error
                shut(con, lock=False)
                yield con
        finally:
            for path in (private, Path(f"{private}.wal")):
                path.unlink(missing_ok=True)
            shutil.rmtree(f"{private}.spilled", ignore_errors=True)


def differing(con: duckdb.DuckDBPyConnection, table: str, which: str = "true") -> tuple[int, int]:
    """Rows of a table that only the published file has, and rows that only the private one has; (0, 0): the same.

    ``which``: an SQL condition on the rows. Sums of fingerprints tell tables apart that are the same, so that rows are
    compared one by one only where they are not.
    """
    columns = ", ".join(quoted(name) for name in declared_columns(table))
    sides = [f"{name}{quoted(table)} WHERE {which}" for name in (f"{PUBLISHED}.main.", "main.")]
    sums = [
        con.execute(f"SELECT count(*), sum(CAST(hash({columns}) AS HUGEINT)) FROM {side}").fetchall()  # noqa: S608 - own names
        for side in sides
    ]
    if sums[0] == sums[1]:
        return 0, 0
    selected = [f"SELECT {columns} FROM {side}" for side in sides]  # noqa: S608 - own names
    more = f"SELECT count(*) FROM ({selected[0]} EXCEPT ALL {selected[1]})"  # noqa: S608 - own names
    less = f"SELECT count(*) FROM ({selected[1]} EXCEPT ALL {selected[0]})"  # noqa: S608 - own names
    return int(con.execute(more).fetchall()[0][0]), int(con.execute(less).fetchall()[0][0])

"""The one door from reports and pages to the published database: open, read, close, for every single read.

The file may be replaced by a newer one at any time; nobody here keeps a connection, but for the block of
:func:`one_snapshot`, in which everything is read from the file that stood when it began.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa

from fleetbrake.core.errors import StoreError
from fleetbrake.store.database import reading

#: Whole numbers and truth values keep their NULLs; text and dates have NaN / NaT / None for NULL.
_NULLABLE: dict[pa.DataType, Any] = {
    pa.int64(): pd.Int64Dtype(),
    pa.int32(): pd.Int64Dtype(),
    pa.bool_(): pd.BooleanDtype(),
}

#: Every day that was scored, whatever table it left rows in: one run of scoring fills all three for the same day, so
#: that a page or file that takes its day from here never mixes two runs.
SCORED_DAYS = "SELECT as_of FROM vehicle_health UNION SELECT as_of FROM indicators UNION SELECT as_of FROM driver_style"


#: Connections held by :func:`one_snapshot` of this thread, by the store's resolved path.
_HELD: ContextVar[dict[Path, duckdb.DuckDBPyConnection] | None] = ContextVar("held", default=None)


@contextmanager
def published(store: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """Read-only connection to the store's published database, in UTC; inside :func:`one_snapshot` always the same.

    Raises
    ------
    StoreError
        If there is no database yet, or it cannot be opened or read.
    """
    held = (_HELD.get() or {}).get(Path(store).resolve())
    try:
        if held is not None:
            yield held
            return
        with reading(Path(store)) as con:
            con.complete()  # a half-read result of opening would block a relation
            yield con
    except duckdb.Error as error:
        raise StoreError(_unreadable(store)) from error


@contextmanager
def one_snapshot(store: Path) -> Iterator[None]:
    """Everything that this thread reads of the store inside the block comes from the file published when it began.

    Raises ``StoreError`` as :func:`published` does.
    """
    with published(store) as con:
        token = _HELD.set({**(_HELD.get() or {}), Path(store).resolve(): con})
        try:
            yield
        finally:
            _HELD.reset(token)


def _unreadable(store: Path) -> str:
    return (
        "The published database cannot be read: a table or column is missing. It is of an earlier version: "
        f"run 'fleetbrake score --store {store}' or ingest again, which brings it up to date."
    )


def arrow(store: Path, sql: str, parameters: Sequence[object] = ()) -> pa.Table:
    """Result of one query as an Arrow table; ``parameters`` fill the question marks."""
    with published(store) as con:
        return con.sql(sql, params=list(parameters)).to_arrow_table()


def frame(store: Path, sql: str, parameters: Sequence[object] = ()) -> pd.DataFrame:
    """Result of one query: Int64, boolean, float64 (NaN for NULL), str, UTC stamps, dates as objects."""
    return nullable_frame(arrow(store, sql, parameters))


def nullable_frame(table: pa.Table) -> pd.DataFrame:
    """An Arrow table as a data frame with the same types as :func:`frame`."""
    return table.to_pandas(types_mapper=_NULLABLE.get)

"""Feature rows as they may be published: what a hold keeps, or what is not erased yet, is not shown."""

from collections.abc import Iterator

import duckdb
import pyarrow as pa
import pyarrow.dataset as ds

from fleetbrake.store.forgetting.at_rest import AtRest
from fleetbrake.store.lake import DRIVER_FORGOTTEN


def shown_rows(con: duckdb.DuckDBPyConnection, name: str, rows: ds.Dataset, rest: AtRest) -> str:
    """Name under which the connection reads the feature rows without forgotten ids.

    ``name`` itself, registered, where nobody was forgotten; else a temporary table.
    """
    if not rest.forgetter:
        con.register(name, rows)
        return name
    shown = f"shown_{name}"
    con.register(name, pa.RecordBatchReader.from_batches(rows.schema, _cleaned(rows, rest)))
    con.execute(f"CREATE TEMP TABLE {shown} AS FROM {name}")
    return shown


def drop_shown(con: duckdb.DuckDBPyConnection, name: str) -> None:
    """Take away what :func:`shown_rows` made."""
    con.unregister(name)
    con.execute(f"DROP TABLE IF EXISTS temp.shown_{name}")


def _cleaned(rows: ds.Dataset, rest: AtRest) -> Iterator[pa.RecordBatch]:
    for batch in rows.to_batches():
        table = pa.Table.from_batches([batch])
        cleaned = rest.events(table) if DRIVER_FORGOTTEN in table.column_names else rest.wheels(table)
        yield from cleaned.combine_chunks().to_batches()

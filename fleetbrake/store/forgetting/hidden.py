"""Feature rows as they may be published: what a hold keeps, or what is not erased yet, is not shown."""

from collections.abc import Sequence

import pyarrow as pa

from fleetbrake.store.forgetting.at_rest import AtRest
from fleetbrake.store.lake import DRIVER_FORGOTTEN, PieceRows


def shown_rows(rows: PieceRows, rest: AtRest, columns: Sequence[str] | None = None) -> pa.RecordBatchReader:
    """The feature rows without forgotten ids, read as they are asked for; all columns, or some.

    Events only where ``columns`` has both names and drivers, or ``rest`` knows the names in the lake already.
    """
    names = list(columns) if columns is not None else rows.schema.names
    schema = pa.schema([rows.schema.field(name) for name in names])
    batches = rows.to_batches(names, _TOGETHER)
    if not rest.forgetter:
        return pa.RecordBatchReader.from_batches(schema, batches)
    events = DRIVER_FORGOTTEN in rows.schema.names
    cleaned = (
        (rest.events if events else rest.wheels)(pa.Table.from_batches([batch])).select(names).combine_chunks()
        for batch in batches
    )
    return pa.RecordBatchReader.from_batches(schema, (one for table in cleaned for one in table.to_batches()))


#: Rows of a batch; own choice, some dozen megabytes.
_TOGETHER = 20_000

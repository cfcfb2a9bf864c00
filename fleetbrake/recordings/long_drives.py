"""What holds for a whole drive that is read in portions: found out before the first portion is handed on.

Only so can a drive whose time runs back be rejected whole, however long it is: half a drive is never taken in. A few
columns are read for it, some thousand rows at a time.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.core.errors import InputError
from fleetbrake.recordings import validation
from fleetbrake.recordings.columns import floats, microseconds, text_codes
from fleetbrake.recordings.layout import Layout

_LOOKED_AT = ("timestamp", "driver_id", "brake_pedal_pct")


@dataclass
class LongDrive:
    """One drive of many rows, and how far its portions were handed on.

    ``times`` and ``pedal`` are over all its rows, ``drivers`` who drove; ``last_us`` is the last stamp of the portions
    taken so far.
    """

    times: validation.TimesSoFar
    pedal: validation.PedalSoFar = field(default_factory=validation.PedalSoFar)
    drivers: set[str] = field(default_factory=set)
    last_us: int | None = None

    @property
    def rejected(self) -> str | None:
        """Why nothing of the drive is taken in, if so."""
        return self.times.rejected

    def look(self, layout: Layout, table: pa.Table) -> None:
        """Take in its next rows."""
        self.times.add(*microseconds(layout.filled["timestamp"], table))
        if "driver_id" in layout.filled and len(self.drivers) < 2:
            codes, words = text_codes(layout.filled["driver_id"], table)
            self.drivers.update(words[code] for code in np.unique(codes).tolist() if code >= 0)
        pedal = layout.filled.get("brake_pedal_pct")
        if pedal is not None and pedal.entry.relative_to is None:
            self.pedal.add(floats(pedal, table, {})[0])


def looked_at(layout: Layout) -> list[str]:
    """Source columns that :meth:`LongDrive.look` needs."""
    filled = (layout.filled[name] for name in _LOOKED_AT if name in layout.filled)
    return list(dict.fromkeys(name for item in filled for name in item.sources))


def long_drive(layout: Layout, start: int, tables: Iterable[pa.Table]) -> LongDrive:
    """What the rows of a drive show that begins at the file's row ``start``."""
    drive = LongDrive(validation.TimesSoFar(start))
    for table in tables:
        drive.look(layout, table)
    return drive


def groups_of(metadata: pq.FileMetaData, start: int, stop: int) -> tuple[list[int], int]:
    """The row groups in which the rows ``[start, stop)`` lie, and the first row of these; InputError if none do."""
    ends = np.cumsum([metadata.row_group(i).num_rows for i in range(metadata.num_row_groups)])
    if not 0 <= start < stop or not len(ends) or stop > ends[-1]:
        raise InputError("the file has fewer rows than this event needs")
    first, last = np.searchsorted(ends, (start, stop - 1), side="right")
    return list(range(first, last + 1)), int(ends[first - 1]) if first else 0


def rows_of(
    parquet: pq.ParquetFile, start: int, stop: int, columns: list[str], rows_at_once: int
) -> Iterator[pa.Table]:
    """Rows ``[start, stop)`` of a file, some at a time, decoding no other row group.

    Raises
    ------
    InputError
        If the file has no such rows.
    """
    groups, place = groups_of(parquet.metadata, start, stop)
    for chunk in parquet.iter_batches(rows_at_once, row_groups=groups, columns=columns, use_threads=False):
        before, after = max(0, start - place), min(chunk.num_rows, stop - place)
        if before < after:
            yield pa.Table.from_batches([chunk.slice(before, after - before)])
        place += chunk.num_rows
    if place < stop:
        raise EOFError(f"its rows end at {place}")

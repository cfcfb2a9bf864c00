"""Which rows of a file belong to which event, and in which portions they are read.

The key column (``event_id``, in a continuous drive ``vehicle_id``) is read first and alone: only so can an event
whose rows do not stand together be rejected whole, however far apart its parts are.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.recordings.batch import Ints
from fleetbrake.recordings.columns import text_codes
from fleetbrake.recordings.layout import Layout

#: Rows of the key column read at once.
_KEY_ROWS = 4_000_000


@dataclass(frozen=True)
class Group:
    """Whole runs of rows that are read together.

    ``starts`` and ``stops`` are rows of the file ``(E,)``; ``keys`` the runs' ids (None: no id); ``apart`` marks runs
    whose id comes again elsewhere in the file.
    """

    starts: Ints
    stops: Ints
    keys: npt.NDArray[np.object_]
    apart: npt.NDArray[np.bool_]

    @property
    def start(self) -> int:
        """First row."""
        return int(self.starts[0])

    @property
    def stop(self) -> int:
        """One past the last row."""
        return int(self.stops[-1])

    @property
    def rows(self) -> int:
        """Number of rows."""
        return self.stop - self.start


def plan_groups(parquet: pq.ParquetFile, layout: Layout, continuous: bool, rows_per_batch: int) -> list[Group]:
    """The file's runs of one key, gathered to groups of about ``rows_per_batch`` rows."""
    key = layout.filled.get("vehicle_id" if continuous else "event_id")
    if key is None or not key.sources:
        # one vehicle for the whole file, from the path or a constant
        name = None if key is None else str(key.entry.constant)
        starts = np.zeros(1, dtype=np.int64)
        keys = np.array([name], dtype=object)
    else:
        starts, keys = _runs(parquet, layout, key.column.name)
    stops = np.append(starts[1:], parquet.metadata.num_rows).astype(np.int64)
    apart = _comes_again(keys)
    portion = starts // max(rows_per_batch, 1)
    edges = np.flatnonzero(np.diff(portion)) + 1
    return [
        Group(starts[rows], stops[rows], keys[rows], apart[rows]) for rows in np.split(np.arange(len(starts)), edges)
    ]


def one_group(layout: Layout, continuous: bool, table: pa.Table, start: int) -> Group:
    """Rows read on their own, as one event that begins at the file's row ``start``; apart if they hold several ids."""
    key = np.array([None], dtype=object)
    several = False
    if not continuous:
        codes, words = text_codes(layout.filled["event_id"], table)
        found = np.unique(codes)
        several = len(found) > 1
        key[0] = words[found[0]] if len(words) and found[0] >= 0 else None
    return Group(np.array([start]), np.array([start + table.num_rows]), key, np.array([several]))


def _runs(parquet: pq.ParquetFile, layout: Layout, name: str) -> tuple[Ints, npt.NDArray[np.object_]]:
    """First rows and ids of the runs of equal key."""
    filled = layout.filled[name]
    starts: list[Ints] = []
    keys: list[npt.NDArray[np.object_]] = []
    row = 0
    for chunk in parquet.iter_batches(batch_size=_KEY_ROWS, columns=list(filled.sources), use_threads=False):
        codes, words = text_codes(filled, pa.Table.from_batches([chunk]))
        if not len(codes):
            continue
        first = np.concatenate(([0], np.flatnonzero(np.diff(codes)) + 1))
        table = np.array([*words, None], dtype=object)
        found = table[codes[first]]
        if keys and keys[-1][-1] == found[0]:  # the run goes on from the chunk before
            first, found = first[1:], found[1:]
        if len(first):
            starts.append(first.astype(np.int64) + row)
            keys.append(found)
        row += len(codes)
    if row != parquet.metadata.num_rows:
        raise EOFError(f"it has {row} rows and says {parquet.metadata.num_rows}")
    return np.concatenate(starts), np.concatenate(keys)


def _comes_again(keys: npt.NDArray[np.object_]) -> npt.NDArray[np.bool_]:
    """Runs whose key has more than one run; runs without a key are not compared."""
    codes, _ = pd.factorize(keys)  # -1 for no key
    counts = np.bincount(codes[codes >= 0], minlength=1)
    again: npt.NDArray[np.bool_] = (codes >= 0) & (counts[np.maximum(codes, 0)] > 1)
    return again

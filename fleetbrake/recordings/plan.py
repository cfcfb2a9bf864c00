"""Which rows of a file belong to which event, and in which portions they are read.

The key column (``event_id``, in a continuous drive ``vehicle_id``) is read first and alone: only so can an event
whose rows do not stand together be rejected whole, however far apart its parts are.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from fleetbrake.core.errors import InputError
from fleetbrake.core.foreign_text import kept_id
from fleetbrake.recordings.batch import Ints
from fleetbrake.recordings.bounds import check_texts
from fleetbrake.recordings.columns import encoded, says_nothing, text_codes
from fleetbrake.recordings.layout import Filled, Layout

#: Rows of the key column read at once.
KEY_ROWS: Final = 250_000

#: Events, or vehicles one after the other, of one file, and bytes of their ids: beyond, no list of them is kept, so
#: that memory stays bounded. Own choice: a recording a vehicle and day has some hundreds.
MOST_RUNS: Final = 2_000_000
MOST_KEY_BYTES: Final = 100_000_000


@dataclass(frozen=True)
class Group:
    """Whole runs of rows that are read together.

    ``starts`` and ``stops`` are rows of the file ``(E,)``; ``keys`` the runs' ids (None: no id); ``apart`` marks runs
    whose id comes again elsewhere in the file. ``keyed``: the ids are the file's own, row for row.
    """

    starts: Ints
    stops: Ints
    keys: npt.NDArray[np.object_]
    apart: npt.NDArray[np.bool_]
    keyed: bool = False

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

    def part(self, start: int, stop: int) -> "Group":
        """Rows ``[start, stop)`` of a group of one run."""
        return Group(np.array([start]), np.array([stop]), self.keys, self.apart, self.keyed)


def key_column(layout: Layout, continuous: bool) -> Filled | None:
    """What tells one run of rows from the next; None for one vehicle named by the path."""
    return layout.filled.get("vehicle_id" if continuous else "event_id")


def plan_groups(parquet: pq.ParquetFile, layout: Layout, continuous: bool, rows_per_batch: int) -> Iterator[Group]:
    """The file's runs of one key, gathered to groups of about ``rows_per_batch`` rows; a longer run is alone.

    Raises
    ------
    InputError
        If there are so many runs that the key cannot be one.
    """
    key = key_column(layout, continuous)
    if key is None or not key.sources:
        # one vehicle for the whole file, from the path or a constant
        name = None if key is None else kept_id(str(key.entry.constant))
        starts, keys = np.zeros(1, dtype=np.int64), pa.array([name], pa.string())
    else:
        starts, keys = _runs(parquet, key)
    stops = np.append(starts[1:], parquet.metadata.num_rows).astype(np.int64)
    apart = _comes_again(keys)
    portion = starts // max(rows_per_batch, 1)
    alone = stops - starts > rows_per_batch
    edges = np.flatnonzero((np.diff(portion) != 0) | alone[1:] | alone[:-1]) + 1
    for first, last in zip(np.append(0, edges), np.append(edges, len(starts)), strict=True):
        rows = slice(int(first), int(last))
        names = keys[rows].to_numpy(zero_copy_only=False)
        yield Group(starts[rows], stops[rows], names, apart[rows], key is not None)


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


def _runs(parquet: pq.ParquetFile, filled: Filled) -> tuple[Ints, pa.StringArray]:
    """First rows and ids of the runs of equal key."""
    starts: list[Ints] = []
    keys: list[pa.StringArray] = []
    row = count = size = 0
    for chunk in parquet.iter_batches(batch_size=KEY_ROWS, columns=list(filled.sources), use_threads=False):
        if not chunk.num_rows:
            continue
        first, found = _runs_of(pa.Table.from_batches([chunk]).column(0), filled)
        starts.append(first.astype(np.int64) + row)
        keys.append(found)
        row, count, size = row + chunk.num_rows, count + len(first), size + found.nbytes
        if count > MOST_RUNS or size > MOST_KEY_BYTES:
            raise InputError(_too_many(filled, count, row))
    if row != parquet.metadata.num_rows:
        raise EOFError(f"it has {row} rows and says {parquet.metadata.num_rows}")
    return _joined(np.concatenate(starts), pa.concat_arrays(keys))


def _runs_of(column: pa.ChunkedArray, filled: Filled) -> tuple[Ints, pa.StringArray]:
    """First positions and ids of runs in one portion; neighbours may both be without an id."""
    codes, words = encoded(column)
    words = pc.cast(words, pa.string())
    check_texts(words, filled.sources[0])
    first = np.concatenate(([0], np.flatnonzero(codes[1:] != codes[:-1]) + 1))
    at = codes[first]
    lengths = np.append(pc.fill_null(pc.binary_length(words), 0).to_numpy(zero_copy_only=False), 0)
    if int(lengths[at].sum(dtype=np.int64)) > MOST_KEY_BYTES:
        raise InputError(_too_many(filled, len(first), len(codes)))
    found = words.take(pa.array(np.where(at < 0, 0, at), mask=at < 0))
    given = found.to_pylist()
    kept = [None if word is None or says_nothing(word, filled) else kept_id(word) for word in given]
    return first, found if kept == given else pa.array(kept, pa.string())


def _joined(starts: Ints, keys: pa.StringArray) -> tuple[Ints, pa.StringArray]:
    """The runs with those made one that go on from one portion to the next, and those without an id in a row."""
    same = pc.equal(keys[1:], keys[:-1]).fill_null(False).to_numpy(zero_copy_only=False)
    nothing = keys.is_null().to_numpy(zero_copy_only=False)
    begins = np.append(True, ~(same | (nothing[1:] & nothing[:-1])))
    return starts[begins], keys.filter(pa.array(begins))


def _comes_again(keys: pa.StringArray) -> npt.NDArray[np.bool_]:
    """Runs whose key has more than one run; runs without a key are not compared."""
    codes = keys.dictionary_encode().indices.fill_null(-1).to_numpy(zero_copy_only=False)
    counts = np.bincount(codes[codes >= 0], minlength=1)
    again: npt.NDArray[np.bool_] = (codes >= 0) & (counts[np.maximum(codes, 0)] > 1)
    return again


def _too_many(filled: Filled, count: int, rows: int) -> str:
    source = filled.sources[0]
    return (
        f"column {source} changes {count} times within {rows} rows, or holds very long texts: more than can be told "
        f"apart. Is it the {filled.column.name} of a recording? Split the file if it is"
    )

"""``STORE/readings.parquet``: the readings that the newest log names, outside of the lake and written before the log.

What an older lake lacks, or a log that was made again, is known by it file by file, until it is read in again. Of paths
it holds digests alone, since they may name people.
"""

import hashlib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import StoreError
from fleetbrake.store.arrow import in_one, read_parquet, write_parquet
from fleetbrake.store.numbered import numbered, written
from fleetbrake.store.sealed import Seal, seal_of

READINGS_NAME: Final = "readings.parquet"
#: A reading: digest of its file's path; key of its piece, which follows from path, bytes and settings; and what it is
#: to the log: named by it, lacking, or lacking before and named by this one.
READINGS_SCHEMA: Final = pa.schema([("path", pa.uint64()), ("key", pa.string()), ("state", pa.int8())])
NAMED: Final = 0
LACKING: Final = 1
CAME_IN: Final = 2
NONE: Final = READINGS_SCHEMA.empty_table()
#: Stands for readings of which no more is known than that they are lacking: no log names it.
UNKNOWN: Final = pa.Table.from_pylist([{"path": 0, "key": None, "state": LACKING}], schema=READINGS_SCHEMA)


def readings_of(log: pa.Table) -> pa.Table:
    """What the rows of a log name, in ``READINGS_SCHEMA``: files of which something is in."""
    there = log.filter(pc.is_valid(log.column("key")))
    return _table(digests(there.column("path").to_pylist()), there.column("key"), NAMED)


def digests(paths: Iterable[str]) -> npt.NDArray[np.uint64]:
    """A digest of 64 bits of each path, in their order: a second for a million."""
    found = [hashlib.blake2b(path.encode(), digest_size=8).digest() for path in paths]
    return np.frombuffer(b"".join(found), dtype=np.dtype("<u8"))


def fingerprint_of(log: pa.Table) -> str:
    """Fingerprint of the readings that a log names, whatever their order."""
    keys = sorted(log.column("key").drop_null().to_pylist())
    return hashlib.sha256("\n".join(keys).encode()).hexdigest()[:32]


def writing_of_list(store: Path) -> int:
    """Number of the log that the list was written for; 0 where it is gone or cannot be read."""
    there = written(store / READINGS_NAME)
    return 0 if there is None else there.number


def listed(store: Path, number: int) -> pa.Table | None:
    """The list, in ``READINGS_SCHEMA``; None where it is gone, damaged, or of an earlier log than ``number``."""
    path = store / READINGS_NAME
    try:
        whole = writing_of_list(store) >= max(number, 1) and seal_of(path) is Seal.WHOLE
        return read_parquet(path, READINGS_SCHEMA, "the list of readings") if whole else None
    except (OSError, StoreError):
        return None


def write_list(store: Path, log: pa.Table, lacking: pa.Table, number: int) -> None:
    """Write the list for the log of this number. Only for the holder of the writer's lock.

    ``lacking``: what was lacking before. What of it the log names stands in the list once more, by its key alone: where
    a kill comes before the log is written, it is lacking still.
    """
    left = not_named(lacking, log)
    came = lacking.filter(pc.invert(pc.is_in(lacking.column("key"), value_set=in_one(left.column("key")))))
    came = came.filter(pc.is_valid(came.column("key")))
    came = _table(np.zeros(came.num_rows, np.uint64), came.column("key"), CAME_IN)
    write_parquet(store / READINGS_NAME, numbered(pa.concat_tables([readings_of(log), left, came]), number))


def not_named(readings: pa.Table, log: pa.Table) -> pa.Table:
    """Those of the list that a log of these rows does not name, as lacking."""
    if not readings.num_rows:
        return NONE
    keys = in_one(log.column("key").drop_null())
    left = readings.filter(pc.invert(pc.is_in(readings.column("key"), value_set=keys)))
    return _table(left.column("path"), left.column("key"), LACKING)


def in_state(readings: pa.Table, *states: int) -> pa.Table:
    """Those of the list in one of these states."""
    return readings.filter(pc.is_in(readings.column("state"), value_set=pa.array(states, pa.int8())))


def without_paths(readings: pa.Table, paths: Iterable[str]) -> pa.Table:
    """Those of the list that are of none of these paths."""
    return readings.filter(pc.invert(pc.is_in(readings.column("path"), value_set=pa.array(digests(paths)))))


def replaced(log: pa.Table, readings: pa.Table, there: pa.Array) -> pa.Array:
    """Which rows of a log are of a path that was read again since, by the list, and whose newer rows are there.

    ``there``: keys of the pieces that are in the lake.
    """
    newer = readings.filter(pc.is_in(readings.column("key"), value_set=there))
    of_path = pc.is_in(pa.array(digests(log.column("path").to_pylist())), value_set=in_one(newer.column("path")))
    return pc.and_(of_path, pc.invert(pc.is_in(in_one(log.column("key")), value_set=in_one(newer.column("key")))))


def _table(paths: Any, keys: Any, state: int) -> pa.Table:
    return pa.table([paths, keys, pa.array(np.full(len(keys), state, np.int8))], schema=READINGS_SCHEMA)

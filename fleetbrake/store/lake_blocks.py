"""Blocks of the lake: the rows of many pieces in two Parquet files, with an index that says which piece is where.

A fleet's pieces are small, and opening a file takes as long as reading thousands of rows. A piece that stands alone
counts before the same one in a block, so that a killed run leaves every piece readable: the block comes first, then the
index, and only then do the pieces that stood alone go.
"""

import hashlib
from collections.abc import Iterable, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import StoreError
from fleetbrake.store.arrow import arrow_schema, in_one, parquet_bytes, read_parquet, write_parquet
from fleetbrake.store.files import write_bytes

#: Grain of the index: a piece in a block. ``events``, ``wheels``: rows; ``*_stamp``: fingerprints
#: of the files that the piece was before.
INDEX_SCHEMA: Final = arrow_schema(
    {
        "key": "VARCHAR",
        "block": "VARCHAR",
        "events": "BIGINT",
        "wheels": "BIGINT",
        "events_stamp": "BIGINT",
        "wheels_stamp": "BIGINT",
    }
)
EVENTS_HALF, WHEELS_HALF = "events", "event_wheels"


class Blocks:
    """The blocks in a folder. Only the holder of the writer's lock may write."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder / "blocks"
        self._index_path = folder / "blocks.parquet"
        self.failure: StoreError | None = None
        self._see(None, INDEX_SCHEMA.empty_table())

    def __reduce__(self) -> tuple[type["Blocks"], tuple[Path]]:
        return Blocks, (self._folder.parent,)  # small: whoever gets it reads the index anew

    def index(self) -> pa.Table:
        """Where each piece is, in ``INDEX_SCHEMA``; those whose block has gone are not in it."""
        self._look()
        return self._index

    def block_of(self, key: str) -> str | None:
        """The block that holds the piece."""
        self._look()
        row = self._rows.get(key)
        return None if row is None else str(self._index.column("block")[row].as_py())

    def __contains__(self, key: object) -> bool:
        self._look()
        return key in self._rows

    def path(self, block: str, half: str) -> Path:
        """File of one half of a block."""
        return self._folder / f"{block}.{half}.parquet"

    def read(self, block: str, half: str, schema: pa.Schema) -> pa.Table:
        """Rows of a half of a block in the columns of ``schema``, those of pieces that do not count any more included.

        StoreError where it is missing or damaged.
        """
        path = self.path(block, half)
        try:
            stamp = path.stat().st_mtime_ns
        except OSError as error:
            raise StoreError(f"Feature rows are missing from {self._folder}: ingest the recordings again.") from error
        return _read(path, stamp, schema)

    def write(self, stamps: pa.Table, events: pa.Table, wheels: pa.Table) -> pa.Table:
        """Write one block, and return its rows for the index.

        Parameters
        ----------
        stamps : key, events_stamp and wheels_stamp of each of its pieces.
        events, wheels : the rows of those pieces, with ``piece_key``.
        """
        name = name_of(stamps)
        write_parquet(self.path(name, WHEELS_HALF), wheels)
        write_parquet(self.path(name, EVENTS_HALF), events)
        return _index_rows(name, stamps, events, wheels)

    def write_new(self, keys: Sequence[str], events: pa.Table, wheels: pa.Table) -> pa.Table:
        """As :meth:`write`, of pieces that never stood alone: stamps follow from the block's bytes and the key."""
        halves = {EVENTS_HALF: parquet_bytes(events), WHEELS_HALF: parquet_bytes(wheels)}
        prints = {half: hashlib.sha256(content).digest() for half, content in halves.items()}
        stamps = {
            "key": pa.array(keys, pa.string()),
            "events_stamp": [_stamp(prints[EVENTS_HALF], key) for key in keys],
            "wheels_stamp": [_stamp(prints[WHEELS_HALF], key) for key in keys],
        }
        table = pa.table(stamps)
        name = name_of(table)
        for half, content in halves.items():
            write_bytes(self.path(name, half), content)
        return _index_rows(name, table, events, wheels)

    def write_index(self, rows: pa.Table) -> None:
        """Put another index in place."""
        write_parquet(self._index_path, rows.sort_by("key").combine_chunks())

    def remove_unnamed(self) -> None:
        """Remove blocks that the index does not name: what a killed run left, and what was written anew."""
        if not self._folder.is_dir():
            return
        named = set(pc.unique(self._read_index().column("block")).to_pylist())
        for path in self._folder.iterdir():
            if path.name.split(".", 1)[0] not in named:
                path.unlink(missing_ok=True)

    def _look(self) -> None:
        """Read the index again if it was replaced."""
        try:
            status = self._index_path.stat()
        except FileNotFoundError:
            self._see(None, INDEX_SCHEMA.empty_table())
            return
        seen = (status.st_ino, status.st_mtime_ns, status.st_size)
        if seen == self._seen:
            return
        rows = self._read_index()
        there = {path.name for path in self._folder.iterdir()} if self._folder.is_dir() else set()
        whole = [
            name
            for name in pc.unique(rows.column("block")).to_pylist()
            if {self.path(name, EVENTS_HALF).name, self.path(name, WHEELS_HALF).name} <= there
        ]
        self._see(seen, rows.filter(pc.is_in(rows.column("block"), value_set=pa.array(whole, pa.string()))))

    def _see(self, seen: tuple[int, int, int] | None, index: pa.Table) -> None:
        self._index = index.combine_chunks()
        self._rows = {key: row for row, key in enumerate(self._index.column("key").to_pylist())}
        self._seen = seen

    def _read_index(self) -> pa.Table:
        return read_parquet(self._index_path, INDEX_SCHEMA, "the index of the feature rows")


def rows_of(table: pa.Table, column: str, keys: Iterable[str]) -> pa.Table:
    """Rows of these pieces; the very table where it has no others."""
    wanted = pc.is_in(table.column(column), value_set=pa.array(sorted(keys), pa.string()))
    return table if pc.all(wanted, min_count=0).as_py() else table.filter(in_one(wanted))


def name_of(stamps: pa.Table) -> str:
    """Name of a block: follows from its pieces and their rows."""
    told = "\n".join(" ".join(map(str, row.values())) for row in stamps.sort_by("key").to_pylist())
    return hashlib.sha256(told.encode()).hexdigest()[:32]


def _stamp(content: bytes, key: str) -> int:
    return int.from_bytes(hashlib.sha256(content + key.encode()).digest()[:8], signed=True)


def _index_rows(name: str, stamps: pa.Table, events: pa.Table, wheels: pa.Table) -> pa.Table:
    ordered = stamps.sort_by("key")
    rows = {
        "key": ordered.column("key"),
        "block": pa.repeat(pa.scalar(name), ordered.num_rows),
        "events": _counts(events, ordered.column("key")),
        "wheels": _counts(wheels, ordered.column("key")),
        "events_stamp": ordered.column("events_stamp"),
        "wheels_stamp": ordered.column("wheels_stamp"),
    }
    return pa.table(rows, schema=INDEX_SCHEMA)


def _counts(table: pa.Table, keys: pa.ChunkedArray) -> pa.Array:
    counted = pc.value_counts(in_one(table.column("piece_key")))
    by_key = {row["values"]: row["counts"] for row in counted.to_pylist()}
    return pa.array([by_key.get(key, 0) for key in keys.to_pylist()], pa.int64())


# Pieces of a block are asked for one after another; its rows stay at hand, a few megabytes.
@lru_cache(maxsize=2)
def _read(path: Path, stamp: int, schema: pa.Schema) -> pa.Table:
    """Rows of a block's half; ``stamp`` tells a file from an earlier one of its name."""
    del stamp
    return read_parquet(path, schema, "feature rows", columns=schema.names)

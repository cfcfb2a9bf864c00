"""The lake: feature rows in Parquet, a piece (events and their wheels) an input file; many pieces make a block."""

import hashlib
import json
import os
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import StoreError
from fleetbrake.store.arrow import arrow_schema, in_schema, read_parquet, write_parquet
from fleetbrake.store.files import move_into, remove_parts
from fleetbrake.store.lake_blocks import EVENTS_HALF, WHEELS_HALF, Blocks, rows_of
from fleetbrake.store.lake_schema import LAKE_EVENT_WHEELS, LAKE_EVENTS
from fleetbrake.store.lock import check_held
from fleetbrake.store.remembered import no_copy

#: Every row carries the key of its piece, so that it finds its file in the log.
PIECE_KEY = "piece_key"
#: The recording named a driver who was forgotten: no trip may name another one in his place.
DRIVER_FORGOTTEN = "driver_forgotten"

EVENTS_SCHEMA = arrow_schema({**LAKE_EVENTS, DRIVER_FORGOTTEN: "BOOLEAN", PIECE_KEY: "VARCHAR"})
WHEELS_SCHEMA = arrow_schema({**LAKE_EVENT_WHEELS, PIECE_KEY: "VARCHAR"})

#: A piece, and fingerprints of its halves.
STAMPS_SCHEMA: Final = arrow_schema({"key": "VARCHAR", "events_stamp": "BIGINT", "wheels_stamp": "BIGINT"})

#: Pieces that stand alone become blocks from this number on (own choice: opening them all takes under a second), of so
#: many pieces and events at most (own choice: writing a block anew takes about half a second and 100 MB).
FOLD_FROM, BLOCK_PIECES, BLOCK_EVENTS = 256, 1024, 20_000

#: What the key of a piece looks like.
KEY_FORM: Final = "[0-9a-f]{32}"
_KEY = re.compile(KEY_FORM)


def piece_key(path: str, sha256: str, settings: str) -> str:
    """Name of the piece of a file: 32 hex digits that change with its path, its bytes or the settings."""
    return hashlib.sha256(json.dumps([path, sha256, settings]).encode()).hexdigest()[:32]


def check_ids(events: pa.Table) -> None:
    """StoreError where an event id of one file stands in two rows."""
    if events.num_rows != pc.count_distinct(events.column("event_id")).as_py():
        raise StoreError("A recording gives two events of one id (or one without): its rows cannot be kept apart.")


@dataclass(frozen=True)
class PieceRows:
    """Rows of one half of some pieces, read only when asked for, in an order that follows from keys and blocks.

    Attributes
    ----------
    schema : of the rows.
    blocks : (block, keys of its pieces that are wanted).
    alone : files of pieces that stand alone.
    """

    schema: pa.Schema
    half: str
    source: Blocks
    blocks: tuple[tuple[str, tuple[str, ...]], ...]
    alone: tuple[Path, ...]

    def tables(self, columns: Sequence[str] | None = None) -> Iterator[pa.Table]:
        """A table a block, then one a piece that stands alone. StoreError where one is missing or damaged."""
        names = list(columns) if columns is not None else self.schema.names
        schema = pa.schema([self.schema.field(name) for name in names])
        keyed = schema if PIECE_KEY in names else schema.append(self.schema.field(PIECE_KEY))
        try:
            for block, keys in self.blocks:
                yield rows_of(self.source.read(block, self.half, keyed), PIECE_KEY, keys).select(names)
            for path in self.alone:
                yield read_parquet(path, schema, "feature rows", columns=names, few_rows=True)
        except StoreError as error:
            self.source.failure = StoreError(f"{str(error).rstrip('.')}; run `fleetbrake check --repair`.")
            raise self.source.failure from error

    def to_batches(self, columns: Sequence[str] | None = None, batch_size: int = 200_000) -> Iterator[pa.RecordBatch]:
        """The rows in batches of some thousands, small pieces joined."""
        waiting: list[pa.Table] = []
        rows = 0
        for table in self.tables(columns):
            waiting.append(table)
            rows += table.num_rows
            if rows >= batch_size:
                yield from pa.concat_tables(waiting).combine_chunks().to_batches(max_chunksize=batch_size)
                waiting, rows = [], 0
        if waiting:
            yield from pa.concat_tables(waiting).combine_chunks().to_batches(max_chunksize=batch_size)

    def to_table(self, columns: Sequence[str] | None = None) -> pa.Table:
        """All rows."""
        names = list(columns) if columns is not None else self.schema.names
        empty = pa.schema([self.schema.field(name) for name in names]).empty_table()
        return pa.concat_tables([empty, *self.tables(columns)])

    def count_rows(self) -> int:
        """Number of rows."""
        return sum(table.num_rows for table in self.tables([PIECE_KEY]))


class Lake:
    """The feature rows of a store.

    Several processes may write pieces at once; only the holder of the writer's lock may do anything else to them.
    """

    def __init__(self, store: Path) -> None:
        self.folder = store / "lake"
        self._events = self.folder / EVENTS_HALF
        self._wheels = self.folder / WHEELS_HALF
        self._blocks = Blocks(self.folder)

    @property
    def failure(self) -> StoreError | None:
        """Why rows could not be read, once it was so: who is handed rows as they are read tells it in other words."""
        return self._blocks.failure

    def write_piece(self, key: str, events: pa.Table, wheels: pa.Table, *, wheels_first: bool = False) -> None:
        """Write the rows of one file, in the columns of ``LAKE_EVENTS`` and ``LAKE_EVENT_WHEELS``.

        The piece counts only once the log names it. ``wheels_first``: for a piece that is there already, so that one
        whose events are new has new wheels too, whenever a run is killed.

        Raises
        ------
        StoreError
            A column has the wrong type, an event id stands in two rows, or the disk does not take it.
        """
        check_ids(events)
        check_held(self.folder.parent)
        halves = [(self._events, events, EVENTS_SCHEMA), (self._wheels, wheels, WHEELS_SCHEMA)]
        for folder, table, schema in reversed(halves) if wheels_first else halves:
            write_parquet(self._file(folder, key), _keyed([key], [table], schema), few_rows=True)

    def write_block(self, pieces: Sequence[tuple[str, pa.Table, pa.Table]]) -> pa.Table:
        """Write new pieces (key, events, wheels, as of :meth:`write_piece`) as one block; its rows of the index.

        They are not there before :meth:`add_blocks` has them. None of them may be there already (:meth:`is_new`), and
        whoever collects them sees to :func:`check_ids`.
        """
        check_held(self.folder.parent)
        keys, events, wheels = zip(*pieces, strict=True)
        return self._blocks.write_new(keys, _keyed(keys, events, EVENTS_SCHEMA), _keyed(keys, wheels, WHEELS_SCHEMA))

    def add_blocks(self, rows: Sequence[pa.Table]) -> None:
        """Have the pieces of blocks that were just written, by their rows of the index."""
        if rows:
            for folder in (self._events, self._wheels):  # there in every lake, also where no piece stands alone
                folder.mkdir(parents=True, exist_ok=True)
            self._blocks.write_index(pa.concat_tables([self._blocks.index(), *rows]))

    def is_new(self, key: str) -> bool:
        """Whether nothing of the piece lies anywhere, not even what a run left that was killed."""
        return key not in self._blocks and not any(path.exists() for path in self.files_of(key))

    def files_of(self, key: str) -> tuple[Path, Path]:
        """Where the halves of a piece that stands alone are, whether or not they are there."""
        return self._file(self._events, key), self._file(self._wheels, key)

    def take_pieces(self, keys: Iterable[str], other: "Lake") -> None:
        """Move pieces that stand alone in another lake into this one, in place of those of the same keys.

        Raises
        ------
        StoreError
            A piece is not there, or cannot be moved.
        """
        moves = [pair for key in keys for pair in zip(other.files_of(key), self.files_of(key), strict=True)]
        move_into(moves, (self._events, self._wheels))

    def events_of(self, key: str, columns: Sequence[str] | None = None) -> pa.Table:
        """Events of one piece, all columns (with ``PIECE_KEY``) or some. StoreError if it is missing or damaged."""
        return self._half_of(key, self._events, EVENTS_SCHEMA, columns)

    def wheels_of(self, key: str) -> pa.Table:
        """Wheels of one piece, as :meth:`events_of`."""
        return self._half_of(key, self._wheels, WHEELS_SCHEMA)

    def rewrite_events(self, key: str, events: pa.Table) -> None:
        """Put other values into the events of a piece that is there; its wheels stay. ``events`` as of `events_of`.

        A piece of a block stands alone from then on; :meth:`tidy` takes its old rows out of the block.
        """
        if not self._alone(key):
            write_parquet(self._file(self._wheels, key), self.wheels_of(key), few_rows=True)
        write_parquet(self._file(self._events, key), in_schema(events, EVENTS_SCHEMA, "feature rows"), few_rows=True)

    def all_keys(self) -> set[str]:
        """Keys of all pieces that are there, named by a log or not."""
        return self._all_alone() | set(self._blocks.index().column("key").to_pylist())

    def some_twice(self) -> bool:
        """Whether a piece stands alone and in a block: one that is rewritten does until the end, or an older copy of it
        was put back. The one alone counts."""
        return any(key in self._blocks for key in self._all_alone())

    def has(self, key: str) -> bool:
        """Whether both halves of the piece are there."""
        return self._checked(key) in self._blocks or self._alone(key)

    def block_of(self, key: str) -> str | None:
        """The block that holds the piece, None where it stands alone."""
        return None if self._alone(key) else self._blocks.block_of(key)

    def in_order(self, keys: Iterable[str]) -> list[str]:
        """The keys, those of one block together: the order in which pieces are quickest to read."""
        places = {key: self.block_of(key) or "" for key in keys}
        return sorted(places, key=lambda key: (places[key], key))

    def stamps(self) -> pa.Table:
        """Every piece that is there, in ``STAMPS_SCHEMA``: other rows have another stamp."""
        index, alone = self._blocks.index(), sorted(self._all_alone())
        rows = [self._stamps_of(key) for key in alone]
        in_blocks = index.filter(pc.invert(pc.is_in(index.column("key"), value_set=pa.array(alone, pa.string()))))
        return pa.concat_tables([in_blocks.select(STAMPS_SCHEMA.names), pa.Table.from_pylist(rows, STAMPS_SCHEMA)])

    def pieces(self, keys: Iterable[str]) -> tuple[PieceRows, PieceRows]:
        """Events and wheels of these pieces, read only when asked for.

        Raises
        ------
        StoreError
            A piece is missing.
        """
        listed, alone = sorted({self._checked(key) for key in keys}), self._all_alone()
        missing, blocks = 0, defaultdict[str, list[str]](list)
        for key in listed:
            block = None if key in alone else self._blocks.block_of(key)
            if block is not None:
                blocks[block].append(key)
            missing += block is None and key not in alone
        if missing:
            raise StoreError(
                f"The feature rows of {missing} recording files are missing from {self.folder}: run `fleetbrake check "
                "--repair`, ingest the recordings again, they are then read anew, or put the lake back from a copy of "
                f"the store. {no_copy('recordings')}"
            )
        wanted = tuple((block, tuple(blocks[block])) for block in sorted(blocks))
        single = [key for key in listed if key in alone]

        def half(folder: Path, schema: pa.Schema) -> PieceRows:
            files = tuple(self._file(folder, key) for key in single)
            return PieceRows(schema, folder.name, self._blocks, wanted, files)

        return half(self._events, EVENTS_SCHEMA), half(self._wheels, WHEELS_SCHEMA)

    def remove_unlisted(self, keys: Iterable[str]) -> int:
        """Remove the pieces that the log does not name (call after committing it); number of files removed.

        Many pieces that stand alone become blocks.
        """
        listed = set(keys)
        removed = 0
        for folder in (self._events, self._wheels):
            remove_parts(folder)
            for path in folder.glob("*.parquet"):
                if path.stem not in listed:
                    path.unlink(missing_ok=True)
                    removed += 1
        self.tidy(listed)
        return removed

    def fold(self, keys: Iterable[str]) -> None:
        """Make blocks of the pieces that stand alone, where they are many and nothing else would be quicker."""
        if len(_stems(self._events)) >= FOLD_FROM:
            self.tidy(keys)

    def tidy(self, keys: Iterable[str]) -> None:
        """Leave in blocks no row that does not count: of pieces not among ``keys``, or written anew since.

        Many pieces that stand alone become blocks. A run that is killed leaves every piece readable.
        """
        listed, alone = set(keys), self._all_alone()
        index = self._blocks.index()
        gone = [key for key in index.column("key").to_pylist() if key not in listed or key in alone]
        folded = sorted(alone & listed) if len(alone & listed) >= FOLD_FROM else []
        if gone or folded:
            worn = pc.is_in(index.column("key"), value_set=pa.array(gone, pa.string()))
            torn = pc.unique(index.filter(worn).column("block"))
            in_torn = pc.is_in(index.column("block"), value_set=torn)
            left = index.filter(pc.and_(in_torn, pc.invert(worn)))
            fresh = [*self._mended(left), *self._folded(folded)]
            self._blocks.write_index(pa.concat_tables([index.filter(pc.invert(in_torn)), *fresh]))
        halves = (_stems(self._events) ^ _stems(self._wheels)) & set(index.column("key").to_pylist())
        for key in (*folded, *halves):  # half a piece is of a run that was killed: the one in the block counts
            self._file(self._events, key).unlink(missing_ok=True)
            self._file(self._wheels, key).unlink(missing_ok=True)
        remove_parts(self.folder)
        # where a piece that counts is nowhere, the index may be what was lost: its blocks stay to be mended
        if listed <= alone | set(self._blocks.index().column("key").to_pylist()):
            self._blocks.remove_unnamed()

    def _mended(self, left: pa.Table) -> Iterator[pa.Table]:
        """Torn blocks written anew with what is left of them (rows of the index); their rows of the index."""
        for name in sorted(set(left.column("block").to_pylist())):
            rows = left.filter(pc.equal(left.column("block"), name))
            keys = rows.column("key").to_pylist()
            halves = [
                rows_of(self._blocks.read(name, half, schema), PIECE_KEY, keys)
                for half, schema in ((EVENTS_HALF, EVENTS_SCHEMA), (WHEELS_HALF, WHEELS_SCHEMA))
            ]
            yield self._blocks.write(rows.select(STAMPS_SCHEMA.names), *halves)

    def _folded(self, keys: Sequence[str]) -> Iterator[pa.Table]:
        """Blocks of pieces that stood alone; their rows of the index."""
        bundle: list[tuple[dict[str, str | int], pa.Table, pa.Table]] = []
        events = 0
        for number, key in enumerate(keys, start=1):
            one = (self._stamps_of(key), self.events_of(key), self.wheels_of(key))
            bundle.append(one)
            events += one[1].num_rows
            if len(bundle) == BLOCK_PIECES or events >= BLOCK_EVENTS or number == len(keys):
                stamps = pa.Table.from_pylist([row for row, _, _ in bundle], STAMPS_SCHEMA)
                yield self._blocks.write(
                    stamps, pa.concat_tables([one[1] for one in bundle]), pa.concat_tables([one[2] for one in bundle])
                )
                bundle, events = [], 0

    def _stamps_of(self, key: str) -> dict[str, str | int]:
        values = key, _stamp(self._file(self._events, key)), _stamp(self._file(self._wheels, key))
        return dict(zip(STAMPS_SCHEMA.names, values, strict=True))

    def _half_of(self, key: str, folder: Path, whole: pa.Schema, columns: Sequence[str] | None = None) -> pa.Table:
        names = list(columns) if columns is not None else whole.names
        schema = pa.schema([whole.field(name) for name in names])
        path = self._file(folder, key)
        block = None if self._alone(key) else self._blocks.block_of(key)
        if block is not None:
            keyed = schema if PIECE_KEY in names else schema.append(whole.field(PIECE_KEY))
            rows = rows_of(self._blocks.read(block, folder.name, keyed), PIECE_KEY, [key])
            return rows.select(names).combine_chunks()
        if not path.is_file():
            raise StoreError(f"The feature rows {key} are missing from {self.folder}: ingest the recordings again.")
        return read_parquet(path, schema, "feature rows", columns=names, few_rows=True)

    def _alone(self, key: str) -> bool:
        return self._file(self._events, key).exists() and self._file(self._wheels, key).exists()

    def _all_alone(self) -> set[str]:
        """Keys of the pieces that stand alone with both halves."""
        return _stems(self._events) & _stems(self._wheels)

    @classmethod
    def _file(cls, folder: Path, key: str) -> Path:
        return folder / f"{cls._checked(key)}.parquet"

    @staticmethod
    def _checked(key: str) -> str:
        if not _KEY.fullmatch(key):
            raise StoreError(f"{key!r} is no key of a piece.")
        return key


def _keyed(keys: Sequence[str], tables: Sequence[pa.Table], schema: pa.Schema) -> pa.Table:
    """Rows of some pieces, in their order, as the lake keeps them."""
    if any(table.schema != tables[0].schema for table in tables):
        return pa.concat_tables([_keyed([key], [table], schema) for key, table in zip(keys, tables, strict=True)])
    of_rows = np.repeat(np.arange(len(keys)), [table.num_rows for table in tables])
    whole = pa.concat_tables(tables).append_column(PIECE_KEY, pa.array(keys, pa.string()).take(pa.array(of_rows)))
    return in_schema(whole, schema, "feature rows")


def _stems(folder: Path) -> set[str]:
    if not folder.is_dir():
        return set()
    with os.scandir(folder) as found:
        return {name for one in found if _KEY.fullmatch(name := one.name.removesuffix(".parquet"))}


def _stamp(path: Path) -> int:
    """Fingerprint of a file that stands alone, as a whole number."""
    try:
        return int.from_bytes(hashlib.sha256(path.read_bytes()).digest()[:8], signed=True)
    except OSError as error:
        raise StoreError(f"Feature rows are missing ({path}): ingest the recordings again.") from error

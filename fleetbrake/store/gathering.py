"""Rows of many recordings on their way into the lake: gathered, and written together as a block.

A file of its own for each of two halves of each recording takes longer to write, and later to fold, than to compute.
"""

from collections.abc import Sequence
from pathlib import Path
from threading import Lock
from typing import Final

import pyarrow as pa

from fleetbrake.store import lake as lakes
from fleetbrake.store.lake import Lake, check_ids

#: A recording with more rows than this (bytes in memory) stands alone at once. Own choice: a vehicle's week; whoever
#: reads ahead holds some dozen recordings.
MOST_BYTES: Final = 1_000_000
#: So many rows in memory (bytes) make a block, if pieces and events do not earlier. Own choice.
BLOCK_BYTES: Final = 48_000_000
#: Fewer recordings than this stand alone: a block of its own for each small night would make many blocks (own choice).
FEWEST: Final = 32


class Gathering:
    """Where threads of one process put the rows of recordings, for the holder of the writer's lock.

    Any thread may put rows here; all else is for the one that writes the lake. Pieces are in the lake after
    :meth:`bring` only.
    """

    def __init__(self, store: Path) -> None:
        self._lake = Lake(store)
        self._lock = Lock()
        self._rows: dict[str, tuple[int, pa.Table, pa.Table]] = {}
        self._index: list[pa.Table] = []
        self._in_blocks: set[str] = set()  # keys in that
        self._begin()

    def write_piece(self, key: str, events: pa.Table, wheels: pa.Table) -> None:
        """Take the rows of one file; StoreError as of :meth:`fleetbrake.store.lake.Lake.write_piece`."""
        check_ids(events)
        size = events.nbytes + wheels.nbytes
        if size > MOST_BYTES:
            self._lake.write_piece(key, events, wheels)
            return
        with self._lock:
            self._rows[key] = size, events, wheels

    def come(self, key: str) -> None:
        """The piece is the next one in order; a full block is written."""
        with self._lock:
            rows = self._rows.pop(key, None)
        if rows is None:
            return
        size, events, wheels = rows
        if key in self._in_blocks or not self._lake.is_new(key):
            # a killed run left it there: a piece that stands alone counts before all else, and is tidied up
            self._lake.write_piece(key, events, wheels)
            return
        self._next.append((key, events, wheels))
        self._events += events.num_rows
        self._size += size
        many = len(self._next) >= lakes.BLOCK_PIECES or self._events >= lakes.BLOCK_EVENTS
        if many or self._size >= BLOCK_BYTES:
            self._block()

    def bring(self, keys: Sequence[str]) -> None:
        """See that these pieces, and all that came, are in the lake. StoreError if the disk does not take them."""
        for key in keys:
            self.come(key)
        if len(self._next) >= FEWEST or (self._next and self._index):  # one small block more, after full ones
            self._block()
        for piece in self._next:
            self._lake.write_piece(*piece)
        self._begin()
        self._lake.add_blocks(self._index)
        self._index, self._in_blocks = [], set()

    def _block(self) -> None:
        self._index.append(self._lake.write_block(self._next))
        self._in_blocks.update(key for key, _, _ in self._next)
        self._begin()

    def _begin(self) -> None:
        self._next: list[tuple[str, pa.Table, pa.Table]] = []
        self._events, self._size = 0, 0

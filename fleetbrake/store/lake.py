"""The lake: feature rows in Parquet, one piece (events and their wheels) an input file."""

import hashlib
import json
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.dataset as ds

from fleetbrake.core.errors import StoreError
from fleetbrake.store.arrow import arrow_schema, in_schema, read_parquet, write_parquet
from fleetbrake.store.files import remove_parts
from fleetbrake.store.lake_schema import LAKE_EVENT_WHEELS, LAKE_EVENTS

#: Every row carries the key of its piece, so that it finds its file in the log.
PIECE_KEY = "piece_key"
#: The recording named a driver who was forgotten: no trip may name another one in his place.
DRIVER_FORGOTTEN = "driver_forgotten"

EVENTS_SCHEMA = arrow_schema({**LAKE_EVENTS, DRIVER_FORGOTTEN: "BOOLEAN", PIECE_KEY: "VARCHAR"})
WHEELS_SCHEMA = arrow_schema({**LAKE_EVENT_WHEELS, PIECE_KEY: "VARCHAR"})

_KEY = re.compile(r"[0-9a-f]{32}")


def piece_key(path: str, sha256: str, settings: str) -> str:
    """Name of the piece of a file: 32 hex digits that change with its path, its bytes or the settings."""
    return hashlib.sha256(json.dumps([path, sha256, settings]).encode()).hexdigest()[:32]


class Lake:
    """The feature rows of a store. Only the holder of the writer's lock may write."""

    def __init__(self, store: Path) -> None:
        self.folder = store / "lake"
        self._events = self.folder / "events"
        self._wheels = self.folder / "event_wheels"

    def write_piece(self, key: str, events: pa.Table, wheels: pa.Table, *, wheels_first: bool = False) -> None:
        """Write the rows of one file, in the columns of ``LAKE_EVENTS`` and ``LAKE_EVENT_WHEELS``.

        The piece counts only once the log names it. ``wheels_first``: for a piece that is there already, so that one
        whose events are new has new wheels too, whenever a run is killed.

        Raises
        ------
        StoreError
            A column has the wrong type, an event id stands in two rows, or the disk does not take it.
        """
        if events.num_rows != pc.count_distinct(events.column("event_id")).as_py():
            raise StoreError("A recording gives two events of one id (or one without): its rows cannot be kept apart.")
        halves = [(self._events, events, EVENTS_SCHEMA), (self._wheels, wheels, WHEELS_SCHEMA)]
        for folder, table, schema in reversed(halves) if wheels_first else halves:
            keyed = table.append_column(PIECE_KEY, pa.repeat(pa.scalar(key), table.num_rows))
            write_parquet(self._file(folder, key), in_schema(keyed, schema, "feature rows"))

    def events_of(self, key: str, columns: Sequence[str] | None = None) -> pa.Table:
        """Events of one piece, all columns (with ``PIECE_KEY``) or some. StoreError if it is missing or damaged."""
        names = list(columns) if columns is not None else EVENTS_SCHEMA.names
        schema = pa.schema([EVENTS_SCHEMA.field(name) for name in names])
        path = self._file(self._events, key)
        if not path.is_file():
            raise StoreError(f"The feature rows {key} are missing from {self.folder}: ingest the recordings again.")
        return read_parquet(path, schema, "feature rows", columns=names)

    def wheels_of(self, key: str) -> pa.Table:
        """Wheels of one piece, as :meth:`events_of`."""
        path = self._file(self._wheels, key)
        if not path.is_file():
            raise StoreError(f"The feature rows {key} are missing from {self.folder}: ingest the recordings again.")
        return read_parquet(path, WHEELS_SCHEMA, "feature rows")

    def rewrite_events(self, key: str, events: pa.Table) -> None:
        """Put other values into the events of a piece that is there; its wheels stay. ``events`` as of `events_of`."""
        write_parquet(self._file(self._events, key), in_schema(events, EVENTS_SCHEMA, "feature rows"))

    def has(self, key: str) -> bool:
        """Whether both halves of the piece are there."""
        return self._file(self._events, key).exists() and self._file(self._wheels, key).exists()

    def pieces(self, keys: Iterable[str]) -> tuple[ds.Dataset, ds.Dataset]:
        """Events and wheels of these pieces, read only when scanned.

        Raises
        ------
        StoreError
            A piece is missing.
        """
        listed = sorted(set(keys))
        missing = sum(not self.has(key) for key in listed)
        if missing:
            raise StoreError(
                f"The feature rows of {missing} recording files are missing from {self.folder}: ingest the "
                "recordings again, they are then read anew."
            )
        return self._dataset(self._events, listed, EVENTS_SCHEMA), self._dataset(self._wheels, listed, WHEELS_SCHEMA)

    def remove_unlisted(self, keys: Iterable[str]) -> int:
        """Remove the pieces that the log does not name (call after committing it); number of files removed."""
        listed = set(keys)
        removed = 0
        for folder in (self._events, self._wheels):
            remove_parts(folder)
            for path in folder.glob("*.parquet"):
                if path.stem not in listed:
                    path.unlink(missing_ok=True)
                    removed += 1
        return removed

    def _dataset(self, folder: Path, keys: list[str], schema: pa.Schema) -> ds.Dataset:
        if not keys:
            return ds.dataset(schema.empty_table())
        return ds.dataset([str(self._file(folder, key)) for key in keys], schema=schema, format="parquet")

    @staticmethod
    def _file(folder: Path, key: str) -> Path:
        if not _KEY.fullmatch(key):
            raise StoreError(f"{key!r} is no key of a piece.")
        return folder / f"{key}.parquet"

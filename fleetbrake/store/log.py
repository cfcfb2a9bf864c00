"""``lake/log.parquet``: what became of each file seen. The commit record of the lake."""

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

import pyarrow as pa

from fleetbrake.core.errors import StoreError
from fleetbrake.store.arrow import arrow_schema, read_parquet, write_parquet
from fleetbrake.store.lake import Lake

LOG_COLUMNS = {
    "path": "VARCHAR",
    "sha256": "VARCHAR",
    "settings": "VARCHAR",
    "key": "VARCHAR",
    "status": "VARCHAR",
    "rows": "BIGINT",
    "events": "BIGINT",
    "events_rejected": "BIGINT",
    "reason": "VARCHAR",
    "loaded_at": "TIMESTAMPTZ",
    "vehicles": "BIGINT",
    "first_at": "TIMESTAMPTZ",
    "last_at": "TIMESTAMPTZ",
    "channels": "VARCHAR",
    "size": "BIGINT",
    "mtime_ns": "BIGINT",
}
LOG_SCHEMA = arrow_schema(LOG_COLUMNS)

#: A kept entry has one of these; ``unchanged`` belongs to a run's summary, not to a file's story.
KEPT_STATUSES = ("loaded", "rejected", "partly_loaded")


@dataclass(frozen=True)
class LogEntry:
    """One file: what it is, and what became of it.

    Attributes
    ----------
    path : as given, see :func:`fleetbrake.store.files.text_path`.
    sha256 : fingerprint of its bytes.
    settings : fingerprint of all else that its rows depend on: criteria, mapping, version.
    key : piece of the lake; None if nothing of the file is in.
    status : one of ``KEPT_STATUSES``.
    rows, events, events_rejected : counts.
    reason : what was wrong, in sentences with ``; `` between.
    loaded_at, first_at, last_at : UTC.
    channels : recorded channels, with ``,`` between.
    size, mtime_ns : of the file, bytes and ns.
    """

    path: str
    sha256: str
    settings: str
    key: str | None
    status: str
    rows: int | None = None
    events: int = 0
    events_rejected: int = 0
    reason: str | None = None
    loaded_at: datetime | None = None
    vehicles: int | None = None
    first_at: datetime | None = None
    last_at: datetime | None = None
    channels: str | None = None
    size: int | None = None
    mtime_ns: int | None = None

    def __post_init__(self) -> None:
        if self.status not in KEPT_STATUSES:
            raise ValueError(f"status {self.status!r} is not kept in the log")
        if (self.key is None) != (self.status == "rejected"):
            raise ValueError("a rejected file has no piece, every other has one")


class IngestLog:
    """All entries by path."""

    def __init__(self, store: Path, entries: dict[str, LogEntry]) -> None:
        self._lake = Lake(store)
        self.entries = entries

    def __len__(self) -> int:
        return len(self.entries)

    def __iter__(self) -> Iterator[LogEntry]:
        return iter(self.entries.values())

    def get(self, path: str) -> LogEntry | None:
        """The entry of a path, whatever its bytes were then."""
        return self.entries.get(path)

    def known(self, path: str, sha256: str, settings: str) -> LogEntry | None:
        """The entry of this path if its bytes and settings are those of then, so that reading again changes nothing.

        A rejected file is known too. None as well if its piece has gone: it must be read again.
        """
        entry = self.entries.get(path)
        if entry is None or (entry.sha256, entry.settings) != (sha256, settings):
            return None
        return entry if entry.key is None or self._lake.has(entry.key) else None

    def keys(self) -> list[str]:
        """Keys of the pieces that count."""
        return [entry.key for entry in self if entry.key is not None]

    def table(self) -> pa.Table:
        """All entries in order of path, in ``LOG_SCHEMA``."""
        rows = [asdict(self.entries[path]) for path in sorted(self.entries)]
        return pa.Table.from_pylist(rows, schema=LOG_SCHEMA)


def read_log(store: Path) -> IngestLog:
    """The log of a store, empty if there is none. StoreError if it cannot be read."""
    table = read_parquet(_log_path(store), LOG_SCHEMA, "the store's log of files")
    try:
        entries = [LogEntry(**row) for row in table.to_pylist()]
    except (ValueError, TypeError) as error:
        raise StoreError(f"The store's log of files ({_log_path(store)}) is damaged: {error}.") from error
    return IngestLog(store, {entry.path: entry for entry in entries})


def commit_log(store: Path, entries: Iterable[LogEntry]) -> IngestLog:
    """Put the entries into the log, each in place of the one of its path; all of them or none.

    From here on the pieces they name exist and the replaced ones do not. Only for the holder of the writer's lock.
    """
    log = read_log(store)
    merged = IngestLog(store, {**log.entries, **{entry.path: entry for entry in entries}})
    write_parquet(_log_path(store), merged.table())
    return merged


def replace_log(store: Path, entries: Iterable[LogEntry]) -> None:
    """Write the log anew with just these entries. Only for the holder of the writer's lock."""
    write_parquet(_log_path(store), IngestLog(store, {entry.path: entry for entry in entries}).table())


def _log_path(store: Path) -> Path:
    return store / "lake" / "log.parquet"

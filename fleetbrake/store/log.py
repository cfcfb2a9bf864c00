"""``lake/log.parquet``: what became of each file seen. The commit record of the lake.

It is kept and asked as columns, so that a log of 100,000 files costs little; an entry becomes an object where one is
asked for.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any, Final, NamedTuple

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from fleetbrake.core.errors import StoreError
from fleetbrake.store.arrow import arrow_schema, in_one, read_parquet
from fleetbrake.store.disk_words import reason_to_read
from fleetbrake.store.lake import Lake
from fleetbrake.store.log_copy import published_log
from fleetbrake.store.log_mark import log_path
from fleetbrake.store.sealed import check_footer

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
    "unusable_sha256": "VARCHAR",
}
LOG_SCHEMA = arrow_schema(LOG_COLUMNS)

#: Settings of an entry that was made again from its rows: how they were read is not known until they are read again.
NOT_KNOWN: Final = "not known"

#: A kept entry has one of these; ``unchanged`` belongs to a run's summary, not to a file's story.
KEPT_STATUSES = ("loaded", "rejected", "partly_loaded")

_ALWAYS: Final = ("path", "sha256", "settings", "status", "events", "events_rejected")
_MOMENTS: Final = ("loaded_at", "first_at", "last_at")
_BEGIN: Final = datetime(1970, 1, 1, tzinfo=UTC)
#: Entries made into objects together; own choice, a few megabytes.
_TOGETHER: Final = 10_000


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
    unusable_sha256 : fingerprint of bytes that the file had since, and that these settings could not use; the entry is
        that of the reading before, whose rows stay.
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
    unusable_sha256: str | None = None

    def __post_init__(self) -> None:
        if self.status not in KEPT_STATUSES:
            raise ValueError(f"status {self.status!r} is not kept in the log")
        if (self.key is None) != (self.status == "rejected"):
            raise ValueError("a rejected file has no piece, every other has one")


class Standing(NamedTuple):
    """What tells whether a file has to be read again; ``loaded_us``: since 1970, UTC. As in :class:`LogEntry`."""

    sha256: str
    settings: str
    key: str | None
    status: str
    size: int | None
    mtime_ns: int | None
    unusable_sha256: str | None
    loaded_us: int | None


class IngestLog:
    """All entries by path, in order of path.

    Parameters
    ----------
    entries : by path, or as a table in ``LOG_SCHEMA`` without two rows of one path, in any order.
    """

    def __init__(self, store: Path, entries: Mapping[str, LogEntry] | pa.Table) -> None:
        self._store = store
        self._lake = Lake(store)
        rows = entries if isinstance(entries, pa.Table) else _as_table(entries.values())
        self._rows = rows.sort_by("path").combine_chunks()

    def __len__(self) -> int:
        return int(self._rows.num_rows)

    def __contains__(self, path: object) -> bool:
        return path in self._places

    def __iter__(self) -> Iterator[LogEntry]:
        for first in range(0, len(self), _TOGETHER):
            for row in self._rows.slice(first, _TOGETHER).to_pylist():
                yield LogEntry(**row)

    @property
    def entries(self) -> dict[str, LogEntry]:
        """Every entry as an object, by path: for few of them, or for tests."""
        return {entry.path: entry for entry in self}

    def get(self, path: str) -> LogEntry | None:
        """The entry of a path, whatever its bytes were then."""
        place = self._places.get(path)
        return None if place is None else self._at(place)

    def that_begin_before(self, moment: datetime) -> Iterator[LogEntry]:
        """Entries of files that have a piece and whose first sample is earlier, or not known; in order of path."""
        begun = pc.coalesce(
            pc.less(self._rows.column("first_at"), pa.scalar(moment, LOG_SCHEMA.field("first_at").type)), True
        )
        wanted = pc.and_(begun, pc.is_valid(self._rows.column("key")))
        for place in pc.indices_nonzero(wanted).to_pylist():
            yield self._at(place)

    def standing(self, path: str) -> Standing | None:
        """What tells whether the file has to be read again: a few microseconds, where an entry takes more."""
        place = self._places.get(path)
        if place is None:
            return None
        return Standing(*[self._columns[name][place].as_py() for name in _STANDING])

    def known(self, path: str, sha256: str, settings: str) -> LogEntry | None:
        """The entry of this path if its bytes and settings are those of then, so that reading again changes nothing.

        A rejected file is known too. None as well if its piece has gone: it must be read again.
        """
        there = self.standing(path)
        if there is None or (there.sha256, there.settings) != (sha256, settings):
            return None
        return self.get(path) if there.key is None or self._lake.has(there.key) else None

    def keys(self) -> list[str]:
        """Keys of the pieces that count."""
        keys: list[str] = self._rows.column("key").drop_null().to_pylist()
        return keys

    def table(self) -> pa.Table:
        """All entries in order of path, in ``LOG_SCHEMA``."""
        return self._rows

    def with_entries(self, entries: Iterable[LogEntry]) -> "IngestLog":
        """A log with these entries, each in place of the one of its path; of two of one path the later."""
        more = _as_table({entry.path: entry for entry in entries}.values())
        replaced = pc.is_in(self._rows.column("path"), value_set=in_one(more.column("path")))
        return IngestLog(self._store, pa.concat_tables([self._rows.filter(pc.invert(replaced)), more]))

    @cached_property
    def _places(self) -> dict[str, int]:
        return {path: place for place, path in enumerate(self._rows.column("path").to_pylist())}

    @cached_property
    def _columns(self) -> dict[str, pa.Array]:
        """Each column as one array, moments as microseconds: a cell is read without the whole row."""
        columns = {name: in_one(self._rows.column(name)) for name in LOG_SCHEMA.names}
        return (
            columns
            | {f"{name}_us": columns[name].cast(pa.int64()) for name in _MOMENTS}
            | {"loaded_us": columns["loaded_at"].cast(pa.int64())}
        )

    def _at(self, place: int) -> LogEntry:
        facts: dict[str, Any] = {}
        for name in LOG_SCHEMA.names:
            moment = name in _MOMENTS
            value = self._columns[f"{name}_us" if moment else name][place].as_py()
            facts[name] = _BEGIN + timedelta(microseconds=value) if moment and value is not None else value
        return LogEntry(**facts)


_STANDING: Final = Standing._fields
_MENDED_BY: Final = "`fleetbrake check --repair` makes it anew from what is left."


def read_log(store: Path) -> IngestLog:
    """The log of a store, empty if there is none. StoreError if it cannot be read.

    Where its file was lost, it is what was published last: else all rows of the lake would count as those of killed
    runs, and be removed.
    """
    path = log_path(store)
    try:
        there = path.exists()
    except OSError as error:
        raise StoreError(f"{path}: the store's log of files cannot be read: {reason_to_read(error)}.") from error
    if not there:
        return IngestLog(store, published_log(store, LOG_SCHEMA))
    _refuse_unknown(path)
    try:
        table = read_parquet(path, LOG_SCHEMA, "the store's log of files")
    except StoreError as error:
        raise StoreError(f"{error} {_MENDED_BY}") from error
    wrong = log_problem(table)
    if wrong:
        raise StoreError(f"The store's log of files ({path}) is damaged: {wrong}. {_MENDED_BY}")
    return IngestLog(store, table)


def left_out_of(log: IngestLog, store: Path) -> int:
    """How many recordings are published, and have their rows in the lake, that the log does not name at all.

    No run leaves that: the log is an older copy that somebody put back, and what it does not name would be removed.
    """
    try:
        published = published_log(store, LOG_SCHEMA)
    except StoreError:  # told by whoever reads the published file
        return 0
    known = log.table()
    named = pc.or_(
        pc.is_in(published.column("path"), value_set=in_one(known.column("path"))),
        pc.is_in(published.column("key"), value_set=in_one(known.column("key"))),
    )
    lake = Lake(store)
    keys = published.filter(pc.invert(named)).column("key").drop_null().to_pylist()
    return sum(lake.has(key) for key in keys)


def _as_table(entries: Iterable[LogEntry]) -> pa.Table:
    return pa.Table.from_pylist([asdict(entry) for entry in entries], schema=LOG_SCHEMA)


def log_problem(table: pa.Table) -> str | None:
    """What no run of this program can have written; None where it can."""
    for name in _ALWAYS:
        if table.column(name).null_count:
            return f"a file without {name}"
    status = table.column("status")
    if not pc.all(pc.is_in(status, value_set=pa.array(KEPT_STATUSES)), min_count=0).as_py():
        return "a status that is not kept in the log"
    if pc.any(pc.equal(pc.equal(status, "rejected"), pc.is_valid(table.column("key"))), min_count=0).as_py():
        return "a rejected file has no piece, every other has one"
    if pc.count_distinct(table.column("path")).as_py() != table.num_rows:
        return "a path stands in it twice"
    return None


def _refuse_unknown(path: Path) -> None:
    """Raise ``StoreError`` where the log has columns that writing it again would lose: a newer version's."""
    if not path.is_file():
        return
    try:
        with path.open("rb") as file:
            check_footer(file)
            unknown = sorted(set(pq.read_schema(file).names) - set(LOG_COLUMNS))
    except (OSError, ValueError, pa.ArrowException):
        return  # told by whoever reads it
    if unknown:
        raise StoreError(
            f"The store's log of files ({path}) has columns that this version of fleetbrake does not know "
            f"({', '.join(unknown)}): a newer version wrote it. Update fleetbrake or use another store."
        )

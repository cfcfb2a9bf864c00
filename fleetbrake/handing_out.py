"""What passes between whoever hands out files and whoever reads them, in a thread here or on another machine.

Whoever hands out has the store: the log, the lake, what is held. Whoever reads has the file, what the log knows of it,
and a place for its rows. Both send small things only, and no row of a recording.
"""

from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import Enum
from typing import Any, Final, Protocol

import pyarrow as pa

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.errors import InputError
from fleetbrake.recordings.mapping import Mapping
from fleetbrake.recordings.sources import Source
from fleetbrake.recordings.story import printable
from fleetbrake.store.forgetting.at_rest import AtRest
from fleetbrake.store.holding.held_seen import NotTakenIn, Seen, keeping
from fleetbrake.store.lake import Lake
from fleetbrake.store.log import IngestLog, LogEntry, Standing

#: A file that changed so shortly before it was read, or later, is not known by its time of change: another change
#: within the same tick of the file system's clock would not show. 2 s: the coarsest clock in use (FAT).
CLOCK_TICK_NS: Final = 2_000_000_000

_STAY: Final = "(the rows of its last reading stay)"


class PieceWriter(Protocol):
    """Where the rows of files go: a lake, or a place from which they are taken into one."""

    def write_piece(self, key: str, events: pa.Table, wheels: pa.Table) -> Any:
        """Keep the rows of one file; what is there under the same key is replaced at once. StoreError if it fails."""


@dataclass(frozen=True)
class Job:
    """What reading any file of a run needs besides the file. The same for every file; may be sent elsewhere.

    Attributes
    ----------
    rest : the rules that rows pass on their way in.
    rows : where they go.
    settings : fingerprint of all that rows depend on besides the file's bytes.
    began : UTC; when the files count as read, the same on every machine.
    """

    rest: AtRest
    rows: PieceWriter
    mapping: Mapping | None
    criteria: Criteria
    settings: str
    began: datetime


@dataclass(frozen=True)
class Handed:
    """One file as it is handed to whoever reads it.

    Attributes
    ----------
    path : under which the log knows it, or is to know it as long as its rows do not tell otherwise.
    listed : the log knows it, whatever its bytes were then.
    sha256 : of the bytes whose rows are in the lake by today's settings; None if there are none.
    unusable : of bytes that an earlier run met here and could not use by today's settings.
    held : ids of the holds that keep what was read from it.
    """

    source: Source
    path: str
    listed: bool = False
    sha256: str | None = None
    unusable: str | None = None
    held: tuple[str, ...] = ()


class Fate(Enum):
    """What became of a file: read (or rejected), known and unchanged, not read again since a hold keeps it, or not to
    be read now, so that the rows of an earlier reading stay."""

    READ = "read"
    KNOWN = "known"
    HELD = "held"
    UNREAD = "unread"


@dataclass(frozen=True)
class Taken:
    """What became of a file. ``entry``: what the log is to say, if it was read; ``sha256``: empty if it has no bytes.

    ``alike``: how many of its events name a driver who is written like a forgotten one. ``piece``: rows were written,
    perhaps none of them an event. ``at_once``: the log is to know it before another file is read. ``short``: of memory.
    """

    fate: Fate
    sha256: str
    entry: LogEntry | None = None
    alike: int = 0
    piece: bool = False
    at_once: bool = False
    short: bool = False


class Where(Protocol):
    """Who reads the files: threads of this process, or other machines."""

    @property
    def rows(self) -> PieceWriter:
        """Where whoever reads puts the rows of files."""

    def read(self, files: Iterator[Handed], job: Job) -> Iterator[tuple[Handed, Taken]]:
        """Read the files as they come; what became of each, in any order. Files are not asked for all at once."""

    def bring(self, keys: list[str]) -> None:
        """See that the rows of these pieces are in the lake, before the log names them. StoreError if they cannot."""

    def committed(self) -> None:
        """The log names all that was handed back."""


class Care(Protocol):
    """Knows which files may end the process that reads them: :class:`fleetbrake.careful.Careful`."""

    def is_for(self, handed: Handed) -> bool:
        """Whether the file is to be read with care, and with nothing else in hand."""

    def read(self, handed: Handed, job: Job) -> Taken:
        """What became of it, whatever it does to its reader. Only in the thread that began the run."""

    def reading(self, handed: Handed) -> AbstractContextManager[None]:
        """Any other file is read while the block runs, in any thread."""

    def committed(self) -> None:
        """The log names all that was handed back."""


@dataclass
class Desk:
    """Hands out files and keeps what is told of them. Only for the holder of the writer's lock.

    Attributes
    ----------
    check_bytes : look at every file's bytes, also where size and time of change are those of then.
    seen : for the holds that stand, filled while files are read.
    unread : sentences on files that cannot be used now, and whose rows of an earlier reading stay.
    missed : whether the log lacks recordings that were in once; then ``there`` gets all paths under which the log may
        know a file of which something is in.
    """

    job: Job
    log: IngestLog
    lake: Lake
    check_bytes: bool = False
    seen: Seen = field(default_factory=Seen)
    unread: list[str] = field(default_factory=list)
    missed: bool = False
    there: set[str] = field(default_factory=set)

    def hand_out(self, source: Source) -> tuple[Handed, Taken | None]:
        """The file with what the store knows of it; what became of it where that is clear without its bytes."""
        path = self.job.rest.logged_path(source.address, self.log)
        then = self.log.standing(path)
        if then is None:
            return Handed(source, path), None
        has_piece = then.key is not None and self.lake.has(then.key)
        known = then.settings == self.job.settings and (has_piece or then.key is None)
        if known and then.sha256 and not self.check_bytes and _as_it_was(source, then, self.job.began):
            return Handed(source, path, True, then.sha256), Taken(Fate.KNOWN, then.sha256)
        held = keeping(self.job.rest.holds, self.lake, then.key) if has_piece else ()
        unusable = then.unusable_sha256 if known and has_piece else None
        return Handed(source, path, True, then.sha256 if known else None, unusable, held), None

    def settled(self, handed: Handed, taken: Taken) -> Taken:
        """What is to be noted of a file. One that cannot be used now keeps what the store has of it, and is told.

        A network folder that goes away, a right that is missing for a night, a copy that was cut short, a disk that
        rots: none of it says anything of what was read before. Where its bytes were seen, the log knows them from then
        on, so that they are not tried again; else each run tries. Only where the very bytes are rejected that were
        taken once, newer rules say so, and they hold.
        """
        if taken.fate is Fate.UNREAD:
            known = f"{printable(handed.path)}: cannot be used: an earlier run tried these bytes"
            self.unread.append(self.job.rest.text(f"{known} {_STAY}"))
            return taken
        entry, then = taken.entry, self.log.get(handed.path)
        if entry is None or entry.key is not None or then is None or then.key is None:
            return taken
        if entry.sha256 == then.sha256 or not self.lake.has(then.key):
            return taken
        self.unread.append(f"{entry.reason} {_STAY}")
        seen = bool(entry.sha256) and then.settings == self.job.settings
        return replace(taken, fate=Fate.UNREAD, entry=replace(then, unusable_sha256=entry.sha256) if seen else None)

    def noted(self, handed: Handed, taken: Taken) -> str:
        """The log's word on a file after it was handed back (``KEPT_STATUSES``); what holds need is kept."""
        if self.job.rest.holds and taken.sha256:
            before = self.seen.files.get(taken.sha256)
            if before is None or handed.source.address < before.address:  # whoever comes first: the same file each time
                self.seen.files[taken.sha256] = handed.source
        if taken.fate is Fate.UNREAD:
            return "rejected"
        status = self._status(handed, taken)
        if self.missed and taken.fate is not Fate.HELD and status != "rejected":
            self.there.update(self.job.rest.paths(handed.source.address))
        return status

    def _status(self, handed: Handed, taken: Taken) -> str:
        if taken.entry is not None:
            return taken.entry.status
        if taken.fate is Fate.HELD:
            entry = self.log.get(handed.path)
            if entry is not None:
                self.seen.kept.append(NotTakenIn(entry, taken.sha256, handed.held))
        then = self.log.standing(handed.path)
        return "loaded" if then is None else then.status


def _as_it_was(source: Source, then: Standing, run_at: datetime) -> bool:
    """Whether the file has the size and time of change of then, and both can be trusted.

    They cannot where it was read at a moment that is yet to come: one of the two clocks is wrong, and a change since
    then may look older than that reading.
    """
    if then.size is None or then.mtime_ns is None or then.loaded_us is None:
        return False
    try:
        if source.is_local:
            found = source.path.stat()
            # a time of change can be set back, that of the file's own record cannot
            size, changed_ns, newest_ns = found.st_size, found.st_mtime_ns, max(found.st_mtime_ns, found.st_ctime_ns)
        else:
            size, changed_ns, _ = source.listed or source.stat()
            newest_ns = changed_ns
    except (InputError, OSError):
        return False
    read_ns = then.loaded_us * 1000
    if read_ns > run_at.timestamp() * 1e9 + CLOCK_TICK_NS:
        return False
    return (size, changed_ns) == (then.size, then.mtime_ns) and newest_ns < read_ns - CLOCK_TICK_NS

"""Recordings and registers on their way in: what was named, file by file into the lake, and what is told of it."""

import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import closing, nullcontext
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import pyarrow as pa

from fleetbrake import __version__
from fleetbrake.core.criteria import Criteria
from fleetbrake.core.errors import ClusterError, InputError, StoreError
from fleetbrake.core.stopping import Stopped, undisturbed
from fleetbrake.features.build import FeatureTables, features
from fleetbrake.features.seams import Seams
from fleetbrake.handing_out import Care, Desk, Fate, Handed, Job, Taken, Where
from fleetbrake.recordings.at_hand import at_hand, disturbed
from fleetbrake.recordings.mapping import Mapping
from fleetbrake.recordings.reader import Recording, open_recording
from fleetbrake.recordings.registers import read_registers
from fleetbrake.recordings.sources import Facts, Source, find_recordings
from fleetbrake.store.gathering import Gathering
from fleetbrake.store.lake import piece_key
from fleetbrake.store.lake_schema import lake_fingerprint
from fleetbrake.store.log import LogEntry
from fleetbrake.summary import IngestSummary

#: Called as ``progress(stage, done, of)``.
Progress = Callable[[str, int, int], None]

#: Called with the entries of files whose rows are in the lake: from then on the log names them.
Commit = Callable[[list[LogEntry]], None]

#: Threads that decode and compute side by side; the kernels run without the GIL.
WORKERS: Final = 2
#: Files handed out and not yet read, and those not yet taken back in their order: enough that no thread waits while a
#: long one is read, and few enough that their rows are small.
_AHEAD: Final = 8 * WORKERS
_IN_HAND: Final = 4 * _AHEAD

#: What was read is committed after so many files or seconds, so that a killed run keeps it. Own choice: a minute's work
#: is soon done again, and committing costs little against it.
PORTION_FILES: Final = 2000
PORTION_S: Final = 60.0


def settings_fingerprint(mapping: Mapping | None, criteria: Criteria) -> str:
    """All that a file's rows depend on besides its bytes.

    The columns of the lake are in it: what a version added would else stay NULL for all that was read before it.
    """
    names = mapping.fingerprint() if mapping else "contract"
    return f"{__version__}+{lake_fingerprint()}:{criteria.fingerprint()}:{names}"


def inputs(
    paths: Sequence[str | Path | Source], registers: Path | None
) -> tuple[list[Source], dict[str, pa.Table], list[str]]:
    """Recordings and registers of what was named; InputError where there is nothing to take in."""
    if not paths and registers is None:
        raise InputError("Nothing was named: give recordings, a folder of registers (--registers), or both.")
    passed_over: list[str] = []
    within: list[str] = []
    files = find_recordings(paths, passed_over if len(paths) > 1 else None, within=within)
    passed_over += within
    if paths and not files:
        raise InputError("; ".join([*passed_over, "There are no recordings (*.parquet) in what was named."]))
    tables, problems = _registers(registers)
    problems += passed_over
    if not files and not tables:
        raise InputError("No register can be used: " + "; ".join(problems) + ".")
    return files, tables, problems


def _registers(folder: Path | None) -> tuple[dict[str, pa.Table], list[str]]:
    if folder is None:
        return {}, []
    if not folder.is_dir():
        raise InputError(f"{folder}: there is no such folder of registers.")
    return read_registers(folder)


class Threads:
    """Reads the files on a few threads of this process; rows of many go into the lake together."""

    def __init__(self, rows: Gathering, care: Care | None = None) -> None:
        self.rows, self._care = rows, care

    def read(self, files: Iterator[Handed], job: Job) -> Iterator[tuple[Handed, Taken]]:
        """In their order, so that blocks do not hang on time; see :class:`fleetbrake.handing_out.Where`."""
        in_hand: deque[tuple[Handed, Future[Taken]]] = deque()
        with ThreadPoolExecutor(WORKERS) as pool:
            try:
                for handed in files:
                    if self._care is not None and self._care.is_for(handed):
                        while in_hand:
                            yield self._taken(*in_hand.popleft())
                        yield self._taken(handed, self._care.read(handed, job))
                        continue
                    in_hand.append((handed, pool.submit(self._read, handed, job)))
                    while len(unread := _unread(in_hand)) >= _AHEAD or len(in_hand) >= _IN_HAND:
                        if in_hand[0][1].done() or len(in_hand) >= _IN_HAND:
                            yield self._taken(*in_hand.popleft())
                        else:
                            wait(unread, return_when=FIRST_COMPLETED)
                while in_hand:
                    yield self._taken(*in_hand.popleft())
            except BaseException:
                # whoever ends the run does not wait for files that nobody has begun to read
                pool.shutdown(wait=False, cancel_futures=True)
                raise

    def committed(self) -> None:
        """See :class:`fleetbrake.handing_out.Where`."""
        if self._care is not None:
            self._care.committed()

    def _read(self, handed: Handed, job: Job) -> Taken:
        with nullcontext() if self._care is None else self._care.reading(handed):
            return read_file(handed, job)

    def bring(self, keys: list[str]) -> None:
        """Put the rows that wait into the lake."""
        self.rows.bring(keys)

    def _taken(self, handed: Handed, found: Future[Taken] | Taken) -> tuple[Handed, Taken]:
        taken = found if isinstance(found, Taken) else found.result()
        if taken.piece and taken.entry is not None and taken.entry.key is not None:
            with undisturbed():
                self.rows.come(taken.entry.key)
        return handed, taken


def _unread(in_hand: Iterable[tuple[Handed, Future[Taken]]]) -> list[Future[Taken]]:
    return [future for _, future in in_hand if not future.done()]


def read_all(
    files: Sequence[Source], desk: Desk, where: Where, commit: Commit, summary: IngestSummary, progress: Progress | None
) -> None:
    """Have the files read and commit them in portions; the order in which they come back changes nothing.

    Raises
    ------
    ClusterError
        Whoever reads went away; what had been read is committed.
    KeyboardInterrupt, Stopped
        Somebody ends the run; what had been read is committed.
    """
    portion = _Portion(where, commit)
    done = 0

    def back(handed: Handed, taken: Taken) -> None:
        nonlocal done
        done += 1
        taken = desk.settled(handed, taken)
        _count(desk.noted(handed, taken), taken, summary)
        if taken.entry is not None:
            portion.add(taken.entry, taken.piece)
        if taken.at_once:
            portion.commit()
        tell(progress, "reading recordings", done, len(files))

    def unread() -> Iterator[Handed]:
        for source in files:
            handed, taken = desk.hand_out(source)
            if taken is None:
                yield handed
            else:
                back(handed, taken)

    with closing(where.read(unread(), desk.job)) as results:  # type: ignore[type-var]
        try:
            for handed, taken in results:
                back(handed, taken)
        except (ClusterError, KeyboardInterrupt, Stopped):
            portion.commit()
            raise
    portion.commit()


class _Portion:
    """Entries that are not in the log yet."""

    def __init__(self, where: Where, commit: Commit) -> None:
        self._where, self._commit = where, commit
        self._entries: list[LogEntry] = []
        self._keys: list[str] = []
        self._since = time.monotonic()

    def add(self, entry: LogEntry, piece: bool) -> None:
        """Keep the entry, and commit if it is time."""
        if piece and entry.key is not None:
            self._keys.append(entry.key)  # first: rows without an entry do no harm
        self._entries.append(entry)
        if len(self._entries) >= PORTION_FILES or time.monotonic() - self._since > PORTION_S:
            self.commit()

    def commit(self) -> None:
        """First the rows, then the log that names them; nothing breaks it off in the middle."""
        with undisturbed():
            if self._entries:
                self._where.bring(self._keys)
                self._commit(sorted(self._entries, key=lambda entry: entry.path))
            self._where.committed()
            self._entries, self._keys, self._since = [], [], time.monotonic()


def _count(status: str, taken: Taken, summary: IngestSummary) -> None:
    """One file into the summary. A file rejected before and unchanged since is still a rejected file."""
    if status == "rejected":
        summary.rejected += 1
    elif taken.fate is not Fate.READ:
        summary.unchanged += 1
    elif status == "partly_loaded":
        summary.partly_loaded += 1
    else:
        summary.loaded += 1
    if taken.entry is not None and taken.fate is Fate.READ:
        summary.rows += taken.entry.rows or 0
        summary.events += taken.entry.events
    summary.alike_withheld += taken.alike


def read_file(handed: Handed, job: Job) -> Taken:
    """Read one file and put its rows where the job says. What is wrong with the file is told in its entry.

    Raises
    ------
    StoreError
        The rows cannot be kept.
    """
    path, sha256, facts, short = handed.path, "", None, False
    try:
        with at_hand(handed.source, shown=path) as data:
            sha256, facts = data.sha256, data.facts
            fate = _without_decoding(handed, sha256)
            if fate is not None:
                return Taken(fate, sha256)
            return _load(open_recording(data, job.mapping, logged_as=path), job, handed)
    except StoreError:
        raise
    except InputError as error:
        reason, short = str(error), isinstance(error.__cause__, MemoryError)
        sha256 = "" if disturbed(error) else sha256
    except Exception as error:
        # one file must never cost the others: whatever it does to the reader, it is told and left out
        reason = f"{path}: cannot be read ({type(error).__name__}: {_first_line(error)})"
        short = isinstance(error, MemoryError)
        sha256 = "" if disturbed(error) else sha256
    if handed.held and not sha256:
        return Taken(Fate.HELD, sha256)
    if short:  # of memory: at this moment, perhaps, so that the log is not to know the file again
        reason = f"{path}: there was not enough memory to read it; the next run tries again"
        return Taken(Fate.READ, "", rejected(job, path, "", job.rest.text(reason)), short=True)
    return Taken(Fate.READ, sha256, rejected(job, path, sha256, job.rest.text(reason), facts))


def _without_decoding(handed: Handed, sha256: str) -> Fate | None:
    """What becomes of a file whose bytes tell it; None where they have to be decoded."""
    if sha256 == handed.sha256:
        return Fate.KNOWN
    if sha256 == handed.unusable:
        return Fate.UNREAD
    return Fate.HELD if handed.held else None


def rejected(
    job: Job,
    path: str,
    sha256: str,
    reason: str,
    facts: Facts | None = None,
    rows: int | None = None,
    events_rejected: int = 0,
) -> LogEntry:
    """The entry of a file of which nothing is taken in. Without ``sha256`` it is read again by every run."""
    return LogEntry(
        path=path,
        sha256=sha256,
        settings=job.settings,
        key=None,
        status="rejected",
        rows=rows,
        events_rejected=events_rejected,
        reason=reason,
        loaded_at=job.began,
        size=facts.size if facts and sha256 else None,
        mtime_ns=facts.mtime_ns if facts and sha256 else None,
    )


def _load(recording: Recording, job: Job, handed: Handed) -> Taken:
    story, facts = recording.story, recording.data.facts
    tables = _tables(recording, job)
    whole = pa.concat_tables([t.events for t in tables]) if tables else None
    path = handed.path if handed.listed else job.rest.new_path(handed.source.address, whole)
    # the sentences were made before it was known whose file it is
    reasons = [job.rest.text(reason.replace(story.path, path)) for reason in story.reasons]
    if not tables and (story.events_rejected or not recording.continuous):
        reason = "; ".join(reasons) or "no event could be read"
        entry = rejected(job, path, story.sha256, reason, facts, story.rows, story.events_rejected)
        return Taken(Fate.READ, story.sha256, entry)
    twice = _ids_twice(tables)
    if twice:
        raise InputError(f"{path}: {twice} events have the same vehicle and onset; is the drive in the file twice?")
    key = piece_key(path, story.sha256, job.settings)
    if whole is not None:
        job.rows.write_piece(key, *job.rest.piece(whole, pa.concat_tables([t.wheels for t in tables])))
    partly = bool(story.events_rejected or story.channels_left_out)
    entry = LogEntry(
        path=path,
        sha256=story.sha256,
        settings=job.settings,
        key=key,
        status="partly_loaded" if partly else "loaded",
        rows=story.rows,
        events=0 if whole is None else whole.num_rows,
        events_rejected=story.events_rejected,
        reason="; ".join(reasons) or None,
        loaded_at=job.began,
        vehicles=len(story.vehicles),
        first_at=_moment(story.first_us),
        last_at=_moment(story.last_us),
        channels=",".join(story.channels),
        size=facts.size,
        mtime_ns=facts.mtime_ns,
    )
    if whole is None:
        return Taken(Fate.READ, story.sha256, entry)
    return Taken(Fate.READ, story.sha256, entry, job.rest.alike(whole), piece=True)


def _tables(recording: Recording, job: Job) -> list[FeatureTables]:
    """Feature rows of each batch; an application of a long drive counts once."""
    seams = Seams(job.criteria, recording.story)
    for batch in recording.batches():
        if batch.samples:
            seams.add(batch, features(batch, job.criteria))
    return seams.finish()


def _ids_twice(tables: list[FeatureTables]) -> int:
    """How many events of one file have an id that another one has."""
    ids = pa.chunked_array([t.events["event_id"].combine_chunks() for t in tables], pa.string())
    return len(ids) - len(ids.unique())


def tell(progress: Progress | None, stage: str, done: int, of: int) -> None:
    """Say how far a stage is, where somebody listens."""
    if progress is not None:
        progress(stage, done, of)


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:300]


def _moment(us: int | None) -> datetime | None:
    return None if us is None else datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=us)

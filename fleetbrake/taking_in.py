"""Recordings and registers on their way in: what was named, file by file into the lake, and what is told of it."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa

from fleetbrake import __version__
from fleetbrake.core.criteria import Criteria
from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.features.build import FeatureTables, features
from fleetbrake.recordings.mapping import Mapping
from fleetbrake.recordings.reader import Recording, file_sha256, find_recordings, open_recording
from fleetbrake.recordings.registers import read_registers
from fleetbrake.store.files import text_path
from fleetbrake.store.forgetting.at_rest import AtRest
from fleetbrake.store.holding.held_seen import Seen
from fleetbrake.store.lake import Lake, piece_key
from fleetbrake.store.log import IngestLog, LogEntry

#: Called as ``progress(stage, done, of)``.
Progress = Callable[[str, int, int], None]

#: Threads that decode and compute side by side; the kernels run without the GIL.
WORKERS = 2


@dataclass
class IngestSummary:
    """What one ``ingest`` did. ``problems`` are sentences for a person; statuses count files; ``held``: legal holds.

    ``alike_withheld``: events and rows of registers whose driver is written like a forgotten one and was left out.
    """

    files: int = 0
    loaded: int = 0
    unchanged: int = 0
    partly_loaded: int = 0
    rejected: int = 0
    rows: int = 0
    events: int = 0
    problems: list[str] = field(default_factory=list)
    unknown_vehicles: list[str] = field(default_factory=list)
    unknown_drivers: list[str] = field(default_factory=list)
    registers: list[str] = field(default_factory=list)
    alike_withheld: int = 0
    held_copied: int = 0
    held_not_copied: list[str] = field(default_factory=list)

    @property
    def notes(self) -> list[str]:
        """What a person should know, though nothing is wrong with it."""
        if not self.alike_withheld:
            return []
        return [
            f"{self.alike_withheld} events or rows of registers name a driver whose id is written like a forgotten "
            "one, or stands in a list with one: the driver is withheld."
        ]

    @property
    def some_rejected(self) -> bool:
        """Whether some input was not taken in."""
        return bool(self.problems)


@dataclass(frozen=True)
class Job:
    """What reading one file needs besides the file; ``seen``: for the holds that stand, filled while files are read.

    ``alike``: how many events of each file name a driver who is written like a forgotten one.
    """

    rest: AtRest
    lake: Lake
    log: IngestLog
    mapping: Mapping | None
    criteria: Criteria
    settings: str
    seen: Seen = field(default_factory=Seen)
    alike: list[int] = field(default_factory=list)


def settings_fingerprint(mapping: Mapping | None, criteria: Criteria) -> str:
    """All that a file's rows depend on besides its bytes."""
    return f"{__version__}:{criteria.fingerprint()}:{mapping.fingerprint() if mapping else 'contract'}"


def inputs(paths: list[Path], registers: Path | None) -> tuple[list[Path], dict[str, pa.Table], list[str]]:
    """Recordings and registers of what was named; InputError where there is nothing to take in."""
    if not paths and registers is None:
        raise InputError("Nothing was named: give recordings, a folder of registers (--registers), or both.")
    files = find_recordings(paths)
    if paths and not files:
        raise InputError("There are no recordings (*.parquet) in what was named.")
    tables, problems = _registers(registers)
    if not files and not tables:
        raise InputError("No register can be used: " + "; ".join(problems) + ".")
    return files, tables, problems


def _registers(folder: Path | None) -> tuple[dict[str, pa.Table], list[str]]:
    if folder is None:
        return {}, []
    if not folder.is_dir():
        raise InputError(f"{folder}: there is no such folder of registers.")
    return read_registers(folder)


def read_all(files: list[Path], job: Job, summary: IngestSummary, progress: Progress | None) -> list[LogEntry]:
    """Read the files on a few threads; entries in the order of the files, so that order never matters."""
    entries: list[LogEntry] = []
    with ThreadPoolExecutor(WORKERS) as pool:
        try:
            for done, (entry, known) in enumerate(pool.map(lambda file: read_file(file, job), files), start=1):
                _count(entry, summary, known=known)
                if not known:
                    entries.append(entry)
                tell(progress, "reading recordings", done, len(files))
        except BaseException:
            # whoever ends the run does not wait for files that nobody has begun to read
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return entries


def _count(entry: LogEntry, summary: IngestSummary, *, known: bool) -> None:
    """One file into the summary. A file rejected before and unchanged since is still a rejected file."""
    if entry.status == "rejected":
        summary.rejected += 1
    elif known:
        summary.unchanged += 1
    elif entry.status == "partly_loaded":
        summary.partly_loaded += 1
    else:
        summary.loaded += 1
    if not known:
        summary.rows += entry.rows or 0
        summary.events += entry.events


def read_file(file: Path, job: Job) -> tuple[LogEntry, bool]:
    """One file into the lake: its log entry, and whether it was known and unchanged."""
    given = text_path(file.resolve())
    path = job.rest.logged_path(given, job.log)
    now = datetime.now(UTC)
    sha256 = ""
    try:
        sha256 = file_sha256(file, path)
        if job.rest.holds:
            job.seen.files[sha256] = file.resolve()
        known = job.log.known(path, sha256, job.settings)
        if known is not None:
            return known, True
        kept = _kept_by_hold(job, path, sha256)
        if kept is not None:
            return kept, True
        recording = open_recording(file, job.mapping, logged_as=path)
        return _load(recording, job, given, now), False
    except StoreError:
        raise
    except InputError as error:
        reason = str(error)
    except Exception as error:
        # one file must never cost the others: whatever it does to the reader, it is told and left out
        reason = f"{path}: cannot be read ({type(error).__name__}: {_first_line(error)})"
    kept = None if sha256 else _kept_by_hold(job, path, sha256)
    if kept is not None:
        return kept, True
    reason = job.rest.text(reason)
    return LogEntry(path, sha256, job.settings, None, "rejected", reason=reason, loaded_at=now), False


def _kept_by_hold(job: Job, path: str, sha256: str) -> LogEntry | None:
    """The entry of a file that is read in no more, since a hold keeps the events that were read from it."""
    return job.seen.keeps(job.rest.holds, job.lake, job.log.get(path), sha256)


def _load(recording: Recording, job: Job, given: str, now: datetime) -> LogEntry:
    story = recording.story
    tables = [features(batch, job.criteria) for batch in recording.batches() if batch.samples]
    whole = pa.concat_tables([t.events for t in tables]) if tables else None
    path = job.rest.logged_path(given, job.log, whole)
    # the sentences were made before it was known whose file it is
    reasons = [job.rest.text(reason.replace(story.path, path)) for reason in story.reasons]
    if not tables and (story.events_rejected or not recording.continuous):
        return LogEntry(
            path,
            story.sha256,
            job.settings,
            None,
            "rejected",
            rows=story.rows,
            events_rejected=story.events_rejected,
            reason="; ".join(reasons) or "no event could be read",
            loaded_at=now,
        )
    twice = _ids_twice(tables)
    if twice:
        raise InputError(f"{path}: {twice} events have the same vehicle and onset; is the drive in the file twice?")
    key = piece_key(path, story.sha256, job.settings)
    if whole is not None:
        job.alike.append(job.rest.alike(whole))
        job.lake.write_piece(key, *job.rest.piece(whole, pa.concat_tables([t.wheels for t in tables])))
    partly = bool(story.events_rejected or story.channels_left_out)
    return LogEntry(
        path=path,
        sha256=story.sha256,
        settings=job.settings,
        key=key,
        status="partly_loaded" if partly else "loaded",
        rows=story.rows,
        events=0 if whole is None else whole.num_rows,
        events_rejected=story.events_rejected,
        reason="; ".join(reasons) or None,
        loaded_at=now,
        vehicles=len(story.vehicles),
        first_at=_moment(story.first_us),
        last_at=_moment(story.last_us),
        channels=",".join(story.channels),
        size=recording.file.stat().st_size,
        mtime_ns=recording.file.stat().st_mtime_ns,
    )


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

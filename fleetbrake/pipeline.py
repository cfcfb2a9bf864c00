"""The only composer: recordings -> batches -> features -> store -> scores -> plan -> reports.

Every function is one command's work, returns what happened as a value and never prints.
"""

import shutil
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
import pyarrow as pa

from fleetbrake import __version__
from fleetbrake.core.criteria import DEFAULT, Criteria
from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.features.build import FeatureTables, features
from fleetbrake.planning.flag_rounds import raise_flags
from fleetbrake.planning.flags import publish_flags, read_standing
from fleetbrake.planning.run import plan as plan_visits
from fleetbrake.planning.wishes import wishes_of
from fleetbrake.recordings.mapping import Mapping, load_mapping
from fleetbrake.recordings.reader import Recording, file_sha256, find_recordings, open_recording
from fleetbrake.recordings.registers import read_registers
from fleetbrake.scoring.run import score as score_fleet
from fleetbrake.store.database import database_path, rebuilding
from fleetbrake.store.files import text_path
from fleetbrake.store.findings import merged_registers
from fleetbrake.store.lake import Lake, piece_key
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.log import IngestLog, LogEntry, commit_log, read_log
from fleetbrake.store.mappings import keep_mapping
from fleetbrake.store.publish import publish_recordings
from fleetbrake.store.registers import merge_registers

#: Written by the demo into its folder: only below it is anything ever removed.
DEMO_MARK = ".fleetbrake-demo"

#: Called as ``progress(stage, done, of)``.
Progress = Callable[[str, int, int], None]

#: Threads that decode and compute side by side; the kernels run without the GIL.
WORKERS = 2


@dataclass
class IngestSummary:
    """What one ``ingest`` did. ``problems`` are sentences for a person; statuses count files."""

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

    @property
    def some_rejected(self) -> bool:
        """Whether some input was not taken in."""
        return bool(self.problems)


@dataclass(frozen=True)
class _Job:
    """What reading one file needs besides the file."""

    lake: Lake
    log: IngestLog
    mapping: Mapping | None
    criteria: Criteria
    settings: str


def ingest(
    paths: Iterable[Path],
    store: Path,
    *,
    registers: Path | None = None,
    mapping: str | None = None,
    criteria: Criteria = DEFAULT,
    progress: Progress | None = None,
) -> IngestSummary:
    """Read recordings and registers into the store and publish ``events``, ``event_wheels`` and ``ingest_log``.

    Without paths the ``registers`` alone are read. Reading a file again changes nothing; a changed file replaces its
    rows; a bad one is told and the others are in.

    Raises
    ------
    InputError
        There is no recording in what was named, nothing was named at all, or the mapping or register folder cannot be
        used.
    StoreError
        The store cannot be written, or another run holds it.
    """
    rules = load_mapping(mapping) if mapping else None
    files, register_tables, register_problems = _inputs(list(paths), registers)
    summary = IngestSummary(files=len(files), problems=register_problems, registers=list(register_tables))
    store.mkdir(parents=True, exist_ok=True)
    with writer_lock(store, "ingest"):
        if register_tables:
            merge_registers(store, register_tables)
        if rules is not None:
            keep_mapping(store, rules)
        job = _Job(Lake(store), read_log(store), rules, criteria, settings_fingerprint(rules, criteria))
        entries = _read_all(files, job, summary, progress)
        log = commit_log(store, entries)
        _tell(progress, "publishing", 0, 1)
        with rebuilding(store) as con:
            publish_recordings(con, store, criteria)
            summary.problems += _told(con, files)
            summary.unknown_vehicles = _unknown(con, "vehicle")
            summary.unknown_drivers = _unknown(con, "driver")
        job.lake.remove_unlisted(log.keys())
        _tell(progress, "publishing", 1, 1)
    return summary


def settings_fingerprint(mapping: Mapping | None, criteria: Criteria) -> str:
    """All that a file's rows depend on besides its bytes."""
    return f"{__version__}:{criteria.fingerprint()}:{mapping.fingerprint() if mapping else 'contract'}"


def _inputs(paths: list[Path], registers: Path | None) -> tuple[list[Path], dict[str, pa.Table], list[str]]:
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


def _read_all(files: list[Path], job: _Job, summary: IngestSummary, progress: Progress | None) -> list[LogEntry]:
    """Read the files on a few threads; entries in the order of the files, so that order never matters."""
    entries: list[LogEntry] = []
    with ThreadPoolExecutor(WORKERS) as pool:
        for done, (entry, known) in enumerate(pool.map(lambda file: read_file(file, job), files), start=1):
            _count(entry, summary, known=known)
            if not known:
                entries.append(entry)
            _tell(progress, "reading recordings", done, len(files))
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


def read_file(file: Path, job: _Job) -> tuple[LogEntry, bool]:
    """One file into the lake: its log entry, and whether it was known and unchanged."""
    path = text_path(file.resolve())
    now = datetime.now(UTC)
    sha256 = ""
    try:
        sha256 = file_sha256(file, path)
        known = job.log.known(path, sha256, job.settings)
        if known is not None:
            return known, True
        recording = open_recording(file, job.mapping, logged_as=path)
        return _load(recording, job, path, now), False
    except StoreError:
        raise
    except InputError as error:
        reason = str(error)
    except Exception as error:
        # one file must never cost the others: whatever it does to the reader, it is told and left out
        reason = f"{path}: cannot be read ({type(error).__name__}: {_first_line(error)})"
    return LogEntry(path, sha256, job.settings, None, "rejected", reason=reason, loaded_at=now), False


def _load(recording: Recording, job: _Job, path: str, now: datetime) -> LogEntry:
    story = recording.story
    tables = [features(batch, job.criteria) for batch in recording.batches() if batch.samples]
    if not tables and (story.events_rejected or not recording.continuous):
        reasons = "; ".join(story.reasons) or "no event could be read"
        return LogEntry(
            path,
            story.sha256,
            job.settings,
            None,
            "rejected",
            rows=story.rows,
            events_rejected=story.events_rejected,
            reason=reasons,
            loaded_at=now,
        )
    twice = _ids_twice(tables)
    if twice:
        raise InputError(f"{path}: {twice} events have the same vehicle and onset; is the drive in the file twice?")
    key = piece_key(path, story.sha256, job.settings)
    events = 0
    if tables:
        job.lake.write_piece(
            key, pa.concat_tables([t.events for t in tables]), pa.concat_tables([t.wheels for t in tables])
        )
        events = sum(t.events.num_rows for t in tables)
    partly = bool(story.events_rejected or story.channels_left_out)
    return LogEntry(
        path=path,
        sha256=story.sha256,
        settings=job.settings,
        key=key,
        status="partly_loaded" if partly else "loaded",
        rows=story.rows,
        events=events,
        events_rejected=story.events_rejected,
        reason="; ".join(story.reasons) or None,
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


def score(store: Path, as_of: date | None = None, *, all_history: bool = False) -> date:
    """Score the fleet and publish health, indicators, driver style and flags; returns the day scored.

    What was entered since the last run counts. The scores of the newest day raise flags and close those that ended.

    ``all_history`` scores every past week with inspections anew, instead of the newest few that are missing. Raises
    ``StoreError`` if nothing was ingested yet.
    """
    _must_exist(store)
    with writer_lock(store, "score"), rebuilding(store) as con:
        merged_registers(con, store)
        day = score_fleet(con, as_of, all_weeks=all_history)
        raise_flags(con, store, day)
        _show_flags(con, store)
        return day


def plan(store: Path) -> int:
    """Plan the inspections of the coming two weeks and publish them with the flags; returns the number of visits.

    What planners asked for since the last run counts, and so does what was entered of findings and work.
    """
    _must_exist(store)
    with writer_lock(store, "plan"), rebuilding(store) as con:
        merged_registers(con, store)
        visits = plan_visits(con, wishes=wishes_of(con, store))
        _show_flags(con, store)
        return visits


def _show_flags(con: duckdb.DuckDBPyConnection, store: Path) -> None:
    """Publish where the flags stand by the newest scores."""
    standing = read_standing(con)
    if standing is not None:
        publish_flags(con, store, standing.as_of)


def report(store: Path, month: str, out: Path, *, safety_role: bool = False) -> list[Path]:
    """Write the month's files to ``out``; returns their paths."""
    from fleetbrake.reports.month import write_month  # typesetting libraries are loaded only when needed

    _must_exist(store)
    return write_month(store, month, out, safety_role=safety_role)


def make_demo(folder: Path, progress: Progress | None = None) -> Path:
    """Invent a fleet under ``folder`` and run the whole job on it; returns the store.

    An earlier demo in the folder is replaced. Raises ``InputError`` if the folder holds anything else: what is not the
    demo's own is never touched.
    """
    from fleetbrake.simulation.fleet import write_demo  # the model is needed for nothing else

    store, mark = folder / "store", folder / DEMO_MARK
    if folder.exists() and not mark.is_file() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(f"{folder}: there is something here that no demo made; name an empty or a new folder.")
    for part in ("recordings", "registers", "store"):
        shutil.rmtree(folder / part, ignore_errors=True)
    folder.mkdir(parents=True, exist_ok=True)
    mark.write_text(
        "Made by `fleetbrake demo`, which replaces recordings, registers and store here.\n", encoding="utf-8"
    )
    write_demo(folder, progress=lambda _, done, of: _tell(progress, "inventing recordings", done, of))
    ingest([folder / "recordings"], store, registers=folder / "registers", progress=progress)
    score(store)
    plan(store)
    return store


def _must_exist(store: Path) -> None:
    if not database_path(store).is_file():
        raise StoreError(f"{store}: there is no published database in this store yet; run `fleetbrake ingest` first.")


def _told(con: duckdb.DuckDBPyConnection, files: list[Path]) -> list[str]:
    """What the published log says against the files of this run, with what only publishing knows (ids in two files)."""
    rows = con.execute(
        "SELECT path, reason FROM ingest_log WHERE status <> 'loaded' AND path IN (SELECT unnest(?)) ORDER BY path",
        [[text_path(file.resolve()) for file in files]],
    ).fetchall()
    return [reason if reason and path in reason else f"{path}: {reason}" for path, reason in rows]


def _unknown(con: duckdb.DuckDBPyConnection, kind: str) -> list[str]:
    rows = con.execute("SELECT id FROM unknown_ids WHERE kind = ? ORDER BY id", [kind]).fetchall()
    return [row[0] for row in rows]


def _tell(progress: Progress | None, stage: str, done: int, of: int) -> None:
    if progress is not None:
        progress(stage, done, of)


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:300]


def _moment(us: int | None) -> datetime | None:
    return None if us is None else datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=us)

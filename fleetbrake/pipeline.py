"""The only composer: recordings -> batches -> features -> store -> scores -> plan -> reports.

Every function is one command's work, returns what happened as a value and never prints.
"""

import shutil
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
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
from fleetbrake.reports.measures import METRIC, Measures
from fleetbrake.scoring.run import score as score_fleet
from fleetbrake.store.ageing.dropped_rows import without_dropped
from fleetbrake.store.ageing.retention_published import drop_old_days, is_pending, note_published
from fleetbrake.store.database import database_path, rebuilding
from fleetbrake.store.files import text_path
from fleetbrake.store.findings import merged_registers
from fleetbrake.store.forgetting.at_rest import AtRest, at_rest
from fleetbrake.store.forgetting.erase import erase_due
from fleetbrake.store.forgetting.tombstones import mark_erased
from fleetbrake.store.holding.held_files import copy_held
from fleetbrake.store.lake import Lake, piece_key
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.log import IngestLog, LogEntry, commit_log, read_log
from fleetbrake.store.mappings import keep_mapping
from fleetbrake.store.publish import publish_recordings, sum_up_missing
from fleetbrake.store.registers import merge_registers

#: Written by the demo into its folder: only below it is anything ever removed.
DEMO_MARK = ".fleetbrake-demo"

#: Called as ``progress(stage, done, of)``.
Progress = Callable[[str, int, int], None]

#: Threads that decode and compute side by side; the kernels run without the GIL.
WORKERS = 2


@dataclass
class IngestSummary:
    """What one ``ingest`` did. ``problems`` are sentences for a person; statuses count files; ``held``: legal holds."""

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
    held_copied: int = 0
    held_not_copied: list[str] = field(default_factory=list)

    @property
    def some_rejected(self) -> bool:
        """Whether some input was not taken in."""
        return bool(self.problems)


@dataclass(frozen=True)
class _Job:
    """What reading one file needs besides the file."""

    rest: AtRest
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
        erase_due(store)
        if register_tables:
            rest = at_rest(store)
            kept = {name: rest.register(name, table) for name, table in register_tables.items()}
            merge_registers(store, without_dropped(store, kept, rest.rules, rest.today))
        if rules is not None:
            keep_mapping(store, rules)
        rest = at_rest(store)  # again: the trips that were just read say what is held
        summary.problems = [rest.text(problem) for problem in summary.problems]
        job = _Job(rest, Lake(store), read_log(store), rules, criteria, settings_fingerprint(rules, criteria))
        entries = _read_all(files, job, summary, progress)
        if entries and rest.forgetter and rest.holds:
            mark_erased(store, held=[one.hold_id for one in rest.holds])  # perhaps: the next erasing finds out
        log = commit_log(store, entries)
        _tell(progress, "publishing", 0, 1)
        dropped = is_pending(store)  # by rules of retention: what is published now is published for them too
        with rebuilding(store, fresh=dropped) as con:
            publish_recordings(con, store, criteria)
            if dropped:
                drop_old_days(con, store)
            summary.problems += _told(con, files, rest)
            summary.unknown_vehicles = _unknown(con, "vehicle")
            summary.unknown_drivers = _unknown(con, "driver")
        note_published(store)
        job.lake.remove_unlisted(log.keys())
        _tell(progress, "publishing", 1, 1)
        for copied in copy_held(store):
            summary.held_copied += copied.new
            summary.held_not_copied += [f"{copied.hold_id}: {rest.text(sentence)}" for sentence in copied.sentences]
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
        try:
            for done, (entry, known) in enumerate(pool.map(lambda file: read_file(file, job), files), start=1):
                _count(entry, summary, known=known)
                if not known:
                    entries.append(entry)
                _tell(progress, "reading recordings", done, len(files))
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


def read_file(file: Path, job: _Job) -> tuple[LogEntry, bool]:
    """One file into the lake: its log entry, and whether it was known and unchanged."""
    given = text_path(file.resolve())
    path = job.rest.logged_path(given, job.log)
    now = datetime.now(UTC)
    sha256 = ""
    try:
        sha256 = file_sha256(file, path)
        known = job.log.known(path, sha256, job.settings)
        if known is not None:
            return known, True
        recording = open_recording(file, job.mapping, logged_as=path)
        return _load(recording, job, given, now), False
    except StoreError:
        raise
    except InputError as error:
        reason = str(error)
    except Exception as error:
        # one file must never cost the others: whatever it does to the reader, it is told and left out
        reason = f"{path}: cannot be read ({type(error).__name__}: {_first_line(error)})"
    reason = job.rest.text(reason)
    return LogEntry(path, sha256, job.settings, None, "rejected", reason=reason, loaded_at=now), False


def _load(recording: Recording, job: _Job, given: str, now: datetime) -> LogEntry:
    story = recording.story
    tables = [features(batch, job.criteria) for batch in recording.batches() if batch.samples]
    whole = pa.concat_tables([t.events for t in tables]) if tables else None
    path = job.rest.logged_path(given, job.log, whole)
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
            reason=job.rest.text(reasons),
            loaded_at=now,
        )
    twice = _ids_twice(tables)
    if twice:
        raise InputError(f"{path}: {twice} events have the same vehicle and onset; is the drive in the file twice?")
    key = piece_key(path, story.sha256, job.settings)
    if whole is not None:
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
        reason=job.rest.text("; ".join(story.reasons)) or None,
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
    with _rebuilding(store, "score") as con:
        merged_registers(con, store)
        sum_up_missing(con)
        day = score_fleet(con, as_of, all_weeks=all_history)
        raise_flags(con, store, day)
        _show_flags(con, store)
        return day


def plan(store: Path) -> int:
    """Plan the inspections of the coming two weeks and publish them with the flags; returns the number of visits.

    What planners asked for since the last run counts, and so does what was entered of findings and work.
    """
    _must_exist(store)
    with _rebuilding(store, "plan") as con:
        merged_registers(con, store)
        visits = plan_visits(con, wishes=wishes_of(con, store))
        _show_flags(con, store)
        return visits


@contextmanager
def _rebuilding(store: Path, what: str) -> Iterator[duckdb.DuckDBPyConnection]:
    """The published database to be written, rid of what was still to be forgotten."""
    with writer_lock(store, what):
        erase_due(store)
        with rebuilding(store) as con:
            yield con


def _show_flags(con: duckdb.DuckDBPyConnection, store: Path) -> None:
    """Publish where the flags stand by the newest scores."""
    standing = read_standing(con)
    if standing is not None:
        publish_flags(con, store, standing.as_of)


def report(store: Path, month: str, out: Path, *, safety_role: bool = False, measures: Measures = METRIC) -> list[Path]:
    """Write the month's files to ``out``, PDF and workbook in the units of ``measures``; returns their paths."""
    from fleetbrake.reports.monthly.month import write_month  # typesetting libraries are loaded only when needed

    _must_exist(store)
    return write_month(store, month, out, safety_role=safety_role, measures=measures)


def make_demo(folder: Path, progress: Progress | None = None) -> Path:
    """Invent a fleet under ``folder`` and run the whole job on it; returns the store.

    An earlier demo in the folder is replaced. Raises ``InputError`` if the folder holds anything else: what is not the
    demo's own is never touched.
    """
    from fleetbrake.simulation.fleet import write_demo  # the model is needed for nothing else
    from fleetbrake.simulation.scenario import SCORED_ON

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
    for day in SCORED_ON:  # in the order of time: each knows nothing from after its day
        score(store, day)
    score(store)
    plan(store)
    return store


def _must_exist(store: Path) -> None:
    if not database_path(store).is_file():
        raise StoreError(f"{store}: there is no published database in this store yet; run `fleetbrake ingest` first.")


def _told(con: duckdb.DuckDBPyConnection, files: list[Path], rest: AtRest) -> list[str]:
    """What the published log says against the files of this run, with what only publishing knows (ids in two files)."""
    rows = con.execute(
        "SELECT path, reason FROM ingest_log WHERE status <> 'loaded' AND path IN (SELECT unnest(?)) ORDER BY path",
        [[rest.text(text_path(file.resolve())) for file in files]],
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

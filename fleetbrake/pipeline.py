"""The only composer: recordings -> batches -> features -> store -> scores -> plan -> reports.

Every function is one command's work, returns what happened as a value and never prints.
"""

import shutil
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import pyarrow as pa

from fleetbrake.careful import with_care
from fleetbrake.cluster.machines import Machines
from fleetbrake.cluster.workers import Cluster, cluster_of
from fleetbrake.core.criteria import DEFAULT, Criteria
from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.core.foreign_text import visible
from fleetbrake.core.memory import keep_what_is_freed
from fleetbrake.core.private import make_private
from fleetbrake.core.stages import COMPILING
from fleetbrake.features.compiled import compile_missing
from fleetbrake.handing_out import Desk, Job, Where
from fleetbrake.planning.flag_rounds import raise_flags
from fleetbrake.planning.flags import publish_flags, read_standing
from fleetbrake.planning.wishes import wishes_of
from fleetbrake.recordings.mapping import load_mapping
from fleetbrake.recordings.sources import Source
from fleetbrake.store.ageing.dropped_rows import without_dropped
from fleetbrake.store.ageing.publish_dropped import drop_what_came_back
from fleetbrake.store.ageing.retention_clock import look_at_all_again, this_day
from fleetbrake.store.ageing.retention_published import drop_old_days, is_pending, note_published
from fleetbrake.store.arriving import remove_left
from fleetbrake.store.database import WORKING_MEMORY, database_path, reading, rebuilding
from fleetbrake.store.entered_seals import given
from fleetbrake.store.findings import merged_registers
from fleetbrake.store.forgetting.at_rest import AtRest, at_rest, for_publishing
from fleetbrake.store.forgetting.erase import erase_due
from fleetbrake.store.forgetting.tombstones import mark_erased
from fleetbrake.store.gathering import Gathering
from fleetbrake.store.holding.held_files import copy_held
from fleetbrake.store.holding.held_registers import without_held_changes
from fleetbrake.store.lake import Lake
from fleetbrake.store.lock import holder, writer_lock
from fleetbrake.store.log import LogEntry, read_log
from fleetbrake.store.log_writing import commit_log, lacks, take_off_lacking
from fleetbrake.store.lost import unpublished
from fleetbrake.store.mappings import keep_mapping
from fleetbrake.store.publish import PUBLISHING_MEMORY, publish_recordings, shown_log, sum_up_missing
from fleetbrake.store.registers import merge_registers
from fleetbrake.store.unfinished import begin, older_lake, settle
from fleetbrake.store.written_alike import written_alike
from fleetbrake.store.yet_to_come import yet_to_come
from fleetbrake.summary import IngestSummary
from fleetbrake.taking_in import (
    Commit,
    Progress,
    Threads,
    inputs,
    read_all,
    read_file,
    settings_fingerprint,
    tell,
)

if TYPE_CHECKING:
    from fleetbrake.reports.measures import Measures

__all__ = [
    "IngestSummary", "Progress", "ingest", "make_demo", "plan", "read_file", "report", "score", "settings_fingerprint",
]  # fmt: skip

#: Written by the demo into its folder: only below it is anything ever removed.
DEMO_MARK = ".fleetbrake-demo"


def ingest(
    paths: Iterable[str | Path | Source],
    store: Path,
    *,
    registers: Path | None = None,
    mapping: str | None = None,
    criteria: Criteria = DEFAULT,
    progress: Progress | None = None,
    machines: Machines | None = None,
    check_bytes: bool = False,
) -> IngestSummary:
    """Read recordings and registers into the store and publish ``events``, ``event_wheels`` and ``ingest_log``.

    Without paths the ``registers`` alone are read. Reading a file again changes nothing; a changed file replaces its
    rows; a bad one is told and the others are in.

    Parameters
    ----------
    paths : files, folders, addresses of objects and of prefixes of object stores.
    machines : others that read the recordings; by default this one does.
    check_bytes : look at the bytes of every file, also where size and time of change are those of then.

    Raises
    ------
    InputError
        There is no recording in what was named, nothing was named at all, or the mapping or register folder cannot be
        used.
    StoreError
        The store cannot be written, or another run holds it.
    ClusterError
        The other machines cannot be used, then nothing was read; or they went away, then what was read is kept.
    KeyboardInterrupt, Stopped
        Somebody ended the run; what was read is kept, and published by the next run.
    """
    rules = load_mapping(mapping) if mapping else None
    files, register_tables, register_problems = inputs(list(paths), registers)
    summary = IngestSummary(files=len(files), problems=register_problems, registers=list(register_tables))
    left: list[str] = []
    keep_what_is_freed()
    if files and machines is None:
        compile_missing(lambda done, of: tell(progress, COMPILING, done, of))
    with ExitStack() as reached:
        # before anything is made or changed: they may not be there
        cluster = reached.enter_context(cluster_of(machines)) if files and machines is not None else None
        make_private(store)
        with writer_lock(store, "ingest"):
            summary.problems += remove_left(store)
            erase_due(store)
            begin(store)
            summary.problems += filter(None, [older_lake(store)])
            with _readers(store, files, cluster, left) as where:
                if register_tables:
                    _take_registers(store, register_tables, summary)
                if rules is not None:
                    keep_mapping(store, rules)
                rest = at_rest(store)  # again: the trips that were just read say what is held
                summary.problems = [rest.text(problem) for problem in summary.problems]
                settings = settings_fingerprint(rules, criteria)
                job = Job(rest, where.rows, rules, criteria, settings, began=datetime.now(UTC))
                desk = Desk(job, read_log(store), Lake(store), check_bytes, missed=bool(lacks(store)))
                if rest.doubted or desk.lake.some_twice():
                    look_at_all_again(store)
                read_all(files, desk, where, _committing(store, rest), summary, progress)
            summary.problems += left
            reached.close()  # nobody waits for what follows
            _finish(store, files, desk, summary, progress)
            erase_due(store)  # what publishing found to be back, with an older copy of the lake or of a register
    return summary


@contextmanager
def _readers(store: Path, files: list[Source], cluster: Cluster | None, left: list[str]) -> Iterator[Where]:
    """Who reads the files; ``left`` gets what they could not remove at the end."""
    if cluster is None:
        with with_care(store, files) as care:
            yield Threads(Gathering(store), care)
            care.complete()
        return
    with cluster.workers(store, left) as workers:
        yield workers


def _finish(store: Path, files: list[Source], desk: Desk, summary: IngestSummary, progress: Progress | None) -> None:
    """What follows when all files are read: publishing, tidying the lake, copies for holds."""
    rest = desk.job.rest
    summary.problems += [rest.text(sentence) for sentence in (*desk.unread, *desk.seen.sentences())]
    log = commit_log(store, ())
    take_off_lacking(store, desk.there)
    tell(progress, "publishing", 0, 1)
    _publish(store, files, desk, summary)
    desk.lake.remove_unlisted(log.keys())
    settle(store)
    tell(progress, "publishing", 1, 1)
    for copied in copy_held(store, desk.seen):
        summary.held_copied += copied.new
        summary.held_not_copied += [f"{copied.hold_id}: {rest.text(sentence)}" for sentence in copied.sentences]


def _committing(store: Path, rest: AtRest) -> Commit:
    """Puts entries into the log, whose rows are in the lake."""

    def commit(entries: list[LogEntry]) -> None:
        if rest.forgetter and rest.holds:
            mark_erased(store, held=[one.hold_id for one in rest.holds])  # perhaps: the next erasing finds out
        Lake(store).fold(commit_log(store, entries).keys())  # few small files, however many are read

    return commit


def _take_registers(store: Path, tables: dict[str, pa.Table], summary: IngestSummary) -> None:
    """Merge registers as far as the rules of the store, its holds and what was dropped let them in."""
    rest = at_rest(store, arriving=tables.get("trips"))
    summary.alike_withheld = sum(map(rest.alike, tables.values()))
    kept = {name: rest.register(name, table) for name, table in tables.items()}
    kept, changes = without_held_changes(store, rest.holds, kept)
    summary.problems += changes
    merge_registers(store, without_dropped(store, kept, rest.rules, rest.today))


def _publish(store: Path, files: list[Source], desk: Desk, summary: IngestSummary) -> None:
    """Publish what the lake holds now, and put into the summary what only publishing knows."""
    dropped = is_pending(store)  # by rules of retention: what is published now is published for them too
    with rebuilding(store, fresh=dropped, memory_limit=PUBLISHING_MEMORY) as con:
        publish_recordings(con, store, desk.job.criteria)
        if dropped:
            drop_old_days(con, store)
        summary.problems += _told(con, files, desk.job.rest, desk.seen.not_known())
        summary.unknown_vehicles = _unknown(con, "vehicle")
        summary.unknown_drivers = _unknown(con, "driver")
        summary.written_alike = written_alike(con)
        summary.doubted = yet_to_come(con, this_day())
    note_published(store)


def score(store: Path, as_of: date | None = None, *, all_history: bool = False) -> date:
    """Score the fleet and publish health, indicators, driver style and flags; returns the day scored.

    What was entered since the last run counts. The scores of the newest day raise flags and close those that ended.

    ``all_history`` scores every past week with inspections anew, instead of the newest few that are missing. Raises
    ``StoreError`` if nothing was ingested yet.
    """
    from fleetbrake.scoring.run import score as score_fleet  # its statistics take a second to load

    _must_exist(store)
    if as_of is not None and as_of > this_day():
        raise InputError(f"{as_of}: a day that has come is expected; scores of one that has not would stay the newest.")
    with _rebuilding(store, "score") as con:
        merged_registers(con, store)
        sum_up_missing(con)
        day = score_fleet(con, as_of, all_weeks=all_history)
        raise_flags(con, store, day)
        _show_flags(con, store)
        return day


def not_counted(store: Path) -> list[str]:
    """Sentences about what no score counts: events of days that are yet to come, recordings that are not published."""
    log, told = None, list[str]()
    try:  # before what is published is opened: a run in between publishes what the log names
        told += filter(None, [older_lake(store)])
        log = shown_log(store, for_publishing(store), read_log(store))
    except StoreError as error:  # what was scored or planned is published all the same
        told.append(str(error))
    with reading(store) as con:
        missing = [] if log is None else unpublished(con, log)
        # a run that reads recordings now publishes them at its end
        return [*yet_to_come(con, this_day()), *told, *(missing if holder(store) is None else ())]


def plan(store: Path) -> int:
    """Plan the inspections of the coming two weeks and publish them with the flags; returns the number of visits.

    What planners asked for since the last run counts, and so does what was entered of findings and work.
    """
    from fleetbrake.planning.run import plan as plan_visits  # the solver takes most of a second to load

    _must_exist(store)
    with _rebuilding(store, "plan") as con:
        merged_registers(con, store)
        visits = plan_visits(con, wishes=wishes_of(con, store))
        _show_flags(con, store)
        return visits


@contextmanager
def _rebuilding(store: Path, what: str) -> Iterator[duckdb.DuckDBPyConnection]:
    """The published database to be written, rid of what was still to be forgotten, or came back."""
    with writer_lock(store, what):
        erase_due(store)
        drop_what_came_back(store)
        with rebuilding(store, memory_limit=WORKING_MEMORY, scores=True) as con:
            yield con


def _show_flags(con: duckdb.DuckDBPyConnection, store: Path) -> None:
    """Publish where the flags stand by the newest scores."""
    standing = read_standing(con)
    if standing is not None:
        publish_flags(con, store, standing.as_of)


def report(
    store: Path, month: str, out: Path, *, safety_role: bool = False, measures: "Measures | None" = None
) -> list[Path]:
    """Write the month's files to ``out``, PDF and workbook in the units of ``measures``; returns their paths."""
    from fleetbrake.reports.measures import METRIC
    from fleetbrake.reports.monthly.month import write_month  # typesetting libraries are loaded only when needed

    _must_exist(store)
    return write_month(store, month, out, safety_role=safety_role, measures=measures or METRIC)


def make_demo(folder: Path, progress: Progress | None = None) -> Path:
    """Invent a fleet under ``folder`` and run the whole job on it; returns the store.

    An earlier demo in the folder is replaced. Raises ``InputError`` if the folder holds anything else, or its store
    what somebody entered or read in: what is not the demo's own is never touched.
    """
    from fleetbrake.simulation.fleet import write_demo  # the model is needed for nothing else
    from fleetbrake.simulation.scenario import SCORED_ON

    store, mark = folder / "store", folder / DEMO_MARK
    if folder.exists() and not mark.is_file() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(f"{folder}: there is something here that no demo made; name an empty or a new folder.")
    _refuse_used(folder, store)
    for part in ("recordings", "registers", "store"):
        shutil.rmtree(folder / part, ignore_errors=True)
    folder.mkdir(parents=True, exist_ok=True)
    mark.write_text(
        "Made by `fleetbrake demo`, which replaces recordings, registers and store here.\n", encoding="utf-8"
    )
    write_demo(folder, progress=lambda _, done, of: tell(progress, "inventing recordings", done, of))
    ingest([folder / "recordings"], store, registers=folder / "registers", progress=progress)
    for day in SCORED_ON:  # in the order of time: each knows nothing from after its day
        score(store, day)
    score(store)
    plan(store)
    return store


def _refuse_used(folder: Path, store: Path) -> None:
    """InputError where somebody has worked in the store of a demo."""
    entered = given(store).last
    own = {path.name for path in (folder / "recordings").rglob("*.parquet")}
    others = sum(Path(entry.path).name not in own for entry in read_log(store)) if store.is_dir() else 0
    if entered or others:
        raise InputError(
            f"{store}: {entered} entries of people and {others} recordings that are not the demo's are in it, and "
            "would go: name another --folder, or remove this one."
        )


def _must_exist(store: Path) -> None:
    if not database_path(store).is_file():
        raise StoreError(f"{store}: there is no published database in this store yet; run `fleetbrake ingest` first.")


def _told(con: duckdb.DuckDBPyConnection, files: list[Source], rest: AtRest, but: frozenset[str]) -> list[str]:
    """What the published log says against the files of this run, with what only publishing knows (ids in two files).

    ``but``: paths of files that cannot be read again yet, so that what was wrong with them is not known.
    """
    rows = con.execute(
        "SELECT path, reason FROM ingest_log WHERE status <> 'loaded' AND path IN (SELECT unnest(?)) ORDER BY path",
        [[path for file in files for path in rest.paths(file.address) if path not in but]],
    ).fetchall()
    told = ((path, (reason or "").replace(visible(path), path)) for path, reason in rows)
    return [reason if path in reason else f"{path}: {reason}" for path, reason in told]


def _unknown(con: duckdb.DuckDBPyConnection, kind: str) -> list[str]:
    rows = con.execute("SELECT id FROM unknown_ids WHERE kind = ? ORDER BY id", [kind]).fetchall()
    return [row[0] for row in rows]

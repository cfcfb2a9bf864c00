"""``runs.sqlite``: what became of each unattended run, and which folders hold their logs.

A run writes its row when it begins and once more when it ends. While it lives it holds a lock of the operating system,
so that one that was killed is known as such by whoever looks, on any day and whatever process has its number by then.
"""

import json
import socket
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from fleetbrake import __version__
from fleetbrake.core.errors import StoreError
from fleetbrake.core.kin import program_pid
from fleetbrake.core.private import make_private
from fleetbrake.store.disk_words import is_damaged, sqlite_reason
from fleetbrake.store.files import made_for_all
from fleetbrake.store.format import refuse_newer
from fleetbrake.store.remembered import no_copy, remember_run
from fleetbrake.store.run_numbers import RUNS_NAME, count_run
from fleetbrake.store.runs_lost import lost_runs
from fleetbrake.store.shut import PATIENCE_S, wary

#: A file a living run, locked by it.
RUNNING_FOLDER = "running"

TABLES_SQL = """
CREATE TABLE IF NOT EXISTS runs (
    run_id TEXT PRIMARY KEY,
    job TEXT NOT NULL,
    started_at TEXT NOT NULL,
    ended_at TEXT,
    outcome TEXT NOT NULL,
    status INTEGER,
    host TEXT NOT NULL,
    pid INTEGER NOT NULL,
    version TEXT NOT NULL,
    summary TEXT NOT NULL,
    error TEXT
);
CREATE TABLE IF NOT EXISTS log_folders (folder TEXT PRIMARY KEY, used_at TEXT NOT NULL);
"""
_COLUMNS = "run_id, job, started_at, ended_at, outcome, status, host, pid, version, summary, error"
_KILLED_SENTENCE = "The process ended without a word: it was killed, it crashed, or the machine went down."


class Outcome(StrEnum):
    """How a run stands or ended."""

    RUNNING = "running"
    DONE = "done"
    SOME_REJECTED = "some input rejected"
    FAILED = "failed"
    BUSY = "store was busy"
    STOPPED = "stopped by a signal"
    KILLED = "killed"


@dataclass(frozen=True)
class Run:
    """One run; times in UTC. ``status`` is its exit status, None while it runs and for one that was killed."""

    run_id: str
    job: str
    started_at: datetime
    ended_at: datetime | None
    outcome: Outcome
    status: int | None
    host: str
    pid: int
    version: str
    summary: dict[str, Any]
    error: str | None


@contextmanager
def living(store: Path, run_id: str) -> Iterator[None]:
    """Hold the lock that says that the run lives; whoever finds it free knows that the run is over.

    Raises
    ------
    StoreError
        The store cannot be written.
    """
    path = _living_file(store, run_id)
    try:
        make_private(path.parent, like_its_own=True)
        lock = FileLock(path, fallback_to_soft=False)
        lock.acquire(timeout=0)
    except (OSError, NotImplementedError) as error:
        raise StoreError(f"{path}: cannot be locked ({error}).") from error
    try:
        yield
    finally:
        lock.release()
        with suppress(OSError):
            path.unlink(missing_ok=True)
        with suppress(OSError):
            path.parent.rmdir()  # only an empty folder can be removed


def begin(store: Path, run_id: str, job: str, started_at: datetime, keep_days: int | None) -> list[Run]:
    """Write down that a run has begun. Runs that were killed are written down as such, rows past ``keep_days`` dropped
    (None: none are).

    The caller holds :func:`living` before, else the next one takes the run for killed.

    Returns
    -------
    The runs that turned out to have been killed.

    Raises
    ------
    StoreError
        The file cannot be written.
    """
    killed = [run for run in _stored(store, "WHERE outcome = 'running'", ()) if not _lives(store, run.run_id)]
    row = (run_id, job, _text(started_at), Outcome.RUNNING, socket.gethostname(), program_pid(), __version__)
    with opened(store, write=True) as con, con:
        con.execute("BEGIN IMMEDIATE")
        lost = _some_lost(store)
        for run in killed:
            con.execute(
                "UPDATE runs SET outcome = ?, error = ? WHERE run_id = ? AND outcome = 'running'",
                (Outcome.KILLED, _KILLED_SENTENCE, run.run_id),
            )
            _living_file(store, run.run_id).unlink(missing_ok=True)
        count_run(con, after_a_loss=lost)
        if keep_days is not None:
            con.execute("DELETE FROM runs WHERE started_at < ?", (_text(started_at - timedelta(days=keep_days)),))
        con.execute(
            "INSERT INTO runs (run_id, job, started_at, outcome, host, pid, version, summary) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, '{}')",
            row,
        )
    remember_run(store)
    return killed


def _some_lost(store: Path) -> bool:
    try:
        return lost_runs(store) is not None
    except StoreError:  # the note of it is damaged, which others tell
        return False


def end(
    store: Path,
    run_id: str,
    ended_at: datetime,
    outcome: Outcome,
    status: int,
    summary: dict[str, Any],
    error: str = "",
) -> None:
    """Write down how a run ended. ``summary`` is what JSON can hold.

    Raises
    ------
    StoreError
        The file cannot be written.
    """
    told = json.dumps(summary, sort_keys=True)
    with opened(store, write=True) as con, con:
        con.execute(
            "UPDATE runs SET ended_at = ?, outcome = ?, status = ?, summary = ?, error = ? WHERE run_id = ?",
            (_text(ended_at), outcome, status, told, error or None, run_id),
        )


def last_runs(store: Path, most: int) -> list[Run]:
    """The newest runs, the newest first; empty where none was ever written down.

    In the order in which they were written down: under a clock that was wrong for a night, times are in none.

    Raises
    ------
    StoreError
        The file cannot be read.
    """
    found = _stored(store, "ORDER BY rowid DESC LIMIT ?", (most,))
    return [
        Run(**{**vars(run), "outcome": Outcome.KILLED, "error": _KILLED_SENTENCE})
        if run.outcome == Outcome.RUNNING and not _lives(store, run.run_id)
        else run
        for run in found
    ]


def remember_log_folder(store: Path, folder: Path) -> None:
    """Keep where logs are written, so that whoever has to search or clean them finds them.

    Raises
    ------
    StoreError
        The file cannot be written.
    """
    with opened(store, write=True) as con, con:
        con.execute(
            "INSERT INTO log_folders VALUES (?, ?) ON CONFLICT (folder) DO UPDATE SET used_at = excluded.used_at",
            (str(folder.resolve()), _text(datetime.now(UTC))),
        )


def log_folders(store: Path) -> list[Path]:
    """Every folder that logs of this store were ever written to, ``STORE/logs`` among them; some may be gone.

    Raises
    ------
    StoreError
        The file cannot be read.
    """
    told = {Path(row[0]) for row in _asked(store, "SELECT folder FROM log_folders", ())}
    return sorted(told | {(store / "logs").resolve()})


def _lives(store: Path, run_id: str) -> bool:
    path = _living_file(store, run_id)
    if not path.exists():
        return False
    try:
        with FileLock(path, fallback_to_soft=False).acquire(timeout=0):
            return False
    except (Timeout, OSError, NotImplementedError):  # held; or this user may not ask, and then nothing is known
        return True


def _living_file(store: Path, run_id: str) -> Path:
    return store / RUNNING_FOLDER / f"{run_id}.lock"


def _stored(store: Path, which: str, given: tuple[object, ...]) -> list[Run]:
    return [_run(*row) for row in _asked(store, f"SELECT {_COLUMNS} FROM runs {which}", given)]  # noqa: S608 - own words


def _run(run_id: str, job: str, started: str, ended: str | None, outcome: str, status: int | None, *rest: Any) -> Run:
    host, pid, version, summary, error = rest
    return Run(
        run_id,
        job,
        datetime.fromisoformat(started),
        None if ended is None else datetime.fromisoformat(ended),
        Outcome(outcome),
        status,
        host,
        pid,
        version,
        json.loads(summary),
        error,
    )


def _asked(store: Path, sql: str, given: tuple[object, ...]) -> list[tuple[Any, ...]]:
    if not (store / RUNS_NAME).is_file():
        return []
    with opened(store, write=False) as con:
        # the first writer makes the file before the tables, and may have been killed in between
        if not con.execute("SELECT 1 FROM sqlite_master WHERE name = 'log_folders'").fetchall():
            return []
        return con.execute(sql, given).fetchall()


@contextmanager
def opened(store: Path, *, write: bool) -> Iterator[sqlite3.Connection]:
    """A connection that is closed at the end; the tables are made by the first writer.

    Raises
    ------
    StoreError
        The file cannot be read or written.
    """
    path = store / RUNS_NAME
    refuse_newer(store)
    try:
        if write:
            made_for_all(path)
        # a reader too may have to undo what a killed writer left half-written, hence never opened read-only
        target = f"{path.resolve().as_uri()}?mode={'rwc' if write else 'rw'}"
        with closing(sqlite3.connect(target, uri=True, timeout=PATIENCE_S, isolation_level="IMMEDIATE")) as con:
            wary(con)
            con.execute("PRAGMA secure_delete = ON")
            if write:
                con.executescript(TABLES_SQL)
            else:
                con.execute("PRAGMA query_only = ON")
            yield con
    except (sqlite3.Error, ValueError) as error:
        way_out = f" {no_copy('runs')}" if is_damaged(error) else ""
        raise StoreError(
            f"{path}: the history of runs cannot be {'written' if write else 'read'} ({sqlite_reason(error)}).{way_out}"
        ) from error


def _text(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds")

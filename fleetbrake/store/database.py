"""The published database ``fleet.duckdb``: reading it, and publishing a new one by atomic rename."""

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.store.database_words import of_database, raise_damaged
from fleetbrake.store.disk_words import reason
from fleetbrake.store.files import put_in_place, remove_parts
from fleetbrake.store.format import refuse_newer
from fleetbrake.store.fresh import NO_EXTENSIONS, write_fresh
from fleetbrake.store.lock import check_held, writer_lock
from fleetbrake.store.remembered import REMEMBERED, note_scores, remember, with_scores
from fleetbrake.store.schema import check_version, create_tables, fill_table, note_setting, replace_table
from fleetbrake.store.scores_lost import SCORINGS, noted_scores, refuse_lost_scores, scored
from fleetbrake.store.shut import shut
from fleetbrake.store.table_seals import changed_tables, seal_tables

__all__ = [
    "WORKING_MEMORY",
    "create_tables",
    "database_path",
    "fill_table",
    "publication_stamp",
    "reading",
    "rebuilding",
    "replace_table",
]

DATABASE_NAME = "fleet.duckdb"
#: How the names of private copies begin.
PRIVATE_BEGINS = ".rebuilding-"
#: Folders of a store that only the holder of the lock writes files into; ``held`` has one for each hold besides.
_WRITTEN = ("registers", "mappings", "lake", "lake/events", "lake/event_wheels", "lake/blocks")
#: What DuckDB may hold in memory while a fleet is scored or planned. What does not fit goes to files in a folder beside
#: the private copy. Own choice: with Python, its libraries and what DuckDB does not count a run stays under 2 GiB.
WORKING_MEMORY = "1300MB"


def database_path(store: Path) -> Path:
    """Where the published database of a store is."""
    return store / DATABASE_NAME


def publication_stamp(store: Path) -> tuple[int, int]:
    """Inode and time of change (ns) of the published file: differs once it was replaced.

    Raises
    ------
    StoreError
        There is no published database.
    """
    try:
        status = database_path(store).stat()
    except OSError as error:
        raise StoreError(_nothing_published(store)) from error
    return status.st_ino, status.st_mtime_ns


@contextmanager
def reading(store: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """Read-only connection to the file that is published now; times are shown in UTC.

    The connection cannot reach other files, the network or extensions, and keeps its file when a newer one is
    published. Use the connection itself: a ``cursor()`` of it does not know the default database.

    Raises
    ------
    StoreError
        Nothing was published yet, the file cannot be read, or a newer version wrote it.
    """
    publication_stamp(store)
    refuse_newer(store)
    path = str(database_path(store).resolve())
    # A process that connects to a path twice gets its first, perhaps replaced, file again. Attaching to an instance
    # of one's own opens whatever the path names now.
    con = duckdb.connect(":memory:", config=dict(NO_EXTENSIONS))
    try:
        try:
            con.execute("ATTACH '" + path.replace("'", "''") + "' AS fleet (TYPE duckdb, READ_ONLY)")
        except duckdb.Error as error:
            raise_damaged(store, error)
            raise StoreError(f"Cannot read {database_path(store)}: {first_line(error)}") from error
        con.execute("USE fleet")
        con.execute("SET TimeZone = 'UTC'")
        shut(con)
        try:
            check_version(con)
            yield con
        except duckdb.Error as error:
            raise_damaged(store, error)
            raise
    finally:
        con.close()


@contextmanager
def rebuilding(
    store: Path,
    *,
    memory_limit: str | None = None,
    threads: int | None = None,
    fresh: bool = False,
    empty: bool = False,
    scores: bool = False,
    accept: bool = False,
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Read-write connection to a private copy of the published file, published when the block ends without error.

    Every table exists in it. An exception deletes the copy and leaves the published file as it was. Takes the
    writer's lock of the store (again, if this thread already holds it).

    Parameters
    ----------
    memory_limit : as DuckDB reads it, for instance ``"2GB"``; its own default otherwise. What does not fit is written
        to files in a folder of the store, which is removed at the end, or by the next run if this one was killed.
    threads : number of DuckDB's threads; its own default otherwise.
    fresh : write all tables into a new file at the end, so that what was changed or dropped leaves nothing behind.
    empty : begin without any row, for a published file that cannot be read.
    scores : what is published has new scores or plans, which are in no other place: counted, so that an older copy is
        known.
    accept : take what is published for the newest, whatever scores it lacks.

    Raises
    ------
    StoreBusyError
        Another run is writing the store.
    StoreError
        The folder cannot be written, a newer version wrote the file, or it lacks days that were scored.
    """
    with writer_lock(store, "publish"):
        remove_leftovers(store)
        private = private_path(store)
        try:
            if not empty:
                _copy_published(store, private)
            with of_database(store), closing(open_private(private, memory_limit, threads)) as con:
                shut(con, lock=False)
                create_tables(con)
                if not (empty or accept):
                    refuse_lost_scores(con, store)
                other = changed_tables(con)
                yield con
                seal_tables(con, other)
                check_held(store)  # nothing is noted in a folder that took the store's place
                remember(store)
                times = max(scored(con).times, noted_scores(store).times) + scores
                note_setting(con, SCORINGS, str(times))
                now = scored(con)
                note_setting(con, REMEMBERED, with_scores(store, now.to, now.times))
                con.execute("CHECKPOINT")
            if fresh:
                worn, private = private, private_path(store)
                write_fresh(worn, private)
            _publish(store, private)
            # not before they are: a run that is killed here would be said to have lost them
            note_scores(store, now.to, now.times)
        finally:
            remove_leftovers(store)


def remove_leftovers(store: Path) -> None:
    """Remove what killed runs left: private copies, and files of any kind that are half-written, in which old rows may
    stand. Only for the holder of the writer's lock."""
    for path in store.glob(f"{PRIVATE_BEGINS}*"):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)
    for folder in (store, *(store / name for name in _WRITTEN), *(store / "held").glob("*")):
        with suppress(OSError):
            remove_parts(folder)


def private_path(store: Path) -> Path:
    """A new name for a private copy in the store."""
    return store / f"{PRIVATE_BEGINS}{os.getpid()}-{secrets.token_hex(4)}.duckdb"


def _copy_published(store: Path, private: Path) -> None:
    try:
        if database_path(store).exists():
            shutil.copyfile(database_path(store), private)
    except OSError as error:
        raise StoreError(f"Cannot copy {database_path(store)} beside itself: {reason(error)}.") from error


def open_private(private: Path, memory_limit: str | None, threads: int | None) -> duckdb.DuckDBPyConnection:
    """A private copy, or a new one, to be written; what does not fit into memory goes to files beside it."""
    if "?" in str(private.resolve()):  # DuckDB takes it for the start of parameters and would write elsewhere
        raise StoreError(f"The path of a store cannot have a question mark in it: {private.parent}.")
    config: dict[str, str | bool | int | float | list[str]] = dict(NO_EXTENSIONS)
    config["temp_directory"] = f"{private.resolve()}.spilled"
    if memory_limit is not None:
        config["memory_limit"] = memory_limit
    if threads is not None:
        config["threads"] = threads
    try:
        con = duckdb.connect(str(private.resolve()), config=config)
    except duckdb.Error as error:
        raise StoreError(f"Cannot open a copy of the database of {private.parent}: {first_line(error)}") from error
    con.execute("SET TimeZone = 'UTC'")
    return con


def _publish(store: Path, private: Path) -> None:
    check_held(store)
    try:
        # a log that some other program left beside the old file must not be played into the new one
        Path(f"{database_path(store)}.wal").unlink(missing_ok=True)
        put_in_place(private, database_path(store))
    except OSError as error:
        raise StoreError(f"Cannot publish {database_path(store)}: {reason(error)}.") from error


def first_line(error: Exception) -> str:
    """What an error says, without where in the program it came about."""
    return str(error).splitlines()[0] if str(error) else type(error).__name__


def _nothing_published(store: Path) -> str:
    return f"There is no database in {store}: run 'fleetbrake ingest EVENTS... --store {store}' first."

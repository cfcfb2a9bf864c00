"""``STORE/lake/unfinished``: the lake may hold rows that its log does not name. Without it, every row has to be named.

A run that is killed leaves rows that no log names yet, or no longer; the next run removes them. Rows that no log names
and that no such run left are those of a log that was lost, or replaced by an older copy: they are never removed.
"""

from pathlib import Path
from typing import Final

from fleetbrake.core.errors import StoreError
from fleetbrake.store.files import write_bytes
from fleetbrake.store.lake import Lake
from fleetbrake.store.log import IngestLog, left_out_of, read_log
from fleetbrake.store.log_mark import log_mark, log_path
from fleetbrake.store.log_writing import commit_log, is_older_copy, lacks, take_up_log
from fleetbrake.store.readings import READINGS_NAME
from fleetbrake.store.remembered import no_copy, remembered

NAME: Final = "unfinished"


def begin(store: Path) -> None:
    """Before rows are written that the log does not name, or leave it; only for the holder of the writer's lock.

    Raises
    ------
    StoreError
        There are rows that no run can have left so, see :func:`refuse_unexplained`; nothing is changed then.
    """
    refuse_unexplained(store)
    log = commit_log(store, ())  # first: a lake with rows and without a log is one that lost it
    take_up_log(store)
    write_bytes(_mark(store), str(len(log)).encode())


def settle(store: Path) -> None:
    """What the log does not name was removed."""
    _mark(store).unlink(missing_ok=True)


def refuse_unexplained(store: Path) -> None:
    """StoreError where the log does not name all rows and no run that was broken off explains it."""
    log = read_log(store)
    told = unexplained(store, log)
    if told:
        raise StoreError(f"{told} Put the newer log back, or run `fleetbrake check --repair`; nothing was changed.")
    lost = lost_with_the_log(store, log)
    if lost:
        raise StoreError(f"{lost} {no_copy('recordings')}")


def lost_with_the_log(store: Path, log: IngestLog) -> str | None:
    """A sentence where the log is gone, and neither the lake nor what was published tells what it named."""
    number = remembered(store).recordings
    if not number or len(log) or log_path(store).exists():
        return None
    return (
        f"The log of {number} recordings that were read in ({log_path(store)}) is gone, and what was published too: "
        "put the lake and fleet.duckdb back from a copy of the store."
    )


def older_lake(store: Path) -> str | None:
    """A sentence where the log is an older copy: recordings that came in since are neither in it nor, perhaps, in what
    is published."""
    if not lacks(store):
        return None
    return (
        f"The store's log of files ({log_path(store)}) is an older copy, or was made again, and lacks recordings that "
        "were in: what was read of them may be in no other place where it was not published yet. Put the newest lake "
        f"and {READINGS_NAME} back from a copy of the store, or name the recordings of that time to `fleetbrake "
        "ingest` again: this is told until all of them are in. Where neither can be had, `fleetbrake check "
        "--lost-for-good recordings` goes on."
    )


def unexplained(store: Path, log: IngestLog) -> str | None:
    """A sentence on rows in the lake that the log ought to name; None where there are none."""
    unnamed = Lake(store).all_keys() - set(log.keys())
    if not unnamed:
        return None
    path = log_path(store)
    if not path.exists():
        return f"The store's log of files ({path}) is gone, and nothing names {len(unnamed)} recordings of the lake."
    if is_older_copy(store) or not _mark(store).exists():
        return (
            f"The store's log of files ({path}) does not name {len(unnamed)} recordings that are in the lake, and no "
            "run that was broken off explains it: it is an older copy, or parts of it were lost."
        )
    there = log_mark(store)
    if there is not None and there.number:  # the newest: an older one would be known by its number
        return None
    missing = max(left_out_of(log, store), _files_then(store) - len(log))
    if missing <= 0:
        return None
    return f"The store's log of files ({path}) does not name {missing} recordings that it named: it is an older copy."


def _files_then(store: Path) -> int:
    """How many files the log named when the run that was broken off began: none ever leaves it."""
    try:
        return int(_mark(store).read_bytes() or b"0")
    except (OSError, ValueError):
        return 0


def _mark(store: Path) -> Path:
    return store / "lake" / NAME

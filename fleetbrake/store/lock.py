"""One run writes a store at a time."""

import json
import os
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from filelock import FileLock, Timeout

from fleetbrake.core.errors import StoreBusyError, StoreError
from fleetbrake.core.kin import is_ending, program_pid
from fleetbrake.core.private import make_private
from fleetbrake.store.files import write_atomically
from fleetbrake.store.format import mark_format

LOCK_NAME = "store.lock"
HOLDER_NAME = "store.lock.holder"
#: So long a killed holder is waited for (s): giving back some hundred megabytes takes a tenth of one. Own choice.
_DYING_S = 10.0


#: Device and number of the lock file of each store that this process holds.
_HELD: Final[dict[Path, tuple[int, int]]] = {}
_BROKEN_OFF: Final = (
    "Nothing more was written, since another run may be at work there: see that the disk or network folder is there, "
    f"and that nobody removes {LOCK_NAME}; then try again."
)


@dataclass(frozen=True)
class Holder:
    """Who said last that he writes the store: name of the command, process, host, since when (ISO, UTC)."""

    command: str
    pid: int
    host: str
    since: str


def holder(store: Path) -> Holder | None:
    """Who writes the store now, as far as the side file tells; a hint, not a lock.

    None where nobody does, or where the file was left by a process of this host that has ended.
    """
    found = _last_holder(store)
    return found if found is None or found.host != socket.gethostname() or _lives(found.pid) else None


def _last_holder(store: Path) -> Holder | None:
    try:
        said = json.loads((store / HOLDER_NAME).read_text(encoding="utf-8"))
        return Holder(str(said["command"]), int(said["pid"]), str(said["host"]), str(said["since"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def check_held(store: Path) -> None:
    """See that the store whose lock this process holds is still the one that others find under its path.

    Whoever writes there asks before what cannot be taken back: a folder that a disk or network left behind is another
    place, and beside a lock file that was removed another run holds a new one. Nothing is said without the lock.

    Raises
    ------
    StoreError
        The store is gone, another one is in its place, or its lock file was removed.
    """
    mine = _HELD.get(store.absolute())
    if mine is None:
        return
    try:
        now = _place_of(store)
    except OSError as error:
        there = store.is_dir()
        what = f"The file {LOCK_NAME} was removed from the store {store}" if there else f"The store {store} is gone"
        raise StoreError(f"{what} while this run was writing it. {_BROKEN_OFF}") from error
    if now != mine:
        raise StoreError(f"Another store, or another lock, is now at {store}. {_BROKEN_OFF}")


def _place_of(store: Path) -> tuple[int, int]:
    found = (store / LOCK_NAME).stat()
    return found.st_dev, found.st_ino


def _lives(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except PermissionError:  # somebody else's process: it is there
        return True
    except (OSError, OverflowError):
        return False
    return True


@contextmanager
def writer_lock(store: Path, what: str, wait_s: float = 0) -> Iterator[None]:
    """Hold the store's lock while the block runs; the folder is made if it is not there.

    The lock is the operating system's, so a killed holder leaves none. The thread that holds it may take it again.

    Parameters
    ----------
    what : name of the command, told to whoever finds the store busy.
    wait_s : seconds to wait for another holder before giving up.

    Raises
    ------
    StoreBusyError
        Another run holds the lock; the text names it.
    StoreError
        The folder cannot be written.
    """
    try:
        make_private(store)
        # one object a path and process, so that nested use counts up instead of waiting for itself; the library's
        # fallback for file systems without locks would outlive a killed holder, hence off
        lock = FileLock(store.resolve() / LOCK_NAME, is_singleton=True, fallback_to_soft=False)
        _acquire(lock, store, wait_s)
    except Timeout as error:
        raise StoreBusyError(_busy_sentence(store)) from error
    except (OSError, NotImplementedError) as error:
        raise StoreError(f"Cannot lock the store {store}: {error}.") from error
    try:
        outermost = lock.lock_counter == 1
        if outermost:
            _HELD[store.absolute()] = _place_of(store)
            mark_format(store)
            _write_holder(store, what)
        yield
    finally:
        if outermost:
            _HELD.pop(store.absolute(), None)
            with suppress(OSError):
                (store / HOLDER_NAME).unlink(missing_ok=True)
        lock.release()


def _acquire(lock: FileLock, store: Path, wait_s: float) -> None:
    """Take the lock; ``Timeout`` if another holds it. One who was killed has as good as let go: that is waited for."""
    patience = time.monotonic() + _DYING_S
    while True:
        try:
            lock.acquire(timeout=wait_s)
            return
        except Timeout:
            other = _last_holder(store)
            here = other is not None and other.host == socket.gethostname()
            if other is None or not here or not is_ending(other.pid) or time.monotonic() > patience:
                raise
            time.sleep(0.01)


def _write_holder(store: Path, what: str) -> None:
    holder = {
        "command": what,
        "pid": program_pid(),
        "host": socket.gethostname(),
        "since": datetime.now(UTC).isoformat(timespec="seconds"),
    }

    def write(part: Path) -> None:
        part.write_text(json.dumps(holder), encoding="utf-8")

    write_atomically(store / HOLDER_NAME, write)


def _busy_sentence(store: Path) -> str:
    # the side file is only a hint: it may be missing or unreadable while the holder starts or ends
    try:
        holder = json.loads((store / HOLDER_NAME).read_text(encoding="utf-8"))
        who = f"'{holder['command']}' (process {holder['pid']} on {holder['host']}, since {holder['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        who = "another run"
    return f"The store {store} is being written by {who}; wait for it to end, then try again."

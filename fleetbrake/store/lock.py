"""One run writes a store at a time."""

import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from filelock import FileLock, Timeout

from fleetbrake.core.errors import StoreBusyError, StoreError
from fleetbrake.store.files import write_atomically

LOCK_NAME = "store.lock"
HOLDER_NAME = "store.lock.holder"


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
    try:
        said = json.loads((store / HOLDER_NAME).read_text(encoding="utf-8"))
        found = Holder(str(said["command"]), int(said["pid"]), str(said["host"]), str(said["since"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return found if found.host != socket.gethostname() or _lives(found.pid) else None


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
        store.mkdir(parents=True, exist_ok=True)
        # one object a path and process, so that nested use counts up instead of waiting for itself; the library's
        # fallback for file systems without locks would outlive a killed holder, hence off
        lock = FileLock(store.resolve() / LOCK_NAME, is_singleton=True, fallback_to_soft=False)
        lock.acquire(timeout=wait_s)
    except Timeout as error:
        raise StoreBusyError(_busy_sentence(store)) from error
    except (OSError, NotImplementedError) as error:
        raise StoreError(f"Cannot lock the store {store}: {error}.") from error
    try:
        outermost = lock.lock_counter == 1
        if outermost:
            _write_holder(store, what)
        yield
    finally:
        if outermost:
            with suppress(OSError):
                (store / HOLDER_NAME).unlink(missing_ok=True)
        lock.release()


def _write_holder(store: Path, what: str) -> None:
    holder = {
        "command": what,
        "pid": os.getpid(),
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

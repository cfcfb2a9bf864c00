"""A run that was killed has as good as let go of the store: whoever comes next waits for its last moment."""

import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from filelock import FileLock

from fleetbrake.core.errors import StoreBusyError
from fleetbrake.core.kin import is_ending
from fleetbrake.store import lock
from fleetbrake.store.lock import HOLDER_NAME, LOCK_NAME, writer_lock

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="told there only")


@pytest.fixture
def killed() -> Iterator[int]:
    """A process that was killed, and that nobody has taken note of yet."""
    with subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]) as process:
        process.kill()
        yield process.pid


def test_who_is_ending(killed: int) -> None:
    assert is_ending(killed) and not is_ending(os.getpid()) and not is_ending(1)
    with subprocess.Popen([sys.executable, "-c", ""]) as process:
        pass
    assert is_ending(process.pid), "it is gone"


def _held_a_moment(store: Path, pid: int, moment_s: float) -> threading.Thread:
    """The lock held for a moment; the side file names a process, and stays as that of a killed one does."""
    lock = FileLock(store / LOCK_NAME, thread_local=False)
    lock.acquire()
    said = {"command": "ingest", "pid": pid, "host": socket.gethostname(), "since": "2026-01-05T08:00:00"}
    (store / HOLDER_NAME).write_text(json.dumps(said), encoding="utf-8")
    thread = threading.Timer(moment_s, lock.release)
    thread.start()
    return thread


def test_a_killed_holder_is_waited_for(tmp_path: Path, killed: int) -> None:
    thread = _held_a_moment(tmp_path, killed, 0.4)
    with writer_lock(tmp_path, "score"):
        pass
    thread.join()


def test_not_without_end(tmp_path: Path, killed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lock, "_DYING_S", 0.1)
    thread = _held_a_moment(tmp_path, killed, 1.0)
    with pytest.raises(StoreBusyError, match=f"process {killed}"), writer_lock(tmp_path, "score"):
        pass
    thread.join()


def test_a_holder_at_work_is_not(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    slept: list[float] = []
    thread = _held_a_moment(tmp_path, os.getpid(), 0.4)
    monkeypatch.setattr(time, "sleep", slept.append)
    with pytest.raises(StoreBusyError), writer_lock(tmp_path, "score"):
        pass
    thread.join()
    assert slept == []

"""The file that says that a run lives and how far it is: small, JSON, replaced as a whole."""

import json
import os
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from filelock import FileLock

from fleetbrake.core.kin import program_pid
from fleetbrake.core.private import make_private


def heartbeat_file(folder: Path, job: str) -> Path:
    """Where the heartbeat of a job is: each job has one of its own, since both may run at the same time."""
    return folder / f"heartbeat-{job}.json"


class Heartbeat:
    """Writes ``at`` every few seconds, and ``progress_at`` only when the run got further.

    So a stale ``at`` means that the process is gone or frozen, a stale ``progress_at`` that it is stuck. A second run
    of the same job, which waits for the first, does not write over its file: whoever holds the file's lock writes. What
    cannot be written is passed over: a full disk must not end a run.
    """

    def __init__(self, file: Path, job: str, run_id: str, started_at: datetime) -> None:
        self._file = file
        # the thread that beats and the one that works write it in turn
        self._lock = FileLock(file.with_name(f".{file.name}.lock"), thread_local=False, fallback_to_soft=False)
        self._one_at_a_time = threading.Lock()
        self._told: dict[str, Any] = {
            "job": job, "run_id": run_id, "pid": program_pid(), "host": socket.gethostname(),
            "started_at": _now(started_at), "progress_at": _now(started_at), "stage": "beginning", "done": 0, "of": 0,
            "ended": False, "outcome": None, "status": None,
        }  # fmt: skip

    def progress(self, stage: str, done: int = 0, of: int = 0) -> None:
        """The run got further; written with the next beat."""
        if (stage, done, of) != (self._told["stage"], self._told["done"], self._told["of"]):
            self._told = {**self._told, "stage": stage, "done": done, "of": of, "progress_at": _now()}

    @property
    def stage(self) -> str:
        """What the run is at."""
        return str(self._told["stage"])

    def ended(self, outcome: str, status: int) -> None:
        """The last word."""
        self._told = {**self._told, "ended": True, "outcome": outcome, "status": status}
        self.beat()

    def beat(self) -> None:
        """Write the file, if no other run of the job does."""
        with self._one_at_a_time, suppress(OSError, NotImplementedError):
            if not self._lock.is_locked:
                make_private(self._file.parent)
                self._lock.acquire(timeout=0)  # a Timeout is an OSError: the other run writes
            part = self._file.with_name(f".{self._file.name}.{os.getpid()}.part")
            try:
                part.write_text(json.dumps({**self._told, "at": _now()}, sort_keys=True) + "\n", encoding="utf-8")
                part.replace(self._file)
            finally:
                part.unlink(missing_ok=True)

    @contextmanager
    def beating(self, every_s: float) -> Iterator[None]:
        """Beat in a thread of its own while the block runs."""
        over = threading.Event()

        def work() -> None:
            self.beat()
            while not over.wait(every_s):
                self.beat()

        thread = threading.Thread(target=work, name="heartbeat", daemon=True)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join(timeout=30)  # a disk that hangs must not keep the run from ending

    def let_go(self) -> None:
        """Give the file to the next run."""
        with suppress(OSError):
            self._lock.release(force=True)


def _now(moment: datetime | None = None) -> str:
    return (moment or datetime.now(UTC)).isoformat(timespec="milliseconds")

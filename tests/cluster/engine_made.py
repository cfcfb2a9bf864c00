"""A scheduler and workers as programs of their own on loopback."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
#: Only keeps a broken test from hanging on a machine with much else to do (s).
MOST_S = 120.0
#: One death of a worker is no proof against a file, two are: fewer than usual, so that fewer workers are started anew.
ALLOWED_FAILURES = 1


def until(true: Callable[[], object], what: str) -> None:
    """Wait for what another process does."""
    end = time.monotonic() + MOST_S
    while not true():
        assert time.monotonic() < end, what
        time.sleep(0.05)


@dataclass
class Engine:
    """One scheduler and its workers; ``folder`` for what they write."""

    folder: Path
    programs: list["subprocess.Popen[bytes]"] = field(default_factory=list)

    @property
    def address(self) -> str:
        return str(json.loads(self._file.read_text(encoding="utf-8"))["address"])

    @property
    def once(self) -> Path:
        """Where files that end a worker once leave that they did."""
        return self.folder / "once"

    @property
    def _file(self) -> Path:
        return self.folder / "scheduler.json"

    def scheduler(self) -> "subprocess.Popen[bytes]":
        """Start it, and wait until it listens."""
        self.once.mkdir(parents=True, exist_ok=True)
        words = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(self._file)]
        program = self._start("dask_scheduler", words)
        until(lambda: self._file.exists() and self._file.read_text(encoding="utf-8"), "the scheduler does not start")
        return program

    def worker(self, name: str, *words: str, **environment: str) -> "subprocess.Popen[bytes]":
        """Start one with a thread, which is started anew when it dies."""
        own = self.folder / name
        own.mkdir(parents=True, exist_ok=True)
        preload = str(Path(__file__).parent / "odd_worker.py")
        common = ["--scheduler-file", str(self._file), "--nthreads", "1", "--no-dashboard", "--host", "127.0.0.1"]
        more = ["--name", name, "--local-directory", str(own), "--preload", preload, *words]
        return self._start("dask_worker", [*common, *more], **environment)

    def _start(self, program: str, words: list[str], **environment: str) -> "subprocess.Popen[bytes]":
        said = (self.folder / f"{program}-{len(self.programs)}.log").open("wb")
        started = subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.{program}", *words],
            stdout=said,
            stderr=said,
            env={
                **os.environ,
                "PYTHONPATH": str(ROOT),
                "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": str(ALLOWED_FAILURES),
                "FLEETBRAKE_ONCE": str(self.once),
                **environment,
            },
        )
        said.close()
        self.programs.append(started)
        return started

    def end(self) -> None:
        """End what was started, workers first."""
        for program in reversed(self.programs):
            ended(program)


def ended(program: "subprocess.Popen[bytes]") -> None:
    """See that a program has ended."""
    if program.poll() is None:
        program.terminate()
        try:
            program.wait(20)
        except subprocess.TimeoutExpired:
            program.kill()
            program.wait(20)

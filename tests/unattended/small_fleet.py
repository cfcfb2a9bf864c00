"""A small fleet's folder with a configuration, and what its jobs say."""

import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from product_run import Stop, recording
from typer.testing import CliRunner

from fleetbrake.cli_jobs import monthly_app, nightly_app
from fleetbrake.store.lock import writer_lock

ROOT = Path(__file__).resolve().parents[2]
#: A driver whose id no other text of a run holds by chance.
DRIVER = "Quillfeather-77"


@dataclass(frozen=True)
class Fleet:
    """A folder with recordings and a configuration."""

    folder: Path

    @property
    def store(self) -> Path:
        return self.folder / "store"

    @property
    def config(self) -> Path:
        return self.folder / "fleet.toml"

    def facts(self, job: str, *words: str) -> tuple[int, dict[str, Any]]:
        """Run a job here and now; exit status and its line."""
        app = {"nightly": nightly_app, "monthly": monthly_app}[job]
        done = CliRunner().invoke(app, ["--config", str(self.config), *words])
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        return done.exit_code, strict_json(done.stdout.splitlines()[-1])

    def process(self, job: str, *words: str) -> "subprocess.Popen[str]":
        """Start the job's program as whatever watches would."""
        return subprocess.Popen(
            [sys.executable, str(ROOT / "jobs" / f"{job}.py"), "--config", str(self.config), *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )

    def heartbeat(self, job: str) -> dict[str, Any]:
        return strict_json((self.store / f"heartbeat-{job}.json").read_text(encoding="utf-8"))

    def log_lines(self) -> list[dict[str, Any]]:
        files = sorted((self.store / "logs").glob("*.jsonl"))
        return [strict_json(line) for file in files for line in file.read_text("utf-8").split("\n") if line]


def strict_json(text: str) -> dict[str, Any]:
    """The object of one line; NaN and the like, which other programs refuse, are refused here too."""

    def refused(word: str) -> None:
        raise ValueError(f"{word} is no JSON")

    found = json.loads(text, parse_constant=refused)
    assert isinstance(found, dict) and "\n" not in text.rstrip("\n")
    return found


def driven(event_id: str, driver: str = DRIVER, **how: Any) -> pa.Table:
    """A recorded stop with a driver."""
    table = recording(Stop(15.0, 5.0), event_id, **how)
    return table.append_column("driver_id", pa.array([driver] * table.num_rows))


def make_fleet(folder: Path, more: str = "", recordings: bool = True) -> Fleet:
    """A folder with one recording and a configuration; ``more`` goes behind it."""
    (folder / "recordings").mkdir(parents=True)
    if recordings:
        pq.write_table(driven("one"), folder / "recordings" / "a.parquet")
    (folder / "fleet.toml").write_text(
        '[store]\nfolder = "store"\n[recordings]\nfolders = ["recordings"]\n[month]\nout = "out"\n'
        f"[night]\nwait_s = 60\n[heartbeat]\nevery_s = 0.1\n{more}",
        encoding="utf-8",
    )
    return Fleet(folder)


@dataclass(frozen=True)
class Night:
    """A fleet after a night that ran as a program of its own."""

    fleet: Fleet
    status: int
    facts: dict[str, Any]
    said: str
    lines: list[str]


@contextmanager
def held_by_another(store: Path, what: str) -> Iterator[None]:
    """The store's lock held by a thread of its own: the thread that holds it may take it again."""
    held, over = threading.Event(), threading.Event()

    def hold() -> None:
        with writer_lock(store, what):
            held.set()
            over.wait(60)

    thread = threading.Thread(target=hold)
    thread.start()
    held.wait(60)
    try:
        yield
    finally:
        over.set()
        thread.join()

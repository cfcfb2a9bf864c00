"""The frame around an unattended run: signals, history, log, heartbeat, and the facts for whatever watches.

What the frame itself cannot write (history, log, heartbeat) is told and passed over: a full disk for logs must not end
a night. What the run says outside the store carries no driver's id.
"""

import logging
import secrets
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TypeVar

from fleetbrake.core.errors import FleetbrakeError, StoreBusyError, StoreError
from fleetbrake.core.private import make_private
from fleetbrake.recordings.story import printable
from fleetbrake.store import runs
from fleetbrake.store.ageing.retention_clock import ageing_day
from fleetbrake.store.runs import Outcome
from fleetbrake.store.runs_lost import lost_runs
from fleetbrake.unattended.config import Config
from fleetbrake.unattended.heartbeat import Heartbeat, heartbeat_file
from fleetbrake.unattended.logs import logging_to
from fleetbrake.unattended.names import NamesLeftOut
from fleetbrake.unattended.signals import StopAsked, Stopped, listening

OK, SOME_REJECTED, FAILED = 0, 1, 2
#: Sentences on input that was not taken in: so many go into the JSON line, so many into the log.
MOST_TOLD: Final = 20
MOST_LOGGED: Final = 200
#: How often a long stage is told in the log (s); own choice.
_TOLD_EVERY_S: Final = 60.0
_OUTCOMES: Final = {OK: Outcome.DONE, SOME_REJECTED: Outcome.SOME_REJECTED, FAILED: Outcome.FAILED}

Found = TypeVar("Found")


@dataclass
class Run:
    """A run at work: what it got done so far. ``status`` only ever gets worse."""

    job: str
    run_id: str
    store: Path
    log: logging.Logger
    heartbeat: Heartbeat
    asked: StopAsked
    names: NamesLeftOut
    status: int = OK
    error: str | None = None
    steps: dict[str, str] = field(default_factory=dict)
    facts: dict[str, Any] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    begun: float = field(default_factory=time.monotonic)
    _told_at: float = field(default_factory=time.monotonic)

    def progress(self, stage: str, done: int = 0, of: int = 0) -> None:
        """The run got further: for the heartbeat, and now and then for the log."""
        self.asked.check()
        self.heartbeat.progress(stage, done, of)
        if of and time.monotonic() - self._told_at > _TOLD_EVERY_S:
            self._told_at = time.monotonic()
            self.log.info("%s: %d of %d", stage, done, of, extra={"facts": {"done": done, "of": of}})

    def step(self, name: str, work: Callable[[], Found]) -> Found | None:
        """Do one step; None if it failed, which is told and does not end the run."""
        self.progress(name)
        begun = time.monotonic()
        self.log.info("%s begins", name)
        try:
            found = work()
        except Exception as error:
            self.asked.check()  # compiled code turns an interruption into an error of its own
            self._failed(name, error)
            return None
        self.steps[name] = "done"
        self.log.info("%s is done", name, extra={"facts": {"seconds": round(time.monotonic() - begun, 3)}})
        return found

    def problem(self, *sentences: str) -> None:
        """Some input was not taken in."""
        for sentence in sentences:
            self.status = max(self.status, SOME_REJECTED)
            self.problems.append(sentence)
            if len(self.problems) <= MOST_LOGGED:
                self.log.warning("%s", sentence)
        if sentences and len(self.problems) > MOST_LOGGED:
            self.log.warning("%d problems in all; the store's log of files has them", len(self.problems))

    def warning(self, *sentences: str) -> None:
        """Something that a person should know and that does not make the run a worse one."""
        for sentence in sentences:
            self.warnings.append(sentence)
            self.log.warning("%s", sentence)

    def failed(self, error: BaseException) -> None:
        """The run, or a part of it, could not do its work."""
        self.status = FAILED
        sentence, where = _sentence(error)
        self.error = self.error or sentence
        self.log.error("%s", sentence, extra={"facts": {"where": where} if where else {}})

    def _failed(self, name: str, error: Exception) -> None:
        self.steps[name] = "failed"
        self.failed(error)


def run_job(job: str, config: Config, work: Callable[[Run], None], *, makes_store: bool) -> tuple[int, dict[str, Any]]:
    """Do the work inside the frame.

    Parameters
    ----------
    makes_store : whether the job may make the store's folder; else one that is not there is refused.

    Returns
    -------
    Exit status (0 all done, 1 some input was rejected, 2 something could not be done) and the facts of the run.
    """
    store, started_at = config.store.folder, datetime.now(UTC)
    run_id = f"{started_at:%Y%m%dT%H%M%S}-{secrets.token_hex(3)}"
    if not makes_store and not store.is_dir():
        error = f"{store}: there is no such store; run the night first."
        return FAILED, {**_head(job, run_id, Outcome.FAILED, FAILED, started_at, 0.0), "error": error}
    if makes_store:
        with suppress(OSError):  # told by whoever writes into it
            make_private(store)
    names = NamesLeftOut(store)
    heartbeat = Heartbeat(heartbeat_file(config.heartbeat_folder, job), job, run_id, started_at)
    believed = _clock_believed(store)  # else nothing of either is removed
    logs_days = config.logs.keep_days if believed else None
    kept_days = config.history.keep_days if believed else None
    how: dict[str, Any] = {"job": job, "run_id": run_id, "stage": lambda: heartbeat.stage, "clean": names}
    with (
        listening() as asked,
        logging_to(config.log_folder, logs_days, config.logs.level, **how) as log,
        heartbeat.beating(config.heartbeat.every_s),
    ):
        run = Run(job, run_id, store, log, heartbeat, asked, names)
        with _history(run, started_at, config.log_folder, kept_days) as written_down:
            outcome = _worked(run, work)
            facts = _facts(run, outcome, started_at)
            written_down(outcome, facts)
        log.info("%s: %s", job, outcome, extra={"facts": {**_summary(facts), "status": run.status}})
    heartbeat.ended(outcome, run.status)
    heartbeat.let_go()
    return run.status, facts


def _worked(run: Run, work: Callable[[Run], None]) -> Outcome:
    """Do the work; how it ended."""
    try:
        with run.asked.armed():
            work(run)
    except StoreBusyError as error:
        run.failed(error)
        run.facts["busy"] = True
        return Outcome.BUSY
    except (Exception, Stopped) as error:
        if run.asked.by is not None:
            run.facts["stopped_by"] = run.asked.by
            run.failed(FleetbrakeError(f"Stopped by {run.asked.by} at: {run.heartbeat.stage}."))
            return Outcome.STOPPED
        run.failed(error)
    return _OUTCOMES[run.status]


def _clock_believed(store: Path) -> bool:
    """Whether the clock may say what is old: what a clock that runs years ahead removes does not come back."""
    try:
        return ageing_day(store).doubt is None
    except (FleetbrakeError, OSError):  # told by whatever needs what cannot be read
        return False


Ending = Callable[[Outcome, dict[str, Any]], None]


@contextmanager
def _history(run: Run, started_at: datetime, logs: Path, keep_days: int | None) -> Iterator[Ending]:
    """The run in the store's history; yields what writes down how it ended."""
    with ExitStack() as stack:
        try:
            stack.enter_context(runs.living(run.store, run.run_id))
            for dead in runs.begin(run.store, run.run_id, run.job, started_at, keep_days):
                run.log.warning("An earlier run was killed: %s of %s", dead.job, dead.started_at)
            runs.remember_log_folder(run.store, logs)
            run.warning(*filter(None, (lost_runs(run.store),)))
        except StoreError as error:
            run.warning(str(error))

        def written_down(outcome: Outcome, facts: dict[str, Any]) -> None:
            try:
                ended_at = datetime.fromisoformat(facts["ended_at"])
                runs.end(run.store, run.run_id, ended_at, outcome, run.status, _summary(facts), facts.get("error", ""))
            except StoreError as error:
                run.log.warning("%s", error)

        yield written_down


#: Facts that the history and the log have in another way, or leave to the store's log of files.
_TOLD_ELSEWHERE: Final = (
    "job",
    "run_id",
    "status",
    "outcome",
    "started_at",
    "ended_at",
    "error",
    "problems",
    "warnings",
)


def _summary(facts: dict[str, Any]) -> dict[str, Any]:
    """The facts in figures; the names of files as their number."""
    kept = {key: value for key, value in facts.items() if key not in _TOLD_ELSEWHERE}
    return {key: len(value) if key == "files" and isinstance(value, list) else value for key, value in kept.items()}


def _facts(run: Run, outcome: Outcome, started_at: datetime) -> dict[str, Any]:
    """What whatever watches is told: no driver's id is in it."""
    seconds = time.monotonic() - run.begun  # not by the clock, which may be set meanwhile
    facts = {**_head(run.job, run.run_id, outcome, run.status, started_at, seconds), "steps": run.steps, **run.facts}
    if run.error is not None:
        facts["error"] = run.names(run.error)
    facts["problem_count"] = len(run.problems)
    facts["problems"] = [printable(run.names(said)) for said in run.problems[:MOST_TOLD]]
    facts["warnings"] = [printable(run.names(said)) for said in run.warnings[:MOST_TOLD]]
    return facts


def _head(job: str, run_id: str, outcome: Outcome, status: int, started_at: datetime, seconds: float) -> dict[str, Any]:
    return {
        "job": job,
        "run_id": run_id,
        "outcome": outcome.value,
        "status": status,
        "started_at": started_at.isoformat(timespec="milliseconds"),
        "ended_at": datetime.now(UTC).isoformat(timespec="milliseconds"),
        "seconds": round(seconds, 3),
    }


def _sentence(error: BaseException) -> tuple[str, list[str]]:
    """An error as a sentence, and for one that nobody foresaw the places of the code that it went through."""
    if isinstance(error, FleetbrakeError):
        return printable(str(error)), []
    if isinstance(error, OSError) and error.strerror:
        where = f"{error.filename}: " if error.filename else ""
        return printable(f"{where}{error.strerror}"), []
    first = (str(error).splitlines() or [""])[0][:300]
    places = [f"{Path(f.filename).name}:{f.lineno} {f.name}" for f in traceback.extract_tb(error.__traceback__)]
    return printable(f"{type(error).__name__}: {first}"), places[-12:]

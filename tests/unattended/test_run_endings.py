"""Runs that wait, are stopped or killed: what others see of them then and afterwards."""

import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

import pyarrow.parquet as pq
import pytest
from product_run import Stop, recording

from fleetbrake import pipeline, taking_in
from fleetbrake.pipeline import IngestSummary
from fleetbrake.reports.run_reads import newest_runs
from fleetbrake.store import runs
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.runs import Outcome, last_runs
from fleetbrake.unattended.signals import Stopped, listening
from tests.unattended.small_fleet import Fleet, held_by_another, strict_json


def _until(true: Callable[[], bool], most_s: float = 60.0) -> None:
    """Wait for what another process does; the limit only keeps a broken test from hanging."""
    end = time.monotonic() + most_s
    while not true():
        assert time.monotonic() < end, "it never happened"
        time.sleep(0.05)


def _beat(fleet: Fleet) -> dict[str, Any]:
    try:
        return fleet.heartbeat("nightly")
    except FileNotFoundError:
        return {}


@contextmanager
def _nothing_to_do(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    with monkeypatch.context() as patch:
        patch.setattr(pipeline, "ingest", lambda *_, **__: IngestSummary())
        yield


def test_a_run_waits_for_the_holder_beats_meanwhile_and_is_known_as_killed_by_the_next(
    fleet: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch
) -> None:
    here = fleet()
    with writer_lock(here.store, "score"):
        program = here.process("nightly")
        _until(lambda: _beat(here).get("stage") == "waiting for the store")
        first = _beat(here)
        assert (first["pid"], first["ended"]) == (program.pid, False)
        _until(lambda: _beat(here)["at"] > first["at"])
        assert _beat(here)["progress_at"] == first["progress_at"], "waiting is no progress"
        (run,) = last_runs(here.store, 9)
        assert run.outcome is Outcome.RUNNING and newest_runs(here.store)["well"].tolist() == [True]
        program.send_signal(signal.SIGKILL)
        program.communicate(timeout=30)
    (waiting,) = [line["said"] for line in here.log_lines()]
    assert waiting == f"Waiting for 'score' (process {os.getpid()} on {run.host}) to end"
    (run,) = last_runs(here.store, 9)
    assert run.outcome is Outcome.KILLED, "whoever looks knows it, before any other run has written it down"
    with _nothing_to_do(monkeypatch):
        here.facts("nightly")
    newest, killed = last_runs(here.store, 9)
    assert killed.outcome is Outcome.KILLED and killed.status is None and "killed" in str(killed.error)
    assert newest.outcome is Outcome.FAILED and any("was killed" in line["said"] for line in here.log_lines())
    assert _beat(here)["run_id"] == newest.run_id, "a killed run leaves no lock on the heartbeat either"


def test_a_run_that_waited_in_vain_names_the_holder(fleet: Callable[..., Fleet]) -> None:
    here = fleet()
    here.config.write_text(here.config.read_text("utf-8").replace("wait_s = 60", "wait_s = 0.1"), encoding="utf-8")
    with held_by_another(here.store, "plan"):
        status, facts = here.facts("nightly")
    assert (status, facts["busy"], facts["outcome"]) == (2, True, "store was busy")
    assert "'plan'" in facts["error"] and str(os.getpid()) in facts["error"]
    assert last_runs(here.store, 1)[0].outcome is Outcome.BUSY


@pytest.fixture
def heeded(number: signal.Signals) -> Iterator[None]:
    """The signal is not ignored, though whoever started the tests may ignore it (a shell does so in the background)."""
    before = signal.getsignal(number)
    signal.signal(number, signal.SIG_DFL)
    yield
    signal.signal(number, before)


@pytest.mark.usefixtures("heeded")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_a_run_between_two_files(
    fleet: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch, number: signal.Signals
) -> None:
    here, before = fleet(), signal.getsignal(number)
    for k in range(1, 4):
        pq.write_table(recording(Stop(15.0, 5.0), f"more{k}", number=k), here.folder / "recordings" / f"{k}.parquet")
    tell = taking_in.tell

    def signalled(progress: Any, stage: str, done: int, of: int) -> None:
        tell(progress, stage, done, of)
        os.kill(os.getpid(), number)

    monkeypatch.setattr(taking_in, "tell", signalled)
    status, facts = here.facts("nightly")
    assert (status, facts["outcome"], facts["stopped_by"]) == (2, "stopped by a signal", number.name)
    assert facts["error"] == f"Stopped by {number.name} at: reading recordings." and facts["steps"] == {}
    assert last_runs(here.store, 1)[0].outcome is Outcome.STOPPED
    beat = here.heartbeat("nightly")
    assert (beat["ended"], beat["outcome"]) == (True, "stopped by a signal")
    assert signal.getsignal(number) is before
    with writer_lock(here.store, "test"):
        pass  # the lock was released


def test_a_signal_that_was_to_be_ignored_stays_so() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with listening() as asked, asked.armed():
            os.kill(os.getpid(), signal.SIGHUP)
            assert asked.by is None
            with pytest.raises(Stopped):
                os.kill(os.getpid(), signal.SIGTERM)
        os.kill(os.getpid(), signal.SIGHUP)
    finally:
        signal.signal(signal.SIGHUP, before)


def test_an_interruption_that_compiled_code_turned_into_an_error_is_still_a_stop(
    fleet: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        try:
            os.kill(os.getpid(), signal.SIGTERM)
        except BaseException as error:
            raise RuntimeError("Query interrupted") from error

    monkeypatch.setattr(pipeline, "ingest", interrupted)
    status, facts = fleet().facts("nightly")
    assert (status, facts["outcome"]) == (2, "stopped by a signal")


@pytest.mark.long
def test_a_program_that_gets_a_signal_says_so_in_its_line(fleet: Callable[..., Fleet]) -> None:
    here = fleet()
    with writer_lock(here.store, "score"):
        program = here.process("nightly")
        _until(lambda: _beat(here).get("stage") == "waiting for the store")
        program.terminate()
        out, said = program.communicate(timeout=30)
    facts = strict_json(out)
    assert (program.returncode, facts["status"], facts["stopped_by"]) == (2, 2, "SIGTERM") and "Traceback" not in said


def test_old_runs_are_dropped_and_a_run_of_another_time_is_not_taken_for_a_living_one(
    fleet: Callable[..., Fleet],
) -> None:
    store, now = fleet().store, datetime.now(UTC)
    store.mkdir()
    for run_id, age in (("old", 401), ("kept", 399)):
        begun = now - timedelta(days=age)
        with runs.living(store, run_id):
            runs.begin(store, run_id, "nightly", begun, 9999)
            runs.end(store, run_id, begun, Outcome.DONE, 0, {})
    with runs.living(store, "new"):
        assert runs.begin(store, "new", "monthly", now, 400) == []
        assert [run.run_id for run in last_runs(store, 9)] == ["new", "kept"]

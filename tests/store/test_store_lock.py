"""One writer at a time, across processes and threads; a killed holder leaves no lock."""

import json
import multiprocessing
import os
import socket
import subprocess
import sys
import threading
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from fleetbrake.core.errors import StoreBusyError, StoreError
from fleetbrake.store.lock import HOLDER_NAME, LOCK_NAME, check_held, holder, writer_lock


def hold(store: Path, pipe: Connection) -> None:
    """Hold the lock until told to let go (in another process)."""
    with writer_lock(store, "score"):
        pipe.send("held")
        pipe.recv()


def start_holder(store: Path) -> tuple[multiprocessing.process.BaseProcess, Connection]:
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    process = context.Process(target=hold, args=(store, there))
    process.start()
    assert here.poll(60)
    assert here.recv() == "held"
    return process, here


def test_the_second_process_is_told_who_holds_the_store(tmp_path: Path) -> None:
    process, pipe = start_holder(tmp_path)
    with pytest.raises(StoreBusyError, match=f"'score' .process {process.pid} on "), writer_lock(tmp_path, "plan"):
        pass
    assert json.loads((tmp_path / HOLDER_NAME).read_text())["command"] == "score"
    pipe.send("go")
    process.join(60)
    with writer_lock(tmp_path, "plan"):
        assert json.loads((tmp_path / HOLDER_NAME).read_text())["pid"] == os.getpid()
    assert not (tmp_path / HOLDER_NAME).exists()


def test_a_killed_holder_leaves_no_lock(tmp_path: Path) -> None:
    process, _ = start_holder(tmp_path)
    process.kill()
    process.join(60)
    assert (tmp_path / LOCK_NAME).exists()
    with writer_lock(tmp_path, "plan"):
        pass


def test_waiting_takes_the_lock_when_it_comes_free(tmp_path: Path) -> None:
    process, pipe = start_holder(tmp_path)
    timer = threading.Timer(0.2, pipe.send, ["go"])
    timer.start()
    with writer_lock(tmp_path, "plan", wait_s=60):
        assert json.loads((tmp_path / HOLDER_NAME).read_text())["command"] == "plan"
    timer.join()
    process.join(60)


def test_the_holder_may_take_it_again_but_another_thread_may_not(tmp_path: Path) -> None:
    outcome: list[str] = []

    def other() -> None:
        try:
            with writer_lock(tmp_path, "plan"):
                outcome.append("in")
        except StoreBusyError as error:
            outcome.append(str(error))

    with writer_lock(tmp_path, "ingest"):
        with writer_lock(tmp_path, "publish"):
            pass
        assert json.loads((tmp_path / HOLDER_NAME).read_text())["command"] == "ingest"
        thread = threading.Thread(target=other)
        thread.start()
        thread.join(60)
    assert len(outcome) == 1
    assert "'ingest'" in outcome[0]


def test_an_error_lets_go(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), writer_lock(tmp_path, "ingest"):
        raise RuntimeError
    process, pipe = start_holder(tmp_path)
    pipe.send("go")
    process.join(60)
    assert process.exitcode == 0


def test_a_store_that_is_a_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="Cannot lock"), writer_lock(tmp_path / "file", "ingest"):
        pass


def test_the_holder_is_told_while_somebody_writes_and_a_dead_one_is_not(tmp_path: Path) -> None:
    assert holder(tmp_path) is None
    with writer_lock(tmp_path, "score"):
        found = holder(tmp_path)
        assert found is not None and found.command == "score" and found.pid == os.getpid()
    assert holder(tmp_path) is None
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    left = {"command": "plan", "pid": ended.pid, "host": socket.gethostname(), "since": "2026-01-01T00:00:00+00:00"}
    (tmp_path / HOLDER_NAME).write_text(json.dumps(left), encoding="utf-8")
    assert holder(tmp_path) is None
    (tmp_path / HOLDER_NAME).write_text(json.dumps(left | {"host": "elsewhere"}), encoding="utf-8")
    assert holder(tmp_path) is not None
    (tmp_path / HOLDER_NAME).write_text(json.dumps(left | {"pid": 10**30}), encoding="utf-8")
    assert holder(tmp_path) is None
    (tmp_path / HOLDER_NAME).write_text("[]", encoding="utf-8")
    assert holder(tmp_path) is None


def test_a_lock_file_that_was_removed_or_a_store_that_went_is_told_before_more_is_written(tmp_path: Path) -> None:
    store = tmp_path / "store"
    check_held(store)  # nobody holds it
    with writer_lock(store, "ingest"):
        check_held(store)
        kept = store / LOCK_NAME
        kept.rename(tmp_path / "aside")
        with pytest.raises(StoreError, match=r"store\.lock was removed"):
            check_held(store)
        kept.write_text("")
        with pytest.raises(StoreError, match="another lock"):
            check_held(store)
        kept.unlink()
        (tmp_path / "aside").rename(kept)
        check_held(store)
        store.rename(tmp_path / "away")
        with pytest.raises(StoreError, match="is gone"):
            check_held(store)
        (tmp_path / "away").rename(store)

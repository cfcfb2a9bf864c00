"""Runs that are started from a page, by several people at once, and what they are told of its end."""

import subprocess
import sys
import tempfile
import threading
from contextlib import suppress
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "dashboards"))
import page_jobs
from builders import PLAIN
from seat import Seat

from fleetbrake.access.roles import LOCAL_USER, Role, Viewer
from fleetbrake.reports.measures import METRIC


class _Said:
    """The file of a run that has ended; whoever reads it waits for another reader, as one who is held up would."""

    def __init__(self, content: bytes, readers: int) -> None:
        self._content, self._at, self._others = content, 0, threading.Barrier(readers)

    def seek(self, at: int) -> None:
        self._at = at
        with suppress(threading.BrokenBarrierError):
            self._others.wait(timeout=0.5)  # where one reads after the other, nobody comes

    def read(self) -> bytes:
        said, self._at = self._content[self._at :], len(self._content)
        return said


def _ended(said: Any, status: int = 0, command: str = "plan") -> page_jobs.Job:
    return page_jobs.Job(command, "paula", SimpleNamespace(poll=lambda: status, returncode=status), said)  # type: ignore[arg-type]


def _at_once(work: Any, number: int) -> None:
    threads = [threading.Thread(target=work) for _ in range(number)]
    for one in threads:
        one.start()
    for one in threads:
        one.join(30.0)
    assert not [one for one in threads if one.is_alive()]


def test_all_who_look_at_once_are_told_the_same() -> None:
    job, told = _ended(_Said(b'{"visits": 12}\n', 2)), []
    _at_once(lambda: told.append(page_jobs.outcome(job)), 2)
    told.append(page_jobs.outcome(job))
    assert told == [(True, "Planned: 12 visits.")] * 3


@pytest.mark.parametrize("said", [b"", b"\n", b"{}\n", b"no answer\n", b"[1]\n", b"12\n", b'{"visits"'])
@pytest.mark.parametrize("command", ["plan", "score"])
def test_a_run_that_said_nothing_has_no_result(said: bytes, command: str) -> None:
    with tempfile.TemporaryFile() as file:
        file.write(said)
        done, sentence = page_jobs.outcome(_ended(file, command=command))
    assert not done and sentence.endswith("ended without a result (exit status 0).")


@pytest.mark.parametrize(
    ("said", "status", "told"),
    [
        (b'counting\n{"visits": 3}\n', 0, (True, "Planned: 3 visits.")),
        (b'{"visits": 1}\n', 0, (True, "Planned: 1 visit.")),
        (b'{"visits": 0}\n', 0, (True, "Planned: 0 visits.")),
        (b'{"error": "The disk is full."}\n', 2, (False, "The disk is full.")),
        (b"", -9, (False, "Planning ended without a result (exit status -9).")),
    ],
)
def test_how_a_run_ended(said: bytes, status: int, told: tuple[bool, str]) -> None:
    with tempfile.TemporaryFile() as file:
        file.write(said)
        assert page_jobs.outcome(_ended(file, status)) == told


def test_two_who_press_at_once_start_one_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    jobs: dict[str, page_jobs.Job] = {}
    started, refused, both = [], [], threading.Barrier(2)

    def _popen(*told: Any, **_more: Any) -> Any:
        started.append(told)
        with suppress(threading.BrokenBarrierError):
            both.wait(timeout=0.5)  # until the other one looks as well, if he does
        return SimpleNamespace(poll=lambda: None)

    monkeypatch.setattr(page_jobs, "_jobs", lambda: jobs)
    monkeypatch.setattr(page_jobs, "subprocess", SimpleNamespace(Popen=_popen, DEVNULL=subprocess.DEVNULL))
    seat: Any = SimpleNamespace(may_act_now=True, store=tmp_path, viewer=SimpleNamespace(name="paula"))
    _at_once(lambda: refused.append(page_jobs.run_score(seat)), 2)
    assert len(started) == 1 and len(jobs) == 1
    assert sorted(map(str, refused)) == ["None", "Scoring is still running, started by paula."]


@pytest.mark.parametrize("role", [Role.PLANNER, Role.ADMIN, None])
def test_why_a_run_failed_names_no_driver_to_whom_they_are_hidden(
    role: Role | None, stores: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command quotes the row that it refuses."""
    driver, store = PLAIN.drivers[0], stores["filled"]
    said = f"{store}/fleet.duckdb: driver_id={driver}, rank_high=7.0."
    viewer = LOCAL_USER if role is None else Viewer("paula", frozenset({role}))
    shown: list[str] = []
    with tempfile.TemporaryFile() as file:
        file.write(f'{{"error": "{said}"}}\n'.encode())
        monkeypatch.setattr(page_jobs, "_jobs", lambda: {str(store.resolve()): _ended(file, 2, "score")})
        monkeypatch.setattr(page_jobs.st, "button", lambda *_, **__: False)
        monkeypatch.setattr(page_jobs.st, "warning", shown.append)
        page_jobs.job_buttons(Seat(store, viewer, METRIC))
    (sentence,) = (one.replace("\\", "") for one in shown)
    assert "rank_high=7.0" in sentence and (driver in sentence) == (role is None)
    assert (str(store) in sentence) == (role is None)

"""Planning and scoring started from a page: a child process of the command, never a write by the page itself."""

import json
import subprocess
import sys
import tempfile
import threading
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import IO, Any

import streamlit as st
from page_parts import plain
from refusals import without_paths
from seat import Seat

from fleetbrake.store.lock import holder

#: How often a page looks whether its run has ended (s). Own choice; where many pages of one person look, each waits for
#: its turn, behind whatever is pressed on any of them.
_LOOK_EVERY_S = 3.0
#: Held from looking whether a run is going on until the next one is known to be: two people may press at once.
_STARTING = threading.Lock()
_WORDS = {"plan": ("Plan again", "Planning"), "score": ("Score again", "Scoring")}


@dataclass
class Job:
    """A run of the command for one store, shared by everybody who looks at it."""

    command: str
    started_by: str
    process: subprocess.Popen[bytes]
    said: IO[bytes]
    started_at: datetime = field(default_factory=lambda: datetime.now(UTC))
    _facts: dict[str, Any] | None = None
    _reading: threading.Lock = field(default_factory=threading.Lock)

    @property
    def running(self) -> bool:
        """Whether the child still works."""
        return self.process.poll() is None

    @property
    def facts(self) -> dict[str, Any]:
        """What a run that has ended said last; empty where that is no answer. Read once: the file has one place at
        which it is read, and several pages look at once."""
        with self._reading:
            if self._facts is None:
                self.said.seek(0)
                self._facts = _last_answer(self.said.read())
            return self._facts


@st.cache_resource
def _jobs() -> dict[str, Job]:
    """The newest run of each store."""
    return {}


def run_plan(seat: Seat) -> str | None:
    """Plan in a child process; the sentence why it was not started, or None."""
    return _start(seat, "plan")


def run_score(seat: Seat) -> str | None:
    """Score in a child process; the sentence why it was not started, or None."""
    return _start(seat, "score")


def _start(seat: Seat, command: str) -> str | None:
    if not seat.may_act_now:
        return "Your role may look at the plan, not change it."
    store = str(seat.store.resolve())
    with _STARTING:
        job = _jobs().get(store)
        if job is not None and job.running:
            return f"{_WORDS[job.command][1]} is still running, started by {job.started_by}."
        _jobs()[store] = _run(store, command, seat.viewer.name)
    return None


def _run(store: str, command: str, started_by: str) -> Job:
    said = tempfile.TemporaryFile()  # noqa: SIM115 - kept as long as the job is looked at
    process = subprocess.Popen(  # noqa: S603 - our own interpreter and words, no shell
        [sys.executable, "-P", "-m", "fleetbrake.cli", command, f"--store={store}", "--json"],
        stdin=subprocess.DEVNULL,
        stdout=said,
        stderr=subprocess.DEVNULL,
    )
    return Job(command, started_by, process, said)


def outcome(job: Job) -> tuple[bool, str]:
    """Whether a run that has ended did its work, and what it said, in a sentence."""
    facts, done = job.facts, job.process.returncode == 0
    if isinstance(facts.get("error"), str):
        return False, facts["error"]
    if not done or not facts:
        return False, f"{_WORDS[job.command][1]} ended without a result (exit status {job.process.returncode})."
    if job.command == "plan":
        return True, f"Planned: {_counted(facts.get('visits', 0), 'visit')}."
    scored = _counted(facts.get("vehicles", 0), "vehicle")
    return True, f"Scored as of {facts.get('as_of', '?')}: {scored}. Plan again to take it in."


def _counted(number: object, one: str) -> str:
    return f"{number} {one}" if number == 1 else f"{number} {one}s"


def _last_answer(said: bytes) -> dict[str, Any]:
    lines = said.decode("utf-8", "replace").strip().splitlines()
    try:
        told = json.loads(lines[-1]) if lines else {}
    except json.JSONDecodeError:
        return {}
    return told if isinstance(told, dict) else {}


def job_buttons(seat: Seat) -> None:
    """The buttons that start a run, who holds the store, and how the newest run ended; nothing for who may not act."""
    if not seat.viewer.may_act:
        return
    job = _jobs().get(str(seat.store.resolve()))
    if job is not None and job.running:
        _watch(seat)
        return
    other = holder(seat.store)
    with st.container(horizontal=True, vertical_alignment="center"):
        for command, start in (("plan", run_plan), ("score", run_score)):
            if st.button(_WORDS[command][0], key=f"run_{command}", disabled=other is not None):
                refused = start(seat)
                if refused:
                    st.warning(plain(refused))
                else:
                    st.rerun()
        if other is not None:
            st.caption(plain(f"The store is being written by '{other.command}' since {other.since}."))
        elif job is not None:
            done, sentence = outcome(job)
            # a sentence of the command is for whoever may read all: a refused row stands in it, its driver with it
            shown = without_paths(seat.veiled_text(sentence), seat.viewer, seat.store)
            (st.caption if done else st.warning)(plain(shown))


@st.fragment(run_every=_LOOK_EVERY_S)
def _watch(seat: Seat) -> None:
    """What runs now; draws the whole page anew once it has ended."""
    job = _jobs().get(str(seat.store.resolve()))
    if job is None or not job.running:
        st.rerun()
        return
    with st.container(horizontal=True, vertical_alignment="center"):
        for command, (label, _) in _WORDS.items():
            st.button(label, key=f"waiting_{command}", disabled=True)
        seconds = max(0.0, (datetime.now(UTC) - job.started_at).total_seconds())
        st.caption(plain(f"{_WORDS[job.command][1]} since {seconds:.0f} s, started by {job.started_by} ..."))

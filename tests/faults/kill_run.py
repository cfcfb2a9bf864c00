"""Trials that kill a command with SIGKILL, look at what is left as readers do, and let the command run again."""

import json
import random
import shutil
import subprocess
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Final

from faults.kill_fleet import COMMANDS, lay_out
from faults.kill_marks import LONG, PHASES
from faults.kill_state import State, differences, in_between, state_of

from fleetbrake.features.compiled import compile_missing

SERVER: Final = Path(__file__).with_name("kill_server.py")
#: A moment is drawn again where the command had ended before it: a machine is not always as quick as when measured.
_DRAWS: Final = 6

Kill = dict[str, Any]
Seen = dict[str, Any]


class Server:
    """The process that forks a child for each trial."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(SERVER)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self.threads = int(self._answer()["threads"])

    def ask(self, **asked: Any) -> Seen:
        """Run one command; what was seen."""
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(asked, default=str) + "\n")
        self._process.stdin.flush()
        return self._answer()

    def close(self) -> None:
        """End it."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(30)
        self._process.stdout.close()

    def _answer(self) -> Seen:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise RuntimeError("the process that forks the children has ended")
        answer: Seen = json.loads(line)
        return answer


@dataclass(frozen=True)
class Undisturbed:
    """A command that nobody killed: what stood before and after it, and what it took."""

    before: State
    after: State
    seen: Seen


@dataclass(frozen=True)
class Trial:
    """One kill: whether the command was still at work, what was seen of it, and what went against what must hold."""

    killed: bool
    seen: Seen
    wrong: list[str]


class Ground:
    """A fleet, and for each command the store that it begins with, in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        compile_missing()
        self.server = Server()
        self._make()

    def __enter__(self) -> "Ground":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.server.close()
        for name in ("fleet", "before", "trial"):  # a hundred megabytes
            shutil.rmtree(self.folder / name, ignore_errors=True)

    def _make(self) -> None:
        """Run all commands undisturbed, each on what it is to be tried on."""
        self.day = datetime.now(UTC).date()
        self.undisturbed: dict[str, Undisturbed] = {}
        for name in ("fleet", "before", "trial"):
            shutil.rmtree(self.folder / name, ignore_errors=True)
            (self.folder / name).mkdir(parents=True)
        now = self.folder / "trial"
        (now / "out").mkdir()
        self._done("write")
        self._keep("ingest")
        self._tried("ingest")
        for step in ("score", "plan", "enter", "forget another"):
            self._done(step)
        for name in [name for name in COMMANDS if name != "ingest"]:
            self._keep(name, of="report" if "report" in self.undisturbed else None)
            self._tried(name)

    def _keep(self, name: str, of: str | None = None) -> None:
        """Keep what stands now, or what another command begins with, as what this one begins with."""
        whence = self.folder / "trial" if of is None else self.folder / "before" / of
        shutil.copytree(whence, self.folder / "before" / name)

    def _tried(self, name: str) -> None:
        self.begin(name)
        before = state_of(self.store, self.out)
        seen = self._done(name)
        self.undisturbed[name] = Undisturbed(before, state_of(self.store, self.out), seen)

    @property
    def store(self) -> Path:
        """The store of the trial that is at work."""
        return self.folder / "trial" / "store"

    @property
    def out(self) -> Path:
        """Its folder of reports."""
        return self.folder / "trial" / "out"

    def begin(self, name: str) -> None:
        """Put what a command begins with in place; of the recordings, one is another from the second ingest on."""
        shutil.rmtree(self.folder / "trial", ignore_errors=True)
        shutil.copytree(self.folder / "before" / name, self.folder / "trial")
        lay_out(self.folder / "fleet", changed=name != "ingest")

    def run(self, name: str, kill: Kill) -> Seen:
        """Run a command in a child on what stands now."""
        said = self.folder / "said.txt"
        fleet = self.folder / "fleet"
        return self.server.ask(command=name, folder=fleet, store=self.store, out=self.out, said=said, kill=kill)

    def _done(self, name: str) -> Seen:
        seen = self.run(name, {})
        if not seen["done"]:
            raise AssertionError(f"{name}, which nobody killed, failed: {seen['said']}")
        return seen

    def trial(self, name: str, kill: Kill, second: Kill | None = None) -> Trial:
        """Kill a command, look, and run it again; with ``second`` the run after it is killed first.

        Scores and plans know what day it is: a trial over midnight is made again.
        """
        while True:
            if self.day != datetime.now(UTC).date():
                self._make()
            made = self._trial(name, kill, second)
            if self.day == datetime.now(UTC).date():
                return made

    def _trial(self, name: str, kill: Kill, second: Kill | None) -> Trial:
        known = self.undisturbed[name]
        self.begin(name)
        seen = self.run(name, kill)
        if not seen["killed"]:
            wrong = [] if seen["done"] else [f"failed: {seen['said'][-800:]}"]
            return Trial(False, seen, wrong)
        wrong = _looked(self.store, self.out, known)
        if second is not None and self.run(name, second)["killed"]:
            wrong += [f"after a second kill {one}" for one in _looked(self.store, self.out, known)]
        again = self.run(name, {})
        if not again["done"]:
            wrong.append(f"the run after it failed: {again['said'][-800:]}")
        else:
            found = differences(state_of(self.store, self.out), known.after)
            wrong += [f"the run after it ends with other {one}" for one in found]
        told = f" and {second}" if second else ""
        return Trial(True, seen, [f"{name}, killed by {kill}{told}: {one} [{seen['said'].strip()}]" for one in wrong])

    def at_random(self, name: str, rng: random.Random, *, second: bool = False) -> Trial | None:
        """Kill it at a moment drawn from its whole length, by its own clock or the wall's; None if too late."""
        seen = self.undisturbed[name].seen
        for _ in range(_DRAWS):
            clock = rng.choice(("cpu_s", "wall_s"))
            kill = {clock: rng.random() * seen[clock]}
            made = self.trial(name, kill, {"cpu_s": rng.random() * seen["cpu_s"]} if second else None)
            if made.killed or made.wrong:
                return made
        return None

    def within(self, name: str, phase: str, rng: random.Random) -> Trial | None:
        """Kill it inside one of its visits of a phase; None where it had left it each time."""
        visits = self.undisturbed[name].seen["visits"][phase]
        for draw in range(_DRAWS):
            kill: Kill = {"phase": phase, "visit": rng.randint(1, visits)}
            if phase in LONG:
                kill |= {"where": "within", "delay_s": rng.random() * self._length(name, phase, visits) / 2**draw}
            else:
                kill |= {"where": rng.choice(("before", "after"))}
            made = self.trial(name, kill)
            if (made.killed and phase in made.seen["inside"]) or made.wrong:
                return made
        return None

    def _length(self, name: str, phase: str, visits: int) -> float:
        """Seconds that one visit of a long phase takes, roughly: most of a command is in it."""
        return float(self.undisturbed[name].seen["wall_s"]) * 0.5 / (visits if phase == "decode" else 1)

    def phases(self) -> list[tuple[str, str]]:
        """Each phase with each command that goes through it."""
        return [
            (phase, name) for phase in PHASES for name, known in self.undisturbed.items() if known.seen["visits"][phase]
        ]


def _looked(store: Path, out: Path, known: Undisturbed) -> list[str]:
    """What readers find after a kill; that one of them fails is found too."""
    try:
        return in_between(store, out, known.before, known.after)
    except Exception as error:  # whatever it is: no reader may fail
        return [f"a reader fails ({type(error).__name__}: {error})"]

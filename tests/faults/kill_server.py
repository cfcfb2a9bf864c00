"""Children for trials that kill: one process that has loaded everything forks a fresh one for each trial.

``python tests/faults/kill_server.py`` reads a trial a line (JSON) from its standard input and answers with a line. It
has one thread, and has used neither DuckDB nor Arrow's threads when it forks. The locks that a child holds are the
operating system's and end with it.
"""

import gc
import json
import os
import signal
import sys
import time
import traceback
from pathlib import Path
from typing import Any, Final

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent)]

import one_thread  # noqa: E402, F401 - before NumPy
from faults.kill_broken import BROKEN  # noqa: E402
from faults.kill_fleet import COMMANDS, enter_some, forget_before, many_steps, write_parts  # noqa: E402
from faults.kill_marks import Marks, watched  # noqa: E402

import fleetbrake.planning.run  # noqa: E402
import fleetbrake.reports.monthly.month  # noqa: E402
import fleetbrake.scoring.run  # noqa: E402, F401
from fleetbrake.features.compiled import listed  # noqa: E402

#: No command takes so long (s, wall), however busy the machine: it keeps a broken trial from hanging.
_LONGEST_S: Final = 240.0
#: How often whoever kills looks (s).
_LOOK_S: Final = 0.0005

#: What makes the ground of the trials, beside the commands that are tried.
_MAKING: Final = {
    "write": lambda folder, store, out: write_parts(folder),
    "enter": lambda folder, store, out: enter_some(store),
    "forget another": lambda folder, store, out: forget_before(store),
}


def main() -> None:
    """Answer until the input ends."""
    for kernels in listed().values():
        for made, types in kernels:
            made.compile(types)  # kept from before: loaded
    gc.freeze()
    marks = Marks()
    print(json.dumps({"ready": True, "threads": _threads()}), flush=True)
    for line in sys.stdin:
        print(json.dumps(_trial(json.loads(line), marks)), flush=True)


def _threads() -> int:
    """Threads of Python in this process; those that a memory allocator started know what a fork is."""
    names = [(task / "comm").read_text().strip() for task in Path("/proc/self/task").iterdir()]
    return sum(not name.startswith("jemalloc") for name in names)


def _trial(asked: dict[str, Any], marks: Marks) -> dict[str, Any]:
    """Run one command in a fresh child and kill it as ``asked["kill"]`` says; what was seen of it."""
    marks.begin()
    said = Path(asked["said"])
    began = time.monotonic()
    pid = os.fork()
    if pid == 0:
        _child(asked, marks, said)
    watched_it = _watch(pid, asked["kill"], marks, began)
    if watched_it is None:
        raise RuntimeError(f"{asked['command']} did not end: {said.read_text()}")
    status, seen = watched_it
    return {
        "killed": os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL and not marks.ended,
        "done": os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0 and marks.ended,
        "cpu_s": seen,
        "wall_s": time.monotonic() - began,
        "inside": marks.inside,
        "visits": marks.visits,
        "operations": marks.operations,
        "said": said.read_text(errors="replace"),
    }


def _child(asked: dict[str, Any], marks: Marks, said: Path) -> None:
    """The command, in the child; never returns."""
    status = 3
    try:
        os.setpgid(0, 0)
        handle = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC)
        nothing = os.open(os.devnull, os.O_RDONLY)
        os.dup2(nothing, 0)
        os.dup2(handle, 1)
        os.dup2(handle, 2)
        many_steps()
        if "broken" in asked["kill"]:
            BROKEN[asked["kill"]["broken"]][1]()
        watched(marks, {**asked["kill"], "below": str(Path(asked["store"]).parent)})
        folder, store, out = (Path(asked[name]) for name in ("folder", "store", "out"))
        {**COMMANDS, **_MAKING}[asked["command"]](folder, store, out)
        marks.end()
        status = 0
    except BaseException:
        traceback.print_exc()
        sys.stderr.flush()
    finally:
        os._exit(status)


def _watch(pid: int, kill: dict[str, Any], marks: Marks, began: float) -> tuple[int, float] | None:
    """Kill the child at its moment; its status and seconds of the processor."""
    due: float | None = None
    cpu = 0.0
    while time.monotonic() - began < _LONGEST_S:
        ended, status, used = os.wait4(pid, os.WNOHANG)
        if ended:
            return status, used.ru_utime + used.ru_stime
        now = time.monotonic()
        if "cpu_s" in kill:
            cpu = _cpu_of(pid)
            due = now if cpu >= kill["cpu_s"] else None
        elif "wall_s" in kill:
            due = began + kill["wall_s"]
        elif due is None and marks.waits:
            due = now + kill.get("delay_s", 0.0)
        if due is not None and now >= due:
            # stopped first, so that what the marks say is what it was killed in
            os.kill(pid, signal.SIGSTOP)
            _, status, used = os.wait4(pid, os.WUNTRACED)
            if os.WIFSTOPPED(status):  # else it came to its end first
                os.kill(pid, signal.SIGKILL)
                _, status, used = os.wait4(pid, 0)
            return status, used.ru_utime + used.ru_stime
        time.sleep(_LOOK_S)
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    return None


def _cpu_of(pid: int) -> float:
    """Seconds of the processor that a process has used: its own clock runs evenly on a busy machine."""
    try:
        return time.clock_gettime((~pid << 3) | 2)  # Linux: the clock of another process, see clock_getcpuclockid(3)
    except OSError:
        return 0.0


if __name__ == "__main__":
    main()

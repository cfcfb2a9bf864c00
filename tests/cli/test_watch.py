"""A program that watches itself: to whoever started it, it is one process, and a fault in a file costs no other file.

The programs here do no work of the product's: what they do when they go on stands in each test.
"""

import os
import pty
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from fleetbrake.cli_watch import _FAULTS, _MOST_STARTED_ANEW
from fleetbrake.store.lock import holder, writer_lock

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="elsewhere nobody watches")

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = """
import os, signal, sys, time
from contextlib import nullcontext
from pathlib import Path
from fleetbrake import cli_watch
from fleetbrake.store.in_hand import InHand

STORE = Path(sys.argv[1])
for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):  # whoever runs this may have them ignored
    signal.signal(number, signal.default_int_handler if number == signal.SIGINT else signal.SIG_DFL)
{before}
cli_watch.may_watch()
cli_watch.watched(lambda: STORE)
with (STORE / "started").open("a") as file:
    file.write(f"{{os.getpid()}}\\n")
def come(path, seconds=60.0):
    (STORE / path).touch()
    time.sleep(seconds)
"""
IN_HAND = "run = InHand(STORE, ['a', 'b'], 2)\nwith run.holding('a'):\n    "


def start(store: Path, work: str, before: str = "", **how: object) -> "subprocess.Popen[str]":
    return subprocess.Popen(  # type: ignore[call-overload, no-any-return]
        [sys.executable, "-c", PROGRAM.format(before=before) + work, str(store)],
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": ""},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **how,
    )


def ended(program: "subprocess.Popen[str]") -> tuple[int, str, str]:
    out, said = program.communicate(timeout=60)
    return program.returncode, out, said


def started(store: Path) -> list[int]:
    """Processes that did the work, one after the other."""
    return [int(line) for line in (store / "started").read_text().split()]


def wait_for(what: Callable[[], object]) -> None:
    end = time.monotonic() + 60.0  # only keeps a broken test from hanging
    while not what():
        assert time.monotonic() < end
        time.sleep(0.01)


def state(pid: int) -> str:
    """As in proc_pid_status(5); empty where there is no such process."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return ""


@pytest.mark.parametrize("work", ["sys.exit(0)", "sys.exit(1)", "sys.exit(143)", "print('done')", "1 / 0"])
def test_exit_status_and_words_are_those_of_the_work(tmp_path: Path, work: str) -> None:
    before = "sys.stdout.write('begun ')\nsignal.signal(signal.SIGCHLD, signal.SIG_IGN)"  # waits in a buffer
    status, out, said = ended(start(tmp_path, work, before))
    assert status == {"print('done')": 0, "1 / 0": 1}.get(work, int("".join(filter(str.isdigit, work)) or 0))
    assert out == ("begun done\n" if "print" in work else "begun ")
    assert said.count("ZeroDivisionError") == ("1 / 0" in work) and len(started(tmp_path)) == 1


@pytest.mark.parametrize("number", _FAULTS)
def test_a_fault_in_a_file_is_gone_on_from(tmp_path: Path, number: signal.Signals) -> None:
    work = f"{IN_HAND}run.deaths or os.kill(os.getpid(), {int(number)})\nprint(run.suspects)\nsys.exit(1)"
    status, out, said = ended(start(tmp_path, work))
    assert (status, out) == (1, "['a']\n") and len(set(started(tmp_path))) == 2
    assert f"ended by signal {int(number)}, {number.name}" in said and said.count("It goes on") == 1 == said.count("\n")


def test_faults_without_end_end(tmp_path: Path) -> None:
    status, out, said = ended(start(tmp_path, f"{IN_HAND}os.abort()"))
    assert (status, out) == (128 + signal.SIGABRT, "")
    assert len(started(tmp_path)) == _MOST_STARTED_ANEW + 1 == len(said.splitlines())
    assert said.count("It goes on") == _MOST_STARTED_ANEW and "the next run reads what was in hand alone" in said


@pytest.mark.parametrize("held", [False, True], ids=["no note", "another one's note"])
def test_a_fault_with_nothing_in_hand_ends_the_run(tmp_path: Path, held: bool) -> None:
    """What another process left in hand is none of this one's: starting anew would not help."""
    before = "left = InHand(STORE, ['a'], 2).holding('a')\nleft.__enter__()" if held else ""
    status, _, said = ended(start(tmp_path, "os.abort()", before))
    assert status == 128 + signal.SIGABRT and len(started(tmp_path)) == 1
    assert said == "The run was ended by signal 6, SIGABRT, with no recording in hand. What had been read is kept.\n"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGPIPE, signal.SIGUSR1])
def test_other_signals_end_both_alike_and_without_a_word(tmp_path: Path, number: signal.Signals) -> None:
    work = f"signal.signal({int(number)}, signal.SIG_DFL)\n{IN_HAND}os.kill(os.getpid(), {int(number)})"
    assert ended(start(tmp_path, work)) == (-number, "", "") and len(started(tmp_path)) == 1


COUNTS = """
came = []
for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
    if signal.getsignal(number) is not signal.SIG_IGN:
        signal.signal(number, lambda which, _: came.append(which))
(STORE / "ready").touch()
end = time.monotonic() + {most}
while not came and time.monotonic() < end:
    time.sleep(0.01)
time.sleep(0.3)  # a second one would have come
print([int(one) for one in came])
sys.exit(128 + came[0] if came else 0)
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_request_to_end_reaches_the_work_once(tmp_path: Path, number: signal.Signals) -> None:
    program = start(tmp_path, COUNTS.format(most=60))
    wait_for((tmp_path / "ready").exists)
    program.send_signal(number)
    assert ended(program) == (128 + number, f"[{int(number)}]\n", "")


def test_what_is_ignored_stays_ignored(tmp_path: Path) -> None:
    program = start(tmp_path, COUNTS.format(most=0.3), "signal.signal(signal.SIGHUP, signal.SIG_IGN)")
    wait_for((tmp_path / "ready").exists)
    program.send_signal(signal.SIGHUP)
    assert ended(program) == (0, "[]\n", "")


def test_ctrl_c_on_a_terminal_reaches_the_work_once(tmp_path: Path) -> None:
    pid, terminal = pty.fork()
    if pid == 0:
        os.environ["PYTHONPATH"] = str(ROOT)
        os.execv(sys.executable, [sys.executable, "-c", PROGRAM.format(before="") + COUNTS.format(most=60), tmp_path])
    wait_for((tmp_path / "ready").exists)
    os.write(terminal, b"\x03")
    said = b""
    while b"]" not in said:
        said += os.read(terminal, 1000)
    assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 128 + signal.SIGINT
    os.close(terminal)
    assert said.replace(b"^C", b"").strip() == b"[2]"


@pytest.mark.parametrize("whom", ["both", "parent"])
def test_stopping_and_going_on(tmp_path: Path, whom: str) -> None:
    """``both``: as a terminal does it for the whole group, which is one of its own here."""
    program = start(tmp_path, "come('ready', 0.5)\nprint('done')", process_group=0)
    wait_for((tmp_path / "ready").exists)
    child = started(tmp_path)[0]
    send = os.killpg if whom == "both" else os.kill
    send(program.pid, signal.SIGTSTP)
    wait_for(lambda: (state(program.pid), state(child)) == ("T", "T"))
    send(program.pid, signal.SIGCONT)
    assert ended(program) == (0, "done\n", "")


def test_a_killed_parent_takes_the_work_with_it(tmp_path: Path) -> None:
    """And so whoever kills the process that the lock names has killed all of it."""
    lock = "from fleetbrake.store.lock import writer_lock\nwith writer_lock(STORE, 'test'):\n    "
    program = start(tmp_path, f"{lock}come('ready')")
    wait_for((tmp_path / "ready").exists)
    child = started(tmp_path)[0]
    named = holder(tmp_path)
    assert state(child) not in ("", "Z") and named is not None and named.pid == program.pid != child
    program.kill()
    program.wait()
    with writer_lock(tmp_path, "test"):  # what the kernel takes to end the other one is waited for
        pass
    wait_for(lambda: state(child) in ("", "Z"))
    ended(program)


def test_whoever_asked_it_to_end_does_not_see_it_go_on(tmp_path: Path) -> None:
    dies = "signal.signal(signal.SIGTERM, lambda *_: os.kill(os.getpid(), signal.SIGSEGV))\n"
    program = start(tmp_path, f"{dies}{IN_HAND}come('ready')")
    wait_for((tmp_path / "ready").exists)
    program.terminate()
    status, _, said = ended(program)
    assert status == 128 + signal.SIGSEGV and len(started(tmp_path)) == 1 and "the next run reads" in said


_THREAD = "import threading\nthreading.Thread(target=time.sleep, args=[9], daemon=True).start()"


@pytest.mark.parametrize("before", ["cli_watch.may_watch = lambda: None", _THREAD], ids=["no program", "threads"])
def test_a_process_that_is_not_all_the_program_s_own_is_never_split(tmp_path: Path, before: str) -> None:
    program = start(tmp_path, "print(os.getppid())", before)
    status, out, _ = ended(program)
    assert (status, out) == (0, f"{os.getpid()}\n") and started(tmp_path) == [program.pid]

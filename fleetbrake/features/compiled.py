"""Kernels compiled before the first recording is read: side by side in processes of their own, once a machine.

``kernels.txt`` lists what is called from Python, with the types of its arguments; ``tests/house/kernel_list.py`` writes
it. What is not in it is compiled when it is first called, so that a list out of date costs time and nothing else.

As a program (``python -m fleetbrake.features.compiled``) it compiles the modules named on its standard input.
"""

import gc
import os
import queue
import subprocess
import sys
import threading
from collections import defaultdict
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any, Final

from filelock import FileLock, Timeout

import fleetbrake.features.build  # noqa: F401 - loads every module with kernels
from fleetbrake.kinematics.kernel import KERNELS, folder_of, is_kept

#: Called as ``progress(done, of)``, counted in modules.
Progress = Callable[[int, int], None]
#: Module -> its kernels with the text of their argument types.
Listed = dict[str, list[tuple[Any, str]]]

LIST: Final = Path(__file__).with_name("kernels.txt")

#: Own choice: each takes some 400 MB, and compiles what NumPy's functions need once more.
MOST_PROCESSES: Final = 2
#: Own choice: so long one process waits for another that compiles; then it goes on without.
LONGEST_WAIT_S: Final = 180.0
_LOCK: Final = "kernels.lock"


def listed() -> Listed:
    """The kernels of the list by module, as far as there still are such kernels."""
    known = {(made.py_func.__module__, made.py_func.__name__): made for made in KERNELS}
    found: Listed = defaultdict(list)
    for line in LIST.read_text(encoding="utf-8").splitlines():
        module, name, types = line.split(" ", 2)
        if (module, name) in known:
            found[module].append((known[module, name], types))
    return dict(found)


def missing() -> list[str]:
    """Modules with a listed kernel that is not kept from before, those with most source first."""
    found = [module for module, kernels in listed().items() if not all(is_kept(made) for made, _ in kernels)]
    return sorted(found, key=lambda module: (-Path(str(sys.modules[module].__file__)).stat().st_size, module))


def compile_missing(progress: Progress | None = None) -> int:
    """Compile the listed kernels that are not kept from before; returns how many modules had any.

    Where nothing can be kept, or no process can be started, nothing happens: kernels then compile when they are called.
    """
    folder = folder_of(KERNELS[0]) if KERNELS else None  # none where kernels are interpreted
    if folder is None or not missing():
        return 0
    with ExitStack() as stack:
        with suppress(OSError, Timeout, NotImplementedError):  # two that compile the same do no harm
            folder.mkdir(parents=True, exist_ok=True)
            stack.enter_context(FileLock(folder / _LOCK, timeout=LONGEST_WAIT_S))
        modules = missing()  # again: whoever had to wait finds the work done
        if modules:
            _side_by_side(modules, progress or (lambda *_: None))
    return len(modules)


def _side_by_side(modules: list[str], progress: Progress) -> None:
    """Hand the modules out to a few processes, each time to the one that is free."""
    todo: queue.SimpleQueue[str] = queue.SimpleQueue()
    told: queue.SimpleQueue[bool] = queue.SimpleQueue()  # True: a module is done; False: a process has ended
    for module in modules:
        todo.put(module)
    at_work = min(_cores(), MOST_PROCESSES, len(modules))
    progress(0, len(modules))
    for _ in range(at_work):
        threading.Thread(target=_hand_out, args=(todo, told), daemon=True).start()
    done = 0
    while at_work:
        if told.get():
            done += 1
            progress(done, len(modules))
        else:
            at_work -= 1


def _hand_out(todo: "queue.SimpleQueue[str]", told: "queue.SimpleQueue[bool]") -> None:
    """One process at work as long as there are modules; where it ends early, kernels compile when they are called."""
    path = os.pathsep.join(part or str(Path.cwd()) for part in sys.path)
    try:
        with subprocess.Popen(
            [sys.executable, "-P", "-m", "fleetbrake.features.compiled"],
            env={**os.environ, "PYTHONPATH": path},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        ) as one:
            assert one.stdin is not None and one.stdout is not None
            while True:
                one.stdin.write(f"{todo.get_nowait()}\n")
                one.stdin.flush()
                if not one.stdout.readline():
                    break
                told.put(True)
    except (OSError, queue.Empty):
        pass
    finally:
        told.put(False)


def _cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def main() -> None:
    """Compile the modules named on standard input, a line each, and say of each that it is done."""
    gc.freeze()  # the compiler makes millions of objects that live on: looking through them again takes an eighth
    gc.set_threshold(50_000, 20, 20)
    kernels = listed()
    for line in sys.stdin:
        for made, types in kernels.get(line.strip(), ()):
            with suppress(Exception):  # a type of its arguments that is no more: compiled when it is called
                made.compile(types)
        sys.stdout.write("done\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()

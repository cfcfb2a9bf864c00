"""Kernels are compiled once, side by side, before the first recording is read."""

import json
import os
import subprocess
import sys
from pathlib import Path

HOUSE = Path(__file__).parents[1] / "house"

#: Reading all samples in a process of its own: what it had to compile, and what it called.
READ = """
import json, sys
sys.path.insert(0, sys.argv[1])
import kernel_list
kernel_list.read_samples()
compiled = kernel_list.compiled()
print(json.dumps([compiled, [] if compiled else kernel_list.called()]))
"""

#: The first processes of a machine, with one small module to compile.
FIRST = """
import json, sys
from fleetbrake.features import compiled
whole = compiled.listed()
compiled.listed = lambda: {"fleetbrake.kinematics.energy": whole["fleetbrake.kinematics.energy"]}
told = []
had = [compiled.missing(), compiled.compile_missing(lambda done, of: told.append((done, of)))]
again = [compiled.missing(), compiled.compile_missing(lambda *_: 1 / 0)]
print(json.dumps([had, told, again, len(whole["fleetbrake.kinematics.energy"])]))
"""


def _run(program: str, *arguments: str, **environment: str) -> list:
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(done.stdout)


def test_a_second_run_compiles_nothing_and_the_list_is_what_is_called() -> None:
    """Once the listed kernels are there (``conftest.py``), reading compiles none."""
    from fleetbrake.features.compiled import LIST

    compiled, called = _run(READ, str(HOUSE))
    assert compiled == [], "kernels.txt is out of date: python tests/house/kernel_list.py"
    assert called == LIST.read_text(encoding="utf-8").splitlines(), "python tests/house/kernel_list.py"


def test_the_first_process_compiles_and_the_next_has_nothing_to_do(tmp_path: Path) -> None:
    module = "fleetbrake.kinematics.energy"
    had, told, again, kernels = _run(FIRST, NUMBA_CACHE_DIR=str(tmp_path))
    assert had == [[module], 1] and told == [[0, 1], [1, 1]] and again == [[], 0]
    assert len(list(tmp_path.rglob("energy.*.nbi"))) >= kernels > 0


def test_two_that_start_together_end_with_the_same(tmp_path: Path) -> None:
    begun = [
        subprocess.Popen(
            [sys.executable, "-c", FIRST],
            env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)},
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    told = [json.loads(one.communicate(timeout=250)[0]) for one in begun]
    assert [one[2] for one in told] == [[[], 0], [[], 0]]
    # one of them compiled; the other waited for it, or came when all was done
    assert sorted(one[0][1] for one in told) == [0, 1]

"""What was compiled before is used again, unless something changed that it is made of."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from numba.core import caching

from fleetbrake.kinematics import kernel as kernels

CALLEE = "from fleetbrake.kinematics.kernel import kernel\n\n\n@kernel\ndef scaled(x):\n    return {factor} * x\n"
CALLER = """
from fleetbrake.kinematics.kernel import kernel
from callee_file import scaled

@kernel
def outer(x):
    return _further_down(x) + {NUMBER}

@kernel
def _further_down(x):
    return scaled(x)
"""
PROGRAM = """
import json, caller_file as c
from fleetbrake.kinematics.kernel import is_kept
kept, value, stats = is_kept(c.outer), c.outer(2.0), c.outer.stats
print(json.dumps([value, kept, sum(stats.cache_hits.values()), sum(stats.cache_misses.values())]))
"""


def _call(folder: Path) -> list:
    environment = {
        **os.environ,
        "NUMBA_CACHE_DIR": str(folder / "kept"),
        "PYTHONPATH": os.pathsep.join([str(folder), *filter(None, sys.path)]),
        "PYTHONDONTWRITEBYTECODE": "1",  # files change within the same second
    }
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM], env=environment, cwd=folder, capture_output=True, text=True, check=True
    )
    return json.loads(done.stdout)


def test_a_changed_callee_in_another_file_is_compiled_anew(tmp_path: Path) -> None:
    (tmp_path / "caller_file.py").write_text(CALLER.replace("{NUMBER}", "1.0"))
    (tmp_path / "callee_file.py").write_text(CALLEE.format(factor=2.0))
    assert _call(tmp_path) == [5.0, False, 0, 1]
    assert _call(tmp_path) == [5.0, True, 1, 0]
    (tmp_path / "callee_file.py").write_text(CALLEE.format(factor=3.0))
    assert _call(tmp_path) == [7.0, False, 0, 1]
    assert _call(tmp_path) == [7.0, True, 1, 0]


def test_where_nothing_can_be_kept_kernels_work_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(caching.CompileResultCacheImpl, "_locator_classes", [])
    monkeypatch.setattr(kernels, "KERNELS", [])

    def doubled(x: float) -> float:
        return 2.0 * x

    made = kernels.kernel(doubled)
    assert kernels.folder_of(made) is None and not kernels.is_kept(made)
    assert made(4.0) == 8.0


@pytest.mark.parametrize("what", ["save", "_load_index"])
def test_a_folder_that_keeps_nothing_more_is_no_fault_of_a_kernel(monkeypatch: pytest.MonkeyPatch, what: str) -> None:
    """It may be full, or another user's by now."""

    def _refused(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(kernels, "KERNELS", [])
    monkeypatch.setattr(caching.IndexDataCacheFile, what, _refused)

    def tripled(x: float) -> float:
        return 3.0 * x

    made = kernels.kernel(tripled)
    assert kernels.folder_of(made) is not None
    assert made(4.0) == 12.0 and (what == "save" or not kernels.is_kept(made))


def test_a_number_known_beforehand_is_compiled_like_any_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(caching.CompileResultCacheImpl, "_locator_classes", [])
    monkeypatch.setattr(kernels, "KERNELS", [])

    @kernels.kernel
    def to_the(x: float, power: int) -> float:
        return x**power

    @kernels.kernel
    def polynomial(x: float, power: int) -> float:
        return to_the(x, 2) + to_the(x, 3) + to_the(x, power)

    assert polynomial(2.0, 4) == 4.0 + 8.0 + 16.0
    assert len(to_the.signatures) == 1  # type: ignore[attr-defined]

"""The house rules that a machine can check: lint, format, types, import floors, sizes, words."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CODE = sorted(p for folder in ("fleetbrake", "dashboards", "jobs") for p in (ROOT / folder).rglob("*.py"))


def _run(*command: str) -> None:
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_lint() -> None:
    _run("ruff", "check", ".")


def test_format() -> None:
    _run("ruff", "format", "--check", ".")


def test_types() -> None:
    _run("mypy")


def test_imports_point_down_only() -> None:
    done = subprocess.run(
        [str(Path(sys.executable).with_name("lint-imports"))], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_nobody_imports_pages_or_jobs() -> None:
    for path in (ROOT / "fleetbrake").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            assert not [n for n in names if n.split(".")[0] in ("dashboards", "jobs")], path


@pytest.mark.parametrize("floor", ["kinematics", "detection"])
def test_kernels_know_numpy_and_numba_only(floor: str) -> None:
    for path in (ROOT / "fleetbrake" / floor).rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"^\s*(import|from) (pyarrow|pandas|duckdb|streamlit)", text, re.MULTILINE), path


def test_files_stay_readable() -> None:
    """400 lines is where a file is split (design: neighbours regret their files of thousands)."""
    long = {str(p.relative_to(ROOT)): n for p in CODE if (n := len(p.read_text(encoding="utf-8").splitlines())) > 400}
    assert not long


def test_only_the_command_prints() -> None:
    for path in (ROOT / "fleetbrake").rglob("*.py"):
        if path.name in ("cli.py", "cli_tables.py", "cli_talk.py", "__main__.py"):
            continue
        calls = [
            n
            for n in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(n, ast.Call) and isinstance(n.func, ast.Name) and n.func.id == "print"
        ]
        assert not calls, path


def test_only_the_store_opens_the_database() -> None:
    for path in CODE:
        if "store" not in path.parts:
            assert "duckdb.connect" not in path.read_text(encoding="utf-8"), path

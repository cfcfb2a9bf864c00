"""The built wheel carries everything that the commands need in another folder."""

import ast
import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_wheel_holds_pages_models_and_mappings(tmp_path: Path) -> None:
    build = [
        sys.executable,
        "-m",
        "pip",
        "wheel",
        "--no-deps",
        "--no-build-isolation",
        "-q",
        "-w",
        str(tmp_path),
        str(ROOT),
    ]
    done = subprocess.run(build, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (wheel,) = tmp_path.glob("*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    needed = {
        "fleetbrake/_dashboards/app.py",
        "fleetbrake/_dashboards/doors.py",
        "fleetbrake/_dashboards/views/inspections.py",
        "fleetbrake/_dashboards/.streamlit/config.toml",
        "fleetbrake/recordings/mappings/j1939.toml",
        "fleetbrake/recordings/mappings/j1939_raw.toml",
        "fleetbrake/reports/monthly/month.typ",
        "fleetbrake/reports/sheets/driver_sheet.typ",
        "fleetbrake/reports/sheets/vehicle_sheet.typ",
    }
    assert set(needed) <= names
    for path in (ROOT / "fleetbrake").rglob("*.sql"):
        assert str(path.relative_to(ROOT)) in names


def test_what_is_imported_is_asked_for() -> None:
    """An installation without the tests' packages has all that the command and the pages import."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    named, extra = _packages(project["dependencies"]), _packages(project["optional-dependencies"]["cluster"])
    own = {"fleetbrake", *(path.stem for path in (ROOT / "dashboards").rglob("*.py"))}
    other_names = {"sklearn": "scikit_learn", "vl_convert": "vl_convert_python"}
    for path in [*(ROOT / "fleetbrake").rglob("*.py"), *(ROOT / "dashboards").rglob("*.py")]:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            modules = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            modules += [node.module or ""] if isinstance(node, ast.ImportFrom) and not node.level else []
            for top in {module.split(".")[0] for module in modules} - own - set(sys.stdlib_module_names):
                of_extra = path.parent.name == "cluster" and top in extra
                assert of_extra or other_names.get(top, top) in named, f"{path}: {top}"


def _packages(asked: list[str]) -> set[str]:
    return {re.split(r"[\[<>=~!; ]", line)[0].replace("-", "_") for line in asked}


def test_signing_in_has_what_it_needs_without_the_tests_packages() -> None:
    """The pages' framework asks for the packages of its extra only once somebody signs in."""
    asked = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    assert any(line.startswith("streamlit[auth]") for line in asked)

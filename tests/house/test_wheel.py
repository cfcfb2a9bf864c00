"""The built wheel carries everything that the commands need in another folder."""

import subprocess
import sys
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
        "fleetbrake/_dashboards/views/inspections.py",
        "fleetbrake/_dashboards/.streamlit/config.toml",
        "fleetbrake/recordings/mappings/j1939.toml",
        "fleetbrake/recordings/mappings/j1939_raw.toml",
        "fleetbrake/reports/month.typ",
    }
    assert set(needed) <= names
    for path in (ROOT / "fleetbrake").rglob("*.sql"):
        assert str(path.relative_to(ROOT)) in names

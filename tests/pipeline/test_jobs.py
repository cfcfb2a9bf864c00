"""The unattended runs: the same functions as the commands, one JSON line, exit status."""

import json
import subprocess
import sys
from datetime import date
from pathlib import Path

import pyarrow.parquet as pq
from product_run import Stop, recording

ROOT = Path(__file__).resolve().parents[2]


def job(name: str, *words: object) -> tuple[int, dict[str, object]]:
    done = subprocess.run(
        [sys.executable, str(ROOT / "jobs" / f"{name}.py"), *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert "Traceback" not in done.stderr
    return done.returncode, json.loads(done.stdout.strip().splitlines()[-1])


def test_a_night_and_a_month(tmp_path: Path) -> None:
    drop, store = tmp_path / "recordings", tmp_path / "store"
    drop.mkdir()
    pq.write_table(recording(Stop(15.0, 5.0), "one"), drop / "a.parquet")
    status, facts = job("nightly", "--recordings", drop, "--store", store)
    assert (status, facts["loaded"], facts["as_of"]) == (0, 1, "2026-01-05")
    (drop / "bad.parquet").write_text("no")
    assert job("nightly", "--recordings", drop, "--store", store)[0] == 1
    status, facts = job("monthly", "--store", store, "--out", tmp_path / "out", "--month", "2026-01")
    assert status == 0
    assert (tmp_path / "out" / "brakes-2026-01.pdf").is_file()
    assert job("monthly", "--store", tmp_path / "none", "--out", tmp_path / "out")[0] == 2


def test_the_month_before() -> None:
    sys.path.insert(0, str(ROOT / "jobs"))
    try:
        from monthly import month_before
    finally:
        sys.path.pop(0)
    assert month_before(date(2026, 1, 31)) == "2025-12"
    assert month_before(date(2024, 3, 1)) == "2024-02"

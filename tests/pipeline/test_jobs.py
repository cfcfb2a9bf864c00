"""The unattended runs: the same functions as the commands, one JSON line, exit status."""

import importlib
import json
import subprocess
import sys
from datetime import date
from pathlib import Path
from types import ModuleType

import pyarrow.parquet as pq
import pytest
from product_run import Stop, recording

from fleetbrake import pipeline
from fleetbrake.reports.month_data import month_scored

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


def job_module(name: str) -> ModuleType:
    """The job as a module, for its functions."""
    sys.path.insert(0, str(ROOT / "jobs"))
    try:
        return importlib.import_module(name)
    finally:
        sys.path.pop(0)


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


@pytest.mark.long
def test_a_month_over_is_scored_on_its_last_day_before_the_report(tmp_path: Path) -> None:
    drop, store, out = tmp_path / "recordings", tmp_path / "store", tmp_path / "out"
    drop.mkdir()
    pq.write_table(recording(Stop(15.0, 5.0), "one"), drop / "a.parquet")
    pipeline.ingest([drop], store)
    pipeline.score(store, date(2026, 2, 10))
    status, facts = job("monthly", "--store", store, "--out", out, "--month", "2026-01")
    assert (status, facts["as_of"]) == (0, "2026-01-31")
    health = pq.read_table(out / "parquet" / "vehicle_health.parquet")
    assert health.num_rows == 1 and health["as_of"].to_pylist() == [date(2026, 1, 31)]
    assert month_scored(store, "2026-02") == date(2026, 2, 10), "the newer day's scores stay"


@pytest.mark.long
def test_a_month_that_is_not_over_or_has_no_events_is_not_scored(tmp_path: Path) -> None:
    drop, store = tmp_path / "recordings", tmp_path / "store"
    drop.mkdir()
    pq.write_table(recording(Stop(15.0, 5.0), "one"), drop / "a.parquet")
    pipeline.ingest([drop], store)
    monthly = job_module("monthly")
    assert monthly.score_if_missing(store, "2026-01", date(2026, 1, 31)) is None
    assert monthly.score_if_missing(store, "2025-12", date(2026, 2, 1)) is None
    assert month_scored(store, "2026-01") is None and month_scored(store, "2025-12") is None
    assert monthly.score_if_missing(store, "2026-01", date(2026, 2, 1)) == date(2026, 1, 31)
    status, facts = job("monthly", "--store", store, "--out", tmp_path / "out", "--month", "2025-12")
    assert status == 2 and "no events in 2025-12" in str(facts["error"])
    assert job("monthly", "--store", store, "--out", tmp_path / "out", "--month", "2025-13")[0] == 2


def test_the_month_before() -> None:
    month_before = job_module("monthly").month_before
    assert month_before(date(2026, 1, 31)) == "2025-12"
    assert month_before(date(2024, 3, 1)) == "2024-02"

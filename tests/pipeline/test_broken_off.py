"""Runs that are ended in the middle: what was read is kept, and the next run gives what an undisturbed one gives."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from product_run import Stop, stops_file

from fleetbrake import pipeline
from fleetbrake.core.stopping import undisturbed
from fleetbrake.store.database import database_path
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.log import read_log
from tests.cluster.same_rows import tables

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[2]
FILES = 14
#: Commits after few files, and reads no further than the tenth before it is told to end.
CHILD = """
import signal, sys, time
from pathlib import Path
from fleetbrake import cli, taking_in

signal.signal(signal.SIGINT, signal.default_int_handler)  # whoever runs this may have it ignored
taking_in.PORTION_FILES = int(sys.argv[1])
at, real = Path(sys.argv[2]), taking_in.read_file

def read_file(handed, job):
    if handed.path.endswith("9.parquet"):
        at.touch()
        time.sleep(float(sys.argv[3]))
    return real(handed, job)

taking_in.read_file = read_file
cli.app(sys.argv[4:], prog_name="fleetbrake")
"""


@pytest.fixture(scope="module")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet")
    for k in range(FILES):
        stops = [(f"stop-{k}-{i}", Stop(14.0 + k / 2, 3.0 + 0.4 * i)) for i in range(2)]
        pq.write_table(stops_file(stops, vehicle_id=f"V{k % 3}"), folder / f"{k:02d}.parquet")
    return folder


@pytest.fixture(scope="module")
def undisturbed_run(recordings: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    store = tmp_path_factory.mktemp("alone")
    pipeline.ingest([recordings], store)
    return store


def _broken_off(recordings: Path, store: Path, portion: int, wait_s: float, by: signal.Signals) -> tuple[int, str]:
    """Run it until the tenth file, end it; exit status and what it said."""
    at = store.with_name("at")
    command = ["ingest", str(recordings), "--store", str(store)]
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, str(portion), str(at), str(wait_s), *command],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stderr=subprocess.PIPE,
    ) as child:
        end = time.monotonic() + 120.0  # only keeps a broken test from hanging
        while not (at.exists() and len(read_log(store)) >= (1 if portion < FILES else 0)):
            assert child.poll() is None and time.monotonic() < end
            time.sleep(0.02)
        time.sleep(0.3)  # the first files are taken back
        child.send_signal(by)
        said = child.communicate(timeout=120)[1].decode()
    return child.returncode, said


def test_a_run_killed_after_a_portion_is_gone_on_with(recordings: Path, undisturbed_run: Path, tmp_path: Path) -> None:
    store = tmp_path / "store"
    status, _ = _broken_off(recordings, store, 3, 60.0, signal.SIGKILL)
    kept = len(read_log(store))
    assert status == -signal.SIGKILL and 3 <= kept < FILES and not database_path(store).exists()
    summary = pipeline.ingest([recordings], store)
    assert (summary.unchanged, summary.loaded, summary.problems) == (kept, FILES - kept, [])
    assert tables(store) == tables(undisturbed_run)


@pytest.mark.parametrize("by", [signal.SIGTERM, pytest.param(signal.SIGINT, marks=pytest.mark.long)])
def test_a_run_asked_to_end_keeps_what_it_read_and_says_so(
    recordings: Path, undisturbed_run: Path, tmp_path: Path, by: signal.Signals
) -> None:
    """Nothing had been committed: the portion is large."""
    store = tmp_path / "store"
    status, said = _broken_off(recordings, store, 10_000, 2.0, by)
    assert status == 128 + by
    assert f"Stopped by {by.name}. Recordings that were read are kept" in said and "Traceback" not in said
    kept = len(read_log(store))
    assert 5 <= kept < FILES
    with writer_lock(store, "test"):
        pass  # it was let go
    summary = pipeline.ingest([recordings], store)
    assert summary.unchanged == kept and tables(store) == tables(undisturbed_run)


def test_what_is_begun_undisturbed_is_done_before_a_signal_counts() -> None:
    done = []
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt), undisturbed():
            os.kill(os.getpid(), signal.SIGINT)
            done.append("all of it")
        assert done == ["all of it"] and signal.getsignal(signal.SIGINT) is signal.default_int_handler
    finally:
        signal.signal(signal.SIGINT, before)

"""A small fleet's recordings, an object store, and a scheduler with two workers that all modules share."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from product_run import Stop, recording, stops_file

from tests.cluster.engine_made import ROOT, Engine
from tests.recordings.object_stores import object_store

SAMPLES = ROOT / "data_samples" / "recordings"


@pytest.fixture(scope="session")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Simulated stops with lockups and control, plain stops, a drive without any, a file that is none."""
    folder = tmp_path_factory.mktemp("fleet") / "recordings"
    shutil.copytree(SAMPLES, folder / "samples")
    for k in range(8):
        stops = [(f"stop-{k}-{i}", Stop(14.0 + k, 3.0 + 0.4 * i)) for i in range(2)]
        pq.write_table(stops_file(stops, vehicle_id=f"V{k % 3}"), folder / f"stops-{k}.parquet")
    cruise = recording(Stop(15.0, 0.0), "none", vehicle_id="V4").drop_columns(["event_id", "brake_pedal_pct"])
    pq.write_table(cruise, folder / "cruise.parquet")
    (folder / "none.parquet").write_text("no Parquet")
    pq.write_table(recording(Stop(16.0, 4.0), "stop-0-0", vehicle_id="V9"), folder / "same-id.parquet")
    return folder


@pytest.fixture(scope="session")
def store_of_objects() -> Iterator[str]:
    """An S3 server of this machine, named by the environment."""
    with pytest.MonkeyPatch.context() as patch, object_store(patch) as endpoint:
        yield endpoint


@pytest.fixture(scope="session")
def engine(tmp_path_factory: pytest.TempPathFactory, store_of_objects: str) -> Iterator[Engine]:
    """A scheduler and two workers."""
    made = Engine(tmp_path_factory.mktemp("engine"))
    try:
        made.scheduler()
        made.worker("one")
        made.worker("two")
        yield made
    finally:
        made.end()

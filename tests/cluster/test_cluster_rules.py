"""What a store keeps to, forgotten drivers and holds, holds for rows from other machines; clients that are killed."""

import os
import pickle
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from product_run import Stop, stops_file

from fleetbrake import pipeline, upkeep
from fleetbrake.cluster.machines import Machines
from fleetbrake.store.arriving import ARRIVING
from fleetbrake.store.forgetting.at_rest import at_rest
from fleetbrake.store.holding.held_manifest import HELD_FOLDER
from fleetbrake.store.log import read_log
from tests.cluster.engine_made import ROOT, Engine, until
from tests.cluster.same_rows import assert_same, tables

pytestmark = pytest.mark.slow

DRIVER = "Quillfeather-77"


def _driven(names: list[str], vehicle: str, driver: str | None) -> pa.Table:
    table = stops_file([(name, Stop(17.0, 4.0)) for name in names], vehicle_id=vehicle)
    return table.append_column("driver_id", pa.array([driver] * table.num_rows, pa.string()))


def test_forgotten_drivers_and_holds_hold_for_rows_from_workers(engine: Engine, tmp_path: Path) -> None:
    """Two stores alike; one goes on by workers, the other here: nothing of the driver comes back to either."""
    folder, stores = tmp_path / "recordings", (tmp_path / "alone", tmp_path / "by-workers")
    folder.mkdir()
    pq.write_table(_driven(["a", "b"], "V1", DRIVER), folder / "one.parquet")
    pq.write_table(_driven(["c"], "V2", "D2"), folder / "two.parquet")
    pipeline.ingest([folder], stores[0])
    upkeep.hold(stores[0], vehicle_id="V2", reason="a claim", by="somebody")
    upkeep.forget_driver(stores[0], DRIVER)
    shutil.copytree(stores[0], stores[1])
    pq.write_table(_driven(["d"], "V1", DRIVER), folder / f"{DRIVER}-3.parquet")
    pq.write_table(_driven(["e"], "V3", DRIVER.lower()), folder / "four.parquet")
    pq.write_table(_driven(["c"], "V2", "D3"), folder / "two.parquet")  # held: not read anew
    before = at_rest(stores[1])
    before.text(f"driver {DRIVER} and a word")
    assert DRIVER.encode() not in pickle.dumps(before), "texts that were looked at here do not travel"
    told = [
        pipeline.ingest([folder], store, machines=machines)
        for store, machines in zip(stores, (None, Machines(engine.address)), strict=True)
    ]
    assert told[0].problems == told[1].problems and len(told[0].problems) == 1 and "hold-1" in told[0].problems[0]
    assert told[0].alike_withheld == told[1].alike_withheld == 1
    assert (told[0].held_copied, told[0].loaded) == (told[1].held_copied, told[1].loaded) == (1, 2)
    assert_same(*stores)
    held = [{path.name: path.read_bytes() for path in (s / HELD_FOLDER).rglob("*.parquet")} for s in stores]
    assert held[0] == held[1] and len(held[0]) == 2
    assert not any(
        DRIVER.lower() in cell.lower() for rows in tables(stores[1]).values() for row in rows for cell in row
    )
    assert not any(DRIVER in entry.path for entry in read_log(stores[1]))


def test_a_client_that_is_killed_leaves_workers_that_change_nothing(engine: Engine, tmp_path: Path) -> None:
    """The worker that goes on for the killed client is let go only when the next one is at work; both read one file."""
    folder, store, alone = tmp_path / "recordings", tmp_path / "store", tmp_path / "alone"
    folder.mkdir()
    slow = f"slow-{tmp_path.name}.parquet"
    for name in ("a.parquet", "b.parquet", slow):
        pq.write_table(_driven([name], "V1", None), folder / name)
    command = [sys.executable, "-m", "fleetbrake.cli", "ingest", str(folder), "--store", str(store)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    client = subprocess.Popen([*command, "--scheduler", engine.address], env=environment, stderr=subprocess.DEVNULL)
    try:
        until(lambda: (engine.once / slow).exists() or client.poll() is not None, "the file is not read")
    finally:
        client.send_signal(signal.SIGKILL)
    assert client.wait(60) == -signal.SIGKILL and len(read_log(store)) == 0
    assert (store / ARRIVING).is_dir()

    def let_go(stage: str, done: int, of: int) -> None:
        (engine.once / f"go-{slow}").touch()

    summary = pipeline.ingest([folder], store, machines=Machines(engine.address), progress=let_go)
    assert (summary.loaded, summary.problems) == (3, [])
    pipeline.ingest([folder], alone)
    assert_same(alone, store)

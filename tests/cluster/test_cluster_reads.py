"""Workers read what this machine would read, whatever dies meanwhile; real programs of the engine on loopback."""

import pickle
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from product_run import Stop, stops_file

from fleetbrake import pipeline
from fleetbrake.cluster import at_work
from fleetbrake.cluster import workers as module
from fleetbrake.cluster.machines import Machines
from fleetbrake.core.errors import StoreBusyError
from fleetbrake.handing_out import Job
from fleetbrake.store.arriving import ARRIVING
from fleetbrake.store.database import reading
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.log import read_log
from tests.cluster.engine_made import Engine
from tests.cluster.same_rows import assert_same
from tests.unattended.small_fleet import held_by_another

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def local(recordings: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store of this machine alone."""
    store = tmp_path_factory.mktemp("local") / "store"
    summary = pipeline.ingest([recordings], store)
    assert summary.loaded == 16 and summary.rejected == 1
    return store


class _Counted:
    """Stands for the module that packs: notes how much is packed and unpacked."""

    def __init__(self) -> None:
        self.sent: list[int] = []
        self.came: list[int] = []

    def dumps(self, what: Any) -> bytes:
        packed = pickle.dumps(what)
        self.sent.append(len(packed))
        return packed

    def loads(self, packed: bytes) -> Any:
        self.came.append(len(packed))
        return pickle.loads(packed)


def test_workers_give_the_rows_of_one_machine(engine: Engine, recordings: Path, local: Path, tmp_path: Path) -> None:
    told: list[tuple[str, int, int]] = []
    store = tmp_path / "store"
    summary = pipeline.ingest(
        [recordings], store, machines=Machines(engine.address), progress=lambda *now: told.append(now)
    )
    assert (summary.files, summary.loaded, summary.rejected) == (17, 16, 1)
    assert [done for stage, done, _ in told if stage == "reading recordings"] == list(range(1, 18))
    assert_same(local, store)
    assert not (store / ARRIVING).exists()
    again = pipeline.ingest([recordings], store, machines=Machines(engine.address))
    assert (again.unchanged, again.rejected, again.rows) == (16, 1, 0)


def test_a_worker_that_is_killed_in_mid_run_leaves_nothing_twice(
    engine: Engine, recordings: Path, tmp_path: Path
) -> None:
    """``once...`` ends its worker (SIGKILL) while it is read; the engine gives its bunch to another one."""
    folder = tmp_path / "recordings"
    folder.mkdir()
    for path in sorted(recordings.glob("stops-*")):
        (folder / path.name).write_bytes(path.read_bytes())
    once = f"once-{tmp_path.name}.parquet"
    pq.write_table(stops_file([("killed", Stop(20.0, 5.0))], vehicle_id="V7"), folder / once)
    store, alone = tmp_path / "store", tmp_path / "alone"
    summary = pipeline.ingest([folder], store, machines=Machines(engine.address))
    assert once in {path.name for path in engine.once.iterdir()}
    assert (summary.loaded, summary.rejected, summary.problems) == (9, 0, [])
    pipeline.ingest([folder], alone)
    assert_same(alone, store)


def test_a_file_that_ends_every_worker_is_rejected_and_the_rest_goes_on(engine: Engine, tmp_path: Path) -> None:
    folder, store = tmp_path / "recordings", tmp_path / "store"
    folder.mkdir()
    for name in ("a", "poison", "z"):
        pq.write_table(stops_file([(name, Stop(15.0, 5.0))]), folder / f"{name}.parquet")
    summary = pipeline.ingest([folder], store, machines=Machines(engine.address))
    assert (summary.loaded, summary.rejected) == (2, 1)
    assert len(summary.problems) == 1 and "each worker that read it ended" in summary.problems[0]
    assert "poison.parquet" in summary.problems[0]
    later = pipeline.ingest([folder], store)  # it may have been the machines: tried again by every run
    assert (later.loaded, later.unchanged, later.rejected) == (1, 2, 0)


def test_only_addresses_and_small_results_travel(
    engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten times the samples (9,000 more a file), the same bytes but for how files fell into bunches.

    Under 1,500 bytes a file each way: a path, what the log says, their packing. The job (thresholds, rules) goes with
    each bunch.
    """
    sizes, jobs, packed = {}, list[int](), at_work.packed

    def counted_job(job: Job) -> bytes:
        jobs.append(len(packed(job)))
        return packed(job)

    monkeypatch.setattr(at_work, "packed", counted_job)
    for name, rate_hz in (("few", 50.0), ("many", 500.0)):
        folder = tmp_path / name / "recordings"
        folder.mkdir(parents=True)
        for k in range(6):
            table = stops_file([(f"e{k}-{i}", Stop(18.0, 3.0)) for i in range(2)], rate_hz=rate_hz)
            pq.write_table(table, folder / f"{k}.parquet")
        counted = _Counted()
        monkeypatch.setattr(module, "pickle", counted)
        summary = pipeline.ingest([folder], tmp_path / name / "store", machines=Machines(engine.address))
        assert summary.events == 12 and len(counted.sent) == len(counted.came) > 0
        sizes[name] = (summary.rows, sum(counted.sent) / 6, sum(counted.came) / 6)
    assert sizes["many"][0] > 9 * sizes["few"][0]
    assert all(abs(many - few) < 200 for few, many in zip(sizes["few"][1:], sizes["many"][1:], strict=True)), sizes
    assert sizes["many"][1] < 1500 and sizes["many"][2] < 1500, sizes
    assert len(jobs) == 2 and max(jobs) < 10_000, jobs


def test_a_second_client_leaves_with_the_name_of_the_first(engine: Engine, recordings: Path, tmp_path: Path) -> None:
    store = tmp_path / "store"
    with held_by_another(store, "ingest"), pytest.raises(StoreBusyError, match="'ingest'"):
        pipeline.ingest([recordings], store, machines=Machines(engine.address))
    assert not (store / ARRIVING).exists()


def test_a_client_that_is_interrupted_keeps_what_is_back_and_the_next_one_reads_the_rest(
    engine: Engine, recordings: Path, local: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from fleetbrake import taking_in

    store = tmp_path / "store"

    def interrupted(stage: str, done: int, of: int) -> None:
        if done == 5:
            raise KeyboardInterrupt

    monkeypatch.setattr(taking_in, "PORTION_FILES", 2)
    monkeypatch.setattr(module, "MOST_WITH_A_BUNCH", 0)  # as a big job goes
    with pytest.raises(KeyboardInterrupt):
        pipeline.ingest([recordings], store, machines=Machines(engine.address), progress=interrupted)
    kept = len(read_log(store))
    assert kept == 5, "what no whole portion was made of is kept too"
    with writer_lock(store, "test"):
        pass  # it was let go
    rest = pipeline.ingest([recordings], store, machines=Machines(engine.address))
    assert rest.unchanged + rest.rejected + rest.loaded == 17 and rest.unchanged >= 3
    assert not (store / ARRIVING).exists()
    assert_same(local, store)


def test_what_was_on_the_way_when_a_run_was_killed_is_removed_by_the_next(recordings: Path, tmp_path: Path) -> None:
    store = tmp_path / "store"
    left = store / ARRIVING / "dead" / "lake" / "events"
    left.mkdir(parents=True)
    (left / f"{'0' * 32}.parquet").write_bytes(b"rows of somebody")
    pipeline.ingest([recordings / "stops-0.parquet"], store)
    assert not (store / ARRIVING).exists()
    with reading(store) as con:
        assert con.execute("SELECT count(*) FROM events").fetchall() == [(2,)]

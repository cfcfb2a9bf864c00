"""What is made of a cluster's answers, without one: workers that end whatever they read, and words for many alike."""

import pickle
from concurrent.futures import CancelledError
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from distributed import KilledWorker
from distributed.comm import CommClosedError

from fleetbrake.cluster import fit
from fleetbrake.cluster import workers as workers_module
from fleetbrake.cluster.fit import LEAST_MEMORY, check_memory, check_versions, short_of_memory
from fleetbrake.cluster.told import told
from fleetbrake.cluster.workers import Workers
from fleetbrake.core.criteria import DEFAULT
from fleetbrake.core.errors import ClusterError
from fleetbrake.handing_out import Fate, Handed, Job, Taken
from fleetbrake.recordings.sources import source_of
from fleetbrake.store.arriving import FolderDrop
from fleetbrake.store.forgetting.at_rest import at_rest
from fleetbrake.store.lake import Lake

MIB = 2**20


class Future:
    """A bunch that is done at once."""

    def __init__(self, key: str, result: Any) -> None:
        self.key, self._result = key, result

    def result(self, timeout: float) -> Any:
        if isinstance(self._result, BaseException):
            raise self._result
        return self._result

    def add_done_callback(self, call: Any) -> None:
        call(self)

    def release(self) -> None:
        return


class Client:
    """Workers of which each does with a file what ``does`` says: an error, or what became of it."""

    status = "running"

    def __init__(self, does: Any, answers: dict[str, Any] | None = None) -> None:
        self.does, self.answers, self.asked = does, answers or {}, []

    def nthreads(self) -> dict[str, int]:
        return {"tcp://one": 1}

    def submit(self, work: Any, given: Any, bunch: bytes, *, key: str, **_: Any) -> Future:
        files = [handed.path for handed in pickle.loads(bunch)]
        self.asked.append(files)
        done = [self.does(path) for path in files]
        wrong = next((one for one in done if isinstance(one, BaseException)), None)
        return Future(key, pickle.dumps(done) if wrong is None else wrong)

    def run(self, *_: Any, **__: Any) -> dict[str, Any]:
        return self.answers

    def run_on_scheduler(self, *_: Any) -> Any:
        return told()

    def cancel(self, *_: Any, **__: Any) -> None:
        return


def _read(client: Client, folder: Path, files: int) -> list[tuple[Handed, Taken]]:
    drop = FolderDrop(folder / "arriving", "mark", "")
    job = Job(at_rest(folder), drop, None, DEFAULT, "settings", datetime.now(UTC))
    handed = [Handed(source_of(folder / f"{k:03d}.parquet"), f"{k:03d}.parquet") for k in range(files)]
    return list(Workers(client, "tcp://host:8786", drop, Lake(folder)).read(iter(handed), job))


def _ends(path: str) -> BaseException:
    return KilledWorker("key", SimpleNamespace(address="tcp://one"), 3)


def test_workers_that_end_whatever_they_read_end_the_run_soon(tmp_path: Path) -> None:
    client = Client(_ends, {"tcp://one": 330 * MIB})
    with pytest.raises(ClusterError, match=r"^Nothing could be read: 3 files.*one may use 330 MiB, at least 700 MiB"):
        _read(client, tmp_path, 500)
    assert len(client.asked) < 10


def test_few_files_that_end_workers_are_rejected_where_others_are_read(tmp_path: Path) -> None:
    bad = {f"{k:03d}.parquet" for k in range(0, 40, 9)}
    client = Client(lambda path: _ends(path) if path in bad else Taken(Fate.KNOWN, "hash"))
    found = {handed.path: taken for handed, taken in _read(client, tmp_path, 40)}
    rejected = {path for path, taken in found.items() if taken.entry is not None and taken.entry.status == "rejected"}
    assert rejected == bad and len(found) == 40


@pytest.mark.parametrize("error", [CommClosedError("in <TCP ...>"), CancelledError("fleetbrake-read-1-2 cancelled")])
def test_a_scheduler_that_went_away_is_told_without_the_engine_s_own_words(tmp_path: Path, error: Exception) -> None:
    with pytest.raises(ClusterError) as gone:
        _read(Client(lambda path: error), tmp_path, 3)
    assert str(gone.value) == (
        "The scheduler tcp://host:8786 went away while recordings were read. What had been read is kept; the next run "
        "reads the rest."
    )


def test_an_error_that_nobody_foresaw_is_not_the_scheduler_s(tmp_path: Path) -> None:
    with pytest.raises(ClusterError, match=r"^A worker could not go on \(odd\)\. What had been read is kept"):
        _read(Client(lambda path: ValueError("odd")), tmp_path, 3)


@pytest.mark.parametrize(("limit", "short"), [(330 * MIB, True), (LEAST_MEMORY, False), (None, False), (0, False)])
def test_a_worker_with_too_little_memory_says_so(limit: int | None, short: bool) -> None:
    worker = SimpleNamespace(memory_manager=SimpleNamespace(memory_limit=limit))
    said = short_of_memory(worker)
    assert (said == "may use 330 MiB of memory, at least 700 MiB are needed") if short else said is None


def test_workers_with_too_little_memory_are_refused_before_anything_is_read() -> None:
    short = "may use 330 MiB of memory, at least 700 MiB are needed"
    check_memory(Client(_ends, {"tcp://one": None}))
    with pytest.raises(ClusterError, match=rf"^Nothing was read: worker tcp://two {short}\. Give them more"):
        check_memory(Client(_ends, {"tcp://one": None, "tcp://two": short}))


def test_workers_alike_stand_together_in_the_sentence() -> None:
    mine = told()
    answers = {f"tcp://{k:02d}": {**mine, "numpy": "1.0"} for k in range(40)} | {"tcp://99": {**mine, "numba": None}}
    with pytest.raises(ClusterError) as refused:
        check_versions(Client(_ends, answers))
    said = str(refused.value)
    assert said.count(f"has numpy 1.0, here is {mine['numpy']}") == 1
    assert "worker tcp://04 and 35 more: each has" in said
    assert said.count("worker tcp://99 has numba not at all") == 1 and len(said) < 500


def test_a_worker_is_asked_its_limit_where_a_task_is_at_work(monkeypatch: pytest.MonkeyPatch) -> None:
    import distributed

    worker = SimpleNamespace(memory_manager=SimpleNamespace(memory_limit=5))
    monkeypatch.setattr(distributed, "get_worker", lambda: worker)
    assert fit.memory_limit() == 5 and workers_module.fit is fit

"""Files that are known again by size and time of change, by their bytes where these cannot be trusted, and portions."""

import os
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from product_run import Stop, stops_file

from fleetbrake import handing_out, pipeline, taking_in
from fleetbrake.recordings import at_hand as module
from fleetbrake.recordings.sources import Source
from fleetbrake.store.database import reading
from fleetbrake.store.log import read_log
from tests.cluster.same_rows import assert_same

#: Older than any clock's tick: such a file's time of change can be trusted.
OLD_S = 3600


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "recordings"
    made.mkdir()
    for k in range(5):
        _write(made / f"{k}.parquet", f"e{k}", 4.0)
    (made / "bad.parquet").write_text("no Parquet")
    return made


def _write(path: Path, event: str, decel: float) -> None:
    """Written without compression or statistics: files of one length for one number of samples."""
    table = stops_file([(event, Stop(16.0, decel))])
    pq.write_table(table, path, compression="none", use_dictionary=False, write_statistics=False)


@pytest.fixture
def looked_at(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the files whose bytes were looked at."""
    names: list[str] = []
    real = module.at_hand

    def noted(source: Source, **how):  # type: ignore[no-untyped-def]
        names.append(source.path.name)
        return real(source, **how)

    monkeypatch.setattr(taking_in, "at_hand", noted)
    return names


@pytest.fixture
def later(monkeypatch: pytest.MonkeyPatch) -> None:
    """The clock of runs is an hour on: their files have not changed just now."""

    class Later(datetime):
        @classmethod
        def now(cls, tz=None):  # type: ignore[no-untyped-def]
            return datetime.now(tz) + timedelta(seconds=OLD_S)

    monkeypatch.setattr(pipeline, "datetime", Later)


def test_what_is_as_it_was_is_not_looked_into(folder: Path, tmp_path: Path, later: None, looked_at: list[str]) -> None:
    store = tmp_path / "store"
    pipeline.ingest([folder], store)
    assert sorted(looked_at) == ["0.parquet", "1.parquet", "2.parquet", "3.parquet", "4.parquet", "bad.parquet"]
    looked_at.clear()
    again = pipeline.ingest([folder], store)
    assert looked_at == [] and (again.unchanged, again.rejected, again.files) == (5, 1, 6)
    checked = pipeline.ingest([folder], store, check_bytes=True)
    assert len(looked_at) == 6 and (checked.unchanged, checked.rejected, checked.rows) == (5, 1, 0)


def test_files_that_changed_shortly_before_they_were_read_are_looked_into(
    folder: Path, tmp_path: Path, looked_at: list[str]
) -> None:
    """Without the later clock: another change within the same tick would not show in the time of change."""
    store = tmp_path / "store"
    pipeline.ingest([folder], store)
    looked_at.clear()
    assert pipeline.ingest([folder], store).unchanged == 5
    assert len(looked_at) == 6


@pytest.mark.skipif(os.name != "posix", reason="the time at which a file's own record changed is kept on POSIX only")
def test_a_change_in_place_of_the_same_size_and_time_is_found(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, looked_at: list[str]
) -> None:
    store, path = tmp_path / "store", folder / "3.parquet"
    before = path.stat()
    real = datetime.now(UTC)
    while time.time() < real.timestamp() + 0.05:  # so that the record of the file changes after the run began
        time.sleep(0.01)
    monkeypatch.setattr(handing_out, "CLOCK_TICK_NS", 0)
    pipeline.ingest([folder], store)
    content = bytearray(path.read_bytes())
    changed = stops_file([("e3", Stop(16.0, 4.0))])
    values = changed.column("speed_mps").to_numpy().copy()
    place = content.find(values[:8].tobytes())
    assert place > 0
    content[place : place + values.nbytes] = (values * 0.9).tobytes()
    path.write_bytes(content)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert (path.stat().st_size, path.stat().st_mtime_ns) == (before.st_size, before.st_mtime_ns)
    looked_at.clear()
    again = pipeline.ingest([folder], store)
    assert looked_at == ["3.parquet"] and (again.loaded, again.unchanged) == (1, 4)
    with reading(store) as con:
        speeds = con.execute("SELECT initial_speed_mps FROM events ORDER BY event_id").fetchall()
    assert speeds[3][0] == pytest.approx(0.9 * speeds[2][0], rel=1e-3)  # the smoother is all but linear in the speed


def test_a_killed_run_keeps_its_portions_and_gives_the_same_in_the_end(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, alone = tmp_path / "store", tmp_path / "alone"
    monkeypatch.setattr(taking_in, "PORTION_FILES", 2)

    class Killed(BaseException):
        """Leaves no time to commit, unlike an interruption by a person."""

    def killed(stage: str, done: int, of: int) -> None:
        if done == 5:
            raise Killed

    with pytest.raises(Killed):
        pipeline.ingest([folder], store, progress=killed)
    assert len(read_log(store)) == 4
    rest = pipeline.ingest([folder], store)
    assert rest.loaded + rest.unchanged == 5 and rest.loaded <= 2
    pipeline.ingest([folder], alone)
    assert_same(alone, store)


def test_entries_are_committed_by_time_too(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    committed: list[int] = []
    real = pipeline.commit_log

    def noted(store: Path, entries):  # type: ignore[no-untyped-def]
        entries = list(entries)
        committed.append(len(entries))
        return real(store, entries)

    monkeypatch.setattr(pipeline, "commit_log", noted)
    monkeypatch.setattr(taking_in, "PORTION_S", -1.0)
    pipeline.ingest([folder], tmp_path / "store")
    assert committed == [1, 1, 1, 1, 1, 1, 0]

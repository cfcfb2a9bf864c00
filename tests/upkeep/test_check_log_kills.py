"""Runs that are killed around the commit of the log: what they leave is told from what was lost."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from check_made import copied
from killed_runs import killed, killed_before_the_commit
from put_back import lake_of, older, put_back, put_lake_back
from upkeep_made import drive_file

from fleetbrake.pipeline import ingest, score
from fleetbrake.store.ageing.retention import RetentionPolicy
from fleetbrake.store.database import reading
from fleetbrake.store.log import read_log
from fleetbrake.upkeep import forget_driver
from fleetbrake.upkeep.check import check_store

#: All drivers of the store are older at this time.
_RULES, _LATE = RetentionPolicy(positions_and_drivers_months=1), date(2026, 5, 30)
Refused = tuple[Path, dict[str, bytes], Path]
_AROUND_THE_LOG = ("write_parquet", "readings.write_list")


def test_a_killed_night_under_an_older_lake_stops_no_later_one(
    refused: Refused, others: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    store, lake, recording = refused
    put_lake_back(store, lake)
    killed_before_the_commit(store, others("new"), monkeypatch)
    ingest([others("new"), recording], store)
    assert check_store(store).sound


def test_rows_that_a_killed_run_left_are_no_lost_ones(
    refused: Refused, others: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A log that is lost with the same machine is made again with them; more than once, too."""
    store, _, recording = refused
    ingest([recording], store)
    for name in ("one", "two"):
        killed_before_the_commit(store, others(name), monkeypatch)
        put_back(store, {"lake/log.parquet": None})
        check_store(store, repair=True)
        assert str(others(name)) in read_log(store) and not older(store)


@pytest.mark.parametrize("where", ["log_writing.write_parquet", "log_writing.remember_log"])
def test_what_is_lacking_is_not_forgotten_by_a_kill_while_it_comes_in(
    refused: Refused, others: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    """Nor by a repair that takes the rows of that run for left-overs."""
    store, lake, recording = refused
    put_lake_back(store, lake)
    ingest([others("new")], store)
    killed(lambda: ingest([recording], store), f"fleetbrake.store.{where}", monkeypatch)
    check_store(store, repair=True)
    ingest([others("other")], store)
    assert older(store) is (str(recording) not in read_log(store))
    ingest([recording], store)
    assert check_store(store).sound


def test_a_repair_after_a_kill_before_the_log_tells_of_no_loss(
    sound_store: Path, tmp_path: Path, others: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    store = copied(sound_store, tmp_path)
    killed(lambda: ingest([others("one")], store), "fleetbrake.store.log_writing.write_parquet", monkeypatch)
    check_store(store, repair=True)
    assert not any("is an older copy" in said for said in ingest([others("two")], store).problems)
    assert check_store(store).sound


@pytest.mark.parametrize(
    "where", ["remember_log", *(pytest.param(name, marks=pytest.mark.long) for name in _AROUND_THE_LOG)]
)
def test_a_kill_around_the_commit_is_made_good_by_the_next_run(
    sound_store: Path, tmp_path: Path, others: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    """The list, the log, the note: a kill may come between any two of them."""
    store, recording = copied(sound_store, tmp_path), others("again")
    lake = lake_of(store)
    killed(lambda: ingest([recording], store), f"fleetbrake.store.log_writing.{where}", monkeypatch)
    after = lake_of(store)
    ingest([others("other")], store)  # that recording is not named, and its rows go where no log names them
    assert not older(store) and (str(recording) in read_log(store)) is (where == "remember_log")
    ingest([recording], store)
    assert check_store(store).sound
    assert after != lake


def test_a_kill_before_the_note_and_then_an_older_lake(
    sound_store: Path, tmp_path: Path, others: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The note does not know of the last log, the list does."""
    store, recording = copied(sound_store, tmp_path), others("again")
    lake = lake_of(store)
    killed(lambda: ingest([recording], store), "fleetbrake.store.log_writing.remember_log", monkeypatch)
    put_lake_back(store, lake)
    assert any("is an older copy" in said for said in ingest([others("other")], store).problems) and older(store)
    ingest([recording], store)
    assert check_store(store).sound


@pytest.mark.parametrize(
    "where",
    [
        "log_writing.remember_log",
        pytest.param("forgetting.erase_lake.remove_parts", marks=pytest.mark.long),
        pytest.param("readings.write_parquet", marks=pytest.mark.long),
    ],
)
def test_forgetting_that_was_killed_goes_on_though_a_path_named_the_driver(
    sound_store: Path, tmp_path: Path, others: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    """The pieces of such files get other keys: those of before are named by no log, and by what is published."""
    store = copied(sound_store, tmp_path)
    ingest([drive_file(tmp_path / "D-9001", "van-1", "D-9001", "2026-03-20", 48.5)], store)
    killed(lambda: forget_driver(store, "D-9001"), f"fleetbrake.store.{where}", monkeypatch)
    assert forget_driver(store, "D-9001").complete
    ingest([others("new")], store)
    score(store)
    assert check_store(store).sound
    with reading(store) as con:
        assert con.execute("SELECT count(*) FROM ingest_log WHERE path LIKE '%D-9001%'").fetchall() == [(0,)]

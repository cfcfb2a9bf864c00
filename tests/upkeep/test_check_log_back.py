"""A log, or a whole lake, that is older than what was read last, or made again: told until all is in that it lacks."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from check_made import copied
from check_told import wrong_of
from put_back import kept, lake_of, older, put_back, put_lake_back, refused_run
from upkeep_made import drive_file

from fleetbrake.core.errors import StoreError
from fleetbrake.pipeline import ingest, not_counted
from fleetbrake.store.ageing.retention import RetentionPolicy
from fleetbrake.store.arrow import read_parquet, write_parquet
from fleetbrake.store.format_mark import FORMAT_NAME
from fleetbrake.store.log import read_log
from fleetbrake.store.log_writing import lacks, write_log
from fleetbrake.store.numbered import numbered
from fleetbrake.store.readings import READINGS_NAME, READINGS_SCHEMA, digests
from fleetbrake.store.remembered import REMEMBERED_NAME, remembered
from fleetbrake.store.unfinished import begin
from fleetbrake.upkeep import forget_driver, retain
from fleetbrake.upkeep.check import check_store
from fleetbrake.upkeep.check.given_up import give_up_part
from tests.cluster.same_rows import tables

#: All drivers of the store are older at this time.
_RULES, _LATE = RetentionPolicy(positions_and_drivers_months=1), date(2026, 5, 30)
Refused = tuple[Path, dict[str, bytes], Path]
_AROUND_THE_LOG = ("write_parquet", "readings.write_list")


def test_recordings_that_a_refused_run_read_are_missed_with_an_older_lake(
    refused: Refused, others: Callable[[str], Path]
) -> None:
    store, lake, recording = refused
    newest, more = lake_of(store), [others(f"more-{number}") for number in range(3)]
    put_lake_back(store, lake)
    for another in more:  # however much is read in meanwhile
        assert older(store) and any("is an older copy" in said for said in not_counted(store))
        assert any("is an older copy" in said for said in ingest([another], store).problems)
    assert not forget_driver(store, "D-one").complete
    put_lake_back(store, newest)
    assert older(store)  # what was read meanwhile is not in it
    ingest(more, store)
    assert not older(store)
    put_lake_back(store, lake)
    give_up_part(store, "recordings")
    assert not older(store)
    lake = lake_of(store)
    assert not any("is an older copy" in said for said in ingest([recording], store).problems)
    put_lake_back(store, lake)
    assert older(store)


def test_the_newest_lake_that_is_put_back_at_once_lacks_nothing(refused: Refused) -> None:
    store, lake, recording = refused
    newest = lake_of(store)
    put_lake_back(store, lake)
    assert older(store)
    put_lake_back(store, newest)
    assert not older(store) and not any("older copy" in said for said in ingest([recording], store).problems)


@pytest.mark.parametrize("listed", [True, pytest.param(False, marks=pytest.mark.long)])
def test_it_is_told_until_all_is_in_again_whatever_comes_besides(
    refused: Refused, others: Callable[[str], Path], listed: bool
) -> None:
    """A usual night brings new recordings together with those of that time."""
    store, lake, recording = refused
    put_lake_back(store, lake)
    if not listed:
        (store / READINGS_NAME).unlink()
    ingest([recording, others("new")], store)
    assert older(store) is not listed  # of what is not known by name it cannot be said that it is all in
    if not listed:
        give_up_part(store, "recordings")
    assert not older(store) and lacks(store) == 0 and check_store(store).sound


def test_what_two_refused_runs_read_is_missed_one_by_one(refused: Refused, others: Callable[[str], Path]) -> None:
    """The second read under an older lake, and that is older again now."""
    store, lake, recording = refused
    put_lake_back(store, lake)
    lake = lake_of(store)
    refused_run(store, others("second"))
    put_lake_back(store, lake)
    ingest([recording], store)
    assert older(store)
    ingest([others("second")], store)
    assert not older(store)


def test_rows_that_only_a_newer_log_named_are_not_removed(refused: Refused) -> None:
    """Not as those of the run that was refused, whose mark still stands."""
    store, lake, recording = refused
    assert (store / "lake" / "unfinished").exists()
    put_back(store, {"lake/log.parquet": lake["lake/log.parquet"]})
    for run in (lambda: ingest([recording], store), lambda: retain(store, _RULES, _LATE)):
        with pytest.raises(StoreError, match="does not name 1 recordings that are in the lake"):
            run()
    check_store(store, repair=True)
    assert str(recording) in read_log(store) and not wrong_of(store, "log")


@pytest.mark.parametrize("damaged", [False, pytest.param(True, marks=pytest.mark.long)])
def test_a_log_that_is_made_again_and_lacks_files_is_told(refused: Refused, damaged: bool) -> None:
    store, lake, recording = refused
    newest = lake_of(store)
    put_lake_back(store, lake, log=b"damaged" if damaged else None)
    check_store(store, repair=True)
    assert str(recording) not in read_log(store) and older(store)
    put_lake_back(store, newest)
    assert not older(store)


@pytest.mark.parametrize("listed", [True, pytest.param(False, marks=pytest.mark.long)])
def test_a_reading_of_changed_bytes_is_missed_though_no_file_is(refused: Refused, changed: bytes, listed: bool) -> None:
    """The log that is made again names as many files as there were, one of them by its reading before."""
    store, _, recording = refused
    ingest([recording], store)
    lake = lake_of(store)
    recording.write_bytes(changed)
    refused_run(store, recording)
    put_lake_back(store, lake, log=None)
    if not listed:
        (store / READINGS_NAME).unlink()
    check_store(store, repair=True)
    assert older(store)
    ingest([recording], store)  # as the sentence says
    assert older(store) is not listed
    give_up_part(store, "recordings") if not listed else None
    assert not older(store)


def test_the_newer_rows_of_changed_bytes_stay_where_the_log_alone_is_lost(refused: Refused, changed: bytes) -> None:
    """Published is the reading before."""
    store, _, recording = refused
    ingest([recording], store)
    recording.write_bytes(changed)
    refused_run(store, recording)
    newest = read_log(store).entries[str(recording)]
    put_back(store, {"lake/log.parquet": None})
    check_store(store, repair=True)
    assert read_log(store).entries[str(recording)].key == newest.key and not older(store)


def test_a_file_that_cannot_be_read_any_more_is_not_in_again(refused: Refused) -> None:
    store, lake, recording = refused
    put_lake_back(store, lake)
    whole = recording.read_bytes()
    recording.write_bytes(whole[:300])
    for _ in range(2):
        ingest([recording], store)
        assert older(store)
    recording.write_bytes(whole)
    ingest([recording], store)
    assert check_store(store).sound


def test_a_file_that_is_again_as_the_older_log_knows_it_is_in(refused: Refused, changed: bytes) -> None:
    store, _, recording = refused
    ingest([recording], store)
    lake, before = lake_of(store), recording.read_bytes()
    recording.write_bytes(changed)
    refused_run(store, recording)
    put_lake_back(store, lake)
    recording.write_bytes(before)
    ingest([recording], store)
    assert check_store(store).sound


def test_a_lacking_file_of_somebody_who_was_forgotten_meanwhile_comes_in(
    sound_store: Path, tmp_path: Path, others: Callable[[str], Path]
) -> None:
    """Under another path, and no digest of the one before is left."""
    store, lake = copied(sound_store, tmp_path), lake_of(sound_store)
    recording = drive_file(tmp_path / "D-9001", "van-1", "D-9001", "2026-03-20", 48.5)
    refused_run(store, recording)
    put_lake_back(store, lake)
    assert not forget_driver(store, "D-9001").complete
    ingest([recording], store)
    ingest([others("new")], store)
    assert forget_driver(store, "D-9001").complete and check_store(store).sound
    listed = read_parquet(store / READINGS_NAME, READINGS_SCHEMA, "list")
    assert digests([str(recording)])[0] not in listed.column("path").to_pylist()


def test_a_night_with_an_earlier_version_forgets_nothing(refused: Refused, others: Callable[[str], Path]) -> None:
    """It wrote the number alone, and no list."""
    store, lake, recording = refused
    put_lake_back(store, lake)
    ingest([others("new")], store)
    number = remembered(store).writings["log"] + 1
    write_parquet(store / "lake" / "log.parquet", numbered(read_log(store).table(), number))
    ingest([others("other")], store)
    assert older(store)
    ingest([recording], store)
    assert check_store(store).sound


def test_a_list_that_is_gone_damaged_or_older_is_told_and_made_anew(
    sound_store: Path, tmp_path: Path, others: Callable[[str], Path]
) -> None:
    store = copied(sound_store, tmp_path)
    older = kept(store, READINGS_NAME)
    ingest([others("new")], store)
    right = tables(store)
    for content in (None, b"damaged", older[READINGS_NAME]):
        put_back(store, {READINGS_NAME: content})
        (said,) = wrong_of(store, "log")
        assert READINGS_NAME in said
        check_store(store, repair=True)
        assert check_store(store).sound
        put_back(store, {READINGS_NAME: content})
        ingest([others("new")], store)
        assert check_store(store).sound and tables(store) == right


def test_a_log_without_a_number_is_older_where_one_was_noted(refused: Refused) -> None:
    store, lake, _ = refused
    put_lake_back(store, lake)
    rows = read_log(store).table()
    write_parquet(store / "lake" / "log.parquet", rows)
    assert lacks(store) == 1
    put_back(store, dict.fromkeys((REMEMBERED_NAME, FORMAT_NAME, "fleet.duckdb")))
    assert not lacks(store)
    write_log(store, rows)
    assert remembered(store).writings["log"] and not lacks(store)


def test_a_log_is_noted_by_the_next_run_where_a_kill_came_before(
    sound_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = copied(sound_store, tmp_path)
    number = remembered(store).writings["log"]
    with monkeypatch.context() as killed:
        killed.setattr("fleetbrake.store.log_writing.remember_log", lambda *_: None)
        write_log(store, read_log(store).table())
    assert remembered(store).writings["log"] == number
    begin(store)
    assert remembered(store).writings["log"] == number + 1

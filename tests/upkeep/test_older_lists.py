"""Lists of the forgotten, of holds, of dropped rows and rules that were given up, written again, and put back older.

As many entries as there were tell nothing: each list has a number that only grows. Every test ends with the way out
that the refusal names, and with what was refused.
"""

import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from check_made import FORGOTTEN, copied
from everywhere import places_of

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.pipeline import ingest, score
from fleetbrake.store.ageing.dropped_rows import DROPPED_NAME, refuse_shorter, remember_dropped
from fleetbrake.store.ageing.retention import RETENTION_NAME, RetentionPolicy, policy, set_policy
from fleetbrake.store.database import reading
from fleetbrake.store.forgetting.tombstones import (
    KEY_NAME,
    TOMBSTONES_NAME,
    add_tombstone,
    mark_erased,
    read_tombstones,
)
from fleetbrake.store.holding.held_manifest import folder_of, read_manifest, write_manifest
from fleetbrake.store.holding.holds import HOLDS_NAME, all_holds, placed
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.remembered import REMEMBERED_NAME, remember, remembered
from fleetbrake.upkeep import forget_driver, hold, list_holds
from fleetbrake.upkeep.check import check_store
from fleetbrake.upkeep.check.given_up import give_up_part

_LIST = (TOMBSTONES_NAME, KEY_NAME)


def _taken(store: Path, *names: str) -> dict[str, bytes]:
    found = {name: (store / name).read_bytes() for name in names}
    for name in names:
        (store / name).unlink()
    return found


def _put(store: Path, found: dict[str, bytes]) -> None:
    for name, content in found.items():
        (store / name).write_bytes(content)


def _nothing_lost(store: Path, part: str) -> None:
    with pytest.raises(InputError, match="Nothing is lost"):
        give_up_part(store, part)


def test_a_list_of_others_who_were_forgotten(full_store: Path, sound_store: Path, tmp_path: Path) -> None:
    store, beside = copied(full_store, tmp_path), sound_store.parent
    older = _taken(store, *_LIST)
    give_up_part(store, "forgotten")
    forget_driver(store, "D-one")
    newer = _taken(store, *_LIST)
    _put(store, older)
    for run in (lambda: ingest([beside / "first"], store, registers=beside / "registers"), lambda: score(store)):
        with pytest.raises(StoreError, match=r"forgotten\.json is an older copy"):
            run()
    assert places_of(store, "D-one") == []
    _put(store, newer)  # as the sentence says
    ingest([beside / "first", beside / "later"], store, registers=beside / "registers")
    assert places_of(store, "D-one") == []


def test_an_older_list_of_the_forgotten_that_a_person_takes(tmp_path: Path) -> None:
    """It counts from then on, and the one that was the newest is an older one."""
    store = tmp_path / "store"
    with writer_lock(store, "test"):
        add_tombstone(store, FORGOTTEN, anywhere=True)
        older = _taken(store, *_LIST)
        give_up_part(store, "forgotten")
        assert read_tombstones(store).stones == ()
        _put(store, older)  # nothing was forgotten since: it is the newest
        assert len(read_tombstones(store).stones) == 1
        remember(store)
        _taken(store, *_LIST)
        give_up_part(store, "forgotten")
        add_tombstone(store, "D-one", anywhere=True)
        newer = _taken(store, *_LIST)
        _put(store, older)
        with pytest.raises(StoreError, match=r"older copy.*--lost-for-good forgotten"):
            read_tombstones(store)
        give_up_part(store, "forgotten")
        assert len(read_tombstones(store).stones) == 1
        _nothing_lost(store, "forgotten")
        kept = {name: (store / name).read_bytes() for name in _LIST}
        _put(store, newer)
        with pytest.raises(StoreError, match="older copy"):
            read_tombstones(store)
        _put(store, kept)
        assert mark_erased(store).stones[0].erased


def test_the_same_list_written_again_has_the_same_number(tmp_path: Path) -> None:
    """A run that was killed and is run again leaves the file of an undisturbed one."""
    store = tmp_path / "store"
    with writer_lock(store, "test"):
        add_tombstone(store, FORGOTTEN, anywhere=True)
        once = (store / TOMBSTONES_NAME).read_bytes()
        add_tombstone(store, FORGOTTEN, anywhere=True)
        assert (store / TOMBSTONES_NAME).read_bytes() == once
        remember_dropped(store, "inspections", [{"inspection_id": "old"}])
        there = (store / "dropped.parquet").read_bytes()
        remember_dropped(store, "inspections", [{"inspection_id": "old"}])
        assert (store / "dropped.parquet").read_bytes() == there


def test_holds_that_were_given_up_and_come_back(sound_store: Path, tmp_path: Path) -> None:
    """No number is given twice, so that both stand at the end."""
    store = copied(sound_store, tmp_path)
    hold(store, reason="one", by="clerk", vehicle_id="van-1")
    older = _taken(store, HOLDS_NAME)
    shutil.rmtree(store / "held")
    give_up_part(store, "holds")
    assert hold(store, reason="two", by="clerk", vehicle_id="van-2").hold.hold_id == "hold-2"
    _put(store, older)
    with pytest.raises(StoreError, match="lack hold-2"):
        ingest([sound_store.parent / "first"], store)
    check_store(store, repair=True)
    assert [(one.hold_id, one.vehicle_id) for one in all_holds(store)] == [("hold-1", "van-1"), ("hold-2", "van-2")]
    assert all(set(one.files) == {"copied"} for one in list_holds(store)), "each with its copies"
    assert check_store(store).sound


def test_an_older_list_of_holds_of_as_many(tmp_path: Path) -> None:
    """The newer one has no copies that tell."""
    store, when = tmp_path / "store", {"from_at": None, "to_at": None, "driver_id": None, "by": "clerk"}
    with writer_lock(store, "test"):
        placed(store, vehicle_id="van-1", reason="one", **when)
        older = _taken(store, HOLDS_NAME)
        give_up_part(store, "holds")
        placed(store, vehicle_id="van-2", reason="two", **when)
        _put(store, older)
        with pytest.raises(StoreError, match=r"an older copy, without hold-2.*--lost-for-good holds"):
            all_holds(store)
        give_up_part(store, "holds")
        assert [one.vehicle_id for one in all_holds(store)] == ["van-1"]
        _nothing_lost(store, "holds")
        assert placed(store, vehicle_id="van-3", reason="three", **when).hold_id == "hold-3"


def test_copies_of_another_hold_than_the_list_has(full_store: Path, tmp_path: Path) -> None:
    """As an earlier version left them, which gave a number twice: both holds stand in the end, with their copies."""
    store = copied(full_store, tmp_path)
    before = {path.name for path in folder_of(store, "hold-1").glob("*.parquet")}
    manifest = read_manifest(store, "hold-1")
    manifest.hold |= {"at": datetime(2026, 1, 1, tzinfo=UTC).isoformat().replace("+00:00", "Z"), "reason": "claim"}
    write_manifest(store, manifest)
    with pytest.raises(StoreError, match=r"another hold-1.*--repair"):
        hold(store, reason="three", by="clerk", vehicle_id="van-2")
    assert read_manifest(store, "hold-1").hold["reason"] == "claim", "not overwritten"
    assert any("the copies of another hold" in said for one in check_store(store).outcomes for said in one.wrong.all())
    check_store(store, repair=True)
    assert {one.reason for one in all_holds(store)} == {"collision", "claim", "three"}
    for one in all_holds(store):
        assert read_manifest(store, one.hold_id).hold["reason"] == one.reason
    again = next(one.hold_id for one in all_holds(store) if one.reason == "claim")
    assert {path.name for path in folder_of(store, again).glob("*.parquet")} == before
    assert check_store(store).sound


def test_an_older_list_of_as_many_dropped_rows(tmp_path: Path) -> None:
    store = tmp_path / "store"
    with writer_lock(store, "test"):
        remember_dropped(store, "inspections", [{"inspection_id": "one"}])
        older = _taken(store, DROPPED_NAME)
        give_up_part(store, "dropped")
        remember_dropped(store, "inspections", [{"inspection_id": "two"}])
        newer = {DROPPED_NAME: (store / DROPPED_NAME).read_bytes()}
        _put(store, older)
        with pytest.raises(StoreError, match=r"older copy.*--lost-for-good dropped"):
            refuse_shorter(store)
        _put(store, newer)
        refuse_shorter(store)
        _put(store, older)
        give_up_part(store, "dropped")
        refuse_shorter(store)
        _nothing_lost(store, "dropped")
        _put(store, newer)
        with pytest.raises(StoreError, match="older copy"):
            refuse_shorter(store)


def test_older_rules_after_a_give_up(tmp_path: Path) -> None:
    store = tmp_path / "store"
    with writer_lock(store, "test"):
        set_policy(store, RetentionPolicy(positions_and_drivers_months=13))
        older = _taken(store, RETENTION_NAME)
        give_up_part(store, "rules")
        set_policy(store, RetentionPolicy(positions_and_drivers_months=24))
        newer = {RETENTION_NAME: (store / RETENTION_NAME).read_bytes()}
        _put(store, older)
        with pytest.raises(StoreError, match=r"older copy.*--lost-for-good rules"):
            policy(store)
        give_up_part(store, "rules")
        assert policy(store) is None
        _nothing_lost(store, "rules")
        _put(store, newer)
        assert policy(store) == RetentionPolicy(positions_and_drivers_months=24)


def test_a_note_that_comes_back_knows_what_is_there(sound_store: Path, tmp_path: Path) -> None:
    """Its copy in the published file is of before somebody was forgotten."""
    store = copied(sound_store, tmp_path)
    published = (store / "fleet.duckdb").read_bytes()
    forget_driver(store, FORGOTTEN)
    hold(store, reason="one", by="clerk", vehicle_id="van-1", recordings=[])
    (store / REMEMBERED_NAME).write_bytes(b"damaged")
    (store / "fleet.duckdb").write_bytes(published)
    with writer_lock(store, "test"):
        assert (remembered(store).forgotten, remembered(store).holds) == (1, 1)
        list_of = _taken(store, *_LIST)
        with pytest.raises(StoreError, match="1 drivers were forgotten here"):
            read_tombstones(store)
        _put(store, list_of)
    score(store)
    with reading(store) as con:
        assert con.execute("SELECT count(*) FROM drivers WHERE driver_id = ?", [FORGOTTEN]).fetchall() == [(0,)]

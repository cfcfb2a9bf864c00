"""An older copy of a register, or of the rules of retention, in place of the newest: told, refused, never published."""

import csv
import shutil
from collections.abc import Mapping
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from check_made import copied
from upkeep_made import write_registers

from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import REGISTERS
from fleetbrake.pipeline import ingest
from fleetbrake.store.ageing.retention import RetentionPolicy, policy
from fleetbrake.store.database import reading
from fleetbrake.store.format_mark import FORMAT_NAME
from fleetbrake.store.numbered import Written, numbered, written
from fleetbrake.store.registers import merge_registers, read_register, register_path, write_register
from fleetbrake.store.remembered import REMEMBERED_NAME, remembered
from fleetbrake.upkeep.check import check_store
from fleetbrake.upkeep.check.given_up import give_up_part
from fleetbrake.upkeep.retention import retain


def _one_more(folder: Path, name: str, **row: str) -> Path:
    """A registers folder with one register of one row: a key of its own, the rest as the first row of ``folder``."""
    first = next(iter(csv.DictReader((folder / f"{name}.csv").open())))
    part = folder.with_name(f"{folder.name}-more-{name}")
    part.mkdir()
    with (part / f"{name}.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, first)
        writer.writeheader()
        writer.writerow(first | row)
    return part


#: Of each register a row that came in later.
_MORE: Mapping[str, dict[str, str]] = {
    "vehicles": {"vehicle_id": "van-9"},
    "trips": {"trip_id": "trip-9", "started_at": "2026-03-21T08:00:00Z", "ended_at": "2026-03-21T10:00:00Z"},
    "drivers": {"driver_id": "D-nine"},
}


@pytest.mark.parametrize("name", _MORE)
def test_an_older_copy_of_a_register(sound_store: Path, tmp_path: Path, name: str) -> None:
    """Refused by every run, published or not; the newest put back, or the whole read again, goes on with every row."""
    store, registers = copied(sound_store, tmp_path), tmp_path / "registers"
    shutil.copytree(sound_store.parent / "registers", registers)
    path, drop = register_path(store, name), sound_store.parent / "later"
    older = path.read_bytes()
    more = _one_more(registers, name, **_MORE[name])
    ingest([], store, registers=more)
    newest, right = path.read_bytes(), read_register(store, name)
    path.write_bytes(older)
    for registers_too in (None, more):
        with pytest.raises(StoreError, match=f"Register {name} is an older copy"):
            ingest([drop], store, registers=registers_too)
    found = check_store(store, repair=True)
    assert any(f"Register {name} is an older copy" in said for one in found.outcomes for said in one.wrong.all())
    path.write_bytes(newest)
    ingest([drop], store)
    path.write_bytes(older)
    whole = tmp_path / "whole"
    shutil.copytree(registers, whole)
    with (whole / f"{name}.csv").open("a", newline="") as file:
        file.writelines((more / f"{name}.csv").read_text().splitlines(keepends=True)[1:])
    for other in _MORE:
        if other != name:
            (whole / f"{other}.csv").unlink()
    ingest([drop], store, registers=whole)
    assert read_register(store, name).equals(right)
    with reading(store) as con:
        assert con.execute(f"SELECT count(*) FROM {name}").fetchall() == [(right.num_rows,)]
    assert check_store(store).sound


def test_rows_that_were_not_published_are_missed_too(tmp_path: Path) -> None:
    """Written, and the run ended before publishing: the older copy of the day before does not pass."""
    store, name = tmp_path / "store", "drivers"
    one, two = (_drivers(*names) for names in (("D-1",), ("D-1", "D-2", "D-3")))
    merge_registers(store, {name: one})
    older = register_path(store, name).read_bytes()
    merge_registers(store, {name: two})
    register_path(store, name).write_bytes(older)
    with pytest.raises(StoreError, match="lacks 1 of its rows"):
        merge_registers(store, {name: _drivers("D-2", "D-3")})
    with pytest.raises(StoreError, match="is an older copy"):
        read_register(store, name)
    merge_registers(store, {name: two})
    assert read_register(store, name).num_rows == 3
    register_path(store, name).unlink()
    with pytest.raises(StoreError, match=r"is gone.*lacks 2 of its rows"):
        merge_registers(store, {name: one})


def test_an_older_copy_that_a_person_takes(sound_store: Path, tmp_path: Path) -> None:
    """It counts from then on; one older still does not."""
    store, registers = copied(sound_store, tmp_path), write_registers(tmp_path / "registers")
    path = register_path(store, "drivers")
    oldest = path.read_bytes()
    ingest([], store, registers=_one_more(registers, "drivers", driver_id="D-eight"))
    older = path.read_bytes()
    ingest([], store, registers=_one_more(write_registers(tmp_path / "then"), "drivers", driver_id="D-nine"))
    path.write_bytes(older)
    assert "an older copy counts from now on" in give_up_part(store, "registers")
    ingest([], store, registers=registers)
    assert "D-eight" in read_register(store, "drivers").column("driver_id").to_pylist()
    assert "D-nine" not in read_register(store, "drivers").column("driver_id").to_pylist()
    path.write_bytes(oldest)
    with pytest.raises(StoreError, match="is an older copy"):
        read_register(store, "drivers")


def test_the_note_goes_back_with_the_register(sound_store: Path, tmp_path: Path) -> None:
    """Only the published file is newer: its copy of the note tells."""
    store, registers = copied(sound_store, tmp_path), write_registers(tmp_path / "registers")
    ingest([], store, registers=registers)
    path = register_path(store, "drivers")
    older, note = path.read_bytes(), (store / REMEMBERED_NAME).read_bytes()
    ingest([], store, registers=_one_more(registers, "drivers", driver_id="D-nine"))
    path.write_bytes(older)
    (store / REMEMBERED_NAME).write_bytes(note)
    with pytest.raises(StoreError, match="Register drivers is an older copy"):
        ingest([sound_store.parent / "later"], store)


def test_what_is_the_same_is_not_written_again(tmp_path: Path) -> None:
    store = tmp_path / "store"
    merge_registers(store, {"drivers": _drivers("D-1", "D-2")})
    path = register_path(store, "drivers")
    before = path.read_bytes()
    merge_registers(store, {"drivers": _drivers("D-2")})
    assert path.read_bytes() == before and written(path) == Written(1, 2)
    write_register(store, "drivers", _drivers("D-2"))
    assert written(path) == Written(2, 1) == remembered(store).registers_written["drivers"]


def test_a_register_of_an_earlier_version_gets_its_number(tmp_path: Path) -> None:
    store = tmp_path / "store"
    merge_registers(store, {"drivers": _drivers("D-1")})
    path = register_path(store, "drivers")
    pq.write_table(pq.read_table(path).replace_schema_metadata(None), path)
    for name in (REMEMBERED_NAME, FORMAT_NAME):
        (store / name).unlink()
    assert written(path) == Written(0, 1)
    assert read_register(store, "drivers").num_rows == 1
    merge_registers(store, {"drivers": _drivers("D-1")})
    assert written(path) == Written(1, 1)


@pytest.mark.parametrize("metadata", [{}, {"fleetbrake.written": "x"}, {"fleetbrake.written": "-3"}])
def test_numbers_that_are_none(tmp_path: Path, metadata: dict[str, str]) -> None:
    path = tmp_path / "one.parquet"
    pq.write_table(_drivers("D-1").replace_schema_metadata(metadata), path)
    assert written(path) == Written(0, 1)
    path.write_bytes(path.read_bytes()[:-9])
    assert written(path) is None and written(tmp_path / "none.parquet") is None


def test_older_rules_of_retention(full_store: Path, tmp_path: Path) -> None:
    """They would drop what the newest keep; the newest put back, or set again, go on."""
    store = copied(full_store, tmp_path)
    path = store / "retention.json"
    older = path.read_bytes()
    longer = RetentionPolicy(positions_and_drivers_months=1199)
    retain(store, longer, publish=False)
    newest = path.read_bytes()
    path.write_bytes(older)
    registers = write_registers(tmp_path / "registers")
    for run in (lambda: ingest([], store, registers=registers), lambda: retain(store, None, publish=False)):
        with pytest.raises(StoreError, match="are an older copy"):
            run()
    found = check_store(store, repair=True)
    assert any("rules of retention" in said for one in found.outcomes for said in one.wrong.all())
    path.write_bytes(newest)
    ingest([], store, registers=registers)
    path.write_bytes(older)
    retain(store, longer, publish=False)
    assert policy(store) == longer
    path.write_bytes(older)
    give_up_part(store, "rules")
    assert policy(store) is None and (next((store / "set-aside").rglob("retention.json"))).read_bytes() == older
    ingest([], store, registers=registers)


def _drivers(*names: str) -> pa.Table:
    rows = [{"driver_id": name} for name in names]
    return pa.Table.from_pylist(rows, schema=pa.schema([("driver_id", pa.string())]))


def test_numbered_changes_no_row() -> None:
    table = _drivers("D-1", "D-2")
    assert numbered(table, 7).equals(table) and set(REGISTERS) >= set(_MORE)

"""What a hold freezes stays as it was read, whatever files, registers, forgetting and lost files do afterwards."""

import json
import shutil
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner
from upkeep_made import DRIVES, asked, drive_file, make_store, write_registers

from fleetbrake.cli import app
from fleetbrake.core.criteria import DEFAULT, Criteria
from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.pipeline import ingest
from fleetbrake.recordings.register_rows import Inspection
from fleetbrake.store.entered import enter, entries
from fleetbrake.store.entered_rows import FindingEntered
from fleetbrake.store.holding.held_files import copy_held
from fleetbrake.store.holding.held_manifest import folder_of, read_manifest
from fleetbrake.store.lake import Lake
from fleetbrake.store.log import read_log
from fleetbrake.upkeep import forget_driver, hold, list_holds, release_hold, retain

WHO = {"reason": "collision", "by": "A. Clerk"}
FINDING = {"inspection_id": "i-1", "vehicle_id": "van-1", "inspected_on": "2026-01-10", "finding": "brake_drag",
           "severity": 3, "wheel": "1L"}  # fmt: skip
OTHER = FINDING | {"inspection_id": "i-2", "vehicle_id": "van-2"}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    make_store(folder, inspections=[FINDING, OTHER])
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    """Store, recordings and registers of one's own; the log knows the recordings where they were made."""
    shutil.copytree(made, tmp_path / "own")
    return tmp_path / "own"


@pytest.fixture
def at_place(made: Path) -> Any:
    """The store and its recordings in place, put back afterwards."""
    kept = made.with_name("kept")
    shutil.copytree(made, kept)
    yield made
    shutil.rmtree(made)
    kept.rename(made)


def _events(store: Path, file: Path) -> Any:
    entry = read_log(store).get(str(file))
    assert entry is not None and entry.key is not None
    return Lake(store).events_of(entry.key)


def _copies(store: Path) -> set[bytes]:
    return {path.read_bytes() for path in folder_of(store, "hold-1").glob("*.parquet")}


def test_rows_of_registers_that_are_held_are_not_overwritten(folder: Path) -> None:
    store = folder / "store"
    hold(store, vehicle_id="van-1", **WHO)
    mild = [FINDING | {"severity": 0, "finding": "none", "wheel": ""}, OTHER | {"severity": 1}]
    new = FINDING | {"inspection_id": "i-3", "severity": 1}
    told = ingest([], store, registers=write_registers(folder / "later", inspections=[*mild, new])).problems
    assert len(told) == 1 and "inspections: 1 row on vehicle van-1" in told[0] and "hold-1" in told[0]
    by_id = "SELECT severity FROM inspections ORDER BY inspection_id"
    assert asked(store, by_id) == [(3,), (1,), (1,)], "others, and new ones of the vehicle, come in"
    release_hold(store, "hold-1", by="B. Clerk", reason="settled")
    assert ingest([], store, registers=folder / "later").problems == []
    assert asked(store, by_id) == [(0,), (1,), (1,)]


def test_a_drivers_hold_does_not_end_by_giving_his_trips_to_another(folder: Path) -> None:
    store = folder / "store"
    hold(store, driver_id="D-two", **WHO)
    trips = folder / "registers" / "trips.csv"
    trips.write_text(trips.read_text().replace("D-two", "D-new"))
    told = ingest([], store, registers=folder / "registers").problems
    assert told and all("trips" in sentence for sentence in told)
    assert asked(store, "SELECT count(*) FROM trips WHERE driver_id = 'D-two'") == [(2,)]


def test_events_that_are_held_are_not_read_anew_and_both_versions_are_copied(at_place: Path) -> None:
    store, recordings = at_place / "store", at_place / "recordings"
    hold(store, vehicle_id="van-1", **WHO)
    file = recordings / "van-1-2025-01-10.parquet"
    before, whole = _events(store, file), file.read_bytes()
    drive_file(recordings, "van-1", "D-else", "2025-01-10", 10.5)
    changed = file.read_bytes()
    told = ingest([recordings], store).problems
    assert len(told) == 1 and file.name in told[0] and "hold-1 keeps" in told[0]
    assert _events(store, file).equals(before) and {whole, changed} < _copies(store)
    otherwise = ingest([recordings], store, criteria=_other_criteria()).problems
    assert len(otherwise) == 2 and "hold-1 keeps" in otherwise[0] and "another way" in otherwise[1], "told each time"
    assert _events(store, file).equals(before)
    file.write_bytes(b"PAR1 and nothing else")
    assert "other bytes" in ingest([file], store).problems[0] and _events(store, file).equals(before)
    drive_file(recordings, "van-1", "D-else", "2025-01-10", 10.5)
    release_hold(store, "hold-1", by="B. Clerk", reason="settled")
    assert ingest([recordings], store).problems == []
    assert _events(store, file).column("driver_id").to_pylist() == ["D-else"]


def _other_criteria() -> Criteria:
    name, value = next((name, value) for name, value in vars(DEFAULT).items() if isinstance(value, float))
    return type(DEFAULT)(**{**vars(DEFAULT), name: value * 1.01})


def test_a_recording_whose_path_named_a_forgotten_driver_is_found_by_its_bytes(tmp_path: Path) -> None:
    store, away = tmp_path / "store", tmp_path / "recordings" / "driver_id=D-one"
    file = drive_file(away, *DRIVES[2])
    ingest([tmp_path / "recordings"], store)
    forget_driver(store, "D-one")
    placed = hold(store, vehicle_id="van-1", **WHO)
    assert placed.copied.files == {"missing": 1} and "--recordings" in placed.sentences[0]
    assert ingest([tmp_path / "recordings"], store).held_copied == 1
    assert _copies(store) == {file.read_bytes()}
    release_hold(store, "hold-1", by="B. Clerk", reason="settled")
    again = hold(store, vehicle_id="van-1", recordings=[tmp_path / "recordings"], **WHO)
    assert again.copied.files == {"copied": 1} and again.sentences == []


def test_a_copy_that_is_gone_or_damaged_is_made_again_or_told(at_place: Path) -> None:
    store = at_place / "store"
    hold(store, vehicle_id="van-2", **WHO)
    first, second = sorted(folder_of(store, "hold-1").glob("*.parquet"))
    whole = _copies(store)
    first.unlink()
    second.chmod(0o640)
    second.write_bytes(second.read_bytes()[:-1])
    assert list_holds(store)[0].files == {"damaged": 2} and len(list_holds(store)[0].damaged) == 2
    assert copy_held(store)[0].files == {"copied": 2} and _copies(store) == whole
    for original in (at_place / "recordings").glob("van-2-*"):
        original.unlink()
    first.unlink()
    told = copy_held(store)[0]
    assert told.files == {"copied": 1, "damaged": 1} and "gone or damaged" in told.sentences[0]
    assert copy_held(store)[0].files == told.files, "and is told again"


def test_every_copy_is_read_now_and_then(at_place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A byte that changed leaves the size as it was."""
    monkeypatch.setattr("fleetbrake.store.holding.held_files.READ_AGAIN_D", 1)
    store = at_place / "store"
    hold(store, vehicle_id="van-2", **WHO)
    copy = next(folder_of(store, "hold-1").glob("*.parquet"))
    whole = copy.read_bytes()
    copy.chmod(0o640)
    copy.write_bytes(b"X" + whole[1:])
    assert copy_held(store)[0].files == {"copied": 2} and copy.read_bytes() == whole


def test_without_the_list_of_holds_nothing_is_dropped_read_or_released(folder: Path) -> None:
    store = folder / "store"
    hold(store, vehicle_id="van-1", **WHO)
    manifest = json.loads((folder_of(store, "hold-1") / "manifest.json").read_text())
    assert manifest["hold"]["vehicle_id"] == "van-1" and manifest["hold"]["reason"] == "collision"
    assert read_manifest(store, "hold-1").hold == manifest["hold"]
    kept = (store / "holds.json").read_bytes()
    (store / "holds.json").unlink()
    for work in (
        lambda: retain(store),
        lambda: forget_driver(store, "D-one"),
        lambda: release_hold(store, "hold-1", by="B", reason="settled"),
        lambda: hold(store, vehicle_id="van-2", **WHO),
        lambda: ingest([], store, registers=folder / "registers"),
    ):
        with pytest.raises(StoreError, match="lack hold-1"):
            work()
    (store / "holds.json").write_text(json.dumps([manifest["hold"]]))  # as the sentence says
    assert list_holds(store)[0].hold.vehicle_id == "van-1"
    assert json.loads(kept) == [manifest["hold"]]


def test_what_was_entered_on_a_held_vehicle_stays_and_is_shown_without_the_forgotten(folder: Path) -> None:
    store = folder / "store"
    for vehicle in ("van-1", "van-2"):
        row = Inspection(**{**FINDING, "inspection_id": "typed", "vehicle_id": vehicle, "note": "driver D-one says so"})
        enter(store, "A. Mechanic", vehicle, FindingEntered(row=row))
    hold(store, vehicle_id="van-1", **WHO)
    done = forget_driver(store, "D-one")
    assert done.erased.changed["entries of people"] == 1 and not [one for one in done.remains if "entered" in one.file]
    assert any(one.file == "entered.sqlite" for one in done.held_places)
    assert (store / "entered.sqlite").read_bytes().count(b"D-one") == 1
    assert not any("D-one" in entry.body.model_dump_json() for entry in entries(store)), "kept, and shown nowhere"
    release_hold(store, "hold-1", by="B. Clerk", reason="settled")
    assert b"D-one" not in (store / "entered.sqlite").read_bytes()
    assert len(entries(store)) == 2


def test_a_hold_on_what_nobody_knows_is_refused(folder: Path) -> None:
    store = folder / "store"
    with pytest.raises(InputError, match="Perhaps D-one"):
        hold(store, driver_id="d-One", **WHO)
    with pytest.raises(InputError, match="Nothing is held"):
        hold(store, vehicle_id="lorry", **WHO)
    assert list_holds(store) == [] and hold(store, vehicle_id="lorry", anyway=True, **WHO).sentences


def test_a_day_to_come_is_refused_and_changes_nothing(folder: Path) -> None:
    store = folder / "store"
    told = CliRunner().invoke(app, ["retain", "--store", str(store), "--months", "13", "--today", "2090-03-31"])
    assert told.exit_code == 2 and "yet to come" in told.output
    assert not (store / "retention.json").exists()
    assert pq.read_table(store / "registers" / "trips.parquet").column("driver_id").null_count == 0

"""Parts of a store put back from an older copy, lost with what noted them, or damaged: told, or set right.

What was given up goes on afterwards: each test ends with a command that was refused before.
"""

import json
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from check_made import FORGOTTEN, copied
from check_told import wrong_of
from everywhere import places_of
from upkeep_made import write_registers

from fleetbrake.core.errors import StoreError
from fleetbrake.pipeline import ingest, score
from fleetbrake.recordings.register_rows import Inspection
from fleetbrake.reports.aliases import aliases
from fleetbrake.store.database import rebuilding
from fleetbrake.store.entered import entries
from fleetbrake.store.findings import enter_finding
from fleetbrake.store.forgetting.tombstones import read_tombstones
from fleetbrake.store.holding.held_manifest import read_manifest, write_manifest
from fleetbrake.store.holding.holds import all_holds
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.registers import read_register
from fleetbrake.store.remembered import REMEMBERED_NAME, give_up, remembered
from fleetbrake.upkeep import forget_driver, hold
from fleetbrake.upkeep.check import check_store
from fleetbrake.upkeep.check.given_up import give_up_part


def _put_back(of: Path, store: Path, *names: str) -> None:
    """Put the older copy's files and folders in place; what it lacks goes."""
    for name in names:
        target, source = store / name, of / name
        if target.is_dir():
            shutil.rmtree(target)
        target.unlink(missing_ok=True)
        if source.is_dir():
            shutil.copytree(source, target)
        elif source.exists():
            shutil.copy2(source, target)


def _refresh(store: Path) -> None:
    with rebuilding(store):
        pass


def test_the_note_goes_back_with_what_it_notes(full_store: Path, sound_store: Path, tmp_path: Path) -> None:
    """Only the published file is newer: its copy of the note tells."""
    store = copied(full_store, tmp_path)
    _refresh(store)
    _put_back(sound_store, store, "forgotten.json", "forgotten.key", REMEMBERED_NAME)
    with pytest.raises(StoreError, match="1 drivers were forgotten here of whom"):
        ingest([sound_store.parent / "first"], store)
    assert places_of(store / "lake", FORGOTTEN) == []
    _put_back(full_store, store, "forgotten.json", "forgotten.key")
    _put_back(sound_store, store, "holds.json", "held", REMEMBERED_NAME)
    with pytest.raises(StoreError, match="lack 1 that were placed"):
        ingest([sound_store.parent / "first"], store)


def test_what_was_given_up_does_not_come_back_with_a_copy_of_the_note(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    _refresh(store)
    before = (store / REMEMBERED_NAME).read_bytes()
    with writer_lock(store, "test"):
        (store / "holds.json").unlink()
        shutil.rmtree(store / "held")
        give_up(store, "holds")
    with writer_lock(store, "test"):  # the published copy is the older one
        assert remembered(store).holds == 0 and remembered(store).forgotten == 1
    _refresh(store)
    (store / REMEMBERED_NAME).write_bytes(before)
    with writer_lock(store, "test"):  # now the note is
        assert remembered(store).holds == 0 and remembered(store).forgotten == 1
    assert all_holds(store) == []


def test_an_older_published_file_shows_no_forgotten_driver_for_long(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    forget_driver(store, FORGOTTEN)
    _put_back(sound_store, store, "fleet.duckdb")
    assert places_of(store, FORGOTTEN) != []
    score(store)
    assert places_of(store, FORGOTTEN) == []


def test_entries_are_lost_with_the_published_file(full_store: Path, sound_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    seen = Inspection(
        inspection_id="", vehicle_id="van-2", inspected_on=date(2026, 3, 23), finding="none", severity=0, wheel=None
    )
    enter_finding(store, "inspector", [seen])
    score(store)
    now = (store / "entered.sqlite").read_bytes()
    _put_back(full_store, store, "entered.sqlite", "fleet.duckdb")  # both older
    with pytest.raises(StoreError, match="of the publishing number"):
        score(store)
    give_up_part(store, "scores")
    with pytest.raises(StoreError, match="Entries up to number 2 were kept, and 1 is the last"):
        score(store)
    (store / "entered.sqlite").unlink()
    (store / "fleet.duckdb").unlink()
    told = wrong_of(store, "entries")
    assert len(told) == 1 and "0 is the last that is there" in told[0], told
    give_up_part(store, "scores")
    with pytest.raises(StoreError, match="Entries up to number 2"):
        ingest([sound_store.parent / "first"], store)
    (store / "entered.sqlite").write_bytes(now)
    ingest([sound_store.parent / "first"], store)
    (store / "entered.sqlite").unlink()
    (store / "fleet.duckdb").unlink()
    give_up_part(store, "entries")
    ingest([sound_store.parent / "first"], store)
    assert entries(store) == [] and remembered(store).entries == 0


def _gone(path: Path) -> None:
    path.unlink()


def _short(path: Path) -> None:
    content = path.read_bytes()
    path.unlink()
    path.write_bytes(content[: len(content) // 2])


_DAMAGES = [
    ("forgotten", "forgotten.json", _gone),
    ("forgotten", "forgotten.json", _short),
    ("forgotten", "forgotten.key", _gone),
    ("forgotten", "forgotten.key", _short),
    ("holds", "holds.json", _gone),
    ("holds", "holds.json", _short),
    ("rules", "retention.json", _short),
    ("dropped", "dropped.parquet", _short),
    ("registers", "registers/trips.parquet", _short),
    ("entries", "entered.sqlite", _short),
]


@pytest.mark.parametrize(("part", "name", "damage"), _DAMAGES)
def test_what_cannot_be_read_is_given_up_whole(
    full_store: Path, sound_store: Path, tmp_path: Path, part: str, name: str, damage: Callable[[Path], None]
) -> None:
    """Runs are refused, its files go aside, and runs go on."""
    store = copied(full_store, tmp_path)
    if part == "holds":  # copies that do not tell their hold: an earlier version's
        _without_hold(store)
    damage(store / name)
    beside = sound_store.parent

    def run() -> None:
        ingest([beside / "first"], store, registers=beside / "registers" if part == "dropped" else None)

    with pytest.raises(StoreError):
        run()
    give_up_part(store, part)
    run()
    aside = {path.name for path in (store / "set-aside").rglob("*") if path.is_file()}
    partners = {"forgotten.json", "forgotten.key"} if part == "forgotten" else {Path(name).name}
    assert partners - ({Path(name).name} if damage is _gone else set()) <= aside
    assert len(read_tombstones(store).stones) == (part != "forgotten")


def _without_hold(store: Path) -> None:
    manifest = read_manifest(store, "hold-1")
    manifest.hold = {}
    write_manifest(store, manifest)


def test_a_damaged_key_of_aliases(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    _short(store / "driver-aliases.key")
    with pytest.raises(StoreError):
        aliases(store)
    give_up_part(store, "aliases")
    assert aliases(store) is not None


@pytest.mark.parametrize("damage", [_gone, _short])
def test_holds_are_made_again_from_their_copies(
    full_store: Path, tmp_path: Path, damage: Callable[[Path], None]
) -> None:
    store = copied(full_store, tmp_path)
    before = all_holds(store)
    damage(store / "holds.json")
    with pytest.raises(StoreError):
        all_holds(store)
    done = check_store(store, repair=True)
    assert all_holds(store) == before and "hold-1" in done.mended[0]


def test_an_older_list_of_holds_over_newer_copies(full_store: Path, tmp_path: Path) -> None:
    """The newer hold is made again; one that its copies do not tell goes aside with them, and its number stays its."""
    store = copied(full_store, tmp_path)
    older = (store / "holds.json").read_bytes()
    hold(store, reason="claim", by="clerk", vehicle_id="van-2")
    both = all_holds(store)
    (store / "holds.json").write_bytes(older)
    check_store(store, repair=True)
    assert all_holds(store) == both
    (store / "holds.json").write_text(json.dumps(json.loads((store / "holds.json").read_text())[1:]))
    _without_hold(store)
    with pytest.raises(StoreError, match="lack hold-1"):
        ingest([], store, registers=write_registers(tmp_path / "registers"))
    give_up_part(store, "holds")
    assert [one.hold_id for one in all_holds(store)] == ["hold-2"]
    assert list((store / "set-aside").rglob("hold-1/manifest.json")) and not (store / "held" / "hold-1").exists()
    assert hold(store, reason="claim", by="clerk", vehicle_id="van-1").hold.hold_id == "hold-3"


def test_trips_are_lost_while_a_hold_stands(full_store: Path, sound_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    before = read_register(store, "trips")
    (store / "registers" / "trips.parquet").unlink()
    part = write_registers(tmp_path / "part")
    lines = (part / "trips.csv").read_text().splitlines()
    (part / "trips.csv").write_text("\n".join(lines[:2]) + "\n")
    with pytest.raises(StoreError, match="of its rows"):
        ingest([], store, registers=part)
    ingest([], store, registers=sound_store.parent / "registers")
    assert read_register(store, "trips").equals(before)

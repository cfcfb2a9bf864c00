"""After retention, forgetting and holds, what is new is published as if all were; rows in blocks are reached too."""

import shutil
from pathlib import Path

import pytest
from upkeep_made import DRIVES, TODAY, asked, bytes_hold, drive_file, everything, make_store

from fleetbrake.pipeline import ingest
from fleetbrake.store import lake as lake_module
from fleetbrake.store.ageing.retention import RetentionPolicy
from fleetbrake.store.database import reading, rebuilding
from fleetbrake.store.publish import publish_recordings
from fleetbrake.upkeep import forget_driver, hold, release_hold, retain


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Store, recordings and registers; every piece is in a block."""
    monkeypatch.setattr(lake_module, "FOLD_FROM", 2)
    monkeypatch.setattr(lake_module, "BLOCK_PIECES", 3)
    make_store(tmp_path)
    assert not list((tmp_path / "store" / "lake" / "events").iterdir())
    return tmp_path


def new_file(folder: Path, day: str, driver: str = "D-one") -> None:
    """A night with one more file."""
    drive_file(folder / "recordings", "van-1", driver, day, 48.9)
    ingest([folder / "recordings"], folder / "store", registers=folder / "registers")


def rows(store: Path) -> dict[str, list[str]]:
    """Rows of every table in order, but for what only says how they came about."""
    with reading(store) as con:
        names = [row[0] for row in con.execute("SHOW TABLES").fetchall()]
        shown = [name for name in names if name != "settings" and not name.startswith("publishing_")]
        return {name: sorted(map(repr, con.execute(f'FROM "{name}"').fetchall())) for name in shown}


def as_if_anew(store: Path, beside: Path) -> None:
    """The published rows are those that publishing everything gives."""
    shutil.copytree(store, beside)
    with rebuilding(beside) as con:
        publish_recordings(con, beside, anew=True)
    found, wanted = rows(store), rows(beside)
    for name, content in wanted.items():
        assert found[name] == content, name
    shutil.rmtree(beside)


def test_new_files_after_retention_forgetting_and_holds(folder: Path) -> None:
    store, beside = folder / "store", folder / "beside"
    retain(store, RetentionPolicy(), TODAY)
    assert not bytes_hold(store, DRIVES[0][3]), "the place of an old drive is in no block"
    as_if_anew(store, beside)
    new_file(folder, "2026-03-21")
    as_if_anew(store, beside)
    hold(store, vehicle_id="van-2", reason="collision", by="A. Clerk")
    new_file(folder, "2026-03-22")
    as_if_anew(store, beside)
    told = forget_driver(store, "D-two")
    assert told.held and ["D-two"] not in [list(row) for row in asked(store, "SELECT DISTINCT driver_id FROM events")]
    new_file(folder, "2026-03-23")
    as_if_anew(store, beside)
    release_hold(store, "hold-1", by="B. Clerk", reason="settled")
    new_file(folder, "2026-03-24")
    as_if_anew(store, beside)
    kept = {name for name, content in everything(store).items() if b"D-two" in content}
    assert not {name for name in kept if name.startswith(("lake", "fleet"))}
    assert len(asked(store, "FROM events")) == len(DRIVES) + 4

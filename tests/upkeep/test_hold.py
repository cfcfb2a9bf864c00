"""Recordings of a hold are copied byte for byte, whatever becomes of the originals, and go with the last hold."""

import json
import shutil
import stat
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner
from upkeep_made import DRIVES, TODAY, asked, drive_file, everything, make_store, values_of

from fleetbrake.cli import app
from fleetbrake.core.errors import InputError
from fleetbrake.pipeline import ingest
from fleetbrake.store.holding.held_files import copy_held
from fleetbrake.store.holding.held_manifest import folder_of, read_manifest
from fleetbrake.store.holding.hold_ends import released
from fleetbrake.store.log import read_log
from fleetbrake.upkeep import RetentionPolicy, forget_driver, hold, list_holds, release_hold, retain
from fleetbrake.upkeep.holds import moment

WHO = {"reason": "collision", "by": "A. Clerk"}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Recordings that nobody changes, and the store of them, which is copied."""
    folder = tmp_path_factory.mktemp("made")
    make_store(folder)
    return folder


@pytest.fixture
def store(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made / "store", tmp_path / "store")
    return tmp_path / "store"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Recordings of one's own, to be changed, and their store."""
    make_store(tmp_path)
    return tmp_path


def _copies(store: Path, hold_id: str = "hold-1") -> dict[str, bytes]:
    """Name of the original -> bytes of its copy."""
    files = [item for item in read_manifest(store, hold_id).files if item.copy is not None]
    return {Path(item.path).name: (folder_of(store, hold_id) / str(item.copy)).read_bytes() for item in files}


def _states(store: Path, hold_id: str = "hold-1") -> dict[str, str]:
    return {Path(item.path).name: item.state for item in read_manifest(store, hold_id).files}


def test_copies_are_the_very_bytes_read_only_and_listed_with_where_they_came_from(made: Path, store: Path) -> None:
    done = hold(store, vehicle_id="van-1", **WHO)
    originals = {path.name: path.read_bytes() for path in (made / "recordings").glob("van-1-*")}
    assert _copies(store) == originals and len(originals) == 2
    assert done.copied.files == {"copied": 2} and done.sentences == []
    logged = {entry.path: entry.sha256 for entry in read_log(store)}
    for item in json.loads((folder_of(store, "hold-1") / "manifest.json").read_text())["files"]:
        copy = folder_of(store, "hold-1") / item["copy"]
        assert item["sha256"] == sha256(copy.read_bytes()).hexdigest() == logged[item["path"]]
        assert item["size"] == copy.stat().st_size
        assert stat.S_IMODE(copy.stat().st_mode) == 0o440


def test_which_recordings_are_copied(store: Path) -> None:
    cases: list[tuple[dict[str, Any], list[str]]] = [
        ({"driver_id": "D-two"}, ["van-2-2025-02-27", "van-2-2026-03-20"]),  # of one by the trip alone
        ({"driver_id": "D-two", "to_at": moment("2025-12-31", ends=True)}, ["van-2-2025-02-27"]),
        (
            {"from_at": moment("2025-02-27"), "to_at": moment("2025-02-28", ends=True)},
            ["van-1-2025-02-28", "van-2-2025-02-27"],
        ),
        ({"vehicle_id": "van-2", "driver_id": "D-one"}, []),
    ]
    for what, days in cases:
        placed = hold(store, **what, **WHO).hold
        assert sorted(_copies(store, placed.hold_id)) == [f"{day}.parquet" for day in days], placed.what


def test_files_without_events_are_found_by_what_they_hold_and_unreadable_ones_by_their_path(store: Path) -> None:
    """No brake application in the one, nothing that can be read in the other: both belong to the vehicle."""
    more = store.parent / "more"
    (more / "vehicle_id=van-1").mkdir(parents=True)
    steady = {
        "vehicle_id": ["van-1"] * 200,
        "timestamp": pa.array(np.arange(200) * 100_000 + 1_740_000_000_000_000, pa.timestamp("us", tz="UTC")),
        "speed_mps": np.full(200, 20.0),
        "brake_pedal_pct": np.zeros(200),
    }
    pq.write_table(pa.table(steady), more / "steady.parquet")
    pq.write_table(pa.table(steady | {"vehicle_id": ["van-2"] * 200}), more / "other.parquet")
    (more / "vehicle_id=van-1" / "broken.parquet").write_bytes(b"PAR1 and nothing else")
    (more / "broken-too.parquet").write_bytes(b"PAR1 and nothing at all")
    ingest([more], store)
    hold(store, vehicle_id="van-1", **WHO)
    drives = {f"van-1-{day}.parquet" for _, _, day, _ in DRIVES}
    assert {"steady.parquet", "broken.parquet"} == set(_copies(store)) - drives


def test_columns_of_other_names_are_read_through_their_mapping(tmp_path: Path) -> None:
    store, mapping = tmp_path / "store", tmp_path / "mapping.toml"
    mapping.write_text(
        '[columns]\nvehicle_id = { source = "unit" }\ndriver_id = { source = "who" }\n'
        'timestamp = { source = "timestamp" }\nspeed_mps = { source = "v", unit = "km/h" }\n'
    )
    (tmp_path / "in").mkdir()
    for who in ("D-one", "D-two"):
        stamps = pa.array(np.arange(200) * 100_000 + 1_740_000_000_000_000, pa.timestamp("us", tz="UTC"))
        table = pa.table({"unit": ["van-1"] * 200, "who": [who] * 200, "timestamp": stamps, "v": np.full(200, 60.0)})
        pq.write_table(table, tmp_path / "in" / f"{who}.parquet")
    ingest([tmp_path / "in"], store, mapping=str(mapping))
    hold(store, driver_id="D-one", anyway=True, **WHO)
    assert list(_copies(store)) == ["D-one.parquet"]


def test_what_is_missing_or_changed_is_told_and_tried_again(folder: Path) -> None:
    store, recordings = folder / "store", folder / "recordings"
    gone, changed = (recordings / f"van-1-{day}.parquet" for day in ("2025-01-10", "2025-02-28"))
    whole = gone.read_bytes()
    gone.unlink()
    changed.write_bytes(changed.read_bytes() + b"x")
    done = hold(store, vehicle_id="van-1", **WHO)
    assert _states(store) == {gone.name: "missing", changed.name: "changed"}
    assert len(done.sentences) == 2 and str(gone) in " ".join(done.sentences)
    assert _copies(store) == {changed.name: changed.read_bytes()}
    gone.write_bytes(whole)
    drive_file(recordings, "van-1", "D-one", "2026-03-25", 48.5)  # and one that arrives later
    summary = ingest([recordings], store)
    assert summary.held_copied >= 2
    assert _copies(store)["van-1-2026-03-25.parquet"] == (recordings / "van-1-2026-03-25.parquet").read_bytes()
    assert _copies(store)[gone.name] == whole and _states(store)[gone.name] == "copied"
    drive_file(recordings, "van-2", "D-two", "2026-03-26", 48.5)
    assert ingest([recordings], store).held_copied == 0, "what is no part of it is not copied"


def test_a_copy_outlives_its_original_and_is_never_replaced_by_other_bytes(folder: Path) -> None:
    store = folder / "store"
    original = folder / "recordings" / "van-1-2025-01-10.parquet"
    whole = original.read_bytes()
    hold(store, vehicle_id="van-1", to_at=moment("2025-01-31"), **WHO)
    original.write_bytes(b"PAR1 overwritten")
    ingest([folder / "recordings"], store)
    assert whole in {path.read_bytes() for path in folder_of(store, "hold-1").glob("*.parquet")}
    original.unlink()
    copy_held(store)
    assert whole in {path.read_bytes() for path in folder_of(store, "hold-1").glob("*.parquet")}


def test_too_little_room_is_told_and_freezes_all_the_same(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fleetbrake.store.holding.held_files.ROOM_LEFT", 1 << 62)
    done = hold(store, vehicle_id="van-1", **WHO)
    assert done.copied.files == {"no_room": 2} and not list(folder_of(store, "hold-1").glob("*.parquet"))
    assert retain(store, RetentionPolicy(), TODAY).held["hold-1"] == {"events": 1, "trips": 1}
    monkeypatch.undo()
    assert copy_held(store)[0].new == 2


def test_two_holds_have_copies_of_their_own(store: Path) -> None:
    hold(store, vehicle_id="van-1", **WHO)
    hold(store, driver_id="D-one", **WHO)
    assert _copies(store) == _copies(store, "hold-2")
    done = release_hold(store, "hold-1", by="B. Clerk", reason="settled")
    assert (done.removed, done.kept_by_others) == (2, 2)
    assert not folder_of(store, "hold-1").exists() and len(_copies(store, "hold-2")) == 2
    assert release_hold(store, "hold-2", by="B. Clerk", reason="settled").removed == 2
    assert not (store / "held").exists()
    with pytest.raises(InputError, match="already"):
        release_hold(store, "hold-2", by="B. Clerk", reason="settled")


def test_a_copy_that_was_touched_is_told(store: Path) -> None:
    hold(store, vehicle_id="van-1", **WHO)
    copy = next(folder_of(store, "hold-1").glob("*.parquet"))
    copy.chmod(0o640)
    copy.write_bytes(b"PAR1 touched")
    assert len(list_holds(store)[0].damaged) == 1
    told = CliRunner().invoke(app, ["holds", "--store", str(store), "--json"])
    assert told.exit_code == 1 and len(json.loads(told.stdout.splitlines()[-1])["holds"][0]["damaged_copies"]) == 1


def test_the_commands_place_list_and_release(store: Path) -> None:
    at, run = str(store), CliRunner()
    who = ["--by", "A. Clerk\x1b[2J", "--reason", "collision [bold]"]
    what = ["hold", "--store", at, "--vehicle", "Van-12", "--to", "2026-01-31", *who]
    refused = run.invoke(app, what)
    assert (
        refused.exit_code == 2
        and "van-1" in refused.output
        and "There are no" in run.invoke(app, ["holds", "--store", at]).output
    )
    placed = run.invoke(app, [*what, "--anyway"])
    assert placed.exit_code == 0, placed.output
    assert "Nothing in the store names vehicle Van-12 yet" in placed.output
    assert "until 2026-02-01 00:00 UTC" in placed.output
    listed = run.invoke(app, ["holds", "--store", at])
    assert "collision [bold]" in listed.output and "\x1b[2J" not in listed.output
    kept = ["--by", "B. Clerk", "--reason", "settled", "--json"]
    ended = run.invoke(app, ["release-hold", "hold-1", "--store", at, *kept])
    assert ended.exit_code == 0 and json.loads(ended.stdout.splitlines()[-1])["hold"]["released_by"] == "B. Clerk"
    for wrong in (["hold", "--store", at, *who], ["hold", "--store", at, "--from", "yesterday", *who]):
        assert run.invoke(app, wrong).exit_code == 2


def test_a_forgotten_driver_stays_frozen_until_the_release_and_is_never_shown(made: Path, store: Path) -> None:
    hold(store, driver_id="D-one", **WHO)
    forget_driver(store, "D-one")
    assert asked(store, "SELECT count(*) FROM events WHERE driver_id = 'D-one'") == [(0,)]
    originals = {path.name: path.read_bytes() for path in (made / "recordings").glob("van-1-*")}
    assert _copies(store) == originals and "D-one" in values_of(store)
    retain(store, RetentionPolicy(), TODAY)
    assert "D-one" in values_of(store), "held rows are not aged either"
    release_hold(store, "hold-1", by="B. Clerk", reason="settled", today=TODAY)
    assert "D-one" not in values_of(store)
    assert not any(b"D-one" in content for content in everything(store).values())
    assert not (store / "held").exists()


def test_a_release_that_was_killed_is_completed(store: Path) -> None:
    hold(store, vehicle_id="van-1", **WHO)
    released(store, "hold-1", by="B. Clerk", reason="settled")
    assert folder_of(store, "hold-1").is_dir()
    assert copy_held(store) == [] and not (store / "held").exists()


def test_copies_may_stay_after_the_release(store: Path) -> None:
    hold(store, vehicle_id="van-1", **WHO)
    release_hold(store, "hold-1", by="B. Clerk", reason="handed over", keep_copies=True)
    assert copy_held(store) == [] and len(_copies(store)) == 2

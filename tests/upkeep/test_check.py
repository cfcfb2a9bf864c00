"""A sound store is told to be sound; whatever happens to one of its parts is found, by the check of that part."""

import json
import random
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterable
from contextlib import suppress
from datetime import date
from pathlib import Path

import pyarrow.parquet as pq
from check_damages import (
    CHANGED,
    DATABASE,
    FORGOTTEN_SHOWN,
    INDEX,
    KEPT,
    LOG,
    PIECES,
    RECOUNT,
    TABLES,
    Damage,
    files_of,
    flip,
    unpublished,
)
from check_made import copied
from typer.testing import CliRunner
from upkeep_made import everything

from fleetbrake.cli import app
from fleetbrake.core.errors import StoreError
from fleetbrake.recordings.register_rows import Inspection
from fleetbrake.store.arrow import read_parquet
from fleetbrake.store.findings import enter_finding
from fleetbrake.store.lake import EVENTS_SCHEMA, WHEELS_SCHEMA
from fleetbrake.store.lake_blocks import INDEX_SCHEMA
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.log import LOG_SCHEMA
from fleetbrake.upkeep.check import Checked, check_store
from fleetbrake.upkeep.check import outcome as outcomes
from fleetbrake.upkeep.check.log_and_index import broken_seal, check_index, check_log
from fleetbrake.upkeep.check.outcome import Outcome
from fleetbrake.upkeep.check.pieces import check_pieces


def _wrong(found: Checked) -> list[tuple[str, str]]:
    return [(one.name, sentence) for one in found.outcomes for sentence in one.wrong.all()]


def _found(store: Path, damages: Iterable[Damage]) -> None:
    """Do all of it, and see that each damage is told once, by its check, and nothing else is told."""
    listed = list(damages)
    for damage in listed:
        damage.do(store)
    told = _wrong(check_store(store))
    for check, sentence in told:
        assert [one for one in listed if one.check == check and one.sentence in sentence], (check, sentence)
    for damage, times in Counter((one.check, one.sentence) for one in listed).items():
        hits = [sentence for check, sentence in told if check == damage[0] and damage[1] in sentence]
        assert len(hits) == times, (damage, told)
    assert len(told) == len(listed), told


def test_a_sound_store(sound_store: Path, full_store: Path, tmp_path: Path) -> None:
    for number, one in enumerate((sound_store, full_store)):
        store = copied(one, tmp_path / str(number))
        before = everything(store)
        done = CliRunner().invoke(app, ["check", "--store", str(store), "--json", "--recordings"])
        assert done.exit_code == 0, done.output
        assert "it says nothing about any brake" in done.output
        facts = json.loads(done.stdout.strip().splitlines()[-1])
        assert facts["sound"] and facts["status"] == 0 and facts["after"] is None
        assert not [sentence for check in facts["checks"] for sentence in check["wrong"]]
        seen = {check["check"]: check["looked_at"] for check in facts["checks"]}
        assert seen["pieces"].startswith("9 pieces") and "row for row" in seen["recount"]
        assert all(seen.values()), seen
        assert everything(store) == before  # verifying changes nothing


def test_no_store_and_a_busy_one(sound_store: Path, tmp_path: Path) -> None:
    none = CliRunner().invoke(app, ["check", "--store", str(tmp_path / "none"), "--json"])
    assert none.exit_code == 2 and "there is no store here" in none.output and not (tmp_path / "none").exists()


def test_what_is_kept_besides_the_lake(full_store: Path, tmp_path: Path) -> None:
    for number in range(max(map(len, KEPT.values()))):  # one damage of each part at a time
        _found(copied(full_store, tmp_path), [one[number] for one in KEPT.values() if number < len(one)])


def test_lake_and_published_file(sound_store: Path, tmp_path: Path) -> None:
    for damage in (LOG[0], INDEX[0], *DATABASE):
        _found(copied(sound_store, tmp_path), [damage])
    for together in (*PIECES, TABLES, (*RECOUNT, *CHANGED)):
        _found(copied(sound_store, tmp_path), together)
    _found(copied(sound_store, tmp_path), [Damage("published", "is not what was published", unpublished)])


def test_who_was_forgotten_is_told(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    FORGOTTEN_SHOWN(store)
    told = _wrong(check_store(store))
    assert ("forgotten", "Table driver_style shows 1 drivers who were forgotten.") in told
    assert {check for check, _ in told} <= {"forgotten", "tables"}  # coaching has no such driver then


def test_left_overs_are_told_and_are_no_fault(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    for name in (
        ".rebuilding-1-ab.duckdb",
        "lake/.log.parquet.1.ab.part",
        "arriving/ab/run",
        "lake/unfinished",
        "driver-aliases.key.01234567",
    ):
        (store / name).parent.mkdir(parents=True, exist_ok=True)
        (store / name).write_bytes(b"left")
    (store / "lake" / "events" / f"{'a' * 32}.parquet").write_bytes(b"half")
    (store / "my notes.txt").write_text("mine")
    for path in files_of(store, "wheels-0"):  # of no file that the log names
        shutil.copy(path, path.with_name(f"{'b' * 32}.parquet"))
    found = check_store(store)
    notes = " ".join(sentence for one in found.outcomes for sentence in one.notes.all())
    assert found.sound and not _wrong(found)
    for part in (
        "4 files that runs left",
        "my notes.txt: no part of the program knows",
        "1 halves",
        "1 pieces that the log does not",
    ):
        assert part in notes, notes
    mended = check_store(store, repair=True)
    assert mended.after is not None and mended.after.sound and not mended.after.to_tidy
    assert (store / "my notes.txt").is_file() and not (store / "arriving").exists()
    left = set(everything(store)) - set(everything(sound_store))
    assert left == {"my notes.txt"}


def test_a_bit_that_flips_anywhere_in_the_lake_is_found(sound_store: Path, tmp_path: Path) -> None:
    """Every file of the lake, seeded places in it and both ends: the seal tells, whatever the bit was; and the check of
    the whole lake does what the seal says."""
    store = copied(sound_store, tmp_path)
    missed = []
    for path in sorted((store / "lake").rglob("*.parquet")):
        content = path.read_bytes()
        ends = [*range(16), *range(len(content) - 64, len(content))]
        places = [*random.Random(path.name).sample(range(len(content)), 60), *ends]
        for seed, place in enumerate(places):
            flip(path, seed, place=place)
            if broken_seal(path) is None or (seed == 0 and not _lake_wrong(store)):
                missed.append((path.name, place, seed))
            path.write_bytes(content)
    assert not missed
    assert not _lake_wrong(store)


def _lake_wrong(store: Path) -> list[tuple[str, str]]:
    """What the checks of the lake alone tell."""
    outs, damage = {name: Outcome(name) for name in ("log", "index", "pieces")}, outcomes.Damage()
    log = check_log(store, outs["log"], damage)
    index = check_index(store, log, outs["index"], damage)
    if log is not None and index is not None:
        check_pieces(store, log, index, outs["pieces"], damage)
    return [(name, sentence) for name, one in outs.items() for sentence in one.wrong.all()]


def test_log_and_index(sound_store: Path, tmp_path: Path) -> None:
    for damage in (*LOG, *INDEX):
        store = copied(sound_store, tmp_path)
        damage.do(store)
        ((check, sentence),) = _lake_wrong(store)
        assert check == damage.check and damage.sentence in sentence, (damage, check, sentence)


def test_files_of_before_there_were_seals(sound_store: Path, tmp_path: Path) -> None:
    """They are told once, are no fault, and what is cut off them is found all the same."""
    store = copied(sound_store, tmp_path)
    for path in (store / "lake").rglob("*.parquet"):
        pq.write_table(pq.read_table(path), path)
    outs, damage = {name: Outcome(name) for name in ("log", "index", "pieces")}, outcomes.Damage()
    log = check_log(store, outs["log"], damage)
    index = check_index(store, log, outs["index"], damage)
    assert log is not None and index is not None
    check_pieces(store, log, index, outs["pieces"], damage)
    assert [one.notes.count for one in outs.values()] == [1, 1, 1] and not any(one.wrong.count for one in outs.values())
    path = files_of(store, "wheels-0")[1]
    path.write_bytes(path.read_bytes()[:-30])
    assert [check for check, _ in _lake_wrong(store)] == ["pieces"]


def test_ordinary_reads_refuse_a_flipped_page_or_footer(sound_store: Path, tmp_path: Path) -> None:
    """What a read lets pass gives the very rows that were written: no value, no column is lost in silence."""
    store = copied(sound_store, tmp_path)
    files = [
        (log := store / "lake" / "log.parquet", LOG_SCHEMA),
        (store / "lake" / "blocks.parquet", INDEX_SCHEMA),
        *zip(files_of(store, "wheels-0"), (EVENTS_SCHEMA, WHEELS_SCHEMA), strict=True),
    ]
    assert log.is_file()
    for path, schema in files:
        content, right = path.read_bytes(), read_parquet(path, schema, "rows")
        for seed in range(150):
            place = flip(path, seed)
            with suppress(StoreError):
                assert read_parquet(path, schema, "rows").equals(right), (path.name, place)
            path.write_bytes(content)


def test_while_another_run_writes(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    with writer_lock(store, "ingest"):
        other = subprocess.run(
            [sys.executable, "-m", "fleetbrake.cli", "check", "--store", str(store)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
    assert other.returncode == 2 and "is being written by 'ingest'" in other.stderr


def test_rows_that_people_enter_later_are_no_difference(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    later = Inspection(
        inspection_id="", vehicle_id="van-2", inspected_on=date(2026, 3, 23), finding="none", severity=0, wheel=None
    )
    enter_finding(store, "inspector", [later])
    found = check_store(store)
    assert found.sound, _wrong(found)

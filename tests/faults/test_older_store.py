"""Stores of earlier versions come up to date or are refused with a sentence; those of newer ones are refused untouched.

Nothing of them is lost or read for something else: after the first run of this version an older store holds what a
store made by this version alone holds, and every entry of a person stands letter by letter.
"""

import json
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from faults.older_stores import NAMES, contents, entered_rows, unpacked, write_inputs
from typer.testing import CliRunner

from fleetbrake import pipeline
from fleetbrake.cli import app
from fleetbrake.cli_jobs import nightly_app
from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import TABLES
from fleetbrake.reports import reads
from fleetbrake.store.database import reading, rebuilding
from fleetbrake.store.entered import KINDS, enter, entries
from fleetbrake.store.entered_rows import DateFixed
from fleetbrake.store.forgetting.tombstones import read_tombstones
from fleetbrake.store.format import STORE_FORMAT
from fleetbrake.store.format_mark import FORMAT_NAME
from fleetbrake.store.holding.holds import all_holds
from fleetbrake.store.log import read_log
from fleetbrake.store.runs import last_runs
from fleetbrake.store.schema import declared_columns, quoted
from fleetbrake.upkeep import list_holds, policy, retain

Tables = dict[str, list[tuple[str, ...]]]
#: Flags, and what stands on their history: the older store has raised some of its own.
FLAGGED = ("flags", "flag_history")


def _commands(store: Path, folder: Path) -> dict[str, list[str]]:
    """Every command that opens a store, by its name."""
    recordings, registers = folder / "recordings", folder / "registers"
    findings = folder / "findings.csv"
    findings.write_text("vehicle_id,inspected_on,finding,severity\nV1,2026-01-06,none,0\n", encoding="utf-8")
    at = ["--store", str(store)]
    return {
        "ingest": ["ingest", str(recordings), "--registers", str(registers), *at],
        "score": ["score", *at],
        "plan": ["plan", *at],
        "report": ["report", *at, "--month", "2026-01", "--out", str(folder / "out")],
        "findings": ["findings", str(findings), *at],
        "retain": ["retain", *at, "--months", "13"],
        "hold": ["hold", *at, "--vehicle", "V1", "--reason", "why", "--by", "A. Clerk"],
        "holds": ["holds", *at],
        "release-hold": ["release-hold", "hold-1", *at, "--reason", "why", "--by", "A. Clerk"],
        "forget-driver": ["forget-driver", "D-1", *at, "--yes"],
        "vehicle-sheet": ["vehicle-sheet", "V1", *at, "--out", str(folder / "sheet.pdf")],
        "driver-sheet": ["driver-sheet", "D-1", *at, "--out", str(folder / "talk.pdf")],
    }


def _rows(store: Path) -> Tables:
    """Every table's rows with its columns in the declared order: what an older store lacked stands last in its file."""
    found = {}
    with reading(store) as con:
        for name in TABLES:
            columns = [one for one in declared_columns(name) if (name, one) != ("ingest_log", "loaded_at")]
            rows = con.execute(f"SELECT {', '.join(map(quoted, columns))} FROM {quoted(name)}").fetchall()
            found[name] = sorted(tuple(map(repr, row)) for row in rows)
            types = {row[0]: row[1] for row in con.execute(f"DESCRIBE {quoted(name)}").fetchall()}
            wanted = {one: type_.replace("TIMESTAMPTZ", "TIMESTAMP WITH TIME ZONE")
                      for one, type_ in declared_columns(name).items()}  # fmt: skip
            assert types == wanted, name
    assert found["events"] and found["vehicle_health"]
    return found


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Tables]:
    """The folder of the inputs, and the tables of a store that this version alone made of them."""
    folder = tmp_path_factory.mktemp("fleet")
    recordings, registers = write_inputs(folder)
    pipeline.ingest([recordings], folder / "fresh", registers=registers)
    pipeline.score(folder / "fresh")
    pipeline.plan(folder / "fresh")
    return folder, _rows(folder / "fresh")


@pytest.mark.parametrize("name", ["scored"])
def test_an_older_store_becomes_what_this_version_would_have_made(fresh: tuple[Path, Tables], name: str) -> None:
    """The recordings are there: they are read anew, since this version knows more of an event than the older one."""
    folder, wanted = fresh
    store = unpacked(name, folder)
    done = pipeline.ingest([folder / "recordings"], store, registers=folder / "registers")
    assert (done.loaded, done.unchanged, done.problems) == (2, 0, [])
    pipeline.score(store)
    pipeline.plan(store)
    found = _rows(store)
    differs = [one for one, rows in wanted.items() if found[one] != rows and one not in FLAGGED]
    assert differs == []
    shutil.rmtree(store)


def test_where_the_recordings_are_gone_everything_still_stands(tmp_path: Path) -> None:
    """Scored by this version without reading anything: events, what people entered, holds, runs, who was forgotten."""
    for name in ("kept",):  # the long form has all
        store = unpacked(name, tmp_path / name)
        log_before = read_log(store).table()
        before = entered_rows(store) if name in ("entered", "kept") else []
        pipeline.score(store)
        with reading(store) as con:
            assert con.execute("SELECT count(*), count(DISTINCT vehicle_id) FROM events").fetchone() == (6, 2), name
            assert con.execute("SELECT count(*) FROM vehicle_health WHERE as_of = '2026-01-05'").fetchone() == (2,)
        assert read_log(store).table().equals(log_before), name
        if before:
            assert entered_rows(store)[: len(before)] == before, name
            assert {entry.kind for entry in entries(store)} == set(KINDS), name


def test_holds_rules_runs_and_who_was_forgotten_are_understood(tmp_path: Path) -> None:
    store = unpacked("kept", tmp_path)
    assert [(one.hold_id, one.vehicle_id, one.released) for one in all_holds(store)] == [("hold-1", "V1", None)]
    assert [one.hold.hold_id for one in list_holds(store)] == ["hold-1"]
    assert [(run.job, run.status) for run in last_runs(store, 5)] == [("nightly", 0)]
    assert len(read_tombstones(store).stones) == 1
    rules = policy(store)
    assert rules is not None and rules.positions_and_drivers_months == 13
    write_inputs(tmp_path)
    done = pipeline.ingest([tmp_path / "recordings"], store, registers=tmp_path / "registers")
    assert any("V1.parquet" in one and "hold-1" in one for one in done.problems)  # held: kept as it was read
    with reading(store) as con:
        drivers = {row[0] for row in con.execute("SELECT DISTINCT driver_id FROM events").fetchall()}
        assert "D-1" in drivers and "D-2" not in drivers  # read again, and still forgotten
    assert retain(store, rules, publish=False).dropped == {}


def test_an_older_database_is_read_or_refused_with_a_sentence(tmp_path: Path) -> None:
    """Before the first run of this version: no read ends in an error of the database, and each says what to do."""
    for name in NAMES:
        store = unpacked(name, tmp_path / name)
        told = []
        for read in (reads.ranked, reads.drivers, reads.recordings, reads.plan):
            try:
                read(store)
            except StoreError as error:
                told.append(str(error))
        assert all("earlier version" in one and "fleetbrake score" in one for one in told), (name, told)
        if name == "kept":
            continue  # its month can be written: tests of reports do that
        ran = CliRunner().invoke(app, _commands(store, tmp_path)["report"])
        assert ran.exit_code == 2 and "earlier version" in ran.output, (name, ran.output)


def _of_newer_format(store: Path) -> None:
    (store / FORMAT_NAME).write_text(json.dumps({"format": STORE_FORMAT + 1}), encoding="utf-8")


def _newer_tables(store: Path) -> None:
    (store / FORMAT_NAME).unlink(missing_ok=True)
    with duckdb.connect(str(store / "fleet.duckdb")) as con:
        con.execute("UPDATE settings SET value = ? WHERE name = 'schema_version'", [str(STORE_FORMAT + 1)])


@pytest.mark.parametrize("made_newer", [_of_newer_format, _newer_tables])
def test_a_store_of_a_newer_version_is_refused_by_every_command_and_stays_as_it_is(
    tmp_path: Path, made_newer: Callable[[Path], None]
) -> None:
    store = unpacked("kept", tmp_path)
    write_inputs(tmp_path)
    made_newer(store)
    before = contents(store)
    for name, words in _commands(store, tmp_path).items():
        ran = CliRunner().invoke(app, words)
        assert ran.exit_code == 2 and "newer version" in ran.output, (name, ran.output, ran.exception)
    assert contents(store) == before
    with pytest.raises(StoreError, match="newer version"):
        reads.ranked(store)


def test_what_people_enter_and_nights_are_refused_too(tmp_path: Path) -> None:
    store = unpacked("kept", tmp_path)
    write_inputs(tmp_path)
    _of_newer_format(store)
    before = {name: content for name, content in contents(store).items() if name.endswith(".sqlite")}
    for door in (lambda: enter(store, "me", "V1", DateFixed(on=None)), lambda: entries(store)):
        with pytest.raises(StoreError, match="newer version"):
            door()
    config = tmp_path / "fleet.toml"
    config.write_text('[store]\nfolder = "store"\n[recordings]\nfolders = ["recordings"]\n', encoding="utf-8")
    ran = CliRunner().invoke(nightly_app, ["--config", str(config)])
    said = json.loads(ran.stdout.splitlines()[-1])
    assert ran.exit_code == 2 and "newer version" in said["error"]
    after = {name: content for name, content in contents(store).items() if name.endswith(".sqlite")}
    assert after == before


def test_single_files_of_a_newer_version_are_refused(tmp_path: Path) -> None:
    """Put back from a copy of a newer store: nothing in them is dropped in silence."""
    store = unpacked("kept", tmp_path)
    log = store / "lake" / "log.parquet"
    table = pq.read_table(log)
    pq.write_table(table.append_column("told_by", pa.array(["x"] * table.num_rows)), log)
    with pytest.raises(StoreError, match=r"newer version.*[Uu]pdate"):
        pipeline.ingest([], store, registers=write_inputs(tmp_path)[1])
    assert pq.read_table(log).column_names[-1] == "told_by"
    pq.write_table(table, log)
    for kind, body in (("poem", "{}"), ("date_fixed", '{"on": null, "why": "x"}')):
        con = sqlite3.connect(store / "entered.sqlite")
        with con:
            con.execute(
                "INSERT INTO entered (made_at, made_by, kind, vehicle_id, body) VALUES (?, 'me', ?, 'V1', ?)",
                ("2026-01-07T00:00:00+00:00", kind, body),
            )
        con.close()
        with pytest.raises(StoreError, match="does not know; update fleetbrake"):
            entries(store, (kind,))
    (store / "holds.json").write_text(json.dumps([{"hold_id": "hold-1", "colour": "red"}]), encoding="utf-8")
    with pytest.raises(StoreError):
        all_holds(store)


def test_a_damaged_mark_of_the_version_is_told(tmp_path: Path) -> None:
    with rebuilding(tmp_path):
        pass
    assert json.loads((tmp_path / FORMAT_NAME).read_bytes())["format"] == STORE_FORMAT
    for content in (b"", b"[]", b'{"format": "two"}', b"\xff"):
        (tmp_path / FORMAT_NAME).write_bytes(content)
        for door in (reading, rebuilding):
            with pytest.raises(StoreError, match=FORMAT_NAME), door(tmp_path):
                pass

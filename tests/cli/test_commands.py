"""The command: what it says, its exit status, and that nothing good is lost beside something bad."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import Result
from product_run import Stop, recording
from typer.testing import CliRunner

from fleetbrake.cli import app
from fleetbrake.core.tables import REGISTERS, TABLES
from fleetbrake.store.database import reading

STOP = Stop(from_mps=15.0, decel_mps2=5.0)
COMMANDS = (
    *("ingest", "score", "plan", "findings", "report", "dashboard", "demo"),
    *("hold", "holds", "release-hold", "retain", "check"),
)


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)


def last_line(result: Result) -> dict[str, Any]:
    return json.loads(result.stdout.strip().splitlines()[-1])


def ask(store: Path, sql: str) -> list[tuple[Any, ...]]:
    with reading(store) as con:
        return con.execute(sql).fetchall()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder of recordings with one good file in it."""
    drop = tmp_path / "recordings"
    drop.mkdir()
    pq.write_table(recording(STOP, "good"), drop / "good.parquet")
    return drop


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "store"


@pytest.mark.parametrize("command", COMMANDS)
def test_help_gives_an_example(command: str) -> None:
    shown = run(command, "--help")
    assert shown.exit_code == 0
    assert f"Example: fleetbrake {command}" in " ".join(shown.stdout.split())


def test_every_table_exists_after_the_first_ingest(folder: Path, store: Path) -> None:
    result = run("ingest", folder, "--store", store, "--json")
    assert result.exit_code == 0, result.output
    facts = last_line(result)
    assert (facts["loaded"], facts["events"], facts["status"]) == (1, 1, 0)
    there = set(ask(store, "SELECT table_name, column_name FROM information_schema.columns"))
    assert set(TABLES) | set(REGISTERS) <= {table for table, _ in there}
    for name, columns in TABLES.items():
        assert {(name, column.name) for column in columns} <= there


def test_reading_again_changes_nothing_and_a_changed_file_replaces_its_rows(folder: Path, store: Path) -> None:
    run("ingest", folder, "--store", store)
    tables = ("events", "event_wheels", "ingest_log")
    before = [ask(store, f"SELECT * FROM {table}") for table in tables]
    again = run("ingest", folder, "--store", store, "--json")
    assert last_line(again)["unchanged"] == 1
    assert [ask(store, f"SELECT * FROM {table}") for table in tables] == before
    pq.write_table(recording(Stop(from_mps=20.0, decel_mps2=5.0), "other"), folder / "good.parquet")
    run("ingest", folder, "--store", store)
    assert ask(store, "SELECT event_id, round(initial_speed_mps, 2) FROM events") == [("other", 20.0)]


def test_score_says_what_the_scores_rest_on_and_they_stay_when_more_is_ingested(folder: Path, store: Path) -> None:
    run("ingest", folder, "--store", store)
    result = run("score", "--store", store, "--all-history", "--json")
    assert result.exit_code == 0
    assert last_line(result)["score_model"] == "prior"
    assert "Health scores rest on stated priors" in result.stdout
    assert "0 inspections with evidence from before" in result.stdout
    assert ask(store, "SELECT count(*) FROM model_quality WHERE figure = 'in_use' AND in_use") == [(1,)]
    before = ask(store, "SELECT * FROM vehicle_health")
    assert len(before) == 1
    pq.write_table(recording(STOP, "more"), folder / "more.parquet")
    run("ingest", folder, "--store", store)
    assert ask(store, "SELECT * FROM vehicle_health") == before
    assert ask(store, "SELECT count(*) FROM events") == [(2,)]


def _no_time(table: pa.Table) -> pa.Table:
    return table.drop_columns(["timestamp"])


def _no_speed(table: pa.Table) -> pa.Table:
    return table.drop_columns(["speed_mps"])


def _text_speed(table: pa.Table) -> pa.Table:
    where = table.column_names.index("speed_mps")
    return table.set_column(where, "speed_mps", pa.array(["fast"] * table.num_rows))


def _backwards(table: pa.Table) -> pa.Table:
    return table.take(pa.array(np.arange(table.num_rows)[::-1]))


def _write(change: Callable[[pa.Table], pa.Table]) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        pq.write_table(change(recording(STOP, "bad")), path)

    return write


def _cut_off(path: Path) -> None:
    pq.write_table(recording(STOP, "bad"), path)
    path.write_bytes(path.read_bytes()[:-200])


BAD_FILES: dict[str, tuple[Callable[[Path], Any], str]] = {
    "no time": (_write(_no_time), "timestamp"),
    "no speed": (_write(_no_speed), "speed_mps"),
    "text where numbers should be": (_write(_text_speed), "speed_mps"),
    "time that runs backwards": (_write(_backwards), "backwards"),
    "not a Parquet file": (lambda path: path.write_text("vehicle_id;speed\n1;2\n"), "Parquet"),
    "cut off": (_cut_off, "cut off"),
    "empty": (lambda path: path.write_bytes(b""), "empty"),
    "no rows": (_write(lambda table: table.slice(0, 0)), "no rows"),
}


def test_bad_files_are_told_and_the_good_one_is_in(folder: Path, store: Path) -> None:
    bad = {f"{kind}.parquet": how for kind, how in BAD_FILES.items()}
    for name, (make, _) in bad.items():
        make(folder / name)
    for _ in range(2):  # a rejected file stays rejected until it changes
        result = run("ingest", folder, "--store", store, "--json")
        assert result.exit_code == 1
        facts = last_line(result)
        assert (facts["rejected"], len(facts["problems"])) == (len(bad), len(bad))
        for name, (_, word) in bad.items():
            (told,) = [line for line in result.stderr.splitlines() if f"/{name}: " in line]
            assert word in told.split(f"/{name}: ")[1]
        assert "Traceback" not in result.output
    assert ask(store, "SELECT event_id FROM events") == [("good",)]
    story = dict(ask(store, "SELECT split_part(path, '/', -1), status FROM ingest_log"))
    assert story == {"good.parquet": "loaded"} | dict.fromkeys(bad, "rejected")
    for number, name in enumerate(bad):
        pq.write_table(recording(STOP, f"mended-{number}"), folder / name)
    assert run("ingest", folder, "--store", store).exit_code == 0
    assert len(ask(store, "SELECT event_id FROM events")) == 1 + len(bad)


def test_repeated_stamps_are_dropped_and_noted(folder: Path, store: Path) -> None:
    table = recording(STOP, "twice")
    rows = np.sort(np.concatenate((np.arange(table.num_rows), [10, 50, 90])))
    pq.write_table(table.take(pa.array(rows)), folder / "good.parquet")
    assert run("ingest", folder, "--store", store).exit_code == 0
    ((samples, notes),) = ask(store, "SELECT samples, notes FROM events")
    assert samples == table.num_rows
    assert "3 repeated time stamps" in notes


def test_a_burst_of_missing_values_keeps_the_event(folder: Path, store: Path) -> None:
    table = recording(STOP, "burst", wheel_share=dict.fromkeys(("1L", "1R", "2L", "2R"), np.ones_like))
    speed = table["wheel_speed_1l_mps"].to_numpy().copy()
    speed[300:330] = np.nan  # 0.3 s while braking: longer than a lockup that counts
    where = table.column_names.index("wheel_speed_1l_mps")
    pq.write_table(table.set_column(where, "wheel_speed_1l_mps", pa.array(speed)), folder / "good.parquet")
    assert run("ingest", folder, "--store", store).exit_code == 0
    found = dict(ask(store, "SELECT wheel, lockup FROM event_wheels"))
    assert found == {"1L": None, "1R": False, "2L": False, "2R": False}
    assert ask(store, "SELECT lockup FROM events") == [(None,)]


def test_unknown_vehicle_and_driver_are_kept_and_listed(folder: Path, store: Path, tmp_path: Path) -> None:
    registers = tmp_path / "registers"
    registers.mkdir()
    pd.DataFrame([{"vehicle_id": "V9", "category": "N2", "axles": 2, "actuation": "air", "max_mass_kg": 12000}]).to_csv(
        registers / "vehicles.csv", index=False
    )
    table = recording(STOP, "good").append_column("driver_id", pa.array(["D7"] * recording(STOP, "x").num_rows))
    pq.write_table(table, folder / "good.parquet")
    result = run("ingest", folder, "--store", store, "--registers", registers)
    assert result.exit_code == 0, result.output
    assert "V1" in result.stderr and "D7" in result.stderr
    assert set(ask(store, "SELECT kind, id FROM unknown_ids")) == {("vehicle", "V1"), ("driver", "D7")}
    # 5 m/s2 is a hard stop whatever the category
    assert ask(store, "SELECT hard_stop, category FROM events") == [(True, None)]


def test_an_event_id_in_two_files_is_kept_once_and_told(folder: Path, store: Path) -> None:
    pq.write_table(recording(Stop(from_mps=10.0, decel_mps2=4.0), "good"), folder / "zz.parquet")
    result = run("ingest", folder, "--store", store)
    assert result.exit_code == 1
    assert "zz.parquet" in result.stderr
    assert ask(store, "SELECT round(initial_speed_mps) FROM events") == [(15.0,)]


def test_a_bad_register_row_is_told_with_row_column_value(folder: Path, store: Path, tmp_path: Path) -> None:
    registers = tmp_path / "registers"
    registers.mkdir()
    text = "vehicle_id,category,axles,actuation,max_mass_kg\nV1,N1,2,hydraulic,3500\nV2,N1,2,hydraulic,heavy\n"
    (registers / "vehicles.csv").write_text(text, encoding="utf-8")
    result = run("ingest", folder, "--store", store, "--registers", registers)
    assert result.exit_code == 1
    for part in ("vehicles.csv", "row 3", "max_mass_kg", "heavy"):
        assert part in result.stderr
    assert ask(store, "SELECT vehicle_id FROM vehicles") == [("V1",)]


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["ingest", "{empty}", "--store", "{store}"], "no recordings"),
        (["ingest", "{empty}/nowhere", "--store", "{store}"], "nowhere"),
        (["ingest", "{folder}", "--store", "{store}", "--mapping", "nowhere.toml"], "nowhere.toml"),
        (["ingest", "{folder}", "--store", "{store}", "--registers", "{empty}/none"], "none"),
        (["score", "--store", "{store}"], "ingest"),
        (["plan", "--store", "{store}"], "ingest"),
        (["report", "--store", "{store}", "--month", "2026-01", "--out", "{empty}"], "ingest"),
        (["report", "--store", "{store}", "--month", "January", "--out", "{empty}"], "2026-02"),
        (["dashboard", "--store", "{store}"], "ingest"),
    ],
)
def test_nothing_could_be_done(words: list[str], part: str, folder: Path, store: Path, tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    filled = [word.format(empty=empty, store=store, folder=folder) for word in words]
    result = run(*filled, "--json")
    assert result.exit_code == 2, result.output
    assert part in " ".join(result.stderr.split())
    assert last_line(result)["status"] == 2
    assert "Traceback" not in result.output


def test_outside_text_cannot_steer_the_terminal(folder: Path, store: Path) -> None:
    pq.write_table(recording(STOP, "good", vehicle_id="V\x1b[2J[bold]"), folder / "good.parquet")
    result = run("ingest", folder, "--store", store)
    assert "\x1b[2J" not in result.output
    assert "[bold]" in result.stderr
    shown = run("score", "--store", store)
    assert "\x1b[2J" not in shown.output


def test_the_demo_never_touches_what_it_did_not_make(tmp_path: Path) -> None:
    own = tmp_path / "recordings" / "own.parquet"
    own.parent.mkdir()
    own.write_bytes(b"mine")
    result = run("demo", "--folder", tmp_path)
    assert result.exit_code == 2
    assert "no demo made" in result.stderr
    assert own.read_bytes() == b"mine"
    file = tmp_path / "file"
    file.write_text("mine")
    assert run("demo", "--folder", file).exit_code == 2
    assert file.read_text() == "mine"


def test_whatever_one_file_does_to_the_reader_the_others_are_in(
    folder: Path, store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from fleetbrake import taking_in

    real = taking_in.open_recording

    def trips(path: Path, *rest: Any, **more: Any) -> Any:
        if path.name == "odd.parquet":
            raise RuntimeError("nobody thought of this")
        return real(path, *rest, **more)

    monkeypatch.setattr(taking_in, "open_recording", trips)
    pq.write_table(recording(STOP, "odd"), folder / "odd.parquet")
    result = run("ingest", folder, "--store", store)
    assert result.exit_code == 1
    assert "odd.parquet" in result.stderr and "nobody thought of this" in result.stderr
    assert ask(store, "SELECT event_id FROM events") == [("good",)]


@pytest.mark.parametrize(
    "words",
    [
        ["ingest", "{folder}", "--store", "{file}"],
        ["ingest", "{folder}", "--store", "{file}/below"],
        ["ingest", "{folder}", "--store", "/proc/none"],
        ["ingest", "{long}", "--store", "{store}"],
        ["ingest", "{folder}", "--store", "{store}", "--mapping", "{long}"],
        ["ingest", "{folder}", "--store", "{store}", "--registers", "{long}"],
        ["ingest", "{folder}", "--store", "{long}"],
        ["score", "--store", "{store}", "--as-of", "0001-01-01"],
        ["score", "--store", "{store}", "--as-of", "9999-12-31"],
    ],
)
def test_odd_paths_and_days_get_a_sentence(words: list[str], folder: Path, store: Path, tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("x")
    filled = [word.format(folder=folder, store=store, file=file, long="x" * 5000) for word in words]
    result = run(*filled)
    assert result.exit_code == 2, result.output
    assert result.stderr.strip() and "Traceback" not in result.output

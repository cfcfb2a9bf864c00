"""Publishing by rename, with readers open, killed runs, and files of other versions."""

import os
import subprocess
import sys
from datetime import date
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from fleetbrake.core.errors import StoreBusyError, StoreError
from fleetbrake.core.tables import REGISTERS, TABLES
from fleetbrake.store.database import (
    create_tables,
    database_path,
    publication_stamp,
    reading,
    rebuilding,
    replace_table,
)
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.schema import setting_number

ONE_DRIVER = pa.table({"driver_id": ["d1"], "depot": ["north"]})
TWO_DRIVERS = pa.table({"driver_id": ["d1", "d2"], "depot": ["north", None]})


def drivers(con: duckdb.DuckDBPyConnection) -> list[tuple]:
    return con.execute("SELECT driver_id FROM drivers ORDER BY ALL").fetchall()


def files_of(store: Path) -> set[str]:
    return {path.name for path in store.iterdir()}


@pytest.fixture
def store(tmp_path: Path) -> Path:
    with rebuilding(tmp_path / "fleet") as con:
        replace_table(con, "drivers", ONE_DRIVER)
    return tmp_path / "fleet"


def test_first_publish_has_every_table_with_declared_columns(store: Path) -> None:
    with reading(store) as con:
        for name, columns in TABLES.items():
            found = con.execute(f"DESCRIBE {name}").fetchall()
            expected = [(c.name, c.type.replace("TIMESTAMPTZ", "TIMESTAMP WITH TIME ZONE")) for c in columns]
            assert [row[:2] for row in found] == expected
        assert set(REGISTERS) <= {row[0] for row in con.execute("SHOW TABLES").fetchall()}
        assert con.execute("SELECT count(*) FROM vehicle_health").fetchone() == (0,)


def test_a_reader_keeps_its_file_and_the_next_one_sees_the_new(store: Path) -> None:
    before = publication_stamp(store)
    with reading(store) as old:
        assert drivers(old) == [("d1",)]
        with rebuilding(store) as con:
            replace_table(con, "drivers", TWO_DRIVERS)
        with reading(store) as new:
            assert drivers(new) == [("d1",), ("d2",)]
            assert drivers(old) == [("d1",)]
    assert publication_stamp(store) != before


def test_plain_readers_of_other_programs_do_not_hold_up_publishing(store: Path) -> None:
    with duckdb.connect(str(database_path(store)), read_only=True) as other:
        with rebuilding(store) as con:
            replace_table(con, "drivers", TWO_DRIVERS)
        with reading(store) as new:
            assert drivers(new) == [("d1",), ("d2",)]
        assert drivers(other) == [("d1",)]


def test_an_error_while_rebuilding_leaves_the_old_file_and_no_other(store: Path) -> None:
    before, stamp = files_of(store), publication_stamp(store)
    with pytest.raises(RuntimeError, match="killed"), rebuilding(store) as con:
        replace_table(con, "drivers", TWO_DRIVERS)
        raise RuntimeError("killed")
    assert files_of(store) == before
    assert publication_stamp(store) == stamp
    with reading(store) as con:
        assert drivers(con) == [("d1",)]


def test_a_killed_process_leaves_the_old_file_and_the_next_run_cleans_up(store: Path) -> None:
    code = (
        "import os, sys, pathlib\n"
        "from fleetbrake.store.database import rebuilding\n"
        "with rebuilding(pathlib.Path(sys.argv[1])) as con:\n"
        "    con.execute('DELETE FROM drivers')\n"
        "    os.kill(os.getpid(), 9)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(store)], check=False, timeout=120)
    assert done.returncode == -9
    assert any(name.startswith(".rebuilding-") for name in files_of(store))
    with reading(store) as con:
        assert drivers(con) == [("d1",)]
    (store / ".rebuilding-1-a.duckdb.tmp").mkdir()
    with rebuilding(store) as con:
        assert drivers(con) == [("d1",)]
    assert not [name for name in files_of(store) if name.startswith(".rebuilding-")]


def test_what_does_not_fit_into_memory_is_written_in_the_store_and_removed(store: Path) -> None:
    """Given 40 MB of numbers and 20 MB for them, expect files in a folder of the store; none after, or after a kill."""
    before = files_of(store)
    fill = "CREATE TEMP TABLE much AS SELECT hash(i) AS a FROM range(5000000) AS t(i)"
    with rebuilding(store, memory_limit="20MB", threads=1) as con:
        con.execute(fill)
        assert con.execute("SELECT count(a) FROM much").fetchall() == [(5_000_000,)]
        spilled = list(store.glob(".rebuilding-*.spilled/*"))
        assert sum(path.stat().st_size for path in spilled) > 10_000_000
    assert files_of(store) == before
    code = (
        "import os, sys, pathlib\n"
        "from fleetbrake.store.database import rebuilding\n"
        "with rebuilding(pathlib.Path(sys.argv[1]), memory_limit='20MB', threads=1) as con:\n"
        f"    con.execute({fill!r})\n"
        "    os.kill(os.getpid(), 9)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(store)], check=False, timeout=120)
    assert done.returncode == -9
    assert list(store.glob(".rebuilding-*.spilled/*"))
    with rebuilding(store):
        pass
    assert files_of(store) == before


def test_rebuilding_keeps_tables_that_the_block_leaves_alone(store: Path) -> None:
    with rebuilding(store) as con:
        replace_table(con, "inspection_plan", pa.table({"vehicle_id": ["v"], "position": [1]}))
    with reading(store) as con:
        assert drivers(con) == [("d1",)]


def test_rebuilding_takes_the_lock_but_its_holder_may_rebuild(store: Path) -> None:
    with writer_lock(store, "ingest"), rebuilding(store) as con:
        assert drivers(con) == [("d1",)]
    code = (
        "import sys, pathlib\n"
        "from fleetbrake.store.database import rebuilding\n"
        "with rebuilding(pathlib.Path(sys.argv[1])):\n"
        "    print('in', flush=True); sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(store)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "in\n"
        with pytest.raises(StoreBusyError, match=f"process {other.pid}"), rebuilding(store):
            pass
        other.communicate("")
    assert other.returncode == 0


def test_reading_without_a_database_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="run 'fleetbrake ingest"), reading(tmp_path / "nowhere"):
        pass
    with pytest.raises(StoreError, match="There is no database"):
        publication_stamp(tmp_path)


@pytest.mark.parametrize("content", [b"", b"no database at all", b"\x00" * 20000])
def test_a_damaged_database_is_told_in_a_sentence(tmp_path: Path, content: bytes) -> None:
    database_path(tmp_path).write_bytes(content)
    with pytest.raises(StoreError), reading(tmp_path):
        pass


def test_a_cut_off_database_is_told_in_a_sentence(store: Path) -> None:
    os.truncate(database_path(store), 5000)
    with pytest.raises(StoreError), rebuilding(store):
        pass


def test_reading_writes_nothing_and_reaches_nothing_else(store: Path, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("a\n1\n")
    with reading(store) as con:
        for statement in (
            "DELETE FROM drivers",
            "CREATE TABLE x (a INTEGER)",
            f"SELECT * FROM read_csv('{tmp_path / 'a.csv'}')",
            f"COPY drivers TO '{tmp_path / 'b.csv'}'",
            f"ATTACH '{tmp_path / 'c.duckdb'}' AS c",
            "INSTALL httpfs",
            "LOAD httpfs",
            "SET enable_external_access = true",
            "SET TimeZone = 'Asia/Tokyo'",
        ):
            with pytest.raises(duckdb.Error):
                con.execute(statement)
        assert con.execute("SELECT current_setting('TimeZone')").fetchone() == ("UTC",)
    assert not (tmp_path / "b.csv").exists()


@pytest.mark.parametrize("name", ['it\'s "here"', "a;b -- c", "*[x].d", "naïve ünits", "x\ny"])
def test_store_folders_of_any_name(tmp_path: Path, name: str) -> None:
    with rebuilding(tmp_path / name) as con:
        replace_table(con, "drivers", ONE_DRIVER)
    with reading(tmp_path / name) as con:
        assert drivers(con) == [("d1",)]


def test_a_folder_name_that_the_database_would_misread_is_told(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="question mark"), rebuilding(tmp_path / "a?b"):
        pass
    assert files_of(tmp_path / "a?b") == {"store.lock", "format.json"}


def test_a_relative_store_follows_the_working_folder(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(store.parent)
    with rebuilding(Path("fleet")) as con:
        replace_table(con, "drivers", TWO_DRIVERS)
    with reading(Path("fleet")) as con:
        assert drivers(con) == [("d1",), ("d2",)]


def test_a_newer_version_is_refused(store: Path) -> None:
    with duckdb.connect(str(database_path(store))) as con:
        con.execute("UPDATE settings SET value = '999' WHERE name = 'schema_version'")
    with pytest.raises(StoreError, match="newer version"), reading(store):
        pass
    with pytest.raises(StoreError, match="newer version"), rebuilding(store):
        pass


def test_a_database_of_another_program_is_refused(tmp_path: Path) -> None:
    with duckdb.connect(str(database_path(tmp_path))) as con:
        con.execute("CREATE TABLE orders (a INTEGER)")
    with pytest.raises(StoreError, match="not written by this program"), reading(tmp_path):
        pass


def test_missing_tables_and_columns_of_an_older_file_are_added(store: Path) -> None:
    with duckdb.connect(str(database_path(store))) as con:
        con.execute("ALTER TABLE drivers DROP COLUMN depot")
        con.execute("DROP TABLE trips")
    with rebuilding(store):
        pass
    with reading(store) as con:
        assert con.execute("SELECT driver_id, depot FROM drivers").fetchall() == [("d1", None)]
        assert con.execute("SELECT count(*) FROM trips").fetchone() == (0,)


def test_create_tables_twice_changes_nothing() -> None:
    with duckdb.connect() as con:
        create_tables(con)
        replace_table(con, "drivers", ONE_DRIVER)
        create_tables(con)
        assert drivers(con) == [("d1",)]


@pytest.fixture
def memory() -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    con.execute("SET TimeZone = 'UTC'")
    create_tables(con)
    return con


def test_replace_table_by_name_whatever_the_order(memory: duckdb.DuckDBPyConnection) -> None:
    replace_table(memory, "drivers", pa.table({"depot": ["north"], "driver_id": ["d1"]}))
    assert memory.execute("FROM drivers").fetchall() == [("d1", "north")]
    replace_table(memory, "drivers", pd.DataFrame({"driver_id": ["d2"]}))
    assert memory.execute("FROM drivers").fetchall() == [("d2", None)]


def test_replace_table_from_a_query_of_itself(memory: duckdb.DuckDBPyConnection) -> None:
    replace_table(memory, "drivers", TWO_DRIVERS)
    replace_table(memory, "drivers", memory.sql("SELECT driver_id || '!' AS driver_id FROM drivers"))
    assert drivers(memory) == [("d1!",), ("d2!",)]


@pytest.mark.parametrize("make", [pa.table, pd.DataFrame])
def test_replace_table_makes_null_of_what_is_no_number(memory: duckdb.DuckDBPyConnection, make: type) -> None:
    values = np.array([1.5, np.nan, np.inf, -np.inf])
    replace_table(memory, "vehicle_health", make({"health_score": values}))
    assert memory.execute("SELECT health_score FROM vehicle_health").fetchall() == [(1.5,), (None,), (None,), (None,)]


def test_replace_table_casts_to_the_declared_types(memory: duckdb.DuckDBPyConnection) -> None:
    frame = pd.DataFrame({"as_of": [pd.Timestamp("2026-01-28")], "rank": np.array([1], dtype="int32")})
    replace_table(memory, "vehicle_health", frame)
    assert memory.execute("SELECT as_of, rank FROM vehicle_health").fetchall() == [(date(2026, 1, 28), 1)]


def test_replace_table_refuses_unknown_columns_and_values_and_keeps_the_rows(memory: duckdb.DuckDBPyConnection) -> None:
    replace_table(memory, "drivers", ONE_DRIVER)
    with pytest.raises(StoreError, match="no column shoe"):
        replace_table(memory, "drivers", pa.table({"driver_id": ["d"], "shoe": [1]}))
    with pytest.raises(StoreError, match="vehicle_health"):
        replace_table(memory, "vehicle_health", pa.table({"rank": ["first"]}))
    with pytest.raises(StoreError, match="There is no table"):
        replace_table(memory, "drivers; DROP TABLE drivers", ONE_DRIVER)
    assert drivers(memory) == [("d1",)]
    assert {row[0] for row in memory.execute("SHOW TABLES").fetchall()} == {"settings", *TABLES, *REGISTERS}


@pytest.mark.parametrize(("value", "number"), [("7", 7), ("", 0), (None, 0), ("²", 0), ("-1", 0), ("1.5", 0)])
def test_a_number_among_the_settings_that_is_none_counts_as_none(value: str | None, number: int) -> None:
    assert setting_number({"name": value}, "name") == number
    assert setting_number({}, "name") == 0

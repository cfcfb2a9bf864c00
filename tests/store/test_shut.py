"""What a query could be made to do if outside text ever got into one: nothing beyond the database it is asked of."""

import ast
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import duckdb
import pyarrow as pa
import pytest
from builders import PLAIN, build_store

from fleetbrake.store.ageing.registers_alone import registers_alone
from fleetbrake.store.database import reading, rebuilding
from fleetbrake.store.entered import rewriting
from fleetbrake.store.lost import FROM_FILES
from fleetbrake.store.recount import beside
from fleetbrake.store.registers import rows_there, write_register
from fleetbrake.store.runs import opened
from fleetbrake.store.vehicle_registers import registers_now

ROOT = Path(__file__).resolve().parents[2]

#: Each reads, writes, loads or opens something beside the database.
_REACHING = (
    "COPY (SELECT 1) TO '{out}/x.csv'",
    "COPY t FROM '{secret}'",
    "SELECT * FROM read_csv('{secret}')",
    "SELECT * FROM read_text('{secret}')",
    "SELECT * FROM read_blob('{secret}')",
    "SELECT * FROM '{secret}'",
    "SELECT * FROM glob('{out}/*')",
    "SELECT * FROM sniff_csv('{secret}')",
    "SELECT getenv('HOME')",
    "ATTACH '{out}/x.duckdb'",
    "EXPORT DATABASE '{out}/x'",
    "INSTALL httpfs",
    "LOAD httpfs",
    "SELECT * FROM 'https://127.0.0.1:1/x.parquet'",
    "CREATE SECRET s (TYPE s3)",
    "SET enable_external_access = true",
    "SET allow_community_extensions = true",
    "SET temp_directory = '{out}/x'",
    "SELECT * FROM a_variable_of_python",
)
#: Settings, and writing: shut too where nothing is to be written.
_WRITING = (
    "CREATE TABLE x (a INTEGER)",
    "DELETE FROM events",
    "UPDATE vehicles SET depot = 'x'",
    "DROP TABLE vehicles",
    "SET memory_limit = '1TB'",
    "SET threads = 64",
    "PRAGMA enable_profiling",
    "RESET lock_configuration",
)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = build_store(tmp_path_factory.mktemp("shut"))
    for name in FROM_FILES:  # published rows without a file would be those of a register that is lost
        write_register(folder, name, rows_there(folder, name))
    with rebuilding(folder) as con:
        con.execute(
            "INSERT INTO defect_reports (vehicle_id, text, severity) VALUES (?, 'pulls', 2)", [PLAIN.vehicles[0]]
        )
    return folder


@contextmanager
def _registers_now(store: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with reading(store) as con, registers_now(con, store, PLAIN.vehicles[0]) as own:
        assert own is not None, "something is open on it"
        yield own


_OPENERS: dict[str, Callable[[Path], AbstractContextManager[duckdb.DuckDBPyConnection]]] = {
    "reading": reading,
    "rebuilding": rebuilding,
    "registers_now": _registers_now,
    "registers_alone": registers_alone,
    "beside": beside,
}


@pytest.mark.parametrize("name", list(_OPENERS))
def test_a_connection_reaches_nothing_else(name: str, store: Path, tmp_path: Path) -> None:
    secret = tmp_path / "secret.csv"
    secret.write_text("a\nsentinel\n", encoding="utf-8")
    a_variable_of_python = pa.table({"a": [1]})  # noqa: F841 - it must not be found
    with _OPENERS[name](store) as con:
        for asked in _REACHING + (_WRITING if name == "reading" else ()):
            with pytest.raises(duckdb.Error):
                con.execute(asked.format(out=tmp_path, secret=secret))
                pytest.fail(f"{name}: {asked}")
        assert con.execute("SELECT 1").fetchall() == [(1,)], "it goes on"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["secret.csv"]


def test_every_place_that_opens_a_database_shuts_it() -> None:
    """A new place is found here: whoever opens a database shuts it in the same function, or hands it to who does."""
    handed = {"open_private"}  # rebuilding and recount shut it, the one after attaching; both are tried above
    for path in [*(ROOT / "fleetbrake").rglob("*.py"), *(ROOT / "dashboards").rglob("*.py")]:
        for made in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(made, ast.FunctionDef) or made.name in handed:
                continue
            body = ast.unparse(made)
            if "duckdb.connect(" in body:
                assert "shut(" in body and "NO_EXTENSIONS" in body + path.read_text(encoding="utf-8"), (path, made.name)


def test_a_page_cannot_write_the_history_and_no_file_loads_code(store: Path) -> None:
    with opened(store, write=True) as con:
        assert con.execute("PRAGMA trusted_schema").fetchall() == [(0,)]
    with opened(store, write=False) as con:
        assert con.execute("PRAGMA query_only").fetchall() == [(1,)]
        with pytest.raises(sqlite3.Error):
            con.execute("DELETE FROM runs")
        with pytest.raises(sqlite3.Error):
            con.execute("SELECT load_extension('x')")
    with rewriting(store) as con:
        assert con.execute("PRAGMA trusted_schema").fetchall() == [(0,)]

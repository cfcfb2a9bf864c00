"""Files that are gone whole: registers and what people entered are told as lost, and nothing publishes without them."""

import shutil
from pathlib import Path

from check_made import copied
from typer.testing import CliRunner

from fleetbrake.cli import app
from fleetbrake.store.database import reading
from fleetbrake.upkeep.check import check_store


def _wrong(store: Path, name: str) -> list[str]:
    return [said for one in check_store(store).outcomes if one.name == name for said in one.wrong.all()]


def _rows(store: Path, table: str) -> list[tuple[object, ...]]:
    with reading(store) as con:
        return con.execute(f"SELECT * FROM {table} ORDER BY ALL").fetchall()


def _repaired(store: Path) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["check", "--store", str(store), "--repair"])
    return done.exit_code, " ".join(done.output.split())


def test_registers_that_are_gone(sound_store: Path, tmp_path: Path) -> None:
    store = copied(sound_store, tmp_path)
    before = _rows(store, "vehicles")
    assert before, "else there is nothing to lose"
    shutil.rmtree(store / "registers")
    (store / "lake" / "log.parquet").write_bytes(b"damaged")
    assert any(said.startswith("Register vehicles is gone") for said in _wrong(store, "registers"))
    status, said = _repaired(store)
    assert status == 1 and "Nothing was published anew" in said
    assert _rows(store, "vehicles") == before


def test_entries_that_are_gone(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    before = _rows(store, "inspections")
    (store / "entered.sqlite").unlink()
    (said,) = _wrong(store, "entries")
    assert "were published, and 0 is the last that is there" in said
    _repaired(store)
    assert _rows(store, "inspections") == before

"""Files that are gone whole: registers and what people entered are told as lost, and nothing publishes without them."""

import shutil
from pathlib import Path

import pytest
from check_made import copied
from check_told import wrong_of
from typer.testing import CliRunner

from fleetbrake.cli import app
from fleetbrake.core.errors import StoreError
from fleetbrake.pipeline import ingest
from fleetbrake.store.arrow import write_parquet
from fleetbrake.store.database import reading
from fleetbrake.store.log import read_log
from fleetbrake.store.log_mark import log_path
from fleetbrake.store.numbered import numbered
from tests.cluster.same_rows import tables


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
    assert any(said.startswith("Register vehicles is gone") for said in wrong_of(store, "registers"))
    status, said = _repaired(store)
    assert status == 1 and "Nothing was published anew" in said
    assert _rows(store, "vehicles") == before


def test_an_older_log_is_refused_and_made_again(sound_store: Path, tmp_path: Path) -> None:
    """Put back from a copy: rows that it does not name would be taken for those of a killed run."""
    store = copied(sound_store, tmp_path)
    right = tables(store)
    entries = sorted(read_log(store), key=lambda entry: entry.path)
    write_parquet(log_path(store), numbered(read_log(store).table().slice(0, len(entries) // 2), 1))
    missing = len([entry for entry in entries[len(entries) // 2 :] if entry.key])
    assert missing > 1
    with pytest.raises(StoreError, match=f"does not name {missing} recordings that are in the lake"):
        ingest([entries[0].path], store)
    assert any("an older copy" in said for said in wrong_of(store, "log"))
    _repaired(store)
    assert wrong_of(store, "log") == [] and tables(store) == right
    ingest([entries[0].path], store)
    assert tables(store)["events"] == right["events"]


def test_entries_that_are_gone(full_store: Path, tmp_path: Path) -> None:
    store = copied(full_store, tmp_path)
    before = _rows(store, "inspections")
    (store / "entered.sqlite").unlink()
    (said,) = wrong_of(store, "entries")
    assert "were published, and 0 is the last that is there" in said
    _repaired(store)
    assert _rows(store, "inspections") == before

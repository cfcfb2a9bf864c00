"""Whether two stores hold the same: every published table row for row, every piece of the lake byte for byte."""

from pathlib import Path
from typing import Any

from fleetbrake.core.tables import TABLES
from fleetbrake.store.database import reading
from fleetbrake.store.log import read_log

#: When a file was read is no matter of its content.
NOT_COMPARED = {"ingest_log": ("loaded_at",)}


def assert_same(one: Path, other: Path) -> None:
    """AssertionError names the first table or piece that differs."""
    assert _pieces(one) == _pieces(other)
    mine, theirs = tables(one), tables(other)
    assert mine.keys() == theirs.keys()
    for name, rows in mine.items():
        assert rows == theirs[name], name
    assert {e.path: e.sha256 for e in read_log(one)} == {e.path: e.sha256 for e in read_log(other)}


def tables(store: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Every published table's rows in an order that follows from the rows; texts, so that NaN equals itself."""
    found = {}
    with reading(store) as con:
        for name in TABLES:
            left_out = NOT_COMPARED.get(name, ())
            but = f" EXCLUDE ({', '.join(left_out)})" if left_out else ""
            rows = con.execute(f'SELECT *{but} FROM "{name}"').fetchall()
            found[name] = sorted(tuple(map(repr, row)) for row in rows)
    assert found["events"]
    return found


def _pieces(store: Path) -> dict[str, bytes]:
    lake = store / "lake"
    files = {
        path.relative_to(lake).as_posix(): path
        for half in ("events", "event_wheels")
        for path in (lake / half).rglob("*")
    }
    assert files
    return {name: path.read_bytes() for name, path in files.items() if path.is_file()}

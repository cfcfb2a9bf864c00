"""The search of a store: each kind of file, each way of hiding, and no chance finds."""

import gzip
import json
import sqlite3
import zipfile
from collections.abc import Callable
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from fleetbrake.store.forgetting.forgetter import Forgetter
from fleetbrake.store.forgetting.search import search
from fleetbrake.store.forgetting.tombstones import one_tombstone

ID = "Zoë O'Hara"


def _parquet(path: Path) -> None:
    pq.write_table(pa.table({"notes": [None, f"of {ID}"], "n": [1, 2]}), path)


def _nested(path: Path) -> None:
    pq.write_table(pa.table({"deep": [[{"a": [f"{ID}"]}]]}), path, compression="zstd")


def _metadata(path: Path) -> None:
    pq.write_table(pa.table({"n": [1]}).replace_schema_metadata({"by": ID}), path)


def _coded(path: Path) -> None:
    pq.write_table(pa.table({"d": pa.array([f"{ID} 1"] * 50).dictionary_encode()}), path)


def _duckdb(path: Path) -> None:
    with duckdb.connect(str(path)) as con:
        con.execute("CREATE TABLE t (n INTEGER, deep STRUCT(a VARCHAR[]))")
        con.execute("INSERT INTO t VALUES (1, {'a': [$name]})", {"name": ID})


def _comment(path: Path) -> None:
    with duckdb.connect(str(path)) as con:
        con.execute("CREATE TABLE t (n INTEGER)")
        con.execute("COMMENT ON TABLE t IS 'made by Zoë O''Hara'")


def _sqlite(path: Path) -> None:
    with sqlite3.connect(path) as con:
        con.execute("CREATE TABLE t (body BLOB)")
        con.execute("INSERT INTO t VALUES (?)", (json.dumps({"note": ID}).encode(),))


def _freed(path: Path) -> None:
    """A value that was deleted and whose bytes are still there."""
    with sqlite3.connect(path) as con:
        con.execute("PRAGMA secure_delete = OFF")
        con.execute("CREATE TABLE t (body TEXT)")
        con.execute("INSERT INTO t VALUES (?)", (ID * 3,))
        con.commit()
        con.execute("DELETE FROM t")


def _zipped(path: Path) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("sheet.xml", f"<t>{ID}</t>")


@pytest.mark.parametrize(
    ("name", "write"),
    [
        ("a.parquet", _parquet),
        ("a.parquet", _nested),
        ("a.parquet", _metadata),
        ("a.parquet", _coded),
        ("a.duckdb", _duckdb),
        ("a.duckdb", _comment),
        ("a.sqlite", _sqlite),
        ("a.sqlite", _freed),
        ("a.xlsx", _zipped),
        ("a.gz", lambda path: path.write_bytes(gzip.compress(f"x {ID}".encode()))),
        ("a.jsonl", lambda path: path.write_text(json.dumps({"text": ID}) + "\n")),
        ("a.log", lambda path: path.write_text("ZOË  O'HARA fell ill\n", encoding="utf-8")),
        ("a.bin", lambda path: path.write_bytes(b"\0\1" + ID.encode("utf-16-le"))),
        ("logs/Zoë O'Hara/a.txt", lambda path: path.write_text("nothing")),
    ],
)
def test_it_is_found_in_each_kind_of_file(tmp_path: Path, name: str, write: Callable[[Path], object]) -> None:
    path = tmp_path / "below" / name
    finder = Forgetter(one_tombstone(ID, anywhere=True))
    assert search(tmp_path, ID, finder).found == ()
    path.parent.mkdir(parents=True)
    write(path)
    done = search(tmp_path, ID, finder)
    assert done.found and done.unread == () and all(one.file.startswith("below/") for one in done.found)


def test_another_longer_word_is_no_find_and_a_damaged_file_is_told(tmp_path: Path) -> None:
    pq.write_table(pa.table({"driver_id": ["DRV-00421"], "notes": ["DRV-00421"]}), tmp_path / "a.parquet")
    (tmp_path / "b.parquet").write_bytes(b"PAR1 and nothing more")
    finder = Forgetter(one_tombstone("DRV-0042", anywhere=True))
    done = search(tmp_path, "DRV-0042", finder, ["DRV-00421"])
    assert done.found == () and len(done.unread) == 1 and done.unread[0].startswith("b.parquet")


def test_letters_within_longer_words_may_be_it_and_other_names_are_told_apart(tmp_path: Path) -> None:
    texts = {"notes": ["evtD77QXx-B04"], "depot": ["d77qx"], "sha256": ["0d77qx1"]}
    pq.write_table(pa.table(texts), tmp_path / "a.parquet")
    (tmp_path / "b.log").write_text("see evt%44%37%37QXx\n")
    (tmp_path / "c.log").write_text("of forgottend77qxaaaaa and D77QX2\n")
    found = search(tmp_path, "D77QX", Forgetter(one_tombstone("D77QX", anywhere=True)), ["D77QX2"]).found
    assert {(one.file, one.part, one.perhaps, one.of_others) for one in found} == {
        ("a.parquet", "column notes", True, False),
        ("a.parquet", "column depot", False, True),
        ("b.log", "lines", True, False),
    }
    # a number as a word of its own; a word of our own only where it names a driver
    (tmp_path / "d.log").write_text("drive 4711, not 14711\n")
    assert [
        one.perhaps for one in search(tmp_path, "4711", Forgetter(one_tombstone("4711", anywhere=False))).found
    ] == [True]
    assert search(tmp_path, "not", Forgetter(one_tombstone("not", anywhere=False))).found == ()


@pytest.mark.parametrize("before", [0, 1, 4, 4095])
def test_bytes_are_found_across_stretches_and_at_the_end_of_a_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, before: int
) -> None:
    """A file that ends with a page ended the program where it was mapped into memory (Python 3.11)."""
    monkeypatch.setattr("fleetbrake.store.forgetting.search._STRETCH", 7)
    told = ID.encode()
    (tmp_path / "part.bin").write_bytes((b"\xff" * before + told).rjust(8192, b"\xfe"))
    (tmp_path / "none.bin").write_bytes(b"\xff" * 4096 + told[:-1])
    found = search(tmp_path, ID, Forgetter(one_tombstone(ID, anywhere=True))).found
    assert [(one.file, one.part) for one in found] == [("part.bin", "bytes")]

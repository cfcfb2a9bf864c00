"""Looks for a text in every file below a folder with none of the product's code.

Each value is decoded by DuckDB, SQLite's own dump, members of zip and gzip, the text of PDF pages, and the raw bytes. A
part of a word counts: the ids of the tests are chosen so that no other word holds them.
"""

import gzip
import json
import sqlite3
import unicodedata
import zipfile
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import duckdb
import pyarrow.parquet as pq
import pypdf


def places_of(folder: Path, *wanted: str) -> list[str]:
    """Where any of the texts stands, whatever its case and the form of its letters."""
    sought = [_plain(one) for one in wanted]
    forms = [form for one in wanted if len(one) >= 5 for form in _forms(one)]
    found = []
    for path in sorted(folder.rglob("*")):
        name = str(path.relative_to(folder))
        if _holds(name, sought):
            found.append(f"{name}: name")
        if path.is_file():
            content = path.read_bytes()
            found += [f"{name}: {part}" for part, text in _texts(path) if _holds(text, sought)]
            found += [f"{name}: bytes" for form in forms if form in content]
    return list(dict.fromkeys(found))


def _holds(text: str, sought: list[str]) -> bool:
    plain = _plain(text)
    return any(one in plain for one in sought)


def _plain(text: str) -> str:
    return unicodedata.normalize("NFC", text).casefold()


def _forms(wanted: str) -> Iterator[bytes]:
    for encoding in ("utf-8", "utf-16-le", "utf-16-be"):
        yield wanted.encode(encoding)
    yield json.dumps(wanted)[1:-1].encode()
    yield quote(wanted).encode()


def _texts(path: Path) -> Iterator[tuple[str, str]]:
    content = path.read_bytes()
    if content.startswith(b"PAR1"):
        yield from _parquet(path)
    elif content[8:12] == b"DUCK":
        yield from _duckdb(path)
    elif content.startswith(b"SQLite format 3"):
        with sqlite3.connect(path) as con:
            yield from (("dump", line) for line in con.iterdump())
    elif content.startswith(b"PK"):
        with zipfile.ZipFile(path) as archive:
            yield from ((name, archive.read(name).decode("utf-8", "replace")) for name in archive.namelist())
    elif content.startswith(b"\x1f\x8b"):
        yield "unpacked", gzip.decompress(content).decode("utf-8", "replace")
    elif content.startswith(b"%PDF"):
        # typesetting breaks lines within words
        pages = (page.extract_text() for page in pypdf.PdfReader(path).pages)
        yield from (
            ("page", form) for text in pages for form in (text, text.replace("\n", ""), text.replace("\n", " "))
        )
    else:
        text = content.decode("utf-8", "replace")
        yield "text", text
        for line in [text, *text.splitlines()]:
            try:
                yield "json", json.dumps(json.loads(line), ensure_ascii=False)
            except ValueError:
                continue


def _parquet(path: Path) -> Iterator[tuple[str, str]]:
    metadata = pq.read_metadata(path)
    yield "metadata", str(metadata.metadata) + str(pq.read_schema(path))
    for group in range(metadata.num_row_groups):
        for column in range(metadata.num_columns):
            yield "statistics", str(metadata.row_group(group).column(column).statistics)
    with duckdb.connect() as con:
        rows = con.execute("SELECT CAST(t AS VARCHAR) FROM read_parquet($path) AS t", {"path": str(path)}).fetchall()
    yield from (("row", row[0]) for row in rows)


def _duckdb(path: Path) -> Iterator[tuple[str, str]]:
    with duckdb.connect(str(path), read_only=True) as con:
        tables = con.execute("SELECT table_name, sql, comment FROM duckdb_tables()").fetchall()
        for name, *rest in tables:
            yield "definition", f"{name} {rest}"
            rows = con.execute(f'SELECT CAST(t AS VARCHAR) FROM "{name}" AS t').fetchall()
            yield from ((f"table {name}", row[0]) for row in rows)

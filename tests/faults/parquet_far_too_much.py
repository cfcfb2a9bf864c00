"""Recordings that ask for far too much of a small number of bytes: columns, rows, texts, pages that blow up."""

import io
import struct
import zlib
from functools import cache
from typing import Any, Final

import numpy as np
import pyarrow as pa
from faults.parquet_bases import (
    BYTES,
    DICTIONARY,
    FLOAT64,
    INT64,
    MAGIC,
    START_US,
    Column,
    Made,
    Page,
    as_file,
    bases,
    by_hand,
    closed,
    contents,
    data_page,
    dictionary_page,
    same_value,
    stop_columns,
    text,
    with_contents,
)
from faults.thrift_compact import BINARY, I32, I64, LIST, STRUCT, Struct, varint, written

Rng = np.random.Generator


def bare(count: int, rows: int, body: bytes = b"") -> bytes:
    """A file of ``count`` columns of numbers and no row group that says it has ``rows`` rows; written cheaply."""
    schema = bytearray(written(Struct([[4, BINARY, b"s"], [5, I32, count]])))
    for number in range(count):
        name = np.base_repr(number, 36).encode()
        schema += b"\x15\x08\x25\x00\x18" + bytes([len(name)]) + name + b"\0"  # FLOAT, needed, its name
    head = b"\x15\x04\x19" + b"\xfc" + varint(count + 1) + bytes(schema)
    return closed(MAGIC + body, head + b"\x16" + varint(rows << 1) + b"\x19\x0c\0")


@cache
def _bare(count: int) -> bytes:
    return bare(count, 1)


def many_columns(rng: Rng) -> Made:
    """Up to a hundred thousand columns, without rows or with the contract's among them, once or doubled."""
    count = int(rng.choice([1_000, 10_000, 30_000, 100_000]))
    if rng.random() < 0.5:
        return _bare(count), f"{count} columns"
    end = contents(bases()[4])
    names = end.of(2)[1]
    extra = 1000 if rng.random() < 0.5 else 20_000
    odd = Struct([[1, I32, 5], [3, I32, 1], [4, BINARY, b"x"]])
    names += [odd] * extra
    names[0].put(5, I32, len(names) - 1)
    return with_contents(bases()[4], end), f"{extra} more columns of one name that no row group has"


def million_columns(rng: Rng) -> Made:
    """Just within what a table of contents may weigh, were it not for their number."""
    return _bare(1_000_000), "a million columns"


def many_row_groups(rng: Rng) -> Made:
    """As many row groups as there are rows, none, or a hundred thousand empty ones."""
    how = int(rng.integers(4))
    if how == 0:
        return as_file(stop_columns(1), row_group_size=1), "a row group a row"
    end = contents(bases()[4])
    groups = end.of(4)
    if how == 1:
        end.put(4, LIST, [STRUCT, []])
        return with_contents(bases()[4], end), "rows, but no row group"
    if how == 2:
        empty = Struct([[1, LIST, [STRUCT, []]], [2, I64, 0], [3, I64, 0]])
        count = int(rng.choice([100, 10_000, 100_000]))
        end.put(4, LIST, [STRUCT, [empty] * count + groups[1]])
        return with_contents(bases()[4], end), f"{count} row groups without columns"
    count = int(rng.choice([10, 1000, 5000]))
    end.put(4, LIST, [STRUCT, groups[1] * count]).put(3, I64, end.of(3) * count)
    return with_contents(bases()[4], end), f"the same row groups {count} times"


def big_metadata(rng: Rng) -> Made:
    """Megabytes of key and value, or of a column's name."""
    size = int(rng.choice([10_000, 10**6, 15 * 2**20]))
    end = contents(bases()[0])
    pair = Struct([[1, BINARY, b"ARROW:schema" if rng.random() < 0.3 else b"note"], [2, BINARY, b"QUFB" * (size // 4)]])
    if rng.random() < 0.7:
        end.put(5, LIST, [STRUCT, [pair]])
    else:
        end.of(2)[1][-1].put(4, BINARY, b"n" * size)
    return with_contents(bases()[0], end), f"{size} bytes of metadata"


def deep(rng: Rng) -> Made:
    """One column of lists in lists, or structures in structures, in the table of contents alone."""
    depth = int(rng.choice([10, 100, 1000, 10_000, 100_000]))
    end = contents(bases()[4])
    schema = end.of(2)[1]
    listed = rng.random() < 0.5
    nest = [Struct([[3, I32, 2 if listed else 1], [4, BINARY, b"n"], [5, I32, 1]]) for _ in range(depth)]
    schema[-1:] = [*nest, schema[-1]]
    return with_contents(bases()[4], end), f"{'lists' if listed else 'structures'} {depth} deep"


ZEROS: Final = 2**24


@cache
def blown(codec: str, size: int) -> bytes:
    """``size`` zeros by a codec that makes next to nothing of them."""
    if codec == "zstd":  # frames may follow each other
        return bytes(pa.Codec("zstd").compress(bytes(ZEROS), asbytes=True)) * (size // ZEROS)
    if codec == "lz4_raw":  # one literal, then one match as long as may be, and five literals
        left, rest = divmod(size - 1 - 4 - 5 - 15, 255)
        return b"\x1f\0\1\0" + b"\xff" * left + bytes([rest]) + b"\x50" + bytes(5)
    if codec == "gzip":  # a stretch that needs nothing before it, again and again
        pack = zlib.compressobj(1, zlib.DEFLATED, -15)
        stretch = pack.compress(bytes(ZEROS)) + pack.flush(zlib.Z_FULL_FLUSH)
        crc = 0
        for _ in range(size // ZEROS):
            crc = zlib.crc32(bytes(ZEROS), crc)
        end = zlib.compressobj(1, zlib.DEFLATED, -15).flush()
        tail = crc.to_bytes(4, "little") + (size % 2**32).to_bytes(4, "little")
        return b"\x1f\x8b\x08" + bytes(7) + stretch * (size // ZEROS) + end + tail
    out = io.BytesIO()
    with pa.CompressedOutputStream(pa.PythonFile(out, "w"), codec) as stream:
        for _ in range(size // ZEROS):
            stream.write(bytes(ZEROS))
        stream.flush()
        return out.getvalue()


def _constant(name: str, kind: int, value: bytes, rows: int, **what: Any) -> Column:
    pages = [dictionary_page(value, 1), data_page(same_value(rows), rows, DICTIONARY)]
    return Column(name, kind, rows, pages, **what)


def _drive(rows: int, *more: Column) -> list[Column]:
    """A vehicle that stands at one moment, in some hundred bytes."""
    return [
        _constant("vehicle_id", BYTES, text(b"V1"), rows, text=True),
        _constant("timestamp", INT64, START_US.to_bytes(8, "little"), rows, time=True),
        _constant("speed_mps", FLOAT64, struct.pack("<d", 3.0), rows),
        *more,
    ]


def bomb(rng: Rng) -> Made:
    """A page of a needed channel that blows up to a gigabyte and more, told in the contents or kept from them."""
    codec = str(rng.choice(["zstd", "zstd", "lz4_raw", "gzip", "brotli"]))
    size = ZEROS * (32 if codec == "brotli" else int(rng.choice([20, 64, 100])))
    rows = size // 8 if rng.random() < 0.5 else 1000
    honest = rng.random() < 0.5
    body = blown(codec, size)
    name, kind = [("timestamp", INT64), ("speed_mps", FLOAT64), ("vehicle_id", BYTES), ("grade", FLOAT64)][
        int(rng.integers(4))
    ]
    page = data_page(body, rows, 0, size)
    own = Column(
        name, kind, rows, [page], codec, kind == BYTES, name == "timestamp", None if honest else min(size, 9 * rows)
    )
    columns = [own if own.name == column.name else column for column in _drive(rows)]
    columns += [] if any(own is column for column in columns) else [own]
    said = f"{codec}: {name} of {rows} rows blows up to {size} bytes, {'told' if honest else 'not told'}"
    return by_hand([columns], [rows]), said


def many_rows(rng: Rng) -> Made:
    """Billions of rows in some hundred bytes, in one row group or many, standing still or with stamps that rise."""
    groups = int(rng.choice([1, 1, 10]))
    rows = int(rng.choice([2**24, 2**28, 2**31 - 1]))
    columns = _drive(rows)
    how = "one moment"
    if rng.random() < 0.5:
        # DELTA_BINARY_PACKED: one block of all rows whose differences all are the least one
        block = -(-rows // 128) * 128
        delta = varint(block) + varint(1) + varint(rows) + varint(START_US << 1) + varint(20_000 << 1) + b"\0"
        columns[1] = Column("timestamp", INT64, rows, [data_page(delta, rows, 5)], time=True)
        how = "rising stamps"
    return by_hand([columns] * groups, [rows] * groups), f"{groups} row groups of {rows} rows, {how}"


def huge_text(rng: Rng) -> Made:
    """An identifier of up to 64 MB that many rows point to, in one row or in turn with a short one."""
    size = int(rng.choice([1000, 100_000, 2**20, 2**24, 2**26]))
    rows = int(rng.choice([3, 300, 9_000, 100_000]))
    name = str(rng.choice(["vehicle_id", "driver_id", "event_id", "brake_source", "road_surface"]))
    words = text(b"x" * size) + text(b"y")
    codec = str(rng.choice(["none", "zstd"]))
    packed = words if codec == "none" else bytes(pa.Codec("zstd").compress(words, asbytes=True))
    turns = rng.random() < 0.5
    eights = -(-rows // 8)
    body = b"\1" + varint(eights << 1 | 1) + b"\x55" * eights if turns else same_value(rows)
    if codec == "zstd":
        plain, body = body, bytes(pa.Codec("zstd").compress(body, asbytes=True))
    else:
        plain = body
    pages = [dictionary_page(packed, 2, len(words)), data_page(body, rows, DICTIONARY, len(plain))]
    own = Column(name, BYTES, rows, pages, codec, text=True)
    columns = [column for column in _drive(rows) if column.name != name]
    return by_hand([[own, *columns]], [rows]), f"{name} of {size} letters over {rows} rows{' in turn' if turns else ''}"


def claims(rng: Rng) -> Made:
    """A page that says it has up to two gigabytes and has some bytes; or values and no end of them."""
    rows = 1000
    said = int(rng.choice([2**28, 2**31 - 1, -1]))
    columns = _drive(rows)
    at = int(rng.integers(3))
    codec = str(rng.choice(["none", "snappy", "zstd", "gzip"]))
    pages = list(columns[at].pages)
    which = int(rng.integers(2))
    packed = pages[which].body if codec == "none" else bytes(pa.Codec(codec).compress(pages[which].body, asbytes=True))
    header = pages[which].header.put(2, I32, said).put(3, I32, len(packed))
    if rng.random() < 0.3:
        header.put(3, I32, said)
    pages[which] = Page(header, packed)
    kind = columns[at]
    columns[at] = Column(kind.name, kind.kind, rows, pages, codec, kind.text, kind.time, 9 * rows)
    return by_hand([columns], [rows]), f"{codec}: a page of {kind.name} says {said} bytes"

"""Damaged, wrong and hostile Parquet recordings, each made again from its family's name and a number."""

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
    Mutator,
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
from faults.parquet_types import missing_and_doubled, wrong_types
from faults.thrift_compact import (
    BINARY,
    BYTE,
    DOUBLE,
    FALSE,
    I16,
    I32,
    I64,
    LIST,
    STRUCT,
    TRUE,
    Struct,
    read,
    varint,
    written,
)

Rng = np.random.Generator

#: Numbers at the edges of their types, for sizes, counts and places.
EDGES: Final = (
    0,
    1,
    -1,
    2,
    127,
    128,
    255,
    65_536,
    10**6,
    2**31 - 1,
    2**31,
    -(2**31),
    2**32,
    2**62,
    2**63 - 1,
    -(2**63),
)


def _base(rng: Rng) -> tuple[bytes, int]:
    number = int(rng.integers(len(bases())))
    return bases()[number], number


def _footer(data: bytes) -> int:
    """Where the table of contents begins."""
    return len(data) - 8 - int.from_bytes(data[-8:-4], "little")


def _flipped(data: bytes, rng: Rng, low: int, high: int) -> Made:
    changed = bytearray(data)
    count = int(rng.choice([1, 1, 2, 4, 16, 64]))
    for place in rng.integers(low, high, count):
        if rng.random() < 0.5:
            changed[place] ^= 1 << int(rng.integers(8))
        else:
            changed[place] = int(rng.integers(256))
    return bytes(changed), f"{count} bytes changed between {low} and {high}"


def flipped_anywhere(rng: Rng) -> Made:
    data, number = _base(rng)
    made, said = _flipped(data, rng, 0, len(data))
    return made, f"base {number}: {said}"


def flipped_in_contents(rng: Rng) -> Made:
    data, number = _base(rng)
    made, said = _flipped(data, rng, _footer(data), len(data))
    return made, f"base {number}: {said}"


def flipped_in_page_header(rng: Rng) -> Made:
    data, number = _base(rng)
    start, end, _ = _a_header(data, rng)
    made, said = _flipped(data, rng, start, end)
    return made, f"base {number}: {said}"


def cut(rng: Rng) -> Made:
    """The tail, the middle or the beginning gone; or a part twice."""
    data, number = _base(rng)
    a, b = sorted(int(place) for place in rng.integers(0, len(data) + 1, 2))
    how = int(rng.integers(5))
    made = (data[:a], data[:a] + data[b:], data[b:], data[:b] + data[a:], data[:a] + bytes(b - a) + data[b:])[how]
    what = ("cut at", "without the middle", "without the beginning", "with a part twice", "with a part of zeros")[how]
    return made, f"base {number}: {what} {a} to {b}"


def swapped_contents(rng: Rng) -> Made:
    """The table of contents of one file after the pages of another."""
    one, other = (int(number) for number in rng.choice(len(bases()), 2, replace=False))
    return with_contents(bases()[one], contents(bases()[other])), f"pages of base {one}, contents of {other}"


def wrong_magic(rng: Rng) -> Made:
    data, number = _base(rng)
    begin, end = (bytes(rng.choice([b"PAR1", b"PARE", b"PAR2", b"PK\3\4", b"\0\0\0\0"])) for _ in range(2))
    size = int(rng.choice([0, 1, 8, len(data) - 12, len(data), 2**31 - 1, 2**31, 2**32 - 1]))
    length = data[-8:-4] if rng.random() < 0.5 else size.to_bytes(4, "little")
    return begin + data[4:-8] + length + end, f"base {number}: {begin!r}, {length!r}, {end!r}"


# --- fields of the structures ---------------------------------------------------------------------------------------


def _another(value: Any, kind: int, rng: Rng) -> Any:  # noqa: PLR0911
    if kind in (TRUE, FALSE):
        return not value
    if kind == BYTE:
        return int(rng.integers(256))
    if kind in (I16, I32, I64):
        edge = EDGES[int(rng.integers(len(EDGES)))]
        return int(rng.choice([edge, value + 1, value - 1, -value, value * 2, int(rng.integers(0, 16))]))
    if kind == DOUBLE:
        return rng.bytes(8)
    if kind == BINARY:
        choices = (b"", value[::-1], value * 100, b"\xff\xfe" + value, b"\0" * 8, rng.bytes(12), value[:-1])
        return choices[int(rng.integers(len(choices)))]
    if kind == LIST:
        inner, values = value
        choices = ([], values * 2, values[:-1], values[1:], values[::-1], values * 50)
        return [inner, choices[int(rng.integers(len(choices)))]]
    return Struct()


def fields_changed(whole: Struct, rng: Rng) -> str:
    """Change some fields in place; what was done."""
    said = []
    for _ in range(int(rng.choice([1, 1, 1, 2, 5]))):
        places = [(one, at) for one in whole.within() for at in range(len(one.fields))]
        if not places:
            break
        one, at = places[int(rng.integers(len(places)))]
        number, kind, value = one.fields[at]
        if rng.random() < 0.1:
            del one.fields[at]
            said.append(f"field {number} dropped")
        elif rng.random() < 0.05:
            one.fields[at] = [number + 1, kind, value]
            said.append(f"field {number} is {number + 1}")
        else:
            one.fields[at][2] = _another(value, kind, rng)
            said.append(f"field {number} {str(value)[:30]} -> {str(one.fields[at][2])[:30]}")
    return ", ".join(said)


def fields_of_contents(rng: Rng) -> Made:
    data, number = _base(rng)
    end = contents(data)
    said = fields_changed(end, rng)
    return with_contents(data, end), f"base {number}: {said}"


def numbers_of_row_groups(rng: Rng) -> Made:
    """Rows, sizes and places of row groups and their columns."""
    data, number = _base(rng)
    end = contents(data)
    groups = end.of(4)[1]
    group = groups[int(rng.integers(len(groups)))]
    chunk = group.of(1)[1][int(rng.integers(len(group.of(1)[1])))].of(3)
    where, field = ((end, 3), (group, 2), (group, 3), *((chunk, k) for k in (4, 5, 6, 7, 9, 11)))[int(rng.integers(9))]
    value = EDGES[int(rng.integers(len(EDGES)))]
    where.put(field, I64 if field != 4 or where is not chunk else I32, value)
    return with_contents(data, end), f"base {number}: field {field} is {value}"


def _headers(data: bytes) -> list[tuple[int, int, Struct]]:
    """Start and end of every page's header, and what it says."""
    found = []
    for group in contents(data).of(4)[1]:
        for chunk in (one.of(3) for one in group.of(1)[1]):
            facts = {number: value for number, _, value in chunk.fields}
            place = facts.get(11) or facts[9]
            stop = place + facts[7]
            while place < stop:
                header, end = read(data, place)
                found.append((place, end, header))
                place = end + header.of(3)
    return found


def _a_header(data: bytes, rng: Rng) -> tuple[int, int, Struct]:
    headers = _headers(data)
    return headers[int(rng.integers(len(headers)))]


def fields_of_page_header(rng: Rng) -> Made:
    """One page's header says something else; what comes after stays where it is as far as it has the same length."""
    data, number = _base(rng)
    start, end, header = _a_header(data, rng)
    if rng.random() < 0.5:
        field, value = int(rng.choice([1, 2, 3])), EDGES[int(rng.integers(len(EDGES)))]
        header.put(field, I32, value)
        said = f"field {field} is {value}"
    else:
        said = fields_changed(header, rng)
    new = written(header)
    return data[:start] + new + data[end:], f"base {number}: header at {start}: {said}"


def page_bytes(rng: Rng) -> Made:
    """Uncompressed values, levels and indices changed, so that no decompression finds it."""
    data = bases()[6]
    start, end, header = _a_header(data, rng)
    made, said = _flipped(data, rng, end, max(end + 1, end + min(24, header.of(3))))
    return made, f"base 6: {said} (page at {start})"


# --- far too much ----------------------------------------------------------------------------------------------------


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
    if codec == "gzip":
        pack, parts = zlib.compressobj(1, zlib.DEFLATED, 31), []
        parts = [pack.compress(bytes(ZEROS)) for _ in range(size // ZEROS)]
        return b"".join(parts) + pack.flush()
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
    size = ZEROS * int(rng.choice([20, 64, 100]))
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


@cache
def _long() -> bytes:
    """So many rows a row group that words are read as dictionaries."""
    return as_file(stop_columns(40), compression="zstd")


def contradictions(rng: Rng) -> Made:
    """Histograms of levels that are not as long as they must be, or other facts that contradict the schema.

    Whoever asks the decoding library for such a column's facts is ended by it, with the whole process.
    """
    end = contents(_long())
    chunks = end.of(4)[1][0].of(1)[1]
    facts = chunks[int(rng.integers(len(chunks)))].of(3)
    if rng.random() < 0.7:
        sizes = facts.of(16)
        which = int(rng.choice([2, 3]))
        sizes.put(which, LIST, [I64, [1] * int(rng.integers(1, 9)) + ([] if which == 3 else [2] * 4)])
        said = f"histogram {which} of another length"
    else:
        said = fields_changed(facts, rng)
    return with_contents(_long(), end), said


#: By name; how many of a hundred or so, 0: where it is asked for only, since it takes long to make.
FAMILIES: Final[dict[str, tuple[Mutator, int]]] = {
    "a million columns": (million_columns, 0),
    "bytes changed anywhere": (flipped_anywhere, 16),
    "bytes changed in the contents": (flipped_in_contents, 16),
    "bytes changed in a page header": (flipped_in_page_header, 10),
    "values changed": (page_bytes, 8),
    "cut": (cut, 10),
    "contents swapped": (swapped_contents, 2),
    "wrong magic": (wrong_magic, 2),
    "fields of the contents": (fields_of_contents, 14),
    "numbers of row groups": (numbers_of_row_groups, 8),
    "fields of a page header": (fields_of_page_header, 14),
    "wrong types": (wrong_types, 12),
    "missing and doubled columns": (missing_and_doubled, 8),
    "many columns": (many_columns, 1),
    "many row groups": (many_row_groups, 1),
    "metadata": (big_metadata, 1),
    "deep": (deep, 2),
    "bombs": (bomb, 1),
    "many rows": (many_rows, 1),
    "huge texts": (huge_text, 2),
    "claims of size": (claims, 1),
    "contradictions": (contradictions, 3),
}


def made(family: str, seed: int, number: int) -> Made:
    """File ``number`` of a family: its bytes and what was done."""
    place = list(FAMILIES).index(family)
    return FAMILIES[family][0](np.random.default_rng([seed, place, number]))


def plan(files: int) -> list[tuple[str, int]]:
    """Which families, how often by their weight, in turns: at least one of each."""
    whole = sum(weight for _, weight in FAMILIES.values())
    counts = {name: max(1, round(files * weight / whole)) for name, (_, weight) in FAMILIES.items() if weight}
    return [(name, number) for name, count in counts.items() for number in range(count)]

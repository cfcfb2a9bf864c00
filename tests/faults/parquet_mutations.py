"""Damaged, wrong and hostile Parquet recordings, each made again from its family's name and a number."""

import zlib
from functools import cache
from typing import Any, Final

import numpy as np
from faults.parquet_bases import (
    Made,
    Mutator,
    as_file,
    bases,
    contents,
    stop_columns,
    with_contents,
)
from faults.parquet_far_too_much import (
    big_metadata,
    bomb,
    claims,
    deep,
    huge_text,
    many_columns,
    many_row_groups,
    many_rows,
    million_columns,
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
    TRUE,
    Struct,
    read,
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
    rng = np.random.default_rng([seed, zlib.crc32(family.encode()), number])
    return FAMILIES[family][0](rng)


def plan(files: int) -> list[tuple[str, int]]:
    """Which families, how often by their weight, in turns: at least one of each."""
    whole = sum(weight for _, weight in FAMILIES.values())
    counts = {name: max(1, round(files * weight / whole)) for name, (_, weight) in FAMILIES.items() if weight}
    return [(name, number) for name, count in counts.items() for number in range(count)]

"""What a Parquet file says of the pages of its columns, and they of themselves, before any of them is decoded.

The table of contents need not be true, and nobody else looks at a page before as much memory is taken as it asks for.
The library that decodes hands on the parts of a table of contents, but ends the process where some of them contradict
each other: hence they are read here. Fields and codes after ``parquet.thrift`` (from memory; in the tests held against
the files of a writer).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import pyarrow as pa

from fleetbrake.recordings.compact import I32, I64, LIST, STRUCT, BadStructure, fields, items, signed

#: Kinds of pages.
DICTIONARY_PAGE: Final = 2
#: Texts as what differs from the one before: a few bytes may stand for a long text.
DELTA_BYTE_ARRAY: Final = 7
#: Fields of a page header that say how its values are written: of data pages, dictionaries, data pages of version 2.
_WRITTEN: Final = {5: 2, 7: 2, 8: 4}
#: Fields of a column's facts: bytes unpacked and in the file, places of data and dictionary.
_FACTS: Final = frozenset((6, 7, 9, 11))
#: Bytes looked at for a header: nearly all are shorter; the last is the decoder's own bound.
_LOOKS: Final = (256, 65_536, 2**24)


@dataclass(frozen=True, slots=True)
class Chunk:
    """Pages of one column in one row group: their bytes unpacked and in the file, by what the file says."""

    unpacked: int
    start: int
    length: int
    encrypted: bool = False


@dataclass(frozen=True, slots=True)
class PageHeader:
    """Kind of page, its bytes unpacked and packed, encoding of its values (None: not told), bytes of the header."""

    kind: int
    uncompressed: int
    compressed: int
    encoding: int | None
    length: int


def chunks_of(contents: bytes) -> list[list[Chunk]]:
    """The columns of every row group, by the table of contents.

    Raises
    ------
    BadStructure
        If it is none.
    """
    groups: list[list[Chunk]] = []
    end = [0]
    try:
        for number, kind, place in fields(contents, 0, end):
            if number == 4 and kind == LIST:
                inner, count, at = items(contents, place)
                groups = []
                for _ in range(count):
                    group, at = _group(contents, at, inner)
                    groups.append(group)
                end[0] = at
    except IndexError:
        raise BadStructure("its table of contents ends too early") from None
    return groups


def _group(data: bytes, place: int, kind: int) -> tuple[list[Chunk], int]:
    if kind != STRUCT:
        raise BadStructure("row groups that are none")
    chunks: list[Chunk] = []
    end = [0]
    for number, inner, at in fields(data, place, end):
        if number == 1 and inner == LIST:
            kind, count, start = items(data, at)
            chunks = []
            for _ in range(count):
                chunk, start = _chunk(data, start, kind)
                chunks.append(chunk)
            end[0] = start
    return chunks, end[0]


def _chunk(data: bytes, place: int, kind: int) -> tuple[Chunk, int]:
    if kind != STRUCT:
        raise BadStructure("columns that are none")
    numbers: dict[int, int] = {}
    end, inside = [0], [0]
    encrypted = False
    for number, inner, at in fields(data, place, end):
        encrypted = encrypted or number == 8
        if number == 3 and inner == STRUCT:
            numbers = {}
            for field, its_kind, value in fields(data, at, inside):
                if field in _FACTS and its_kind == I64:
                    numbers[field], inside[0] = signed(data, value)
            end[0] = inside[0]
    start, dictionary = numbers.get(9, -1), numbers.get(11, 0)
    if 0 < dictionary < start:
        start = dictionary
    return Chunk(numbers.get(6, -1), start, numbers.get(7, -1), encrypted), end[0]


def page_headers(handle: pa.NativeFile, start: int, stop: int) -> Iterator[PageHeader]:
    """The headers of the pages that stand one after the other in ``[start, stop)`` of a file.

    Raises
    ------
    BadStructure
        If there is none where the one before says that the next page begins.
    """
    while start < stop:
        header = _header_at(handle, start, stop)
        ends = start + header.length + header.compressed
        if header.compressed < 0 or header.uncompressed < 0 or ends > stop:
            raise BadStructure(f"a page of {header.compressed} bytes at {start} that become {header.uncompressed}")
        yield header
        start = ends


def _header_at(handle: pa.NativeFile, start: int, stop: int) -> PageHeader:
    for most in _LOOKS:
        data = handle.read_at(min(most, stop - start), start)
        try:
            return _parsed(data)
        except IndexError:  # it goes on beyond what was looked at
            if len(data) < most:
                break
    raise BadStructure(f"no page header at {start}")


def _parsed(data: bytes) -> PageHeader:
    """IndexError where the data end before the header does."""
    numbers: dict[int, int] = {}
    encoding: int | None = None
    end, inside = [0], [0]
    for number, kind, place in fields(data, 0, end):
        if number <= 3 and kind == I32:
            numbers[number], end[0] = signed(data, place)
        elif number in _WRITTEN and kind == STRUCT:
            for field, its_kind, at in fields(data, place, inside):
                if field == _WRITTEN[number] and its_kind == I32:
                    encoding, inside[0] = signed(data, at)
            end[0] = inside[0]
    if not numbers.keys() >= {1, 2, 3}:
        raise BadStructure("a page header without kind or size")
    return PageHeader(numbers[1], numbers[2], numbers[3], encoding, end[0])

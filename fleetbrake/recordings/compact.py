"""Structures of the thrift compact protocol, in which a Parquet file speaks of itself: walked through, not kept.

After the protocol's description (from memory; in the tests held against the files of a writer). Whatever the bytes
are, a walk ends: with ``IndexError`` where they do, with :class:`BadStructure` where they are no structure.
"""

from collections.abc import Iterator
from typing import Final

TRUE, FALSE, BYTE, I16, I32, I64, DOUBLE, BINARY, LIST, SET, STRUCT = 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12

_DEEPEST: Final = 16
_LONGEST_NUMBER: Final = 63


class BadStructure(ValueError):
    """The bytes are no structure of the kind that should be there."""


def fields(data: bytes, place: int, end: list[int]) -> Iterator[tuple[int, int, int]]:
    """Number, kind and place of the value of each field of the structure at ``place``.

    ``end`` holds where the last value asked for ended, to be set by whoever read it; what is left at the field's own
    place is passed over. At last it holds where the structure ends.
    """
    number = 0
    while True:
        head = data[place]
        if not head:
            end[0] = place + 1
            return
        kind, place = head & 15, place + 1
        if head > 15:
            number += head >> 4
        else:
            number, place = signed(data, place)
        end[0] = place
        yield number, kind, place
        place = end[0] if end[0] > place else after(data, place, kind)


def unsigned(data: bytes, place: int) -> tuple[int, int]:
    """A number, and where it ends."""
    byte = data[place]
    if byte < 128:
        return byte, place + 1
    value, shift, place = byte & 127, 7, place + 1
    while byte > 127:
        if shift > _LONGEST_NUMBER:
            raise BadStructure("a number without end")
        byte = data[place]
        value |= (byte & 127) << shift
        shift, place = shift + 7, place + 1
    return value, place


def signed(data: bytes, place: int) -> tuple[int, int]:
    """A number that may be negative, and where it ends."""
    value, place = unsigned(data, place)
    return value >> 1 ^ -(value & 1), place


def items(data: bytes, place: int) -> tuple[int, int, int]:
    """Kind and number of a list's items, and where the first one begins."""
    head = data[place]
    if head < 0xF0:
        return head & 15, head >> 4, place + 1
    count, place = unsigned(data, place + 1)
    return head & 15, count, place


def after(data: bytes, place: int, kind: int, depth: int = 0) -> int:
    """Where a value ends that nobody asks for."""
    if I16 <= kind <= I64:
        while data[place] > 127:
            place += 1
        return place + 1
    if kind in (TRUE, FALSE):  # a yes or no stands in the field's own byte
        return place
    if kind == BINARY:
        length, place = unsigned(data, place)
        return place + length
    if depth > _DEEPEST:
        raise BadStructure("structures within structures without end")
    if kind == STRUCT:
        while head := data[place]:
            place += 1
            if head < 16:
                _, place = unsigned(data, place)
            place = after(data, place, head & 15, depth + 1)
        return place + 1
    if kind in (LIST, SET):
        return _after_items(data, *items(data, place), depth)
    if kind in (BYTE, DOUBLE):
        return place + (1 if kind == BYTE else 8)
    raise BadStructure(f"a value of no kind ({kind})")


def _after_items(data: bytes, kind: int, count: int, place: int, depth: int) -> int:
    if kind in (TRUE, FALSE, BYTE):
        return place + count
    for _ in range(count):
        data[place]
        place = after(data, place, kind, depth + 1)
    return place

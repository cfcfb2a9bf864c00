"""Structures of the thrift compact protocol, read and written field by field: what the inside of a Parquet file is in.

Knows nothing of Parquet's own fields, so that any of them can be changed. After the protocol's published description
(thrift-compact-protocol.md of the Apache Thrift project; from memory, and held against files of an independent writer).
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

TRUE, FALSE, BYTE, I16, I32, I64, DOUBLE, BINARY, LIST, SET, MAP, STRUCT = range(1, 13)


@dataclass
class Struct:
    """Fields in their order: ``[number, kind, value]``; a list's value is ``[kind, [values]]``."""

    fields: list[list[Any]] = field(default_factory=list)

    def of(self, number: int) -> Any:
        """The value of the first field of this number; KeyError if there is none."""
        for own, _, value in self.fields:
            if own == number:
                return value
        raise KeyError(number)

    def put(self, number: int, kind: int, value: Any) -> "Struct":
        """Set a field, in its place or at the end."""
        for item in self.fields:
            if item[0] == number:
                item[1:] = [kind, value]
                return self
        self.fields.append([number, kind, value])
        return self

    def within(self) -> Iterator["Struct"]:
        """This one and all that are in it."""
        yield self
        for _, kind, value in self.fields:
            if kind == STRUCT:
                yield from value.within()
            elif kind in (LIST, SET) and value[0] == STRUCT:
                for item in value[1]:
                    yield from item.within()


def read(data: bytes, place: int = 0) -> tuple[Struct, int]:
    """The structure that begins at ``place``, and where it ends."""
    found, number = Struct(), 0
    while True:
        head = data[place]
        place += 1
        if head == 0:
            return found, place
        kind, step = head & 15, head >> 4
        if step:
            number += step
        else:
            number, place = _zigzag(data, place)
        value, place = _value(data, place, kind, inside=False)
        found.fields.append([number, kind, value])


def written(struct: Struct) -> bytes:
    """The structure as bytes."""
    parts, last = [], 0
    for number, kind, value in struct.fields:
        own = (TRUE if value else FALSE) if kind in (TRUE, FALSE) else kind
        step = number - last
        parts.append(bytes([step << 4 | own]) if 0 < step < 16 else bytes([own]) + varint(_zigzagged(number)))
        parts.append(b"" if kind in (TRUE, FALSE) else _bytes(kind, value))
        last = number
    return b"".join(parts) + b"\0"


def varint(value: int) -> bytes:
    """An unsigned number, seven bits a byte."""
    out = bytearray()
    while value > 127:
        out.append(value & 127 | 128)
        value >>= 7
    out.append(value)
    return bytes(out)


def _unsigned(data: bytes, place: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        byte = data[place]
        place += 1
        value |= (byte & 127) << shift
        if byte < 128:
            return value, place
        shift += 7


def _zigzag(data: bytes, place: int) -> tuple[int, int]:
    value, place = _unsigned(data, place)
    return value >> 1 ^ -(value & 1), place


def _zigzagged(value: int) -> int:
    return value << 1 if value >= 0 else (-value << 1) - 1


def _value(data: bytes, place: int, kind: int, *, inside: bool) -> tuple[Any, int]:  # noqa: PLR0911
    if kind in (TRUE, FALSE):
        return (data[place] == TRUE, place + 1) if inside else (kind == TRUE, place)
    if kind == BYTE:
        return data[place], place + 1
    if kind in (I16, I32, I64):
        return _zigzag(data, place)
    if kind == DOUBLE:
        return data[place : place + 8], place + 8
    if kind == BINARY:
        length, place = _unsigned(data, place)
        return data[place : place + length], place + length
    if kind in (LIST, SET):
        return _list(data, place)
    if kind == STRUCT:
        return read(data, place)
    raise ValueError(f"no value of kind {kind}")


def _list(data: bytes, place: int) -> tuple[Any, int]:
    head = data[place]
    place += 1
    kind, count = head & 15, head >> 4
    if count == 15:
        count, place = _unsigned(data, place)
    values = []
    for _ in range(count):
        value, place = _value(data, place, kind, inside=True)
        values.append(value)
    return [kind, values], place


def _bytes(kind: int, value: Any) -> bytes:  # noqa: PLR0911
    if kind in (TRUE, FALSE):
        return bytes([TRUE if value else FALSE])
    if kind == BYTE:
        return bytes([value & 255])
    if kind in (I16, I32, I64):
        return varint(_zigzagged(value))
    if kind == DOUBLE:
        return bytes(value)
    if kind == BINARY:
        return varint(len(value)) + bytes(value)
    if kind in (LIST, SET):
        inner, values = value
        head = bytes([len(values) << 4 | inner]) if len(values) < 15 else bytes([0xF0 | inner]) + varint(len(values))
        return head + b"".join(_bytes(inner, one) for one in values)
    return written(value)

"""Sound small recordings in as many ways of writing as there are, and Parquet files put together by hand."""

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from faults.thrift_compact import BINARY, FALSE, I32, I64, LIST, STRUCT, Struct, read, varint, written

START_US: Final = 1_767_600_000_000_000  # 2026-01-05T08:00:00Z
RATE_HZ: Final = 50
STOP_ROWS: Final = 300
MAGIC: Final = b"PAR1"

#: Codes of the format: physical types, encodings, codecs (parquet.thrift; from memory, held against files of a writer).
INT64, FLOAT64, BYTES = 2, 5, 6
PLAIN, RLE, DICTIONARY = 0, 3, 8
CODECS: Final = {"none": 0, "snappy": 1, "gzip": 2, "brotli": 4, "zstd": 6, "lz4_raw": 7}


def stop_columns(events: int = 3, vehicle_id: str = "V1", first: int = 0, *, cut: bool = True) -> dict[str, pa.Array]:
    """Stops from 20 m/s at 5 m/s2, 50 Hz, ten minutes apart, contract names; ``cut``: with ids of events."""
    time_s = np.arange(STOP_ROWS) / RATE_HZ
    speed = np.tile(np.clip(20.0 - 5.0 * np.clip(time_s - 1.0, 0.0, None), 0.0, None), events)
    event = np.repeat(np.arange(first, first + events), STOP_ROWS)
    stamps = START_US + event * 600_000_000 + np.tile(np.round(time_s * 1e6).astype(np.int64), events)
    rows, pressed = len(event), np.tile(time_s > 1.0, events)
    columns = {"event_id": pa.array([f"{vehicle_id}-E{number}" for number in event])} if cut else {}
    return columns | {
        "vehicle_id": pa.array([vehicle_id] * rows),
        "driver_id": pa.array(["D1"] * rows),
        "timestamp": pa.array(stamps, pa.timestamp("us", tz="UTC")),
        "speed_mps": pa.array(speed),
        **{f"wheel_speed_{wheel}_mps": pa.array(speed * 0.99) for wheel in ("1l", "1r", "2l", "2r")},
        "brake_pedal_pct": pa.array(np.where(pressed, 40.0, 0.0)),
        "brake_switch": pa.array(pressed),
        "brake_source": pa.array(["driver"] * rows),
    }


def as_file(table: pa.Table | dict[str, Any], **how: Any) -> bytes:
    """A table as the bytes of a file."""
    out = io.BytesIO()
    pq.write_table(table if isinstance(table, pa.Table) else pa.table(table), out, **how)
    return out.getvalue()


@cache
def bases() -> tuple[bytes, ...]:
    """The same stops by several ways of writing; the second and fourth without ids of events."""
    cut, drive = pa.table(stop_columns()), pa.table(stop_columns(cut=False))
    numbers = [name for name in drive.column_names if pa.types.is_floating(drive.schema.field(name).type)]
    delta = dict.fromkeys(("event_id", "vehicle_id", "driver_id", "brake_source"), "DELTA_BYTE_ARRAY")
    delta |= {"timestamp": "DELTA_BINARY_PACKED"} | dict.fromkeys(numbers, "PLAIN")
    split: dict[str, Any] = dict.fromkeys(numbers, "BYTE_STREAM_SPLIT")
    return (
        as_file(cut),
        as_file(drive, compression="zstd", data_page_version="2.0", row_group_size=150),
        as_file(cut, compression="gzip", use_dictionary=False, column_encoding=delta, write_page_index=True),
        as_file(drive, compression="brotli", use_dictionary=False, column_encoding=split, data_page_size=512),
        as_file(cut, compression="none", write_page_checksum=True, row_group_size=300, version="1.0"),
        as_file(cut, compression="lz4", store_schema=False, write_statistics=False, data_page_size=1024),
        as_file(cut, compression="none"),
    )


def contents(data: bytes) -> Struct:
    """The table of contents of a sound file."""
    length = int.from_bytes(data[-8:-4], "little")
    return read(data[-8 - length : -8])[0]


def with_contents(data: bytes, changed: Struct | bytes) -> bytes:
    """The file with another table of contents."""
    length = int.from_bytes(data[-8:-4], "little")
    return closed(data[: -8 - length], changed)


def closed(body: bytes, end: Struct | bytes) -> bytes:
    """Bytes of pages with a table of contents after them."""
    tail = end if isinstance(end, bytes) else written(end)
    return body + tail + len(tail).to_bytes(4, "little") + MAGIC


@dataclass(frozen=True)
class Page:
    """One page: its header and what follows it as it stands in the file."""

    header: Struct
    body: bytes

    @property
    def raw(self) -> bytes:
        """Both."""
        return written(self.header) + self.body


@dataclass(frozen=True)
class Column:
    """A column that is put together by hand: pages after each other, a dictionary first where there is one."""

    name: str
    kind: int
    values: int
    pages: Sequence[Page]
    codec: str = "none"
    text: bool = False
    time: bool = False
    says_uncompressed: int | None = None


def dictionary_page(values: bytes, number: int, uncompressed: int | None = None) -> Page:
    """A page of plain values that the following ones point to."""
    header = Struct([[1, I32, 2], [2, I32, len(values) if uncompressed is None else uncompressed]])
    header.put(3, I32, len(values)).put(7, STRUCT, Struct([[1, I32, number], [2, I32, PLAIN], [3, FALSE, False]]))
    return Page(header, values)


def data_page(body: bytes, number: int, encoding: int, uncompressed: int | None = None) -> Page:
    """A page of a needed column, so that nothing says which rows have a value."""
    header = Struct([[1, I32, 0], [2, I32, len(body) if uncompressed is None else uncompressed], [3, I32, len(body)]])
    levels = [[1, I32, number], [2, I32, encoding], [3, I32, RLE], [4, I32, RLE]]
    return Page(header.put(5, STRUCT, Struct(levels)), body)


def same_value(number: int, place: int = 0) -> bytes:
    """Indices: so many times the same place of a dictionary, in some ten bytes."""
    return bytes([8]) + varint(number << 1) + bytes([place])


def text(value: bytes) -> bytes:
    """A plain text value."""
    return len(value).to_bytes(4, "little") + value


def by_hand(groups: Sequence[Sequence[Column]], rows: Sequence[int]) -> bytes:
    """A file of row groups that have the same columns."""
    body = bytearray(MAGIC)
    parts = []
    for columns, number in zip(groups, rows, strict=True):
        chunks = [_chunk(column, body) for column in columns]
        parts.append(Struct([[1, LIST, [STRUCT, chunks]], [2, I64, 1], [3, I64, number]]))
    root = Struct([[4, BINARY, b"schema"], [5, I32, len(groups[0])]])
    schema = [root, *(_element(column) for column in groups[0])]
    end = Struct([[1, I32, 2], [2, LIST, [STRUCT, schema]], [3, I64, sum(rows)], [4, LIST, [STRUCT, parts]]])
    return closed(bytes(body), end)


def _element(column: Column) -> Struct:
    element = Struct([[1, I32, column.kind], [3, I32, 0], [4, BINARY, column.name.encode()]])
    if column.text:
        element.put(6, I32, 0).put(10, STRUCT, Struct([[1, STRUCT, Struct()]]))
    if column.time:
        unit = Struct([[2, STRUCT, Struct()]])
        element.put(6, I32, 10).put(10, STRUCT, Struct([[8, STRUCT, Struct([[1, 1, True], [2, STRUCT, unit]])]]))
    return element


def _chunk(column: Column, body: bytearray) -> Struct:
    start = len(body)
    for page in column.pages:
        body += page.raw
    length = len(body) - start
    headers = length - sum(len(page.body) for page in column.pages)
    whole = sum(page.header.of(2) for page in column.pages) + headers
    facts: list[list[Any]] = [
        [1, I32, column.kind],
        [2, LIST, [I32, [PLAIN, RLE, DICTIONARY]]],
        [3, LIST, [BINARY, [column.name.encode()]]],
        [4, I32, CODECS[column.codec]],
        [5, I64, column.values],
        [6, I64, whole if column.says_uncompressed is None else column.says_uncompressed],
        [7, I64, length],
    ]
    if column.pages[0].header.of(1) == 2:
        facts += [[9, I64, start + len(column.pages[0].raw)], [11, I64, start]]
    else:
        facts += [[9, I64, start]]
    return Struct([[2, I64, 0], [3, STRUCT, Struct(facts)]])


Made = tuple[bytes, str]
#: Changes one of the bases, or makes a file; the text says what was done.
Mutator = Callable[[np.random.Generator], Made]

"""Recordings whose columns are of any type, missing, doubled, or written otherwise."""

import datetime
from decimal import Decimal
from typing import Any, Final

import numpy as np
import pyarrow as pa
from faults.parquet_bases import Made, as_file, stop_columns

from fleetbrake.recordings.contract import CONTRACT

Rng = np.random.Generator
NAMES: Final = tuple(column.name for column in CONTRACT)


def _nested(rows: int, depth: int) -> pa.Array:
    """Lists in lists, the innermost with a number."""
    whole: pa.Array = pa.array(np.arange(float(rows)))
    for _ in range(depth):
        whole = pa.ListArray.from_arrays(pa.array(range(rows + 1), pa.int32()), whole)
    return whole


def _structures(rows: int, depth: int) -> pa.Array:
    whole: pa.Array = pa.array(np.arange(float(rows)))
    for _ in range(depth):
        whole = pa.StructArray.from_arrays([whole], ["n"])
    return whole


class _Own(pa.ExtensionType):
    def __init__(self) -> None:
        super().__init__(pa.float64(), "tests.own")

    def __arrow_ext_serialize__(self) -> bytes:
        return b"x"

    @classmethod
    def __arrow_ext_deserialize__(cls, storage_type: pa.DataType, serialized: bytes) -> "_Own":
        return cls()


def array_of(kind: str, rows: int, rng: Rng) -> pa.Array:  # noqa: PLR0911
    numbers = np.arange(rows)
    if kind == "decimal":
        return pa.array([Decimal(int(n)) / 7 for n in numbers]).cast(pa.decimal128(38, 9), safe=False)
    if kind == "decimal256":
        return pa.array([Decimal(int(n)) for n in numbers], pa.decimal256(76, 0))
    if kind == "struct":
        return pa.array([{"a": float(n)} for n in numbers])
    if kind == "map":
        return pa.array([[("k", float(n))] for n in numbers], pa.map_(pa.string(), pa.float64()))
    if kind == "list":
        return pa.array([[float(n)] * (n % 3) for n in numbers])
    if kind == "fixed list":
        return pa.FixedSizeListArray.from_arrays(pa.array(np.arange(2.0 * rows)), 2)
    if kind == "large list":
        return pa.array([[1.0]] * rows, pa.large_list(pa.float64()))
    if kind.startswith("nested"):
        return _nested(rows, int(kind.split()[1]))
    if kind.startswith("structures"):
        return _structures(rows, int(kind.split()[1]))
    if kind == "dictionary of numbers":
        return pa.DictionaryArray.from_arrays(pa.array(numbers % 3, pa.int8()), pa.array([1.0, 2.0, 3.0]))
    if kind == "dictionary of bytes":
        return pa.array([b"\xff%d" % (n % 3) for n in numbers]).dictionary_encode()
    if kind == "dictionary of true":
        return pa.DictionaryArray.from_arrays(pa.array(numbers % 2, pa.int8()), pa.array([True, False]))
    if kind == "dictionary of times":
        days = pa.array([1, 2, 3], pa.timestamp("us"))
        return pa.DictionaryArray.from_arrays(pa.array(numbers % 3, pa.int8()), days)
    if kind == "null":
        return pa.nulls(rows)
    if kind == "extension":
        return pa.ExtensionArray.from_storage(_Own(), pa.array(numbers * 1.0))
    if kind == "uuid":
        return pa.array([rng.bytes(16) for _ in numbers], pa.binary(16)).cast(pa.uuid())
    if kind == "json":
        return pa.array(['{"a": 1}'] * rows).cast(pa.json_())
    if kind == "text of numbers":
        return pa.array([str(n) for n in numbers])
    if kind == "bytes of no text":
        return pa.array([b"\xff\xfe%d" % n for n in numbers])
    if kind == "text view":
        return pa.array([f"w{n % 4}" for n in numbers], pa.string_view())
    if kind == "large text":
        return pa.array([f"w{n % 4}" for n in numbers], pa.large_string())
    if kind == "fixed bytes":
        return pa.array([b"%08d" % n for n in numbers], pa.binary(8))
    if kind == "date":
        return pa.array([datetime.date(2026, 1, 5)] * rows)
    wide = np.int32 if kind in ("time32", "date32") else np.int64
    return pa.array((numbers % 100).astype(wide)).cast(_PLAIN[kind], safe=False)


_PLAIN: Final[dict[str, pa.DataType]] = {
    "half": pa.float16(),
    "single": pa.float32(),
    "bool": pa.bool_(),
    "int8": pa.int8(),
    "uint8": pa.uint8(),
    "int16": pa.int16(),
    "uint32": pa.uint32(),
    "int64": pa.int64(),
    "uint64": pa.uint64(),
    "date64": pa.date64(),
    "time32": pa.time32("ms"),
    "time64": pa.time64("ns"),
    "duration": pa.duration("us"),
    "seconds": pa.timestamp("s"),
    "nanoseconds": pa.timestamp("ns", tz="UTC"),
    "zone": pa.timestamp("ms", tz="Asia/Kolkata"),
    "odd zone": pa.timestamp("us", tz="+05:43"),
    "unknown zone": pa.timestamp("us", tz="Nowhere/Never"),
}
KINDS: Final = (
    *_PLAIN, "decimal", "decimal256", "struct", "map", "list", "fixed list", "large list", "nested 10", "nested 100",
    "structures 100", "dictionary of numbers", "dictionary of bytes", "dictionary of true", "dictionary of times",
    "null", "extension", "uuid", "json", "text of numbers", "bytes of no text", "text view", "large text",
    "fixed bytes", "date",
)  # fmt: skip


def wrong_types(rng: Rng) -> Made:
    """One column of the contract, or a few, as any type; with and without Arrow's own word on it."""
    columns: dict[str, Any] = dict(stop_columns(cut=rng.random() < 0.5))
    rows = len(columns["speed_mps"])
    said = []
    for name in rng.choice(NAMES, int(rng.choice([1, 1, 2, 4])), replace=False):
        kind = str(rng.choice(KINDS))
        columns[str(name)] = array_of(kind, rows, rng)
        said.append(f"{name} as {kind}")
    return _as_it_can(columns, store_schema=rng.random() < 0.7), "; ".join(said)


def _as_it_can(columns: dict[str, Any], **how: Any) -> bytes:
    """The file; what no writer takes (a half precision number in a dictionary, say) is left to the next choice."""
    try:
        return as_file(columns, **how)
    except (pa.ArrowException, ValueError, OSError):
        return as_file({name: value for name, value in columns.items() if name in stop_columns()}, **how)


_ODD: Final = (
    "\0",
    "a\0b",
    "\u202egnp",
    "\n",
    "",
    " ",
    ".",
    "a.b",
    "a" * 10_000,
    "\N{PILE OF POO}",
    "\\",
    '"',
    "'",
    "\x1b[31m",
)


def missing_and_doubled(rng: Rng) -> Made:
    """Columns gone, twice, in capitals, or under an odd name; no rows; no columns."""
    columns = stop_columns(cut=rng.random() < 0.5)
    names, arrays = list(columns), list(columns.values())
    said = []
    for _ in range(int(rng.choice([1, 1, 2, 5]))):
        at, how = int(rng.integers(len(names))), int(rng.integers(6))
        said.append(f"{names[at][:40]!r} {('gone', 'twice', 'in capitals', 'renamed', 'odd', 'not filled')[how]}")
        if how == 0 and len(names) > 1:
            del names[at], arrays[at]
        elif how == 1:
            names.append(names[at])
            arrays.append(arrays[at])
        elif how == 2:
            names[at] = names[at].upper()
        elif how == 3:
            names[at] = str(rng.choice(NAMES))
        elif how == 4:
            names[at] += str(rng.choice(_ODD))
        else:
            arrays[at] = pa.nulls(len(arrays[at]), arrays[at].type)
    table = pa.Table.from_arrays(arrays, names=names)
    end = rng.random()
    if end < 0.05:
        table, said = table.slice(0, 0), [*said, "no rows"]
    elif end < 0.1:
        table, said = table.select([]), [*said, "no columns"]
    return as_file(table), "; ".join(said)

"""Mapping files and registers as people, spreadsheets and failing disks make them: near a good one, and wrong.

Everything is drawn by hypothesis from the good ones that come with the project; nothing of the product is used to make
them, save the lists of names.
"""

import datetime
import io
import json
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from hypothesis import strategies as st

from fleetbrake.core import vocabulary
from fleetbrake.core.tables import REGISTERS
from fleetbrake.recordings import contract

ROOT = Path(__file__).resolve().parents[2]
BASES = [
    tomllib.loads(path.read_text(encoding="utf-8"))
    for path in sorted(
        [*ROOT.glob("fleetbrake/recordings/mappings/*.toml"), *ROOT.glob("data_samples/mappings/*.toml")]
    )
]
#: Columns of the recording that is read by a mapping that was taken.
SOURCES = ("t_s", "time", "v_mps", "speed_mps", "SPN84", "SPN521", "wheel_fl_mps", "wheel_fr_radps", "brake_pedal_01")
KEYS = (
    "source", "unit", "factor", "offset", "constant", "start", "null_values", "null_from", "take", "relative_to",
    "saturates_at", "true_values", "rolling_radius_m", "speed_source", "reads_zero_below_mps", "loose_names", "columns",
    "nonsense", "", " ", "__class__", "source.source",
)  # fmt: skip
UNITS = (
    "m/s",
    "km/h",
    "mph",
    "rad/s",
    "rpm",
    "%",
    "kPa",
    "psi",
    "degC",
    "K",
    "s",
    "ms",
    "m/s**2",
    "deg",
    "furlong",
    "m",
)

odd_texts = st.one_of(
    st.sampled_from(["", " ", "\x00", "\x1b[31m", "\u202eabc", "'; DROP TABLE events; --", "<script>", "=1+1", "../..",
                     "NaN", "null", "true", "1e999", "a" * 10_000, "ß" * 300, "\ufeff", "{0.__class__}", "%s%n"]),
    st.text(max_size=40),
)  # fmt: skip
odd_numbers = st.one_of(
    st.sampled_from([0, -0.0, -1, 1, 2**31, 2**63, -(2**63), 10**400, 1e308, 5e-324, float("nan"), float("inf"), -1e9]),
    st.floats(),
    st.integers(),
)
odd_values = st.recursive(
    st.one_of(odd_texts, odd_numbers, st.booleans(), st.datetimes(), st.dates(), st.sampled_from(UNITS)),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(st.sampled_from(KEYS), inner, max_size=3)),
    max_leaves=6,
)


def _text(value: Any) -> str:
    """A value as TOML writes it; what TOML cannot hold becomes something near it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value.encode("utf-8", "replace").decode(), ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_text(str(key))} = {_text(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_text, value)) + "]"
    if hasattr(value, "isoformat"):
        return str(value.isoformat())
    return repr(value)


def toml_of(tree: dict[str, Any]) -> str:
    """A tree as TOML, tables in one line each."""
    lines = [f"{_text(str(key))} = {_text(value)}" for key, value in tree.items() if key != "columns"]
    columns = tree.get("columns")
    if isinstance(columns, dict):
        lines += ["[columns]", *(f"{_text(str(key))} = {_text(value)}" for key, value in columns.items())]
    elif "columns" in tree:
        lines.append(f"columns = {_text(columns)}")
    return "\n".join(lines) + "\n"


def _near(value: Any) -> st.SearchStrategy[Any]:
    """Values that may well stand in the place of this one."""
    if isinstance(value, bool):
        return st.booleans()
    if isinstance(value, dict):
        return st.sampled_from([value | {"factor": 2.0}, value | {"null_values": [0]}, value | {"unit": "km/h"}, "t_s"])
    if isinstance(value, int | float):
        return st.sampled_from([1.0, 0.5, -2.0, 1000.0, 3, 1e-6, 0.0])
    return st.sampled_from([*UNITS, *SOURCES, "gnss", "wheel", "2026-01-05T08:00:00Z", "1970-01-01", "lowest"])


def _places(tree: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The way to every value of the tree."""
    inside = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    return [found for key, value in inside for found in [(*at, key), *_places(value, (*at, key))]]


def _holder(tree: Any, place: tuple[Any, ...]) -> Any:
    for key in place[:-1]:
        tree = tree[key]
    return tree


@st.composite
def mapping_files(draw: st.DrawFn) -> bytes:
    """The bytes of a mapping file: a good one with one to five things changed, then perhaps bytes."""
    tree = json.loads(json.dumps(draw(st.sampled_from(BASES)), default=str))
    gentle = draw(st.booleans())  # what a person might well write, so that many are taken and a recording is read
    for _ in range(draw(st.sampled_from((1, 1, 1, 2, 4)))):
        places = _places(tree)
        if not places:
            break
        place = draw(st.sampled_from(places))
        holder, key = _holder(tree, place), place[-1]
        what = "value" if gentle else draw(st.sampled_from(("value",) * 4 + ("gone", "more", "column", "top")))
        if what == "value":
            holder[key] = draw(_near(holder[key]) if gentle or draw(st.integers(0, 2)) else odd_values)
        elif what == "gone":
            del holder[key]
        elif what == "more" and isinstance(holder, dict):
            holder[draw(st.sampled_from(KEYS))] = draw(odd_values)
        elif what == "column" and isinstance(tree.get("columns"), dict):
            tree["columns"][draw(st.sampled_from(sorted(contract.BY_NAME)))] = draw(odd_values)
        else:
            tree[draw(st.sampled_from(KEYS))] = draw(odd_values)
    content = toml_of(tree).encode()
    return content if gentle else draw(damaged(content))


@st.composite
def damaged(draw: st.DrawFn, content: bytes, text: bool = True) -> bytes:
    """The bytes as they are (mostly), or cut, or with some of them other ones, or in another encoding."""
    how = draw(
        st.sampled_from(("as is",) * 18 + ("cut", "flipped", "doubled", "zeros", *(("utf-16", "latin-1") * text)))
    )
    if how == "cut":
        return content[: draw(st.integers(0, len(content)))]
    if how == "flipped" and content:
        changed = bytearray(content)
        for _ in range(draw(st.integers(1, 8))):
            changed[draw(st.integers(0, len(changed) - 1))] = draw(st.integers(0, 255))
        return bytes(changed)
    if how == "doubled":
        return content + content
    if how in ("utf-16", "latin-1"):
        return content.decode("utf-8", "replace").encode(how, "replace")
    if how == "zeros":
        return content + bytes(draw(st.integers(1, 2000)))
    return content


#: Cells that are right for some column of some register.
_GOOD_CELLS = {
    "VARCHAR": ("V1", "D1", "North", "1L", "roller", "brake_drag", "lining", "N3", "air", "yearly", "Mon"),
    "DOUBLE": ("8", "2.5", "0", "9000"),
    "BIGINT": ("1", "2", "3"),
    "BOOLEAN": ("yes", "no", "true", "0"),
    "DATE": ("2026-01-05", "2024-02-29", "1999-12-31"),
    "TIMESTAMPTZ": ("2026-01-05T08:00:00Z", "2026-01-05T08:00:00+05:45", "2024-02-29 23:59:60"),
}
_WORDS = (
    *vocabulary.CATEGORIES, *vocabulary.ACTUATIONS, *vocabulary.FINDINGS, *vocabulary.REPAIR_WORK,
    *vocabulary.TEST_METHODS, *vocabulary.WHEELS,
)  # fmt: skip
odd_cells = st.one_of(
    odd_texts,
    st.sampled_from(["0000-00-00", "2026-02-30", "9999-12-31", "1-1-1", "01/02/2026", "24:00", "46023.5", "-1", "1,5",
                     "1.000,5", "1e308", "NaN", "inf", "#REF!", "=A1", "TRUE", "٣", "0x10", "1_000", "²"]),
    st.integers().map(str),
    st.floats().map(str),
)  # fmt: skip


@st.composite
def register_files(draw: st.DrawFn) -> tuple[str, bytes]:
    """Name and bytes of a CSV register: right columns for the most part, right cells for the most part."""
    name = draw(st.sampled_from(sorted(REGISTERS)))
    columns = list(REGISTERS[name])
    header = [column for column, _ in columns]
    how = draw(st.sampled_from(("as is",) * 5 + ("shuffled", "one gone", "one twice", "one more", "empty")))
    if how == "shuffled":
        columns = draw(st.permutations(columns))
        header = [column for column, _ in columns]
    elif how == "one gone":
        place = draw(st.integers(0, len(columns) - 1))
        del columns[place], header[place]
    elif how == "one twice":
        columns.append(columns[0])
        header.append(header[0])
    elif how == "one more":
        columns.append(("more", "VARCHAR"))
        header.append(draw(odd_texts))
    elif how == "empty":
        header = []
    mark = draw(st.sampled_from((",", ",", ";", "\t", "|")))
    rows = [[_quoted(cell, mark) for cell in header]]
    for _ in range(draw(st.integers(0, 6))):
        cells = [draw(_cell(kind)) for _, kind in columns]
        rows.append([_quoted(cell, mark) for cell in cells[: draw(st.sampled_from([None, None, None, 1]))]])
    ending = draw(st.sampled_from(("\n", "\r\n", "\r")))
    text = ending.join(mark.join(row) for row in rows)
    return name, draw(damaged(text.encode("utf-8", "replace")))


@st.composite
def _cell(draw: st.DrawFn, kind: str) -> str:
    if draw(st.integers(0, 7)):
        return draw(st.sampled_from((*_GOOD_CELLS[kind], *(_WORDS if kind == "VARCHAR" else ()), "")))
    return draw(odd_cells)


def _arrays(rows: int) -> list[pa.Array]:
    """Columns of many types, right for few registers."""
    day, moment = datetime.date(2026, 1, 5), datetime.datetime(2026, 1, 5, 8)
    far = pa.array([2**62 + row for row in range(rows)])
    return [
        pa.array([f"V{row}" for row in range(rows)]),
        pa.array([None] * rows),
        pa.array([None] * rows, pa.string()),
        pa.array(["1L"] * rows).dictionary_encode(),
        pa.array([b"\xff\x00"] * rows, pa.binary()),
        pa.array([float("nan")] * rows),
        pa.array([float("-inf")] * rows),
        pa.array([1e308] * rows, pa.float64()),
        pa.array(np.ones(rows, np.float16)),
        pa.array([2**64 - 1] * rows, pa.uint64()),
        pa.array([True] * rows),
        pa.array([day] * rows, pa.date32()),
        pa.array([moment] * rows, pa.timestamp("ms", "Asia/Kathmandu")),
        pa.array([moment] * rows, pa.timestamp("ns")),
        far.cast(pa.timestamp("ms")),
        far.cast(pa.timestamp("us", "UTC")),
        far.cast(pa.duration("us")),
        pa.array([8 * 3600] * rows, pa.time32("s")),
        pa.array([1] * rows).cast(pa.decimal128(38, 2)),
        pa.array([[1, 2]] * rows),
        pa.array([{"a": {"b": [None]}}] * rows),
        pa.array([[("a", 1)]] * rows, pa.map_(pa.string(), pa.int64())),
        pa.array(["a" * 10_000] * rows),
    ]


@st.composite
def parquet_registers(draw: st.DrawFn) -> tuple[str, bytes]:
    """Name and bytes of a Parquet register whose columns are of any type."""
    name, rows = draw(st.sampled_from(sorted(REGISTERS))), draw(st.integers(0, 3))
    arrays = _arrays(rows)
    columns = [draw(st.sampled_from(arrays)) for _ in REGISTERS[name]]
    header = [draw(st.sampled_from((column,) * 9 + ("more",))) for column, _ in REGISTERS[name]]
    buffer = io.BytesIO()
    pq.write_table(
        pa.Table.from_arrays(columns, names=header), buffer, compression=draw(st.sampled_from(("zstd", "none")))
    )
    return name, draw(damaged(buffer.getvalue(), text=False))


def _quoted(cell: str, mark: str) -> str:
    """As a spreadsheet would write it, unless the cell is all marks: then as it stands."""
    needs = any(one in cell for one in (mark, '"', "\n", "\r"))
    return '"' + cell.replace('"', '""') + '"' if needs and len(cell) > 2 else cell

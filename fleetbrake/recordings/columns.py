"""Which source columns of a file fill which contract columns, and their values as NumPy arrays.

Resolving happens once a file and finds every wrong type before a row is read; evaluating happens once a batch.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from fleetbrake.core.errors import InputError
from fleetbrake.recordings import contract
from fleetbrake.recordings.batch import Floats
from fleetbrake.recordings.contract import ContractColumn
from fleetbrake.recordings.conversion import linear
from fleetbrake.recordings.mapping import Entry, Mapping, Scalar, Signal

Bools = npt.NDArray[np.bool_]

#: A relative speed within this share of its limit is saturated: half a step of a 1/16 km/h signal at 7.8125 km/h.
SATURATION_SHARE = 0.004

_MICROSECONDS = 1e6
#: From a time stamp's unit to microseconds: factor and divisor.
_TICKS = {"s": (1_000_000, 1), "ms": (1000, 1), "us": (1, 1), "ns": (1, 1000)}
#: Seconds from a start beyond this (3000 years) are no time but a code.
_LONGEST_S = 1e11


@dataclass(frozen=True)
class Filled:
    """How one contract column is filled in this file.

    ``sources`` are names in the file (empty for a constant). ``scale`` is factor and offset to the contract's unit,
    ``reference_scale`` the same for the reference of a relative wheel speed. ``limit`` is ``saturates_at`` as given.
    """

    column: ContractColumn
    entry: Entry
    sources: tuple[str, ...]
    scale: tuple[float, float] = (1.0, 0.0)
    reference: str | None = None  # a source column
    reference_column: str | None = None  # or a contract column
    reference_scale: tuple[float, float] = (1.0, 0.0)


@dataclass
class Layout:
    """All filled columns of a file, and which source columns must be read for them."""

    filled: dict[str, Filled] = field(default_factory=dict)

    def source_columns(self) -> list[str]:
        """Source columns to read, each once."""
        names = [name for item in self.filled.values() for name in item.sources]
        names += [item.reference for item in self.filled.values() if item.reference is not None]
        return list(dict.fromkeys(names))

    def word_columns(self) -> list[str]:
        """Source columns of text, which are read as dictionaries: identifiers repeat for many rows."""
        return [name for item in self.filled.values() if item.column.kind == "text" for name in item.sources]

    def wheel_speeds(self) -> list[str]:
        """Wheels with a speed, in the order of the axles."""
        return [wheel for wheel, name in contract.WHEEL_SPEEDS.items() if name in self.filled]


class NameTable:
    """Looks up source names in a file's columns; loosely if the mapping says so."""

    def __init__(self, names: Sequence[str], *, loose: bool, empty: frozenset[str] = frozenset()) -> None:
        usable = [name for name in names if name not in empty]
        self._exact = set(usable)
        self._loose: dict[str, str] = {}
        if loose:
            for name in usable:
                self._loose.setdefault(_plain(name), name)

    def present(self, wanted: Iterable[str]) -> tuple[str, ...]:
        """Those of ``wanted`` that the file has, under the file's spelling, each once."""
        found = (name if name in self._exact else self._loose.get(_plain(name)) for name in wanted)
        return tuple(dict.fromkeys(name for name in found if name is not None))


def _plain(name: str) -> str:
    return "".join(character for character in name.lower() if character.isalnum())


def never_filled(metadata: pq.FileMetaData) -> frozenset[str]:
    """Source columns that hold no value in the whole file, as far as the file's own statistics say."""
    nulls = np.zeros(metadata.num_columns, dtype=np.int64)
    for group in range(metadata.num_row_groups):
        for column in range(metadata.num_columns):
            statistics = metadata.row_group(group).column(column).statistics
            if statistics is not None and statistics.has_null_count:
                nulls[column] += statistics.null_count
    return frozenset(
        metadata.schema.column(column).path
        for column in range(metadata.num_columns)
        if metadata.num_rows and nulls[column] == metadata.num_rows
    )


def resolve(mapping: Mapping, schema: pa.Schema, path: str, empty: frozenset[str] = frozenset()) -> Layout:
    """Find for every mapped contract column the entry that this file can fill.

    Raises
    ------
    InputError
        If a found source column has a type that cannot fill its contract column (all such columns in one sentence).
    """
    every = NameTable(schema.names, loose=mapping.loose_names)
    holding = NameTable(schema.names, loose=mapping.loose_names, empty=empty)
    layout, problems = Layout(), []
    for name, entries in mapping.columns.items():
        # an alternative that holds values goes before a better one that holds none
        filled = _first_filled(name, entries, mapping, holding) or _first_filled(name, entries, mapping, every)
        if filled is None:
            continue
        problem = _wrong_type(filled, schema)
        if problem:
            problems.append(problem)
        layout.filled[name] = filled
    if problems:
        raise InputError(f"{path}: {'; '.join(problems)}")
    _drop_without_reference(layout)
    return layout


def _first_filled(name: str, entries: Sequence[Entry], mapping: Mapping, names: NameTable) -> Filled | None:
    column = contract.BY_NAME[name]
    for entry in entries:
        sources = names.present(entry.source)
        if entry.constant is None and not sources:
            continue
        if entry.take == "first":
            sources = sources[:1]
        radius = mapping.radius_of(entry)
        scale = _scale(entry, column, radius)
        if entry.relative_to is None:
            return Filled(column, entry, sources, scale)
        found = names.present(entry.relative_to.source)
        inside = next((item for item in entry.relative_to.source if item in mapping.columns), None)
        if found or inside:
            # a reference without a unit of its own shares the unit of the difference
            own = entry.relative_to.model_copy(update={"unit": entry.relative_to.unit or entry.unit})
            reference_scale = _scale(own, column, radius)
            return Filled(column, entry, sources, scale, found[0] if found else None, inside, reference_scale)
    return None


def _scale(signal: Signal, column: ContractColumn, radius: float | None) -> tuple[float, float]:
    """Factor and offset from raw values to the contract's unit."""
    if column.kind != "float":
        return 1.0, 0.0
    factor, offset = (1.0, 0.0) if signal.unit is None else linear(signal.unit, column.unit, radius)
    return signal.factor * factor, signal.offset * factor + offset


def _drop_without_reference(layout: Layout) -> None:
    """A relative wheel speed whose contract reference is not in the file says nothing."""
    for name, item in list(layout.filled.items()):
        if item.reference is None and item.reference_column and item.reference_column not in layout.filled:
            del layout.filled[name]


def _wrong_type(filled: Filled, schema: pa.Schema) -> str | None:
    """Why the source's Arrow type cannot fill the column, as a clause, or None."""
    names = (*filled.sources, filled.reference) if filled.reference else filled.sources
    for name in names:
        kind = schema.field(name).type
        inner = kind.value_type if pa.types.is_dictionary(kind) else kind
        if not _type_fits(filled, inner):
            needs = _NEEDS[filled.column.kind]
            return f"column {name} holds {_type_word(inner)} where {filled.column.name} needs {needs}"
    return None


_NEEDS = {
    "float": "numbers; write it as numbers or map another column",
    "bool": "true/false or 0/1; give true_values in a mapping for coded words",
    "text": "text or whole numbers",
    "time": "a timestamp; for seconds from a start use a mapping with unit and start",
}


def _type_fits(filled: Filled, kind: pa.DataType) -> bool:
    types = pa.types
    numeric = types.is_integer(kind) or types.is_floating(kind) or types.is_decimal(kind) or types.is_boolean(kind)
    if types.is_null(kind):
        return True
    if filled.column.kind == "float":
        return numeric
    if filled.column.kind == "bool":
        return numeric or (_is_text(kind) and bool(filled.entry.true_values))
    if filled.column.kind == "text":
        return _is_text(kind) or types.is_integer(kind)
    return types.is_timestamp(kind) or (filled.entry.start is not None and numeric and not types.is_boolean(kind))


def _is_text(kind: pa.DataType) -> bool:
    return pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind)


def _type_word(kind: pa.DataType) -> str:
    return "text" if _is_text(kind) else f"values of type {kind}"


def floats(filled: Filled, table: pa.Table, columns: dict[str, Floats]) -> tuple[Floats, Bools | None]:
    """Values of a float column in the contract's unit ``(N,)`` and, for a limited difference, which are upper bounds.

    ``columns`` holds the contract columns already evaluated (references of relative wheel speeds).
    """
    if filled.entry.constant is not None:
        factor, offset = filled.scale
        return np.full(table.num_rows, float(filled.entry.constant) * factor + offset), None
    raw = _raw(filled, table)
    factor, offset = filled.scale
    value = raw if (factor, offset) == (1.0, 0.0) else raw * factor + offset
    if filled.entry.relative_to is None:
        return value, None
    if filled.reference is not None:
        base, step = filled.reference_scale
        reference = _numbers(table.column(filled.reference), filled.entry.relative_to) * base + step
    else:
        reference = columns[str(filled.reference_column)]
    limit = filled.entry.saturates_at
    if limit is None:
        return reference + value, None
    difference = raw * filled.entry.factor + filled.entry.offset
    reach = limit * (1.0 - SATURATION_SHARE)
    absolute = reference + value
    low = (difference <= -reach) & np.isfinite(absolute)
    absolute[difference >= reach] = np.nan  # faster than can be told: not observable
    return absolute, low


def _raw(filled: Filled, table: pa.Table) -> Floats:
    numbers = [_numbers(table.column(name), filled.entry) for name in filled.sources]
    if len(numbers) == 1:
        return numbers[0]
    lowest = numbers[0]
    for other in numbers[1:]:
        lowest = np.fmin(lowest, other)
    return lowest


def _numbers(column: pa.ChunkedArray, signal: Signal) -> Floats:
    """Raw numbers of a source column, codes and nulls as NaN."""
    if pa.types.is_dictionary(column.type):
        column = pc.cast(column, column.type.value_type)
    if pa.types.is_boolean(column.type):
        column = pc.cast(column, pa.uint8())
    raw = pc.cast(column, pa.float64(), safe=False).to_numpy()
    if not raw.flags.writeable:  # a view of the file's own buffer
        raw = raw.copy()
    codes = [float(value) for value in signal.null_values if isinstance(value, int | float)]
    if codes:
        raw[np.isin(raw, codes)] = np.nan
    if signal.null_from is not None:
        raw[raw >= signal.null_from] = np.nan
    return raw


def truths(filled: Filled, table: pa.Table) -> Floats:
    """Values of a yes/no column: 1.0, 0.0 or NaN ``(N,)``; another number without ``true_values`` is left as it is."""
    entry = filled.entry
    if entry.constant is not None:
        return np.full(table.num_rows, float(bool(entry.constant)))
    column = table.column(filled.sources[0])
    if _holds_text(column):
        known = _words(column, entry.null_values)
        true = np.isin(known, [str(value) for value in entry.true_values])
        return np.where(known == "", np.nan, true.astype(np.float64))
    raw = _numbers(column, entry)
    if not entry.true_values:
        return raw
    accepted = [float(value) for value in entry.true_values if isinstance(value, int | float)]
    return np.where(np.isnan(raw), np.nan, np.isin(raw, accepted).astype(np.float64))


def _holds_text(column: pa.ChunkedArray) -> bool:
    kind = column.type.value_type if pa.types.is_dictionary(column.type) else column.type
    return _is_text(kind)


def _words(column: pa.ChunkedArray, null_values: Sequence[Scalar]) -> npt.NDArray[np.str_]:
    text = pc.fill_null(pc.cast(column, pa.string()), "")
    words = text.to_numpy().astype(str)
    words[np.isin(words, [str(value) for value in null_values])] = ""
    return words


def text_codes(filled: Filled, table: pa.Table) -> tuple[npt.NDArray[np.int64], list[str]]:
    """A text column as positions ``(N,)`` in a list of its distinct words; -1 where there is none."""
    if filled.entry.constant is not None:
        return np.zeros(table.num_rows, dtype=np.int64), [str(filled.entry.constant)]
    column = table.column(filled.sources[0])
    if not pa.types.is_dictionary(column.type):
        column = pc.cast(column, pa.string()).dictionary_encode()
    encoded = column.unify_dictionaries().combine_chunks()
    if isinstance(encoded, pa.ChunkedArray):
        encoded = encoded.chunk(0)
    words = ["" if word is None else str(word) for word in encoded.dictionary.to_pylist()]
    codes = pc.fill_null(encoded.indices, -1).to_numpy(zero_copy_only=False).astype(np.int64)
    nothing = {"", *(str(value) for value in filled.entry.null_values)}
    empty = np.array([word.strip() in nothing for word in words] + [True])
    return np.where(empty[codes], -1, codes), words


def microseconds(filled: Filled, table: pa.Table) -> tuple[npt.NDArray[np.int64], Bools]:
    """UTC microseconds since 1970 ``(N,)`` and where a time is given at all ``(N,)``."""
    column, entry = table.column(filled.sources[0]), filled.entry
    if pa.types.is_timestamp(column.type):
        # with a zone Arrow stores UTC already; without one the contract says UTC
        valid = column.is_valid().to_numpy()
        ticks = pc.fill_null(pc.cast(column, pa.int64()), 0).to_numpy()
        times, divisor = _TICKS[column.type.unit]
        return ticks * times // divisor, valid
    if pa.types.is_null(column.type) or entry.start is None:
        return np.zeros(len(column), dtype=np.int64), np.zeros(len(column), dtype=bool)
    factor, offset = (1.0, 0.0) if entry.unit is None else linear(entry.unit, "s")
    with np.errstate(invalid="ignore", over="ignore"):
        seconds = (_numbers(column, entry) * entry.factor + entry.offset) * factor + offset
    valid = np.abs(seconds) < _LONGEST_S  # also false for NaN
    since = np.round(np.where(valid, seconds, 0.0) * _MICROSECONDS).astype(np.int64)
    return since + _start_us(entry), valid


def _start_us(entry: Entry) -> int:
    start = np.datetime64(0, "us")
    if entry.start is not None:
        moment = entry.start if entry.start.tzinfo else entry.start.replace(tzinfo=UTC)
        start = np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "us")
    return int(start.astype(np.int64))

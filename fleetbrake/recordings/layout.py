"""Which source columns of a file fill which contract columns.

Resolving happens once a file and finds every wrong type before a row is read.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.core.errors import InputError
from fleetbrake.recordings import contract
from fleetbrake.recordings.contract import ContractColumn
from fleetbrake.recordings.conversion import linear
from fleetbrake.recordings.entries import Entry, Signal
from fleetbrake.recordings.mapping import Mapping
from fleetbrake.recordings.story import printable, shown_id


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
    notes: list[str] = field(default_factory=list)  # sentences about what is not there or left out
    left_out: list[str] = field(default_factory=list)  # contract columns whose source has an unusable type

    def source_columns(self, without: str | None = None) -> list[str]:
        """Source columns to read, each once; those that only the contract column ``without`` needs are left out."""
        wanted = [item for item in self.filled.values() if item.column.name != without]
        names = [name for item in wanted for name in item.sources]
        names += [item.reference for item in wanted if item.reference is not None]
        return list(dict.fromkeys(names))

    def word_columns(self) -> list[str]:
        """Source columns of text, which are read as dictionaries: identifiers repeat for many rows."""
        return [name for item in self.filled.values() if item.column.kind == "text" for name in item.sources]

    def texts(self) -> list[str]:
        """Source columns that may hold texts: those of words, and coded yes or no."""
        coded = [item for item in self.filled.values() if item.column.kind == "bool" and item.entry.true_values]
        return [*self.word_columns(), *(name for item in coded for name in item.sources)]

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
        if not self._loose:
            return tuple(dict.fromkeys(name for name in wanted if name in self._exact))
        found = (name if name in self._exact else self._loose.get(_plain(name)) for name in wanted)
        return tuple(dict.fromkeys(name for name in found if name is not None))


def _plain(name: str) -> str:
    return "".join(character for character in name.lower() if character.isalnum())


def contested(mapping: Mapping, names: Sequence[str]) -> list[str]:
    """Source columns of which only those that hold values are to be used, as there are others instead."""
    table = NameTable(names, loose=mapping.loose_names)
    found: list[str] = []
    for entries in mapping.columns.values():
        choices = [table.present(entry.source) for entry in entries]
        references = [table.present(entry.relative_to.source) for entry in entries if entry.relative_to is not None]
        several = sum(bool(choice) for choice in choices) > 1 or any(len(choice) > 1 for choice in references)
        if several or any(len(choice) > 1 and e.take == "first" for choice, e in zip(choices, entries, strict=True)):
            found += [name for choice in (*choices, *references) for name in choice]
    return list(dict.fromkeys(found))


def never_filled(parquet: pq.ParquetFile, names: Sequence[str]) -> frozenset[str]:
    """Those of ``names`` that hold no value in the whole file.

    They are read for it: what a damaged file says about its own contents cannot be trusted, nor even be asked for.
    """
    empty = list(names)
    for group in range(parquet.num_row_groups):
        for batch in parquet.iter_batches(row_groups=[group], columns=empty, use_threads=False):
            empty = [name for name in empty if batch.column(name).null_count == batch.num_rows]
            if not empty:
                return frozenset()
    return frozenset(empty)


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
            layout.notes += _absent(name, entries, every)
            continue
        yes_no = _yes_no(filled, schema)
        if yes_no and name != "speed_mps":
            layout.left_out.append(name)
            layout.notes.append(f"{yes_no}; left out")
            continue
        problem = yes_no or _wrong_type(filled, schema)
        if problem:
            problems.append(problem)
        layout.filled[name] = filled
    if problems:
        raise InputError(printable(f"{path}: {'; '.join(problems)}"))
    _drop_without_reference(layout)
    return layout


def _absent(name: str, entries: Sequence[Entry], names: NameTable) -> list[str]:
    """What to say of a column that the mapping names but the file cannot fill.

    A single foreign name that is not there may be misspelt; one of several names is only one way to write it, and
    the contract's own name needs no mapping.
    """
    for entry in entries:
        if entry.relative_to is not None and names.present(entry.source):
            missing = " or ".join(entry.relative_to.source)
            return [f"{name}: no column {missing} in this file, to which it is relative"]
    if len(entries) == 1 and len(entries[0].source) == 1 and entries[0].source[0] != name:
        return [f"{name}: no column {entries[0].source[0]} in this file"]
    return []


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
            layout.notes.append(f"{name}: no {item.reference_column} in this file, to which it is relative")
            del layout.filled[name]


def _yes_no(filled: Filled, schema: pa.Schema) -> str | None:
    """Why a source of true and false cannot fill a column of numbers, as a clause, or None."""
    names = (*filled.sources, filled.reference) if filled.reference else filled.sources
    for name in names:
        kind = schema.field(name).type
        inner = kind.value_type if pa.types.is_dictionary(kind) else kind
        if filled.column.kind == "float" and pa.types.is_boolean(inner):
            return f"column {name} holds true/false where {filled.column.name} needs numbers"
    return None


def _wrong_type(filled: Filled, schema: pa.Schema) -> str | None:
    """Why the source's Arrow type cannot fill the column, as a clause, or None."""
    names = (*filled.sources, filled.reference) if filled.reference else filled.sources
    for name in names:
        kind = schema.field(name).type
        inner = kind.value_type if pa.types.is_dictionary(kind) else kind
        if pa.types.is_timestamp(inner) and (filled.entry.factor, filled.entry.offset) != (1.0, 0.0):
            return f"column {name} holds time stamps, which take no factor or offset"
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
    numeric = types.is_integer(kind) or types.is_floating(kind) or types.is_decimal(kind)
    if types.is_null(kind):
        return True
    if filled.column.kind == "float":
        return numeric
    if filled.column.kind == "bool":
        return numeric or types.is_boolean(kind) or (is_text(kind) and bool(filled.entry.true_values))
    if filled.column.kind == "text":
        return is_text(kind) or types.is_integer(kind)
    return types.is_timestamp(kind) or (filled.entry.start is not None and numeric)


def is_text(kind: pa.DataType) -> bool:
    """Whether an Arrow type is text."""
    return pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind)


def _type_word(kind: pa.DataType) -> str:
    return "text" if is_text(kind) else f"values of type {shown_id(str(kind))}"

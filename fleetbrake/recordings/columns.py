"""Values of the filled contract columns of one batch as NumPy arrays."""

from datetime import UTC
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.foreign_text import kept_id
from fleetbrake.recordings.batch import Floats
from fleetbrake.recordings.bounds import check_texts
from fleetbrake.recordings.conversion import linear
from fleetbrake.recordings.entries import Entry, Signal, truth
from fleetbrake.recordings.layout import Filled, is_text

Bools = npt.NDArray[np.bool_]

#: A relative speed within this share of its limit is saturated: half a step of a 1/16 km/h signal at 7.8125 km/h.
SATURATION_SHARE = 0.004

_MICROSECONDS = 1e6
#: From a time stamp's unit to microseconds: factor and divisor.
_TICKS = {"s": (1_000_000, 1), "ms": (1000, 1), "us": (1, 1), "ns": (1, 1000)}
#: Seconds from a start beyond this (3000 years) are no time but a code.
_LONGEST_S = 1e11
#: Microseconds beyond this (127 000 years) are held here, so that no difference of two times can overflow.
_FARTHEST_US = 4 * 10**18


def floats(
    filled: Filled, table: pa.Table, columns: dict[str, Floats], into: Floats | None = None
) -> tuple[Floats, Bools | None]:
    """Values of a float column in the contract's unit ``(N,)`` and, for a limited difference, which are upper bounds.

    ``columns`` holds the contract columns already evaluated (references of relative wheel speeds). ``into`` may be used
    for the values, and is what is returned then.
    """
    if filled.entry.constant is not None:
        factor, offset = filled.scale
        return np.full(table.num_rows, float(filled.entry.constant) * factor + offset), None
    raw = _raw(filled, table, into)
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


def _raw(filled: Filled, table: pa.Table, into: Floats | None) -> Floats:
    if len(filled.sources) == 1:
        return _numbers(table.column(filled.sources[0]), filled.entry, into)
    numbers = [_numbers(table.column(name), filled.entry) for name in filled.sources]
    lowest = numbers[0]
    for other in numbers[1:]:
        lowest = np.fmin(lowest, other)
    return lowest


def _numbers(column: pa.ChunkedArray, signal: Signal, into: Floats | None = None) -> Floats:
    """Raw numbers of a source column, codes and nulls as NaN."""
    raw = _as_floats(column, into)
    codes = [float(value) for value in signal.null_values if isinstance(value, int | float)]
    if codes:
        raw[np.isin(raw, codes)] = np.nan
    if signal.null_from is not None:
        raw[raw >= signal.null_from] = np.nan
    return raw


def _as_floats(column: pa.ChunkedArray, into: Floats | None) -> Floats:
    """A column as numbers of its own ``(N,)``, nulls as NaN."""
    kind = column.type
    plain = pa.types.is_float32(kind) or pa.types.is_float64(kind)
    if plain or (column.null_count == 0 and (pa.types.is_boolean(kind) or pa.types.is_integer(kind))):
        raw, place = np.empty(len(column)) if into is None else into, 0
        for chunk in column.chunks:  # widened and laid end to end in one pass
            raw[place : place + len(chunk)] = chunk.to_numpy(zero_copy_only=False)
            place += len(chunk)
        return raw
    if pa.types.is_dictionary(kind):
        column = pc.cast(column, kind.value_type)
    if pa.types.is_boolean(column.type):
        column = pc.cast(column, pa.uint8())
    raw = pc.cast(column, pa.float64(), safe=False).to_numpy()
    return raw if raw.flags.writeable else raw.copy()  # a view of the file's own buffer


def truths(filled: Filled, table: pa.Table) -> Floats:
    """Values of a yes/no column: 1.0, 0.0 or NaN ``(N,)``; another number without ``true_values`` is left as it is."""
    entry = filled.entry
    if entry.constant is not None:
        return np.full(table.num_rows, float(bool(truth(entry.constant))))
    column = table.column(filled.sources[0])
    if _holds_text(column):
        codes, dictionary = encoded(column)
        check_texts(dictionary, filled.sources[0])
        nothing, true = ({str(value) for value in some} for some in (entry.null_values, entry.true_values))
        meaning = [np.nan if not w or w in nothing else float(w in true) for w in dictionary.to_pylist()]
        return np.array([*meaning, np.nan])[codes]  # -1, no word, is the last one
    raw = _numbers(column, entry)
    if not entry.true_values:
        return raw
    accepted = [float(value) for value in entry.true_values if isinstance(value, int | float)]
    return np.where(np.isnan(raw), np.nan, np.isin(raw, accepted).astype(np.float64))


def _holds_text(column: pa.ChunkedArray) -> bool:
    kind = column.type.value_type if pa.types.is_dictionary(column.type) else column.type
    return is_text(kind)


def text_codes(filled: Filled, table: pa.Table) -> tuple[npt.NDArray[np.int64], list[str]]:
    """A text column as positions ``(N,)`` in a list of its distinct words, without blanks around them; -1 where there
    is none."""
    if filled.entry.constant is not None:
        return np.zeros(table.num_rows, dtype=np.int64), [kept_id(str(filled.entry.constant))]
    codes, dictionary = encoded(table.column(filled.sources[0]))
    check_texts(dictionary, filled.sources[0])
    codes, words = _without_blanks(codes, ["" if word is None else str(word) for word in dictionary.to_pylist()])
    empty = np.array([says_nothing(word, filled) for word in words] + [True])
    return (np.where(empty[codes], -1, codes) if empty[:-1].any() else codes).astype(np.int64), words


def _without_blanks(codes: npt.NDArray[np.integer[Any]], words: list[str]) -> tuple[npt.NDArray[Any], list[str]]:
    """Positions and distinct words once the blanks around these are gone, by which some may have become the same."""
    kept = [kept_id(word) for word in words]
    if kept == words:
        return codes, words
    place = {word: number for number, word in enumerate(dict.fromkeys(kept))}
    return np.array([*(place[word] for word in kept), -1])[codes], list(place)


def says_nothing(word: str, filled: Filled) -> bool:
    """Whether a word stands for none."""
    return word.strip() in {"", *(str(value) for value in filled.entry.null_values)}


def encoded(column: pa.ChunkedArray) -> tuple[npt.NDArray[np.integer[Any]], pa.Array]:
    """A text column as positions ``(N,)`` in its distinct words, -1 for null, and those words."""
    if not pa.types.is_dictionary(column.type):
        column = pc.cast(column, pa.string()).dictionary_encode()
    whole = column.unify_dictionaries().combine_chunks()
    if isinstance(whole, pa.ChunkedArray):
        whole = whole.chunk(0)
    indices = whole.indices if whole.indices.null_count == 0 else pc.fill_null(whole.indices, -1)
    return indices.to_numpy(zero_copy_only=False), whole.dictionary


def microseconds(filled: Filled, table: pa.Table) -> tuple[npt.NDArray[np.int64], Bools]:
    """UTC microseconds since 1970 ``(N,)`` and where a time is given at all ``(N,)``."""
    column, entry = table.column(filled.sources[0]), filled.entry
    if pa.types.is_timestamp(column.type):
        # with a zone Arrow stores UTC already; without one the contract says UTC
        ticks = pc.cast(column, pa.int64())
        if column.null_count == 0:
            return _in_microseconds(ticks.to_numpy(), column.type.unit), np.ones(len(column), dtype=bool)
        return _in_microseconds(pc.fill_null(ticks, 0).to_numpy(), column.type.unit), column.is_valid().to_numpy()
    if pa.types.is_null(column.type) or entry.start is None:
        return np.zeros(len(column), dtype=np.int64), np.zeros(len(column), dtype=bool)
    factor, offset = (1.0, 0.0) if entry.unit is None else linear(entry.unit, "s")
    with np.errstate(invalid="ignore", over="ignore"):
        seconds = (_numbers(column, entry) * entry.factor + entry.offset) * factor + offset
    valid = np.abs(seconds) < _LONGEST_S  # also false for NaN
    since = np.round(np.where(valid, seconds, 0.0) * _MICROSECONDS).astype(np.int64)
    return since + _start_us(entry), valid


def _in_microseconds(ticks: npt.NDArray[np.int64], unit: str) -> npt.NDArray[np.int64]:
    times, divisor = _TICKS[unit]
    farthest = min(_FARTHEST_US * divisor // times, np.iinfo(np.int64).max)
    if len(ticks) and (ticks.min() < -farthest or ticks.max() > farthest):
        ticks = np.clip(ticks, -farthest, farthest)
    return ticks if (times, divisor) == (1, 1) else ticks * times // divisor


def _start_us(entry: Entry) -> int:
    start = np.datetime64(0, "us")
    if entry.start is not None:
        moment = entry.start if entry.start.tzinfo else entry.start.replace(tzinfo=UTC)
        start = np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "us")
    return int(start.astype(np.int64))

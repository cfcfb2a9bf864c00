"""A fuzzer that knows what recordings are: schemas, values and ways of writing near the contract, then bytes changed.

Hypothesis draws what is tried and makes a failure small; NumPy makes the values from seeds, which is fast. (A fuzzer
led by the coverage of Python code would see nothing of the decoder, which is none.) All follows from the seed; files
are written to a temporary folder only, the smallest failing one stays there.
"""

import io
import time
import zlib
from dataclasses import dataclass
from pathlib import Path
from tempfile import gettempdir
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from faults.odd_channels import odd_of
from faults.parquet_bases import bases, contents, stop_columns, with_contents
from faults.parquet_bounds import Bounded, against, ending
from faults.parquet_mutations import fields_changed
from faults.parquet_types import KINDS, array_of
from faults.tally import Tally
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from fleetbrake.recordings.contract import CONTRACT

#: Recordings of one round, which has a seed of its own.
A_ROUND: Final = 400
_KINDS: Final = {column.name: column.kind for column in CONTRACT}
_CODECS: Final = ("none", "snappy", "zstd", "gzip", "brotli", "lz4")
_ENCODINGS: Final = (
    "PLAIN",
    "DELTA_BINARY_PACKED",
    "BYTE_STREAM_SPLIT",
    "DELTA_BYTE_ARRAY",
    "DELTA_LENGTH_BYTE_ARRAY",
    "RLE",
)


@dataclass(frozen=True)
class Odd:
    """One column that is not as it should be: values that no vehicle shows, or another type."""

    name: str
    values: str
    type: str | None
    seed: int


@dataclass(frozen=True)
class Tried:
    """One recording: what is in it, how it is written, what is changed afterwards."""

    cut: bool
    events: int
    rows: int  # of all, from the first on
    left_out: frozenset[str]
    odd: tuple[Odd, ...]
    order: int  # seed of the order of the columns; 0: as they are
    codec: str
    version: str
    page_version: str
    row_group: int
    page: int
    dictionary: bool
    encoding: str | None
    checksum: bool
    schema: bool
    metadata: tuple[tuple[str, str], ...]
    mapping: str
    fields: int  # seed of changes to the table of contents; 0: none
    bytes: tuple[tuple[float, int], ...]  # places as shares of the length, with the new byte


def _odd() -> st.SearchStrategy[Odd]:
    def of(name: str) -> st.SearchStrategy[Odd]:
        values = st.sampled_from(sorted(odd_of(_KINDS[name])))
        return st.builds(
            Odd,
            st.just(name),
            values,
            st.none() | st.none() | st.none() | st.sampled_from(KINDS),
            st.integers(0, 2**16),
        )

    return st.sampled_from(sorted(_KINDS)).flatmap(of)


def _changes() -> st.SearchStrategy[tuple[tuple[float, int], ...]]:
    return st.lists(st.tuples(st.floats(0.0, 0.999), st.integers(0, 255)), min_size=1, max_size=4).map(tuple)


def tried() -> st.SearchStrategy[Tried]:
    """What may be tried; the simplest is a sound recording."""
    return st.builds(
        Tried,
        cut=st.booleans(),
        events=st.integers(1, 4),
        rows=st.sampled_from([1200, 0, 1, 2, 3, 4, 5, 299, 301, 700]),
        left_out=st.just(frozenset()) | st.frozensets(st.sampled_from(sorted(stop_columns())), max_size=3),
        odd=st.lists(_odd(), max_size=5).map(tuple),
        order=st.integers(0, 3),
        codec=st.sampled_from(_CODECS),
        version=st.sampled_from(["2.6", "2.4", "1.0"]),
        page_version=st.sampled_from(["1.0", "2.0"]),
        row_group=st.sampled_from([2**20, 1, 7, 100, 300, 301]),
        page=st.sampled_from([2**20, 1, 100, 4096]),
        dictionary=st.booleans(),
        encoding=st.none() | st.sampled_from(_ENCODINGS),
        checksum=st.booleans(),
        schema=st.booleans(),
        metadata=st.lists(
            st.tuples(st.sampled_from(["speed_source", "note", "ARROW:schema", ""]), st.text(max_size=20)), max_size=2
        ).map(tuple),
        mapping=st.sampled_from(["", "", "", "", "alternatives", "alternatives", "j1939"]),
        fields=st.just(0) | st.just(0) | st.integers(0, 2**32),
        bytes=st.just(()) | st.just(()) | _changes(),
    )


def made_of(one: Tried) -> bytes:
    """The recording's bytes; a sound one where no writer takes what is asked of it."""
    columns: dict[str, Any] = {k: v for k, v in stop_columns(one.events, cut=one.cut).items() if k not in one.left_out}
    rows = 300 * one.events
    for odd in one.odd:
        rng = np.random.default_rng(odd.seed)
        columns[odd.name] = (
            array_of(odd.type, rows, rng) if odd.type else odd_of(_KINDS[odd.name])[odd.values](rows, rng)
        )
    table = pa.table(columns).slice(0, one.rows)
    if one.order:
        names = table.column_names
        table = table.select([names[at] for at in np.random.default_rng(one.order).permutation(len(names))])
    if one.metadata:
        table = table.replace_schema_metadata(dict(one.metadata))
    data = _written(one, table)
    if one.fields:
        changed = contents(data)
        fields_changed(changed, np.random.default_rng(one.fields))
        data = with_contents(data, changed)
    if one.bytes:
        buffer = bytearray(data)
        for share, byte in one.bytes:
            buffer[int(share * len(buffer))] = byte
        data = bytes(buffer)
    return data


def _written(one: Tried, table: pa.Table) -> bytes:
    how: dict[str, Any] = {
        "compression": one.codec,
        "version": one.version,
        "data_page_version": one.page_version,
        "row_group_size": one.row_group,
        "data_page_size": one.page,
        "write_page_checksum": one.checksum,
        "store_schema": one.schema,
    }
    encoded: dict[str, Any] = {"use_dictionary": one.dictionary}
    if one.encoding is not None:
        encoded = {
            "use_dictionary": False,
            "column_encoding": {
                n: one.encoding for n in table.column_names if _takes(one.encoding, table.schema.field(n).type)
            },
        }
    for more in (encoded, {}):
        out = io.BytesIO()
        try:
            pq.write_table(table, out, **how, **more)
            return out.getvalue()
        except (pa.ArrowException, ValueError, TypeError, OSError):
            continue
    return bases()[zlib.crc32(repr(one).encode()) % len(bases())]


def _takes(encoding: str, kind: pa.DataType) -> bool:
    if encoding in ("DELTA_BYTE_ARRAY", "DELTA_LENGTH_BYTE_ARRAY"):
        return pa.types.is_string(kind)
    if encoding == "DELTA_BINARY_PACKED":
        return pa.types.is_timestamp(kind) or pa.types.is_integer(kind)
    if encoding == "BYTE_STREAM_SPLIT":
        return pa.types.is_floating(kind)
    return encoding != "RLE" or pa.types.is_boolean(kind)


class _Against(AssertionError):
    """What was tried went against what must hold."""


def fuzz(
    reading: Bounded, first_seed: int, *, rounds: int = 10**9, minutes: float = 1e9, a_round: int = A_ROUND
) -> Tally:
    """Rounds of recordings until their number or the time is over, each with a seed of its own."""
    tally = Tally("recordings by a fuzzer that knows the contract")
    ends = time.monotonic() + 60.0 * minutes
    with tally.timed():
        for number in range(rounds):
            if time.monotonic() > ends:
                break
            told = _round(reading, tally, first_seed + number, a_round, ends)
            if told is not None:
                tally.failures.append(told)
    return tally


def _round(reading: Bounded, tally: Tally, its_seed: int, examples: int, ends: float) -> str | None:
    """One round; the smallest failure told, its bytes kept in the temporary folder."""
    smallest: dict[str, Any] = {}

    @seed(its_seed)
    @settings(
        max_examples=examples,
        database=None,
        deadline=None,
        phases=(Phase.generate, Phase.shrink),
        suppress_health_check=list(HealthCheck),
        print_blob=False,
    )
    @given(tried())
    def holds(one: Tried) -> None:
        if time.monotonic() > ends:
            return
        data = made_of(one)
        told = reading.read(data, mapping=one.mapping)
        tally.add(ending(told))
        wrong = against(told)
        if wrong is not None:
            smallest.update(data=data, one=one, wrong=wrong)
            raise _Against(wrong)

    try:
        holds()
    except Exception as error:  # what Hypothesis makes of several failures is a group of them
        if not smallest:
            raise
        kept = Path(gettempdir()) / f"fuzz-{its_seed}.parquet"
        kept.write_bytes(smallest["data"])
        return f"seed {its_seed}: {smallest['wrong']} ({type(error).__name__}); {kept}, made of {smallest['one']}"
    return None

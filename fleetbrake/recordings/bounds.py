"""What a recording may ask of the machine: told from what the file says of itself, before any of it is decoded.

A few hundred bytes can say that they are billions of rows, a page that blows up to gigabytes, or a text of megabytes in
every row. Such a file is rejected with a sentence; it never costs the others, nor the machine.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from fleetbrake.core.errors import InputError
from fleetbrake.recordings.at_hand import AtHand
from fleetbrake.recordings.compact import BadStructure
from fleetbrake.recordings.page_headers import (
    DELTA_BYTE_ARRAY,
    DICTIONARY_PAGE,
    Chunk,
    chunks_of,
    page_headers,
)

#: Bytes of a file's table of contents, of which ten times as much is kept in memory (measured): enough for 10,000 row
#: groups of 15 columns. Own choice: two at once stay within the memory allowed.
MOST_CONTENTS: Final = 16 * 2**20
#: Columns, row groups or other entries of one list in it. Own choice: no recorder has so many signals, and more row
#: groups of a recording do not fit into the bytes above.
MOST_LISTED: Final = 50_000

#: Rows that a file may have whatever its size, and for each of its bytes. Own choice: 28 hours at 100 Hz; beyond, a
#: speed and a time that say anything take more than half a bit a row.
ANY_ROWS: Final = 10_000_000
ROWS_A_BYTE: Final = 16

#: Bytes of the pages that are decoded side by side, one of each column. Own choice:
#: two files at once stay near the memory allowed; writers make pages of a megabyte.
MOST_PAGES: Final = 384 * 2**20
#: Bytes of one text (an identifier or a word), and of the texts of the rows that are decoded at once.
MOST_TEXT: Final = 65_536
MOST_TEXTS: Final = 128 * 2**20

#: Arguments with which every file is opened, so that its table of contents keeps within bounds.
OPENING: Final[dict[str, Any]] = {
    "thrift_string_size_limit": MOST_CONTENTS,
    "thrift_container_size_limit": MOST_LISTED,
    "page_checksum_verification": True,
}


def check_contents(length: int, size: int, shown: str) -> None:
    """InputError where the table of contents has more bytes than can be kept in memory."""
    if MOST_CONTENTS < length < size:
        raise InputError(
            f"{shown}: its table of contents has {length / 1e6:.1f} MB, more than can be kept in memory: it has too "
            "many row groups or columns; write it with larger row groups, and with the columns of the recording only"
        )


def check_rows(metadata: pq.FileMetaData, size: int, shown: str) -> None:
    """InputError where the rows are none, more than such a file can have, or not those of its row groups."""
    if metadata.num_rows < 1:
        raise InputError(f"{shown}: the file has no rows")
    counts = [metadata.row_group(group).num_rows for group in range(metadata.num_row_groups)]
    if min(counts, default=0) < 0 or sum(counts) != metadata.num_rows:
        raise InputError(
            f"{shown}: the file is damaged inside (it says {metadata.num_rows} rows, its row groups {sum(counts)})"
        )
    if metadata.num_rows > ANY_ROWS + ROWS_A_BYTE * size:
        raise InputError(f"{shown}: {metadata.num_rows} rows in {size} bytes are no recording: every row says the same")


@dataclass
class Texts:
    """Text columns of a file in which a few bytes can stand for many long texts.

    Attributes
    ----------
    as_dictionary : to be read as dictionaries: many rows point to texts that may be long.
    to_be_probed : with the bytes of the largest page: texts written as what differs from the one before.
    """

    as_dictionary: set[str] = field(default_factory=set)
    to_be_probed: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Pages:
    """Where the pages of a file's columns lie, row group by row group, by its table of contents."""

    groups: list[list[Chunk]]
    columns: dict[str, int]  # places of the columns

    def texts_repeat(self, name: str, rows: int, most: int) -> bool:
        """Whether a column has less than so many bytes a row in the first row group, which has ``rows``."""
        place = self.columns.get(name)
        return place is not None and self.groups[0][place].unpacked < most * max(rows, 1)


def pages_of(data: AtHand, metadata: pq.FileMetaData, schema: pa.Schema, shown: str) -> Pages:
    """InputError where the table of contents contradicts itself.

    ``metadata.schema`` is not asked: it and the metadata keep each other, megabytes at times, long after the file.
    """
    length = int.from_bytes(data.ends(8)[:4], "little")
    try:
        groups = chunks_of(data.ends(8 + length)[:length])
    except BadStructure as error:
        raise InputError(f"{shown}: the file is damaged inside ({error})") from error
    places, number = {}, 0
    for name, kind in zip(schema.names, schema.types, strict=True):
        places[name] = number
        number += _leaves(kind)
    if len(groups) != metadata.num_row_groups or any(len(chunks) != number for chunks in groups):
        raise InputError(f"{shown}: the file is damaged inside (its row groups do not have its {number} columns)")
    return Pages(groups, places)


def _leaves(kind: pa.DataType) -> int:
    """Columns of a file that one of Arrow's takes."""
    if isinstance(kind, pa.BaseExtensionType):
        kind = kind.storage_type
    if not pa.types.is_nested(kind):
        return 1
    return sum(_leaves(kind.field(place).type) for place in range(kind.num_fields))


def check_pages(
    data: AtHand, pages: Pages, groups: Iterable[int], columns: Sequence[str], words: Sequence[str], rows: int
) -> Texts:
    """Look at what the pages to be decoded say of their sizes.

    Parameters
    ----------
    groups : row groups that will be read.
    columns : source columns that will be read. ``words`` : those that may hold texts.
    rows : decoded at once.

    Raises
    ------
    InputError
        If the pages ask for more memory than may be.
    BadStructure
        If there are none where there should be.
    """
    texts, held = Texts(), frozenset(words)
    places = [(name, pages.columns[name]) for name in dict.fromkeys(columns) if name in pages.columns]
    for number in groups:
        chunks = ((name, pages.groups[number][place]) for name, place in places)
        largest = {name: _largest(data, chunk, texts if name in held else None, name, rows) for name, chunk in chunks}
        if sum(largest.values()) > MOST_PAGES:
            name = max(largest, key=lambda one: largest[one])
            raise InputError(_too_large(name, largest[name], sum(largest.values())))
    return texts


def _largest(data: AtHand, chunk: Chunk, texts: Texts | None, name: str, rows: int) -> int:
    """Bytes of the largest page, with twice those of the dictionary, which is kept besides; texts are told of."""
    if chunk.encrypted:
        raise InputError(f"column {name} is encrypted")
    start, stop = chunk.start, chunk.start + chunk.length
    if start < 0 or stop < start or stop > data.facts.size:
        raise BadStructure(f"column {name} from {start} to {stop}")
    page = dictionary = 0
    delta = False
    for header in page_headers(data.handle, start, stop):
        if header.kind == DICTIONARY_PAGE:
            dictionary = max(dictionary, header.uncompressed)
        else:
            page = max(page, header.uncompressed)
            delta = delta or header.encoding == DELTA_BYTE_ARRAY
    if texts is not None and dictionary * rows > MOST_TEXTS:
        texts.as_dictionary.add(name)
    if texts is not None and delta and page * rows > MOST_TEXTS:
        texts.to_be_probed[name] = max(page, texts.to_be_probed.get(name, 0))
    return page + 2 * dictionary


def _too_large(name: str, largest: int, whole: int) -> str:
    return (
        f"the pages of its columns become {whole / 1e6:.0f} MB at once when they are unpacked, those of "
        f"column {name} {largest / 1e6:.0f} MB, more than is kept in memory; write it with smaller pages or row groups"
    )


def probe_texts(parquet: pq.ParquetFile, texts: Texts, rows: int) -> None:
    """Look at texts that are written as what differs from the one before, a few at a time.

    Raises
    ------
    InputError
        If one is longer than a text may be, or all that are decoded at once are.
    """
    for name, page in texts.to_be_probed.items():
        longest = 0
        for chunk in parquet.iter_batches(max(1, MOST_TEXTS // page), columns=[name], use_threads=False):
            found = pc.max(pc.binary_length(chunk.column(0))).as_py() or 0
            longest = max(longest, found)
            if longest * rows > MOST_TEXTS:
                raise InputError(
                    f"column {name} holds texts of up to {longest} bytes in {rows} rows, more than is kept in memory"
                )


def text_too_long(name: str, length: int) -> str:
    """A clause for a sentence."""
    return f"column {name} holds a text of {length} bytes, more than an identifier or a word has; at most {MOST_TEXT}"


def check_texts(words: pa.Array, name: str) -> None:
    """InputError where one of a column's different texts is too long to be an identifier or a word."""
    if pa.types.is_string_view(words.type):
        words = pc.cast(words, pa.large_string())
    if pa.types.is_string(words.type) or pa.types.is_large_string(words.type):
        longest = pc.max(pc.binary_length(words)).as_py() or 0
        if longest > MOST_TEXT:
            raise InputError(text_too_long(name, longest))

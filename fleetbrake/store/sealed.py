"""A seal for Parquet files: what was written can be told from what a disk made of it.

Parquet keeps checksums of pages, but none of the footer, which says where and what the pages are; of a small file it is
the half, and one bit of it can turn a column into one that "an older version did not write". The seal stands between
the last page and the footer, where readers do not look: every program reads such a file as any other.
"""

import hashlib
import os
from enum import Enum
from pathlib import Path
from typing import BinaryIO, Final

import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.recordings.compact import BadStructure
from fleetbrake.recordings.page_headers import chunks_of

#: Folder of the store where a repair puts what it takes out of use. What is damaged can bring down whatever decodes it.
SET_ASIDE: Final = "set-aside"

_MAGIC: Final = b"seal-of-"
_DIGITS: Final = 16
#: Magic word, fingerprint of the footer, fingerprint of all but the seal.
SEAL_BYTES: Final = len(_MAGIC) + 2 * _DIGITS
#: After the footer: its length and the word of the format.
_TAIL: Final = 8
#: Before the first page.
_WORD: Final = 4
_STRETCH: Final = 1 << 20


class Seal(Enum):
    """What the seal says: whole; there is none, an older version wrote the file; other bytes than were written."""

    WHOLE = "whole"
    NONE = "none"
    BROKEN = "broken"


def sealed(content: memoryview) -> memoryview:
    """A Parquet file's bytes with a seal."""
    begin = len(content) - _TAIL - int.from_bytes(content[-_TAIL:-4], "little")
    pages, footer = content[:begin], content[begin:]
    whole = hashlib.sha256(pages)
    whole.update(footer)
    seal = _MAGIC + _print(hashlib.sha256(footer).digest()) + _print(whole.digest())
    return memoryview(b"".join((pages, seal, footer)))


def check_footer(file: BinaryIO) -> None:
    """``OSError`` where the footer of an open file is another than was sealed; a file without a seal passes."""
    seal, footer = _ends(file)
    if seal[: len(_MAGIC)] == _MAGIC and seal[len(_MAGIC) : -_DIGITS] != _print(hashlib.sha256(footer).digest()):
        raise OSError("its footer is not what was written")
    file.seek(0)


def seal_of(path: Path) -> Seal:
    """Whether a file has the very bytes that were sealed; all of them are read. ``OSError`` if they cannot be."""
    with path.open("rb") as file:
        seal, footer = _ends(file)
        if seal[: len(_MAGIC)] != _MAGIC:
            return Seal.BROKEN if _has_gap(file, footer) else Seal.NONE
        left = file.seek(0, os.SEEK_END) - len(footer) - SEAL_BYTES
        file.seek(0)
        whole = hashlib.sha256()
        while left:
            stretch = file.read(min(left, _STRETCH))
            whole.update(stretch)
            left -= len(stretch)
        whole.update(footer)
    wanted = _MAGIC + _print(hashlib.sha256(footer).digest()) + _print(whole.digest())
    return Seal.WHOLE if seal == wanted else Seal.BROKEN


def _ends(file: BinaryIO) -> tuple[bytes, bytes]:
    """Where a seal would be, and the footer with what follows it; empty where the file is too short for them."""
    size = file.seek(0, os.SEEK_END)
    if size < _TAIL:
        return b"", b""
    file.seek(size - _TAIL)
    begin = size - _TAIL - int.from_bytes(file.read(_TAIL)[:4], "little")
    if begin < SEAL_BYTES:
        return b"", b""
    file.seek(begin - SEAL_BYTES)
    read = file.read(SEAL_BYTES + size - begin)
    return read[:SEAL_BYTES], read[SEAL_BYTES:]


def _has_gap(file: BinaryIO, footer: bytes) -> bool:
    """Whether something stands between the last page and the footer, as only a seal does; damaged is damaged too.

    The places are not asked of the decoding library: where a footer contradicts itself, it ends the process.
    """
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    try:
        pq.ParquetFile(file)
        groups = chunks_of(footer[:-_TAIL])
    except (OSError, ValueError, pa.ArrowException, BadStructure):
        return True
    pages = sum(chunk.length for group in groups for chunk in group)  # one after another, behind the word of the format
    return size - len(footer) != _WORD + pages


def _print(digest: bytes) -> bytes:
    return digest[:_DIGITS]

"""The bytes of one recording, opened once: what is hashed, looked into and decoded is the same file throughout.

A small file of this machine is read into memory at once, a larger one where it lies. An object of an object store is
fetched once and whole, hashed on the way: into memory up to :data:`MOST_IN_MEMORY`, above it into a nameless file of
the temporary folder. Where a few rows are wanted only, an object is read in ranges instead.
"""

import hashlib
import io
import os
import stat
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Final

import pyarrow as pa

from fleetbrake.core.errors import InputError
from fleetbrake.recordings import remote
from fleetbrake.recordings.sources import Facts, Source, source_of

#: Bytes of an object kept in memory; two are read at once. Own choice: two of them stay well below the memory allowed.
MOST_IN_MEMORY: Final = 64 * 2**20
#: Bytes up to which a file of this machine is taken into memory, so that hashing and decoding read it once.
_SMALL: Final = 16 * 2**20
#: Bytes of one request. Own choice: a request's overhead is small against it, and one that breaks costs little.
REQUEST_BYTES: Final = 8 * 2**20
_HASH_BYTES: Final = 2**20


class AtHand:
    """One recording's bytes; close it, or use it in a ``with``.

    Attributes
    ----------
    source : where it lies. ``handle`` : seekable, reading at a place does not disturb others.
    facts : size and time of change when it was opened.
    """

    def __init__(
        self, source: Source, handle: pa.NativeFile, facts: Facts, sha256: str | None, end: Callable[[], None]
    ) -> None:
        self.source, self.handle, self.facts = source, handle, facts
        self._sha256, self._end = sha256, end

    @property
    def name(self) -> str:
        """The file's own name, without its folders."""
        return self.source.parts[-1]

    @property
    def sha256(self) -> str:
        """SHA-256 of the bytes in hex, reckoned once; InputError where they cannot be read."""
        if self._sha256 is None:
            self._sha256 = _hashed(self.handle, self.source.shown)
        return self._sha256

    def begins(self, most: int) -> bytes:
        """The first bytes."""
        return bytes(self.handle.read_at(min(most, self.facts.size), 0))

    def ends(self, most: int) -> bytes:
        """The last bytes."""
        length = min(most, self.facts.size)
        return bytes(self.handle.read_at(length, self.facts.size - length))

    def save(self, path: Path) -> None:
        """Write the bytes to a file of this machine; OSError where it cannot be written."""
        with path.open("wb") as file:
            for start in range(0, self.facts.size, REQUEST_BYTES):
                file.write(self.handle.read_at(min(REQUEST_BYTES, self.facts.size - start), start))

    def close(self) -> None:
        """Let go of it."""
        self.handle.close()
        self._end()

    def __enter__(self) -> "AtHand":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()


def at_hand(x: "str | Path | Source | AtHand", *, whole: bool = True, shown: str | None = None) -> AtHand:
    """Open a recording's bytes; ``whole`` false where a few rows are wanted only, so that an object is not fetched.

    Raises
    ------
    InputError
        If it is not there, denied, or does not come; ``shown`` is its name in the sentence.
    """
    if isinstance(x, AtHand):
        return x
    source = source_of(x)
    name = shown or source.shown
    if source.is_local:
        return _file(source, name, whole=whole)
    return _fetched(source, name) if whole else _in_ranges(source, name)


def file_sha256(x: str | Path | Source, shown: str | None = None) -> str:
    """SHA-256 of a recording's bytes in hex; InputError if it cannot be read."""
    with at_hand(x, shown=shown) as it:
        return it.sha256


def disturbed(error: BaseException | None) -> bool:
    """Whether the system kept the bytes from being read: that says nothing of them, and may be over next time."""
    while error is not None:
        if isinstance(error, OSError) and error.errno:  # what a decoder says of bad bytes has no number
            return True
        error = error.__cause__ or error.__context__
    return False


def _nothing() -> None:
    """What ends with a handle that is all there is."""


def _file(source: Source, shown: str, *, whole: bool) -> AtHand:
    try:
        found = source.path.stat()
        if not stat.S_ISREG(found.st_mode):  # it was one when it was listed; a pipe would be waited for without an end
            raise InputError(f"{shown}: is no regular file")
        # by its bytes, since a name need not be UTF-8
        handle: pa.NativeFile = pa.OSFile(os.fsencode(source.path))
        facts = Facts(found.st_size, found.st_mtime_ns)
        if not whole or found.st_size > _SMALL:
            return AtHand(source, handle, facts, None, _nothing)
        with handle:
            content = handle.read_buffer()
    except (OSError, ValueError) as error:
        raise InputError(f"{shown}: cannot be read ({_reason(error)})") from error
    return AtHand(source, pa.BufferReader(content), facts, hashlib.sha256(content).hexdigest(), _nothing)


def _reason(error: BaseException) -> str:
    """The system's own words."""
    number = getattr(error, "errno", None)
    return os.strerror(number) if number else (str(error).splitlines() or [type(error).__name__])[0]


def _hashed(handle: pa.NativeFile, shown: str) -> str:
    digest, place = hashlib.sha256(), 0
    buffer = bytearray(_HASH_BYTES)
    try:
        handle.seek(0)
        while got := handle.readinto(buffer):
            digest.update(memoryview(buffer)[:got])
            place += got
    except (OSError, pa.ArrowException) as error:
        raise InputError(f"{shown}: cannot be read ({_reason(error)})") from error
    return digest.hexdigest()


# --- objects -------------------------------------------------------------------------------------------------------


class _Object(io.RawIOBase):
    """An object as a file of Python: every request is tried again, and only the request."""

    def __init__(self, source: Source, shown: str) -> None:
        system, path = remote.file_system(source.address)
        self._shown, self._place, self._system, self._path = shown, 0, system, path
        self._opened: Any = None
        self._opened, self.facts = self._looked_at()

    def _looked_at(self) -> tuple[Any, Facts]:
        def look() -> tuple[Any, Facts]:
            opened = self._system.open_input_file(self._path)
            mark = (opened.metadata() or {}).get("ETag")
            info = self._system.get_file_info(self._path)
            return opened, Facts(int(opened.size()), int(info.mtime_ns or 0), mark.decode() if mark else None)

        return remote.tried(self._shown, "cannot be read", look)

    def check_unchanged(self) -> None:
        """InputError if the object is another one by now: parts of two are no recording."""
        opened, facts = self._looked_at()
        opened.close()
        if facts != self.facts:
            raise InputError(f"{self._shown}: the object changed while it was read; read it again")

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._place

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._place, os.SEEK_END: self.facts.size}[whence]
        self._place = base + offset
        return self._place

    def readinto(self, buffer: Any) -> int:
        content = self.read(len(buffer))
        buffer[: len(content)] = content
        return len(content)

    def read(self, size: int | None = -1) -> bytes:
        left = self.facts.size - self._place
        wanted = max(0, left if size is None or size < 0 else min(size, left))
        parts = list(self._pieces(self._place, wanted))
        self._place += wanted
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def _pieces(self, place: int, wanted: int) -> Iterator[bytes]:
        for start in range(place, place + wanted, REQUEST_BYTES):
            length = min(REQUEST_BYTES, place + wanted - start)
            yield remote.tried(self._shown, "cannot be read", lambda s=start, n=length: self._piece(s, n))  # type: ignore[misc]

    def _piece(self, start: int, length: int) -> bytes:
        content = bytes(self._opened.read_at(length, start))
        if len(content) != length:
            raise OSError(f"{len(content)} bytes arrived of {length}")
        return content

    def pieces(self) -> Iterator[bytes]:
        """All of it, in order."""
        return self._pieces(0, self.facts.size)

    def close(self) -> None:
        if not self.closed:
            self._opened.close()
        super().close()


def _in_ranges(source: Source, shown: str) -> AtHand:
    file = _Object(source, shown)
    return AtHand(source, pa.PythonFile(file, mode="r"), file.facts, None, _nothing)


def _fetched(source: Source, shown: str) -> AtHand:
    """An object fetched whole and hashed on the way, its content in memory or, where it is large, on the disk."""
    digest = hashlib.sha256()
    with _Object(source, shown) as file:
        if file.facts.size <= MOST_IN_MEMORY:
            content = bytearray()
            for piece in file.pieces():
                digest.update(piece)
                content += piece
            handle: pa.NativeFile = pa.BufferReader(pa.py_buffer(content))
        else:
            with _passing_file() as (kept, name):
                for piece in file.pieces():
                    digest.update(piece)
                    kept.write(piece)
                kept.flush()
                handle = pa.OSFile(name)
        file.check_unchanged()
        return AtHand(source, handle, file.facts, digest.hexdigest(), _nothing)


@contextmanager
def _passing_file() -> Iterator[tuple[IO[bytes], str]]:
    """A file of the temporary folder that has no name any more once its content is read, whatever ends the run."""
    kept = tempfile.NamedTemporaryFile(prefix="fleetbrake-", delete=False)  # noqa: SIM115
    try:
        with kept:
            yield kept, kept.name
    finally:
        Path(kept.name).unlink(missing_ok=True)

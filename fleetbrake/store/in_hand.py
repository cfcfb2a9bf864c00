"""``STORE/in-hand``: which recordings are being read now, so that the one that ended the process can be told.

What a process wrote outlives it, without waiting for the disk. What a run finds there was in hand when the run before
it died: a suspect, until it was read alone. Addresses, which may name a driver, stand there as keyed digests only.
"""

import os
import secrets
import struct
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from hashlib import blake2b
from pathlib import Path
from threading import RLock
from typing import Final

NAME: Final = "in-hand"
#: What the file begins with: mark, process, runs in a row that died so, places of threads, key of the digests.
_HEAD: Final = struct.Struct("<8sQII16s")
_MARK: Final = b"in-hand1"
_DIGEST: Final = 32
_NOBODY: Final = bytes(_DIGEST)
#: At most so many suspects are kept. Own choice: each run that dies adds one for each thread; those of files that are
#: never named again would else stay for ever.
_MOST: Final = 256


@dataclass(frozen=True)
class Note:
    """What stands in the file. ``held``: in hand of ``pid``; ``suspects``: in hand of runs that died before it."""

    pid: int = 0
    deaths: int = 0
    key: bytes = b""
    held: tuple[bytes, ...] = ()
    suspects: tuple[bytes, ...] = ()


def read_note(store: Path) -> Note:
    """What stands there; nothing where there is no such file, or one that no run of this program wrote."""
    try:
        content = (store / NAME).read_bytes()
        mark, pid, deaths, places, key = _HEAD.unpack_from(content)
    except (OSError, struct.error):
        return Note()
    if mark != _MARK:
        return Note()
    body = content[_HEAD.size :]
    digests = [body[at : at + _DIGEST] for at in range(0, len(body) - _DIGEST + 1, _DIGEST)]
    held, suspects = ([one for one in part if one != _NOBODY] for part in (digests[:places], digests[places:]))
    return Note(pid, deaths, key, tuple(held), tuple(suspects))


class InHand:
    """Keeps the file while one run reads. Made and closed by the holder of the writer's lock only.

    What cannot be written there is passed over: it costs no run.

    Attributes
    ----------
    deaths : how many runs in a row died with files in hand, up to now.
    """

    def __init__(self, store: Path, addresses: Iterable[str], places: int) -> None:
        """Begin: what the last run left becomes suspects; ``addresses`` are all that this run may read."""
        self._path, self._lock = store / NAME, RLock()
        self._places, self._free, self._ended = places, list(range(places)), False
        left = read_note(store)
        self.deaths = min(left.deaths, _MOST) + bool(left.held)
        self._key = left.key or secrets.token_bytes(16)
        found = list(dict.fromkeys([*left.held, *left.suspects]))[:_MOST]
        at = {digest: place for place, digest in enumerate(found, start=places)}
        named = ((address, at.get(self._digest(address))) for address in addresses) if at else ()
        self._suspects = {address: place for address, place in named if place is not None}
        self._left = set(at.values())
        self._handle: int | None = None
        with suppress(OSError):
            self._handle = self._made([_NOBODY] * places + found)

    def is_suspect(self, address: str) -> bool:
        """Whether it was in hand when a run died, and has not been settled since."""
        return address in self._suspects

    @property
    def suspects(self) -> list[str]:
        """Addresses of this run that are suspects still."""
        return list(self._suspects)

    @contextmanager
    def holding(self, address: str) -> Iterator[None]:
        """The file is in hand while the block runs, in any thread: what ends the process in it leaves the note."""
        with self._lock:
            place = self._free.pop() if self._free else None
        self._put(place, self._digest(address))
        try:
            yield
        finally:
            self._put(place, _NOBODY)
            with self._lock:
                self._free += [] if place is None else [place]
                self._let_go()

    def settle(self, address: str) -> None:
        """It was read, or rejected, and the log says so: no suspect any more."""
        place = self._suspects.pop(address, None)
        if place is not None:
            self._put(place, _NOBODY)
            self._left.discard(place)

    def close(self) -> None:
        """The run ends in order. The file stays for suspects of other runs, and for what a thread is still reading."""
        with self._lock:
            self._ended = True
            self._write(0, self._head(0))
            self._let_go()

    def _let_go(self) -> None:
        """Remove the file when nobody needs it any more; only this run's own."""
        if not self._ended or self._handle is None or len(self._free) < self._places:
            return
        mine, handle, self._handle = os.fstat(self._handle), self._handle, None
        os.close(handle)
        with suppress(OSError):
            if not self._left and os.path.samestat(self._path.stat(), mine):
                self._path.unlink()

    def _made(self, digests: list[bytes]) -> int:
        part = self._path.with_name(f".{NAME}.{os.getpid()}.part")
        try:
            part.write_bytes(self._head(self.deaths) + b"".join(digests))
            part.replace(self._path)
        finally:
            part.unlink(missing_ok=True)
        return os.open(self._path, os.O_RDWR | getattr(os, "O_BINARY", 0))

    def _head(self, deaths: int) -> bytes:
        return _HEAD.pack(_MARK, os.getpid(), deaths, self._places, self._key)

    def _digest(self, address: str) -> bytes:
        return blake2b(address.encode("utf-8", "surrogatepass"), digest_size=_DIGEST, key=self._key).digest()

    def _put(self, place: int | None, digest: bytes) -> None:
        if place is not None:
            self._write(_HEAD.size + place * _DIGEST, digest)

    def _write(self, at: int, content: bytes) -> None:
        with self._lock, suppress(OSError):
            if self._handle is not None:
                os.lseek(self._handle, at, os.SEEK_SET)
                os.write(self._handle, content)

"""Rows on their way into the store from other machines: where they wait, and how they are taken in.

Every run has a place of its own with a mark in it. Without the mark nobody writes there any more, so that what is still
at work for a run that has ended changes nothing: never the lake itself, where only the holder of the lock writes.
"""

import json
import secrets
import shutil
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol
from urllib.parse import urlsplit
from urllib.request import url2pathname

import pyarrow as pa
from pyarrow import fs

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.recordings import remote
from fleetbrake.store.files import write_atomically
from fleetbrake.store.lake import Lake

#: Folder of the store in which rows wait for the holder of the lock.
ARRIVING: Final = "arriving"
#: Keeps the store's own name below addresses, and at which of them something may still lie.
NOTE: Final = "handover.json"
_MARK: Final = "run"
#: Pieces fetched from an address at once. Own choice: they are small, so that waiting for answers is most of the time.
_AT_ONCE: Final = 8


class Drop(Protocol):
    """A place where the rows of one run wait. Small; may be sent to another machine."""

    @property
    def advice(self) -> str:
        """What to do where a worker cannot write there."""

    def check(self) -> None:
        """See that it is there, is the very place that was meant, and can be written; StoreError if not."""

    def write_piece(self, key: str, events: pa.Table, wheels: pa.Table) -> None:
        """Put the rows of one file there; StoreError if they cannot be put, or the run is over."""

    def begin(self) -> None:
        """Make the place. Only here, for whoever holds the store's lock."""

    def into(self, lake: Lake, keys: list[str]) -> None:
        """Take these pieces into the lake. StoreError if one is not there. Only here, as ``begin``."""

    def end(self) -> None:
        """Remove the place and all that is in it, the mark first. Only here."""


@dataclass(frozen=True)
class FolderDrop:
    """A folder that all machines see under the same path. ``mark``: a word that no other place has."""

    folder: Path
    mark: str
    advice: str

    def check(self) -> None:
        """See :class:`Drop`."""
        self._gate()
        write_atomically(self.folder / f"probe-{secrets.token_hex(8)}", _nothing)

    def write_piece(self, key: str, events: pa.Table, wheels: pa.Table) -> None:
        """See :class:`Drop`."""
        self._gate()
        Lake(self.folder).write_piece(key, events, wheels)

    def begin(self) -> None:
        """See :class:`Drop`."""
        write_atomically(self.folder / _MARK, lambda part: _text(part, self.mark))

    def into(self, lake: Lake, keys: list[str]) -> None:
        """See :class:`Drop`."""
        lake.take_pieces(keys, Lake(self.folder))

    def end(self) -> None:
        """See :class:`Drop`."""
        _removed(self.folder)

    def _gate(self) -> None:
        try:
            found = (self.folder / _MARK).read_text(encoding="utf-8")
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or error
            raise StoreError(f"does not see {self.folder} ({why})") from error
        if found != self.mark:
            raise StoreError(f"sees another folder than was meant at {self.folder}")


@dataclass(frozen=True)
class AddressDrop:
    """A prefix of an object store. ``near``: a folder of the store, where pieces are put together again."""

    address: str
    near: Path
    mark: str
    advice: str

    def check(self) -> None:
        """See :class:`Drop`."""
        self._gate()
        name = f"probe-{secrets.token_hex(8)}"
        self._put(name, b"")
        system, path = self._at(name)
        self._tried("cannot be written", lambda: system.delete_file(path))

    def write_piece(self, key: str, events: pa.Table, wheels: pa.Table) -> None:
        """See :class:`Drop`."""
        self._gate()
        with tempfile.TemporaryDirectory(prefix="fleetbrake-") as folder:
            here = Lake(Path(folder))
            here.write_piece(key, events, wheels)
            for path in here.files_of(key):
                self._put(path.relative_to(folder).as_posix(), path.read_bytes())

    def begin(self) -> None:
        """See :class:`Drop`."""
        self._put(_MARK, self.mark.encode())

    def into(self, lake: Lake, keys: list[str]) -> None:
        """See :class:`Drop`."""
        here = Lake(self.near)
        with ThreadPoolExecutor(_AT_ONCE) as pool:
            list(pool.map(lambda key: self._fetched(here, key), keys))
        lake.take_pieces(keys, here)

    def end(self) -> None:
        """See :class:`Drop`."""
        _removed(self.near)
        system, path = self._at(_MARK)
        self._tried("cannot be removed", lambda: _without(lambda: system.delete_file(path)))
        remove_under(self.address.rpartition("/")[0])  # all that is this store's: its lock is ours

    def _fetched(self, here: Lake, key: str) -> None:
        for path in here.files_of(key):
            content = self._get(path.relative_to(self.near).as_posix())
            write_atomically(path, lambda part, content=content: _bytes(part, content))  # type: ignore[misc]

    def _gate(self) -> None:
        if self._get(_MARK) != self.mark.encode():
            raise StoreError(f"sees another place than was meant at {self.address}")

    def _at(self, name: str) -> tuple[fs.FileSystem, str]:
        system, root = remote.file_system(self.address)
        return system, f"{root}/{name}"

    def _put(self, name: str, content: bytes) -> None:
        system, path = self._at(name)

        def put() -> None:
            # closing is what makes the object: an error in between leaves none
            with system.open_output_stream(path) as stream:
                stream.write(content)

        self._tried("cannot be written", put)

    def _get(self, name: str) -> bytes:
        system, path = self._at(name)

        def get() -> bytes:
            with system.open_input_stream(path) as stream:
                return bytes(stream.read())

        return self._tried("cannot be read", get)

    def _tried(self, what: str, work: Any) -> Any:
        try:
            return remote.tried(self.address, what, work)
        except InputError as error:
            raise StoreError(str(error)) from error


@contextmanager
def drop_of_run(store: Path, handover: str | None, left: list[str] | None = None) -> Iterator[Drop]:
    """A fresh place for the rows of one run, removed at its end. Only for the holder of the writer's lock.

    Parameters
    ----------
    handover : checked address for machines that do not see the store.
    left : gets a sentence where the place cannot be removed; the next run tries again. What ended the run is told
        before that.

    Raises
    ------
    StoreError
        The place cannot be made.
    """
    noted = handover is not None and handover in _noted(store)["addresses"]  # rows of an earlier run lie there
    if handover is not None:
        _note(store, handover)  # before anything is put there
    drop = _drop(store, handover)
    gone = False
    try:
        try:
            drop.begin()
        except StoreError as error:
            gone = _refused(error) and not noted
            raise
        yield drop
    finally:
        try:
            drop.end()
            gone = True
        except StoreError as error:
            if left is not None:
                left.append(f"Rows of this run may still lie there; the next one removes them: {error}")
        if handover is not None and gone:
            _note(store, handover, over=True)


def _refused(error: StoreError) -> bool:
    """Whether the address took nothing, for good: it is denied, or there is no such bucket."""
    first = error.__cause__.__cause__ if error.__cause__ is not None else None
    return isinstance(first, Exception) and not remote.may_pass(first)


def _drop(store: Path, handover: str | None) -> Drop:
    run, mark = secrets.token_hex(8), secrets.token_hex(16)
    near = store.resolve() / ARRIVING / run
    if handover is None:
        return FolderDrop(near, mark, "Give a store that all see under the same path, or an address to hand rows over.")
    folder = _folder(handover)
    if folder is not None:
        return FolderDrop(folder / _own_name(store) / run, mark, "Give a folder that all see under the same path.")
    advice = "All need the rights to list, read, write and delete there, by their own environment."
    return AddressDrop(f"{handover}/{_own_name(store)}/{run}", near, mark, advice)


def remove_left(store: Path) -> list[str]:
    """Remove what runs left that were killed, here and at addresses. Only for the holder of the writer's lock.

    Returns a sentence for each address that could not be looked through; it is tried again by every run.
    """
    told = []
    for address in ("", *_noted(store)["addresses"]):
        try:
            _remove_at(store, address)
        except StoreError as error:
            told.append(f"Rows of a run that broke off may still lie there: {error}")
    return told


def _remove_at(store: Path, address: str) -> None:
    """Remove all of this store's that lies at an address, and the note of it; without one, what lies in the store."""
    if not address:
        _removed(store / ARRIVING)
        return
    folder = _folder(address)
    if folder is None:
        remove_under(f"{address}/{_own_name(store)}")
    else:
        _removed(folder / _own_name(store))
    _note(store, address, over=True)


def remove_under(address: str) -> None:
    """Remove all objects below an address; StoreError if that cannot be done."""
    system, root = remote.file_system(address)

    def remove() -> None:
        under = fs.FileSelector(root, recursive=True, allow_not_found=True)
        marks = [one.path for one in system.get_file_info(under) if one.path.endswith(f"/{_MARK}")]
        for path in marks:  # first, so that nobody puts anything there any more
            _without(lambda path=path: system.delete_file(path))  # type: ignore[misc]
        # many at once, and with them the empty objects that the client library makes in place of folders
        _without(lambda: system.delete_dir(root))

    try:
        remote.tried(address, "cannot be removed", remove)
    except InputError as error:
        raise StoreError(str(error)) from error


def _without(remove: Callable[[], None]) -> None:
    """Remove what may be gone, or never have been there: its bucket neither."""
    try:
        remove()
    except OSError as error:
        if not remote.is_missing(error):
            raise


def _folder(handover: str) -> Path | None:
    parts = urlsplit(handover)
    return Path(url2pathname(parts.path)) if parts.scheme == "file" else None


def _removed(folder: Path) -> None:
    """Remove a folder, marks first; what another machine writes meanwhile is removed by the next run.

    StoreError if a mark cannot be removed, which lets others go on writing.
    """
    try:
        for mark in folder.glob(f"**/{_MARK}"):
            mark.unlink(missing_ok=True)
    except OSError as error:
        raise StoreError(f"{folder}: cannot be removed ({error.strerror or error})") from error
    shutil.rmtree(folder, ignore_errors=True)
    with suppress(OSError):  # only an empty one can be removed: no other run has a place there
        folder.parent.rmdir()


def _own_name(store: Path) -> str:
    """What the store's places at addresses are called: those of other stores are never touched."""
    return f"fleetbrake-{_noted(store)['name']}"


def _noted(store: Path) -> dict[str, Any]:
    try:
        told = json.loads((store / NOTE).read_text(encoding="utf-8"))
        return {"name": str(told["name"]), "addresses": [str(one) for one in told["addresses"]]}
    except FileNotFoundError:
        note = {"name": secrets.token_hex(8), "addresses": []}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(f"{store / NOTE}: cannot be read ({error}).") from error
    return note


def _note(store: Path, address: str, *, over: bool = False) -> None:
    """Keep that something lies at the address, or that it does no more."""
    note = _noted(store)
    addresses = {*note["addresses"], address} - ({address} if over else set())
    content = json.dumps({**note, "addresses": sorted(addresses)})
    write_atomically(store / NOTE, lambda part: _text(part, content))


def _nothing(part: Path) -> None:
    part.write_bytes(b"")


def _text(part: Path, content: str) -> None:
    part.write_text(content, encoding="utf-8")


def _bytes(part: Path, content: bytes) -> None:
    part.write_bytes(content)

"""Where the month goes: a folder, or a place in an object store by its address.

The files are made aside first. A manifest ``brakes-YYYY-MM.json`` with names, sizes and SHA-256 is written last and
taken away first, so that whoever finds it may read the set. Addresses are told without what may be secret in them.
"""

import json
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Final
from urllib.parse import parse_qsl, urlsplit, urlunsplit
from urllib.request import url2pathname

import pyarrow as pa
from filelock import FileLock, Timeout
from pyarrow import fs

from fleetbrake.core.errors import FleetbrakeError, StoreBusyError, StoreError
from fleetbrake.recordings.remote import GaveUp, again
from fleetbrake.store.disk_words import reason
from fleetbrake.store.files import put_in_place, sha256_of, write_atomically
from fleetbrake.store.runs import Outcome, last_runs

#: Wait before the second attempt (s); it doubles with each further one. Own choice: short hiccups of a network.
_FIRST_PAUSE_S: Final = 2.0
_DRAFT: Final = ".monthly-"
LOCK_NAME: Final = "monthly.lock"

Tick = Callable[[int, int], None]


@dataclass(frozen=True)
class Destination:
    """A place for the files of one month: ``root/YYYY-MM``. Exactly one of ``folder`` and ``address`` is set."""

    folder: Path | None
    address: str | None
    month: str
    attempts: int = 3

    @property
    def shown(self) -> str:
        """The place as it may be told: no name, no password, no options."""
        return str(self.folder) if self.folder is not None else _join(shown_address(str(self.address)), self.month)

    @property
    def manifest_name(self) -> str:
        """The file that says that the set is whole."""
        return f"brakes-{self.month}.json"

    def told(self, name: str) -> str:
        """A file of the set as it may be told."""
        return str(self.folder / name) if self.folder is not None else f"{self.shown}/{name}"

    def deliver(self, draft: Path, names: list[str], facts: dict[str, Any], tick: Tick) -> list[str]:
        """Put the files of ``draft`` in place, the manifest last; returns where they are.

        Raises
        ------
        FleetbrakeError
            The place cannot be written; there is then no manifest, or that of an earlier set which is whole.
        """
        manifest = _manifest(draft, names, {**facts, "month": self.month})
        if self.folder is not None:
            _into_folder(self.folder, draft, names, self.manifest_name, manifest, tick)
        else:
            _Upload(self).run(draft, names, manifest, tick)
        return [self.told(name) for name in [*names, self.manifest_name]]


def destination(out: str | Path, month: str, attempts: int = 3) -> Destination:
    """The place for a month below ``out``; an address ``file://`` is a folder."""
    if isinstance(out, Path):
        return Destination(out / month, None, month, attempts)
    parts = urlsplit(out)
    if parts.scheme == "file":
        return Destination(Path(url2pathname(parts.path)) / month, None, month, attempts)
    return Destination(None, out, month, attempts)


def shown_address(address: str) -> str:
    """An address without user, password, options and fragment."""
    parts = urlsplit(address)
    host = parts.netloc.rpartition("@")[2] if not parts.scheme.startswith("abfs") else parts.netloc.split(":")[0]
    return urlunsplit((parts.scheme, host, parts.path, "", ""))


@contextmanager
def alone(store: Path, wait_s: float) -> Iterator[None]:
    """Keep other monthly runs of the store out while the block runs.

    Raises
    ------
    StoreBusyError
        Another one is at work for longer than ``wait_s``; the text names it.
    StoreError
        The store cannot be written.
    """
    try:
        # never removed: whoever waits for a file that is taken away may hold another one than the next who comes
        lock = FileLock(store / LOCK_NAME, fallback_to_soft=False)
        lock.acquire(timeout=wait_s)
    except Timeout as error:
        raise StoreBusyError(_busy_sentence(store)) from error
    except (OSError, NotImplementedError) as error:
        raise StoreError(f"Cannot lock the store {store}: {error}.") from error
    try:
        yield
    finally:
        lock.release()


def _busy_sentence(store: Path) -> str:
    """Who is at work, as far as the history tells: a run that holds the lock is its oldest one that still runs."""
    working = [run for run in last_runs(store, 50) if run.job == "monthly" and run.outcome is Outcome.RUNNING]
    who = "Another monthly run"
    if len(working) > 1:
        first = working[-1]
        who += f" (process {first.pid} on {first.host}, since {first.started_at.isoformat(timespec='seconds')})"
    return f"{who} of the store {store} is at work; wait for it to end, then try again."


@contextmanager
def draft_for(place: Destination) -> Iterator[Path]:
    """A folder in which the files are made: beside their place, so that putting them there is a rename; for an address
    wherever this machine keeps passing files. Only for whoever is :func:`alone`."""
    if place.folder is not None:
        place.folder.mkdir(parents=True, exist_ok=True)
        for left in place.folder.glob(f"{_DRAFT}*"):  # of a run that was killed
            shutil.rmtree(left, ignore_errors=True)
    draft = Path(tempfile.mkdtemp(prefix=_DRAFT, dir=place.folder))
    try:
        yield draft
    finally:
        shutil.rmtree(draft, ignore_errors=True)
        if place.folder is not None:
            with suppress(OSError):
                place.folder.rmdir()  # only an empty folder can be removed: nothing was put there


def _manifest(draft: Path, names: list[str], facts: dict[str, Any]) -> bytes:
    files = [
        {"name": name, "bytes": (draft / name).stat().st_size, "sha256": sha256_of(draft / name)}
        for name in sorted(names)
    ]
    return (json.dumps({**facts, "files": files}, sort_keys=True, indent=1) + "\n").encode()


def _into_folder(folder: Path, draft: Path, names: list[str], manifest_name: str, manifest: bytes, tick: Tick) -> None:
    try:
        (folder / manifest_name).unlink(missing_ok=True)
        for done, name in enumerate(names, start=1):
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            put_in_place(draft / name, folder / name)
            tick(done, len(names))
    except OSError as error:
        raise FleetbrakeError(f"{folder}: the month's files cannot be put there ({reason(error)}).") from error
    write_atomically(folder / manifest_name, lambda part: _written(part, manifest))


def _written(part: Path, content: bytes) -> None:
    part.write_bytes(content)


class _Upload:
    """Files to an address, each a few times if need be."""

    def __init__(self, place: Destination) -> None:
        self._place = place
        try:
            self._system, root = fs.FileSystem.from_uri(str(place.address))
        except (OSError, ValueError, TypeError, pa.ArrowException) as error:
            raise FleetbrakeError(f"{place.shown}: {self._clean(error)}") from error
        self._root = _join(root, place.month)

    def run(self, draft: Path, names: list[str], manifest: bytes, tick: Tick) -> None:
        """Old manifest away, files up, new manifest up."""
        where = _join(self._root, self._place.manifest_name)
        self._tried("the old manifest cannot be removed", lambda: self._remove(where))
        for done, name in enumerate(names, start=1):
            content, path = (draft / name).read_bytes(), _join(self._root, name)
            self._tried(f"{name} cannot be written", lambda c=content, p=path: self._put(p, c))  # type: ignore[misc]
            tick(done, len(names))
        self._tried("the manifest cannot be written", lambda: self._put(where, manifest))

    def _remove(self, path: str) -> None:
        if self._system.get_file_info(path).type == fs.FileType.File:
            self._system.delete_file(path)

    def _put(self, path: str, content: bytes) -> None:
        # closing is what makes the object: an error in between must not leave half a file under its name, hence at once
        with self._system.open_output_stream(path) as stream:
            stream.write(content)
        size = self._system.get_file_info(path).size
        if size != len(content):
            raise OSError(f"{size} bytes arrived of {len(content)}")

    def _tried(self, what: str, work: Callable[[], None]) -> None:
        try:
            again(work, self._place.attempts, _FIRST_PAUSE_S)
        except GaveUp as end:
            said = self._clean(end.error)
            raise FleetbrakeError(f"{self._place.shown}: {what}{end.tries} ({said}).") from end.error

    def _clean(self, error: BaseException) -> str:
        """What went wrong, without anything of the address that may be secret."""
        said = (str(error).splitlines() or [type(error).__name__])[0][:300]
        address = str(self._place.address)
        parts = urlsplit(address)
        secret = [address, parts.query, parts.password or "", *(v for _, v in parse_qsl(parts.query))]
        for one in sorted({s for s in secret if len(s) > 2}, key=len, reverse=True):
            said = said.replace(one, "…")
        return said


def _join(root: str, name: str) -> str:
    return f"{root.rstrip('/')}/{PurePosixPath(name)}"

"""Files that are either wholly there or not at all."""

import errno
import hashlib
import os
import secrets
import shutil
import stat
from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import partial
from pathlib import Path

from fleetbrake.core.errors import StoreError
from fleetbrake.core.private import make_private
from fleetbrake.store.disk_words import reason

#: Ending of files that are still being written; whatever a killed run leaves has it.
PART = ".part"


def text_path(path: Path | str) -> str:
    """The path as text that any table can hold; bytes that are no UTF-8 are written as ``\\xNN``."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def sha256_of(path: Path) -> str:
    """Fingerprint of the bytes of a file; ``OSError`` where it cannot be read."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_atomically(path: Path, write: Callable[[Path], None]) -> None:
    """Let ``write`` make a private file beside ``path``, force it to the disk, and put it in place by one rename.

    Raises
    ------
    StoreError
        The folder cannot be written or the disk is full; what was at ``path`` is unchanged.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.{secrets.token_hex(4)}{PART}")
    try:
        make_private(path.parent, like_its_own=True)
        write(part)
        put_in_place(part, path)
    except OSError as error:
        raise StoreError(f"Cannot write {path}: {reason(error)}.") from error
    finally:
        with suppress(OSError):  # a folder that is gone is told by what came before
            part.unlink(missing_ok=True)


def made_for_all(path: Path) -> None:
    """Make an empty file with the rights that the umask gives, where there is none: SQLite's own are narrower, and
    whoever shares the store could not write it. What cannot be made is told by whoever opens it."""
    if not path.exists():
        with suppress(OSError):
            path.touch()


def write_bytes(path: Path, content: bytes | memoryview, *, same_rights: bool = False) -> None:
    """Put a file of this content in place, as :func:`write_atomically`.

    ``same_rights``: with those of the file that it replaces, whatever the umask: where all who share a store write it.
    """
    write_atomically(path, lambda part: _filled(part, content, path if same_rights else None))


def put_in_place(part: Path, path: Path) -> None:
    """Force ``part`` to the disk and rename it to ``path``; a power cut leaves the old file or the new one."""
    _to_disk(part)
    part.replace(path)
    if os.name == "posix":  # elsewhere a folder cannot be opened, and need not be
        _to_disk(path.parent)


def move_into(moves: Iterable[tuple[Path, Path]], folders: Iterable[Path]) -> None:
    """Move whole files, each from the first path to the second, and force the ``folders`` they go to to the disk.

    Many at once cost little: what wrote them has forced their bytes to the disk. Over file systems they are copied.

    Raises
    ------
    StoreError
        One is not there or cannot be moved.
    """
    reached = list(folders)
    for folder in reached:
        folder.mkdir(parents=True, exist_ok=True)
    for path, target in moves:
        try:
            path.replace(target)
        except OSError as error:
            if error.errno != errno.EXDEV:
                raise StoreError(f"Cannot move {path} to {target}: {reason(error)}.") from error
            write_atomically(target, partial(shutil.copyfile, path))
            path.unlink(missing_ok=True)
    if os.name == "posix":
        for folder in reached:
            _to_disk(folder)


def remove_parts(folder: Path) -> None:
    """Remove what killed runs left half-written in ``folder``."""
    for part in folder.glob(f".*{PART}"):
        part.unlink(missing_ok=True)


def _filled(part: Path, content: bytes | memoryview, like: Path | None) -> None:
    part.write_bytes(content)
    if like is not None and like.exists():
        part.chmod(stat.S_IMODE(like.stat().st_mode))


def _to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

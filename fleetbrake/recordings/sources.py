"""Where a recording lies: a file of this machine or an object of an object store, by one address."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePath, PurePosixPath
from typing import NamedTuple
from urllib.parse import urlsplit
from urllib.request import url2pathname

from pyarrow import fs

from fleetbrake.core.errors import InputError
from fleetbrake.recordings import remote
from fleetbrake.recordings.folders import recordings_in
from fleetbrake.recordings.paths import text_path
from fleetbrake.recordings.story import printable


class Facts(NamedTuple):
    """What is known of a file without reading it. ``etag``: the object store's own mark of the content, if any."""

    size: int
    mtime_ns: int
    etag: str | None = None


@dataclass(frozen=True)
class Source:
    """A recording's place. Small, and may be sent to another process.

    ``address`` is the resolved path as text, or ``s3://bucket/key``, ``gs://bucket/key``. ``place`` is the path as it
    was given; None for an object. ``listed`` is what a listing told of the object, which may be old by now.
    """

    address: str
    place: Path | None = field(default=None, compare=False)
    listed: Facts | None = field(default=None, compare=False)

    @property
    def is_local(self) -> bool:
        """Whether it is a file of this machine."""
        return self.place is not None

    @property
    def path(self) -> Path:
        """The file's path; ValueError for an object."""
        if self.place is None:
            raise ValueError(f"{self.address} is no file of this machine")
        return self.place

    @property
    def shown(self) -> str:
        """The place as a sentence names it."""
        return printable(self.address if self.place is None else text_path(self.place))

    @property
    def parts(self) -> tuple[str, ...]:
        """Folders and name, for what they say."""
        where: PurePath = PurePosixPath(self.address) if self.place is None else self.place
        return where.parts

    def stat(self) -> Facts:
        """Size and time of change now; InputError where it is not there or cannot be reached."""
        if self.place is not None:
            try:
                now = self.place.stat()
            except OSError as error:
                raise InputError(f"{self.shown}: cannot be read ({error.strerror or error})") from error
            return Facts(now.st_size, now.st_mtime_ns)
        system, path = remote.file_system(self.address)
        return remote.tried(self.shown, "cannot be read", lambda: _facts_of_object(system, path))


def _facts_of_object(system: fs.FileSystem, path: str) -> Facts:
    info = system.get_file_info(path)
    if info.type != fs.FileType.File:
        raise FileNotFoundError(path)
    return Facts(int(info.size), int(info.mtime_ns or 0))


def source_of(x: str | Path | Source) -> Source:
    """The place that a path or an address names; nothing is looked up.

    Raises
    ------
    InputError
        If it is an address of an unknown kind, or one with a password in it.
    """
    if isinstance(x, Source):
        return x
    if isinstance(x, Path):
        return _local(x)
    scheme = remote.scheme_of(x)
    if scheme is None:
        return _local(Path(x))
    if scheme == "file":
        parts = urlsplit(x)
        if parts.netloc not in ("", "localhost"):
            raise InputError(f"{printable(x)}: a file of another machine; give the path under which it is here.")
        return _local(Path(url2pathname(parts.path)))
    return Source(remote.checked_address(x))


def is_there(source: Source) -> bool:
    """Whether there is a file or an object at this place that can be reached."""
    try:
        return source.path.is_file() if source.is_local else bool(source.stat())
    except (InputError, OSError, ValueError):
        return False


def _local(path: Path) -> Source:
    try:
        whole = path.resolve()
    except (OSError, ValueError, RuntimeError):  # a name that no file can have
        whole = path.absolute()
    return Source(text_path(whole), path)


def find_recordings(
    paths: Iterable[str | Path | Source], passed_over: list[str] | None = None, *, within: list[str] | None = None
) -> list[Source]:
    """All ``*.parquet`` files under files, folders of any depth and prefixes of object stores, sorted, each once.

    Parameters
    ----------
    passed_over : gets a sentence for each path that cannot be used, which does not cost the others then.
    within : gets a sentence for whatever inside a folder cannot be reached or is no regular file.

    Raises
    ------
    InputError
        If a path or address does not exist, cannot be reached, or is neither a file nor a folder.
    """
    local: dict[Path, Source] = {}
    far: dict[str, Source] = {}
    told: list[str] = [] if within is None else within
    for one in paths:
        try:
            source = source_of(one)
            if source.place is None:
                # what an earlier listing told is not asked for one by one
                found = [source] if source.listed is not None else list(_objects(source))
                far.update((item.address, item) for item in found)
            else:
                for item, whole in _files(source, source.place, told):
                    local.setdefault(whole, Source(text_path(whole), item))
        except InputError as error:
            if passed_over is None:
                raise
            passed_over.append(str(error))
    return sorted(local.values(), key=lambda one: one.path) + [far[address] for address in sorted(far)]


def _files(source: Source, place: Path, told: list[str]) -> list[tuple[Path, Path]]:
    """Files under a place of this machine, each with what it is once links are followed."""
    try:
        return list(_resolved(_inside(place, told)))
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or error
        raise InputError(f"{source.shown}: cannot be read ({said})") from error


def _resolved(items: Iterable[Path]) -> Iterator[tuple[Path, Path]]:
    """Each path with what it is once links are followed; a folder is looked up once, not with each of its files."""
    folders: dict[Path, Path] = {}
    for item in items:
        folder = folders.get(item.parent)
        if folder is None:
            folder = folders[item.parent] = item.parent.resolve()
        yield item, item.resolve() if _is_link(item) or item.name in ("", "..") else folder / item.name


def _is_link(path: Path) -> bool:
    try:
        return path.is_symlink()
    except OSError:  # a folder that may be listed but not entered: reading the file will tell
        return False


def _inside(path: Path, told: list[str]) -> list[Path]:
    if path.is_dir():
        return list(recordings_in(path, told))
    if path.is_file():
        return [path]
    what = "is neither a file nor a folder" if path.exists() else "no such file or folder"
    raise InputError(f"{printable(text_path(path))}: {what}")


def _objects(source: Source) -> Iterator[Source]:
    """The object of this address, or those under it as a prefix."""
    system, path = remote.file_system(source.address)
    scheme = source.address.partition("://")[0]
    if not path.endswith("/"):
        info = remote.tried(source.shown, "cannot be read", lambda: system.get_file_info(path))
        if info.type == fs.FileType.File:
            yield Source(source.address, listed=Facts(int(info.size), int(info.mtime_ns or 0)))
            return
    selector = fs.FileSelector(path.rstrip("/"), recursive=True, allow_not_found=False)
    for info in remote.tried(source.shown, "cannot be listed", lambda: system.get_file_info(selector)):
        if info.type == fs.FileType.File and info.path.lower().endswith(".parquet"):
            yield Source(f"{scheme}://{info.path}", listed=Facts(int(info.size), int(info.mtime_ns or 0)))

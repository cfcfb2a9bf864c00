"""What a hold has copied: one ``held/HOLD/manifest.json`` a hold, with the copies beside it."""

import json
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any, Final

from fleetbrake.core.errors import StoreError
from fleetbrake.store.disk_words import reason
from fleetbrake.store.files import write_atomically

HELD_FOLDER: Final = "held"
MANIFEST_NAME: Final = "manifest.json"

#: States of a recording of a hold. ``copied``: the copy has the very bytes that were read in; ``changed``: it was read
#: in once, but other bytes are there now, and these were copied; ``missing``: nothing is there; ``no_room``: the disk
#: has too little room; ``failed``: the copy was not what was there; ``damaged``: it was copied, but the copy is gone or
#: has other bytes now, and nothing with the bytes of then is left. All but the first are tried again.
STATES: Final = ("copied", "changed", "missing", "no_room", "failed", "damaged")


@dataclass(frozen=True)
class HeldFile:
    """One recording of a hold.

    Attributes
    ----------
    path : where it was read from, as the log has it.
    read_sha256 : fingerprint of the bytes that were read in.
    state : one of ``STATES``.
    copy, sha256, size, copied_at : name of the copy in the hold's folder, its fingerprint, bytes, ISO time (UTC).
    settings : how it was read (criteria, mapping), as in the log.
    why : what makes it part of the hold.
    """

    path: str
    read_sha256: str
    state: str
    why: str
    settings: str
    copy: str | None = None
    sha256: str | None = None
    size: int | None = None
    copied_at: str | None = None

    @property
    def named(self) -> tuple[str, str]:
        """What makes it this one: the path and the bytes that were read."""
        return self.path, self.read_sha256


@dataclass
class Manifest:
    """The recordings of a hold, and the fingerprints of files that were looked into and are none of it.

    ``hold``: what it is, as the list of holds has it, should that list be lost.
    """

    hold_id: str
    files: list[HeldFile] = field(default_factory=list)
    none_of_it: set[str] = field(default_factory=set)
    hold: dict[str, Any] = field(default_factory=dict)

    def counts(self) -> dict[str, int]:
        """Number of files by state, states without any left out."""
        found = {state: sum(item.state == state for item in self.files) for state in STATES}
        return {state: count for state, count in found.items() if count}


def folder_of(store: Path, hold_id: str) -> Path:
    """Where the copies of a hold are."""
    return store / HELD_FOLDER / hold_id


def read_manifest(store: Path, hold_id: str) -> Manifest:
    """The manifest of a hold, empty if there is none yet. StoreError if it cannot be read, or is damaged."""
    path = folder_of(store, hold_id) / MANIFEST_NAME
    try:
        return _opened(hold_id, path.read_bytes())
    except FileNotFoundError:
        return Manifest(hold_id)
    except OSError as error:
        raise StoreError(f"The list of what {hold_id} has copied ({path}) cannot be read ({reason(error)}).") from error
    except ValueError as error:
        raise StoreError(
            f"The list of what {hold_id} has copied ({path}) is damaged: put it back from a copy of the store, or let "
            "`fleetbrake check --repair` make it again from the log and the copies."
        ) from error


def is_damaged(store: Path, hold_id: str) -> bool:
    """Whether the manifest of a hold is there and holds something else than was written."""
    try:
        _opened(hold_id, (folder_of(store, hold_id) / MANIFEST_NAME).read_bytes())
    except OSError:  # gone, or out of reach now
        return False
    except ValueError:
        return True
    return False


def _opened(hold_id: str, content: bytes) -> Manifest:
    """The manifest from its file's content; ``ValueError`` where that is none."""
    names = {item.name for item in fields(HeldFile)}
    try:
        kept: dict[str, Any] = json.loads(content)
        rows = [HeldFile(**{name: row.get(name) for name in names}) for row in kept["files"]]
        told = [text for row in rows for text in (row.path, row.read_sha256, row.state)]
        if not all(isinstance(text, str) for text in told) or not isinstance(kept.get("hold", {}), dict):
            raise ValueError("a row without path, fingerprint or state")
        return Manifest(hold_id, rows, set(kept.get("none_of_it", [])), kept.get("hold", {}))
    except (TypeError, KeyError, AttributeError) as error:
        raise ValueError("it is no list of copies") from error


def has_manifest(store: Path, hold_id: str) -> bool:
    """Whether a hold has a list of its copies."""
    return (folder_of(store, hold_id) / MANIFEST_NAME).is_file()


def with_copies(store: Path) -> list[str]:
    """Holds that have a list of copies in the store, in order."""
    return sorted(path.parent.name for path in (store / HELD_FOLDER).glob(f"*/{MANIFEST_NAME}"))


def read_from_copies(store: Path, paths: Iterable[str]) -> str:
    """What is to be said of recordings of which a hold has a copy; empty where none has."""
    wanted, found, holds = set(paths), set[str](), list[str]()
    for hold_id in with_copies(store):
        with suppress(StoreError):  # told by whoever looks at the hold
            there = {
                item.path
                for item in read_manifest(store, hold_id).files
                if item.copy and item.path in wanted and (folder_of(store, hold_id) / item.copy).is_file()
            }
            found |= there
            holds += [hold_id] if there else []
    if not found:
        return ""
    folders = " ".join(str(folder_of(store, hold_id)) for hold_id in holds)
    return (
        f"{' and '.join(holds)} {'have' if len(holds) > 1 else 'has'} a copy of {len(found)} of them, which "
        f"`fleetbrake ingest {folders}` reads (give --mapping where they were read with one). "
    )


def write_manifest(store: Path, manifest: Manifest) -> None:
    """Put the manifest in place of the one before."""
    content = json.dumps(
        {
            "hold_id": manifest.hold_id,
            "hold": manifest.hold,
            "files": [asdict(item) for item in sorted(manifest.files, key=lambda item: item.named)],
            "none_of_it": sorted(manifest.none_of_it),
        },
        ensure_ascii=False,
        indent=1,
    )

    def write(part: Path) -> None:
        part.write_text(content + "\n", encoding="utf-8")

    write_atomically(folder_of(store, manifest.hold_id) / MANIFEST_NAME, write)

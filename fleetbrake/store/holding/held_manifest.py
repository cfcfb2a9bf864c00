"""What a hold has copied: one ``held/HOLD/manifest.json`` a hold, with the copies beside it."""

import json
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any, Final

from fleetbrake.core.errors import StoreError
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
    """The manifest of a hold, empty if there is none yet. StoreError if it cannot be read."""
    path = folder_of(store, hold_id) / MANIFEST_NAME
    names = {item.name for item in fields(HeldFile)}
    try:
        kept: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        rows = [HeldFile(**{name: row.get(name) for name in names}) for row in kept["files"]]
        return Manifest(hold_id, rows, set(kept.get("none_of_it", [])), kept.get("hold", {}))
    except FileNotFoundError:
        return Manifest(hold_id)
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
        raise StoreError(f"The list of what {hold_id} has copied ({path}) cannot be read.") from error


def with_copies(store: Path) -> list[str]:
    """Holds that have a list of copies in the store, in order."""
    return sorted(path.parent.name for path in (store / HELD_FOLDER).glob(f"*/{MANIFEST_NAME}"))


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

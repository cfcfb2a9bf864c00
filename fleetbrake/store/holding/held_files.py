"""Copies of the recordings that a legal hold is about: made, checked, kept read-only in the store, removed at the end.

Only a file of a hold that stands is ever copied, and only after it was read in: the log is where files are found. What
cannot be copied now is tried again by every run that reads recordings.
"""

import os
import shutil
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from fleetbrake.core.errors import StoreError
from fleetbrake.store.files import remove_parts, sha256_of, write_atomically
from fleetbrake.store.holding.held_manifest import (
    HELD_FOLDER,
    HeldFile,
    Manifest,
    folder_of,
    read_manifest,
    write_manifest,
)
from fleetbrake.store.holding.held_matches import Match, matches, seen_as
from fleetbrake.store.holding.holds import Hold, active_holds, all_holds
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.log import IngestLog, read_log

#: Room that copies leave on the disk, bytes: own choice; a published file of a large fleet is about as large.
ROOM_LEFT: Final = 1_000_000_000

_READ_ONLY: Final = 0o440
_BLOCK: Final = 1 << 20


@dataclass
class Copied:
    """What one hold has of its recordings after a run.

    Attributes
    ----------
    files : number of files by state, see ``held_manifest.STATES``.
    new : copies made by this run.
    sentences : what could not be copied, and why.
    """

    hold_id: str
    files: dict[str, int] = field(default_factory=dict)
    new: int = 0
    sentences: list[str] = field(default_factory=list)


def copy_held(store: Path) -> list[Copied]:
    """Copy the recordings of all holds that stand and that are not copied yet; a row a hold.

    Raises
    ------
    StoreBusyError
        Another run writes the store.
    StoreError
        A list of what was copied cannot be read or written.
    """
    holds = active_holds(store)
    ended = [hold for hold in all_holds(store) if hold.released is not None and not hold.released.copies_kept]
    left = [hold.hold_id for hold in ended if folder_of(store, hold.hold_id).is_dir()]
    if not holds and not left:
        return []
    with writer_lock(store, "hold"):
        for hold_id in left:  # of a release that was killed
            remove_copies(store, hold_id)
        log = read_log(store)
        return [_copy_hold(store, log, hold) for hold in holds]


def remove_copies(store: Path, hold_id: str) -> tuple[int, int]:
    """Remove the folder of a hold that ended; files removed, and those of them that another hold has as well.

    Every hold has copies (or links) of its own, so that no other one loses anything.
    """
    own = {item.sha256 for item in read_manifest(store, hold_id).files if item.copy}
    shared = {
        item.sha256 for hold in active_holds(store) for item in read_manifest(store, hold.hold_id).files if item.copy
    }
    folder = folder_of(store, hold_id)
    if folder.is_dir():
        shutil.rmtree(folder)
    if (store / HELD_FOLDER).is_dir() and not any((store / HELD_FOLDER).iterdir()):
        (store / HELD_FOLDER).rmdir()
    return len(own), len(own & shared)


def damaged_copies(store: Path, hold_id: str) -> list[HeldFile]:
    """Copies whose bytes are no longer those that were copied, or that are gone."""
    folder = folder_of(store, hold_id)
    return [
        item
        for item in read_manifest(store, hold_id).files
        if item.copy is not None and _sha256(folder / item.copy) != item.sha256
    ]


def _copy_hold(store: Path, log: IngestLog, hold: Hold) -> Copied:
    manifest = read_manifest(store, hold.hold_id)
    if folder_of(store, hold.hold_id).is_dir():
        remove_parts(folder_of(store, hold.hold_id))
    before = sum(item.copy is not None for item in manifest.files)
    _take_matches(store, log, hold, manifest)
    for place, item in enumerate(manifest.files):
        if item.state != "copied":
            manifest.files[place] = _copied(store, hold, item)
    write_manifest(store, manifest)
    return Copied(
        hold_id=hold.hold_id,
        files=manifest.counts(),
        new=sum(item.copy is not None for item in manifest.files) - before,
        sentences=[_sentence(item) for item in manifest.files if item.state != "copied"],
    )


def _take_matches(store: Path, log: IngestLog, hold: Hold, manifest: Manifest) -> None:
    known = {item.named for item in manifest.files}
    for match in matches(store, log, hold, known, manifest.none_of_it):
        if match.why is not None:
            manifest.files.append(_wanted(match))
        elif match.looked:
            manifest.none_of_it.add(seen_as(match.entry))


def _wanted(match: Match) -> HeldFile:
    entry = match.entry
    return HeldFile(entry.path, entry.sha256, "missing", match.why or "", entry.settings)


def _copied(store: Path, hold: Hold, item: HeldFile) -> HeldFile:
    """The file after trying to copy it. A copy of other bytes than were read in is kept as well, and never replaced."""
    source, folder = Path(item.path), folder_of(store, hold.hold_id)
    try:
        size = source.stat().st_size
        found = _sha256(source)
    except OSError:
        return item if item.copy else replace(item, state="missing")
    if found is None:
        return item if item.copy else replace(item, state="missing")
    state = "copied" if found == item.read_sha256 else "changed"
    if item.copy and (state == "changed" or item.sha256 == found):
        return item
    name = f"{found[:32]}.parquet"
    if not (folder / name).is_file() and not _linked(store, hold, folder / name, found):
        if shutil.disk_usage(store).free < size + ROOM_LEFT:
            return item if item.copy else replace(item, state="no_room")
        try:
            _copy(source, folder / name, found)
        except StoreError:  # one file must not cost the others: it is told, and tried again
            return item if item.copy else replace(item, state="failed")
    return replace(
        item,
        state=state,
        copy=name,
        sha256=found,
        size=size,
        copied_at=datetime.now(UTC).replace(microsecond=0).isoformat(),
    )


def _linked(store: Path, hold: Hold, target: Path, sha256: str) -> bool:
    """Take the copy that another hold has, under a name of its own, so that each can go without the other."""
    for other in sorted((store / HELD_FOLDER).glob(f"*/{target.name}")):
        if other.parent.name != hold.hold_id and _sha256(other) == sha256:
            try:
                target.parent.mkdir(parents=True, exist_ok=True)
                os.link(other, target)
            except OSError:  # a file system without links: a copy of its own then
                return False
            return True
    return False


def _copy(source: Path, target: Path, sha256: str) -> None:
    """Copy the file and read the copy back; StoreError if it does not have those bytes."""

    def write(part: Path) -> None:
        shutil.copyfile(source, part)
        part.chmod(_READ_ONLY)
        if _sha256(part) != sha256:
            raise StoreError(f"The copy of {source} does not have its bytes; it changed meanwhile, or a disk fails.")

    write_atomically(target, write)


def _sha256(path: Path) -> str | None:
    try:
        return sha256_of(path)
    except OSError:
        return None


def _sentence(item: HeldFile) -> str:
    why = {
        "changed": "has other bytes than were read in; these were copied",
        "missing": "is not there any more, or cannot be read",
        "no_room": "has no room on the disk",
        "failed": "could not be copied: the disk did not take it, or it changed meanwhile",
    }[item.state]
    return f"{item.path}: {why}."

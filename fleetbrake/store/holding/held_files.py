"""Copies of the recordings that a legal hold is about: made, checked, kept read-only in the store, removed at the end.

Only a file of a hold that stands is ever copied, and only after it was read in: the log is where files are found. What
cannot be copied now is tried again by every run that reads recordings.
"""

import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.recordings.at_hand import at_hand
from fleetbrake.recordings.sources import Source, source_of
from fleetbrake.store.files import remove_parts, sha256_of, write_atomically
from fleetbrake.store.holding.held_manifest import (
    HELD_FOLDER,
    HeldFile,
    Manifest,
    folder_of,
    read_manifest,
    write_manifest,
)
from fleetbrake.store.holding.held_matches import matches, seen_as
from fleetbrake.store.holding.held_seen import Seen
from fleetbrake.store.holding.holds import Hold, active_holds, all_holds, as_kept, listed
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.log import IngestLog, LogEntry, read_log
from fleetbrake.store.remembered import no_copy

#: Room that copies leave on the disk, bytes: own choice; a published file of a large fleet is about as large.
ROOM_LEFT: Final = 1_000_000_000

#: Days in which every copy is read once, a part of them a day: own choice, a month.
READ_AGAIN_D: Final = 30

_READ_ONLY: Final = 0o440


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


def copy_held(store: Path, seen: Seen | None = None) -> list[Copied]:
    """Copy the recordings of all holds that stand and that are not copied yet; a row a hold.

    A copy that is gone or damaged is made again where its bytes are still to be had. Sizes are looked at each time,
    bytes of a part of the copies, so that each is read every ``READ_AGAIN_D`` days.

    Parameters
    ----------
    seen : where a run that has read recordings found them, and which it did not take in for a hold.

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
        return [_copy_hold(store, log, hold, seen or Seen()) for hold in holds]


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


def checked_copies(store: Path, hold_id: str) -> Manifest:
    """What a hold has copied, with each copy read: those that are gone or have other bytes are ``damaged``."""
    manifest, folder = read_manifest(store, hold_id), folder_of(store, hold_id)
    manifest.files = [
        replace(item, state="damaged") if item.copy and not _is_whole(folder, item, thorough=True) else item
        for item in manifest.files
    ]
    return manifest


def _is_whole(folder: Path, item: HeldFile, *, thorough: bool) -> bool:
    """Whether the copy is there in its size; ``thorough``: and in its bytes."""
    try:
        path = folder / str(item.copy)
        return path.stat().st_size == item.size and (not thorough or sha256_of(path) == item.sha256)
    except OSError:
        return False


def _due(item: HeldFile) -> bool:
    """Whether the bytes of a copy are looked at today: another part of the copies each day."""
    return int((item.sha256 or "0")[:8], 16) % READ_AGAIN_D == datetime.now(UTC).date().toordinal() % READ_AGAIN_D


def _copy_hold(store: Path, log: IngestLog, hold: Hold, seen: Seen) -> Copied:
    manifest, folder = read_manifest(store, hold.hold_id), folder_of(store, hold.hold_id)
    _refuse_another(hold, manifest, folder)
    manifest.hold = as_kept(hold)
    if folder.is_dir():
        remove_parts(folder)
    known = {item.named for item in manifest.files}
    manifest.files += _newly_wanted(store, log, hold, seen, manifest, known)
    before = [item.copy for item in manifest.files]
    damaged = {item.named for item in manifest.files if item.copy and not _is_whole(folder, item, thorough=_due(item))}
    for place, item in enumerate(manifest.files):
        if item.named in damaged:
            manifest.files[place] = _made_again(store, hold, item, seen)
        elif item.state != "copied":
            manifest.files[place] = _copied(store, hold, item, seen)
    write_manifest(store, manifest)
    return Copied(
        hold_id=hold.hold_id,
        files=manifest.counts(),
        new=sum(item.copy is not None and had is None for item, had in zip(manifest.files, before, strict=True)),
        sentences=[sentence_of(item) for item in manifest.files if item.state != "copied"],
    )


def _refuse_another(hold: Hold, manifest: Manifest, folder: Path) -> None:
    """StoreError where the copies under the id of a hold are another hold's: the one that their list tells is lost."""
    at = manifest.hold.get("at")
    if at is not None and at != as_kept(hold)["at"]:
        raise StoreError(
            f"The copies in {folder} are those of a hold of {at}, and the store's legal holds have another "
            f"{hold.hold_id}: put holds.json and {HELD_FOLDER} back from a copy of the store, or let `fleetbrake check "
            "--repair` keep both, each with a number of its own."
        )


def _newly_wanted(
    store: Path, log: IngestLog, hold: Hold, seen: Seen, manifest: Manifest, known: set[tuple[str, str]]
) -> list[HeldFile]:
    """Recordings that the manifest does not have yet; what is none of the hold is noted in it."""
    wanted, there = [], {item.path for item in manifest.files}
    for match in matches(store, log, hold, known, manifest.none_of_it, seen):
        if match.why is not None and not match.entry.sha256 and match.entry.path in there:
            continue  # the log does not know its bytes any more, and they are listed already
        if match.why is not None:
            wanted.append(_wanted(match.entry, match.entry.sha256, match.why))
        elif match.looked:
            manifest.none_of_it.add(seen_as(match.entry))
    copied = {(item.path, item.sha256 or item.read_sha256) for item in manifest.files}
    for one in seen.newer(hold.hold_id):  # both versions are kept, though only the first was taken in
        if not one.entry.sha256 and (one.entry.path not in there or (one.entry.path, one.sha256) in copied):
            continue  # perhaps the very bytes that were read
        wanted.append(_wanted(one.entry, one.sha256, "a later version, not taken in"))
    return [item for item in wanted if item.named not in known]


def _wanted(entry: LogEntry, sha256: str, why: str) -> HeldFile:
    return HeldFile(entry.path, sha256, "missing", why, entry.settings)


def _made_again(store: Path, hold: Hold, item: HeldFile, seen: Seen) -> HeldFile:
    """The file after its copy was found damaged: made again from what still has its bytes, else told."""
    target, sha256 = folder_of(store, hold.hold_id) / str(item.copy), str(item.sha256)
    source = seen.files.get(sha256) or source_of(item.path)
    if _linked(store, hold, target, sha256):
        return replace(item, state=_copied_as(item, sha256))
    if _bytes_of(source)[1] != sha256:
        return replace(item, state="damaged")
    if shutil.disk_usage(store).free < (item.size or 0) + ROOM_LEFT:
        return replace(item, state="damaged")
    try:
        _copy(source, target, sha256)
    except StoreError:
        return replace(item, state="damaged")
    return replace(item, state=_copied_as(item, sha256), copied_at=_now())


def _copied_as(item: HeldFile, sha256: str) -> str:
    """The first bytes that are met count as those that were read in where nobody knows these any more."""
    return "copied" if sha256 == (item.read_sha256 or item.sha256 or sha256) else "changed"


def _copied(store: Path, hold: Hold, item: HeldFile, seen: Seen) -> HeldFile:
    """The file after trying to copy it. A copy of other bytes than were read in is kept as well, and never replaced."""
    source = seen.files.get(item.read_sha256) or source_of(item.path)
    folder = folder_of(store, hold.hold_id)
    own = folder / f"{item.read_sha256[:32]}.parquet"
    if (
        item.copy is None and item.read_sha256 and _sha256(own) == item.read_sha256
    ):  # it was copied, and the list of copies was lost
        return replace(
            item, state="copied", copy=own.name, sha256=item.read_sha256, size=own.stat().st_size, copied_at=_now()
        )
    size, found = _bytes_of(source)
    if found is None:
        return _as_it_was(item, "missing")
    state = _copied_as(item, found)
    if item.copy and (state == "changed" or item.sha256 == found):
        return _as_it_was(item, state)
    name = f"{found[:32]}.parquet"
    if _sha256(folder / name) != found and not _linked(store, hold, folder / name, found):
        if shutil.disk_usage(store).free < size + ROOM_LEFT:
            return _as_it_was(item, "no_room")
        try:
            _copy(source, folder / name, found)
        except StoreError:  # one file must not cost the others: it is told, and tried again
            return _as_it_was(item, "failed")
    return replace(item, state=state, copy=name, sha256=found, size=size, copied_at=_now())


def _as_it_was(item: HeldFile, state: str) -> HeldFile:
    """The file where nothing was copied: with its copy in the state of that, else in ``state``."""
    if item.copy is None:
        return replace(item, state=state)
    return replace(item, state=_copied_as(item, str(item.sha256)))


def _now() -> str:
    return datetime.now(UTC).replace(microsecond=0).isoformat()


def _linked(store: Path, hold: Hold, target: Path, sha256: str) -> bool:
    """Take the copy that another hold has, under a name of its own, so that each can go without the other."""
    for other in sorted((store / HELD_FOLDER).glob(f"*/{target.name}")):
        if other.parent.name != hold.hold_id and _sha256(other) == sha256:
            try:
                target.parent.mkdir(parents=True, exist_ok=True)
                target.unlink(missing_ok=True)  # a damaged one
                os.link(other, target)
            except OSError:  # a file system without links: a copy of its own then
                return False
            return True
    return False


def _copy(source: Source, target: Path, sha256: str) -> None:
    """Copy the file and read the copy back; StoreError if it does not have those bytes."""

    def write(part: Path) -> None:
        with at_hand(source) as data:
            data.save(part)
        part.chmod(_READ_ONLY)
        if _sha256(part) != sha256:
            raise StoreError(f"{source.shown}: its copy has other bytes; it changed meanwhile, or a disk fails.")

    try:
        write_atomically(target, write)
    except InputError as error:
        raise StoreError(str(error)) from error


def _bytes_of(source: Source) -> tuple[int, str | None]:
    """Size and fingerprint of a recording where it is now; (0, None) where it cannot be read."""
    try:
        with at_hand(source) as data:
            return data.facts.size, data.sha256
    except InputError:
        return 0, None


def _sha256(path: Path) -> str | None:
    try:
        return sha256_of(path)
    except OSError:
        return None


def without_lost_copies(store: Path, aside: Callable[[list[Path]], object]) -> bool:
    """Go on without copies that are gone or damaged, whatever is left of them put aside; whether there were any.

    The recordings stay listed as missing. Only for the holder of the writer's lock.
    """
    some = False
    for row in listed(store):
        manifest, folder = read_manifest(store, row.hold_id), folder_of(store, row.hold_id)
        lost = {item.named for item in manifest.files if item.copy and not _is_whole(folder, item, thorough=True)}
        if not lost:
            continue
        gone = [item for item in manifest.files if item.named in lost]
        aside([folder / str(item.copy) for item in gone])
        without = [replace(item, state="missing", copy=None, sha256=None, size=None, copied_at=None) for item in gone]
        manifest.files = [item for item in manifest.files if item.named not in lost] + without
        write_manifest(store, manifest)
        some = True
    return some


def sentence_of(item: HeldFile) -> str:
    """What is to be said of a recording of a hold whose copy is not the very bytes that were read in."""
    why = {
        "changed": "has other bytes than were read in; these were copied",
        "missing": "is not there any more, or cannot be read (one that was moved, or whose path named a driver, "
        "is found when `fleetbrake ingest` reads it again, or by `fleetbrake hold --recordings`)",
        "no_room": "has no room on the disk",
        "damaged": "its copy is gone or damaged, and the original is not there with the bytes of then; restore it from "
        f"a backup of the store. {no_copy('holds')}",
        "failed": "could not be copied: the disk did not take it, or it changed meanwhile",
    }[item.state]
    return f"{item.path}: {why.removesuffix('.')}."

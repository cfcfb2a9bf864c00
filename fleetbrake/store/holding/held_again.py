"""Holds and lists of copies that are gone, damaged or another's, made again from what their copies say of them."""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from pydantic import ValidationError

from fleetbrake.core.errors import StoreError
from fleetbrake.store.aside import put_aside
from fleetbrake.store.files import sha256_of
from fleetbrake.store.holding.held_manifest import (
    HELD_FOLDER,
    MANIFEST_NAME,
    HeldFile,
    Manifest,
    folder_of,
    is_damaged,
    read_manifest,
    with_copies,
    write_manifest,
)
from fleetbrake.store.holding.holds import HOLDS_NAME, Hold, KeptHold, all_holds, as_kept, listed, next_id, write_kept
from fleetbrake.store.log import IngestLog
from fleetbrake.store.remembered import hold_number

#: What is said of a copy that no list names.
NOT_LISTED: Final = "a copy of this hold; the list that told more of it is lost"


def holds_again(store: Path) -> list[str]:
    """Put holds that have copies and that the list lacks, or that stood in a list that cannot be read, into the list.

    Returns their ids. A hold whose copies do not tell all of it is left out; copies of another hold than the list has
    under their number get a number of their own. Only for the holder of the writer's lock.
    """
    try:
        known, readable = listed(store), True
    except StoreError:
        known, readable = [], False
    missing = sorted(set(with_copies(store)) - {row.hold_id for row in known}, key=hold_number)
    found = [row for row in (_told_by_copies(store, hold_id) for hold_id in missing) if row is not None]
    if found:
        if not readable:
            put_aside(store, [store / HOLDS_NAME])
        write_kept(store, sorted([*known, *found], key=lambda row: hold_number(row.hold_id)))
    return [row.hold_id for row in [*found, *_others_again(store, [*known, *found])]]


def others_copies(store: Path, hold: Hold | KeptHold) -> KeptHold | None:
    """The hold whose copies lie under the id of another one, by the moment at which it was placed; else None."""
    told = _told_by_copies(store, hold.hold_id)
    return told if told is not None and told.at != hold.at else None


def _told_by_copies(store: Path, hold_id: str) -> KeptHold | None:
    """What the copies of a hold say of it; None where they do not tell all."""
    try:
        return KeptHold.model_validate({**read_manifest(store, hold_id).hold, "hold_id": hold_id})
    except (StoreError, ValidationError):
        return None


def _others_again(store: Path, known: Sequence[KeptHold]) -> list[KeptHold]:
    """Holds whose copies lie under the number of another one, each with a number of its own and its copies there."""
    rows, found = list(known), list[KeptHold]()
    for row in known:
        told = others_copies(store, row)
        if told is None:
            continue
        # a run that was killed in between has put it into the list already
        begun = [one for one in rows if one.at == told.at and not folder_of(store, one.hold_id).exists()]
        other = (
            begun[0] if begun else told.model_copy(update={"hold_id": next_id(store, (one.hold_id for one in rows))})
        )
        if not begun:
            rows.append(other)
            write_kept(store, rows)
        folder_of(store, row.hold_id).rename(folder_of(store, other.hold_id))
        found.append(other)
    return found


def list_copies(store: Path, log: IngestLog, aside: Callable[[Path], None]) -> int:
    """Put copies that lie in the folder of a hold and that its list does not name into it; their number.

    A file that has other bytes than its name says goes aside. Only for the holder of the writer's lock.
    """
    count = 0
    for hold in all_holds(store):
        unnamed = unlisted(store, hold.hold_id)
        if not unnamed:
            continue
        manifest = read_manifest(store, hold.hold_id)
        manifest.hold = as_kept(hold)
        count += sum([_listed(manifest, log, path, aside) for path in unnamed])
        write_manifest(store, manifest)
    return count


def unlisted(store: Path, hold_id: str) -> list[Path]:
    """Copies in the folder of a hold that its list does not name."""
    named = {item.copy for item in read_manifest(store, hold_id).files}
    return [path for path in sorted(folder_of(store, hold_id).glob("*.parquet")) if path.name not in named]


def _listed(manifest: Manifest, log: IngestLog, path: Path, aside: Callable[[Path], None]) -> bool:
    sha256 = sha256_of(path)
    if path.stem != sha256[: len(path.stem)]:
        aside(path)
        return False
    read = sorted((entry.path, entry.settings) for entry in log if entry.sha256 == sha256)
    where, settings = read[0] if read else (f"{HELD_FOLDER}/{manifest.hold_id}/{path.name}", "")
    manifest.files.append(
        HeldFile(
            path=where,
            read_sha256=sha256,
            state="copied",
            why=NOT_LISTED,
            settings=settings,
            copy=path.name,
            sha256=sha256,
            size=path.stat().st_size,
            copied_at=datetime.fromtimestamp(path.stat().st_mtime, UTC).replace(microsecond=0).isoformat(),
        )
    )
    return True


def damaged_aside(store: Path) -> bool:
    """Take lists of copies that are damaged out of use; the copies stay. Only for the holder of the writer's lock."""
    damaged = [row.hold_id for row in listed(store) if is_damaged(store, row.hold_id)]
    return put_aside(store, [folder_of(store, hold_id) / MANIFEST_NAME for hold_id in damaged])

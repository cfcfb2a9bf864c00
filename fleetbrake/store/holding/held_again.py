"""Holds that the list of holds lacks, made again from what their copies say of them."""

from pathlib import Path

from pydantic import ValidationError

from fleetbrake.core.errors import StoreError
from fleetbrake.store.aside import put_aside
from fleetbrake.store.holding.held_manifest import read_manifest, with_copies
from fleetbrake.store.holding.holds import HOLDS_NAME, KeptHold, hold_number, listed, write_kept


def holds_again(store: Path) -> list[str]:
    """Put holds that have copies and that the list lacks, or that stood in a list that cannot be read, into the list.

    Returns their ids. A hold whose copies do not tell all of it is left out. One that was released with its copies kept
    stands again: what it froze stays until somebody releases it. Only for the holder of the writer's lock.
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
    return [row.hold_id for row in found]


def _told_by_copies(store: Path, hold_id: str) -> KeptHold | None:
    try:
        row = KeptHold.model_validate(read_manifest(store, hold_id).hold)
    except (StoreError, ValidationError):
        return None
    return row if row.hold_id == hold_id else None

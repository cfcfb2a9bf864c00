"""How holds end: written into the list of holds and beside their copies, so that neither says less than the other."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from fleetbrake.core.errors import InputError
from fleetbrake.store.forgetting.forgetter import driver_changed
from fleetbrake.store.holding.held_manifest import has_manifest, read_manifest, write_manifest
from fleetbrake.store.holding.holds import Hold, Release, all_holds, as_kept, said, write_holds


def released(
    store: Path, hold_id: str, *, by: str, reason: str, copies_kept: bool = False, at: datetime | None = None
) -> Hold:
    """Write down that a hold ended. Only for the holder of the writer's lock.

    Raises
    ------
    InputError
        There is no such hold, it ended before, or reason or name are missing.
    StoreError
        The holds, or the list of the hold's copies, cannot be read or written.
    """
    said(reason, by)
    known = all_holds(store)
    found = [hold for hold in known if hold.hold_id == hold_id.strip()]
    if not found:
        raise InputError(f"There is no hold {hold_id!r}; `fleetbrake holds` lists them.")
    if found[0].released is not None:
        raise InputError(f"{found[0].hold_id} was released on {found[0].released.at:%Y-%m-%d} already.")
    end = Release(at=at or datetime.now(UTC), by=by.strip(), reason=reason.strip(), copies_kept=copies_kept)
    ended = replace(found[0], released=end)
    _beside_copies(store, ended)  # first: what a killed run leaves is set right by the next run that copies
    write_holds(store, [ended if hold.hold_id == ended.hold_id else hold for hold in known])
    return ended


def rewrite_released(store: Path, change: Callable[[str], str]) -> int:
    """Change the text of holds that ended (a forgotten id is taken out); those that stand keep theirs.

    Returns the number of holds changed. Only for the holder of the writer's lock.
    """
    known = all_holds(store)
    after = [_changed(hold, change) if hold.released is not None else hold for hold in known]
    told = [hold.released is not None and _beside_copies(store, hold) for hold in after]
    listed = [old != new for old, new in zip(known, after, strict=True)]
    if any(listed):
        write_holds(store, after)
    return sum(one or other for one, other in zip(told, listed, strict=True))


def still_names(hold: Hold, change: Callable[[str], str]) -> bool:
    """Whether a hold that ended says what ``change`` takes out, as an older list that was put back does."""
    return hold.released is not None and _changed(hold, change) != hold


def _beside_copies(store: Path, hold: Hold) -> bool:
    """Let what is beside the copies of a hold say of it what the list says; whether it said something else."""
    if not has_manifest(store, hold.hold_id):
        return False
    manifest = read_manifest(store, hold.hold_id)
    if manifest.hold == as_kept(hold):
        return False
    manifest.hold = as_kept(hold)
    write_manifest(store, manifest)
    return True


def _changed(hold: Hold, change: Callable[[str], str]) -> Hold:
    ended = hold.released
    assert ended is not None
    return replace(
        hold,
        vehicle_id=None if hold.vehicle_id is None else change(hold.vehicle_id),
        driver_id=None if hold.driver_id is None else driver_changed(hold.driver_id, change),
        reason=change(hold.reason),
        by=change(hold.by),
        released=ended.model_copy(update={"reason": change(ended.reason), "by": change(ended.by)}),
    )

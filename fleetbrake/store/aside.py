"""Files taken out of use and kept: nothing that a person may still want is removed."""

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from fleetbrake.store.sealed import SET_ASIDE


def put_aside(store: Path, paths: Iterable[Path]) -> bool:
    """Move files and folders of the store that are there into its folder for them; whether any was.

    Only for the holder of the writer's lock.
    """
    there = [path for path in paths if path.exists()]
    begin = folder = store / SET_ASIDE / f"{datetime.now(UTC):%Y-%m-%dT%H%M%SZ}"
    more = 1
    while any((folder / path.relative_to(store)).exists() for path in there):  # within the same second
        more += 1
        folder = begin.with_name(f"{begin.name}-{more}")
    for path in there:
        target = folder / path.relative_to(store)
        target.parent.mkdir(parents=True, exist_ok=True)
        path.replace(target)
    return bool(there)

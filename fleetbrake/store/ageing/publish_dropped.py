"""The published file made anew, in a new file, rid of what was dropped."""

from pathlib import Path

from fleetbrake.store.ageing.retention_published import drop_old_days, is_older_published, note_published
from fleetbrake.store.database import rebuilding
from fleetbrake.store.publish import PUBLISHING_MEMORY, publish_recordings


def publish_dropped(store: Path) -> None:
    """Publish after something was dropped. Only for the holder of the writer's lock. StoreError as of publishing."""
    with rebuilding(store, fresh=True, memory_limit=PUBLISHING_MEMORY) as con:
        publish_recordings(con, store)
        drop_old_days(con, store)
    note_published(store)


def drop_what_came_back(store: Path) -> None:
    """As :func:`publish_dropped`, where an older published file was put back: whoever scores does not look at rows."""
    if is_older_published(store):
        publish_dropped(store)

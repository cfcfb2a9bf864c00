"""The one way in which something that was entered goes: the record it made has outlived its period."""

from collections.abc import Sequence
from pathlib import Path

from fleetbrake.store.entered import rewriting


def remove_entries(store: Path, entry_ids: Sequence[int]) -> None:
    """Remove entries so that nothing of them stays in the file. Only for the holder of the writer's lock.

    Raises
    ------
    StoreError
        The file cannot be written.
    """
    if not entry_ids:
        return
    with rewriting(store) as con:
        con.executemany("DELETE FROM entered WHERE entry_id = ?", [(number,) for number in entry_ids])

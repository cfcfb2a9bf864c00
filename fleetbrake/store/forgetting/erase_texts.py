"""Forgotten ids out of what people entered, kept mappings, ended holds, the history of runs and the logs."""

import json
import sqlite3
from pathlib import Path

from fleetbrake.store.entered import ENTERED_NAME, changed_body, rewriting
from fleetbrake.store.files import remove_parts, write_atomically
from fleetbrake.store.forgetting.forgetter import Forgetter
from fleetbrake.store.mappings import MAPPINGS_FOLDER, mapping_text

#: How long a page that is writing is waited for (s).
_PATIENCE_S = 15.0


def erase_entered(store: Path, forgetter: Forgetter) -> int:
    """Rewrite the entries that name a forgotten id so that nothing old stays in the file; number of entries changed.

    Only for the holder of the lock.

    Raises
    ------
    StoreError
        The file cannot be read or written.
    """
    path = store / ENTERED_NAME
    if not path.is_file():
        return 0
    with rewriting(store) as con:
        return _rewrite(con, forgetter)


def _rewrite(con: sqlite3.Connection, forgetter: Forgetter) -> int:
    if not con.execute("SELECT 1 FROM sqlite_master WHERE name = 'entered'").fetchall():
        return 0
    rows = con.execute("SELECT entry_id, made_by, kind, body FROM entered").fetchall()
    new = [
        (forgetter.text(made_by), changed_body(kind, body, forgetter.text), number)
        for number, made_by, kind, body in rows
    ]
    changed = [after for after, before in zip(new, rows, strict=True) if after[:2] != (before[1], before[3])]
    con.executemany("UPDATE entered SET made_by = ?, body = ? WHERE entry_id = ?", changed)
    return len(changed)


def erase_mappings(store: Path, forgetter: Forgetter) -> int:
    """Rewrite kept mappings that name a forgotten id (a constant driver), under their names; number of them."""
    changed = 0
    folder = store / MAPPINGS_FOLDER
    for path in sorted(folder.glob("*.json")):
        before = path.read_text(encoding="utf-8")
        after = mapping_text(before, forgetter)
        if json.loads(after) != json.loads(before):
            _write(path, after)
            changed += 1
    remove_parts(folder)
    return changed


def _write(path: Path, content: str) -> None:
    def write(part: Path) -> None:
        part.write_text(content, encoding="utf-8")

    write_atomically(path, write)

"""Forgotten ids out of what people entered, kept mappings, ended holds, the history of runs and the logs."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

from fleetbrake.core.errors import StoreError
from fleetbrake.store.entered import ENTERED_NAME, changed_body
from fleetbrake.store.files import remove_parts, write_atomically
from fleetbrake.store.forgetting.forgetter import Forgetter
from fleetbrake.store.mappings import MAPPINGS_FOLDER, mapping_text

#: How long a page that is writing is waited for (s).
_PATIENCE_S = 15.0


def erase_entered(store: Path, forgetter: Forgetter) -> int:
    """Rewrite the entries that name a forgotten id so that nothing old stays in the file; number of entries changed.

    The triggers that forbid it are put aside and back in the same transaction. Only for the holder of the lock.

    Raises
    ------
    StoreError
        The file cannot be read or written.
    """
    path = store / ENTERED_NAME
    if not path.is_file():
        return 0
    try:
        with closing(sqlite3.connect(path, timeout=_PATIENCE_S, isolation_level=None)) as con:
            con.execute("PRAGMA secure_delete = ON")
            con.execute("BEGIN IMMEDIATE")
            try:
                changed = _rewrite(con, forgetter)
                con.execute("COMMIT")
            except BaseException:
                con.execute("ROLLBACK")
                raise
            con.execute("VACUUM")
    except sqlite3.Error as error:
        raise StoreError(f"{path}: what people entered cannot be written ({error}).") from error
    return changed


def _rewrite(con: sqlite3.Connection, forgetter: Forgetter) -> int:
    if not con.execute("SELECT 1 FROM sqlite_master WHERE name = 'entered'").fetchall():
        return 0
    rows = con.execute("SELECT entry_id, made_by, kind, body FROM entered").fetchall()
    new = [
        (forgetter.text(made_by), changed_body(kind, body, forgetter.text), number)
        for number, made_by, kind, body in rows
    ]
    changed = [after for after, before in zip(new, rows, strict=True) if after[:2] != (before[1], before[3])]
    if changed:
        triggers = con.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'entered'")
        kept = triggers.fetchall()
        for name, _ in kept:
            con.execute(f'DROP TRIGGER "{name}"')
        con.executemany("UPDATE entered SET made_by = ?, body = ? WHERE entry_id = ?", changed)
        for _, sql in kept:
            con.execute(sql)
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

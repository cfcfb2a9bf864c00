"""Forgotten ids out of what people entered, kept mappings, ended holds, the history of runs and the logs."""

import json
import sqlite3
from collections import Counter
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import pyarrow as pa

from fleetbrake.store.entered import ENTERED_NAME, changed_body, rewriting
from fleetbrake.store.files import remove_parts, write_atomically
from fleetbrake.store.forgetting.forgetter import Forgetter
from fleetbrake.store.holding.holds import Hold, held_rows
from fleetbrake.store.mappings import MAPPINGS_FOLDER, mapping_text
from fleetbrake.store.shut import looked_at

#: How long a page that is writing is waited for (s).
_PATIENCE_S = 15.0


def erase_entered(
    store: Path, forgetter: Forgetter, holds: Sequence[Hold] = (), held: Counter[str] | None = None
) -> int:
    """Rewrite the entries that name a forgotten id so that nothing old stays in the file; number of entries changed.

    What was entered about vehicles or days that a hold freezes stays as it is, is counted in ``held`` by hold, and is
    shown without the id. Only for the holder of the lock.

    Raises
    ------
    StoreError
        The file cannot be read or written.
    """
    path = store / ENTERED_NAME
    if not path.is_file():
        return 0
    with rewriting(store) as con:
        return _rewrite(con, forgetter, holds, Counter() if held is None else held)


def _rewrite(con: sqlite3.Connection, forgetter: Forgetter, holds: Sequence[Hold], held: Counter[str]) -> int:
    changed = _changes(con, forgetter, holds, held)
    con.executemany("UPDATE entered SET made_by = ?, body = ? WHERE entry_id = ?", changed)
    return len(changed)


def entries_to_erase(store: Path, forgetter: Forgetter, holds: Sequence[Hold] = ()) -> int:
    """How many entries :func:`erase_entered` would change; ``sqlite3.Error`` where the file cannot be read."""
    path = store / ENTERED_NAME
    if not path.is_file():
        return 0
    with looked_at(path) as con:
        return len(_changes(con, forgetter, holds, Counter()))


def _changes(
    con: sqlite3.Connection, forgetter: Forgetter, holds: Sequence[Hold], held: Counter[str]
) -> list[tuple[str, str, int]]:
    """By whom, body and number of each entry that becomes another."""
    if not con.execute("SELECT 1 FROM sqlite_master WHERE name = 'entered'").fetchall():
        return []
    rows = con.execute("SELECT entry_id, made_by, kind, body FROM entered").fetchall()
    new = [
        (forgetter.text(made_by), changed_body(kind, body, forgetter.text), number)
        for number, made_by, kind, body in rows
    ]
    changed = {after[2]: after for after, before in zip(new, rows, strict=True) if after[:2] != (before[1], before[3])}
    for hold_id, number in _frozen(con, holds, set(changed)):
        held[hold_id] += 1
        changed.pop(number, None)
    return list(changed.values())


def _frozen(con: sqlite3.Connection, holds: Sequence[Hold], numbers: set[int]) -> list[tuple[str, int]]:
    """Holds and the entries that each of them freezes, as it freezes rows of inspections."""
    if not holds or not numbers:
        return []
    asked = "SELECT entry_id, vehicle_id, made_at, body FROM entered ORDER BY entry_id"
    rows = [row for row in con.execute(asked).fetchall() if row[0] in numbers]
    days = [_day(json.loads(body), made_at) for _, _, made_at, body in rows]
    names = pa.array([row[1] for row in rows], pa.string())
    table = pa.table({"vehicle_id": names, "inspected_on": pa.array(days, pa.date32())})
    return [
        (hold.hold_id, row[0])
        for hold in holds
        for row, is_held in zip(rows, held_rows([hold], "inspections", table).to_pylist(), strict=True)
        if is_held
    ]


def _day(body: dict[str, Any], made_at: str) -> date:
    """The day that an entry is about; else that on which it was made."""
    row = body.get("row") or body
    told = row.get("inspected_on") or row.get("repaired_on") or row.get("reported_at") or made_at
    return date.fromisoformat(str(told)[:10])


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

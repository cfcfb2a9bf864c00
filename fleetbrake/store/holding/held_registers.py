"""Rows of registers that a hold freezes stay as they are, whatever a file that is read later says of them."""

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.tables import REGISTER_KEYS, REGISTERS
from fleetbrake.store.arrow import arrow_schema, in_schema
from fleetbrake.store.holding.holds import Hold, held_rows
from fleetbrake.store.registers import rows_there

#: Registers whose rows are evidence. Those of vehicles and drivers tell how things stand now, and go on doing so.
FROZEN: Final = ("trips", "inspections", "brake_tests", "repairs", "defect_reports")

Key = tuple[Any, ...]


def without_held_changes(
    store: Path, holds: Sequence[Hold], tables: Mapping[str, pa.Table]
) -> tuple[dict[str, pa.Table], list[str]]:
    """Register tables without the rows that would change a held one, and a sentence by hold and vehicle on those.

    Raises
    ------
    StoreError
        A register cannot be read, or a column has values of another type.
    """
    kept, told = dict(tables), list[str]()
    for name in FROZEN:
        if holds and name in tables and tables[name].num_rows:
            kept[name], sentences = _without_changes(store, holds, name, tables[name])
            told += sentences
    return kept, told


def _without_changes(store: Path, holds: Sequence[Hold], name: str, table: pa.Table) -> tuple[pa.Table, list[str]]:
    known = rows_there(store, name)  # of a register that is gone nothing is left to compare with
    frozen = _frozen(known, holds, name)
    if not frozen:
        return table, []
    rows = in_schema(table, arrow_schema(dict(REGISTERS[name])), f"register {name}").to_pylist()
    stays, refused = list[bool](), Counter[tuple[str, str]]()
    for row in rows:
        held = frozen.get(_key(name, row))
        stays.append(held is None or _same(held[1], row))
        if held is not None and not stays[-1]:
            refused[held[0], str(held[1].get("vehicle_id"))] += 1
    if all(stays):
        return table, []
    return table.filter(pa.array(stays, pa.bool_())), [
        f"register {name}: {count} row{'s' if count > 1 else ''} on vehicle {vehicle} would change what {hold_id} "
        "keeps: not taken in until it is released"
        for (hold_id, vehicle), count in sorted(refused.items())
    ]


def _frozen(known: pa.Table, holds: Sequence[Hold], name: str) -> dict[Key, tuple[str, dict[str, Any]]]:
    """Held rows by their key, each with the first hold that keeps it."""
    frozen: dict[Key, tuple[str, dict[str, Any]]] = {}
    for hold in holds:
        mask = held_rows([hold], name, known)
        if pc.any(mask).as_py():
            for row in known.filter(mask).to_pylist():
                frozen.setdefault(_key(name, row), (hold.hold_id, row))
    return frozen


def _same(a: Mapping[str, Any], b: Mapping[str, Any]) -> bool:
    """Whether two rows have the same values; NaN is like NaN."""
    return all(a[name] == b[name] or (a[name] != a[name] and b[name] != b[name]) for name in a)


def _key(name: str, row: Mapping[str, Any]) -> Key:
    return tuple(row[column] for column in REGISTER_KEYS[name])

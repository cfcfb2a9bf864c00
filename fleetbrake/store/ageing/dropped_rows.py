"""Fingerprints of register rows that outlived their period, so that reading an old file again does not bring them back.

Half a history would be worse than none: a finding read again whose repair is gone would stop a sound vehicle.
"""

from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from fleetbrake.core.errors import StoreError
from fleetbrake.store.ageing.retention import RetentionPolicy, cutoff
from fleetbrake.store.ageing.retention_records import RECORDS, day_of, fingerprint
from fleetbrake.store.arrow import arrow_schema, read_parquet, write_parquet
from fleetbrake.store.numbered import numbered, written
from fleetbrake.store.remembered import is_older_list, no_copy, remember, remembered

DROPPED_NAME: Final = "dropped.parquet"
_SCHEMA: Final = arrow_schema({"register": "VARCHAR", "fingerprint": "VARCHAR"})


def remember_dropped(store: Path, name: str, rows: Iterable[Mapping[str, Any]]) -> None:
    """Keep the fingerprints of rows that are about to be dropped. Only for the holder of the writer's lock.

    StoreError as in :func:`refuse_shorter`.
    """
    refuse_shorter(store)
    known = set(map(tuple, kept_rows(store).select(["register", "fingerprint"]).to_pandas().to_numpy().tolist()))
    more = {(name, fingerprint(name, row)) for row in rows}
    if more <= known:
        return
    listed = [{"register": register, "fingerprint": digits} for register, digits in sorted(known | more)]
    _write(store, pa.Table.from_pylist(listed, schema=_SCHEMA))


def take_older_list(store: Path) -> None:
    """Let the list that is there count as the newest. Only for the holder of the writer's lock."""
    _write(store, kept_rows(store))


def _write(store: Path, listed: pa.Table) -> None:
    """Write the list as one newer than any before."""
    path = store / DROPPED_NAME
    there = written(path)
    number = max(remembered(store).writings.get("dropped", 0), there.number if there is not None else 0)
    write_parquet(path, numbered(listed, number + 1))
    remember(store)


def without_dropped(
    store: Path, tables: Mapping[str, pa.Table], rules: RetentionPolicy | None, today: date
) -> dict[str, pa.Table]:
    """Register tables without rows that were dropped before and are still older than their period.

    A row that was corrected since is another row, and comes in. StoreError where their list cannot be read, or lacks
    rows.
    """
    refuse_shorter(store)
    if rules is None or not (store / DROPPED_NAME).is_file():
        return dict(tables)
    gone = set(map(tuple, kept_rows(store).to_pandas().to_numpy().tolist()))
    return {name: _without(name, table, rules, today, gone) for name, table in tables.items()}


def refuse_shorter(store: Path) -> None:
    """StoreError where the list names fewer rows than were dropped, or is an older copy: others would come back."""
    lost = remembered(store).dropped - kept_rows(store).num_rows
    if lost > 0:
        raise StoreError(
            f"{lost} rows of registers were dropped of which {DROPPED_NAME} says nothing any more, and would come "
            f"back: put it back from a copy of the store. {no_copy('dropped')}"
        )
    if is_older_list(store, "dropped"):
        raise StoreError(
            f"{DROPPED_NAME} is an older copy than the list that was written last, and rows of registers that were "
            f"dropped since would come back: put the newest back from a copy of the store. {no_copy('dropped')}"
        )


def _without(name: str, table: pa.Table, rules: RetentionPolicy, today: date, gone: set[tuple[str, ...]]) -> pa.Table:
    first_kept = cutoff(rules.months_of(name), today) if name in RECORDS else None
    if first_kept is None:
        return table
    stays = [
        (day := day_of(name, row)) is None or day >= first_kept or (name, fingerprint(name, row)) not in gone
        for row in table.to_pylist()
    ]
    return table if all(stays) else table.filter(pa.array(stays, pa.bool_()))


def kept_rows(store: Path) -> pa.Table:
    """The list as it is, whatever it lacks. StoreError if it cannot be read."""
    return read_parquet(store / DROPPED_NAME, _SCHEMA, "the list of dropped register rows")

"""The rows of one event as they stand in its recording: read by row range, nothing is copied or kept."""

from pathlib import Path
from typing import Any, Final

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import InputError
from fleetbrake.core.spreadsheet import protected
from fleetbrake.reports.traces import Unreadable, opened
from fleetbrake.store.ageing.retention import shown_bare
from fleetbrake.store.forgetting.forgetter import Forgetter, forgotten_rows, without_texts
from fleetbrake.store.forgetting.tombstones import read_tombstones

#: Columns of the contract that tell who drove, and where.
_WHO: Final = frozenset({"driver_id"})
_WHERE: Final = frozenset({"latitude_deg", "longitude_deg"})


def raw_rows(store: Path, row: dict[str, Any], *, drivers: bool = False, places: bool = False) -> pd.DataFrame:
    """The event's rows with the recording's own names and units; ``row`` as of ``reads.event``.

    Columns that the mapping does not name are left out: nobody knows whom they name. What tells the driver or the place
    comes only where asked for, and not of events whose driver and place were dropped; who was forgotten is never shown.

    Raises
    ------
    Unreadable
        If the recording is gone or has changed.
    """
    try:
        recording = opened(store, row)
        if shown_bare(store, row):
            drivers = places = False
        hidden = _sources(
            recording.layout.filled, (frozenset() if drivers else _WHO) | (frozenset() if places else _WHERE)
        )
        names = [name for name in recording.layout.source_columns() if name not in hidden]
        rows = recording.table(int(row["row_start"]), int(row["row_stop"]), names)
        forgetter = Forgetter(read_tombstones(store))
        return _without_forgotten(rows, _sources(recording.layout.filled, _WHO), forgetter).to_pandas()
    except (InputError, OSError) as error:
        raise Unreadable("The recording of this event cannot be read any more, or has changed.") from error


def _sources(filled: dict[str, Any], columns: frozenset[str]) -> set[str]:
    """The recording's columns that fill any of ``columns``."""
    return {source for name in columns if name in filled for source in filled[name].sources}


def _without_forgotten(rows: pa.Table, drivers: set[str], forgetter: Forgetter) -> pa.Table:
    """The rows without forgotten ids, in whichever type the recording has them."""
    if not forgetter:
        return rows
    # the rows of one event are those of one driver: his id may stand in them within longer words too
    his = any(pc.any(forgotten_rows(_as_text(rows, name), name, forgetter)).as_py() for name in drivers)
    for place, field in enumerate(rows.schema):
        is_driver = field.name in drivers
        kind = field.type.value_type if pa.types.is_dictionary(field.type) else field.type
        if not (is_driver or pa.types.is_string(kind) or pa.types.is_large_string(kind)):
            continue
        words = _as_text(rows, field.name)
        if not is_driver:
            rows = without_texts(words, field.name, forgetter, own=his)
        elif pc.any(gone := forgotten_rows(words, field.name, forgetter)).as_py():
            column = (words if pa.types.is_dictionary(field.type) else rows).column(place)
            rows = rows.set_column(place, field.name, pc.if_else(gone, pa.scalar(None, column.type), column))
    return rows


def _as_text(rows: pa.Table, name: str) -> pa.Table:
    """The rows with one of their columns as text."""
    place = rows.schema.get_field_index(name)
    return rows.set_column(place, name, pc.cast(rows.column(place), pa.string()))


def raw_csv(rows: pd.DataFrame) -> bytes:
    """The rows as CSV (UTF-8); text that a spreadsheet would take for a formula is marked as text."""
    plain = rows.copy()
    for column in plain:
        if not (pd.api.types.is_numeric_dtype(plain[column]) or str(plain[column].dtype).startswith("datetime64")):
            plain[column] = [protected(value) if isinstance(value, str) else value for value in plain[column]]
    plain.columns = pd.Index([protected(str(name)) for name in plain])
    return plain.to_csv(index=False, date_format="%Y-%m-%dT%H:%M:%S.%fZ").encode()

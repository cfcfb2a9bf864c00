"""Texts of a register's row at the door: ids that cannot be any, notes that are longer than anybody reads."""

from typing import Any, Final

from fleetbrake.core.foreign_text import MOST_NOTE, id_problem, shortened

#: Columns that name something.
_IDS: Final = ("vehicle_id", "driver_id", "trip_id", "inspection_id", "depot", "kind")
#: A column with several ids, and what stands between them.
_SEVERAL: Final = ("trailer_ids", "+")
#: Columns in which people write.
_NOTES: Final = ("note", "text")


def wrong_ids(row: dict[str, Any]) -> list[tuple[str, str]]:
    """Columns of a row whose id cannot be one, each with the reason."""
    told = [(name, id_problem(str(row[name]))) for name in _IDS if row.get(name) is not None]
    name, between = _SEVERAL
    told += [(name, id_problem(one)) for one in str(row.get(name) or "").split(between)]
    return [(column, problem) for column, problem in told if problem]


def with_short_notes(row: dict[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """The row with notes of at most :data:`MOST_NOTE` letters, and a sentence for each that had more: what was found
    must not be lost for the length of its note."""
    long = {name: row[name] for name in _NOTES if isinstance(row.get(name), str) and len(row[name]) > MOST_NOTE}
    told = [f"{name} has {len(note):,} letters, of which {MOST_NOTE:,} are kept" for name, note in long.items()]
    return row | {name: shortened(note, MOST_NOTE) for name, note in long.items()}, told

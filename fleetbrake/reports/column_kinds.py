"""What the text columns of the published tables can give away, by name: one closed list for pages and files.

A text column that stands in none of these sets is free text: it is read for drivers, trips, places and folders. So a
new column is treated as the worst until somebody lists it.
"""

from typing import Final

from fleetbrake.core.event_tables import T
from fleetbrake.core.report_tables import REPORT_TABLES
from fleetbrake.core.tables import TABLES

_ALL: Final = {**TABLES, **REPORT_TABLES}

#: A driver's id, and nothing else. ``unknown_ids.id`` is one where the row's kind says so.
DRIVERS: Final = frozenset({"driver_id", "driver"})
#: Where a vehicle was (numbers), in every table that has such a column.
POSITIONS: Final = frozenset({"latitude_deg", "longitude_deg", "latitude", "longitude"})
#: A trip: whoever holds the register of trips reads the driver from it.
TRIPS: Final = frozenset({"trip_id", "trip"})
#: A recording's path.
PATHS: Final = frozenset({"path", "source_path"})
#: Sentences of ours that never hold what somebody wrote: they are not read for places, which are known by their look.
OURS: Final = frozenset({"sentence", "statutory", "otherwise_null", "left_out_reason"})
#: Who decided on a flag: people of the workshop and the office, named on purpose.
DECIDERS: Final = frozenset({"seen_by", "decided_by"})
#: Codes, keys and names of other things, which join tables and are never changed.
CODES: Final = frozenset(
    (
        "vehicle_id", "event_id", "evidence", "depot", "category", "wheel", "suspect_wheel", "leading_indicator",
        "indicator", "measure", "unit", "basis", "priority", "status", "kind", "surface", "brake_source",
        "demand_kind", "speed_source", "actuation", "brake_control", "endurance_brake", "score_model", "model",
        "figure", "finding", "severity", "work", "method", "decision", "state", "sha256", "wheels_locked",
        "wheels_modulated", "modulation_wheels", "flag_and_wheels", "lockup_rule", "flag_id", "result", "part",
        "rules", "not_braking", "channel", "channels", "month", "own_priority", "predicted_priority",
        "predicted_indicator", "predicted_wheel", "defects", "wheels", "minor", "minor_wheels", "not_predicted",
        "dimension", "span", "meaning",
    )
)  # fmt: skip
#: Columns of one table that are a code, or have a rule of their own, under a name that says nothing by itself.
_RULED_IN: Final = frozenset({("driver_coaching", "subject"), ("observability", "subject"), ("unknown_ids", "id")})


def free_text(table: str) -> tuple[str, ...]:
    """The columns of a table (the store's or a report's) that may name anybody or a folder: texts that are neither a
    code nor have a rule of their own. Paths are among them."""
    ruled = DRIVERS | TRIPS | CODES | DECIDERS
    texts = (c.name for c in _ALL[table] if c.type == T)
    return tuple(name for name in texts if name not in ruled and (table, name) not in _RULED_IN)


def columns_of(table: str, kinds: frozenset[str]) -> tuple[str, ...]:
    """The columns of a table (the store's or a report's) that are of a kind, in order."""
    return tuple(c.name for c in _ALL[table] if c.name in kinds)

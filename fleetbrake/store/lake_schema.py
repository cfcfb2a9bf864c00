"""Columns of the lake: what is known of an event from its recording alone (name -> DuckDB type)."""

from fleetbrake.core.tables import EVENT_WHEELS, EVENTS, B, F

#: Decided when publishing, with registers, other files and the other events at hand.
_DECIDED_LATER = frozenset(
    {
        "hard_stop",
        "modulation_hz",
        "lockup_above_cutoff",
        "emergency_application",
        "cutoff_speed_mps",
        "incident",
        "category",
        "depot",
        "trip_id",
    }
)

#: One row an event. ``modulation_seen_hz``: cycles a second as counted, faster ones may hide behind the rate;
#: ``continuous``: cut by us out of a drive.
LAKE_EVENTS: dict[str, str] = {
    **{column.name: column.type for column in EVENTS if column.name not in _DECIDED_LATER},
    "modulation_seen_hz": F,
    "continuous": B,
}

#: One row an event and wheel.
LAKE_EVENT_WHEELS: dict[str, str] = {
    **{column.name: column.type for column in EVENT_WHEELS if column.name not in _DECIDED_LATER},
    "modulation_seen_hz": F,
}

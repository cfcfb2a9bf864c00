"""Columns of the lake: what is known of an event from its recording alone (name -> DuckDB type)."""

import hashlib
import json
from functools import cache

from fleetbrake.core.event_tables import EVENT_WHEELS, EVENTS, B, F

#: Decided when publishing, with registers, other files and the other events at hand.
_DECIDED_LATER = frozenset(
    {
        "hard_stop",
        "modulation_hz",
        "lockup_above_cutoff",
        "emergency_application",
        "cutoff_speed_mps",
        "friction_brake_kj",
        "friction_brake_se_kj",
        "lockup_allowed",
        "lockup_rule",
        "incident",
        "category",
        "depot",
        "trip_id",
    }
)

#: What the share of the friction brakes in the work of an application is drawn up from; see ``features.work``.
WORK_PARTS: dict[str, str] = {
    "air_path_m3ps2": F,
    "retarder_path_m": F,
    "retarded_mps2": F,
    "retarded_speed_mps": F,
    "retarded_share": F,
}

#: One row an event. ``modulation_seen_hz``: cycles a second as counted, faster ones may hide behind the rate;
#: ``continuous``: cut by us out of a drive.
LAKE_EVENTS: dict[str, str] = {
    **{column.name: column.type for column in EVENTS if column.name not in _DECIDED_LATER},
    **WORK_PARTS,
    "modulation_seen_hz": F,
    "continuous": B,
}

#: One row an event and wheel.
LAKE_EVENT_WHEELS: dict[str, str] = {
    **{column.name: column.type for column in EVENT_WHEELS if column.name not in _DECIDED_LATER},
    "modulation_seen_hz": F,
}


@cache
def lake_fingerprint() -> str:
    """Of the columns and their types, eight digits."""
    columns = [sorted(LAKE_EVENTS.items()), sorted(LAKE_EVENT_WHEELS.items())]
    return hashlib.sha256(json.dumps(columns).encode()).hexdigest()[:8]

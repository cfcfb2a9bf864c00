"""Rules that the rows of published tables keep: keys, words, ranges, and which rows must be in another table.

One list for whoever checks a store. Types and columns stand in :mod:`fleetbrake.core.tables`. NULL means "could not be
observed" and breaks no rule but that of a key.
"""

from typing import Final, NamedTuple

from fleetbrake.core.tables import REGISTER_KEYS
from fleetbrake.core.vocabulary import (
    BRAKE_SOURCES,
    CATEGORIES,
    DEMAND_KINDS,
    FINDINGS,
    FLAG_AND_WHEELS,
    INDICATORS,
    MODULATION_PATTERNS,
    PRIORITIES,
    SURFACES,
    WHEELS,
)

#: No two rows are equal in these columns; of registers see ``REGISTER_KEYS``.
KEYS: Final[dict[str, tuple[str, ...]]] = {
    "vehicle_health": ("as_of", "vehicle_id"),
    "indicators": ("as_of", "vehicle_id", "indicator", "wheel"),
    "driver_style": ("as_of", "driver_id"),
    "driver_coaching": ("as_of", "driver_id", "position"),
    "exposure_summary": ("as_of", "depot"),
    "inspection_plan": ("vehicle_id",),
    "plan_days": ("depot", "day"),
    "plan_summary": ("depot",),
    "flags": ("flag_id",),
    "predictions": ("made_on", "as_of", "vehicle_id"),
    "inspection_evidence": ("vehicle_id", "inspected_on"),
    "inspection_outcomes": ("vehicle_id", "inspected_on"),
    "model_quality": ("as_of", "model", "figure"),
    "events": ("event_id",),
    "event_wheels": ("event_id", "wheel"),
    "ingest_log": ("path",),
    "observability": ("subject",),
    "unknown_ids": ("kind", "id"),
    "month_figures": ("month", "depot", "category"),
    "month_surfaces": ("month", "depot", "category", "surface"),
    "month_work": ("month", "vehicle_id"),
    "recording_facts": ("vehicle_id",),
    "recording_channels": ("vehicle_id", "channel"),
    **REGISTER_KEYS,
}

#: Columns that are never NULL.
GIVEN: Final[dict[str, tuple[str, ...]]] = {
    "vehicle_health": ("as_of", "vehicle_id", "rank", "priority"),
    "indicators": ("as_of", "vehicle_id", "indicator"),
    "indicator_trips": ("as_of", "vehicle_id", "indicator"),
    "driver_style": ("as_of", "driver_id", "rank"),
    "driver_coaching": ("as_of", "driver_id", "position"),
    "exposure_summary": ("as_of",),
    "inspection_plan": ("vehicle_id",),
    "plan_days": ("day",),
    "flags": ("flag_id", "vehicle_id", "indicator", "raised_on", "state"),
    "predictions": ("made_on", "as_of", "vehicle_id", "priority"),
    "inspection_evidence": ("vehicle_id", "inspected_on"),
    "inspection_outcomes": ("vehicle_id", "inspected_on"),
    "model_quality": ("as_of", "model", "figure"),
    "events": ("event_id", "source_path"),
    "event_wheels": ("event_id", "wheel"),
    "ingest_log": ("path", "sha256", "status", "events", "events_rejected"),
    "observability": ("subject",),
    "unknown_ids": ("kind", "id"),
    "month_work": ("month",),
    "recording_facts": ("vehicle_id",),
    "recording_channels": ("vehicle_id", "channel"),
    "vehicles": ("vehicle_id",),
    "drivers": ("driver_id",),
    "trips": ("trip_id",),
}

#: The only words of a column.
WORDS: Final[dict[tuple[str, str], tuple[str, ...]]] = {
    ("vehicle_health", "priority"): PRIORITIES,
    ("vehicle_health", "own_priority"): PRIORITIES,
    ("vehicle_health", "leading_indicator"): tuple(INDICATORS),
    ("vehicle_health", "score_model"): ("prior", "learned"),
    ("predictions", "priority"): PRIORITIES,
    ("predictions", "leading_indicator"): tuple(INDICATORS),
    ("indicators", "indicator"): tuple(INDICATORS),
    ("indicators", "wheel"): WHEELS,
    ("indicator_trips", "indicator"): tuple(INDICATORS),
    ("driver_coaching", "kind"): ("talk_about", "went_well"),
    ("flags", "indicator"): (*INDICATORS, "open_report"),
    ("flags", "state"): ("open", "seen", "decided", "closed"),
    ("flags", "decision"): ("inspect_now", "next_visit", "watch", "reject"),
    ("events", "brake_source"): BRAKE_SOURCES,
    ("events", "surface"): SURFACES,
    ("events", "demand_kind"): DEMAND_KINDS,
    ("events", "modulation_wheels"): MODULATION_PATTERNS,
    ("events", "flag_and_wheels"): FLAG_AND_WHEELS,
    ("events", "category"): CATEGORIES,
    ("event_wheels", "wheel"): WHEELS,
    ("ingest_log", "status"): ("loaded", "rejected", "partly_loaded"),
    ("unknown_ids", "kind"): ("vehicle", "driver"),
    ("model_quality", "model"): ("prior", "learned"),
    ("vehicles", "category"): CATEGORIES,
    ("inspections", "finding"): FINDINGS,
}

#: Least and greatest value of columns of these names, in whatever table.
RANGES: Final[dict[str, tuple[float, float]]] = {
    **dict.fromkeys(("health_score", "style_score", "score_low", "score_high", "predicted_score"), (0.0, 100.0)),
    **dict.fromkeys(("peak_slip", "surface_probability", "probability", "q_value", "prior_probability"), (0.0, 1.0)),
    **dict.fromkeys(("defect_probability", "late_braking_share"), (0.0, 1.0)),
    **dict.fromkeys(("rank", "position", "samples"), (1.0, 1e18)),
    "latitude_deg": (-90.0, 90.0),
    "longitude_deg": (-180.0, 180.0),
    "severity": (0.0, 3.0),
}

#: Whole numbers that may be negative: days between two days of which either may come first.
SIGNED: Final = frozenset({"days_silent", "silent_from_days", "age_days", "days_since_firm_braking"})

#: What is true of each row of a table, in words and in SQL.
TRUE_OF: Final[dict[str, tuple[tuple[str, str], ...]]] = {
    "vehicle_health": (("the score lies within its interval", "health_score BETWEEN score_low AND score_high"),),
    "driver_style": (("the score lies within its interval", "style_score BETWEEN score_low AND score_high"),),
    "events": (
        ("an event has rows", "row_stop > row_start"),
        ("an event ends after its onset", "end_s >= onset_s"),
        ("what took no time has none", "braking_s >= 0"),
        ("a locked wheel is named", "NOT lockup OR coalesce(wheels_locked, '') <> ''"),
    ),
    "ingest_log": (
        ("a rejected file has no events", "status <> 'rejected' OR events = 0"),
        ("the last sample is not before the first", "last_at >= first_at"),
    ),
    "trips": (("a trip ends after it began", "ended_at >= started_at"),),
}

#: Tables whose ranks of a day run from 1 on without a gap or a tie.
RANKED: Final = ("vehicle_health", "driver_style")


class Reference(NamedTuple):
    """Rows of a table whose columns must stand together in a row of another one; NULL there is equal to NULL."""

    table: str
    columns: tuple[str, ...]
    within: str
    as_columns: tuple[str, ...]


REFERENCES: Final = (
    Reference("event_wheels", ("event_id", "vehicle_id"), "events", ("event_id", "vehicle_id")),
    Reference("events", ("source_path",), "ingest_log", ("path",)),
    Reference("indicators", ("as_of", "vehicle_id"), "vehicle_health", ("as_of", "vehicle_id")),
    Reference("indicator_trips", ("as_of", "vehicle_id"), "vehicle_health", ("as_of", "vehicle_id")),
    Reference("driver_coaching", ("as_of", "driver_id"), "driver_style", ("as_of", "driver_id")),
    Reference("recording_channels", ("vehicle_id",), "recording_facts", ("vehicle_id",)),
)

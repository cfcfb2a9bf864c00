"""The tables of ``fleet.duckdb``: every column with its type, unit (last part of the name) and meaning.

One list for everybody: the store creates the tables from it, reports explain columns with it, tests hold it
against the published edges. ``shared`` columns go out to other programs; the rest are ours and may grow.
Types are DuckDB's names; ``NULL`` always means "could not be observed".
"""

from fleetbrake.core.event_tables import EVENT_WHEELS, EVENTS, TS, B, Column, D, F, I, T
from fleetbrake.core.event_tables import own as _own
from fleetbrake.core.inspection_tables import INSPECTION_EVIDENCE, INSPECTION_OUTCOMES, MODEL_QUALITY, PREDICTIONS
from fleetbrake.core.summary_tables import (
    MONTH_FIGURES,
    MONTH_SURFACES,
    MONTH_WORK,
    RECORDING_CHANNELS,
    RECORDING_FACTS,
)

VEHICLE_HEALTH = (
    Column("vehicle_id", T, "vehicle"),
    Column("as_of", D, "evidence up to and with this day"),
    Column("rank", I, "1 = inspect first"),
    Column("health_score", F, "0 to 100, 100 = nothing found; NULL with too little evidence"),
    Column("score_low", F, "lower end of the interval"),
    Column("score_high", F, "upper end of the interval"),
    Column("priority", T, "before_next_trip, this_week, next_service, watch, no_sign, too_little_evidence"),
    Column("events_used", I, "events behind the score"),
    Column("leading_indicator", T, "code of the indicator that weighs most"),
    Column("suspect_wheel", T, "wheel of that indicator"),
    _own("reason", T, "the reason in a sentence"),
    _own("depot", T, "depot"),
    _own("category", T, "category"),
    _own("last_event_at", TS, "newest event used"),
    _own("inspection_due_on", D, "statutory date, from the register"),
    _own("open_report", T, "uncleared defect report, finding, failed test or lit lamp; beside the score, not in it"),
    _own("trips_used", I, "trips behind the score"),
    _own("score_model", T, "prior or learned: what the score was drawn up with; see model_quality"),
    _own("days_since_firm_braking", I, "days since the last braking over 0.3 g; NULL if none was recorded"),
    _own("roller_tested_on", D, "last roller test, from the registers"),
    _own("km_since_roller_test", F, "distance of the trips since; NULL without a test or trips"),
    _own("own_priority", T, "priority by the recordings alone, before open reports and findings raise it"),
    _own("known_on", D, "what people wrote (inspections, tests, repairs, reports) counts up to and with this day"),
    _own("open_since", D, "first day of what open_report tells; of a lamp: lit in every event since"),
)

INDICATORS = (
    Column("vehicle_id", T, "vehicle"),
    Column("as_of", D, "evidence up to and with this day"),
    Column("indicator", T, "code"),
    Column("wheel", T, "wheel, NULL for the whole vehicle"),
    Column("value", F, "what the vehicle shows"),
    Column("expected", F, "what was expected of it"),
    Column("deviation", F, "in standard errors, positive = worse"),
    Column("events_used", I, "events behind the value"),
    Column("first_seen_on", D, "first day of the events that deviate; NULL if nothing does"),
    _own("unit", T, "unit of value and expected"),
    _own("measure", T, "what was measured, where an indicator has several measures: the most telling one"),
    _own("basis", T, "what it is compared with: its peers, its own past or trend, what is typical"),
    _own("trips_used", I, "trips behind the value; the events of one trip share load, road and driver"),
    _own("trips_seen", I, "trips that carry the finding"),
    _own("ranks", B, "seen on enough trips and rare enough not to be one of the fleet's chance finds"),
    _own("q_value", F, "share of chance finds among all of the fleet that deviate as much (Benjamini-Hochberg)"),
    _own("detection_limit", F, "smallest departure from what is expected that would be seen, in the unit of value"),
    _own("trend_per_30d", F, "steady change of the value in 30 days; NULL for shares"),
    _own("trend_se_per_30d", F, "standard error of that"),
    _own("probability", F, "share of the health score: probability that an inspection finds this"),
    _own("evidence", T, "up to five event ids that weigh most, newest first, as a JSON list"),
)

INDICATOR_TRIPS = (
    _own("vehicle_id", T, "vehicle"),
    _own("as_of", D, "evidence up to and with this day; only the newest day scored is kept"),
    _own("indicator", T, "code"),
    _own("wheel", T, "wheel, NULL for the whole vehicle"),
    _own("trip", T, "trip, else the day"),
    _own("on_day", D, "first day of the trip's events"),
    _own("value", F, "what the trip shows, in the unit of the indicator, less what other causes explain"),
    _own("events", I, "events of the trip behind it"),
    _own("event_id", T, "the most telling of them"),
    _own("counts", B, "part of what the finding rests on: the trips since something began"),
)

DRIVER_STYLE = (
    Column("driver_id", T, "driver"),
    Column("as_of", D, "evidence up to and with this day"),
    Column("rank", I, "1 = coach first"),
    Column("style_score", F, "0 to 100, 100 = smoothest; NULL with too little exposure"),
    Column("score_low", F, "lower end of the interval"),
    Column("score_high", F, "upper end of the interval"),
    Column("distance_km", F, "distance driven, from trips"),
    Column("hard_stops", I, "hard stops asked for by the driver"),
    Column("hard_stops_per_1000km", F, "as counted"),
    Column("adjusted_hard_stops_per_1000km", F, "vehicle, surface and exposure taken out, few events shrunk"),
    _own("observed_km", F, "part of the distance on which a hard stop would have been recorded"),
    _own("adjusted_low", F, "lower end of its 90 % interval"),
    _own("adjusted_high", F, "upper end"),
    _own("fleet_hard_stops_per_1000km", F, "of all drivers together where observed: what adjusted rates compare with"),
    _own("expected_hard_stops", F, "what an average driver would have had in the same vehicles and conditions"),
    _own("incidents", I, "hard stops within 60 s counted once"),
    _own("brake_applications", I, "events of the driver"),
    _own("automatic_hard_stops", I, "hard stops that the vehicle asked for itself: not in the rate"),
    _own("hard_stops_per_1000_applications", F, "as counted, over the brake applications told by the trips; else NULL"),
    _own("build_up_jerk_mps3", F, "median of the greatest jerk of the build-ups, with grip; NULL under ten"),
    _own("build_up_jerk_of_usual", F, "the same over what is usual in the category: 1 = usual, less is smoother"),
    _own("late_braking_share", F, "median share of a stop's speed that came off in its last second; NULL under ten"),
    _own("brake_energy_kj_per_km", F, "friction brakes' work; NULL where mass, other brakes or most braking is open"),
    _own("modulation_on_grip_per_1000km", F, "modulation on dry or wet pavement that the driver asked for"),
    _own("depot", T, "depot"),
    _own("note", T, "why the raw and the adjusted rate differ, in a sentence"),
)

DRIVER_COACHING = (
    _own("driver_id", T, "driver"),
    _own("as_of", D, "evidence up to and with this day"),
    _own("position", I, "order within the driver"),
    _own("kind", T, "talk_about: a typical application; went_well: what is better than usual"),
    _own("event_id", T, "the application; NULL where a figure of all of them is meant"),
    _own("subject", T, "what it is about: hard_stop, late_braking, build_up; hard_stops, gentle_stop"),
    _own("sentence", T, "in plain words"),
    _own("value", F, "the own figure, in the unit that the sentence names"),
    _own("usual", F, "the usual figure of drivers in that category, in the same unit"),
)

EXPOSURE_SUMMARY = (
    _own("as_of", D, "evidence up to and with this day"),
    _own("depot", T, "depot of the vehicle; NULL where none is known"),
    _own("distance_km", F, "distance of all usable trips; NULL without trips"),
    _own("unattributed_km", F, "part of it whose driver nobody knows: none named, or two at a time"),
    _own("hard_stops", I, "hard stops that a driver asked for"),
    _own("unattributed_hard_stops", I, "part of them whose driver nobody knows"),
)

INSPECTION_PLAN = (
    Column("planned_on", D, "day; NULL where none was found, or where the vehicle must not wait for one"),
    Column("depot", T, "depot"),
    Column("vehicle_id", T, "vehicle"),
    Column("position", I, "order within the day"),
    Column("reason", T, "what to look at and why"),
    Column("due_on", D, "statutory date, the earliest of several; may be NULL"),
    _own("bay_hours", F, "time set aside"),
    _own("roller_hours", F, "part of it on the roller tester"),
    _own("inspector_hours", F, "part of it by a qualified brake inspector"),
    _own("priority", T, "priority of the vehicle"),
    _own("indicator", T, "code of the indicator to look into first; NULL for a statutory date alone"),
    _own("wheel", T, "wheel to look at first"),
    _own("evidence", T, "event ids that weigh most, as a JSON list"),
    _own("statutory", T, "kinds of statutory inspection done in the visit, with + between; NULL for none"),
    _own("date_lost", D, "statutory date that cannot be kept, the earliest to come; NULL for none"),
    _own("held_on", D, "no planned day, but bay hours are kept free for it on this one"),
    _own("fixed", B, "the day was fixed by a planner"),
    _own("drawn", B, "drawn by lot, without a sign"),
    _own("defect_probability", F, "probability that an inspection finds a defect, from the health score"),
    _own("days_saved", F, "days by which it would be found earlier than without the visit"),
    _own("note", T, "overdue, capacity assumed, date cannot be kept ..."),
)

PLAN_DAYS = (
    _own("depot", T, "depot"),
    _own("day", D, "day of the plan"),
    _own("basis", T, "where the hours come from: date, weekday (register), closed (weekday not listed), assumed"),
    _own("bay_hours", F, "bay hours there are"),
    _own("booked_hours", F, "bay hours of the planned visits"),
    _own("held_hours", F, "bay hours kept free for vehicles outside the days of the plan"),
    _own("roller_hours", F, "roller tester hours there are; NULL = not limited"),
    _own("roller_booked_hours", F, "of these booked or held"),
    _own("inspector_hours", F, "hours of qualified brake inspectors there are; NULL = not limited"),
    _own("inspector_booked_hours", F, "of these booked or held"),
    _own("visits", I, "vehicles in the workshop"),
    _own("vehicles", I, "vehicles of the depot, trailers too"),
    _own("min_on_road", I, "vehicles that must stay on the road; NULL = not limited"),
)

PLAN_SUMMARY = (
    _own("depot", T, "depot; the rows of all depots make the plan"),
    _own("as_of", D, "day of the scores that the plan rests on"),
    _own("begins_on", D, "first day of the plan"),
    _own("ends_on", D, "last day"),
    _own("visits", I, "visits with a day"),
    _own("dates_not_kept", I, "statutory dates that cannot be kept"),
    _own("defect_days", F, "expected defects found early: probability times days saved, summed"),
    _own("gain", F, "maximised: defect days, weeks kept and joined visits less the cost of vehicles off the road"),
    _own("gain_bound", F, "no plan can have more"),
    _own("gap", F, "relative gap between the two; 0 = proven best"),
    _own("plain_gain", F, "the same of the plain plan that takes one vehicle after the other"),
    _own("note", T, "how it was solved, which dates cannot be kept and why"),
)

FLAGS = (
    _own("flag_id", T, "flag: vehicle, indicator, wheel and the day it was raised"),
    _own("vehicle_id", T, "vehicle"),
    _own("indicator", T, "code, or open_report"),
    _own("wheel", T, "wheel, NULL for the whole vehicle"),
    _own("raised_on", D, "day of the scores that raised it"),
    _own("priority", T, "priority of the vehicle when it was raised"),
    _own("state", T, "open, seen, decided, closed"),
    _own("seen_by", T, "who looked at it first"),
    _own("seen_at", TS, "when"),
    _own("decision", T, "inspect_now, next_visit, watch, reject; NULL if none stands"),
    _own("decided_by", T, "who decided last"),
    _own("decided_at", TS, "when"),
    _own("reason", T, "the reason given"),
    _own("expires_on", D, "last day on which the decision stands"),
    _own("result", T, "what came of it: confirmed, not_confirmed, no_longer_shown, or another finding's code"),
    _own("closed_on", D, "day it was closed; NULL while it is open"),
    _own("age_days", I, "days from raising to the newest scores or the closing"),
)

INGEST_LOG = (
    Column("path", T, "file"),
    Column("sha256", T, "fingerprint of its bytes"),
    Column("status", T, "loaded, rejected, partly_loaded"),
    Column("rows", I, "rows read"),
    Column("events", I, "events that are in"),
    Column("events_rejected", I, "events that are not"),
    Column("reason", T, "what was wrong, in sentences with ; between"),
    Column("loaded_at", TS, "when"),
    _own("vehicles", I, "vehicles in the file"),
    _own("first_at", TS, "first sample"),
    _own("last_at", TS, "last sample"),
    _own("channels", T, "channels recorded, with , between"),
)

OBSERVABILITY = (
    Column("subject", T, "class, quantity or indicator"),
    Column("channels", T, "channels it needs"),
    Column("least_rate_hz", F, "least effective rate of those channels"),
    Column("otherwise_null", T, "why else it is NULL"),
)

UNKNOWN_IDS = (
    _own("kind", T, "vehicle or driver"),
    _own("id", T, "as recorded"),
    _own("events", I, "events that name it"),
    _own("first_at", TS, "first of them"),
    _own("last_at", TS, "last of them"),
)

#: Every computed table, in the order in which reports list them.
TABLES: dict[str, tuple[Column, ...]] = {
    "vehicle_health": VEHICLE_HEALTH,
    "indicators": INDICATORS,
    "indicator_trips": INDICATOR_TRIPS,
    "driver_style": DRIVER_STYLE,
    "driver_coaching": DRIVER_COACHING,
    "exposure_summary": EXPOSURE_SUMMARY,
    "inspection_plan": INSPECTION_PLAN,
    "plan_days": PLAN_DAYS,
    "plan_summary": PLAN_SUMMARY,
    "flags": FLAGS,
    "predictions": PREDICTIONS,
    "inspection_evidence": INSPECTION_EVIDENCE,
    "inspection_outcomes": INSPECTION_OUTCOMES,
    "model_quality": MODEL_QUALITY,
    "events": EVENTS,
    "event_wheels": EVENT_WHEELS,
    "ingest_log": INGEST_LOG,
    "observability": OBSERVABILITY,
    "unknown_ids": UNKNOWN_IDS,
    "month_figures": MONTH_FIGURES,
    "month_surfaces": MONTH_SURFACES,
    "month_work": MONTH_WORK,
    "recording_facts": RECORDING_FACTS,
    "recording_channels": RECORDING_CHANNELS,
}

#: Registers as they are kept in the store and published under the same names: column, type, part of the key.
REGISTERS: dict[str, tuple[tuple[str, str], ...]] = {
    "vehicles": (
        ("vehicle_id", T),
        ("category", T),
        ("axles", I),
        ("actuation", T),
        ("max_mass_kg", F),
        ("depot", T),
        ("in_service_on", D),
        ("odometer_km", F),
        ("last_inspection_on", D),
        ("inspection_due_on", D),
        ("abs_fitted", B),
        ("abs_cutoff_speed_mps", F),
        ("brake_control", T),
        ("endurance_brake", T),
        ("sensed_wheels", T),
        ("lift_axles", T),
        ("twin_tyres", T),
        ("roller_tested_on", D),
    ),
    "drivers": (("driver_id", T), ("depot", T)),
    "trips": (
        ("trip_id", T),
        ("vehicle_id", T),
        ("driver_id", T),
        ("started_at", TS),
        ("ended_at", TS),
        ("distance_km", F),
        ("brake_applications", I),
        ("trailer_ids", T),
    ),
    "capacity": (
        ("depot", T),
        ("date", D),
        ("weekday", T),
        ("bay_hours", F),
        ("roller_hours", F),
        ("inspector_hours", F),
        ("min_on_road", I),
    ),
    "due_dates": (("vehicle_id", T), ("kind", T), ("due_on", D), ("bay_hours", F)),
    "inspections": (
        ("inspection_id", T),
        ("vehicle_id", T),
        ("inspected_on", D),
        ("wheel", T),
        ("finding", T),
        ("severity", I),
        ("note", T),
    ),
    "brake_tests": (
        ("vehicle_id", T),
        ("tested_on", D),
        ("method", T),
        ("wheel", T),
        ("axle_load_kg", F),
        ("max_force_n", F),
        ("locked", B),
        ("residual_drag_n", F),
    ),
    "repairs": (("vehicle_id", T), ("repaired_on", D), ("wheel", T), ("work", T), ("note", T)),
    "defect_reports": (
        ("vehicle_id", T),
        ("reported_at", TS),
        ("text", T),
        ("severity", I),
        ("cleared_at", TS),
    ),
}

#: What makes two register rows the same row (a later one replaces an earlier one).
REGISTER_KEYS: dict[str, tuple[str, ...]] = {
    "vehicles": ("vehicle_id",),
    "drivers": ("driver_id",),
    "trips": ("trip_id",),
    "capacity": ("depot", "date", "weekday"),
    "due_dates": ("vehicle_id", "kind"),
    "inspections": ("inspection_id",),
    "brake_tests": ("vehicle_id", "tested_on", "method", "wheel"),
    "repairs": ("vehicle_id", "repaired_on", "wheel", "work"),
    "defect_reports": ("vehicle_id", "reported_at", "text"),
}

"""The tables of ``fleet.duckdb``: every column with its type, unit (last part of the name) and meaning.

One list for everybody: the store creates the tables from it, reports explain columns with it, tests hold it
against the published edges. ``shared`` columns go out to other programs; the rest are ours and may grow.
Types are DuckDB's names; ``NULL`` always means "could not be observed".
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Column:
    """One column of a published table."""

    name: str
    type: str
    meaning: str
    shared: bool = True


def _own(name: str, type_: str, meaning: str) -> Column:
    return Column(name, type_, meaning, shared=False)


T, F, I, B, TS, D = "VARCHAR", "DOUBLE", "BIGINT", "BOOLEAN", "TIMESTAMPTZ", "DATE"

EVENTS = (
    Column("event_id", T, "one brake application, unique in the fleet"),
    Column("vehicle_id", T, "vehicle, as recorded"),
    Column("driver_id", T, "driver, as recorded or from the trip; NULL where neither says"),
    Column("started_at", TS, "time of the event's first sample"),
    Column("samples", I, "rows of the recording that belong to the event"),
    Column("sample_rate_hz", F, "rows a second"),
    Column("wheel_rate_hz", F, "how often the wheel speeds really change"),
    Column("speed_rate_hz", F, "how often the vehicle speed really changes"),
    Column("demand_rate_hz", F, "how often the brake demand really changes"),
    Column("brake_source", T, "who asked: driver, aeb, acc, esc, hold, unknown"),
    Column("initial_speed_mps", F, "speed when the demand begins"),
    Column("final_speed_mps", F, "speed at release or standstill"),
    Column("braking_s", F, "from the first movement of demand to release or standstill"),
    Column("braking_distance_m", F, "distance in that time"),
    Column("peak_decel_mps2", F, "greatest 0.2 s mean deceleration"),
    Column("mean_decel_mps2", F, "mean over time, from demand to release or standstill"),
    Column("mfdd_mps2", F, "mean fully developed deceleration, 80 % to 10 % of the initial speed"),
    Column("brake_energy_kj", F, "kinetic and potential energy taken out; NULL without a mass"),
    Column("hard_stop", B, "peak deceleration at or above the category's threshold"),
    Column("modulation", B, "two or more release-and-rebuild cycles of one wheel"),
    Column("modulation_cycles", I, "cycles of the wheel with most"),
    Column("modulation_hz", F, "cycles a second of that wheel; NULL where the rate may hide faster ones"),
    Column("lockup", B, "a wheel under 5 % of the vehicle's speed above 1.5 m/s"),
    Column("lockup_s", F, "longest lockup of any wheel"),
    Column("lockup_above_cutoff", B, "a lockup above the speed below which the control lets go"),
    Column("emergency_application", B, "near-full demand, or friction used up"),
    Column("friction_used", F, "greatest 0.5 s mean deceleration over g, level road where the grade is known"),
    Column("surface", T, "dry_paved, wet_paved, snow_or_ice, loose, split, unknown"),
    _own("wheels_observed", I, "wheels whose speed says something in this event"),
    _own("wheels_modulated", T, "wheels with two or more cycles, with + between"),
    _own("modulation_wheels", T, "one_wheel, one_axle, one_side, several_wheels, all_wheels; NULL without modulation"),
    _own("modulation_rate_hz", F, "how often the channel really changes in which the cycles were counted"),
    _own("flag_and_wheels", T, "the vehicle's own flag and the wheels: both, flag_only, wheels_only, neither"),
    _own("wheels_locked", T, "wheels that locked, with + between"),
    _own("speed_source", T, "what the reference speed rests on: recorded source, wheels, or unknown"),
    _own("braking_distance_se_m", F, "standard error of the distance: of the speed, and of the onset between readings"),
    _own("speed_delay_s", F, "estimated age of the speed channel; NULL where it does not carry the event"),
    _own("speed_error_mps", F, "greatest standard error of the reference speed while braking"),
    _own("accelerometer_used", B, "an accelerometer that goes with the speed carries the reference too"),
    _own("accelerometer_gain", F, "what the accelerometer is multiplied with: a diving body shows too much"),
    _own("accelerometer_gain_se", F, "standard error of that"),
    _own("demand_kind", T, "what the demand was read from: pedal, pressure, switch, deceleration"),
    _own("demand_peak", F, "greatest demand: pedal in %, pressure in kPa"),
    _own("onset_s", F, "from the first sample to the first movement of demand"),
    _own("end_s", F, "from the first sample to release or standstill"),
    _own("build_up_s", F, "from demand to 75 % of the reached deceleration; NULL where the rate hides it"),
    _own("release_s", F, "from the demand losing 75 % of its level to the deceleration doing so; NULL at standstill"),
    _own("effectiveness", F, "deceleration per unit of demand, without slip or endurance brake: m/s2 per % or per kPa"),
    _own("effectiveness_change", F, "effectiveness of the application's second half over its first, less one"),
    _own("friction_brake_kj", F, "what is left for the friction brakes after recuperation, retarder, drag and grade"),
    _own("friction_brake_se_kj", F, "standard error of friction_brake_kj: mass, drag, grade where not recorded"),
    _own("regen_kj", F, "energy recuperated while braking; NULL if not recorded"),
    _own("retarder_s", F, "time in which a retarder or engine brake worked while braking; NULL if not recorded"),
    _own("peak_decel_at_least_mps2", F, "what the deceleration reached at least where the rate hides the peak"),
    _own("lockup_speed_mps", F, "greatest speed at which a wheel had been locked for 0.1 s"),
    _own("lockup_open_mps", F, "greatest speed at which a lockup could not be decided; NULL where all was"),
    _own("near_lockups", I, "wheels caught on their way to a lockup, counted over all wheels"),
    _own("lift_axle_up", B, "a lift axle was raised while braking"),
    _own("lockup_allowed", B, "new ones of its kind may lock so; no verdict on one in use; NULL: none, or unsure"),
    _own("lockup_rule", T, "the rule that lockup_allowed goes by"),
    _own("cutoff_speed_mps", F, "cut-off speed used, from the register or the criteria"),
    _own("friction_used_up", B, "slip, cycles or lockup show that the tyres gave all they could"),
    _own("surface_probability", F, "probability of the surface named; NULL for split and unknown"),
    _own("friction_peak", F, "peak friction of the curve fitted; NULL where it is not known closely"),
    _own("friction_sliding", F, "its friction of a locked wheel; NULL where it is not known closely"),
    _own("lockup_extra_m", F, "distance the lockups cost against the curve's peak; negative on loose ground"),
    _own("lockup_extra_se_m", F, "standard error of that distance"),
    _own("air_temp_c", F, "median of the recording"),
    _own("grade", F, "mean rise over run during braking"),
    _own("gross_mass_kg", F, "median of the recording"),
    _own("latitude_deg", F, "where the demand began"),
    _own("longitude_deg", F, "where the demand began"),
    _own("abs_flag", B, "the vehicle's own anti-lock flag was raised while braking"),
    _own("abs_warning_lamp", B, "the vehicle's own anti-lock warning lamp was lit"),
    _own("longest_gap_s", F, "longest gap between rows while braking"),
    _own("not_braking", T, "why this is no brake application (standstill, reversing, no demand ...), else NULL"),
    _own("notes", T, "what was mended or left out, with ; between"),
    _own("incident", I, "number of the driver's incident: events within 60 s are one"),
    _own("category", T, "category used for the thresholds; NULL if the vehicle is not in the register"),
    _own("depot", T, "depot from the register"),
    _own("trip_id", T, "trip in whose time the event began"),
    _own("source_path", T, "recording file"),
    _own("row_start", I, "first row of the event in that file"),
    _own("row_stop", I, "one past its last row"),
)

EVENT_WHEELS = (
    Column("event_id", T, "event"),
    Column("wheel", T, "axle from the front and side: 1L, 1R, ..."),
    Column("peak_slip", F, "greatest brake slip, 0 rolling, 1 locked; NULL without a sound wheel signal"),
    Column("lockup_s", F, "total time locked"),
    Column("lockup_onset_s", F, "from the event's first sample"),
    Column("lockup_onset_speed_mps", F, "vehicle speed when the wheel locked"),
    Column("slide_m", F, "distance travelled with that wheel locked"),
    Column("modulation_cycles", I, "release-and-rebuild cycles"),
    Column("modulation_hz", F, "cycles a second; NULL where the rate may hide faster ones"),
    _own("vehicle_id", T, "vehicle"),
    _own("lockup", B, "this wheel locked; NULL where it could not be decided"),
    _own("lockup_longest_s", F, "longest single lockup"),
    _own("lockup_speed_mps", F, "greatest speed at which it had been locked for 0.1 s"),
    _own("locked_above_15_kmh_s", F, "longest single time locked while the vehicle was faster than 15 km/h"),
    _own("locked_above_10_mph_s", F, "the same above 10 mph (16.1 km/h)"),
    _own("locked_above_20_mph_s", F, "the same above 20 mph (32.2 km/h)"),
    _own("lockup_allowed", B, "new ones of its kind may lock so; no verdict on one in use; NULL: none, or unsure"),
    _own("lockup_rule", T, "the rule that lockup_allowed goes by"),
    _own("peak_slip_is_bound", B, "the sensor saturates or reads zero below its floor: slip at least this"),
    _own("sensed", B, "the wheel's speed signal says something in this event"),
    _own("free_slip", F, "slip before the demand: rolling radius, drag"),
    _own("radius_factor", F, "what makes this wheel's speed the vehicle's, from free rolling in the file"),
    _own("steady_slip", F, "mean slip under held demand without cycles, less free_slip"),
    _own("released_slip", F, "mean slip after release, less free_slip"),
    _own("dropout_s", F, "time the signal was missing, zero or frozen while other wheels turned"),
    _own("near_lockups", I, "times it was caught on its way to a lockup: slip over 0.5, or a steep fall, and back"),
    _own("near_lockup_slip", F, "deepest slip of those"),
    _own("peak_wheel_fall_mps2", F, "greatest deceleration of the wheel beyond the vehicle's"),
    _own("lockup_open_mps", F, "greatest speed at which a lockup could not be decided; NULL where all was"),
    _own("sensor_floor_mps", F, "speed under which the sensor reads zero, as the file or the vehicle's stops say"),
    _own("peak_pressure_kpa", F, "greatest pressure at this wheel"),
    _own("modulation_rate_hz", F, "how often the channel really changes in which the cycles were counted"),
    _own("once_a_turn", B, "its slip pulses once a turn of the wheel: the sensor's tone ring, not the brake"),
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
    _own("open_report", T, "newest uncleared defect report or lit warning lamp; shown beside the score, not in it"),
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
    _own("probability", F, "share of the health score: probability that an inspection finds this"),
    _own("evidence", T, "up to five event ids that weigh most, newest first, as a JSON list"),
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
    _own("adjusted_low", F, "lower end of its 90 % interval"),
    _own("adjusted_high", F, "upper end"),
    _own("expected_hard_stops", F, "what an average driver would have had in the same vehicles and conditions"),
    _own("incidents", I, "hard stops within 60 s counted once"),
    _own("brake_applications", I, "events of the driver"),
    _own("depot", T, "depot"),
    _own("note", T, "why the raw and the adjusted rate differ, in a sentence"),
)

INSPECTION_PLAN = (
    Column("planned_on", D, "day"),
    Column("depot", T, "depot"),
    Column("vehicle_id", T, "vehicle"),
    Column("position", I, "order within the day"),
    Column("reason", T, "what to look at and why"),
    Column("due_on", D, "statutory date; may be NULL"),
    _own("bay_hours", F, "time set aside"),
    _own("priority", T, "priority of the vehicle"),
    _own("note", T, "overdue, capacity assumed, date cannot be kept ..."),
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
    "driver_style": DRIVER_STYLE,
    "inspection_plan": INSPECTION_PLAN,
    "events": EVENTS,
    "event_wheels": EVENT_WHEELS,
    "ingest_log": INGEST_LOG,
    "observability": OBSERVABILITY,
    "unknown_ids": UNKNOWN_IDS,
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
    "capacity": (("depot", T), ("date", D), ("weekday", T), ("bay_hours", F)),
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
    "inspections": ("inspection_id",),
    "brake_tests": ("vehicle_id", "tested_on", "method", "wheel"),
    "repairs": ("vehicle_id", "repaired_on", "wheel", "work"),
    "defect_reports": ("vehicle_id", "reported_at", "text"),
}

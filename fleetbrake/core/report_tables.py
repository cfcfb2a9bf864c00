"""Tables that only a month's report has: drawn up from the published ones when the month is written down.

Same form as :mod:`fleetbrake.core.tables`. Rates are events per 1000 km with exact 90 % Poisson intervals, over the
kilometres on which the class could have been observed; NULL where there are none.
"""

from fleetbrake.core.event_tables import B, Column, D, F, I, T, own

FLEET_MONTHS = (
    own("month", T, "month in UTC, YYYY-MM: the last twelve up to and with the reported one"),
    own("measure", T, "hard_stops, modulation, lockups_above_cutoff"),
    own("vehicles", I, "vehicles with events in the month"),
    own("events", I, "brake applications that began in the month; NULL: a month without any"),
    own("not_observed", I, "brake applications of which the class could not be observed"),
    own("counted", I, "events of the class"),
    own("rate_counted", I, "part of them by vehicles with observed kilometres"),
    own("observed_km", F, "kilometres on which the class could have been observed"),
    own("rate_per_1000km", F, "events of the class per 1000 observed kilometres"),
    own("rate_low_per_1000km", F, "lower end of its 90 % interval"),
    own("rate_high_per_1000km", F, "upper end"),
    own("not_braking", I, "events of the month that are no brake applications: in no other count"),
)

MONTH_RATES = (
    own("dimension", T, "what the fleet is split by: fleet (not at all), depot, category, surface"),
    own("part", T, "depot, category or surface; NULL where it is not known, and for the whole fleet"),
    own("measure", T, "hard_stops, modulation, lockups_above_cutoff"),
    own("vehicles", I, "vehicles with events in that part"),
    own("events", I, "brake applications of that part"),
    own("not_observed", I, "brake applications of which the class could not be observed"),
    own("counted", I, "events of the class"),
    own("rate_counted", I, "part of them by vehicles with observed kilometres"),
    own("observed_km", F, "kilometres on which the class could have been observed; for a surface those of the fleet"),
    own("rate_per_1000km", F, "events of the class per 1000 observed kilometres; surfaces add up to the fleet"),
    own("rate_low_per_1000km", F, "lower end of its 90 % interval"),
    own("rate_high_per_1000km", F, "upper end"),
    own("not_braking", I, "events of that part that are no brake applications: in no other count"),
)

HIT_RATE = (
    own("span", T, "month: inspections of the reported month; last_12_months: up to and with it"),
    own("figure", T, "what is counted: flagged, not_flagged, right_wheel ..."),
    own("inspected", I, "inspections that it rests on"),
    own("found", I, "part of them in which it held"),
    own("share", F, "found over inspected; NULL without inspections"),
    own("share_low", F, "lower end of its exact 90 % interval"),
    own("share_high", F, "upper end"),
    own("meaning", T, "the figure in a sentence"),
)

OPEN_FLAGS = (
    own("flag_id", T, "flag, as in flags"),
    own("vehicle_id", T, "vehicle"),
    own("depot", T, "depot from the register"),
    own("indicator", T, "code, or open_report"),
    own("wheel", T, "wheel, NULL for the whole vehicle"),
    own("raised_on", D, "day of the scores that raised it"),
    own("shown_since", D, "first day of the events that show it, or of what was reported or found; NULL: not known"),
    own("age_days", I, "days from raised_on to told_on; no flag is older than the first scores"),
    own("first_scored_on", D, "first day that was ever scored: a sign from before it was not flagged before it"),
    own("told_on", D, "last day of the month, or the newest day scored in it where the month is not over"),
    own("priority", T, "priority of the vehicle when it was raised"),
    own("state", T, "open, seen, decided, as it is now; closed: later than told_on"),
    own("decision", T, "inspect_now, next_visit, watch, reject; NULL if none stands"),
    own("decided_by", T, "who decided last"),
    own("expires_on", D, "last day on which the decision stands"),
)

MONTH_DRIVERS = (
    own("driver_id", T, "driver with applications or trips in the month, or behind its scores"),
    own("applications", I, "brake applications of the month"),
    own("hard_stops", I, "part of them that are hard stops asked for by the driver"),
    own("hard_stops_not_observed", I, "part of them of which that could not be observed"),
    own("distance_km", F, "kilometres of the driver's trips that began in the month; NULL where none are known"),
    own("evidence_from", D, "day of the first application that the month's scores look back to; NULL: not scored"),
    own("evidence_to", D, "day of the last one"),
)

MONTH_SILENCE = (
    own("vehicle_id", T, "vehicle of the register or of an event"),
    own("depot", T, "depot, from the register as it is now"),
    own("category", T, "category, from the register as it is now"),
    own("told_on", D, "last day of the month, or the newest recorded day of the fleet if that is earlier"),
    own("last_on", D, "last recorded day up to then; NULL: not recorded by then"),
    own("days_silent", I, "days from then to told_on"),
    own("silent_from_days", I, "so many days without a recording were no longer usual for it"),
    own("silent", B, "longer silent than that; NULL: not recorded by then"),
)

TO_INSPECT = (
    own("rank", I, "1 = look at it first"),
    own("vehicle_id", T, "vehicle or trailer"),
    own("depot", T, "depot"),
    own("category", T, "UNECE category"),
    own("priority", T, "priority on the day scored"),
    own("reason", T, "what to look at and why, in a sentence"),
    own("leading_indicator", T, "code of the indicator that weighs most; NULL if nothing was found"),
    own("suspect_wheel", T, "wheel of that indicator"),
    own("health_score", F, "0 to 100, 100 = nothing found; NULL with too little evidence; it never clears a vehicle"),
    own("score_low", F, "lower end of its interval"),
    own("score_high", F, "upper end"),
    own("inspection_due_on", D, "earliest statutory date of any kind, from the registers"),
    own("overdue", B, "that date has passed on the day scored"),
    own("planned_on", D, "day in the current plan, whatever month it lies in; NULL: none"),
    own("held_on", D, "no planned day, but bay hours are kept free for it on this one"),
    own("statutory", T, "kinds of statutory inspection done in that visit, with + between; NULL for none"),
    own("due_on", D, "statutory date that the visit keeps, the earliest of several"),
    own("drawn", B, "drawn by lot, without a sign"),
    own("open_report", T, "what people reported or found and nothing has answered, as they wrote it"),
    own("events_used", I, "brake applications behind the score"),
    own("as_of", D, "day scored: the newest of the month"),
)

#: In the order in which a report lists them, before the published tables.
REPORT_TABLES: dict[str, tuple[Column, ...]] = {
    "fleet_months": FLEET_MONTHS,
    "month_rates": MONTH_RATES,
    "hit_rate": HIT_RATE,
    "open_flags": OPEN_FLAGS,
    "month_drivers": MONTH_DRIVERS,
    "month_silence": MONTH_SILENCE,
    "to_inspect": TO_INSPECT,
}

"""Tables that only a month's report has: drawn up from the published ones when the month is written down.

Same form as :mod:`fleetbrake.core.tables`. Rates are events per 1000 km with exact 90 % Poisson intervals, over the
kilometres on which the class could have been observed; NULL where there are none.
"""

from fleetbrake.core.event_tables import Column, D, F, I, T, own

FLEET_MONTHS = (
    own("month", T, "month in UTC, YYYY-MM: the last twelve up to and with the reported one"),
    own("measure", T, "hard_stops, modulation, lockups_above_cutoff"),
    own("vehicles", I, "vehicles with events in the month"),
    own("events", I, "events that began in the month; NULL: a month without recordings"),
    own("not_observed", I, "events of which the class could not be observed"),
    own("counted", I, "events of the class"),
    own("rate_counted", I, "part of them by vehicles with observed kilometres"),
    own("observed_km", F, "kilometres on which the class could have been observed"),
    own("rate_per_1000km", F, "events of the class per 1000 observed kilometres"),
    own("rate_low_per_1000km", F, "lower end of its 90 % interval"),
    own("rate_high_per_1000km", F, "upper end"),
)

MONTH_RATES = (
    own("dimension", T, "what the fleet is split by: fleet (not at all), depot, category, surface"),
    own("part", T, "depot, category or surface; NULL where it is not known, and for the whole fleet"),
    own("measure", T, "hard_stops, modulation, lockups_above_cutoff"),
    own("vehicles", I, "vehicles with events in that part"),
    own("events", I, "events of that part"),
    own("not_observed", I, "events of which the class could not be observed"),
    own("counted", I, "events of the class"),
    own("rate_counted", I, "part of them by vehicles with observed kilometres"),
    own("observed_km", F, "kilometres on which the class could have been observed; for a surface those of the fleet"),
    own("rate_per_1000km", F, "events of the class per 1000 observed kilometres; surfaces add up to the fleet"),
    own("rate_low_per_1000km", F, "lower end of its 90 % interval"),
    own("rate_high_per_1000km", F, "upper end"),
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
    own("age_days", I, "days from then to told_on"),
    own("told_on", D, "last day of the month, or the newest day scored in it where the month is not over"),
    own("priority", T, "priority of the vehicle when it was raised"),
    own("state", T, "open, seen, decided, as it is now; closed: later than told_on"),
    own("decision", T, "inspect_now, next_visit, watch, reject; NULL if none stands"),
    own("decided_by", T, "who decided last"),
    own("expires_on", D, "last day on which the decision stands"),
)

#: In the order in which a report lists them, before the published tables.
REPORT_TABLES: dict[str, tuple[Column, ...]] = {
    "fleet_months": FLEET_MONTHS,
    "month_rates": MONTH_RATES,
    "hit_rate": HIT_RATE,
    "open_flags": OPEN_FLAGS,
}

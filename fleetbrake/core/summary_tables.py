"""The published tables that sum up recordings: a month's figures, work and surfaces; what each vehicle records.

Filled when recordings are published, so that no page counts over all events again.
"""

from fleetbrake.core.event_tables import TS, B, D, F, I, T, own

MONTH_FIGURES = (
    own("month", T, "month in UTC, YYYY-MM"),
    own("depot", T, "depot of the vehicles; NULL where none is known"),
    own("category", T, "category of the vehicles; NULL where none is known"),
    own("vehicles", I, "vehicles with events in the month"),
    own("events", I, "events that began in the month"),
    own("not_braking", I, "part of them that are no brake applications: of these nothing else is told"),
    own("hard_stops", I, "with a hard stop"),
    own("hard_stops_unknown", I, "events of which that could not be observed"),
    own("modulation", I, "with modulation"),
    own("modulation_unknown", I, "events of which that could not be observed"),
    own("lockups", I, "with a locked wheel"),
    own("lockups_unknown", I, "events of which that could not be observed"),
    own("lockups_above_cutoff", I, "with a lockup above the cut-off speed"),
    own("lockups_above_cutoff_unknown", I, "events of which that could not be observed"),
    own("distance_km", F, "distance of the trips that began in the month; NULL without any"),
    own("hard_stops_km", F, "part of it observed for hard stops: of vehicles with events, times the share that tells"),
    own("hard_stops_on_km", I, "hard stops of the vehicles with such kilometres"),
    own("modulation_km", F, "as hard_stops_km, for modulation"),
    own("modulation_on_km", I, "as hard_stops_on_km"),
    own("lockups_above_cutoff_km", F, "as hard_stops_km, for lockups above the cut-off speed"),
    own("lockups_above_cutoff_on_km", I, "as hard_stops_on_km"),
)

MONTH_WORK = (
    own("month", T, "month in UTC, YYYY-MM"),
    own("vehicle_id", T, "vehicle with events or trips in the month"),
    own("depot", T, "its depot; NULL where none is known"),
    own("category", T, "its category; NULL where none is known"),
    own("events", I, "events that began in the month"),
    own("not_braking", I, "part of them that are no brake applications"),
    own("energy_events", I, "events of which the energy taken out is known: a mass was recorded"),
    own("brake_energy_kj", F, "energy taken out in these; NULL without any"),
    own("friction_events", I, "events of which the friction brakes' part is known"),
    own("friction_brake_kj", F, "work of the friction brakes in these"),
    own("friction_brake_se_kj", F, "its standard error: doubts of a vehicle's events go together, so they add up"),
    own("regen_events", I, "events of which recuperation was recorded"),
    own("regen_kj", F, "energy recuperated in these"),
    own("distance_km", F, "distance of the trips that began in the month; NULL without any"),
)

MONTH_SURFACES = (
    own("month", T, "month in UTC, YYYY-MM"),
    own("depot", T, "depot of the vehicles; NULL where none is known"),
    own("category", T, "category of the vehicles; NULL where none is known"),
    own("surface", T, "surface of the events; NULL where it could not be told"),
    own("vehicles", I, "vehicles with such events in the month"),
    own("events", I, "events that began in the month"),
    own("not_braking", I, "part of them that are no brake applications: of these nothing else is told"),
    own("hard_stops", I, "with a hard stop"),
    own("hard_stops_unknown", I, "events of which that could not be observed"),
    own("hard_stops_on_km", I, "hard stops of vehicles with observed kilometres, as in month_figures"),
    own("modulation", I, "with modulation"),
    own("modulation_unknown", I, "events of which that could not be observed"),
    own("modulation_on_km", I, "as hard_stops_on_km"),
    own("lockups_above_cutoff", I, "with a lockup above the cut-off speed"),
    own("lockups_above_cutoff_unknown", I, "events of which that could not be observed"),
    own("lockups_above_cutoff_on_km", I, "as hard_stops_on_km"),
)

RECORDING_FACTS = (
    own("vehicle_id", T, "vehicle of the register or of an event"),
    own("in_register", B, "the register knows it"),
    own("depot", T, "depot, from the register"),
    own("category", T, "category, from the register"),
    own("files", I, "recording files with an event of it; one without any names no vehicle"),
    own("files_with_problems", I, "part of them that were not wholly loaded"),
    own("events", I, "events"),
    own("not_braking", I, "part of them that are no brake applications"),
    own("first_on", D, "first recorded day in UTC; NULL: never recorded"),
    own("last_on", D, "last recorded day"),
    own("days", I, "recorded days"),
    own("usual_gap_days", I, "nine in ten of its newest gaps between recorded days are no longer; NULL: too few"),
    own("newest_on", D, "newest recorded day of the whole fleet, none after the last reading"),
    own("days_silent", I, "days from its last recorded day to that one"),
    own("silent_from_days", I, "so many days without a recording are no longer usual for it"),
    own("silent", B, "longer silent than that; NULL: never recorded"),
    own("sample_rate_hz", F, "median over its events: rows a second"),
    own("wheel_rate_hz", F, "the same of the wheel speeds' effective rate; NULL: none recorded"),
    own("speed_rate_hz", F, "the same of the vehicle's speed"),
    own("demand_rate_hz", F, "the same of the brake demand"),
    own("channels_lost", I, "channels that its files used to have and the newest ones do not"),
)

RECORDING_CHANNELS = (
    own("vehicle_id", T, "vehicle"),
    own("channel", T, "recorded channel"),
    own("files", I, "files of the vehicle whose channels are known"),
    own("files_with", I, "part of them with the channel; a file of several vehicles counts for each"),
    own("newest_files", I, "the newest of them, some five"),
    own("newest_with", I, "part of these with the channel"),
    own("last_at", TS, "last sample of the last file with it"),
    own("lost", B, "most earlier files have it, none of the newest; NULL with too few files to tell"),
)

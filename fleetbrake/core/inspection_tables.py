"""The published tables that hold what inspections found against what was known before: evidence, outcomes, learning."""

from fleetbrake.core.event_tables import B, D, F, I, T, own

INSPECTION_EVIDENCE = (
    own("inspection_id", T, "inspection; the first of several rows of one vehicle and day"),
    own("vehicle_id", T, "vehicle"),
    own("inspected_on", D, "day of the inspection"),
    own("findings", I, "rows of the register for that vehicle and day"),
    own("found", B, "a defect that needs repair was found; NULL where the register does not say"),
    own("evidence_as_of", D, "the newest Sunday before: nothing later is in the evidence"),
    own("prior_probability", F, "probability of a defect by the priors, from that evidence"),
    own("low_brake_effectiveness_ln_lr", F, "ln likelihood ratio of the indicator, greatest over wheels"),
    own("side_imbalance_ln_lr", F, "the same"),
    own("brake_drag_ln_lr", F, "the same"),
    own("slow_response_ln_lr", F, "the same"),
    own("brake_fade_ln_lr", F, "the same"),
    own("lockup_without_modulation_ln_lr", F, "the same"),
    own("modulation_on_light_braking_ln_lr", F, "the same"),
    own("wheel_speed_dropout_ln_lr", F, "the same"),
    own("events_used", I, "events behind that evidence"),
    own("place", F, "share of the fleet with a greater prior probability on that day"),
    own("fleet_vehicles", I, "vehicles of the fleet on that day"),
    own("selection_weight", F, "inverse of the chance of having been inspected, mean 1; NULL if left out"),
    own("part", T, "train, calibrate, held_out, left_out"),
    own("left_out_reason", T, "why nothing is learned from it"),
    own("rules", T, "fingerprint of the models and numbers that the evidence rests on"),
)

PREDICTIONS = (
    own("vehicle_id", T, "vehicle"),
    own("as_of", D, "recordings up to and with this day count"),
    own("made_on", D, "day in UTC on which it was computed: from then on it stood; the last run of that day counts"),
    own("known_on", D, "what people wrote counts up to and with this day"),
    own("priority", T, "priority of the vehicle"),
    own("own_priority", T, "priority by the recordings alone"),
    own("health_score", F, "its health score; NULL with too little evidence"),
    own("rank", I, "its rank"),
    own("fleet_vehicles", I, "vehicles ranked with it"),
    own("leading_indicator", T, "code of the indicator that weighed most; NULL if nothing was found"),
    own("suspect_wheel", T, "wheel of that indicator"),
    own("reported", B, "a defect report, finding, failed test or lit lamp stood open"),
)

INSPECTION_OUTCOMES = (
    own("inspection_id", T, "inspection; the first of several rows of one vehicle and day"),
    own("vehicle_id", T, "vehicle"),
    own("inspected_on", D, "day of the inspection"),
    own("found", B, "a defect that needs repair was found; NULL where the register does not say"),
    own(
        "severity", I, "the greatest of that day: 0 none, 1 minor, 2 needs repair, 3 must not be driven; NULL as found"
    ),
    own("findings", I, "rows of the register for that vehicle and day"),
    own("defects", T, "what needs repair, as codes with + between; NULL where none is named"),
    own("wheels", T, "wheels with such a defect, with + between; NULL where none is named"),
    own(
        "minor", T, "what was found and needs no repair (severity 1), as codes with + between; NULL where none is named"
    ),
    own("minor_wheels", T, "wheels with such a finding, with + between; NULL where none is named"),
    own("predicted_as_of", D, "newest day scored before the inspection, with nothing known from that day or later"),
    own("predicted_made_on", D, "day in UTC on which that score was computed"),
    own("made_before", B, "it stood before the inspection: a prediction; false: worked out afterwards; NULL: none"),
    own("predicted_priority", T, "priority of the vehicle on that day; NULL: not predicted"),
    own("predicted_score", F, "its health score; NULL with too little evidence"),
    own("predicted_rank", I, "its rank"),
    own("fleet_vehicles", I, "vehicles ranked on that day"),
    own("predicted_indicator", T, "code of the indicator that weighed most; NULL if nothing was found"),
    own("predicted_wheel", T, "wheel of that indicator"),
    own("not_predicted", T, "why there is no such score, in words; NULL where there is one"),
    own("flagged", B, "the recordings alone asked for an inspection; NULL: no score"),
    own("known_before", B, "people had reported or found something, or a lamp was lit, still open; NULL: no score"),
    own("right_indicator", B, "the indicator named was found; NULL unless flagged, found and named"),
    own("right_wheel", B, "the wheel named was found; NULL unless flagged, found and both name one"),
    own("minor_same_kind", B, "no defect, but the kind named was found as a minor one; NULL unless flagged and such"),
)

MODEL_QUALITY = (
    own("as_of", D, "day scored: inspections up to and with it count"),
    own("model", T, "prior: stated numbers; learned: from the inspections on file"),
    own("in_use", B, "this model gives the health score of that day"),
    own("figure", T, "log_loss, brier, precision_first_10, lift_first_10_percent, calibration_bin_1 ..."),
    own("predicted", F, "mean predicted probability of a calibration bin; NULL for other figures"),
    own("value", F, "the figure; of a calibration bin the share with a defect"),
    own("low", F, "lower end of its 90 % interval"),
    own("high", F, "upper end"),
    own("n", I, "inspections behind it"),
    own("note", T, "what it means, or why the model is or is not in use"),
)

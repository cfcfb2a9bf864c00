"""The closed lists of words that tables, pages and reports share.

Codes are those of the published tables; texts are what a person reads. Order matters where it says so.
"""

from typing import Final

#: Greatest number of axles a recording may name.
MAX_AXLES: Final = 6

#: Wheels by axle from the front and side: ``1L``, ``1R`` ... ``6R``.
WHEELS: Final = tuple(f"{axle}{side}" for axle in range(1, MAX_AXLES + 1) for side in "LR")


def wheel_words(wheel: object) -> str:
    """Where a wheel sits, in words: ``axle 1 left`` for ``1L``; empty for no wheel, other text stands for itself."""
    if not isinstance(wheel, str) or not wheel:
        return ""
    return f"axle {wheel[:-1]} {'left' if wheel[-1] == 'L' else 'right'}" if wheel in WHEELS else wheel


#: Who asked for the brake application. The position is the code used in arrays; -1 is "not recorded".
BRAKE_SOURCES: Final = ("driver", "aeb", "acc", "esc", "hold", "unknown")

#: Where ``speed_mps`` comes from. The last three fall with slipping wheels.
SPEED_SOURCES: Final = ("gnss", "wheel", "driveline", "tachograph")
DEPENDENT_SPEED_SOURCES: Final = ("wheel", "driveline", "tachograph")

#: What the brake demand of an event was read from, best first.
DEMAND_KINDS: Final = ("pedal", "pressure", "switch", "deceleration")

SURFACES: Final = ("dry_paved", "wet_paved", "snow_or_ice", "loose", "split", "unknown")

#: Which wheels modulated, from one to all that were looked at.
MODULATION_PATTERNS: Final = ("one_wheel", "one_axle", "one_side", "several_wheels", "all_wheels")

#: What the vehicle's own anti-lock flag and the wheels say of modulation.
FLAG_AND_WHEELS: Final = ("both", "flag_only", "wheels_only", "neither")

#: UNECE vehicle categories.
CATEGORIES: Final = ("M1", "M2", "M3", "N1", "N2", "N3", "O1", "O2", "O3", "O4")
LIGHT_CATEGORIES: Final = ("M1", "N1")

ACTUATIONS: Final = ("hydraulic", "air", "air_over_hydraulic", "electromechanical")
BRAKE_CONTROLS: Final = ("conventional", "load_sensing", "ebs", "by_wire")
ENDURANCE_BRAKES: Final = ("none", "engine", "retarder", "regen")

#: Priorities from most to least urgent; ``too_little_evidence`` ranks after all that is flagged.
PRIORITIES: Final = (
    "before_next_trip",
    "this_week",
    "next_service",
    "watch",
    "no_sign",
    "too_little_evidence",
)

PRIORITY_TEXT: Final = {
    "before_next_trip": "before next trip",
    "this_week": "this week",
    "next_service": "at next service",
    "watch": "watch",
    "no_sign": "no sign found",
    "too_little_evidence": "too little evidence",
}

#: Indicator codes and what each says in a few plain words.
INDICATORS: Final = {
    "low_brake_effectiveness": "brakes give less deceleration for the same demand",
    "side_imbalance": "one wheel of an axle brakes less than the other",
    "brake_drag": "a brake releases late or keeps dragging",
    "slow_response": "braking builds up late after the demand",
    "brake_fade": "braking weakens within an application as heat goes in",
    "lockup_without_modulation": "a wheel locked where the anti-lock control should have acted",
    "modulation_on_light_braking": "anti-lock control acts on light braking with grip",
    "wheel_speed_dropout": "a wheel-speed signal drops out or freezes",
}

#: Inspection findings: an indicator, something else, or nothing.
FINDINGS: Final = (*INDICATORS, "other", "none")

TEST_METHODS: Final = ("roller", "plate", "decelerometer")
REPAIR_WORK: Final = ("lining", "disc_or_drum", "caliper_or_actuator", "adjustment", "sensor", "tyre", "other")
REPAIR_WORK_TEXT: Final = {
    "lining": "lining renewed",
    "disc_or_drum": "disc or drum renewed",
    "caliper_or_actuator": "caliper or actuator repaired",
    "adjustment": "brake adjusted",
    "sensor": "sensor repaired",
    "tyre": "tyre changed",
    "other": "other work",
}

#: Which work puts a finding of an inspection or test right (own choice). Narrower than what starts a baseline anew: a
#: tyre answers no finding about a brake; "other" (valves, hoses, wiring, rings) only what has no work of its own.
ANSWERS: Final[dict[str, tuple[str, ...]]] = {
    "low_brake_effectiveness": ("lining", "disc_or_drum", "caliper_or_actuator", "adjustment"),
    "side_imbalance": ("lining", "disc_or_drum", "caliper_or_actuator", "adjustment"),
    "brake_drag": ("caliper_or_actuator", "adjustment"),
    "slow_response": ("caliper_or_actuator", "adjustment", "other"),
    "brake_fade": ("lining", "disc_or_drum"),
    "lockup_without_modulation": ("sensor", "other"),
    "modulation_on_light_braking": ("sensor", "other"),
    "wheel_speed_dropout": ("sensor", "other"),
    "other": ("other",),
}

#: Severities of a finding by their number, as people say them.
SEVERITY_TEXT: Final = ("none", "minor", "major", "dangerous")

#: What no recording of speeds and demands can show; said on every vehicle.
NOT_SEEN: Final = (
    "Recordings do not show the thickness of linings, cracks, worn drums or discs, leaks, pushrod stroke, a parking "
    "brake, or anything about a brake that was never asked for much."
)

#: Shown on every vehicle's page.
VEHICLE_CAUTION: Final = (
    "A driver's report, a warning lamp or a failed check comes before any score. A qualified brake inspector decides, "
    "by the local rules, whether this vehicle may be driven; no score clears it."
)

#: Shown on the drivers' page and in the month file beside drivers.
DRIVER_CAUTION: Final = (
    "No ground for discipline by itself: a number opens a conversation, and the driver's account of the events is part "
    "of it. Local labour and data-protection rules apply to who may see this and what may follow from it."
)

#: Shown wherever a score or a list is shown.
CAUTION: Final = (
    "A score says where to look first. It never clears a vehicle: inspections by qualified inspectors and the "
    "local rules decide whether a vehicle may be driven."
)

"""Every number that scoring takes from outside the recordings, with unit and reason.

Scoring reads these as DuckDB tables: ``priors`` (one row, one column a value), ``indicator_priors`` (a row an
indicator), ``priority_order`` and ``repair_scope``. Status words of the sources as in ``core.criteria``.

How a probability comes about
-----------------------------
``odds = base / (1 - base) * LR``. For a *level* (a median of measured values) with deviation ``z`` in standard
errors, ``LR = N(z; d, 1 + s^2) / N(z; 0, 1)``: a sound vehicle scatters as N(0, 1), a defective one around ``d``.
Below ``z = -d / s^2`` the ratio of two normals of unequal width would rise again; ``z`` is held there. For a *share*
(``k`` of ``n`` events) both are beta-binomial: sound with mean ``e`` (what was expected) and ``concentration``,
defective with mean ``e + (1 - e) * defect_lift`` and ``defect_concentration``; each hit is a possible beginning, the
most telling one counts and pays ``picked_ln`` for having been picked; events of one trip count for less. Of several
measures of an indicator the most telling counts and pays ln of their number. ``ln LR`` has a floor. From
``bounded_from`` on the log odds are bent towards the ceiling, which keeps their order; the order within a priority
uses them unbent (``int_vehicle_scores``). The interval is that of ``z`` +- ``interval_z`` standard errors (of a
share: of ``k``), joined in squares with ``interval_z * prior_doubt`` for the priors themselves. With fewer than
``least_events`` the probability stays the base rate. The base rate of a wheel's indicator holds for the vehicle and
is shared among its observed wheels.

What is expected of a driver stands in ``driver_priors``.
"""

from dataclasses import dataclass, fields

from fleetbrake.core.vocabulary import PRIORITIES
from fleetbrake.scoring.driver_priors import DriverPriors
from fleetbrake.scoring.observation_priors import ObservationPriors, prior


@dataclass(frozen=True)
class Priors(ObservationPriors, DriverPriors):
    """Numbers shared by all indicators and by driver style."""

    lookback_days: float = prior(365, "d", "period of the periodic inspection, 49 CFR 396.17: 12 months (verified)")
    least_events: float = prior(8, "1", "own choice: fewer usable events give no score at all")
    recent_days: float = prior(60, "d", "own choice: what a vehicle did before says little of its brakes now")
    recent_trips: float = prior(5, "1", "own choice: with fewer trips of late no vehicle is told to be without a sign")
    least_peers: float = prior(4, "1", "own choice: a median of fewer other vehicles is one vehicle's opinion")
    peers_most: float = prior(
        3, "1", "own choice: prior spreads; peers that are all farther from typical are bad, not the measure of good"
    )
    peer_weight: float = prior(5, "1", "own choice: the prior spread between vehicles counts as this many vehicles")
    spread_floor: float = prior(
        0.5, "1", "own choice: of the prior spread; in a large even fleet a difference too small to matter stays small"
    )
    noise_weight: float = prior(5, "1", "own choice: the prior noise of an event counts as this many events")
    change_threshold: float = prior(
        5, "1", "own choice: standardised shift at the best split; noise alone reaches 3 to 4"
    )
    change_least: float = prior(5, "1", "own choice: least trips before a change")
    persist_least: float = prior(3, "1", "own choice: a flag shows on three trips (or days) before it ranks")
    inspection_misses: float = prior(0.3, "1", "own choice: share of the defects there that an inspection misses")
    false_discovery_share: float = prior(0.1, "1", "own choice: of the flags of a night one in ten may be chance")
    trend_days: float = prior(14, "d", "own choice: wear shows over weeks; a shorter slope is weather")
    stand_days: float = prior(3, "d", "own choice: a long week-end lets rust form (common practice, no source)")
    setting_events: float = prior(20, "1", "own choice: events from which a way of recording is told")
    trigger_step_mps2: float = prior(0.8, "m/s2", "own choice: the gentlest of 20 recordings moves less by chance")
    trigger_chance: float = prior(1e-5, "1", "own choice: chance does it once in a fleet and year")
    alike_in_trip: float = prior(0.3, "1", "own choice: correlation of the events of one trip")
    picked_ln: float = prior(1.0986, "1", "ln 3, own choice: what the most telling beginning pays for being picked")
    firm_braking_mps2: float = prior(2.94, "m/s2", "0.3 g: emergency style in the literature (verified (secondary))")
    clip: float = prior(2.5, "1", "own choice: standard deviations of an event beyond which it does not pull more")
    effect_least: float = prior(2, "1", "own choice: other vehicles that must show what is taken out as not this one's")
    effect_most: float = prior(
        0.75, "1", "own choice: prior noises up or down; from one season to the next no more than a fifth of the brakes"
    )
    effect_weight: float = prior(3, "1", "own choice: an effect of no size counts as this many vehicles")
    past_share: float = prior(0.5, "1", "own choice: a vehicle differs less from its own past than from its peers")
    seen_from: float = prior(2.0, "1", "own choice: standard errors from which a deviation has a first day")
    interval_z: float = prior(1.6449, "1", "two-sided 90 % of the normal distribution (computed)")
    lr_floor: float = prior(-4.0, "1", "own choice: least ln LR; recordings never rule a defect out")
    bounded_from: float = prior(0.9, "1", "own choice: above it a probability grows ever slower with the evidence")
    probability_ceiling: float = prior(0.995, "1", "own choice: model doubt, never reached; only an inspection is sure")
    prior_doubt: float = prior(
        0.7, "1", "own choice: standard error of the prior log odds; base rates hold within a factor 3"
    )
    unobserved_factor: float = prior(3.0, "1", "own choice: interval of an indicator that could not be observed")
    least_slip: float = prior(0.003, "1", "own choice: below it a wheel's slip is within wheel-speed resolution")
    negative_slip: float = prior(0.01, "1", "own choice: a braked wheel cannot slip below zero by more than its noise")
    fade_least_s: float = prior(4.0, "s", "own choice: long enough for two halves with held demand")
    fade_least_kj_per_t: float = prior(150.0, "kJ/t", "62 km/h to standstill (computed from v^2/2); own choice")
    light_braking_below: float = prior(0.3, "1", "own choice: well under wet asphalt's 0.5 (Wong table, from memory)")
    depot_weight: float = prior(4, "1", "own choice: the prior share counts as this many events of depot neighbours")
    depot_floor: float = prior(0.25, "1", "own choice: least expected share, over the indicator's prior share")
    dropout_above_s: float = prior(0.1, "s", "own choice: longer than the shortest lockup, so that it could hide one")
    response_air_s: float = prior(0.45, "s", "FMVSS 121 S5.3.3 trucks and buses (verified); outer scale without peers")
    response_other_s: float = prior(0.3, "s", "own choice: hydraulic and electromechanical, without peers")
    explained_most: float = prior(
        8, "1", "own choice: standard errors; a false signal or hot brakes take off some braking, not most of it"
    )
    urgent_probability: float = prior(0.9, "1", "own choice: strong evidence")
    urgent_deviation: float = prior(5, "1", "own choice: standard errors of strong evidence")
    urgent_hits: float = prior(2, "1", "own choice: a single event never stops a vehicle")
    this_week_from: float = prior(0.5, "1", "own choice: probability times weight; more likely than not")
    next_service_from: float = prior(0.25, "1", "own choice")
    watch_from: float = prior(0.1, "1", "own choice: clearly above every base rate")


@dataclass(frozen=True)
class IndicatorPrior:
    """One indicator. ``sigma`` (event noise) and ``tau`` (between sound vehicles) are in the observation's unit."""

    indicator: str
    measure: str  # what is measured, where an indicator has several
    kind: str  # level or share
    per_wheel: bool
    worse_sign: int  # +1: greater is worse
    unit: str
    base_rate: float  # of a vehicle, before evidence
    weight: float  # how much a find of this kind matters, 0 to 1
    urgent: bool  # may stop a vehicle before its next trip
    least_events: int
    least_trips: int
    against_past: bool
    sigma: float | None  # level
    tau: float | None
    defect_shift: float | None
    defect_spread: float | None
    share: float | None  # share
    concentration: float | None
    defect_lift: float | None
    defect_concentration: float | None
    reason: str


def _level(
    code: str,
    measure: str,
    sign: int,
    unit: str,
    base: float,
    weight: float,
    urgent: bool,
    sigma: float,
    tau: float,
    reason: str,
    *,
    per_wheel: bool = False,
    against_past: bool = False,
) -> IndicatorPrior:
    return IndicatorPrior(
        code, measure, "level", per_wheel, sign, unit, base, weight, urgent, 5, 4, against_past,
        sigma, tau, 4.0, 1.5, None, None, None, None, reason,
    )  # fmt: skip


def _share(
    code: str,
    measure: str,
    base: float,
    weight: float,
    urgent: bool,
    least: int,
    share: float,
    concentration: float,
    lift: float,
    reason: str,
    *,
    per_wheel: bool,
) -> IndicatorPrior:
    return IndicatorPrior(
        code, measure, "share", per_wheel, 1, "share of events", base, weight, urgent, least, 2, False,
        None, None, None, None, share, concentration, lift, 3.0, reason,
    )  # fmt: skip


#: Base rates are own choices of the size a workshop would call plausible (no public figure by indicator was found).
INDICATOR_PRIORS = (
    _level(
        "low_brake_effectiveness", "own", -1, "m/s2 per unit of demand", 0.02, 1.0, True, 0.15, 0.06,
        "natural logarithm; sound vehicles of a category differ by 6 % (own choice), 22 % less is about 4 s.e.",
        against_past=True,
    ),
    _level(
        "low_brake_effectiveness", "combination", -1, "m/s2 per unit of demand", 0.02, 1.0, True, 0.20, 0.12,
        "natural logarithm; as above, wider: the trailer's load share and coupling forces differ too (own choice)",
        against_past=True,
    ),
    _level(
        "side_imbalance", "slip", 1, "share of the greater side's slip", 0.04, 1.0, True, 0.25, 0.08,
        "30 % imbalance is a major defect (MOT 1.2.2, verified): about 4 standard errors",
        per_wheel=True,
    ),
    _level(
        "side_imbalance", "yaw", 1, "rad/s for each m/s2", 0.04, 1.0, True, 0.005, 0.0012,
        "30 % less on one front brake turns a bus by 0.003, a car by 0.01 (computed, 0.25 s of turning); own choice",
        per_wheel=True,
    ),
    _level(
        "side_imbalance", "steering", 1, "rad for each m/s2", 0.04, 1.0, True, 0.03, 0.01,
        "own choice: a steering wheel held off by some degrees at everyday braking; roads slope to the side",
        per_wheel=True,
    ),
    _level(
        "brake_drag", "slip", 1, "slip", 0.02, 0.8, False, 0.001, 0.00025,
        "no published limit (MOT 1.2.1(f) names none, verified); a braking force of 1 % of the wheel's load is about "
        "0.0004 slip at a slip stiffness of 25 loads (common practice, no source)",
        per_wheel=True,
    ),
    _level(
        "brake_drag", "free", 1, "slip", 0.02, 0.8, False, 0.002, 0.004,
        "as slip, against the own past only: a new tyre beside a worn one makes up to 0.015 (own choice)",
        per_wheel=True, against_past=True,
    ),
    _level(
        "brake_drag", "coasting", 1, "m/s2", 0.02, 0.8, False, 0.08, 0.05,
        "own choice: gears differ by some 0.1 m/s2; one wheel of four that drags with 5 % of its load makes 0.12",
    ),
    _level(
        "brake_drag", "release", 1, "s", 0.02, 0.8, False, 0.15, 0.08,
        "trailers are allowed 0.45 to 0.65 s more than trucks (FMVSS 121 S5.3.4, verified); own choice",
    ),
    _level(
        "slow_response", "build_up", 1, "s", 0.02, 0.8, False, 0.15, 0.04,
        "trailers are allowed 0.05 to 0.15 s more than trucks (FMVSS 121 S5.3.3, verified): up to 2 s.e.",
    ),
    _level(
        "slow_response", "pressure_rise", 1, "s", 0.02, 0.8, False, 0.2, 0.08,
        "feet differ too; the drivers that a vehicle shares with others take part of that out (own choice)",
    ),
    _level(
        "brake_fade", "within", -1, "relative change against the peers'", 0.01, 0.7, False, 0.03, 0.012,
        "hot brakes keep at least 60 % of cold (FMVSS 135 S7.14.4, verified); sound ones differ by 1 % (own choice)",
    ),
    _level(
        "brake_fade", "series", -1, "relative change for each 100 K", 0.01, 0.7, False, 0.15, 0.05,
        "as within, over a series; 60 % left after some 300 K of snubs (FMVSS 135, verified) are 13 % each 100 K",
    ),
    _share(
        "lockup_without_modulation", "control", 0.02, 1.0, True, 2, 0.005, 200.0, 0.4,
        "control must not let directly controlled wheels lock but briefly (R13 Annex 13, from memory), at any demand; "
        "own choice",
        per_wheel=True,
    ),
    _share(
        "lockup_without_modulation", "axle_order", 0.02, 1.0, True, 2, 0.1, 5.0, 0.6,
        "no control: the front axle must lock no later than the rear (FMVSS 135 S7.2, verified), laden or empty; "
        "in use it differs by design: expected from the category's other vehicles; own choice of size",
        per_wheel=False,
    ),
    _share(
        "modulation_on_light_braking", "control", 0.01, 0.6, False, 5, 0.02, 20.0, 0.4,
        "control on light braking with grip is a fault or a bump; expected from depot neighbours, else 2 %; own choice",
        per_wheel=False,
    ),
    _share(
        "modulation_on_light_braking", "tone_ring", 0.01, 0.6, False, 5, 0.005, 40.0, 0.3,
        "a sound ring never pulses with the wheel's turning; a worn tyre or a bump may look so once (own choice)",
        per_wheel=True,
    ),
    _share(
        "wheel_speed_dropout", "braking", 0.03, 0.5, False, 5, 0.02, 20.0, 0.3,
        "loggers drop samples too; a loose sensor does it in a good part of the events; own choice",
        per_wheel=True,
    ),
    _share(
        "wheel_speed_dropout", "between", 0.03, 0.5, False, 5, 0.02, 20.0, 0.3,
        "as while braking, in the time the wheel rolls unbraked; own choice",
        per_wheel=True,
    ),
)  # fmt: skip

#: Place in the ranking: the order of the published priorities.
PRIORITY_ORDER = {name: place for place, name in enumerate(PRIORITIES, start=1)}

#: Which finding (first) explains which (second) of the same vehicle (own choice: how the parts work together).
EXPLAINS = (
    ("modulation_on_light_braking", "low_brake_effectiveness"),
    ("modulation_on_light_braking", "slow_response"),
    ("modulation_on_light_braking", "brake_fade"),
    ("brake_fade", "low_brake_effectiveness"),
)

_ALL_INDICATORS = tuple(dict.fromkeys(p.indicator for p in INDICATOR_PRIORS))
_BRAKE_WORK = tuple(name for name in _ALL_INDICATORS if name != "wheel_speed_dropout")

#: Which indicators a repair starts anew (own choice: what the work can change).
REPAIR_SCOPE: dict[str, tuple[str, ...]] = {
    "lining": _BRAKE_WORK,
    "disc_or_drum": _BRAKE_WORK,
    "caliper_or_actuator": _BRAKE_WORK,
    "adjustment": _BRAKE_WORK,
    "sensor": ("wheel_speed_dropout", "modulation_on_light_braking", "lockup_without_modulation"),
    "tyre": ("side_imbalance", "brake_drag", "modulation_on_light_braking"),
    "other": _ALL_INDICATORS,
}

DEFAULT = Priors()


def rows() -> list[tuple[str, float, str, str]]:
    """Name, value, unit and source of every shared prior, for documentation and reports."""
    return [(f.name, getattr(DEFAULT, f.name), f.metadata["unit"], f.metadata["source"]) for f in fields(Priors)]

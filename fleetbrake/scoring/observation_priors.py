"""Numbers from outside that say what an event shows of a vehicle; part of :class:`scoring.priors.Priors`."""

from dataclasses import dataclass, field

from fleetbrake.core.criteria import DEFAULT as CRITERIA

_AS_CRITERIA = "as core.criteria has it, with its source"


def prior(value: float, unit: str, source: str) -> float:
    """One prior as a dataclass field; unit and source travel in the field's metadata."""
    return field(default=value, metadata={"unit": unit, "source": source})  # type: ignore[no-any-return]


def _half_rho(area_m2: float) -> float:
    return 0.5 * CRITERIA.air_density_kgpm3 * area_m2


@dataclass(frozen=True)
class ObservationPriors:
    """What the models in ``sql/staging`` and ``obs_*.sql`` compare with; status words as in ``core.criteria``."""

    # --- effectiveness
    light_most_kg: float = prior(
        3500.0, "kg", "N1 and M1 end here (UNECE categories, from memory): above it load weighs"
    )
    effect_least_mps2: float = prior(
        1.0, "m/s2", "own choice: a slope of 2 % that nobody recorded is then no more than a fifth of it"
    )
    slope_events: float = prior(8, "1", "own choice: applications whose middle is the accelerometer's zero")
    slope_most: float = prior(0.15, "1", "own choice: rise over run; steeper is no road for a fleet")
    demand_slope_events: float = prior(
        100, "1", "own choice: applications observed one way from which its slope is told"
    )
    demand_slope_clip: float = prior(
        0.5, "1", "own choice: ln; farther off the middle is a fault or a slip of the mass"
    )
    pairing_weight: float = prior(
        2, "1", "own choice: no fault of the other unit counts as this many units that show it"
    )

    # --- pulling to a side
    pull_least_mps2: float = prior(1.0, "m/s2", "own choice: a tenth of g; gentler braking turns no vehicle")

    # --- drag and response of the whole vehicle
    rolling_light: float = prior(CRITERIA.rolling_light, "1", _AS_CRITERIA)
    rolling_heavy: float = prior(CRITERIA.rolling_heavy, "1", _AS_CRITERIA)
    air_drag_m1: float = prior(_half_rho(CRITERIA.drag_area_m1), "kg/m", _AS_CRITERIA)
    air_drag_n1: float = prior(_half_rho(CRITERIA.drag_area_n1), "kg/m", _AS_CRITERIA)
    air_drag_m2_n2: float = prior(_half_rho(CRITERIA.drag_area_m2_n2), "kg/m", _AS_CRITERIA)
    air_drag_m3: float = prior(_half_rho(CRITERIA.drag_area_m3), "kg/m", _AS_CRITERIA)
    air_drag_n3: float = prior(_half_rho(CRITERIA.drag_area_n3), "kg/m", _AS_CRITERIA)
    free_step: float = prior(
        0.003, "1", "own choice: slip; a drag of some 7 % of the wheel's load, or 1 mm of the radius of a car's wheel"
    )
    free_recent_days: float = prior(14, "d", "own choice: two weeks in which a drag that began shows in the middle")
    release_air_s: float = prior(0.55, "s", "FMVSS 121 S5.3.4 trucks and buses (verified); outer scale without peers")
    release_other_s: float = prior(0.35, "s", "own choice: hydraulic and electromechanical, without peers")
    foot_usual_s: float = prior(0.5, "s", "own choice: a foot's way to 75 % of an everyday demand")
    foot_longest_s: float = prior(2.0, "s", "own choice: a slower foot hides the brakes' own time altogether")

    # --- wheel-speed signals between applications
    between_least_s: float = prior(1.0, "s", "own choice: rolling time in which a loose sensor may show")
    between_share: float = prior(0.01, "1", "own choice: of a long drive; a single lost row in minutes is the logger's")

    free_slip_most: float = prior(
        0.03, "1", "own choice: a brake that holds so much of the grip without a foot smokes; more is the sensor"
    )

    # --- places
    place_m: float = prior(100.0, "m", "own choice: several times what satellite positions scatter, less than a block")
    place_vehicles: float = prior(3, "1", "own choice: control of three vehicles at one place is the road there")
    place_share: float = prior(
        0.2, "1", "own choice: of the vehicles that braked there; at a depot's gate three faulty ones are few of many"
    )

    # --- vehicles without anti-lock control
    axle_order_above_mps: float = prior(
        15.0 / 3.6, "m/s", "15 km/h: only lockups above count, FMVSS 135 S7.2 (verified)"
    )
    axle_order_within_s: float = prior(0.1, "s", "locks within it are simultaneous, FMVSS 135 S7.2 (verified)")

    # --- brake tests
    test_imbalance: float = prior(0.30, "1", "major where a wheel gives under 70 % of the other, MOT 1.2.2 (verified)")
    test_imbalance_dangerous: float = prior(
        0.50, "1", "dangerous on a steered axle under 50 %, MOT 1.2.2 (verified); the front axle is taken for steered"
    )
    test_least_force_n: float = prior(392.0, "N", "no imbalance where the higher is 40 kgf or less, MOT (verified)")
    test_z_m1: float = prior(0.58, "1", "M1 first used from 1 September 2010, MOT (verified)")
    test_z_m1_older: float = prior(0.50, "1", "earlier M1, MOT (verified); also where the year is not known")
    test_z_n1_m2_m3: float = prior(0.50, "1", "N1, M2, M3, MOT (verified)")
    test_z_n2_n3: float = prior(
        0.435, "1", "force over gross weight of trucks over 10 000 lb, 49 CFR 393.52 (verified); also category unknown"
    )
    test_z_trailer: float = prior(0.40, "1", "lowest for trailers in 2014/45/EU Annex I (from memory)")
    test_dangerous_share: float = prior(0.5, "1", "under half of the required efficiency is dangerous, MOT (verified)")
    test_part_share: float = prior(
        0.5, "1", "own choice: a sound axle alone may brake less than the whole has to, but not less than half of it"
    )
    test_drag: float = prior(
        0.05,
        "1",
        "own choice: of the wheel's load, five times rolling resistance; MOT 1.2.1(f) names no number (verified)",
    )

    # --- after new linings
    running_in_km: float = prior(300.0, "km", "common practice, no source: new linings bed in over some hundred km")
    running_in_days: float = prior(7, "d", "own choice: without trips; a working week of a vehicle is 300 km and more")

    # --- heat (series of applications)
    brake_iron_kg_per_t: float = prior(
        20.0, "kg/t", "four discs of 7.5 kg on a car of 1 500 kg (standards sheet section 9, computed example)"
    )
    iron_heat_kj_per_kg_k: float = prior(
        0.5,
        "kJ/(kg K)",
        "cast iron: 0.544 in the published example (verified), 0.419 to 0.500 in textbooks (from memory)",
    )
    heat_share: float = prior(0.9, "1", "own choice: the rest goes into the linings and the air at once")
    cooling_s: float = prior(
        600.0,
        "s",
        "own choice: time in which a brake at road speed loses 63 % of its heat; fade tests stack snubs 45 to 72 s "
        "apart (FMVSS 135, 121, verified), so it is long against a minute and short against an hour",
    )
    cooling_cut: float = prior(
        10.0, "1", "own choice: time constants after which 1 / 22 000 is left (computed): nothing"
    )
    fade_band_kj_per_t: float = prior(
        40.0, "kJ/t", "own choice: applications with about as much heat; finer leaves too few vehicles in each"
    )
    fade_some_kj_per_t: float = prior(
        40.0, "kJ/t", "own choice: 32 km/h to standstill (computed from v^2/2); less heat changes no friction"
    )
    hot_k: float = prior(50.0, "K", "own choice: above the surroundings; from here an application counts as a hot one")
    cold_k: float = prior(15.0, "K", "own choice: up to here it counts as a cold one, to compare with")

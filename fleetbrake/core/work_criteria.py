"""Thresholds of brake work and of what the rules for new vehicles allow; part of :class:`core.criteria.Criteria`."""

from dataclasses import dataclass, field


def criterion(value: float, unit: str, source: str) -> float:
    """One threshold as a dataclass field; unit and source travel in the field's metadata."""
    return field(default=value, metadata={"unit": unit, "source": source})  # type: ignore[no-any-return]


@dataclass(frozen=True)
class WorkCriteria:
    """Thresholds with unit and source, SI; the status words are those of ``core.criteria``."""

    # --- brake work
    endurance_on_pct: float = criterion(2.0, "%", "own choice: two steps of the 1 %/bit of SPN 520 (verified)")
    regen_on_kw: float = criterion(0.5, "kW", "own choice: 0.02 m/s2 of a 2 t car at 10 m/s")
    foot_off_pct: float = criterion(1.0, "%", "own choice: as for the brake pedal")
    coast_s: float = criterion(
        1.0, "s", "own choice: 0.03 m/s speed noise then leaves 0.04 m/s2, a third of rolling resistance"
    )
    coast_clear_s: float = criterion(
        0.3, "s", "own choice: half of the widest window of the deceleration, 0.4 s, and the foot's first movement"
    )
    rolling_light: float = criterion(
        0.012, "1", "car tyres on asphalt 0.010 to 0.015: engineeringtoolbox.com, verified (secondary)"
    )
    rolling_heavy: float = criterion(
        0.008, "1", "truck tyres on asphalt 0.006 to 0.010: engineeringtoolbox.com, verified (secondary)"
    )
    air_density_kgpm3: float = criterion(1.2, "kg/m3", "dry air at 20 C and 1013 hPa: 1.204 (from memory)")
    drag_area_m1: float = criterion(
        0.7, "m2", "car 0.22 to 0.4 (civilengineeringhandbook.tk, verified (secondary)) times 2.2 m2 (own choice)"
    )
    drag_area_n1: float = criterion(
        1.8, "m2", "light van 0.35 to 0.5 (civilengineeringhandbook.tk, verified (secondary)) times 4.2 m2 (own choice)"
    )
    drag_area_m2_n2: float = criterion(4.0, "m2", "own choice: between a van and a bus or truck, 0.6 times 6.5 m2")
    drag_area_m3: float = criterion(
        4.8, "m2", "bus 0.4 to 0.8 (civilengineeringhandbook.tk, verified (secondary)) times 8 m2 (own choice)"
    )
    drag_area_n3: float = criterion(
        6.3,
        "m2",
        "articulated truck 0.55 to 0.8 (civilengineeringhandbook.tk, verified (secondary)) times 9.3 m2 (own choice)",
    )

    mass_error_share: float = criterion(0.03, "1", "own choice: mass told by axle load sensors or the driveline")
    drag_error_share: float = criterion(
        0.3, "1", "own choice: half the width of the published ranges of rolling and drag coefficients"
    )
    endurance_error_share: float = criterion(
        0.15, "1", "own choice: losses between battery and wheels, and the calibration of a retarder"
    )
    grade_unknown: float = criterion(0.02, "1", "own choice: scatter of the grade of roads where none was recorded")

    # --- pulling to a side
    pull_bend_mps2: float = criterion(
        0.5, "m/s2", "own choice: sideways, a bend of 800 m at 20 m/s; less is lane keeping and the road's crown"
    )
    pull_most_mps2: float = criterion(
        2.0,
        "m/s2",
        "own choice: sideways under braking; a driver holds a vehicle that brakes unevenly to less than this",
    )

    # --- what the rules for new vehicles allow a wheel to be locked
    allowed_light_s: float = criterion(0.1, "s", "FMVSS 135: no lockup longer above 15 km/h (verified)")
    allowed_heavy_s: float = criterion(1.0, "s", "FMVSS 121 S5.3.1 (c), FMVSS 105 S6.10.2: each lockup (verified)")
    allowed_15_kmh_mps: float = criterion(15.0 / 3.6, "m/s", "15 km/h: FMVSS 135 (verified), UN R13 (from memory)")
    allowed_10_mph_mps: float = criterion(10 * 0.44704, "m/s", "10 mph: FMVSS 105 S6.10.1 (verified)")
    allowed_20_mph_mps: float = criterion(20 * 0.44704, "m/s", "20 mph: FMVSS 121 S5.3.1, 105 S6.10.2 (verified)")
    fmvss_135_most_kg: float = criterion(3500.0, "kg", "FMVSS 105 begins above 3 500 kg (verified), 135 ends there")
    pounds_10000_kg: float = criterion(4536.0, "kg", "10 000 lb, as 49 CFR 393.52 rounds it (verified)")

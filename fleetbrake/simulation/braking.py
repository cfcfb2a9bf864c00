"""How each recorded application came about: road, driver, demand, and the vehicle's faults, as simulator parameters."""

from datetime import date
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from fleetbrake.core.units import G_MPS2
from fleetbrake.simulation import scenario as sc
from fleetbrake.simulation.applications import Applications, VehicleSpec, applications
from fleetbrake.simulation.faults import impose
from fleetbrake.simulation.schedule import Weather
from fleetbrake.simulation.tyre import DRY, GRAVEL, ICE, SNOW, WET

#: Kinds of application; the position is the code.
KINDS: Final = ("ordinary", "hard", "panic", "icy_stop", "gravel", "long", "endurance", "aeb", "hold")
ORDINARY, HARD, PANIC, ICY_STOP, ON_GRAVEL, LONG, ENDURANCE, AEB, HOLD = range(len(KINDS))

SPEED_RANGE: Final = {
    "van": (8.0, 23.0),
    "light truck": (8.0, 20.0),
    "truck": (9.0, 22.0),
    "tractor": (9.0, 22.0),
    "bus": (6.0, 15.0),
}
HARD_SHARE, HARD_SHARE_OF_HARD_DRIVERS, PANIC_SHARE = 0.015, 0.36, 0.01

Codes = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


def kinds(vehicle: sc.Vehicle, events: pd.DataFrame, rng: np.random.Generator) -> Codes:
    """Kind code of every event ``(E,)``."""
    n, name = len(events), vehicle.vehicle_id
    draw, again = rng.random(n), rng.random(n)
    hard = np.where(events["driver_id"].isin(sc.HARD_DRIVERS), HARD_SHARE_OF_HARD_DRIVERS, HARD_SHARE)
    hard = hard * sc.DEPOTS[vehicle.depot].hard_factor * (sc.STEEP_FACTOR if name == sc.STEEP_ROUND else 1.0)
    kind = np.where(draw < hard, HARD, ORDINARY)
    kind = np.where(draw > 1.0 - PANIC_SHARE, PANIC, kind)
    kind = np.where((kind == ORDINARY) & (again > (0.55 if name == "TW-T05" else 0.93)), LONG, kind)
    day = events["day"].to_numpy()
    if vehicle.depot == sc.ICY_DEPOT and name != sc.SPARE_BUS:
        kind = np.where(np.isin(day, list(sc.ICY_DAYS)) & (again < 0.2), ICY_STOP, kind)
    if name in sc.GRAVEL_TRUCKS:
        kind = np.where(again < 0.6, ON_GRAVEL, kind)
    if name in (sc.ELECTRIC_VAN, sc.ARTICULATED):
        kind = np.where(again < 0.4, ENDURANCE, kind)
    if name == sc.ELECTRIC_VAN:
        kind = np.where((again > 0.45) & (again < 0.6), HOLD, kind)
        if n > 5:
            kind[n // 2] = AEB
    fault = sc.fault_of(name)
    if fault is not None and fault.indicator == "lockup_without_modulation":
        kind = np.where(again < 0.3, PANIC, kind)  # a busy round: the lock shows only when the friction is used up
    return np.asarray(kind, dtype=np.int64)


def _target(kind: Codes, surface: Codes, light: bool, rng: np.random.Generator) -> Floats:
    """Deceleration that the driver wants, m/s2 ``(E,)``."""
    n = len(kind)
    threshold = 4.0 if light else 3.0
    want = np.clip(rng.lognormal(np.log(1.7), 0.28, n), 0.7, 0.8 * threshold)
    want = np.where(kind == HARD, threshold * rng.uniform(1.1, 1.6, n), want)
    want = np.where(np.isin(kind, (PANIC, AEB)), 12.0, want)
    want = np.where(kind == ICY_STOP, rng.uniform(1.6, 2.4, n), want)
    on_gravel = np.where(rng.random(n) < 0.3, 4.8, rng.uniform(1.2, 2.5, n))  # three in ten: to the locked wheel
    want = np.where(kind == ON_GRAVEL, on_gravel, want)
    want = np.where(np.isin(kind, (LONG, ENDURANCE)), rng.uniform(1.0, 1.6, n), want)
    return np.asarray(np.where(surface == SNOW, rng.uniform(1.3, 2.6, n), want))


def full_deceleration(apps: Applications, spec: VehicleSpec) -> Floats:
    """Deceleration of the sound vehicle (with trailer) at full pressure if the road gave it, m/s2 ``(E,)``."""
    force = spec.full_braking_rate * G_MPS2 * spec.max_mass_kg
    sound_trailer = TRAILER_GAIN * apps["full_pressure_kpa"] * (apps["trailer_mass_kg"] > 0.0)
    return np.asarray((force + sound_trailer) / (apps["mass_kg"] + apps["trailer_mass_kg"]))


TRAILER_GAIN: Final = sc.TRAILER_BRAKING_RATE * G_MPS2 * sc.TRAILER_MAX_KG / 850.0  # N/kPa


def demands(
    vehicle: sc.Vehicle, events: pd.DataFrame, kind: Codes, days: Weather, rng: np.random.Generator
) -> Applications:
    """Simulator parameters of a vehicle's events, sound vehicle; :func:`apply_fault` comes after."""
    n, spec = len(events), vehicle.spec
    apps = applications(spec, n, load=events["load"].to_numpy())
    _road(apps, vehicle, events, kind, days, rng)
    _scenes(apps, vehicle, events, kind, rng)
    low, high = SPEED_RANGE[spec.name]
    apps["initial_speed_mps"] = rng.uniform(low, high, n)
    slow = (apps["surface_left"] == SNOW) | (kind == ON_GRAVEL)
    apps["initial_speed_mps"][slow] = rng.uniform(6.0, 13.0, slow.sum())
    apps["initial_speed_mps"][kind == ICY_STOP] = rng.uniform(7.0, 10.0, (kind == ICY_STOP).sum())
    apps["initial_speed_mps"][kind == LONG] = high - rng.uniform(0.0, 2.0, (kind == LONG).sum())
    want = _target(kind, apps["surface_left"], spec.category == "N1", rng)
    apps["pedal_pct"] = np.clip(100.0 * want / full_deceleration(apps, spec), 2.0, 100.0)
    quick = np.isin(kind, (HARD, PANIC, AEB))
    apps["ramp_s"] = np.where(quick, rng.uniform(0.15, 0.3, n), rng.uniform(0.4, 1.1, n))
    rolls_on = (rng.random(n) < 0.45) & ~np.isin(kind, (PANIC, AEB, ICY_STOP, LONG))
    rolls_on |= kind == ENDURANCE  # a retarder or recuperation alone does not bring a vehicle to standstill
    apps["release_speed_mps"] = np.where(rolls_on, apps["initial_speed_mps"] * rng.uniform(0.2, 0.6, n), 0.0)
    # nobody stands on the pedal for half a minute on a slope: the foot lifts, as in snub braking
    apps["hold_s"] = rng.uniform(15.0, 24.0, n)
    apps["pump_hz"] = np.where((kind == ORDINARY) & (rng.random(n) < 0.02), 1.1, 0.0)
    hold = kind == HOLD
    apps["initial_speed_mps"][hold], apps["release_speed_mps"][hold] = 0.0, 0.0
    apps["factor"] *= rng.normal(1.0, 0.04, n)[:, None]  # lining friction differs from one application to the next
    return apps


def _road(
    apps: Applications,
    vehicle: sc.Vehicle,
    events: pd.DataFrame,
    kind: Codes,
    days: Weather,
    rng: np.random.Generator,
) -> None:
    n = len(events)
    surface = days.surface[vehicle.depot][events["day"].to_numpy()]
    surface = np.where(kind == ON_GRAVEL, GRAVEL, surface)
    fault = sc.fault_of(vehicle.vehicle_id)
    if fault is not None and fault.indicator == "lockup_without_modulation":
        surface = np.where(kind == PANIC, WET, surface)
    apps["surface_left"] = np.where(kind == ICY_STOP, DRY, surface)
    apps["surface_right"] = np.where(kind == ICY_STOP, ICE, surface)
    apps["grip"] *= np.clip(rng.normal(1.0, 0.04, n), 0.85, 1.15)
    spread = sc.DEPOTS[vehicle.depot].grade_spread
    apps["grade"] = np.where(kind == ICY_STOP, 0.0, np.clip(rng.normal(0.0, spread, n), -0.08, 0.08))
    apps["grade"] = np.where(kind == LONG, rng.uniform(-0.05, -0.02, n), apps["grade"])
    # nobody drives a slope on snow that the tyres cannot hold
    apps["grade"] = np.where(surface == SNOW, np.clip(apps["grade"], -0.03, 0.03), apps["grade"])


def _scenes(
    apps: Applications, vehicle: sc.Vehicle, events: pd.DataFrame, kind: Codes, rng: np.random.Generator
) -> None:
    """Off-road switch on gravel; recuperation; retarder, raised axle and trailer of the articulated vehicle."""
    apps["abs_on"][kind == ON_GRAVEL] = 0
    n = len(events)
    if vehicle.vehicle_id == sc.ELECTRIC_VAN:
        apps["endurance_force_n"] = np.where(np.isin(kind, (AEB, HOLD)), 0.0, rng.uniform(2500.0, 4200.0, n))
        apps["friction_share"] = np.where(kind == ENDURANCE, 0.0, np.where(kind == ORDINARY, 0.5, 1.0))
    if vehicle.vehicle_id == sc.ARTICULATED:
        apps["endurance_force_n"] = np.where(kind == ENDURANCE, 14000.0, np.where(kind == LONG, 7000.0, 0.0))
        apps["friction_share"] = np.where(kind == ENDURANCE, 0.0, 1.0)
        raised = events["load"].to_numpy() < 0.5
        lifted = apps["load_n"][:, 4:6] * raised[:, None]
        apps["load_n"][:, 2:4] += lifted
        apps["load_n"][:, 4:6] -= lifted
        factor = events["trailer_ids"].map(sc.TRAILERS).fillna(0.0).to_numpy(dtype=float)
        load = events["load"].to_numpy()
        apps["trailer_mass_kg"] = np.where(factor > 0.0, 7000.0 + load * (sc.TRAILER_MAX_KG - 7000.0), 0.0)
        apps["trailer_gain_n_per_kpa"] = factor * TRAILER_GAIN


def apply_fault(apps: Applications, fault: sc.Fault, days: npt.NDArray[np.int64]) -> None:
    """Put the fault into the applications of the days (numbered from the scenario's first) on which it is there."""
    age = days - (fault.since - sc.FIRST_DAY).days
    grown = np.clip(age / 28.0, 0.0, 1.0) if fault.indicator == "low_brake_effectiveness" else 1.0
    size = np.where(present(fault, days), fault.size * grown, 0.0)
    impose(apps, fault.indicator, fault.wheel, size, residual_share=0.005)


def present(fault: sc.Fault, days: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Whether the fault is there on the days of that number ``(E,)``."""
    last = np.inf if fault.repaired_on is None else (fault.repaired_on - sc.FIRST_DAY).days
    return np.asarray((days >= (fault.since - sc.FIRST_DAY).days) & (days <= last))


def day_of(number: int) -> date:
    """Date of a day number of the scenario."""
    return date.fromordinal(sc.FIRST_DAY.toordinal() + number)

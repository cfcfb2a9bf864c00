"""Registers of the proving fleet: what a fleet office would hand over. Of the hidden faults they tell only repairs."""

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from fleetbrake.core.units import G_MPS2
from fleetbrake.core.vocabulary import WHEELS
from fleetbrake.simulation.applications import wheel_gain
from fleetbrake.simulation.proving.faults import Fault
from fleetbrake.simulation.proving.setting import FIRST_DAY, STREAMS, Rng, Setting, Unit, day_of
from fleetbrake.simulation.scenario import TRAILER_MAX_KG

#: Work that puts a fault right.
WORK: Final = {
    "low_brake_effectiveness": "lining",
    "side_imbalance": "caliper_or_actuator",
    "brake_drag": "caliper_or_actuator",
    "slow_response": "caliper_or_actuator",
    "brake_fade": "disc_or_drum",
    "lockup_without_modulation": "sensor",
    "modulation_on_light_braking": "sensor",
    "wheel_speed_dropout": "sensor",
}
CHECKED_SHARE: Final = 0.08  # of the sound vehicles: inspected by chance within the period, nothing found
PAST_FINDING_SHARE: Final = 0.10  # of the vehicles: something was found, and repaired, before the period
ROLLER_SHARE: Final = 0.15  # of the vehicles: a roller test on file, before the period
BAY_HOURS: Final = 10.0


def write_registers(folder: Path, setting: Setting, trips: pd.DataFrame, faults: dict[str, list[Fault]]) -> None:
    """Write all registers as CSV (UTF-8, empty cells are NULL, times in UTC)."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([setting.seed, STREAMS["registers"]])
    visits = _visits(setting, faults, rng)
    for name, table in {
        "vehicles": _vehicles(setting, visits, rng),
        "drivers": pd.DataFrame(
            [(d.driver_id, setting.depots[d.depot].profile.name) for d in setting.drivers],
            columns=["driver_id", "depot"],
        ),
        "trips": _trips(trips),
        "inspections": visits,
        "repairs": _repairs(visits),
        "brake_tests": _brake_tests(setting, rng),
        "capacity": _capacity(setting),
    }.items():
        table.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")


def _trips(trips: pd.DataFrame) -> pd.DataFrame:
    kept = trips[
        [
            "trip_id",
            "vehicle_id",
            "driver_id",
            "started_at",
            "ended_at",
            "distance_km",
            "brake_applications",
            "trailer_ids",
        ]
    ].copy()
    for name in ("started_at", "ended_at"):
        kept[name] = kept[name].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    return kept


def _visit(vehicle_id: str, day: date, fault: Fault | None) -> dict[str, Any]:
    found = {"wheel": fault.wheel, "finding": fault.indicator, "severity": 2} if fault else {}
    return {"vehicle_id": vehicle_id, "inspected_on": day, "wheel": None, "finding": "none", "severity": 0} | found


def _visits(setting: Setting, faults: dict[str, list[Fault]], rng: Rng) -> pd.DataFrame:
    """One inspection of every unit before the period; within it those that ended a fault, and chance ones."""
    rows: list[dict[str, Any]] = []
    names = [u.vehicle_id for u in setting.units] + [t for there in setting.trailers.values() for t in there]
    for name in names:
        mine = faults.get(name, [])
        past = (
            Fault(name, str(rng.choice(list(WORK))), None, 0, None, 0.0, 0, 0.0, "")
            if rng.random() < PAST_FINDING_SHARE
            else None
        )
        rows.append(_visit(name, FIRST_DAY - timedelta(days=int(rng.integers(20, 290))), past))
        rows += [_visit(name, day_of(f.end), f) for f in mine if f.end is not None]
        if not mine and rng.random() < CHECKED_SHARE:
            rows.append(_visit(name, day_of(int(rng.integers(5, setting.size.days))), None))
    table = pd.DataFrame(rows).sort_values(["inspected_on", "vehicle_id"], ignore_index=True)
    table.insert(0, "inspection_id", [f"I-{i:05d}" for i in range(1, len(table) + 1)])
    return table.assign(note=None)


def _repairs(visits: pd.DataFrame) -> pd.DataFrame:
    """What was found was put right the same day."""
    found = visits[visits["severity"] >= 2]
    return pd.DataFrame(
        {
            "vehicle_id": found["vehicle_id"],
            "repaired_on": found["inspected_on"],
            "wheel": found["wheel"],
            "work": found["finding"].map(WORK),
            "note": None,
        }
    )


def _vehicles(setting: Setting, visits: pd.DataFrame, rng: Rng) -> pd.DataFrame:
    rows = [_motor_vehicle(u, setting, rng) for u in setting.units]
    for depot, there in setting.trailers.items():
        rows += [
            {
                "vehicle_id": trailer,
                "category": "O4",
                "axles": 3,
                "actuation": "air",
                "max_mass_kg": int(TRAILER_MAX_KG),
                "depot": setting.depots[depot].profile.name,
                "in_service_on": date(2019, 5, 1),
                "abs_fitted": True,
                "endurance_brake": "none",
            }
            for trailer in there
        ]
    table = pd.DataFrame(rows)
    table["odometer_km"] = table["odometer_km"].astype("Int64")
    before = visits[visits["inspected_on"] < FIRST_DAY].groupby("vehicle_id")["inspected_on"].max()
    table["last_inspection_on"] = table["vehicle_id"].map(before)
    table["inspection_due_on"] = [day + timedelta(days=365) for day in table["last_inspection_on"]]
    return table


def _motor_vehicle(unit: Unit, setting: Setting, rng: Rng) -> dict[str, Any]:
    return {
        "vehicle_id": unit.vehicle_id,
        "category": unit.spec.category,
        "axles": unit.spec.axles,
        "actuation": unit.spec.actuation,
        "max_mass_kg": int(unit.spec.max_mass_kg),
        "depot": setting.depots[unit.depot].profile.name,
        "in_service_on": date(int(rng.integers(2015, 2025)), int(rng.integers(1, 13)), 1),
        "odometer_km": int(rng.integers(30, 480)) * 1000,
        "abs_fitted": unit.control,
        "abs_cutoff_speed_mps": 4.0,
        "brake_control": "ebs" if unit.ebs else "conventional" if unit.control else "load_sensing",
        "endurance_brake": unit.endurance,
        "sensed_wheels": "+".join(WHEELS[: 2 * unit.spec.axles]),
        "twin_tyres": None if unit.spec.category == "N1" else "2",
    }


def _brake_tests(setting: Setting, rng: Rng) -> pd.DataFrame:
    """Roller tests before the period, when everything was sound: force at the rollers' limit of 70 % of the load."""
    rows = []
    for unit in setting.units:
        if rng.random() >= ROLLER_SHARE:
            continue
        day = FIRST_DAY - timedelta(days=int(rng.integers(10, 200)))
        gain = wheel_gain(unit.spec) * unit.spec.full_pressure_kpa / unit.spec.radius_m
        for w in range(2 * unit.spec.axles):
            load = unit.spec.laden_kg[w // 2]
            force = min(float(gain[w] * unit.level * unit.wheel_levels[w]), 0.7 * 0.5 * load * G_MPS2)
            rows.append((unit.vehicle_id, day, "roller", WHEELS[w], load, round(force, -1), False, 0.0))
    columns = ["vehicle_id", "tested_on", "method", "wheel", "axle_load_kg", "max_force_n", "locked", "residual_drag_n"]
    return pd.DataFrame(rows, columns=columns)


def _capacity(setting: Setting) -> pd.DataFrame:
    weekdays: Sequence[str] = ("monday", "tuesday", "wednesday", "thursday", "friday")
    rows = [(depot.profile.name, None, day, BAY_HOURS) for depot in setting.depots for day in weekdays]
    return pd.DataFrame(rows, columns=["depot", "date", "weekday", "bay_hours"])

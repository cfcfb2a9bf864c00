"""The registers of the invented fleet: what a fleet office would hand over as CSV."""

from datetime import date, timedelta
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from fleetbrake.simulation import scenario as sc

_REGISTER_STREAM: Final = 900_002

#: Findings of past inspections: vehicle, days before the scenario, wheel, finding, severity, note.
PAST_FINDINGS: Final = (
    ("VH-V01", 61, "1R", "side_imbalance", 2, "guide pins seized"),
    ("VH-V08", 40, "2R", "brake_drag", 1, "handbrake cable tight"),
    ("VH-V12", 118, None, "low_brake_effectiveness", 2, "linings at their limit"),
    ("KR-V03", 75, "1L", "wheel_speed_dropout", 1, "connector corroded"),
    ("KR-T05", 96, None, "slow_response", 2, "leaking brake chamber"),
    ("OM-B02", 52, "2L", "side_imbalance", 2, "slack adjuster out of range"),
    ("OM-B09", 130, "1L", "modulation_on_light_braking", 1, "tone ring dirty"),
    ("TW-T01", 84, "2L", "lockup_without_modulation", 2, "sensor pushed out of its seat"),
    ("TW-T05", 88, None, "brake_fade", 1, "drums glazed"),
    ("TW-T08", 33, None, "other", 1, "hose chafed"),
)
_QUARTER_DAYS: Final = 91
_SCENARIO_END: Final = sc.FIRST_DAY + timedelta(days=55)
_WEEKDAYS: Final = ("monday", "tuesday", "wednesday", "thursday", "friday")
_WORK: Final = {
    "side_imbalance": "caliper_or_actuator",
    "low_brake_effectiveness": "lining",
    "slow_response": "caliper_or_actuator",
    "lockup_without_modulation": "sensor",
    "modulation_on_light_braking": "sensor",
    "brake_drag": "caliper_or_actuator",
    "brake_fade": "lining",
}
#: What the inspector wrote about a fault that was there.
_NOTES: Final = {
    "side_imbalance": "piston stiff, pads worn unevenly",
    "brake_drag": "return spring broken",
    "modulation_on_light_braking": "tone ring cracked",
    "brake_fade": "linings glazed",
    "slow_response": "relay valve sluggish",
    "low_brake_effectiveness": "linings oiled",
}


def _dates(rng: np.random.Generator) -> dict[str, date]:
    """Last yearly inspection of every vehicle; the due date is a year later. Those within the scenario are besides."""
    dates = {v.vehicle_id: sc.FIRST_DAY - timedelta(days=int(rng.integers(20, 290))) for v in sc.FLEET}
    dates[sc.OVERDUE] = date(2025, 2, 12)  # due within the scenario and not done
    dates |= {name: sc.FIRST_DAY - timedelta(days=days) for name, days, *_ in PAST_FINDINGS}
    dates |= {trailer: sc.FIRST_DAY - timedelta(days=150) for trailer in sc.TRAILERS}
    return dates


def _year_later(day: date) -> date:
    return day + timedelta(days=365)


def vehicles(rng: np.random.Generator, dates: dict[str, date]) -> pd.DataFrame:
    """Register ``vehicles``, trailers included."""
    rows = []
    for v in sc.FLEET:
        endurance = {sc.ELECTRIC_VAN: "regen", sc.ARTICULATED: "engine+retarder"}
        rows.append(
            {
                "vehicle_id": v.vehicle_id,
                "category": v.spec.category,
                "axles": v.spec.axles,
                "actuation": v.spec.actuation,
                "max_mass_kg": int(v.spec.max_mass_kg),
                "depot": sc.DEPOTS[v.depot].name,
                "in_service_on": date(int(rng.integers(2015, 2025)), int(rng.integers(1, 13)), 1),
                "odometer_km": int(rng.integers(30, 480)) * 1000,
                "abs_fitted": True,
                "abs_cutoff_speed_mps": 4.0,
                "brake_control": "conventional",
                "endurance_brake": endurance.get(v.vehicle_id, "none"),
                "sensed_wheels": "+".join(f"{a}{s}" for a in range(1, v.spec.axles + 1) for s in "LR"),
                "lift_axles": "3" if v.vehicle_id == sc.ARTICULATED else None,
                "twin_tyres": None if v.spec.category == "N1" else "2",
            }
        )
    rows += [
        {
            "vehicle_id": trailer,
            "category": "O4",
            "axles": 3,
            "actuation": "air",
            "max_mass_kg": int(sc.TRAILER_MAX_KG),
            "depot": sc.DEPOTS["TW"].name,
            "in_service_on": date(2019, 5, 1),
            "abs_fitted": True,
            "endurance_brake": "none",
        }
        for trailer in sc.TRAILERS
    ]
    table = pd.DataFrame(rows)
    table["odometer_km"] = table["odometer_km"].astype("Int64")
    newest = dates | dict(sc.INSPECTED)
    table.insert(8, "last_inspection_on", [newest[name] for name in table["vehicle_id"]])
    table.insert(9, "inspection_due_on", [_year_later(dates[name]) for name in table["vehicle_id"]])
    return table


def inspections(dates: dict[str, date]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Registers ``inspections`` (one on file for each unit, then those of the recorded weeks) and ``repairs`` (after
    each finding of severity 2).
    """
    found = {name: (wheel, finding, severity, note) for name, _, wheel, finding, severity, note in PAST_FINDINGS}
    rows, repaired = [], []
    for number, (name, day) in enumerate(sorted(dates.items()), start=1):
        wheel, finding, severity, note = found.get(name, (None, "none", 0, None))
        rows.append(
            {
                "inspection_id": f"INSP-{number:04d}",
                "vehicle_id": name,
                "inspected_on": day,
                "wheel": wheel,
                "finding": finding,
                "severity": severity,
                "note": note,
            }
        )
        if severity >= 2:
            done = {"vehicle_id": name, "repaired_on": day + timedelta(days=1), "wheel": wheel}
            repaired.append(done | {"work": _WORK.get(finding, "other"), "note": note})
    later = [_inspected(number, *one) for number, one in enumerate(sc.INSPECTED, start=len(rows) + 1)]
    done_later = [_repaired(fault) for fault in sc.REPAIRED_FAULTS]
    return pd.DataFrame([*rows, *later]), pd.DataFrame([*repaired, *done_later])


def _inspected(number: int, vehicle_id: str, day: date) -> dict[str, object]:
    """Row of an inspection within the recorded weeks: it finds the fault that is there on that day, else nothing."""
    fault = sc.fault_of(vehicle_id)
    there = fault if fault is not None and fault.present_on(day) else None
    return {
        "inspection_id": f"INSP-{number:04d}",
        "vehicle_id": vehicle_id,
        "inspected_on": day,
        "wheel": there.wheel if there else None,
        "finding": there.indicator if there else "none",
        "severity": 2 if there else 0,
        "note": _NOTES[there.indicator] if there else None,
    }


def _repaired(fault: sc.Fault) -> dict[str, object]:
    return {
        "vehicle_id": fault.vehicle_id,
        "repaired_on": fault.repaired_on,
        "wheel": fault.wheel,
        "work": _WORK.get(fault.indicator, "other"),
        "note": _NOTES[fault.indicator],
    }


def capacity() -> pd.DataFrame:
    """Register ``capacity``: hours of each depot by weekday, and one day on which a depot is closed.

    Two depots have no roller tester of their own every day; one says how many vehicles it needs on the road.
    """
    bays = {"VH": 8.0, "KR": 6.0, "OM": 8.0, "TW": 10.0}
    roller = {"VH": (4.0, 4.0, 4.0, 4.0, 4.0), "KR": (0.0, 3.0, 0.0, 3.0, 0.0)}
    inspector = {"OM": 6.0, "TW": 8.0}
    on_road = {"OM": 9}
    rows = [
        {
            "depot": sc.DEPOTS[code].name,
            "date": None,
            "weekday": day,
            "bay_hours": hours,
            "roller_hours": roller[code][place] if code in roller else None,
            "inspector_hours": inspector.get(code),
            "min_on_road": on_road.get(code),
        }
        for code, hours in bays.items()
        for place, day in enumerate(_WEEKDAYS)
    ]
    closed = {"depot": sc.DEPOTS["TW"].name, "date": sc.FIRST_DAY + timedelta(days=59), "bay_hours": 0.0}
    table = pd.DataFrame([*rows, closed])
    return table.astype({"min_on_road": "Int64"})


def due_dates(dates: dict[str, date]) -> pd.DataFrame:
    """Register ``due_dates``: heavy units go to the roller tester every quarter; the next date of each."""
    heavy = [v.vehicle_id for v in sc.FLEET if v.spec.category in ("M3", "N3")] + list(sc.TRAILERS)
    rows = []
    for name in heavy:
        # those that fell into the scenario were done
        quarters = (_SCENARIO_END - dates[name]).days // _QUARTER_DAYS + 1
        rows.append((name, "roller test", dates[name] + timedelta(days=_QUARTER_DAYS * quarters), 0.5))
    return pd.DataFrame(rows, columns=["vehicle_id", "kind", "due_on", "bay_hours"])


def defect_reports() -> pd.DataFrame:
    """Register ``defect_reports``: one open report, on a bus whose brakes are sound, and one that was dealt with."""
    rows = [
        (sc.LAMP_BUS, "2026-01-23T06:12:00Z", "Anti-lock lamp stays lit, brakes feel as always.", 1, None),
        ("VH-V08", "2025-11-24T15:40:00Z", "Rear right wheel warm after the round.", 1, "2025-11-26T10:00:00Z"),
    ]
    return pd.DataFrame(rows, columns=["vehicle_id", "reported_at", "text", "severity", "cleared_at"])


def write_registers(folder: Path, trips: pd.DataFrame, seed: int) -> None:
    """Write all registers as CSV (UTF-8, empty cells are NULL, times in UTC)."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([seed, _REGISTER_STREAM])
    dates = _dates(rng)
    checked, repaired = inspections(dates)
    crew = [(driver, sc.DEPOTS[code].name) for driver, code in sc.drivers().items()]
    kept = trips.drop(columns=["load", "day"])
    for name in ("started_at", "ended_at"):
        kept[name] = kept[name].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    tables = {
        "vehicles": vehicles(rng, dates),
        "drivers": pd.DataFrame(crew, columns=["driver_id", "depot"]),
        "trips": kept,
        "capacity": capacity(),
        "due_dates": due_dates(dates),
        "inspections": checked,
        "repairs": repaired,
        "defect_reports": defect_reports(),
    }
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")

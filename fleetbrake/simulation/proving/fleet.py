"""``write_fleet``: recordings, registers and the truth of a proving fleet on disk."""

import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from fleetbrake.simulation.proving.events import (
    AUTOMATIC,
    HARD,
    HARD_FROM_HEAVY,
    HARD_FROM_LIGHT,
    ON_GRAVEL,
    PANIC,
    POLISHED,
)
from fleetbrake.simulation.proving.faults import Fault, draw_faults
from fleetbrake.simulation.proving.recording import Recorded, write_unit
from fleetbrake.simulation.proving.registers import write_registers
from fleetbrake.simulation.proving.roster import trips_of
from fleetbrake.simulation.proving.setting import Setting, Size, Unit, day_of, setting
from fleetbrake.simulation.proving.showing import recordable
from fleetbrake.simulation.tyre import SNOW

Progress = Callable[[str, int, int], None]

WORKERS: Final = 2
#: Healthy vehicles that must not be sent to the workshop: driven by the harshest fifth (mean rate of the drivers by
#: distance), or a tenth of the recorded applications on snow, gravel or a polished stop.
HARSH_QUANTILE: Final = 0.8
SLIPPERY_SHARE: Final = 0.1


def write_fleet(folder: Path, seed: int, size: Size | None = None, *, progress: Progress | None = None) -> None:
    """Write ``folder/recordings/vehicle_id=<id>/*.parquet``, ``folder/registers/*.csv`` and ``folder/truth.json``.

    The same seed and size give the same bytes. ``progress(vehicle_id, done, total)`` is called after each vehicle.
    """
    fleet = setting(seed, size or Size())
    trips, faults = trips_of(fleet), draw_faults(fleet)
    write_registers(folder / "registers", fleet, trips, faults)
    by_unit = dict(tuple(trips.groupby("unit", sort=False)))

    def one(unit: Unit) -> Recorded:
        own = by_unit.get(unit.number, trips.iloc[:0]).reset_index(drop=True)
        trailers = fleet.trailers.get(unit.depot, {})
        mine = faults.get(unit.vehicle_id, [])
        return write_unit(folder / "recordings", unit, fleet.depots[unit.depot], own, trailers, mine, seed)

    recorded: list[Recorded] = []
    with ThreadPoolExecutor(WORKERS) as pool:
        # the compiled model frees the interpreter lock; each vehicle has random numbers of its own
        for done, (unit, found) in enumerate(zip(fleet.units, pool.map(one, fleet.units), strict=True), start=1):
            recorded.append(found)
            if progress is not None:
                progress(unit.vehicle_id, done, len(fleet.units))
    truth = _truth(fleet, trips, faults, recorded)
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def fleet_truth(folder: Path) -> dict[str, Any]:
    """What is really the matter: the content of a fleet's ``truth.json``."""
    loaded: dict[str, Any] = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    return loaded


def _truth(
    fleet: Setting, trips: pd.DataFrame, faults: dict[str, list[Fault]], recorded: list[Recorded]
) -> dict[str, Any]:
    km = trips["distance_km"] / 1000.0
    mean = float((km * trips["factor"]).sum() / km.sum())
    events = pd.concat([r.events for r in recorded if not r.events.empty], ignore_index=True)
    return {
        "seed": fleet.seed,
        "vehicles": len(fleet.units),
        "days": fleet.size.days,
        "as_of": day_of(fleet.size.days - 1).isoformat(),
        "events": len(events),
        "faults": [
            _fault(fault, found, unit)
            for unit, found in zip(fleet.units, recorded, strict=True)
            for fault in faults.get(unit.vehicle_id, [])
        ],
        "weak_trailers": [t for there in fleet.trailers.values() for t, factor in there.items() if factor < 0.8],
        "harsh_or_slippery": _left_alone(fleet, trips, faults, events),
        "drivers": _drivers(fleet, trips.assign(expected=km * trips["factor"] / mean), mean),
        "mean_factor": mean,
        **_hard_stops_off(fleet, events),
    }


def _fault(fault: Fault, found: Recorded, unit: Unit) -> dict[str, Any]:
    last = found.last_shown.get(fault.indicator)
    return {
        "vehicle_id": fault.vehicle_id,
        "indicator": fault.indicator,
        "wheel": fault.wheel,
        "begin": day_of(fault.begin).isoformat(),
        "end": day_of(fault.end).isoformat() if fault.end is not None else None,
        "size": fault.size,
        "ramp_days": fault.ramp_days,
        "showed": found.showed[fault.indicator],
        "recordable": recordable(unit, fault.indicator),
        "last_shown": day_of(last).isoformat() if last is not None else None,
    }


def _hard_stops_off(fleet: Setting, events: pd.DataFrame) -> dict[str, int]:
    """Where what the model did differs from what the driver was to do: below the threshold, or above it unasked."""
    light = {u.number for u in fleet.units if u.spec.category == "N1"}
    threshold = np.where(events["unit"].isin(light), HARD_FROM_LIGHT, HARD_FROM_HEAVY)
    reached = events["true_peak"] >= threshold
    asked = events["kind"].isin((HARD, PANIC))
    return {
        "hard_stops_not_reached": int((asked & ~reached).sum()),
        "hard_stops_unasked": int((~asked & (events["kind"] != AUTOMATIC) & reached).sum()),
    }


def _left_alone(
    fleet: Setting, trips: pd.DataFrame, faults: dict[str, list[Fault]], events: pd.DataFrame
) -> dict[str, list[str]]:
    """Healthy vehicles with harsh drivers, and on slippery routes."""
    km = trips["distance_km"]
    base = (trips["base"] * km).groupby(trips["vehicle_id"]).sum() / km.groupby(trips["vehicle_id"]).sum()
    harsh = set(base[base >= base.quantile(HARSH_QUANTILE)].index)
    on_snow = events["surface"].eq(SNOW)
    away = events["kind"].isin((ON_GRAVEL, POLISHED))
    slippery_share = (on_snow | away).groupby(events["vehicle_id"]).mean()
    slippery = set(slippery_share[slippery_share >= SLIPPERY_SHARE].index)
    healthy = [u.vehicle_id for u in fleet.units if u.vehicle_id not in faults]
    return {
        "harsh_drivers": [v for v in healthy if v in harsh],
        "slippery_routes": [v for v in healthy if v in slippery],
    }


def _drivers(fleet: Setting, trips: pd.DataFrame, mean: float) -> list[dict[str, Any]]:
    """By driver: the true rate, the true environment and the true count."""
    sums = trips.groupby("driver_id")[["distance_km", "expected", "hard"]].sum()
    incidents = trips["bursts"].map(len).groupby(trips["driver_id"]).sum()
    rows = []
    for driver in fleet.drivers:
        km, expected, hard = sums.loc[driver.driver_id] if driver.driver_id in sums.index else (0.0, 0.0, 0)
        rows.append(
            {
                "driver_id": driver.driver_id,
                "depot": fleet.depots[driver.depot].profile.name,
                # hard stops per 1000 km in the average vehicle on the average road
                "rate_per_1000km": driver.base * mean,
                "distance_km": round(float(km), 1),
                # thousands of km weighted with what vehicle and road asked for: the rate times this is the mean count
                "exposure_1000km": float(expected),
                "hard_stops": int(hard),
                "incidents": int(incidents.get(driver.driver_id, 0)),
            }
        )
    return rows

"""``write_demo``: the invented fleet's recordings and registers on disk, with the truth beside them."""

import json
from collections.abc import Callable, Collection
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Final

import pandas as pd

from fleetbrake.simulation import scenario as sc
from fleetbrake.simulation.recordings import write_vehicle
from fleetbrake.simulation.registers import write_registers
from fleetbrake.simulation.schedule import Weather, roster, weather

Progress = Callable[[str, int, int], None]

WORKERS: Final = 2


def write_demo(
    folder: Path,
    *,
    seed: int = 20260105,
    progress: Progress | None = None,
    weeks: int = sc.WEEKS,
    only: Collection[str] | None = None,
) -> None:
    """Write ``folder/recordings/vehicle_id=<id>/<week>.parquet``, ``folder/registers/*.csv`` and ``folder/truth.json``.

    The same seed gives the same bytes. ``progress(vehicle_id, done, total)`` is called after each vehicle.
    ``weeks`` (1 to 8) and ``only`` (vehicle ids) make a smaller scenario; registers always cover the whole fleet.
    """
    if not 1 <= weeks <= sc.WEEKS:
        raise ValueError(f"weeks must be 1 to {sc.WEEKS}, not {weeks}")
    days, trips = weather(weeks, seed), roster(weeks, seed)
    write_registers(folder / "registers", trips, seed)
    chosen = [v for v in sc.FLEET if only is None or v.vehicle_id in only]
    events = 0
    with ThreadPoolExecutor(WORKERS) as pool:
        # the compiled model frees the interpreter lock; each vehicle has random numbers of its own
        jobs = [pool.submit(_write_one, folder, vehicle, trips, days, seed) for vehicle in chosen]
        for done, (vehicle, job) in enumerate(zip(chosen, jobs, strict=True), start=1):
            events += job.result()
            if progress is not None:
                progress(vehicle.vehicle_id, done, len(chosen))
    text = json.dumps(_truth(seed, weeks, events), indent=1, sort_keys=True)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8")


def _write_one(folder: Path, vehicle: sc.Vehicle, trips: pd.DataFrame, days: Weather, seed: int) -> int:
    own = trips[trips["vehicle_id"] == vehicle.vehicle_id].sort_values("started_at", ignore_index=True)
    return len(write_vehicle(folder / "recordings", vehicle, own, days, seed))


def demo_truth(folder: Path) -> dict[str, Any]:
    """What is really the matter in a demo folder: the content of its ``truth.json``."""
    loaded: dict[str, Any] = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    return loaded


def _told(fault: sc.Fault) -> dict[str, str | None]:
    told = {"vehicle_id": fault.vehicle_id, "indicator": fault.indicator, "wheel": fault.wheel}
    told["since"] = fault.since.isoformat()
    return told if fault.repaired_on is None else told | {"repaired_on": fault.repaired_on.isoformat()}


def _truth(seed: int, weeks: int, events: int) -> dict[str, Any]:
    return {
        "seed": seed,
        "weeks": weeks,
        "events": events,
        "faults": [_told(fault) for fault in sc.FAULTS],
        "repaired_faults": [_told(fault) for fault in sc.REPAIRED_FAULTS],
        "inspected": [{"vehicle_id": name, "inspected_on": day.isoformat()} for name, day in sc.INSPECTED],
        "weak_trailers": [name for name, factor in sc.TRAILERS.items() if factor < 1.0],
        "hard_drivers": list(sc.HARD_DRIVERS),
        "smooth_driver_on_snow": sc.SNOW_DRIVER,
        "part_time_driver": sc.PART_TIME_DRIVER,
        "snow": {"depot": sc.DEPOTS[sc.SNOW_DEPOT].name, "first_day": sc.SNOW_DAYS[0], "last_day": sc.SNOW_DAYS[-1]},
        "icy_stop": {"depot": sc.DEPOTS[sc.ICY_DEPOT].name, "latitude_longitude_deg": list(sc.ICY_STOP), "side": "R"},
        "gravel_vehicles": list(sc.GRAVEL_TRUCKS),
        "lamp_but_sound": sc.LAMP_BUS,
        "hardly_ran": sc.SPARE_BUS,
        "electric_van": sc.ELECTRIC_VAN,
        "articulated": sc.ARTICULATED,
        "inspection_overdue": sc.OVERDUE,
    }

"""Small stores with plausible rows, for the tests of pages and reports. Seeded: the same call gives the same store.

Nothing here is computed by the product: the rows are written as they stand, so that a page can be held against them.
"""

import atexit
import shutil
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache, partial
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import builder_drivers
import builder_plan
import duckdb
import numpy as np
import pandas as pd
from builder_samples import RATE_HZ, WHEELS, write_recording

from fleetbrake.store.database import database_path, rebuilding, replace_table
from fleetbrake.store.publish import sum_up

SEED = 20260117
AS_OF = date(2026, 1, 28)
MONTH = "2026-01"

#: Ids that try to be something else: markup, SQL, a formula, a path, a reversed script, emoji, typesetting.
HOSTILE_IDS = (
    "<script>alert('x')</script>",
    "'; DROP TABLE events; --",
    '=HYPERLINK("http://example.org";"x")',
    "../../etc/passwd",
    "עגלה-שבע \u202eabc",
    "**bold** [x](javascript:alert(1)) :smile: $x^2$ `c` | www.example.org",
    '#set page(fill: red) $ "quoted" \\ #pagebreak()',
    "+1 \t@two\nlines",
)
HOSTILE_DRIVERS = ("-2+3", "@driver <b>x</b>", "שרה-ש", 'O\'Brien "Q"', "*d* :x: $a$", "#d.e")

_REASONS = {
    "low_brake_effectiveness": "Brakes give 24 % less deceleration for the same demand than in autumn",
    "side_imbalance": "Wheel {wheel} slips far less than its partner under the same demand",
    "brake_drag": "Wheel {wheel} keeps dragging after release in most applications",
    "lockup_without_modulation": "Wheel {wheel} locked above the cut-off speed while the control stayed quiet",
    "slow_response": "Braking builds up 0.3 s later after the demand than in like vehicles",
}


@dataclass(frozen=True)
class Ids:
    """The identifiers that a store is filled with."""

    vehicles: tuple[str, ...]
    drivers: tuple[str, ...]
    depots: tuple[str, ...]


PLAIN = Ids(
    tuple(f"BUS-{n:03d}" for n in (11, 14, 17, 23, 42)) + tuple(f"VAN-{n:03d}" for n in (3, 8, 19, 31, 56, 77, 90)),
    tuple(f"D-{n}" for n in (104, 118, 131, 140, 152, 177)),
    ("Harbour", "Millfield"),
)
HOSTILE = Ids(HOSTILE_IDS, HOSTILE_DRIVERS, ("<i>North</i>", "=South"))


def build_store(folder: Path, *, hostile: bool = False, filled: bool = True) -> Path:
    """Write a store into ``folder`` and return it: ``fleet.duckdb`` and, if filled, two recordings with their events.

    ``filled=False`` makes every table and leaves it empty, as after the first publish of nothing. Each kind is made
    once a process; a store is a copy of it whose events know where their recordings are now.
    """
    template = _built(hostile, filled)
    shutil.copytree(template, folder, dirs_exist_ok=True)
    if filled:
        with duckdb.connect(str(database_path(folder)), config={"threads": 1}) as con:
            for table, column in (("events", "source_path"), ("ingest_log", "path")):
                con.execute(f"UPDATE {table} SET {column} = replace({column}, ?, ?)", [str(template), str(folder)])
    return folder


@cache
def _built(hostile: bool, filled: bool) -> Path:
    folder = Path(mkdtemp(prefix="built-store-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    rng = np.random.default_rng(SEED)
    rows: dict[str, pd.DataFrame] = {}
    if filled:
        ids = HOSTILE if hostile else PLAIN
        rows = _tables(ids, folder / "recordings", rng)
    with rebuilding(folder) as con:
        for name, frame in rows.items():
            replace_table(con, name, frame)
        if filled:
            sum_up(con)
            builder_plan.raise_and_publish(con, folder, rows["inspection_plan"], AS_OF)
    return folder


def _tables(ids: Ids, recordings: Path, rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    vehicles = _vehicles(ids)
    events, wheels = _events(ids, vehicles, recordings, rng)
    health = _health(vehicles, events)
    plan = builder_plan.plan(health, AS_OF)
    return {
        "vehicles": vehicles,
        "drivers": pd.DataFrame(
            {"driver_id": ids.drivers, "depot": [ids.depots[i % 2] for i in range(len(ids.drivers))]}
        ),
        "events": events,
        "event_wheels": wheels,
        "vehicle_health": health,
        "indicators": _indicators(health, events),
        "driver_style": builder_drivers.style(ids.drivers, ids.depots, events, AS_OF, rng),
        "driver_coaching": builder_drivers.coaching(ids.drivers, events, AS_OF),
        "exposure_summary": builder_drivers.exposure(ids.depots, AS_OF),
        "inspection_plan": plan,
        "plan_days": builder_plan.plan_days(plan, ids.depots, AS_OF, len(ids.vehicles)),
        "plan_summary": builder_plan.plan_summary(plan, ids.depots, AS_OF),
        "model_quality": _model_quality(),
        "ingest_log": _ingest_log(events, ids),
        "observability": pd.DataFrame(
            {
                "subject": ["lockup", "modulation_hz", "side_imbalance"],
                "channels": ["wheel speeds, vehicle speed", "wheel speeds", "wheel speeds, demand"],
                "least_rate_hz": [8.0, 30.0, 10.0],
                "otherwise_null": ["sensor saturated", "cycles faster than the rate shows", "fewer than five events"],
            }
        ),
        "unknown_ids": pd.DataFrame(
            {
                "kind": ["vehicle", "driver"],
                "id": [ids.vehicles[-1] + "?", ids.drivers[-1] + "?"],
                "events": [3, 1],
                "first_at": [_utc(4), _utc(9)],
                "last_at": [_utc(20), _utc(9)],
            }
        ),
    }


def _utc(day: int, hour: float = 8.0) -> datetime:
    return datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=day - 1, hours=hour)


def _vehicles(ids: Ids) -> pd.DataFrame:
    n = len(ids.vehicles)
    buses = [i * 5 < n * 2 for i in range(n)]
    return pd.DataFrame(
        {
            "vehicle_id": ids.vehicles,
            "category": ["M3" if bus else "N1" for bus in buses],
            "axles": 2,
            "actuation": ["air" if bus else "hydraulic" for bus in buses],
            "max_mass_kg": [18000.0 if bus else 3500.0 for bus in buses],
            "depot": [ids.depots[i % 2] for i in range(n)],
            "in_service_on": date(2021, 5, 1),
            "odometer_km": [120000.0 + 7000 * i for i in range(n)],
            "last_inspection_on": date(2025, 9, 1),
            "inspection_due_on": [AS_OF + timedelta(days=9 * i - 12) for i in range(n)],
        }
    )


def _events(
    ids: Ids, vehicles: pd.DataFrame, recordings: Path, rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Two recordings with three events each (real samples), and 150 events whose recordings are gone."""
    written = [
        write_recording(
            recordings / f"day-{number}.parquet", number, rng, partial(_stop, number, vehicles.iloc[number], ids, rng)
        )
        for number in range(2)
    ]
    others = [_one_event(n, vehicles.iloc[int(rng.integers(len(vehicles) - 1))], ids, rng) for n in range(150)]
    listed = [row for rows in written for row in rows] + others
    events = pd.DataFrame(listed)
    events["modulation_cycles"] = events["modulation_cycles"].astype("Int64")
    wheels = pd.DataFrame([row for event in listed for row in _wheels_of(event, rng)])
    wheels["modulation_cycles"] = wheels["modulation_cycles"].astype("Int64")
    return events, wheels


def _stop(number: int, vehicle: pd.Series, ids: Ids, rng: np.random.Generator, kind: str) -> dict[str, Any]:
    """The row of a stop whose samples are written: its ids and time."""
    k = ("modulated", "locked", "plain").index(kind)
    event = _one_event(9001 + 10 * number + 3 * k, vehicle, ids, rng)
    ours = {"event_id": f"{vehicle['vehicle_id']}/{kind}-{number}", "driver_id": ids.drivers[k]}
    return {**event, **ours, "started_at": _utc(24 + k, 9.0 + number)}


def _one_event(number: int, vehicle: pd.Series, ids: Ids, rng: np.random.Generator) -> dict[str, Any]:
    peak = float(np.clip(rng.gamma(6.0, 0.55), 1.2, 8.6))
    speed = float(rng.uniform(6.0, 24.0))
    threshold = 4.0 if vehicle["category"] == "N1" else 3.0
    blind = number % 11 == 0  # no wheel speeds recorded: no opinion on lockups and modulation
    modulated = not blind and bool(rng.random() < 0.12)
    locked = not blind and bool(rng.random() < 0.05)
    wheel = WHEELS[int(rng.integers(4))]
    return {
        "event_id": f"{vehicle['vehicle_id']}/{number:04d}",
        "vehicle_id": vehicle["vehicle_id"],
        "driver_id": None if number % 13 == 0 else ids.drivers[int(rng.integers(len(ids.drivers)))],
        "started_at": _utc(int(rng.integers(1, 29)), float(rng.uniform(5, 21))),
        "samples": 700,
        "sample_rate_hz": RATE_HZ,
        "wheel_rate_hz": None if blind else RATE_HZ,
        "speed_rate_hz": 10.0,
        "demand_rate_hz": 50.0,
        "brake_source": "driver",
        "initial_speed_mps": speed,
        "final_speed_mps": 0.0,
        "braking_s": speed / peak + 0.4,
        "braking_distance_m": speed**2 / (2 * peak) + 0.4 * speed,
        "peak_decel_mps2": None if number % 29 == 0 else peak,
        "mean_decel_mps2": 0.8 * peak,
        "mfdd_mps2": None if number % 7 == 0 else 0.9 * peak,
        "brake_energy_kj": 0.5 * vehicle["max_mass_kg"] * speed**2 / 1000,
        "hard_stop": None if number % 29 == 0 else peak >= threshold,
        "modulation": None if blind else modulated,
        "modulation_cycles": None if blind else (6 if modulated else 0),
        "modulation_hz": 5.5 if modulated else None,
        "lockup": None if blind else locked,
        "lockup_s": None if blind else (0.6 if locked else 0.0),
        "lockup_above_cutoff": None if blind else locked and number % 2 == 0,
        "emergency_application": peak > 7.0,
        "friction_used": peak / 9.80665,
        "surface": ("dry_paved", "wet_paved", "snow_or_ice", "unknown")[number % 4],
        "wheels_observed": 0 if blind else 4,
        "wheels_modulated": wheel if modulated else None,
        "wheels_locked": wheel if locked else None,
        "speed_source": "gnss",
        "demand_kind": "pressure",
        "demand_peak": 420.0,
        "onset_s": 2.0,
        "end_s": 2.4 + speed / peak,
        "category": vehicle["category"],
        "depot": vehicle["depot"],
        "source_path": "recordings/no-longer-there.parquet",
        "row_start": 0,
        "row_stop": 700,
    }


def _wheels_of(event: dict[str, Any], rng: np.random.Generator) -> list[dict[str, Any]]:
    if not event["wheels_observed"]:
        return []
    locked = (event["wheels_locked"] or "").split("+")
    modulated = (event["wheels_modulated"] or "").split("+")
    rows = []
    for wheel in WHEELS:
        lock, cycles = wheel in locked, (event["modulation_cycles"] if wheel in modulated else 0)
        rows.append(
            {
                "event_id": event["event_id"],
                "vehicle_id": event["vehicle_id"],
                "wheel": wheel,
                "peak_slip": 1.0 if lock else float(0.28 if cycles else rng.uniform(0.02, 0.06)),
                "lockup_s": event["lockup_s"] if lock else 0.0,
                "lockup_longest_s": event["lockup_s"] if lock else 0.0,
                "lockup_onset_s": 2.5 if lock else None,
                "lockup_onset_speed_mps": 15.6 if lock else None,
                "slide_m": 12.6 if lock else 0.0,
                "modulation_cycles": cycles,
                "modulation_hz": event["modulation_hz"] if cycles else None,
                "lockup": lock,
                "peak_slip_is_bound": False,
                "sensed": True,
            }
        )
    return rows


def _health(vehicles: pd.DataFrame, events: pd.DataFrame) -> pd.DataFrame:
    leading = list(_REASONS)
    scores = [22.0, 38.0, 51.0, 63.0, 74.0, 86.0]
    steps = ["before_next_trip", "this_week", "this_week", "next_service", "watch", "no_sign"]
    used = events.groupby("vehicle_id").size()
    rows = []
    for i, vehicle in enumerate(vehicles.to_dict("records")):
        last = i == len(vehicles) - 1
        code = leading[i % len(leading)] if i < 5 else None
        wheel = None if code in (None, "low_brake_effectiveness", "slow_response") else WHEELS[i % 4]
        score = min(scores[min(i, 5)] + max(0, i - 5) * 1.5, 99.0)
        rows.append(
            {
                "vehicle_id": vehicle["vehicle_id"],
                "as_of": AS_OF,
                "rank": i + 1,
                "health_score": None if last else score,
                "score_low": None if last else max(score - 14.0, 0.0),
                "score_high": None if last else min(score + 11.0, 100.0),
                "priority": "too_little_evidence" if last else steps[min(i, 5)],
                "events_used": int(used.get(vehicle["vehicle_id"], 0)),
                "leading_indicator": code,
                "suspect_wheel": wheel,
                "reason": _REASONS[code].format(wheel=wheel) if code else None,
                "depot": vehicle["depot"],
                "category": vehicle["category"],
                "last_event_at": None if last else _utc(27),
                "inspection_due_on": vehicle["inspection_due_on"],
                "open_report": "Pedal feels long in the morning" if i == 1 else None,
            }
        )
    return pd.DataFrame(rows)


def _indicators(health: pd.DataFrame, events: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for i, vehicle in enumerate(health.to_dict("records")[:-1]):
        newest = events[events.vehicle_id == vehicle["vehicle_id"]].sort_values("started_at").event_id.tolist()[-3:]
        evidence = "[" + ", ".join('"' + e.translate(_JSON) + '"' for e in newest[::-1]) + "]"
        for k, code in enumerate(_REASONS):
            whole = code in ("low_brake_effectiveness", "slow_response")
            for w, wheel in enumerate((None,) if whole else WHEELS):
                leads = code == vehicle["leading_indicator"] and wheel == vehicle["suspect_wheel"]
                deviation = 6.0 - 0.8 * i if leads else 0.3 * ((i + k + w) % 5) - 0.6
                rows.append(
                    {
                        "vehicle_id": vehicle["vehicle_id"],
                        "as_of": AS_OF,
                        "indicator": code,
                        "wheel": wheel,
                        "value": 0.014 - 0.001 * deviation,
                        "expected": 0.014,
                        "deviation": deviation,
                        "events_used": vehicle["events_used"],
                        "first_seen_on": date(2026, 1, 9) if leads else None,
                        "unit": "m/s2 per kPa" if whole else "1",
                        "probability": 0.7 if leads else 0.02,
                        "evidence": evidence,
                    }
                )
    return pd.DataFrame(rows)


_JSON = {ord('"'): '\\"', ord("\\"): "\\\\", ord("\t"): "\\t", ord("\n"): "\\n"}


def _model_quality() -> pd.DataFrame:
    """A learned model in use beside the priors, with a calibration curve of three bins each."""
    rows = [("learned", "in_use", None, None, 60, None, "On 60 later inspections the learned model won.")]
    for model, loss in (("prior", 0.41), ("learned", 0.32)):
        rows += [
            (model, "log_loss", None, loss, 60, 0.08, None),
            (model, "precision_first_10", None, 0.6, 10, 0.2, None),
        ]
        for number, predicted in enumerate((0.04, 0.12, 0.55), start=1):
            rows.append((model, f"calibration_bin_{number}", predicted, predicted + 0.02, 20, 0.1, None))
    frame = pd.DataFrame(rows, columns=["model", "figure", "predicted", "value", "n", "half", "note"])
    low, high = (frame["value"] - frame["half"]).clip(lower=0), frame["value"] + frame["half"]
    return frame.drop(columns="half").assign(as_of=AS_OF, in_use=frame["model"] == "learned", low=low, high=high)


def _ingest_log(events: pd.DataFrame, ids: Ids) -> pd.DataFrame:
    rows = []
    for path, group in events.groupby("source_path"):
        rows.append((path, "loaded", int(group.samples.sum()), len(group), 0, None))
    rows.append(("recordings/cut-off.parquet", "rejected", 0, 0, 0, "the file ends before its footer: copy it again"))
    rows.append(
        (
            "recordings/half.parquet",
            "partly_loaded",
            1400,
            1,
            1,
            f"event of driver {ids.drivers[0]}: time runs backwards at row 801",
        )
    )
    frame = pd.DataFrame(rows, columns=["path", "status", "rows", "events", "events_rejected", "reason"])
    frame["sha256"] = [f"{i:064x}" for i in range(len(frame))]
    frame["loaded_at"] = _utc(28, 3.0)
    frame["vehicles"] = 1
    frame["channels"] = "event_id,timestamp,speed_mps,wheel_speed_1l_mps,wheel_speed_1r_mps,brake_pressure_kpa"
    loaded = frame.status == "loaded"
    frame["first_at"] = [_utc(1) if ok else pd.NaT for ok in loaded]
    frame["last_at"] = [_utc(28) if ok else pd.NaT for ok in loaded]
    return frame

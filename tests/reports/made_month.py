"""A month made up for the PDF's tests: every table in the published columns, seeded, of any size, with any ids.

Nothing is computed by the product here, so that the document can be held against the figures as they stand.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from fleetbrake.core.report_tables import REPORT_TABLES
from fleetbrake.core.tables import TABLES
from fleetbrake.core.vocabulary import INDICATORS, PRIORITIES, SURFACES
from fleetbrake.reports.measures import METRIC, Measures
from fleetbrake.reports.monthly.month_data import MonthFigures, period
from fleetbrake.reports.monthly.month_told import MonthTold
from fleetbrake.store.arrow import arrow_schema

SEED = 20260217
MONTH = "2026-02"
AS_OF = date(2026, 2, 27)
COLUMNS = {**REPORT_TABLES, **TABLES}
MEASURES = ("hard_stops", "modulation", "lockups_above_cutoff")
CODES = tuple(INDICATORS)
_SHARES = {"before_next_trip": 0.01, "this_week": 0.03, "next_service": 0.03, "watch": 0.03, "no_sign": 0.85}

Rows = list[dict[str, Any]]


def plain(kind: str, number: int) -> str:
    """Ids as fleets have them."""
    return f"{kind}-{number:04d}"


def made_month(
    vehicles: int = 60,
    *,
    drivers: int = 40,
    depots: int = 5,
    measures: Measures = METRIC,
    named: Callable[[str, int], str] = plain,
) -> MonthTold:
    """A month of a fleet of so many vehicles; ``named`` gives the ids of depots, vehicles and drivers.

    Of the twelve months one has no recordings, and the fleet was first recorded ten months ago.
    """
    rng = np.random.default_rng(SEED)
    ids = [named("V", n) for n in range(vehicles)]
    places = [named("depot", n) for n in range(depots)]
    health = _health(ids, places, rng)
    tables = {
        "fleet_months": _fleet_months(vehicles, rng),
        "month_rates": _month_rates(places, rng),
        "hit_rate": _hit_rate(rng),
        "open_flags": _open_flags(health, rng),
        "to_inspect": _to_inspect(health, _plan(health)),
        "vehicle_health": health,
        "inspection_outcomes": _outcomes(ids, rng),
        "driver_style": _drivers([named("D", n) for n in range(drivers)], rng),
        "month_work": _work(health, rng),
        "ingest_log": _log(vehicles),
        "recording_facts": _facts(health),
        "month_silence": _silence(health),
        "month_drivers": _month_drivers([named("D", n) for n in range(drivers)]),
        "recording_channels": _channels(ids),
    }
    told = {name: table(name, tables.get(name, [])) for name in COLUMNS}
    return MonthTold(
        of=period(MONTH),
        measures=measures,
        aliased=True,
        figures=MonthFigures(**_figures(vehicles, drivers)),
        tables=told,
        events=_events(rng),
        plan=_plan(health),
        remarks=("A remark on the month.",),
    )


def empty_month() -> MonthTold:
    """A month of a store without anything in it."""
    full = made_month(1)
    zeros = MonthFigures(**dict.fromkeys(_figures(1, 1), 0))
    tables = {name: full.tables[name].slice(0, 0) for name in full.tables}
    none = [{"month": m, "measure": measure} for m in _months() for measure in MEASURES]
    tables["fleet_months"] = table("fleet_months", none)
    nothing = "No brake application began in 2026-02 (UTC). The store has no events at all."
    how = f"Vehicles and drivers: {full.of.not_scored}."
    return replace(
        full, figures=zeros, tables=tables, events=full.events.head(0), plan=full.plan.head(0), remarks=(nothing, how)
    )


def table(name: str, rows: Sequence[dict[str, Any]]) -> pa.Table:
    """Rows as the published table of that name; a column that a row does not name is NULL."""
    schema = arrow_schema({c.name: c.type for c in COLUMNS[name]})
    unknown = {key for row in rows for key in row} - set(schema.names)
    assert not unknown, (name, unknown)
    return pa.Table.from_pylist(list(rows), schema=schema)


def _months() -> list[str]:
    return [str(p) for p in pd.period_range(end=MONTH, periods=12, freq="M")]


def _rate(counted: int, km: float) -> dict[str, Any]:
    """Some rate with ends about it: what they are does not matter here."""
    rate, spread = 1000 * counted / km, 1000 * (counted + 1) ** 0.5 * 1.6 / km
    ends = {"rate_low_per_1000km": max(rate - spread, 0.0), "rate_high_per_1000km": rate + 1.2 * spread}
    return {"counted": counted, "rate_counted": counted, "observed_km": km, "rate_per_1000km": rate, **ends}


def _fleet_months(vehicles: int, rng: np.random.Generator) -> Rows:
    rows: Rows = []
    for place, month in enumerate(_months()):
        for measure in MEASURES:
            row: dict[str, Any] = {"month": month, "measure": measure}
            if place >= 2 and place != 6:
                km = float(vehicles * rng.uniform(2500, 3500))
                unseen = int(rng.integers(0, 9 * vehicles))
                row |= {"vehicles": vehicles, "events": 30 * vehicles, "not_observed": unseen, "not_braking": 2}
                row |= _rate(int(rng.poisson(km / 1000)), km)
            rows.append(row)
    return rows


def _month_rates(places: list[str], rng: np.random.Generator) -> Rows:
    parts = [("fleet", None)] + [("depot", p) for p in [*places, None]]
    parts += [("category", c) for c in ("M3", "N1", "N3")] + [("surface", s) for s in (*SURFACES[:5], None)]
    rows: Rows = []
    for dimension, part in parts:
        for measure in MEASURES:
            row: dict[str, Any] = {"dimension": dimension, "part": part, "measure": measure, "vehicles": 12}
            row |= {
                "events": 400,
                "not_braking": 3,
                "not_observed": 400 if part == "N1" and measure == "modulation" else 7,
            }
            if part != "N1" or measure != "modulation":
                row |= _rate(int(rng.poisson(30)), float(rng.uniform(2e4, 5e4)))
            rows.append(row)
    return rows


def _hit_rate(rng: np.random.Generator) -> Rows:
    figures = ("inspected", "flagged", "not_flagged", "not_flagged_no_sign", "defects_flagged", "right_wheel")
    rows: Rows = []
    for span, size in (("month", 5), ("last_12_months", 80)):
        for figure in figures:
            inspected = int(rng.integers(3, size))
            found = int(rng.integers(0, inspected))
            share = found / inspected
            ends = {"share_low": 0.6 * share, "share_high": min(1.0, 1.3 * share + 0.1)}
            row = {"span": span, "figure": figure, "inspected": inspected, "found": found, "share": share, **ends}
            rows.append({**row, "meaning": figure})
        rows.append({"span": span, "figure": "known_before", "inspected": 0, "found": 0, "meaning": "none"})
    return rows


def _health(ids: list[str], places: list[str], rng: np.random.Generator) -> Rows:
    bounds = np.cumsum(list(_SHARES.values()))
    rows: Rows = []
    for n, vehicle in enumerate(ids):
        code = PRIORITIES[int(np.searchsorted(bounds, (n + 0.5) / len(ids)))]
        flagged = code in PRIORITIES[:4]
        score = None if code == "too_little_evidence" else float(rng.uniform(0, 40) if flagged else rng.uniform(85, 99))
        leading = CODES[n % 8] if flagged else None
        wheel = "1L" if flagged and n % 2 else None
        rows.append(
            {
                "vehicle_id": vehicle, "as_of": AS_OF, "rank": n + 1, "health_score": score,
                "score_low": None if score is None else max(score - 9.0, 0.0),
                "score_high": None if score is None else min(score + 7.0, 100.0),
                "priority": code, "events_used": int(rng.integers(10, 90)), "leading_indicator": leading,
                "suspect_wheel": wheel, "depot": places[n % len(places)], "category": ("N3", "M3", "O4")[n % 3],
                "reason": f"Peak of {2 + n % 3}.5 m/s² in {n + 3} events since 2026-01-09." if flagged else None,
                "inspection_due_on": AS_OF + timedelta(days=30 + n),
                "open_report": "Pedal feels long after 3 km" if n == 1 else None,
            }
        )  # fmt: skip
    return rows


def _plan(health: Rows) -> pd.DataFrame:
    rows = [
        {
            "vehicle_id": row["vehicle_id"], "planned_on": AS_OF + timedelta(days=3 + n), "held_on": None,
            "statutory": "inspection+roller test" if n % 2 else None, "due_on": AS_OF + timedelta(days=9),
            "drawn": n % 3 == 0,
        }
        for n, row in enumerate(health[3:9])
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["vehicle_id", "planned_on", "held_on", "statutory", "due_on", "drawn"])


def _to_inspect(health: Rows, plan: pd.DataFrame) -> Rows:
    """Who is flagged, planned, or has an open report; nobody is past a date here."""
    planned = {visit["vehicle_id"]: visit for visit in plan.astype(object).where(plan.notna(), None).to_dict("records")}
    names = {column.name for column in REPORT_TABLES["to_inspect"]}
    rows: Rows = []
    for row in health:
        if row["priority"] in PRIORITIES[:4] or row["open_report"] or row["vehicle_id"] in planned:
            told = {k: v for k, v in (row | planned.get(row["vehicle_id"], {})).items() if k in names}
            rows.append(told | {"overdue": False, "reason": row["reason"] or "No sign found in the recordings"})
    return rows


def _open_flags(health: Rows, rng: np.random.Generator) -> Rows:
    rows: Rows = []
    for n, row in enumerate(r for r in health if r["leading_indicator"]):
        age = int(rng.integers(0, 60))
        rows.append(
            {
                "flag_id": f"F{n}", "vehicle_id": row["vehicle_id"], "depot": row["depot"],
                "indicator": row["leading_indicator"], "wheel": row["suspect_wheel"],
                "raised_on": AS_OF - timedelta(days=age), "age_days": age, "told_on": AS_OF,
                "shown_since": None if n % 5 == 4 else AS_OF - timedelta(days=age + n),
                "first_scored_on": AS_OF - timedelta(days=90),
                "priority": row["priority"], "state": "decided" if n % 2 else "open",
                "decision": "next_visit" if n % 2 else None, "expires_on": AS_OF if n % 2 else None,
            }
        )  # fmt: skip
    return rows


def _outcomes(ids: list[str], rng: np.random.Generator) -> Rows:
    rows: Rows = []
    for n, vehicle in enumerate(ids[:: max(1, len(ids) // 30)]):
        found, flagged = bool(n % 2), bool(n % 3)
        row: dict[str, Any] = {
            "inspection_id": f"I{n}", "vehicle_id": vehicle, "inspected_on": date(2026, 2, 1 + n % 27),
            "found": found, "severity": 2 if found else 0, "findings": 1, "known_before": n % 7 == 6,
            "defects": CODES[n % 8] if found else None, "wheels": "1L+1R" if found else None, "flagged": flagged,
            "predicted_as_of": date(2026, 1, 25), "predicted_priority": PRIORITIES[n % 4], "predicted_rank": n + 1,
            "fleet_vehicles": len(ids), "predicted_indicator": CODES[(n + 1) % 8], "predicted_wheel": "1L",
            "right_wheel": True if found and flagged else None, "made_before": n % 5 != 4,
            "predicted_made_on": date(2026, 1, 26) if n % 5 != 4 else date(2026, 3, 2),
            "minor": CODES[(n + 1) % 8] if not found and n % 4 == 0 else None,
            "minor_same_kind": True if not found and flagged and n % 4 == 0 else None,
        }  # fmt: skip
        if n % 11 == 10:
            row |= {"flagged": None, "known_before": None, "predicted_as_of": None, "made_before": None}
            row |= {"not_predicted": "no day was scored before it"}
        rows.append(row)
    return rows


def _drivers(ids: list[str], rng: np.random.Generator) -> Rows:
    rows: Rows = []
    for n, driver in enumerate(ids):
        km, hard = float(rng.uniform(2000, 6000)), int(rng.integers(0, 20))
        rate, known = 1000 * hard / km, n < len(ids) - 2
        rows.append(
            {
                "driver_id": driver, "as_of": AS_OF, "rank": n + 1, "distance_km": km, "hard_stops": hard,
                "style_score": 5.0 + 2 * n if known else None, "score_low": 2.0 if known else None,
                "score_high": 90.0 if known else None, "hard_stops_per_1000km": rate if known else None,
                "adjusted_hard_stops_per_1000km": 0.8 * rate if known else None,
                "adjusted_low": 0.5 * rate if known else None, "adjusted_high": 1.4 * rate if known else None,
                "note": f"Counted {rate:.1f} a 1000 km, adjusted {0.8 * rate:.1f}.",
            }
        )  # fmt: skip
    return rows


def _work(health: Rows, rng: np.random.Generator) -> Rows:
    rows: Rows = []
    for n, row in enumerate(health):
        energy = float(rng.uniform(1e4, 9e4)) if n % 4 else None
        events = int(rng.integers(10, 60))
        rows.append(
            {
                "month": MONTH, "vehicle_id": row["vehicle_id"], "depot": row["depot"], "category": row["category"],
                "events": events, "not_braking": 0, "energy_events": events if energy else 0,
                "brake_energy_kj": energy, "friction_events": events - 2 if energy else 0,
                "friction_brake_kj": 0.9 * energy if energy else None,
                "friction_brake_se_kj": 0.06 * energy if energy else None, "regen_events": 0, "distance_km": 1234.5,
            }
        )  # fmt: skip
    return rows


def _log(vehicles: int) -> Rows:
    status = ["loaded", "loaded", "rejected", "partly_loaded"]
    return [
        {
            "path": f"recordings/day-{n}.parquet", "status": status[n % 4], "events_rejected": n % 5,
            "reason": None if n % 4 < 2 else f"the file ends before its footer ({n})", "loaded_at": datetime.now(UTC),
        }
        for n in range(2 * vehicles)
    ]  # fmt: skip


def _facts(health: Rows) -> Rows:
    rows: Rows = []
    for n, row in enumerate(health):
        silent, never = n % 9 == 4, n % 20 == 7
        rows.append(
            {
                "vehicle_id": row["vehicle_id"], "depot": row["depot"], "category": row["category"],
                "last_on": None if never else AS_OF - timedelta(days=20 + n % 30 if silent else 1),
                "newest_on": AS_OF, "days_silent": None if never else (20 + n % 30 if silent else 1),
                "silent_from_days": 14, "silent": None if never else silent,
            }
        )  # fmt: skip
    return rows


def _silence(health: Rows) -> Rows:
    named = ("vehicle_id", "depot", "category", "last_on", "days_silent", "silent_from_days", "silent")
    return [{**{name: row[name] for name in named}, "told_on": AS_OF} for row in _facts(health)]


def _month_drivers(ids: list[str]) -> Rows:
    return [
        {
            "driver_id": driver, "applications": 20 + n, "hard_stops": n % 4, "hard_stops_not_observed": 0,
            "distance_km": 1000.0 + n if n % 5 else None, "evidence_from": date(2025, 4, 2), "evidence_to": AS_OF,
        }
        for n, driver in enumerate(ids)
    ]  # fmt: skip


def _channels(ids: list[str]) -> Rows:
    return [
        {"vehicle_id": vehicle, "channel": channel, "lost": n % 10 == 3, "last_at": datetime(2026, 2, 3, tzinfo=UTC)}
        for n, vehicle in enumerate(ids)
        for channel in ("brake_pressure_kpa", "wheel_speed_1l_mps")
    ]


def _events(rng: np.random.Generator) -> pd.DataFrame:
    days = pd.to_datetime(rng.integers(0, 27, 120), unit="D", origin="2026-02-01", utc=True)
    told = {name: rng.random(120) < share for name, share in (("hard_stop", 0.3), ("modulation", 0.2))}
    lock = {"lockup": rng.random(120) < 0.1, "lockup_above_cutoff": rng.random(120) < 0.1}
    return pd.DataFrame({"event_id": [f"E{n}" for n in range(120)], "started_at": days, **told, **lock})


def _figures(vehicles: int, drivers: int) -> dict[str, int]:
    counts = {"events": 30 * vehicles, "vehicles": vehicles, "drivers": drivers, "files": 2 * vehicles}
    return {**dict.fromkeys(MonthFigures.__dataclass_fields__, 3), **counts}

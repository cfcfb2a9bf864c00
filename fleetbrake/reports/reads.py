"""Typed reads of the published tables for pages and month files. They compute no score again.

Every function opens the database, reads and closes. ``NULL`` comes as ``NA`` / NaN / NaT and means
"could not be observed". All raise :class:`~fleetbrake.core.errors.StoreError` if there is nothing to read.
"""

import json
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from fleetbrake.core.vocabulary import INDICATORS, PRIORITIES
from fleetbrake.reports.source import SCORED_DAYS, frame

_NEWEST = f"(SELECT max(as_of) FROM ({SCORED_DAYS}) AS scored)"  # noqa: S608 - own constants

#: Priorities of vehicles that somebody has to look at.
FLAGGED = PRIORITIES[:4]

_RANKED = f"""
SELECT h.rank, h.vehicle_id, h.priority, h.reason, h.health_score, h.score_low, h.score_high, h.events_used,
       h.trips_used, h.score_model, h.days_since_firm_braking, h.roller_tested_on, h.km_since_roller_test,
       h.leading_indicator, h.suspect_wheel, coalesce(h.depot, v.depot) AS depot,
       coalesce(h.category, v.category) AS category,
       least(coalesce(v.inspection_due_on, h.inspection_due_on), d.due_on) AS inspection_due_on,
       p.planned_on, p.note AS plan_note, h.open_report, h.last_event_at, h.as_of
FROM vehicle_health AS h
LEFT JOIN vehicles AS v USING (vehicle_id)
LEFT JOIN inspection_plan AS p USING (vehicle_id)
LEFT JOIN (SELECT vehicle_id, min(due_on) AS due_on FROM due_dates GROUP BY vehicle_id) AS d USING (vehicle_id)
WHERE h.as_of = coalesce(CAST(? AS DATE), {_NEWEST})
ORDER BY h.rank
"""  # noqa: S608 - own constants


@dataclass(frozen=True)
class StoreFacts:
    """What the store holds, in figures, and what had to be assumed."""

    as_of: date | None
    vehicles: int
    drivers: int
    events: int
    files: int
    files_rejected: int
    first_at: pd.Timestamp | None
    last_at: pd.Timestamp | None
    assumptions: tuple[str, ...]


def ranked(store: Path, as_of: date | None = None) -> pd.DataFrame:
    """Vehicles in the order in which they should be looked at, one row each, at ``as_of`` (default: the newest).

    Columns: rank, vehicle_id, priority, reason (a sentence, never missing), health_score, score_low, score_high,
    events_used, trips_used, score_model, days_since_firm_braking, roller_tested_on, km_since_roller_test,
    leading_indicator, suspect_wheel, depot, category, inspection_due_on, planned_on, plan_note, open_report,
    last_event_at, as_of.
    """
    found = frame(store, _RANKED, [as_of])
    found["reason"] = [reason_of(row) for row in found.to_dict("records")]
    return found


def reason_of(row: dict[Any, Any]) -> str:
    """The reason in a sentence: as scored, else from the leading indicator, else what its absence means."""
    if judged_by_date_only(row):
        return "Trailer without brake events of its own: judged by its due date only"
    if isinstance(row["reason"], str) and row["reason"]:
        return row["reason"]
    code = row["leading_indicator"]
    if isinstance(code, str) and code:
        wheel = row["suspect_wheel"]
        text = INDICATORS.get(code, code)
        return text[:1].upper() + text[1:] + (f" (wheel {wheel})" if isinstance(wheel, str) and wheel else "")
    if row["priority"] == "too_little_evidence":
        return "Too few brake applications to say anything"
    return "No sign found in the recordings"


def judged_by_date_only(row: dict[Any, Any]) -> bool:
    """Whether the row is a trailer (categories O1 to O4) that no event of its own speaks for."""
    used: Any = row.get("events_used")
    trailer = str(row.get("category")) in ("O1", "O2", "O3", "O4")
    return trailer and row["priority"] == "too_little_evidence" and not (pd.notna(used) and used > 0)


def overdue(row: dict[Any, Any]) -> bool:
    """Whether the statutory date has passed when the plan begins, the day after ``as_of``."""
    due, as_of = row["inspection_due_on"], row["as_of"]
    return bool(pd.notna(due) and pd.notna(as_of) and pd.Timestamp(due) <= pd.Timestamp(as_of))


def needs_a_look(row: dict[Any, Any]) -> bool:
    """Whether a person must see the row: flagged, overdue, planned, or with an open report."""
    told = isinstance(row["open_report"], str) and bool(row["open_report"])
    return str(row["priority"]) in FLAGGED or told or overdue(row) or bool(pd.notna(row.get("planned_on")))


def vehicle_ids(store: Path) -> list[str]:
    """Every vehicle that has a score, a register row or an event: ranked ones first, then by id."""
    found = frame(
        store,
        f"""
        SELECT vehicle_id, min(place) AS place FROM (
            SELECT vehicle_id, rank AS place FROM vehicle_health WHERE as_of = {_NEWEST}
            UNION ALL SELECT vehicle_id, NULL FROM vehicles
            UNION ALL SELECT DISTINCT vehicle_id, NULL FROM events)
        WHERE vehicle_id IS NOT NULL GROUP BY vehicle_id ORDER BY place NULLS LAST, vehicle_id
        """,  # noqa: S608 - own constants
    )
    return [str(v) for v in found["vehicle_id"]]


def register_row(store: Path, vehicle_id: str) -> dict[str, Any]:
    """The vehicle's row of the register ``vehicles``; empty if it is unknown there."""
    return _first(frame(store, "SELECT * FROM vehicles WHERE vehicle_id = ?", [vehicle_id])) or {}


def indicators_of(store: Path, vehicle_id: str) -> pd.DataFrame:
    """Indicators of one vehicle on the day that :func:`ranked` shows, most deviating first.

    Columns: indicator, measure, wheel, value, expected, unit, basis, deviation (standard errors, positive = worse),
    detection_limit, trend_per_30d, events_used, trips_used, ranks, first_seen_on, probability, evidence (list of ids).
    """
    found = frame(
        store,
        f"""
        SELECT indicator, measure, wheel, value, expected, unit, basis, deviation, detection_limit, trend_per_30d,
               events_used, trips_used, ranks, first_seen_on, probability, evidence
        FROM indicators WHERE vehicle_id = ? AND as_of = {_NEWEST}
        ORDER BY deviation DESC NULLS LAST, indicator, wheel
        """,  # noqa: S608 - own constants
        [vehicle_id],
    )
    found["evidence"] = pd.Series([event_ids(text) for text in found["evidence"]], index=found.index, dtype=object)
    return found


def indicator_trips(store: Path, vehicle_id: str, indicator: str, wheel: str | None) -> pd.DataFrame:
    """What each trip shows of one indicator, in time order; empty where the finding is within its noise.

    Columns: on_day, trip, value (unit of the indicator), events, event_id (the most telling), counts (bool).
    """
    return frame(
        store,
        "SELECT on_day, trip, value, events, event_id, counts FROM indicator_trips "
        "WHERE vehicle_id = ? AND indicator = ? AND wheel IS NOT DISTINCT FROM ? ORDER BY on_day, trip",
        [vehicle_id, indicator, wheel],
    )


def observability(store: Path) -> pd.DataFrame:
    """What each class, quantity and indicator needs: subject, channels, least_rate_hz, otherwise_null."""
    return frame(store, "SELECT * FROM observability ORDER BY subject")


def event_ids(text: object) -> list[str]:
    """Ids of a JSON list as the tables hold it; none where there is no list."""
    if not isinstance(text, str) or not text:
        return []
    try:
        listed = json.loads(text)
    except json.JSONDecodeError:
        return []
    return [str(item) for item in listed] if isinstance(listed, list) else []


_EVENT_LIST = """
SELECT event_id, vehicle_id, driver_id, started_at, initial_speed_mps, final_speed_mps, peak_decel_mps2, mfdd_mps2,
       braking_distance_m, hard_stop, modulation, modulation_cycles, modulation_hz, lockup, lockup_s,
       lockup_above_cutoff, emergency_application, friction_used, surface, wheels_locked, wheels_modulated,
       not_braking, notes
FROM events
"""


def events_of(store: Path, vehicle_id: str, most: int = 2000) -> pd.DataFrame:
    """Brake applications of one vehicle, newest first, at most ``most``. Columns as in :data:`_EVENT_LIST`."""
    return frame(
        store, _EVENT_LIST + "WHERE vehicle_id = ? ORDER BY started_at DESC, event_id LIMIT ?", [vehicle_id, most]
    )


def notable_events(store: Path, most: int = 50) -> pd.DataFrame:
    """The newest events with a lockup above the cut-off speed or modulation; columns as :func:`events_of`."""
    return frame(
        store,
        _EVENT_LIST + "WHERE lockup_above_cutoff OR modulation ORDER BY started_at DESC, event_id LIMIT ?",
        [most],
    )


def event(store: Path, event_id: str) -> dict[str, Any] | None:
    """All columns of one event, or None if there is no such event."""
    return _first(frame(store, "SELECT * FROM events WHERE event_id = ? LIMIT 1", [event_id]))


def event_wheels(store: Path, event_id: str) -> pd.DataFrame:
    """One row a wheel of one event: every column of the table ``event_wheels``, by wheel."""
    return frame(store, "SELECT * FROM event_wheels WHERE event_id = ? ORDER BY wheel", [event_id])


def drivers(store: Path, as_of: date | None = None) -> pd.DataFrame:
    """Every column of ``driver_style`` at ``as_of`` (default: the newest), by rank."""
    return frame(
        store,
        f"SELECT * FROM driver_style WHERE as_of = coalesce(CAST(? AS DATE), {_NEWEST}) ORDER BY rank",  # noqa: S608 - own constants
        [as_of],
    )


def recordings(store: Path) -> pd.DataFrame:
    """Every column of ``ingest_log``: what was not wholly loaded first, then by path."""
    return frame(store, "SELECT * FROM ingest_log ORDER BY status = 'loaded', path")


def plan(store: Path) -> pd.DataFrame:
    """The planned visits in order of day, depot and position; visits that found no day come last."""
    return frame(store, "SELECT * FROM inspection_plan ORDER BY planned_on NULLS LAST, depot, position, vehicle_id")


def unknown_ids(store: Path) -> pd.DataFrame:
    """Vehicles and drivers that recordings name and no register knows. Columns: kind, id, events, first_at, last_at."""
    return frame(store, "SELECT kind, id, events, first_at, last_at FROM unknown_ids ORDER BY kind, events DESC, id")


def months(store: Path) -> list[str]:
    """Months in UTC with brake applications, ``YYYY-MM``, newest first."""
    found = frame(
        store,
        "SELECT DISTINCT strftime(started_at, '%Y-%m') AS month FROM events WHERE started_at IS NOT NULL "
        "ORDER BY month DESC",
    )
    return [str(m) for m in found["month"]]


def _first(found: pd.DataFrame) -> dict[str, Any] | None:
    if found.empty:
        return None
    return {str(k): (None if _missing(v) else v) for k, v in found.iloc[0].to_dict().items()}


def _missing(value: object) -> bool:
    return bool(pd.isna(value)) if pd.api.types.is_scalar(value) else value is None


def store_facts(store: Path) -> StoreFacts:
    """Counts of the store and the assumptions that its missing registers force."""
    row = frame(
        store,
        f"""
        SELECT {_NEWEST} AS as_of,
               (SELECT count(DISTINCT vehicle_id) FROM events) AS vehicles,
               (SELECT count(DISTINCT driver_id) FROM events) AS drivers,
               (SELECT count(*) FROM events) AS events,
               (SELECT count(*) FROM ingest_log) AS files,
               (SELECT count(*) FROM ingest_log WHERE status = 'rejected') AS files_rejected,
               (SELECT min(started_at) FROM events) AS first_at, (SELECT max(started_at) FROM events) AS last_at,
               (SELECT count(*) FROM vehicles) AS registered, (SELECT count(*) FROM trips) AS trips,
               (SELECT count(*) FROM capacity) AS capacity,
               (SELECT count(*) FROM vehicles WHERE endurance_brake IS NULL) AS no_endurance,
               (SELECT count(*) FROM vehicles WHERE brake_control IS NULL) AS no_control,
               (SELECT count(*) FROM vehicles WHERE category IS NULL) AS no_category,
               (SELECT count(DISTINCT vehicle_id) FROM events WHERE category IS NULL) AS events_no_category
        """,  # noqa: S608 - own constants
    ).iloc[0]
    return StoreFacts(
        as_of=None if _missing(row["as_of"]) else pd.Timestamp(row["as_of"]).date(),
        vehicles=int(row["vehicles"]),
        drivers=int(row["drivers"]),
        events=int(row["events"]),
        files=int(row["files"]),
        files_rejected=int(row["files_rejected"]),
        first_at=None if _missing(row["first_at"]) else row["first_at"],
        last_at=None if _missing(row["last_at"]) else row["last_at"],
        assumptions=_assumptions(row),
    )


def _assumptions(row: pd.Series) -> tuple[str, ...]:
    """One sentence for each thing that a missing register or column made the tool assume."""
    said: list[str] = []
    if not row["registered"]:
        said.append("No vehicle register: categories, due dates and depots are unknown.")
    if row["events_no_category"]:
        said.append(
            f"{row['events_no_category']} vehicle(s) with unknown category: a stop counts as hard from 4.0 m/s², as "
            "not hard under 3.0 m/s², and is left open between."
        )
    if row["no_endurance"]:
        said.append(f"Endurance brake not given for {row['no_endurance']} vehicle(s): taken as none.")
    if row["no_control"]:
        said.append(f"Brake control not given for {row['no_control']} vehicle(s): taken as conventional.")
    if not row["trips"]:
        said.append("No trips: driver rates have no distance to rest on.")
    if not row["capacity"]:
        said.append("No workshop capacity given: eight bay hours on working days assumed.")
    return tuple(said)

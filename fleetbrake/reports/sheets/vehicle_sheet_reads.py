"""What the sheets for the workshop need of many vehicles: one read for each kind of row, all from one published file.

Drivers in free text stand under their aliases and nobody's place or trip is told, whoever prints the sheets.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from fleetbrake.access.roles import NOBODY
from fleetbrake.planning.flags import flags
from fleetbrake.planning.wish_types import Flag
from fleetbrake.reports import history_reads, reads
from fleetbrake.reports.source import frame, one_snapshot
from fleetbrake.reports.veil import veil

#: Newest applications of a vehicle without a finding that are drawn; the page of the vehicle draws as many.
MOST_EVENTS = 2000

_STANDING = """
WITH asked AS (SELECT unnest(?::VARCHAR[]) AS vehicle_id),
days AS (SELECT max(as_of) AS as_of FROM vehicle_health),
planned AS (
    FROM inspection_plan QUALIFY row_number() OVER (PARTITION BY vehicle_id ORDER BY planned_on NULLS LAST) = 1
)
SELECT a.vehicle_id, coalesce(h.depot, v.depot, p.depot) AS depot, coalesce(v.category, h.category) AS category,
       v.* EXCLUDE (vehicle_id, depot, category, roller_tested_on, inspection_due_on),
       v.vehicle_id IS NOT NULL AS known,
       coalesce(h.roller_tested_on, v.roller_tested_on) AS roller_tested_on,
       coalesce(v.inspection_due_on, h.inspection_due_on) AS inspection_due_on,
       d.as_of, h.rank, (SELECT count(*) FROM vehicle_health JOIN days USING (as_of)) AS ranked, h.priority, h.reason,
       h.health_score, h.score_low, h.score_high, h.events_used, h.trips_used, h.leading_indicator, h.suspect_wheel,
       h.open_report, h.days_since_firm_braking, h.km_since_roller_test,
       p.vehicle_id IS NOT NULL AS in_plan, p.planned_on, p.held_on, p.bay_hours, p.roller_hours, p.inspector_hours,
       p.statutory, p.drawn, p.fixed, p.note AS plan_note,
       r.events, r.days, r.first_on, r.last_on, r.sample_rate_hz, r.wheel_rate_hz, r.speed_rate_hz, r.demand_rate_hz
FROM asked AS a CROSS JOIN days AS d
LEFT JOIN vehicles AS v USING (vehicle_id)
LEFT JOIN vehicle_health AS h ON h.vehicle_id = a.vehicle_id AND h.as_of = d.as_of
LEFT JOIN planned AS p ON p.vehicle_id = a.vehicle_id
LEFT JOIN recording_facts AS r ON r.vehicle_id = a.vehicle_id
"""
_INDICATORS = """
WITH asked AS (SELECT unnest(?::VARCHAR[]) AS vehicle_id)
SELECT vehicle_id, indicator, measure, wheel, value, expected, unit, basis, deviation, detection_limit, trend_per_30d,
       events_used, trips_used, trips_seen, ranks, first_seen_on, probability, evidence
FROM indicators SEMI JOIN asked USING (vehicle_id)
WHERE as_of = (SELECT max(as_of) FROM vehicle_health)
ORDER BY vehicle_id, deviation DESC NULLS LAST, indicator, wheel
"""
_DUES = """
WITH asked AS (SELECT unnest(?::VARCHAR[]) AS vehicle_id)
SELECT vehicle_id, coalesce(kind, 'inspection') AS kind, min(due_on) AS due_on FROM (
    SELECT vehicle_id, kind, due_on FROM due_dates
    UNION ALL SELECT vehicle_id, 'inspection', inspection_due_on FROM vehicles)
SEMI JOIN asked USING (vehicle_id) WHERE due_on IS NOT NULL GROUP BY ALL ORDER BY vehicle_id, due_on, kind
"""
_LOST = """
WITH asked AS (SELECT unnest(?::VARCHAR[]) AS vehicle_id)
SELECT vehicle_id, channel FROM recording_channels SEMI JOIN asked USING (vehicle_id) WHERE lost
ORDER BY vehicle_id, channel
"""
_TRIPS = """
WITH leads AS (
    SELECT unnest(?::VARCHAR[]) AS vehicle_id, unnest(?::VARCHAR[]) AS indicator, unnest(?::VARCHAR[]) AS wheel)
SELECT t.vehicle_id, t.on_day, CAST(NULL AS VARCHAR) AS trip, t.value, t.events, t.event_id, t.counts
FROM indicator_trips AS t
JOIN leads AS l ON l.vehicle_id = t.vehicle_id AND l.indicator = t.indicator AND l.wheel IS NOT DISTINCT FROM t.wheel
WHERE t.as_of = (SELECT max(as_of) FROM vehicle_health) AND isfinite(t.value)
ORDER BY t.vehicle_id, t.on_day, t.trip
"""
_EVIDENCE = """
WITH weighty AS (
    SELECT unnest(?::VARCHAR[]) AS event_id, unnest(?::VARCHAR[]) AS vehicle_id, unnest(?::VARCHAR[]) AS wheel)
SELECT e.event_id, e.vehicle_id, e.started_at, e.initial_speed_mps, e.peak_decel_mps2, e.surface,
       e.lockup_above_cutoff, e.modulation, e.hard_stop, e.modulation_cycles, e.wheels_locked, e.wheels_modulated,
       e.effectiveness, e.held_decel_mps2, e.demand_kind, e.demand_peak, e.build_up_s, e.demand_rise_s,
       e.release_s, e.effectiveness_change, e.brake_yaw_radps, w.steady_slip, w.free_slip, w.released_slip,
       w.lockup_longest_s, w.lockup_onset_speed_mps, w.dropout_s, w.dropout_between_s,
       w.modulation_cycles AS wheel_cycles, o.steady_slip AS other_slip
FROM weighty AS y
JOIN events AS e USING (event_id, vehicle_id)
LEFT JOIN event_wheels AS w ON w.event_id = e.event_id AND w.wheel = y.wheel
LEFT JOIN event_wheels AS o ON o.event_id = e.event_id
 AND o.wheel = left(y.wheel, 1) || CASE right(y.wheel, 1) WHEN 'L' THEN 'R' ELSE 'L' END
ORDER BY e.vehicle_id, e.started_at DESC, e.event_id
"""
_EVENTS = """
WITH asked AS (SELECT unnest(?::VARCHAR[]) AS vehicle_id)
SELECT e.event_id, e.vehicle_id, e.started_at, e.initial_speed_mps, e.peak_decel_mps2, e.surface,
       e.lockup_above_cutoff, e.modulation, e.hard_stop, e.modulation_cycles, e.wheels_locked, e.wheels_modulated
FROM events AS e SEMI JOIN asked USING (vehicle_id)
WHERE e.not_braking IS NULL
QUALIFY row_number() OVER (PARTITION BY e.vehicle_id ORDER BY e.started_at DESC, e.event_id) <= ?
ORDER BY e.vehicle_id, e.started_at DESC, e.event_id
"""


@dataclass(frozen=True)
class SheetFacts:
    """What the tables and what people entered say of one vehicle.

    Attributes
    ----------
    row : register, standing, plan and recording rates beside each other; None where nothing is known.
    lead : the finding to look at first, a row of ``indicators``; None without one.
    indicators : its rows, most deviating first, ``evidence`` as lists of ids.
    trips : what each trip shows of ``lead``, as :func:`fleetbrake.reports.reads.indicator_trips`, no trip named.
    evidence : the events of ``lead`` that weigh most, newest first, with the figures of its wheel and of the other one
        of the axle (``other_slip``).
    events : its applications, newest first, where ``trips`` is empty.
    dues : kind and day of statutory dates, earliest first.
    """

    row: dict[str, Any]
    lead: dict[str, Any] | None
    indicators: pd.DataFrame
    trips: pd.DataFrame
    evidence: pd.DataFrame
    events: pd.DataFrame
    dues: pd.DataFrame
    history: pd.DataFrame
    open_reports: pd.DataFrame
    flags: tuple[Flag, ...]
    lost_channels: tuple[str, ...]
    needs: pd.DataFrame


def sheet_facts(store: Path, vehicle_ids: Sequence[str]) -> list[SheetFacts]:
    """The facts of each vehicle in the order asked for; a vehicle that no table knows has empty ones.

    Raises
    ------
    StoreError
        There is nothing to read, or it cannot be read.
    """
    ids = list(dict.fromkeys(vehicle_ids))
    with one_snapshot(store):
        hidden = veil(store, NOBODY)
        shown = {name: hidden.frame(found) for name, found in _tables(store, ids).items()}
        needs = reads.observability(store)
    raised = flags(store, ids[0] if len(ids) == 1 else None)
    parts = {name: dict(list(found.groupby("vehicle_id", sort=False))) for name, found in shown.items()}
    leads = {str(row["vehicle_id"]): row for row in shown["leads"].to_dict("records")}
    rows = {str(row["vehicle_id"]): row for row in shown["standing"].to_dict("records")}
    told = {}
    for vehicle in ids:
        own = {name: parts[name].get(vehicle, shown[name].head(0)) for name in shown}
        told[vehicle] = SheetFacts(
            row={str(name): (None if pd.isna(value) else value) for name, value in rows[vehicle].items()},
            lead=leads.get(vehicle),
            flags=tuple(flag for flag in raised if flag.vehicle_id == vehicle),
            lost_channels=tuple(own["lost"]["channel"]),
            needs=needs,
            **{name: own[name] for name in _FRAMES},
        )
    return [told[vehicle] for vehicle in vehicle_ids]


_FRAMES = ("indicators", "trips", "evidence", "events", "dues", "history", "open_reports")


def _tables(store: Path, ids: list[str]) -> dict[str, pd.DataFrame]:
    """Every table of :class:`SheetFacts` with ``vehicle_id``, for all vehicles at once."""
    standing, indicators = frame(store, _STANDING, [ids]), frame(store, _INDICATORS, [ids])
    indicators["evidence"] = pd.Series(
        [reads.event_ids(text) for text in indicators["evidence"]], index=indicators.index, dtype=object
    )
    leads = _leads(standing, indicators)
    trips = frame(store, _TRIPS, _columns(leads, "vehicle_id", "indicator", "wheel"))
    weighty = leads[["vehicle_id", "wheel", "evidence"]].explode("evidence").dropna(subset="evidence")
    without = sorted(set(ids) - set(trips["vehicle_id"]))
    return {
        "standing": standing,
        "indicators": indicators,
        "leads": leads,
        "trips": trips,
        "evidence": frame(store, _EVIDENCE, _columns(weighty, "evidence", "vehicle_id", "wheel")),
        "events": frame(store, _EVENTS, [without, MOST_EVENTS]),
        "dues": frame(store, _DUES, [ids]),
        "lost": frame(store, _LOST, [ids]),
        "history": history_reads.history_of(store, ids),
        "open_reports": history_reads.open_reports_of(store, ids),
    }


def _leads(standing: pd.DataFrame, indicators: pd.DataFrame) -> pd.DataFrame:
    """The indicators that lead, at most one a vehicle."""
    asked = standing[["vehicle_id", "leading_indicator", "suspect_wheel"]].rename(
        columns={"leading_indicator": "indicator", "suspect_wheel": "at"}
    )
    both = indicators.merge(asked.dropna(subset="indicator"), on=["vehicle_id", "indicator"])
    same = both["wheel"].fillna("").astype(str) == both["at"].fillna("").astype(str)
    return both[same].drop(columns="at").drop_duplicates("vehicle_id")


def _columns(rows: pd.DataFrame, *names: str) -> list[list[str | None]]:
    """Columns of text as lists that a query takes; what is missing is None."""
    return [[value if isinstance(value, str) else None for value in rows[name]] for name in names]

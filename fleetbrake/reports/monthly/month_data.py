"""One month of the store: counts for the summary, and every published table filtered to the month in UTC.

What "of the month" means for each table:

- ``events`` by the time they began, ``event_wheels`` with their event;
- ``vehicle_health``, ``indicators``, ``driver_style``: the newest ``as_of`` that lies in the month, never two of them;
- ``inspection_plan`` by the planned day, ``inspection_evidence`` and ``inspection_outcomes`` by that of the inspection;
- ``model_quality``, ``driver_coaching``, ``exposure_summary``: as ``vehicle_health``;
- ``ingest_log`` by the recorded time, for a file without one (rejected) by when it was read;
- ``unknown_ids`` by the time in which they were seen; ``month_*`` by their month;
- ``plan_days`` by the day, ``plan_summary`` where the plan reaches into the month, ``flags`` that stood in it;
- ``recording_facts`` and ``recording_channels`` tell of the present; ``observability`` has no time: all are whole.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final

import pandas as pd
import pyarrow as pa

from fleetbrake.core.errors import InputError
from fleetbrake.core.tables import TABLES
from fleetbrake.reports.privacy import fit_to_tell
from fleetbrake.reports.source import SCORED_DAYS, arrow, frame, nullable_frame

_OVERLAP = "first_at < $stop AND last_at >= $start"
_NEWEST_OF_MONTH: Final = (
    f"(SELECT max(as_of) FROM ({SCORED_DAYS}) AS scored WHERE as_of >= $first_day AND as_of < $next_day)"  # noqa: S608 - own constants
)
_NEWEST: Final = f"as_of = {_NEWEST_OF_MONTH}"
_WHERE: Final = {
    "vehicle_health": _NEWEST,
    "indicators": _NEWEST,
    "indicator_trips": _NEWEST,
    "driver_style": _NEWEST,
    "driver_coaching": _NEWEST,
    "exposure_summary": _NEWEST,
    "inspection_plan": "planned_on >= $first_day AND planned_on < $next_day",
    "plan_days": "day >= $first_day AND day < $next_day",
    "plan_summary": "begins_on < $next_day AND ends_on >= $first_day",
    "flags": "raised_on < $next_day AND (closed_on IS NULL OR closed_on >= $first_day)",
    "predictions": "made_on >= $first_day AND made_on < $next_day",
    "inspection_evidence": "inspected_on >= $first_day AND inspected_on < $next_day",
    "inspection_outcomes": "inspected_on >= $first_day AND inspected_on < $next_day",
    "model_quality": _NEWEST,
    "events": "started_at >= $start AND started_at < $stop",
    "event_wheels": "event_id IN (SELECT event_id FROM events WHERE started_at >= $start AND started_at < $stop)",
    "ingest_log": f"({_OVERLAP}) OR (first_at IS NULL AND loaded_at >= $start AND loaded_at < $stop)",
    "observability": "true",
    "unknown_ids": _OVERLAP,
    "month_figures": "month = $month",
    "month_surfaces": "month = $month",
    "month_work": "month = $month",
    "recording_facts": "true",
    "recording_channels": "true",
}
_ORDER: Final = {
    "vehicle_health": "rank",
    "indicators": "vehicle_id, indicator, wheel",
    "indicator_trips": "vehicle_id, indicator, wheel, on_day, trip",
    "driver_style": "rank",
    "driver_coaching": "driver_id, position",
    "exposure_summary": "depot",
    "inspection_plan": "planned_on, depot, position",
    "plan_days": "depot, day",
    "plan_summary": "depot NULLS LAST",
    "flags": "raised_on, vehicle_id, indicator, wheel NULLS FIRST, flag_id",
    "predictions": "made_on, as_of, rank",
    "inspection_evidence": "inspected_on, vehicle_id, inspection_id",
    "inspection_outcomes": "inspected_on, vehicle_id",
    "model_quality": "model, figure",
    "events": "started_at, event_id",
    "event_wheels": "event_id, wheel",
    "ingest_log": "path",
    "observability": "subject",
    "unknown_ids": "kind, id",
    "month_figures": "depot NULLS LAST, category NULLS LAST",
    "month_surfaces": "depot NULLS LAST, category NULLS LAST, surface NULLS LAST",
    "month_work": "vehicle_id",
    "recording_facts": "vehicle_id",
    "recording_channels": "vehicle_id, channel",
}

#: The current plan whole, as :func:`fleetbrake.reports.reads.plan` has it.
PLAN_SQL: Final = "SELECT * FROM inspection_plan ORDER BY planned_on NULLS LAST, depot, position, vehicle_id"


@dataclass(frozen=True)
class MonthFigures:
    """Counts of one month; the ``*_unknown`` ones could not be observed and are in no other count.

    ``events`` are brake applications; ``not_braking``: other events, which are in no other count.
    """

    events: int
    not_braking: int
    vehicles: int
    drivers: int
    hard_stops: int
    modulation: int
    lockup: int
    lockup_above_cutoff: int
    hard_stop_unknown: int
    modulation_unknown: int
    lockup_unknown: int
    files: int
    files_rejected: int


@dataclass(frozen=True)
class Period:
    """A month in UTC, first moment in, last out."""

    month: str
    start: datetime
    stop: datetime

    @property
    def days(self) -> tuple[date, date]:
        """First day, and first day after."""
        return self.start.date(), self.stop.date()

    @property
    def last_day(self) -> date:
        """Last day of the month."""
        return self.stop.date() - timedelta(days=1)

    @property
    def not_scored(self) -> str:
        """What to say where no score lies in the month."""
        return f"not scored in this month; run `fleetbrake score --as-of {self.last_day}`"


def period(month: str) -> Period:
    """The month ``YYYY-MM``.

    Raises
    ------
    InputError
        If the text is no month.
    """
    found = re.fullmatch(r"([0-9]{4})-([0-9]{2})", month)
    if not found or not 1 <= int(found[2]) <= 12 or not 1900 <= int(found[1]) < 9999:
        raise InputError(f"{month!r} is no month: give it as YYYY-MM, for example 2026-01.")
    year, number = int(found[1]), int(found[2])
    after = datetime(year + number // 12, number % 12 + 1, 1, tzinfo=UTC)
    return Period(month, datetime(year, number, 1, tzinfo=UTC), after)


def _query(name: str, columns: str = "*") -> tuple[str, list[str]]:
    """SELECT of a table's rows of the month; the names of its parameters in order."""
    names = re.findall(r"\$(\w+)", _WHERE[name])
    where = re.sub(r"\$\w+", "?", _WHERE[name])
    return f'SELECT {columns} FROM "{name}" WHERE {where} ORDER BY {_ORDER[name]}', names  # noqa: S608 - own constants


def _values(of: Period, names: list[str]) -> list[object]:
    first_day, next_day = of.days
    known: dict[str, object] = {"start": of.start, "stop": of.stop, "first_day": first_day, "next_day": next_day}
    known["month"] = of.month
    return [known[name] for name in names]


def month_events(store: Path, month: str) -> pd.DataFrame:
    """Events of the month with what charts need: id, start and classes."""
    sql, names = _query("events", "event_id, started_at, hard_stop, modulation, lockup, lockup_above_cutoff")
    return frame(store, sql, _values(period(month), names))


def month_figures(store: Path, month: str) -> MonthFigures:
    """Counts of one month, straight from ``events`` and ``ingest_log``."""
    of = period(month)
    row = frame(
        store,
        """
        SELECT count(*) FILTER (not_braking IS NULL) AS events, count(not_braking) AS not_braking,
               count(DISTINCT vehicle_id) AS vehicles, count(DISTINCT driver_id) AS drivers,
               count(*) FILTER (hard_stop) AS hard_stops, count(*) FILTER (modulation) AS modulation,
               count(*) FILTER (lockup) AS lockup, count(*) FILTER (lockup_above_cutoff) AS lockup_above_cutoff,
               count(*) FILTER (hard_stop IS NULL AND not_braking IS NULL) AS hard_stop_unknown,
               count(*) FILTER (modulation IS NULL AND not_braking IS NULL) AS modulation_unknown,
               count(*) FILTER (lockup IS NULL AND not_braking IS NULL) AS lockup_unknown
        FROM events WHERE started_at >= ? AND started_at < ?
        """,
        [of.start, of.stop],
    ).iloc[0]
    sql, names = _query("ingest_log", "status")
    status = frame(store, sql, _values(of, names))["status"]
    counts = {str(k): int(v) for k, v in row.items()}
    return MonthFigures(**counts, files=len(status), files_rejected=int((status == "rejected").sum()))


def month_tables(store: Path, month: str, alias: Callable[[str], str] | None) -> dict[str, pa.Table]:
    """Every table of :data:`fleetbrake.core.tables.TABLES`, filtered to the month, columns in the published order.

    ``alias`` replaces each driver's id, wherever it stands (also inside free text and paths), and empties trips and
    places; None leaves them as they are. Paths are cut to their last two parts for everybody.
    """
    return tables_and_plan(store, month, alias)[0]


def tables_and_plan(
    store: Path, month: str, alias: Callable[[str], str] | None
) -> tuple[dict[str, pa.Table], pd.DataFrame]:
    """:func:`month_tables`, and the whole plan as :func:`fleetbrake.reports.reads.plan`, told by the same rules."""
    of = period(month)
    tables = {}
    for name, columns in TABLES.items():
        sql, names = _query(name, ", ".join(_reported(name, c.name) for c in columns))
        tables[name] = arrow(store, sql, _values(of, names))
    plan = arrow(store, PLAN_SQL)
    told = fit_to_tell(store, alias)
    return told(tables), nullable_frame(told({"inspection_plan": plan})["inspection_plan"])


def _reported(table: str, column: str) -> str:
    """The column as it is reported: a sum of distances without the binary dust in its last digits."""
    if (table, column) == ("driver_style", "distance_km"):
        return 'round("distance_km", 3) AS "distance_km"'
    return f'"{column}"'


def month_scored(store: Path, month: str) -> date | None:
    """The newest day of the month that was scored; None if there is none."""
    of = period(month)
    found = frame(store, "SELECT " + re.sub(r"\$\w+", "?", _NEWEST_OF_MONTH) + " AS as_of", of.days)["as_of"].iloc[0]
    return None if pd.isna(found) else pd.Timestamp(found).date()

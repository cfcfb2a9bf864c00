"""The plan as files and the terminal tell it: one consistent read, in the order in which a planner must see it."""

import math
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final

import pandas as pd

from fleetbrake.access.roles import NOBODY
from fleetbrake.core.vocabulary import INDICATORS, wheel_words
from fleetbrake.reports import look
from fleetbrake.reports.source import nullable_frame, published
from fleetbrake.reports.veil import veil

_VISITS: Final = """
WITH health AS (FROM vehicle_health WHERE as_of = (SELECT max(as_of) FROM vehicle_health)),
flagged AS (SELECT vehicle_id, min(raised_on) AS flagged_on FROM flags WHERE state <> 'closed' GROUP BY vehicle_id)
SELECT p.*, coalesce(v.category, h.category) AS category, v.max_mass_kg, v.odometer_km, h.km_since_roller_test,
       f.flagged_on
FROM inspection_plan AS p
LEFT JOIN vehicles AS v USING (vehicle_id)
LEFT JOIN health AS h USING (vehicle_id)
LEFT JOIN flagged AS f USING (vehicle_id)
ORDER BY p.planned_on NULLS LAST, p.depot NULLS FIRST, p.position, h.rank NULLS LAST, p.due_on NULLS LAST, p.vehicle_id
"""
_DAYS: Final = "SELECT * FROM plan_days ORDER BY depot NULLS FIRST, day"
_IDLE: Final = """
SELECT DISTINCT depot FROM capacity
WHERE depot IS NOT NULL AND depot NOT IN (SELECT depot FROM plan_summary WHERE depot IS NOT NULL)
ORDER BY depot
"""
_SUMMARY: Final = "SELECT * FROM plan_summary ORDER BY depot NULLS FIRST"
_AS_OF: Final = "SELECT coalesce((SELECT max(as_of) FROM plan_summary), (SELECT max(as_of) FROM vehicle_health))"

#: Age of scores from which a plan tells it (d): own choice, a weekend is no news.
OLD_DAYS: Final = 3
_MOST_NAMED: Final = 12

#: Relative gap up to which a plan is called proven best: far beyond the precision of hours and probabilities.
PROVEN: Final = 1e-6


@dataclass(frozen=True)
class PlanTold:
    """The current plan.

    Attributes
    ----------
    as_of : day of the scores that it rests on; None where nothing was scored.
    visits : every row of ``inspection_plan`` with ``category``, ``max_mass_kg``, ``odometer_km``,
        ``km_since_roller_test`` and ``flagged_on`` (day of the oldest flag that is not closed) beside it, in the order
        of day, depot and position, those without a day last by rank. Drivers in sentences are under their aliases.
    days : every row of ``plan_days`` by depot and day.
    summary : every row of ``plan_summary`` by depot.
    idle_depots : depots of the register of capacity that no vehicle belongs to, most likely under another name.
    """

    as_of: date | None
    visits: pd.DataFrame
    days: pd.DataFrame
    summary: pd.DataFrame
    idle_depots: tuple[str, ...] = ()

    def rests_on(self, today: date | None = None) -> list[str]:
        """Sentences on what the plan does not know; with ``today`` how old its scores are, where that matters."""
        told = []
        if self.as_of is not None and not self.summary.empty:
            age = 0 if today is None else (today - self.as_of).days
            said = f"From the scores of {look.day(self.as_of)}"
            unknown = ": recordings since then are not in it, dates and reports only as far as they were taken in."
            if age > OLD_DAYS:
                said += f", {age} days ago, so that days of it are over"
            told.append(said + (unknown if today is None or age > OLD_DAYS else "."))
        if self.idle_depots:
            more = f" and {len(self.idle_depots) - _MOST_NAMED} more" if len(self.idle_depots) > _MOST_NAMED else ""
            named = ", ".join(self.idle_depots[:_MOST_NAMED]) + more
            told.append(f"The register of capacity names depots that no vehicle belongs to: {named}.")
        return told

    @property
    def dates_lost(self) -> list[dict[str, Any]]:
        """Visits with a statutory date that cannot be kept, by that date; some of them have a day for something else.

        Vehicles outside the days of the plan are not among them; their note tells it.
        """
        rows = records(self.visits[self.visits["date_lost"].notna() & ~self._urgent])
        return sorted(rows, key=lambda row: row["date_lost"])

    @property
    def planned(self) -> list[dict[str, Any]]:
        """Visits that have a day."""
        return records(self.visits[self.visits["planned_on"].notna()])

    @property
    def before_next_trip(self) -> list[dict[str, Any]]:
        """Vehicles outside the days of the plan: they must be inspected before they go on the road."""
        return records(self.visits[self.visits["planned_on"].isna() & self._urgent])

    @property
    def without_day(self) -> list[dict[str, Any]]:
        """Visits that found no day, statutory dates that cannot be kept first; the note says why."""
        rows = records(self.visits[self.visits["planned_on"].isna() & ~self._urgent])
        return sorted(rows, key=lambda row: row["date_lost"] or date.max)

    @property
    def _urgent(self) -> pd.Series:
        return self.visits["priority"].eq("before_next_trip").fillna(False).astype(bool)


def plan_told(store: Path) -> PlanTold:
    """Read the current plan at one moment.

    Raises
    ------
    StoreError
        Nothing was published yet, or it cannot be read.
    """
    with published(store) as con:
        visits, days, summary = (nullable_frame(con.sql(sql).to_arrow_table()) for sql in (_VISITS, _DAYS, _SUMMARY))
        ((as_of,),) = con.execute(_AS_OF).fetchall()
        idle = tuple(depot for (depot,) in con.execute(_IDLE).fetchall()) if len(summary) else ()
    if "date_lost" not in visits:
        visits["date_lost"] = None  # a plan made before the column was: the notes tell it
    hidden = veil(store, NOBODY)
    return PlanTold(as_of, hidden.frame(visits), days, hidden.frame(summary), idle)


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as dictionaries; whatever is missing is None."""
    return [
        {str(name): (None if pd.isna(value) else value) for name, value in row.items()}
        for row in frame.to_dict("records")
    ]


def purpose(row: dict[str, Any]) -> str:
    """What a visit is for, in a few words: the statutory date, the indicator with its wheel, the lot."""
    parts = []
    if row["statutory"]:
        parts.append(f"statutory inspection ({str(row['statutory']).replace('+', ', ')})")
    if row["indicator"]:
        wheel = wheel_words(row["wheel"])
        words = INDICATORS.get(str(row["indicator"]), "open report")
        parts.append(words + (f", {wheel}" if wheel else ""))
    if row["drawn"]:
        parts.append("drawn by lot")
    return "; ".join(parts) or "inspection"


def early_finds(summary: pd.DataFrame) -> str:
    """What the plan is expected to bring, and how near to the best possible plan it is; empty without a summary."""
    if summary.empty:
        return ""
    days = summary["defect_days"].sum(skipna=False)
    gained = look.MISSING if pd.isna(days) else f"{days:,.1f}"
    return (
        f"Expected early finds: {gained} defect days (probability of a defect times days it is found earlier, summed); "
        f"{nearness(summary)}."
    )


def nearness(summary: pd.DataFrame) -> str:
    """``proven best``, or by how much of the best possible gain the plan may fall short at most, over all depots."""
    gain, bound = (summary[name].sum(skipna=False) for name in ("gain", "gain_bound"))
    if pd.isna(gain) or pd.isna(bound):
        return "how far from the best possible plan is not known"
    gap = max(float(bound - gain), 0.0) / max(abs(float(bound)), 1e-9)
    return "proven best" if gap <= PROVEN else f"at most {_upwards(100.0 * gap)} % from the best possible plan"


def _upwards(percent: float) -> str:
    """Two figures that matter, rounded up: a bound may not shrink by rounding."""
    step = 10.0 ** (math.floor(math.log10(percent)) - 1)
    steps = math.ceil(round(percent / step, 6))
    return f"{steps * step:.0f}" if percent >= 10.0 else f"{steps * step:.2g}"

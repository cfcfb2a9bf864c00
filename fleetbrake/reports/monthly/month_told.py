"""All that a month's files tell, read once from one published file: every form is written from this alone."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path

import pandas as pd
import pyarrow as pa

from fleetbrake.core.errors import InputError
from fleetbrake.reports.aliases import aliases
from fleetbrake.reports.measures import METRIC, Measures
from fleetbrake.reports.month_reads import months
from fleetbrake.reports.monthly.month_data import (
    MonthFigures,
    Period,
    month_events,
    month_figures,
    period,
    tables_and_plan,
)
from fleetbrake.reports.monthly.month_drivers import month_drivers
from fleetbrake.reports.monthly.month_flags import open_flags
from fleetbrake.reports.monthly.month_hits import hit_rate
from fleetbrake.reports.monthly.month_inspect import statutory_dates, to_inspect
from fleetbrake.reports.monthly.month_rates import fleet_months, month_rates
from fleetbrake.reports.monthly.month_remarks import remarks_of
from fleetbrake.reports.monthly.month_silence import month_silence
from fleetbrake.reports.source import one_snapshot


@dataclass(frozen=True)
class MonthTold:
    """One month, ready to be written in any form.

    ``figures`` : the month's counts.
    ``tables`` : the report's own tables (``core.report_tables``) first, then every published table filtered to the
        month, in the order of ``core.tables``; drivers under aliases where ``aliased``, paths cut short; SI units.
    ``events`` : events of the month with start and classes, as :func:`.month_data.month_events` gives them.
    ``plan`` : the current plan as :func:`fleetbrake.reports.reads.plan`, whatever month its days lie in, under aliases.
    ``dates`` : earliest statutory date by vehicle, as :func:`.month_inspect.statutory_dates` gives it.
    ``remarks`` : what a reader must know of this month, in sentences (metric).
    """

    of: Period
    measures: Measures
    aliased: bool
    figures: MonthFigures
    tables: dict[str, pa.Table]
    events: pd.DataFrame
    plan: pd.DataFrame
    remarks: tuple[str, ...]
    dates: Mapping[str, date] = field(default_factory=dict)


def month_told(
    store: Path,
    month: str,
    measures: Measures = METRIC,
    safety_role: bool = False,
    *,
    today: date | None = None,
) -> MonthTold:
    """Read the month; a newer file that is published meanwhile changes nothing of it.

    Drivers appear under stable aliases, and no trip or place, unless ``safety_role``. A month without any data gives
    empty tables and a remark that says so. ``today`` is the present day in UTC by default.

    Raises
    ------
    InputError
        If ``month`` is no ``YYYY-MM``, or begins after ``today``.
    StoreError
        If the store has nothing published, or was published by an earlier version.
    """
    of = period(month)
    if of.days[0] > (today or datetime.now(UTC).date()):
        raise InputError(f"{of.month} has not begun yet (UTC): there is nothing to report.")
    with one_snapshot(store):
        alias = None if safety_role else aliases(store)
        figures = month_figures(store, of.month)
        tables, plan = tables_and_plan(store, of.month, alias)
        health = tables["vehicle_health"]
        dates = statutory_dates(store, health["as_of"][0].as_py() if health.num_rows else None)
        listed = {"to_inspect": to_inspect(health, plan, dates)}
        tables = report_tables(store, of, alias) | listed | tables
        return MonthTold(
            of=of,
            measures=measures,
            aliased=not safety_role,
            figures=figures,
            tables=tables,
            events=month_events(store, of.month),
            plan=plan,
            dates=dates,
            remarks=remarks_of(of, figures, tables, months(store)),
        )


def report_tables(store: Path, of: Period, alias: Callable[[str], str] | None = None) -> dict[str, pa.Table]:
    """The tables that only a month's report has and the store alone gives, in the order of ``core.report_tables``;
    ``alias`` replaces drivers' ids."""
    return {
        "fleet_months": fleet_months(store, of),
        "month_rates": month_rates(store, of),
        "hit_rate": hit_rate(store, of),
        "open_flags": open_flags(store, of),
        "month_drivers": month_drivers(store, of, alias),
        "month_silence": month_silence(store, of),
    }

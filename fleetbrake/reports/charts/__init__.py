"""Charts as pure functions of data frames, shared by the pages and the month files.

Each takes a frame as :mod:`fleetbrake.reports.reads` or :mod:`fleetbrake.reports.traces` gives it and returns an
Altair chart, the replay of an event a Vega-Lite specification. An empty frame gives a chart without marks, never an
error.
"""

from fleetbrake.reports.charts.event import event_chart
from fleetbrake.reports.charts.finding import finding_over_time
from fleetbrake.reports.charts.fleet import (
    driver_rates,
    events_by_day,
    notable_days,
    one_driver_rates,
    ranked_scores,
)
from fleetbrake.reports.charts.model import calibration_chart
from fleetbrake.reports.charts.month import month_trend
from fleetbrake.reports.charts.place import place_chart
from fleetbrake.reports.charts.plan import plan_load
from fleetbrake.reports.charts.vehicle import events_over_time, indicator_deviations, score_over_time
from fleetbrake.reports.charts.wheels import wheel_plan

__all__ = [
    "calibration_chart",
    "driver_rates",
    "event_chart",
    "events_by_day",
    "events_over_time",
    "finding_over_time",
    "indicator_deviations",
    "month_trend",
    "notable_days",
    "one_driver_rates",
    "place_chart",
    "plan_load",
    "ranked_scores",
    "score_over_time",
    "wheel_plan",
]

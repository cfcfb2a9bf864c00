"""One figure of the fleet or of a part of it, month by month, with its interval."""

from typing import Any

import altair as alt
import pandas as pd

from fleetbrake.reports import look
from fleetbrake.reports.charts.style import styled, values
from fleetbrake.reports.measures import METRIC, Measures

_FIGURES = ("value", "low", "high")


def month_trend(
    trend: pd.DataFrame,
    *,
    highest: float | None = None,
    width: int | str = "container",
    height: int = 150,
    measures: Measures = METRIC,
) -> Any:
    """Rates (or counts, where no kilometres are known) of one part, with the 90 % interval of each; the last month is
    the one looked at and filled.

    ``trend`` holds the rows of one part as :func:`fleetbrake.reports.month_reads.trend` gives them. ``highest`` is the
    top of the axis in the figures of ``trend``, so that several parts can be compared; by default their own. A month
    of which nothing is known leaves a gap.
    """
    rate = bool(trend["per_distance"].any()) if len(trend) else True
    shown = trend[["month", "events", "unknown", "count", "km", *_FIGURES]].copy()
    for name in _FIGURES:
        shown[name] = measures.of("per_distance", shown[name].astype(float)) if rate else shown[name].astype(float)
    shown["distance"] = measures.of("distance", shown["km"].astype(float))
    shown["looked_at"] = shown["month"] == (shown["month"].iloc[-1] if len(shown) else "")
    # each stretch of known months is a line of its own: what is not known is not bridged
    known = shown["value"].notna()
    shown["stretch"] = (known != known.shift()).cumsum()
    reached = shown["high"].max() if highest is None else (measures.of("per_distance", highest) if rate else highest)
    top = float(reached) if pd.notna(reached) and reached > 0 else 1.0
    title = measures.label("per_distance") if rate else "a month (counted)"
    scale = alt.Scale(domain=[0, top], nice=True)
    y = alt.Y("value:Q", title=title, scale=scale, axis=alt.Axis(tickCount=4))
    x = alt.X(
        "month:O",
        title=None,
        scale=alt.Scale(domain=shown["month"].tolist()),
        axis=alt.Axis(labelAngle=-60, grid=False, labelOverlap="greedy"),
    )
    base = alt.Chart(values(shown[known])).encode(x=x)
    rules = base.mark_rule(strokeWidth=5, color="#b9cdd3", strokeCap="round").encode(
        y=alt.Y("low:Q", title=title, scale=scale), y2="high:Q"
    )
    line = base.mark_line(color=look.QUIET, strokeWidth=1).encode(y=y, detail="stretch:N")
    points = base.mark_point(size=48, strokeWidth=1.8, color="#0d4a57", opacity=1).encode(
        y=y,
        fill=alt.Fill("looked_at:N", scale=alt.Scale(domain=[False, True], range=["white", "#0d4a57"]), legend=None),
        tooltip=_tooltip(title, measures),
    )
    return styled((rules + line + points).properties(width=width, height=height))


def _tooltip(title: str, measures: Measures) -> list[alt.Tooltip]:
    return [
        alt.Tooltip("month:O", title="month"),
        alt.Tooltip("value:Q", title=title, format=".2f"),
        alt.Tooltip("low:Q", title="from", format=".2f"),
        alt.Tooltip("high:Q", title="to", format=".2f"),
        alt.Tooltip("count:Q", title="events counted"),
        alt.Tooltip("unknown:Q", title="could not be observed"),
        alt.Tooltip("distance:Q", title=f"observed {measures.label('distance')}", format=",.0f"),
    ]

"""How full the days of the plan are, depot by depot."""

from typing import Any

import altair as alt
import pandas as pd

from fleetbrake.reports import look
from fleetbrake.reports.charts.style import styled, values


def plan_load(days: pd.DataFrame, width: int | str = "container") -> Any:
    """Share of each depot's bay hours that is taken, day by day; the hours stand in every field, closed days say so.

    ``days`` holds the columns of the table ``plan_days``.
    """
    shown = days.assign(
        place=days["depot"].astype(object).where(days["depot"].notna(), "no depot"),
        on=[f"{pd.Timestamp(day):%d %b}" for day in days["day"]],
        taken=days["booked_hours"].fillna(0.0) + days["held_hours"].fillna(0.0),
    )
    open_day = shown["bay_hours"] > 0
    shown["share"] = (shown["taken"] / shown["bay_hours"].where(open_day)).astype(float)
    shown["says"] = [
        f"{row['taken']:.3g} / {row['bay_hours']:.3g}" if row["bay_hours"] > 0 else "closed"
        for row in shown.to_dict("records")
    ]
    shown["dark"] = shown["share"].fillna(0.0) > 0.6
    kept = shown[["place", "on", "taken", "bay_hours", "visits", "share", "says", "dark"]]
    order = list(dict.fromkeys(shown.sort_values("day")["on"]))
    base = alt.Chart(values(kept)).encode(
        x=alt.X("on:N", sort=order, title=None, axis=alt.Axis(labelAngle=0, orient="top")),
        y=alt.Y("place:N", title=None),
    )
    fields = base.mark_rect(stroke="white").encode(
        color=alt.Color(
            "share:Q",
            scale=alt.Scale(domain=[0, 1], range=list(look.DEVIATION_RANGE), clamp=True),
            legend=alt.Legend(title="share of bay hours taken", format="%", orient="bottom"),
        ),
        tooltip=[
            alt.Tooltip("place:N", title="depot"),
            alt.Tooltip("on:N", title="day"),
            alt.Tooltip("taken:Q", title="hours taken", format=".3g"),
            alt.Tooltip("bay_hours:Q", title="bay hours", format=".3g"),
            alt.Tooltip("visits:Q"),
        ],
    )
    words = base.mark_text(fontSize=11).encode(
        text="says:N", color=alt.condition("datum.dark", alt.value("white"), alt.value(look.INK))
    )
    return styled((fields + words).properties(width=width, height=max(60, 34 * kept["place"].nunique())))

"""One finding over time: what each trip shows, what is expected, the day it began."""

from typing import Any

import altair as alt
import pandas as pd

from fleetbrake.reports import look
from fleetbrake.reports.charts.style import styled, values

_NOW, _BEFORE = "what is judged", "before it began"


def finding_over_time(
    trips: pd.DataFrame, finding: dict[Any, Any], width: int | str = "container", height: int = 190
) -> Any:
    """Value of each trip by day; filled: what is judged as now, hollow: before it began.

    ``trips`` as :func:`fleetbrake.reports.reads.indicator_trips` gives them, ``finding`` a row of ``indicators_of``:
    its ``value`` and ``expected`` are lines, ``first_seen_on`` a mark.
    """
    shown = trips[["on_day", "trip", "value", "events", "event_id"]].assign(
        part=[_NOW if counts else _BEFORE for counts in trips["counts"]]
    )
    x = alt.X("on_day:T", title=None, scale=alt.Scale(type="utc"), axis=alt.Axis(format="%-d %b", grid=False))
    y = alt.Y("value:Q", title=look.text(finding.get("unit")), scale=alt.Scale(zero=False))
    legend = alt.Legend(title=None, orient="top")
    points = (
        alt.Chart(values(shown))
        .mark_point(size=48, color=look.INK)
        .encode(
            x=x,
            y=y,
            fill=alt.Fill("part:N", scale=alt.Scale(domain=[_NOW, _BEFORE], range=["#3f8790", "white"]), legend=legend),
            shape=alt.Shape(
                "part:N", scale=alt.Scale(domain=[_NOW, _BEFORE], range=["circle", "square"]), legend=legend
            ),
            tooltip=[
                alt.Tooltip("on_day:T", title="day", format="%-d %b %Y"),
                alt.Tooltip("trip:N"),
                alt.Tooltip("value:Q", format=".4g"),
                alt.Tooltip("events:Q"),
                alt.Tooltip("event_id:N", title="most telling event"),
            ],
        )
    )
    return styled((_lines(finding) + points + _began(finding, x)).properties(width=width, height=height))


def _lines(finding: dict[Any, Any]) -> Any:
    rows = [
        {"value": finding.get(name), "line": word}
        for name, word in (("expected", "expected"), ("value", "this vehicle"))
        if pd.notna(finding.get(name))
    ]
    rows.sort(key=lambda row: float(row["value"]))  # type: ignore[arg-type]
    base = alt.Chart(values(pd.DataFrame(rows, columns=["value", "line"]))).encode(y="value:Q")
    rules = base.mark_rule(color=look.QUIET).encode(
        strokeDash=alt.StrokeDash(
            "line:N", legend=None, scale=alt.Scale(domain=["expected", "this vehicle"], range=[[6, 4], [1, 0]])
        ),
    )
    # beside the plot, where no trip lies; one above the other where both lines are close
    for number, row in enumerate(rows):
        name = alt.Chart(values(pd.DataFrame([row]))).encode(y="value:Q", x=alt.value("width"), text="line:N")
        rules += name.mark_text(align="left", dx=6, dy=-6 if number else 6, color=look.QUIET, fontSize=12)
    return rules


def _began(finding: dict[Any, Any], x: alt.X) -> Any:
    day = finding.get("first_seen_on")
    rows = [{"on_day": pd.Timestamp(day), "says": f"began {look.day(day)}"}] if pd.notna(day) else []
    frame = pd.DataFrame(rows, columns=["on_day", "says"])
    base = alt.Chart(values(frame)).encode(x=x)
    words = base.mark_text(align="left", dx=4, color="#3b1c54", fontSize=12, fontWeight="bold")
    return base.mark_rule(color="#3b1c54", strokeWidth=1.5) + words.encode(y=alt.value(8), text="says:N")

"""Charts of the whole fleet: ranked scores, drivers, events by day."""

from typing import Any

import altair as alt
import pandas as pd

from fleetbrake.reports import look
from fleetbrake.reports.charts.style import styled, values
from fleetbrake.reports.measures import METRIC, Measures


def ranked_scores(ranked: pd.DataFrame, most: int = 25, width: int | str = "container") -> Any:
    """Score and interval of the first ``most`` vehicles by rank; vehicles without a score keep their row, empty.

    ``ranked`` as :func:`fleetbrake.reports.reads.ranked` gives it.
    """
    top = ranked.sort_values("rank").head(most)[
        ["rank", "vehicle_id", "priority", "health_score", "score_low", "score_high", "events_used"]
    ]
    top = top.assign(
        soon=[look.priority_text(p) for p in top["priority"]],
        label=[f"{r}. {v}" for r, v in zip(top["rank"], top["vehicle_id"], strict=True)],
    )
    base = alt.Chart(values(top)).encode(
        y=alt.Y("label:N", sort=top["label"].tolist(), title=None),
        tooltip=[
            alt.Tooltip("vehicle_id:N", title="vehicle"),
            alt.Tooltip("soon:N", title="priority"),
            alt.Tooltip("health_score:Q", title="score", format=".0f"),
            alt.Tooltip("score_low:Q", title="from", format=".0f"),
            alt.Tooltip("score_high:Q", title="to", format=".0f"),
            alt.Tooltip("events_used:Q", title="events looked at"),
        ],
    )
    scale = alt.Scale(domain=list(look.PRIORITY_WORDS), range=list(look.PRIORITY_COLOURS))
    colour = alt.Color("soon:N", scale=scale, legend=alt.Legend(title=None, orient="top", columns=6))
    x = alt.Scale(domain=[0, 100])
    bars = base.mark_bar(height=9, cornerRadius=4, stroke=look.QUIET, strokeWidth=0.5).encode(
        x=alt.X(
            "score_low:Q", scale=x, title="health score (0 to 100; 100 = nothing found)", axis=alt.Axis(tickCount=5)
        ),
        x2="score_high:Q",
        color=colour,
    )
    points = base.mark_point(filled=True, size=60, color="white", stroke=look.INK, strokeWidth=1.6, opacity=1).encode(
        x=alt.X("health_score:Q", scale=x)
    )
    words = base.mark_text(align="left", dx=9, fontSize=11, color=look.QUIET).encode(
        x=alt.X("score_high:Q", scale=x), text="soon:N"
    )
    return styled((bars + points + words).properties(width=width, height=max(40, 22 * len(top))))


def driver_rates(
    drivers: pd.DataFrame, most: int = 25, width: int | str = "container", measures: Measures = METRIC
) -> Any:
    """Hard stops over distance by driver: as counted (open circle), adjusted (filled diamond) with its 90 % interval.

    ``drivers`` as :func:`fleetbrake.reports.reads.drivers` gives it; the first ``most`` by rank are drawn.
    """
    top = drivers.sort_values("rank").head(most)
    top = top.assign(label=[f"{r}. {d}" for r, d in zip(top["rank"], top["driver_id"], strict=True)])
    y = alt.Y("label:N", sort=top["label"].tolist(), title=None)
    return styled(_rates(top, y, measures).properties(width=width, height=max(40, 24 * len(top))))


def one_driver_rates(driver: pd.DataFrame, fleet: float | None, width: int = 520, measures: Measures = METRIC) -> Any:
    """The two rates of one driver, without a name, and a line for the fleet as a whole (per 1000 km; None: not known).

    ``driver`` is one row as :func:`fleetbrake.reports.reads.drivers` gives it.
    """
    y = alt.Y("label:N", title=None, axis=None)
    drawn = _rates(driver.assign(label=""), y, measures)
    if fleet is not None:
        line = pd.DataFrame({"rate": [measures.of("per_distance", fleet)], "says": ["all drivers"]})
        rule = alt.Chart(values(line)).mark_rule(strokeDash=[4, 3], color=look.QUIET, strokeWidth=1.4)
        word = alt.Chart(values(line)).mark_text(align="left", dx=4, dy=-16, fontSize=11, color=look.QUIET)
        drawn = drawn + rule.encode(x="rate:Q") + word.encode(x="rate:Q", text="says:N")
    return styled(drawn.properties(width=width, height=46))


def _rates(top: pd.DataFrame, y: alt.Y, measures: Measures) -> alt.LayerChart:
    """Both rates of each row of ``top`` (which has a label) over one axis in the units of ``measures``."""
    names = {"hard_stops_per_1000km": "as counted", "adjusted_hard_stops_per_1000km": "adjusted, with 90 % interval"}
    rates = ["adjusted_low", "adjusted_high", *names]
    shown = top.assign(**{name: measures.of("per_distance", top[name].astype(float)) for name in rates})
    kept = ["label", "driver_id", "adjusted_low", "adjusted_high"]
    long = shown[[*kept, *names]].melt(id_vars=kept, var_name="which", value_name="rate")
    long["which"] = long["which"].map(names)
    unit = measures.label("per_distance")
    title = f"hard stops {unit}"
    rules = (
        alt.Chart(values(shown[kept]))
        .mark_rule(strokeWidth=7, color="#b9cdd3", strokeCap="round")
        .encode(y=y, x=alt.X("adjusted_low:Q", title=title), x2="adjusted_high:Q")
    )
    box = alt.Legend(title=None, orient="top")
    points = (
        alt.Chart(values(long))
        .mark_point(size=75, strokeWidth=2, color="#0d4a57", opacity=1)
        .encode(
            y=y,
            x=alt.X("rate:Q", title=title, scale=alt.Scale(zero=True)),
            fill=alt.Fill(
                "which:N", scale=alt.Scale(domain=list(names.values()), range=["white", "#0d4a57"]), legend=box
            ),
            shape=alt.Shape(
                "which:N", scale=alt.Scale(domain=list(names.values()), range=["circle", "diamond"]), legend=box
            ),
            tooltip=[
                alt.Tooltip("driver_id:N", title="driver"),
                alt.Tooltip("which:N", title="rate"),
                alt.Tooltip("rate:Q", title=unit, format=".2f"),
                alt.Tooltip("adjusted_low:Q", title="adjusted from", format=".2f"),
                alt.Tooltip("adjusted_high:Q", title="adjusted to", format=".2f"),
            ],
        )
    )
    return rules + points


def events_by_day(events: pd.DataFrame, month: str, width: int | str = "container", height: int = 180) -> Any:
    """Events of each day of ``month`` (YYYY-MM, UTC) by class; see :func:`notable_days`.

    ``events`` has started_at and the three classes.
    """
    days = events["started_at"].dt.strftime("%d") if len(events) else pd.Series(dtype=str)
    parts = [
        days[events[column].fillna(False).astype(bool)].value_counts().rename_axis("day").reset_index(name="events")
        for column in look.EVENT_CLASSES
    ]
    words = [word for word, _, _ in look.EVENT_SHOWS]
    counted = pd.concat([part.assign(shows=word) for part, word in zip(parts, words, strict=False)], ignore_index=True)
    return notable_days(counted.sort_values(["day", "shows"], ignore_index=True), month, width, height)


def notable_days(counted: pd.DataFrame, month: str, width: int | str = "container", height: int = 180) -> Any:
    """Events of each day of ``month`` from counts: day (01 to 31), shows, events.

    One bar a class, beside each other: an event counts in every class that it shows, so that the bars of a class add
    up to its number of the month. Ordinary events are in none.
    """
    shown = [(word, colour) for word, _, colour in look.EVENT_SHOWS[:3]]
    words = [word for word, _ in shown]
    chart = (
        alt.Chart(values(counted))
        .mark_bar()
        .encode(
            x=alt.X(
                "day:O",
                title=f"day of {month} (UTC)",
                scale=alt.Scale(
                    domain=[f"{d:02d}" for d in range(1, pd.Period(month).days_in_month + 1)], paddingInner=0.3
                ),
                axis=alt.Axis(labelAngle=0, grid=False),
            ),
            xOffset=alt.XOffset("shows:N", scale=alt.Scale(domain=words)),
            y=alt.Y("events:Q", title="events a day", axis=_count_axis(counted)),
            color=alt.Color(
                "shows:N",
                scale=alt.Scale(domain=words, range=[colour for _, colour in shown]),
                legend=alt.Legend(title=None, orient="top"),
            ),
            tooltip=[alt.Tooltip("day:N"), alt.Tooltip("shows:N", title="shows"), alt.Tooltip("events:Q")],
        )
    )
    return styled(chart.properties(width=width, height=height))


def _count_axis(counted: pd.DataFrame) -> alt.Axis:
    """Whole numbers only: a day has no half event."""
    highest = int(counted["events"].max()) if len(counted) else 1
    step = max(1, -(-highest // 5))
    return alt.Axis(values=list(range(0, highest + step, step)), format="d")

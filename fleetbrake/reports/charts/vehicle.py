"""Charts of one vehicle: its indicators, its score day by day, its events over time."""

from typing import Any

import altair as alt
import pandas as pd

from fleetbrake.core.vocabulary import wheel_words
from fleetbrake.reports import look
from fleetbrake.reports.charts.style import styled, values
from fleetbrake.reports.measures import METRIC, Measures

#: Room for an indicator and its position (px).
_LABEL_LIMIT = 270


def _deviation_colour(field: str, legend: bool = False) -> alt.Color:
    return alt.Color(
        field,
        scale=alt.Scale(domain=[0, 2, 4, look.DEVIATION_FULL], range=list(look.DEVIATION_RANGE), clamp=True),
        legend=alt.Legend(title="standard errors", orient="bottom") if legend else None,
    )


def indicator_deviations(indicators: pd.DataFrame, most: int = 12, width: int | str = "container") -> Any:
    """How far each indicator is from what was expected, in standard errors; to the right is worse.

    ``indicators`` as :func:`fleetbrake.reports.reads.indicators_of` gives it; the ``most`` greatest are drawn.
    """
    known = indicators[indicators["deviation"].notna()].sort_values("deviation", ascending=False).head(most)
    known = known[["indicator", "wheel", "deviation", "value", "expected", "unit", "events_used"]]
    wheels = [w if isinstance(w, str) and w else "" for w in known["wheel"]]
    plain = [str(code).replace("_", " ") for code in known["indicator"]]
    known = known.assign(
        label=[f"{name} · {wheel_words(w)}" if w else name for name, w in zip(plain, wheels, strict=True)],
        says=[look.indicator_text(code) for code in known["indicator"]],
        shown=[f"{d:+.1f}" for d in known["deviation"]],
        zero=0.0,
    )
    order = known["label"].tolist()
    base = alt.Chart(values(known)).encode(
        y=alt.Y("label:N", sort=order, title=None, axis=alt.Axis(labelLimit=_LABEL_LIMIT))
    )
    bars = base.mark_bar(height=13, stroke="#3f8790", strokeWidth=0.6).encode(
        x=alt.X("zero:Q", title="deviation in standard errors (right = worse)", scale=_deviation_scale(known)),
        x2="deviation:Q",
        color=_deviation_colour("deviation:Q"),
        tooltip=[
            alt.Tooltip("says:N", title="means"),
            alt.Tooltip("wheel:N"),
            alt.Tooltip("deviation:Q", format="+.2f"),
            alt.Tooltip("value:Q", format=".4g"),
            alt.Tooltip("expected:Q", format=".4g"),
            alt.Tooltip("unit:N"),
            alt.Tooltip("events_used:Q", title="events looked at"),
        ],
    )
    numbers = (
        base.mark_text(align="left", dx=5, color=look.INK, fontSize=12)
        .encode(x=alt.X("greatest:Q", scale=_deviation_scale(known)), text="shown:N")
        .transform_calculate(greatest="max(0, datum.deviation)")
    )
    return styled((bars + numbers).properties(width=width, height=max(40, 22 * len(known))))


def _deviation_scale(known: pd.DataFrame) -> alt.Scale:
    """At least -1 to 3, so that what is within the noise never looks large; room for the numbers on the right."""
    low, high = (known["deviation"].min(), known["deviation"].max()) if len(known) else (0.0, 0.0)
    return alt.Scale(domain=[min(-1.0, float(low)), max(3.0, float(high)) * 1.08], nice=False)


def score_over_time(scores: pd.DataFrame, width: int | str = "container", height: int = 150) -> Any:
    """Health score with its interval on every day that was scored; days with too little evidence stay empty.

    ``scores`` as :func:`fleetbrake.reports.history_reads.scores_of` gives it.
    """
    shown = scores[scores["health_score"].notna()].assign(
        on_day=lambda rows: [f"{day}T12:00:00Z" for day in rows["as_of"]],
        soon=lambda rows: [look.priority_text(code) for code in rows["priority"]],
    )[["on_day", "health_score", "score_low", "score_high", "soon"]]
    base = alt.Chart(values(shown)).encode(
        x=alt.X("on_day:T", title=None, scale=alt.Scale(type="utc"), axis=alt.Axis(format="%-d %b", grid=False)),
        tooltip=[
            alt.Tooltip("on_day:T", title="day", format="%-d %b %Y"),
            alt.Tooltip("health_score:Q", title="score", format=".0f"),
            alt.Tooltip("score_low:Q", title="from", format=".0f"),
            alt.Tooltip("score_high:Q", title="to", format=".0f"),
            alt.Tooltip("soon:N", title="how soon"),
        ],
    )
    y = alt.Y("health_score:Q", title="health score", scale=alt.Scale(domain=[0, 100]))
    bars = base.mark_rule(strokeWidth=5, color="#b9cdd3", strokeCap="round").encode(
        y=alt.Y("score_low:Q", scale=alt.Scale(domain=[0, 100])), y2="score_high:Q"
    )
    line = base.mark_line(color="#0d4a57", strokeWidth=1.2).encode(y=y)
    points = base.mark_point(filled=True, size=55, color="#0d4a57", opacity=1).encode(y=y)
    return styled((bars + line + points).properties(width=width, height=height))


def events_over_time(
    events: pd.DataFrame, width: int | str = "container", height: int = 190, measures: Measures = METRIC
) -> Any:
    """Peak deceleration of each event over time, by what the event shows (shape and colour).

    Events whose peak could not be observed have no place on this chart.
    """
    label = measures.label("decel")
    shown = events[events["peak_decel_mps2"].notna()]
    shown = shown[["event_id", "started_at"]].assign(
        peak=measures.of("decel", shown["peak_decel_mps2"]),
        shows=look.event_shows(shown) if len(shown) else pd.Series(dtype=str),
    )
    words = [word for word, _, _ in look.EVENT_SHOWS]
    chart = (
        alt.Chart(values(shown))
        .mark_point(filled=True, size=55, opacity=0.85)
        .encode(
            x=alt.X(
                "started_at:T", title=None, scale=alt.Scale(type="utc"), axis=alt.Axis(format="%-d %b", grid=False)
            ),
            y=alt.Y("peak:Q", title=f"peak deceleration ({label})", scale=alt.Scale(zero=True)),
            color=alt.Color(
                "shows:N",
                scale=alt.Scale(domain=words, range=[colour for _, _, colour in look.EVENT_SHOWS]),
                legend=alt.Legend(title=None, orient="top"),
            ),
            shape=alt.Shape(
                "shows:N",
                scale=alt.Scale(domain=words, range=[mark for _, mark, _ in look.EVENT_SHOWS]),
                legend=alt.Legend(title=None, orient="top"),
            ),
            tooltip=[
                alt.Tooltip("event_id:N", title="event"),
                alt.Tooltip("started_at:N", title="time (UTC)"),
                alt.Tooltip("peak:Q", title=f"peak, {label}", format=".2f"),
                alt.Tooltip("shows:N", title="shows"),
            ],
        )
    )
    return styled(chart.properties(width=width, height=height))

"""Charts of one vehicle: its indicators, its wheels seen from above, its events over time."""

from typing import Any

import altair as alt
import pandas as pd

from fleetbrake.reports import look
from fleetbrake.reports.charts.style import styled, values


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
        label=[f"{name} · {wheel}" if wheel else name for name, wheel in zip(plain, wheels, strict=True)],
        says=[look.indicator_text(code) for code in known["indicator"]],
        shown=[f"{d:+.1f}" for d in known["deviation"]],
        zero=0.0,
    )
    order = known["label"].tolist()
    base = alt.Chart(values(known)).encode(y=alt.Y("label:N", sort=order, title=None))
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


def wheel_plan(indicators: pd.DataFrame, axles: int, size: int = 250) -> Any:
    """The vehicle from above, front at the top: each wheel with its greatest deviation.

    ``axles`` is at least one; wheels beyond it that the indicators name are drawn too. A wheel without any
    deviation known says so and stays white.
    """
    known = indicators[indicators["wheel"].notna() & indicators["deviation"].notna()]
    worst = known.sort_values("deviation", ascending=False).drop_duplicates("wheel").set_index("wheel")
    named = [int(w[0]) for w in worst.index if str(w)[:1].isdigit()]
    rows = []
    for axle in range(1, max([axles, *named], default=1) + 1):
        for side in "LR":
            wheel = f"{axle}{side}"
            found = worst.loc[wheel] if wheel in worst.index else None
            rows.append(
                {
                    "axle": axle,
                    "place": 0 if side == "L" else 1,
                    "wheel": wheel,
                    "deviation": None if found is None else float(found["deviation"]),
                    "shown": "not known" if found is None else f"{found['deviation']:+.1f}",
                    "says": "" if found is None else look.indicator_text(found["indicator"]),
                    "light": found is not None and found["deviation"] >= 3.0,
                }
            )
    frame = pd.DataFrame(rows)
    count = int(frame["axle"].max())
    x = alt.X("place:Q", axis=None, scale=alt.Scale(domain=[-0.5, 1.5]))
    y = alt.Y("axle:Q", axis=None, scale=alt.Scale(domain=[count + 0.6, 0.4]))
    base = alt.Chart(values(frame)).encode(x=x, y=y)
    beam = alt.Chart(values(pd.DataFrame({"axle": range(1, count + 1), "place": 0.0, "stop": 1.0})))
    beams = beam.mark_rule(strokeWidth=3, color=look.LINE).encode(x=x, x2="stop:Q", y=y)
    spine = alt.Chart(values(pd.DataFrame([{"place": 0.5, "axle": 0.5, "stop": count + 0.5}])))
    spines = spine.mark_rule(strokeWidth=3, color=look.LINE).encode(x=x, y=y, y2="stop:Q")
    boxes = base.mark_square(size=3600, stroke="#3f8790", strokeWidth=1.2, opacity=1).encode(
        color=_deviation_colour("deviation:Q"),
        tooltip=[
            alt.Tooltip("wheel:N"),
            alt.Tooltip("shown:N", title="deviation"),
            alt.Tooltip("says:N", title="means"),
        ],
    )
    ink = alt.condition("datum.light", alt.value("white"), alt.value(look.INK))
    names = base.mark_text(dy=-8, fontWeight="bold", fontSize=14).encode(text="wheel:N", color=ink)
    numbers = base.mark_text(dy=10, fontSize=12).encode(text="shown:N", color=ink)
    front = alt.Chart(values(pd.DataFrame([{"place": 0.5, "axle": 0.5}])))
    fronts = front.mark_text(text="front", fontSize=12, color=look.QUIET, dx=22).encode(x=x, y=y)
    return styled((spines + beams + boxes + names + numbers + fronts).properties(width=size, height=28 + 84 * count))


def events_over_time(events: pd.DataFrame, width: int | str = "container", height: int = 190) -> Any:
    """Peak deceleration of each event over time, by what the event shows (shape and colour).

    Events whose peak could not be observed have no place on this chart.
    """
    shown = events[events["peak_decel_mps2"].notna()]
    shown = shown[["event_id", "started_at", "peak_decel_mps2"]].assign(
        shows=look.event_shows(shown) if len(shown) else pd.Series(dtype=str)
    )
    words = [word for word, _, _ in look.EVENT_SHOWS]
    chart = (
        alt.Chart(values(shown))
        .mark_point(filled=True, size=55, opacity=0.85)
        .encode(
            x=alt.X(
                "started_at:T", title=None, scale=alt.Scale(type="utc"), axis=alt.Axis(format="%-d %b", grid=False)
            ),
            y=alt.Y("peak_decel_mps2:Q", title="peak deceleration (m/s²)", scale=alt.Scale(zero=True)),
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
                alt.Tooltip("peak_decel_mps2:Q", title="peak, m/s²", format=".2f"),
                alt.Tooltip("shows:N", title="shows"),
            ],
        )
    )
    return styled(chart.properties(width=width, height=height))

"""A vehicle from above: axles and sides, and how far each wheel is from what was expected."""

from collections.abc import Collection
from typing import Any

import altair as alt
import pandas as pd

from fleetbrake.core.vocabulary import wheel_words
from fleetbrake.reports import look
from fleetbrake.reports.charts.style import styled, values

_AXLE_HEIGHT = 84
#: Places from left to right: the names of the axles, the left wheels at 0, the right ones at 1.
_SIDEWAYS = [-0.85, 1.5]


def wheel_plan(
    indicators: pd.DataFrame,
    axles: int,
    size: int = 300,
    lifted: Collection[int] = (),
    twins: Collection[int] = (),
    front: str = "front",
) -> Any:
    """The vehicle from above, front at the top: each wheel with its greatest deviation.

    ``axles`` is at least one; wheels beyond it that the indicators name are drawn too. A wheel without any
    deviation known says so and stays white. ``lifted`` are the lift axles, ``twins`` those with twin tyres, by number.
    """
    frame = _wheels(indicators, axles)
    count = int(frame["axle"].max())
    x = alt.X("place:Q", axis=None, scale=alt.Scale(domain=_SIDEWAYS))
    y = alt.Y("axle:Q", axis=None, scale=alt.Scale(domain=[count + 0.6, 0.4]))
    parts = _frame_of(count, lifted, twins, front, x, y) + _boxes(frame, x, y)
    return styled(parts.properties(width=size, height=28 + _AXLE_HEIGHT * count))


def _wheels(indicators: pd.DataFrame, axles: int) -> pd.DataFrame:
    """One row a wheel: axle, place (0 left, 1 right), its greatest deviation and what that means."""
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
                    "where": wheel_words(wheel),
                    "deviation": None if found is None else float(found["deviation"]),
                    "shown": "not known" if found is None else f"{found['deviation']:+.1f}",
                    "says": "" if found is None else look.indicator_text(found["indicator"]),
                    "light": found is not None and found["deviation"] >= 3.0,
                }
            )
    return pd.DataFrame(rows)


def _frame_of(count: int, lifted: Collection[int], twins: Collection[int], front: str, x: alt.X, y: alt.Y) -> Any:
    """Beams, spine, the names of the axles, and where the front is. A lift axle's beam is dashed and says so."""
    axles = pd.DataFrame(
        [
            {
                "axle": axle,
                "place": 0.0,
                "stop": 1.0,
                "edge": _SIDEWAYS[0],
                "name": f"axle {axle}",
                "kind": ", ".join(word for word, those in (("lifts", lifted), ("twin tyres", twins)) if axle in those),
                "lifts": axle in lifted,
            }
            for axle in range(1, count + 1)
        ]
    )
    base = alt.Chart(values(axles))
    dash = alt.condition("datum.lifts", alt.value([5, 4]), alt.value([1, 0]))
    beams = base.mark_rule(strokeWidth=3, color=look.LINE).encode(x=x, x2="stop:Q", y=y, strokeDash=dash)
    edge = alt.X("edge:Q", axis=None, scale=alt.Scale(domain=_SIDEWAYS))
    names = base.mark_text(align="left", fontSize=12, color=look.INK).encode(x=edge, y=y, text="name:N")
    kinds = base.mark_text(align="left", fontSize=12, color=look.QUIET, dy=16).encode(x=edge, y=y, text="kind:N")
    spine = alt.Chart(values(pd.DataFrame([{"place": 0.5, "axle": 0.5, "stop": count + 0.5, "says": front}])))
    spines = spine.mark_rule(strokeWidth=3, color=look.LINE).encode(x=x, y=y, y2="stop:Q")
    fronts = spine.mark_text(fontSize=12, color=look.QUIET, align="left", dx=6).encode(x=x, y=y, text="says:N")
    return spines + beams + names + kinds + fronts


def _boxes(frame: pd.DataFrame, x: alt.X, y: alt.Y) -> Any:
    """A square a wheel with its side and its deviation."""
    base = alt.Chart(values(frame.assign(side=["left" if p == 0 else "right" for p in frame["place"]]))).encode(
        x=x, y=y
    )
    boxes = base.mark_square(size=3600, stroke="#3f8790", strokeWidth=1.2, opacity=1).encode(
        color=alt.Color(
            "deviation:Q",
            scale=alt.Scale(domain=[0, 2, 4, look.DEVIATION_FULL], range=list(look.DEVIATION_RANGE), clamp=True),
            legend=None,
        ),
        tooltip=[
            alt.Tooltip("where:N", title="position"),
            alt.Tooltip("shown:N", title="deviation"),
            alt.Tooltip("says:N", title="means"),
        ],
    )
    ink = alt.condition("datum.light", alt.value("white"), alt.value(look.INK))
    names = base.mark_text(dy=-8, fontWeight="bold", fontSize=13).encode(text="side:N", color=ink)
    numbers = base.mark_text(dy=10, fontSize=12).encode(text="shown:N", color=ink)
    return boxes + names + numbers

"""One event's braking rate against the slip of its wheels, with the tyre curve that explains it."""

from typing import Any

import altair as alt
import pandas as pd

from fleetbrake.reports import look
from fleetbrake.reports.charts.style import styled, values

#: Braking rate up to which the panel reaches at least, of g.
_LEAST_TOP = 0.3


def friction_chart(friction: pd.DataFrame, width: int = 440, height: int = 230) -> Any:
    """Pairs (slip, braking rate on a level road over g) as rings, the fitted tyre curve as a line through them.

    ``friction`` as in ``reports.traces.Traces.friction``. Without pairs: a chart without marks.
    """
    pairs, curve = (friction[friction["part"] == part] for part in ("pair", "curve"))
    rates = friction["rate"].dropna().astype(float)
    top = max([_LEAST_TOP, *(1.08 * rates.nlargest(1))])
    low = min([0.0, *rates.nsmallest(1)])
    x = alt.X(
        "slip:Q",
        title="brake slip, mean of the wheels (0 rolling, 1 locked)",
        scale=alt.Scale(domain=[0.0, 1.0], nice=False),
        axis=alt.Axis(tickCount=5),
    )
    y = alt.Y(
        "rate:Q",
        title="braking rate (of g)",
        scale=alt.Scale(domain=[low, top], nice=False),
        axis=alt.Axis(tickCount=5, minExtent=44, maxExtent=44),
    )
    line = alt.Chart(values(curve)).mark_line(color=look.AXLE_COLOURS[0], strokeWidth=2)
    rings = alt.Chart(values(pairs)).mark_point(color=look.VEHICLE_COLOUR, size=26, opacity=0.55, strokeWidth=1.2)
    shown = alt.layer(
        line.encode(x=x, y=y, order="slip:Q"),
        rings.encode(
            x=x,
            y=y,
            tooltip=[
                alt.Tooltip("slip:Q", format=".2f"),
                alt.Tooltip("rate:Q", format=".2f", title="braking rate (of g)"),
            ],
        ),
    )
    return styled(shown.properties(width=width, height=height))

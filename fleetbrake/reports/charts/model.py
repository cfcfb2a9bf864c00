"""Chart of how well predicted probabilities were borne out by inspections."""

from typing import Any

import altair as alt
import pandas as pd

from fleetbrake.reports import look
from fleetbrake.reports.charts.style import styled, values

_NAMES = {"prior": "by the priors", "learned": "learned from inspections"}
_COLOURS = ("#c8641b", "#0b6e99")


def calibration_chart(bins: pd.DataFrame, width: int | str = "container", height: int = 260) -> Any:
    """Share with a defect over the mean predicted probability, a point a bin with its 90 % interval.

    ``bins`` as :func:`fleetbrake.reports.model_reads.calibration` gives it. On the dashed line predicted and found
    agree. The two models differ by shape as well as by colour.
    """
    shown = bins.assign(which=[_NAMES.get(name, name) for name in bins["model"]])
    top = max(0.1, float(bins[["predicted", "high"]].max().max()) if len(bins) else 1.0)
    scale = alt.Scale(domain=[0, min(1.0, top)])
    x = alt.X("predicted:Q", title="predicted probability of a defect (mean of the bin)", scale=scale,
              axis=alt.Axis(format="%"))  # fmt: skip
    line = (
        alt.Chart(pd.DataFrame({"at": [0.0, min(1.0, top)]}))
        .mark_line(strokeDash=[4, 4], color=look.QUIET, strokeWidth=1)
        .encode(x=alt.X("at:Q", scale=scale), y=alt.Y("at:Q", scale=scale))
    )
    domain = [name for name in _NAMES.values() if name in set(shown["which"])]
    legend = alt.Legend(title=None, orient="top")
    colour = alt.Color("which:N", scale=alt.Scale(domain=domain, range=list(_COLOURS[-len(domain) or 1 :])))
    base = alt.Chart(values(shown)).encode(x=x, color=colour.legend(legend))
    bars = base.mark_rule(strokeWidth=2, opacity=0.55).encode(
        y=alt.Y("low:Q", title="found by inspections", scale=scale, axis=alt.Axis(format="%")), y2="high:Q"
    )
    points = base.mark_point(filled=True, size=80, opacity=1).encode(
        y=alt.Y("value:Q", scale=scale),
        shape=alt.Shape("which:N", scale=alt.Scale(domain=domain, range=["circle", "diamond"]), legend=legend),
        tooltip=[
            alt.Tooltip("which:N", title="model"),
            alt.Tooltip("predicted:Q", title="predicted", format=".1%"),
            alt.Tooltip("value:Q", title="found", format=".1%"),
            alt.Tooltip("low:Q", title="from", format=".1%"),
            alt.Tooltip("high:Q", title="to", format=".1%"),
            alt.Tooltip("n:Q", title="inspections"),
        ],
    )
    return styled((line + bars + points).properties(width=width, height=height))

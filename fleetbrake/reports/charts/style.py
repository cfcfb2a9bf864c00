"""What all charts have in common: fonts, grid lines, axis colours."""

from typing import Any

import altair as alt
import pandas as pd

from fleetbrake.reports.look import INK, LINE, QUIET

FONT = "Source Sans, Liberation Sans, DejaVu Sans, sans-serif"

# Lines are thinned before they are drawn; the library's limit of 5000 rows would refuse a six-axle vehicle.
alt.data_transformers.disable_max_rows()

#: Long foreign ids are cut in a label (px); the whole id is in the tooltip and the tables.
LABEL_LIMIT = 190


def styled(chart: Any) -> Any:
    """The chart with the project's fonts and lines."""
    if getattr(chart, "width", None) == "container":
        # the stated height is the plot's own: axes and legend come on top instead of being squeezed in
        chart = chart.properties(autosize=alt.AutoSizeParams(type="fit-x", contains="padding"))
    return (
        chart.configure(font=FONT, background="transparent")
        .configure_view(stroke=None)
        .configure_axis(
            labelColor=QUIET,
            titleColor=QUIET,
            titleFontWeight="normal",
            titleFontSize=12,
            labelFontSize=12,
            gridColor=LINE,
            gridOpacity=0.7,
            gridWidth=0.7,
            tickWidth=0.7,
            domainColor=LINE,
            tickColor=LINE,
            labelLimit=LABEL_LIMIT,
        )
        .configure_legend(
            labelColor=INK, titleColor=QUIET, titleFontWeight="normal", labelFontSize=12, symbolStrokeWidth=2
        )
        .configure_title(color=INK, fontSize=13, fontWeight=600, anchor="start", offset=6)
    )


def values(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame as charts take it: times as UTC text, so that no reader's time zone moves them."""
    plain = frame.copy()
    for column in plain:
        if str(plain[column].dtype).startswith("datetime64"):
            plain[column] = plain[column].dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return plain

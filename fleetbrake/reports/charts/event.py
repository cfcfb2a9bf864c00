"""One event's replay: its traces under each other over one time axis, with a cursor through all of them.

One Vega-Lite view holds everything, each panel on its own stretch of px: so the whole follows the page's width, zooms
together, and the cursor is one signal. The signals come in through ``config``, since the language has no word of its
own for a clock; that is why the chart is a plain specification.
"""

from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from fleetbrake.reports import look
from fleetbrake.reports.charts import replay
from fleetbrake.reports.charts.friction import friction_layers
from fleetbrake.reports.charts.layers import Spec, records, words
from fleetbrake.reports.charts.panels import Line, Panel, drawn, panels, points_a_line
from fleetbrake.reports.charts.spans import span_layers
from fleetbrake.reports.charts.style import styled
from fleetbrake.reports.measures import METRIC, Measures
from fleetbrake.reports.traces import Traces

#: Room above a panel for its title, and below it (px).
_TITLE, _GAP = 24, 14
#: Width that the narrowest page leaves to the panels (px): what does not fit side by side goes under each other.
_NARROWEST = 540


def event_chart(traces: Traces, measures: Measures = METRIC, stretch: tuple[float, float] | None = None) -> Spec:
    """The replay as a Vega-Lite specification; ``stretch`` (s from the first sample) is the time shown, default all.

    Panels of what was not recorded are left out. The time axis is shared: drag to move, Ctrl and wheel to zoom,
    double-click to see all. An event without samples shows the spans that are known.
    """
    begin, end = stretch or (0.0, _length(traces))
    end = max(end, begin + 0.1)
    shown = [_within(panel, begin, end) for panel in panels(traces, measures)]
    x = _time_axis(begin, end)
    rows = replay.cursor_rows(traces.vehicle["time_s"].to_numpy(dtype=float), begin, end)
    head, rows, top = _head(traces, rows)
    body: list[Spec] = []
    placed = []
    bottom = y = top
    for position, panel in enumerate(shown):
        y += _TITLE
        placed.append((panel, y))
        body += _panel(panel, x, y, points_a_line(shown))
        bottom = y + panel.height
        y = bottom + _GAP
        if position == 0:
            spans, y, bottom = _spans(traces, x, y, bottom)
            body += spans
    if not shown:
        spans, y, bottom = _spans(traces, x, y, bottom)
        body += spans
    readouts, rows = replay.readout_layers(placed, rows)
    layers = [_base(x, begin, end, bottom), *replay.margin_layer(), *head, *body, *readouts]
    bound: list[Spec] = []
    if len(rows):
        layers += [replay.rule_layer(top + _TITLE, bottom), replay.clock_layer(14)]
        ends = (round(begin, 3), round(end, 3))
        bound = replay.signals(ends, replay.telling_time(traces, ends), _step(rows), (top, bottom))
    return _whole(layers, bottom, rows, bound)


def _length(traces: Traces) -> float:
    """Where the time axis ends: at the last sample, else at the last span."""
    if len(traces.vehicle):
        return float(traces.vehicle["time_s"].max())
    return float(traces.spans["stop_s"].max()) if len(traces.spans) else 0.0


def _step(rows: pd.DataFrame) -> float:
    """The slider's step: the time between two stops of the cursor."""
    gaps = np.diff(rows["time_s"].to_numpy(dtype=float))
    return max(round(float(np.median(gaps)), 3), 0.001) if gaps.size else 0.01


def _within(panel: Panel, begin: float, end: float) -> Panel:
    """The panel with the samples of the stretch alone, so that a short one is drawn in full."""

    def cut(line: Line) -> Line:
        inside = (line.time_s >= begin - 1e-9) & (line.time_s <= end + 1e-9)
        return Line(**{**vars(line), "time_s": line.time_s[inside], "value": line.value[inside]})

    def part(frame: pd.DataFrame) -> pd.DataFrame:
        return frame[frame["time_s"].astype(float).between(begin - 1e-9, end + 1e-9)]

    lines = tuple(cut(line) for line in panel.lines)
    return Panel(**{**vars(panel), "lines": lines, "band": part(panel.band), "rings": part(panel.rings)})


def _time_axis(begin: float, end: float) -> Spec:
    return {
        "field": "time_s",
        "type": "quantitative",
        "scale": {"domain": [begin, end], "nice": False, "zero": False},
        "axis": {"title": "time from the first sample (s)", "grid": False},
    }


def _base(x: Spec, begin: float, end: float, bottom: int) -> Spec:
    """The invisible layer that carries the time axis and the selection by which it moves and zooms."""
    zoom = {"type": "interval", "encodings": ["x"], "zoom": "wheel![event.ctrlKey]"}
    return {
        "data": {"values": [{"time_s": begin}, {"time_s": end}]},
        "params": [{"name": "time", "select": zoom, "bind": "scales"}],
        "mark": {"type": "point", "opacity": 0, "y": bottom},
        "encoding": {"x": x},
    }


def _head(traces: Traces, rows: pd.DataFrame) -> tuple[list[Spec], pd.DataFrame, int]:
    """The vehicle from above and the friction curve, side by side where there is room; the rows, the px below them."""
    if rows.empty:
        return [], rows, 0
    picture, rows, width = replay.picture_layers(traces, rows)
    beside = friction_layers(traces.friction, width + 24 if width else 0, 0, replay.NOW)
    if not width or width + 24 + beside[1] <= _NARROWEST:
        tall = max(replay.PICTURE_HEIGHT if width else 0, beside[2], 24)
        return picture + beside[0], rows, tall
    below = friction_layers(traces.friction, 0, replay.PICTURE_HEIGHT + 8, replay.NOW)
    return picture + below[0], rows, replay.PICTURE_HEIGHT + 8 + below[2]


def _spans(traces: Traces, x: Spec, y: int, bottom: int) -> tuple[list[Spec], int, int]:
    """The judged spans under their title; where nothing was judged, nothing and the same places again."""
    layers, tall = span_layers(traces.spans, x, y + _TITLE)
    if not tall:
        return [], y, bottom
    bottom = y + _TITLE + tall
    return [_title("What was judged, by wheel", y + _TITLE), *layers], bottom + _GAP, bottom


def _title(text: str, top: int) -> Spec:
    return words([{"text": text}], "datum.text", "0", str(top - 10), fontWeight=600, fontSize=13)


def _panel(panel: Panel, x: Spec, top: int, most: int) -> list[Spec]:
    """Title, axis, band and lines of one panel."""
    low, high = panel.domain
    scale = {"domain": [low, high], "range": [top + panel.height, top], "nice": False, "zero": False}
    axis = {"orient": "left", "offset": 0, "title": panel.unit, "tickCount": panel.ticks, "grid": True,
            "minExtent": 44, "maxExtent": 44}  # fmt: skip
    if panel.unit == "on/off":
        axis |= {"values": [0, 1], "labelExpr": "datum.value ? 'on' : 'off'", "title": None}
    y: Spec = {"field": "value", "type": "quantitative", "scale": scale}
    # an empty layer carries the axis, so that a panel keeps it whatever its lines hold
    frame: Spec = {
        "data": {"values": [{"time_s": x["scale"]["domain"][0], "value": low}]},
        "mark": {"type": "point", "opacity": 0},
        "encoding": {"x": x, "y": y | {"axis": axis}},
    }
    bare = y | {"axis": None}
    layers = [_title(panel.title, top), frame]
    if len(panel.band):
        layers.append(_band(panel, x, bare))
    layers += [_line(line, x, bare, most) for line in panel.lines]
    if len(panel.rings):
        mark = {"type": "point", "color": look.INK, "size": 16, "strokeWidth": 0.9, "clip": True}
        layers.append({"data": {"values": records(panel.rings)}, "mark": mark, "encoding": {"x": x, "y": bare}})
    return layers


def _line(line: Line, x: Spec, y: Spec, most: int) -> Spec:
    mark = {
        "type": "line", "clip": True, "color": line.colour, "strokeWidth": line.width, "strokeDash": list(line.dash),
        "interpolate": "step-after" if line.steps else "linear", "opacity": 0.75 if line.width > 3 else 1,
    }  # fmt: skip
    encoding = {"x": x, "y": y, "detail": {"field": "stretch", "type": "nominal"}}
    return {"data": {"values": records(drawn(line, most))}, "mark": mark, "encoding": encoding}


def _band(panel: Panel, x: Spec, y: Spec) -> Spec:
    mark = {"type": "area", "clip": True, "color": look.PLAIN_COLOUR, "opacity": 0.38}
    encoding = {
        "x": x,
        "y": y | {"field": "low"},
        "y2": {"field": "high"},
        "detail": {"field": "stretch", "type": "nominal"},
    }
    return {"data": {"values": records(panel.band)}, "mark": mark, "encoding": encoding}


def _whole(layers: list[Spec], height: int, rows: pd.DataFrame, bound: list[Spec]) -> Spec:
    config: dict[str, Any] = styled(alt.Chart(pd.DataFrame({"x": [0]})).mark_point()).to_dict()["config"]
    return {
        "$schema": alt.SCHEMA_URL,
        "description": "Replay of one brake application over time",
        "width": "container",
        "height": max(height, 40),
        "autosize": {"type": "fit-x", "contains": "padding"},
        "padding": {"left": 2, "right": 2, "top": 6, "bottom": 6},
        "datasets": {"cursor": records(rows)},
        "layer": [{"encoding": {}} | layer for layer in layers],
        "resolve": {"scale": {"y": "independent", "color": "independent"}},
        "config": config | {"signals": bound, "aria": False},
    }

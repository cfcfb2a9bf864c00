"""One event's traces, stacked over one time axis that zooms together."""

from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from fleetbrake.core.vocabulary import WHEELS
from fleetbrake.reports import look
from fleetbrake.reports.charts.style import styled, values
from fleetbrake.reports.traces import Traces

#: Samples of one line that are drawn at most; a longer line keeps each bucket's least and greatest value.
MOST_POINTS = 1500

#: Every panel keeps the same room for its left axis, so that titles and plots line up (px).
_SAME_WIDTH: dict[str, Any] = {"minExtent": 44, "maxExtent": 44}

#: Unit -> the least that a panel shows from bottom to top.
_LEAST_SPAN = {"m/s": 1.0, "m/s²": 1.0, "%": 10.0, "kPa": 50.0, "on/off": 1.0}

_KINDS = {"lockup": "wheel locked", "modulation": "pressure modulation"}


def thinned(frame: pd.DataFrame, value: str, key: str | None = None, most: int = MOST_POINTS) -> pd.DataFrame:
    """The frame with at most about ``most`` rows a line, extremes kept, so that a short lockup never vanishes."""
    if key is not None:
        parts = [thinned(part, value, None, most) for _, part in frame.groupby(key, sort=False)]
        return pd.concat(parts, ignore_index=True) if parts else frame
    if len(frame) <= most:
        return frame
    known = frame[frame[value].notna()].reset_index(drop=True)
    bucket = np.arange(len(known)) * (most // 2) // max(len(known), 1)
    groups = known.groupby(bucket)[value]
    keep = np.unique(np.concatenate([groups.idxmin().to_numpy(), groups.idxmax().to_numpy()]))
    return known.iloc[keep]


def event_chart(traces: Traces, width: int = 985) -> Any:
    """Wheel and vehicle speed, slip, demand, deceleration and the marked spans of one event, top to bottom.

    Panels of what was not recorded are left out. The time axis is shared: drag to move, wheel to zoom.
    """
    length = float(traces.vehicle["time_s"].max()) if len(traces.vehicle) else _last(traces.spans)
    # the domain stands still whatever a panel holds, so that all panels line up
    x_scale = alt.Scale(domain=[0.0, max(length, 0.1)], nice=False)
    panels = [
        _speeds(traces, x_scale),
        _spans(traces.spans, x_scale),
        _slip(traces.slip, x_scale),
        *_demand(traces.demand, x_scale),
        _decel(traces.decel, x_scale),
    ]
    drawn = [p.properties(width=width) for p in panels if p is not None]
    if not drawn:
        return styled(alt.Chart(values(pd.DataFrame({"time_s": [], "stop_s": []}))).mark_point().properties(height=40))
    views = []
    for position, panel in enumerate(drawn):
        unit = panel.layer[0] if hasattr(panel, "layer") else panel
        unit.name = f"panel_{position}"
        views.append(unit.name)
    stacked = alt.vconcat(*drawn, spacing=8).resolve_scale(x="shared", color="independent", strokeDash="independent")
    # one selection for all panels: the library's own way would make one a panel and merge them with a warning
    stacked.params = [
        alt.TopLevelParameter(name="time", select={"type": "interval", "encodings": ["x"]}, bind="scales", views=views)
    ]
    return styled(stacked)


def _y_domain(series: pd.Series, least: float) -> list[float] | None:
    """Domain of a panel whose values hardly move: at least ``least`` wide, so that noise is not drawn as a curve.

    None where the values move more than that: the library then chooses.
    """
    known = series[np.isfinite(series.astype(float))]
    if known.empty or float(known.max() - known.min()) >= least:
        return None
    low, high = float(known.min()), float(known.max())
    if low >= 0.0 and high <= least:
        return [0.0, least]
    middle = round((low + high) / 2 / least, 1) * least
    return [middle - least, middle + least]


def _y_scale(series: pd.Series, unit: str) -> alt.Scale:
    domain = _y_domain(series, _LEAST_SPAN[unit])
    return alt.Scale(zero=True) if domain is None else alt.Scale(domain=domain, nice=False)


def _last(spans: pd.DataFrame) -> float:
    return float(spans["stop_s"].max()) if len(spans) else 0.0


def _x(scale: alt.Scale, last: bool = False) -> alt.X:
    return alt.X("time_s:Q", scale=scale, title="time from the first sample (s)" if last else None)


def _wheel_encodings(wheels: list[str], legend: bool) -> dict[str, Any]:
    """One hue an axle, solid left, dashed right."""
    colours = [look.AXLE_COLOURS[int(w[0]) - 1] for w in wheels]
    dashes = [[1, 0] if w.endswith("L") else [5, 3] for w in wheels]
    box = alt.Legend(title="wheel", orient="right", symbolSize=300) if legend else None
    return {
        "color": alt.Color("wheel:N", scale=alt.Scale(domain=wheels, range=colours), legend=box),
        "strokeDash": alt.StrokeDash("wheel:N", scale=alt.Scale(domain=wheels, range=dashes), legend=box),
    }


def _present(frame: pd.DataFrame) -> list[str]:
    found = set(frame["wheel"]) if len(frame) else set()
    return [w for w in WHEELS if w in found]


def _speeds(traces: Traces, scale: alt.Scale) -> Any:
    wheels = _present(traces.wheels)
    y = alt.Y("speed_mps:Q", title="m/s", scale=_y_scale(_all_speeds(traces), "m/s"), axis=alt.Axis(**_SAME_WIDTH))
    layers = []
    if wheels:
        lines = alt.Chart(values(thinned(traces.wheels, "speed_mps", "wheel"))).mark_line(strokeWidth=1.5)
        layers.append(lines.encode(x=_x(scale), y=y, **_wheel_encodings(wheels, legend=True)))
    if traces.vehicle["speed_mps"].notna().any():
        vehicle = alt.Chart(values(thinned(traces.vehicle, "speed_mps")))
        layers.insert(
            0,
            vehicle.mark_line(color=look.VEHICLE_COLOUR, strokeWidth=4, opacity=0.35).encode(x=_x(scale), y=y),
        )
    if not layers:
        return None
    return alt.layer(*layers).properties(
        height=190,
        title="Speed: vehicle (thick grey, left out where nothing carries it), wheels (left solid, right dashed)",
    )


def _all_speeds(traces: Traces) -> pd.Series:
    """Every speed of the panel; with the zero that the axis begins with."""
    return pd.concat([traces.vehicle["speed_mps"], traces.wheels["speed_mps"], pd.Series([0.0])]).astype(float)


def _spans(spans: pd.DataFrame, scale: alt.Scale) -> Any:
    if spans.empty:
        return None
    shown = spans.assign(
        what=[_KINDS.get(k, str(k)) for k in spans["kind"]],
        # how long modulation lasted is not the point, and the tables know only the application it was in
        label=[
            f"locked {b - a:.2f} s" if k == "lockup" else "modulated"
            for k, a, b in zip(spans["kind"], spans["start_s"], spans["stop_s"], strict=True)
        ],
        time_s=spans["start_s"],
    )
    order = [w for w in WHEELS if w in set(shown["wheel"])]
    base = alt.Chart(values(shown)).encode(
        x=_x(scale),
        x2="stop_s:Q",
        y=alt.Y("wheel:N", sort=order, title="wheel", axis=alt.Axis(grid=False, **_SAME_WIDTH)),
    )
    kinds = list(_KINDS.values())
    bars = base.mark_bar(clip=True, cornerRadius=2).encode(
        color=alt.Color(
            "what:N",
            scale=alt.Scale(domain=kinds, range=[look.LOCKUP_COLOUR, look.MODULATION_COLOUR]),
            legend=alt.Legend(title=None, orient="right"),
        ),
        tooltip=["wheel:N", alt.Tooltip("label:N", title="span"), alt.Tooltip("start_s:Q", format=".2f")],
    )
    ink = alt.condition("datum.kind == 'lockup'", alt.value("white"), alt.value(look.INK))
    words = base.mark_text(align="left", dx=4, fontSize=11, clip=True).encode(text="label:N", color=ink)
    words.encoding.x2 = alt.Undefined
    return alt.layer(bars, words).properties(height=max(26, 20 * len(order)), title="Lockup and modulation by wheel")


def _slip(slip: pd.DataFrame, scale: alt.Scale) -> Any:
    wheels = _present(slip)
    if not wheels or not slip["slip"].notna().any():
        return None
    y = alt.Y("slip:Q", title="slip", scale=alt.Scale(domain=[0, 1]), axis=alt.Axis(tickCount=3, **_SAME_WIDTH))
    lines = alt.Chart(values(thinned(slip, "slip", "wheel"))).mark_line(strokeWidth=1.5)
    lines = lines.encode(x=_x(scale), y=y, **_wheel_encodings(wheels, legend=False))
    return lines.properties(height=95, title="Brake slip (0 rolling, 1 locked)")


def _demand(demand: pd.DataFrame, scale: alt.Scale) -> list[Any]:
    """One panel a unit: the pedal in per cent and pressures in kPa never share an axis."""
    panels = []
    for unit, part in demand.groupby("unit", sort=False):
        names = list(dict.fromkeys(part["signal"]))
        colours = ["#0d4a57", "#c8641b", "#3f8f5f", "#8a5aa8", "#9a8118", "#56707f"]
        lines = alt.Chart(values(thinned(part, "value", "signal"))).mark_line(strokeWidth=1.6)
        lines = lines.encode(
            x=_x(scale),
            y=alt.Y(
                "value:Q",
                title=str(unit),
                scale=_y_scale(part["value"], str(unit)),
                axis=alt.Axis(tickCount=1 if unit == "on/off" else 3, **_SAME_WIDTH),
            ),
            color=alt.Color(
                "signal:N",
                scale=alt.Scale(domain=names, range=(colours * 3)[: len(names)]),
                legend=alt.Legend(title=None, orient="right") if len(names) > 1 else None,
            ),
        )
        panels.append(lines.properties(height=75, title=f"Demand: {', '.join(names)}"))
    return panels


def _decel(decel: pd.DataFrame, scale: alt.Scale) -> Any:
    if not decel["decel_mps2"].notna().any():
        return None
    lines = alt.Chart(values(thinned(decel, "decel_mps2"))).mark_line(color=look.VEHICLE_COLOUR, strokeWidth=1.4)
    y = alt.Y(
        "decel_mps2:Q",
        title="m/s²",
        scale=_y_scale(decel["decel_mps2"], "m/s²"),
        axis=alt.Axis(tickCount=4, **_SAME_WIDTH),
    )
    return lines.encode(x=_x(scale, last=True), y=y).properties(
        height=95, title="Deceleration of the vehicle (rate of change of the reference speed)"
    )

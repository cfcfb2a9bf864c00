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

#: Height of a wheel's row of spans (px): what happened to the wheel above, its modulation below.
_ROW, _HALF = 26, 6

#: Width of a letter of the words beside a span, px (cautious).
_LETTER = 6.5


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
        _spans(traces.spans, x_scale, width),
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
    y = alt.Y("speed_mps:Q", title="m/s", scale=_speed_scale(traces), axis=alt.Axis(**_SAME_WIDTH))
    layers = _reference(traces.vehicle, scale, y)
    said = ["reference (thick dark line) in its band (grey)"] if layers else []
    if wheels:
        lines = alt.Chart(values(thinned(traces.wheels, "speed_mps", "wheel"))).mark_line(strokeWidth=1.4)
        layers.append(lines.encode(x=_x(scale), y=y, **_wheel_encodings(wheels, legend=True)))
        said.append("wheels (left solid, right dashed)")
    recorded = _recorded_channel(traces.channel, scale, y)
    if recorded:
        layers += recorded
        said.append("speed channel as recorded (dotted)")
    if not layers:
        return None
    return alt.layer(*layers).properties(height=210, title=f"Speed: {', '.join(said)}")


def _reference(vehicle: pd.DataFrame, scale: alt.Scale, y: alt.Y) -> list[Any]:
    """Band and line of the reference speed, broken where nothing carries it."""
    known = vehicle["speed_mps"].notna()
    if not known.any():
        return []
    # each stretch is a line of its own, so that thinning never bridges what is not known
    stretches = vehicle.assign(stretch=(known != known.shift()).cumsum())[known]
    drawn = values(thinned(stretches, "speed_mps", "stretch"))
    line = alt.Chart(drawn).mark_line(color=look.VEHICLE_COLOUR, strokeWidth=3.2, opacity=0.75)
    layers = [line.encode(x=_x(scale), y=y, detail="stretch:N")]
    if "low_mps" in drawn and drawn["low_mps"].notna().any():
        band = alt.Chart(drawn[drawn["low_mps"].notna()]).mark_area(
            color=look.PLAIN_COLOUR, opacity=0.38, line={"color": look.PLAIN_COLOUR, "strokeWidth": 0.6}
        )
        low = y.copy()
        low.shorthand = "low_mps:Q"
        layers.insert(0, band.encode(x=_x(scale), y=low, y2="high_mps:Q", detail="stretch:N"))
    return layers


def _recorded_channel(channel: pd.DataFrame, scale: alt.Scale, y: alt.Y) -> list[Any]:
    """The speed channel dotted, with a ring at each new reading where it is slower than the rows."""
    if channel.empty:
        return []
    fresh = channel[channel["fresh"].astype(bool)]
    moving = channel[channel["speed_mps"].astype(float) > 0.5]
    slow = len(moving) > 0 and moving["fresh"].astype(bool).mean() < 0.6
    line = alt.Chart(values(thinned(channel, "speed_mps"))).mark_line(
        color=look.INK, strokeWidth=1.1, strokeDash=[1, 2.5], interpolate="step-after" if slow else "linear"
    )
    layers = [line.encode(x=_x(scale), y=y)]
    if slow and len(fresh) <= MOST_POINTS:
        rings = alt.Chart(values(fresh)).mark_point(color=look.INK, size=16, strokeWidth=0.9)
        layers.append(rings.encode(x=_x(scale), y=y))
    return layers


def _speed_scale(traces: Traces) -> alt.Scale:
    """From zero up: noise of a standing vehicle asks for no room below it."""
    domain = _y_domain(_all_speeds(traces), _LEAST_SPAN["m/s"])
    return alt.Scale(domainMin=0.0) if domain is None else alt.Scale(domain=domain, nice=False)


def _all_speeds(traces: Traces) -> pd.Series:
    """Every speed of the panel; with the zero that the axis begins with."""
    parts = [traces.vehicle["speed_mps"], traces.channel["speed_mps"], traces.wheels["speed_mps"], pd.Series([0.0])]
    return pd.concat([part.astype(float) for part in parts])


def span_words(spans: pd.DataFrame) -> list[str]:
    """What each span says beside its bar, in words with its figures."""
    words = []
    for span in spans.itertuples(index=False):
        length = float(span.stop_s) - float(span.start_s)
        cycles, hz, slip = (getattr(span, name, np.nan) for name in ("cycles", "hz", "slip"))
        if span.kind == "lockup":
            words.append(f"locked {length:.2f} s")
        elif span.kind == "modulation":
            counted = f"{cycles:.0f} cycles" if pd.notna(cycles) else "modulated"
            words.append(f"{counted}, {hz:.1f} Hz" if pd.notna(hz) else counted)
        elif span.kind == "near_miss":
            words.append(f"slip {slip:.2f}" if pd.notna(slip) else "caught")
        elif span.kind == "lost":
            words.append(f"no signal {length:.2f} s")
        else:
            words.append(f"not known {length:.2f} s")
    return words


def _spans(spans: pd.DataFrame, scale: alt.Scale, width: int) -> Any:
    """The judged spans, a row a wheel: lock, near miss and lost signal in its upper half, modulation in its lower."""
    shown = spans[spans["kind"].isin(look.SPAN_LOOKS)]
    if shown.empty:
        return None
    per_px = (float(scale["domain"][1]) - float(scale["domain"][0])) / width
    shown = shown.assign(
        what=[look.SPAN_LOOKS[kind][0] for kind in shown["kind"]],
        label=span_words(shown),
        time_s=shown["start_s"].astype(float),
        stop_s=shown["stop_s"].astype(float),
    )
    shown["place"] = _places(shown, per_px, float(scale["domain"][1]))
    order = [w for w in (*WHEELS, "vehicle") if w in set(shown["wheel"])]
    layers = [layer for kind in look.SPAN_LOOKS for layer in _kind(shown, kind, order, scale)]
    return alt.layer(*layers).properties(height=max(40, _ROW * len(order)), title="What was judged, by wheel")


def _places(shown: pd.DataFrame, per_px: float, last: float) -> pd.Series:
    """Where the words of each span have room: ``in`` its bar, ``after`` it, or nowhere (the tooltip has them)."""
    places = pd.Series("none", index=shown.index, dtype=object)
    lower = shown["kind"] == "modulation"
    for _, spans in shown.groupby([shown["wheel"], lower], sort=False):
        row = spans.sort_values("time_s")
        room = row["time_s"].shift(-1, fill_value=last) - row["stop_s"]
        need = (row["label"].str.len() * _LETTER + 8.0) * per_px
        places[row.index[room >= need]] = "after"
        places[row.index[(row["stop_s"] - row["time_s"]) >= need]] = "in"
    return places


def _kind(shown: pd.DataFrame, kind: str, order: list[str], scale: alt.Scale) -> list[Any]:
    """Bars and words of one kind of span."""
    part = shown[shown["kind"] == kind]
    if part.empty:
        return []
    present = [k for k in look.SPAN_LOOKS if (shown["kind"] == k).any()]
    _, _, outline, dash = look.SPAN_LOOKS[kind]
    offset = _HALF if kind == "modulation" else -_HALF
    y = alt.Y(
        "wheel:N", sort=order, scale=alt.Scale(domain=order), title="wheel", axis=alt.Axis(grid=False, **_SAME_WIDTH)
    )
    colours = alt.Scale(domain=[look.SPAN_LOOKS[k][0] for k in present], range=[look.SPAN_LOOKS[k][1] for k in present])
    box = alt.Legend(title=None, orient="right", symbolType="square", symbolSize=130, symbolStrokeColor=look.INK)
    bars = alt.Chart(values(part)).mark_bar(
        clip=True, size=11, yOffset=offset, stroke=outline, strokeWidth=1.3, strokeDash=list(dash)
    )
    bars = bars.encode(
        x=_x(scale),
        x2="stop_s:Q",
        y=y,
        color=alt.Color("what:N", scale=colours, legend=box),
        tooltip=[
            alt.Tooltip("wheel:N"),
            alt.Tooltip("what:N", title="judged"),
            alt.Tooltip("label:N", title="span"),
            alt.Tooltip("start_s:Q", format=".2f", title="from (s)"),
            alt.Tooltip("stop_s:Q", format=".2f", title="to (s)"),
        ],
    )
    drawn = [bars]
    for place, at in (("in", "time_s"), ("after", "stop_s")):
        words = part[part["place"] == place]
        if len(words):
            ink = "white" if place == "in" and kind == "lockup" else look.INK
            text = alt.Chart(values(words)).mark_text(
                align="left", dx=4, fontSize=10.5, yOffset=offset, color=ink, clip=True
            )
            drawn.append(text.encode(x=alt.X(f"{at}:Q", scale=scale, title=None), y=y, text="label:N"))
    return drawn


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

"""The cursor of an event's replay: its time, what each line reads there, and the vehicle from above.

Everything runs in the reader's browser: the time is a signal that the pointer, a slider and a clock move.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.reports import look
from fleetbrake.reports.charts.layers import Spec, stroke, words
from fleetbrake.reports.charts.panels import Line, Panel, present
from fleetbrake.reports.traces import Traces

Floats = npt.NDArray[np.float64]

#: The signal that holds the cursor's time, s from the first sample.
NOW = "replay_time"
_PLAYING, _PACE = "replay_running", "replay_pace"

#: Samples that the cursor can stand on at most; a longer stretch is stepped through more coarsely.
MOST_STOPS = 1200
#: The clock of the replay, ms. Own choice: 20 pictures a second are smooth, and easy for a tablet.
_TICK_MS = 50

#: Slip from which a wheel is called slipping: what counts as more than rolling in the search for cycles.
SLIPPING_FROM = DEFAULT.cycle_peak_slip

#: What a wheel does at a time: word -> fill and ink. The words stand beside the colours.
STATES = {
    "rolling": ("#ffffff", look.INK),
    "slipping": ("#9cc3c6", look.INK),
    "modulating": (look.MODULATION_COLOUR, look.INK),
    "caught": ("#e9a389", look.INK),
    "locked": (look.LOCKUP_COLOUR, "#ffffff"),
    "no signal": ("#d8dee3", look.INK),
    "not known": ("#f3f4f5", look.INK),
}

#: Size of the picture of the vehicle, px: room of an axle, distance of the sides, and what is left around.
_AXLE, _TRACK, _EDGE = 74, 78, 46
PICTURE_HEIGHT = 186
#: Room to the right of the panels for the values at the cursor, px.
MARGIN = 178


def telling_time(traces: Traces, ends: tuple[float, float]) -> float:
    """Where the cursor stands at first: in the first lockup, else the first modulation, else at the beginning."""
    for kind in ("lockup", "modulation"):
        spans = traces.spans[(traces.spans["kind"] == kind) & (traces.spans["start_s"] < ends[1])]
        if len(spans):
            first = spans.sort_values(["start_s", "stop_s"]).iloc[0]
            middle = (float(first["start_s"]) + min(float(first["stop_s"]), ends[1])) / 2.0
            return round(min(max(middle, ends[0]), ends[1]), 3)
    return ends[0]


def signals(ends: tuple[float, float], at_s: float, step_s: float, panels: tuple[int, int]) -> list[Spec]:
    """Time of the cursor (``at_s`` at first, between ``ends``) with its slider, the clock that plays it, its pace.

    The pointer moves the cursor while it is over the panels (from and to, px) and nothing plays.
    """
    (begin_s, end_s), (top, bottom) = ends, panels
    over = f"!{_PLAYING} && x() >= 0 && x() <= width && y() >= {top} && y() <= {bottom}"
    # three digits: what the slider shows beside it
    there = f"toNumber(format(clamp(invert('x', x()), {begin_s}, {end_s}), '.3f'))"
    onward = f"toNumber(format(min({NOW} + {_TICK_MS / 1000} * {_PACE}, {end_s}), '.3f'))"
    moved = [
        {"events": "pointermove, pointerdown", "update": f"{over} ? {there} : {NOW}"},
        {
            "events": {"type": "timer", "throttle": _TICK_MS},
            "update": f"{_PLAYING} ? ({NOW} >= {end_s} ? {begin_s} : {onward}) : {NOW}",
        },
    ]
    slider = {"input": "range", "min": begin_s, "max": end_s, "step": step_s, "name": "Time of the cursor (s) "}
    paces = {"input": "select", "options": [0.1, 0.25, 0.5, 1.0], "name": "Pace ",
             "labels": ["a tenth", "a quarter", "half", "as it was"]}  # fmt: skip
    return [
        {"name": _PLAYING, "value": False, "bind": {"input": "checkbox", "name": "Play "}},
        {"name": _PACE, "value": 0.25, "bind": paces},
        {"name": NOW, "value": at_s, "bind": slider, "on": moved},
    ]


def stops(time_s: Floats, begin_s: float, end_s: float, most: int = MOST_STOPS) -> npt.NDArray[np.int64]:
    """Positions of the samples within the stretch that the cursor can stand on, at most about ``most``."""
    inside = np.flatnonzero((time_s >= begin_s - 1e-9) & (time_s <= end_s + 1e-9))
    return inside[:: max(-(-len(inside) // most), 1)]


def cursor_rows(time_s: Floats, begin_s: float, end_s: float) -> pd.DataFrame:
    """One row a stop: ``time_s``, and ``from_s`` to ``until_s`` in which it is the nearest one."""
    at = time_s[stops(time_s, begin_s, end_s)]
    between = (at[1:] + at[:-1]) / 2.0
    return pd.DataFrame(
        {
            "time_s": at,
            "from_s": np.concatenate([[begin_s - 1.0], between])[: len(at)],
            "until_s": np.concatenate([between, [end_s + 1.0]])[: len(at)],
        }
    )


def read_at(line: Line, at_s: Floats) -> list[str]:
    """The line's value at each time in its digits; a dash where none was recorded in that row."""
    value = pd.Series(line.value, index=line.time_s).reindex(at_s).to_numpy(dtype=float)
    if line.lamp:
        return [look.MISSING if np.isnan(v) else "on" if v else "off" for v in value]
    return [look.MISSING if np.isnan(v) else f"{v:.{line.digits}f}" for v in value]


def wheel_states(traces: Traces, wheel: str, at_s: Floats) -> list[str]:
    """What the wheel does at each time: a word of :data:`STATES`, by the spans first, then by its slip."""
    part = traces.slip[traces.slip["wheel"] == wheel]
    slip = pd.Series(part["slip"].to_numpy(dtype=float), index=part["time_s"].to_numpy(dtype=float)).reindex(at_s)
    known = slip.to_numpy(dtype=float)
    state = np.where(np.isnan(known), "not known", np.where(known > SLIPPING_FROM, "slipping", "rolling"))
    state = state.astype(object)
    for kind, word in (
        ("modulation", "modulating"),
        ("near_miss", "caught"),
        ("lockup", "locked"),
        ("lost", "no signal"),
    ):
        spans = traces.spans[(traces.spans["wheel"] == wheel) & (traces.spans["kind"] == kind)]
        for begin, end in zip(spans["start_s"], spans["stop_s"], strict=True):
            state[(at_s >= begin) & (at_s <= end)] = word
    return [str(word) for word in state]


def _nearest() -> Spec:
    return {"filter": f"datum.from_s <= {NOW} && {NOW} < datum.until_s"}


def readout_layers(placed: Sequence[tuple[Panel, int]], rows: pd.DataFrame) -> tuple[list[Spec], pd.DataFrame]:
    """What each line reads at the cursor, written right of its panel, and ``rows`` with a column a line.

    ``placed`` gives each panel with the px of its top. Wheels stand in two columns, left and right.
    """
    cells: list[Spec] = []
    columns: dict[str, list[str]] = {}
    at = rows["time_s"].to_numpy(dtype=float)
    for panel, top in placed:
        for line, (dx, dy) in zip(panel.lines, _cells(panel), strict=True):
            key = f"r{len(cells)}"
            columns[key] = read_at(line, at)
            cells.append(
                {"key": key, "dx": dx, "y": top + dy, "name": line.name.removeprefix("pressure "),
                 "colour": line.colour, "dash": list(line.dash), "heavy": line.width}
            )  # fmt: skip
    if not cells:
        return [], rows
    lookup = {"lookup": "key", "from": {"data": {"values": cells}, "key": "key", "fields": ["dx", "y", "name"]}}
    values = words([], "datum.name + '  ' + datum.reads", "width + datum.dx + 22", "datum.y", fontSize=11.5)
    values |= {
        "data": {"name": "cursor"},
        "transform": [_nearest(), {"fold": list(columns), "as": ["key", "reads"]}, lookup],
    }
    swatch = stroke(
        cells, "width + datum.dx", "width + datum.dx + 17", "datum.y", "datum.y",
        stroke={"expr": "datum.colour"}, strokeDash={"expr": "datum.dash"}, strokeWidth={"expr": "datum.heavy"},
    )  # fmt: skip
    return [swatch, values], pd.concat([rows, pd.DataFrame(columns, index=rows.index)], axis=1)


def _cells(panel: Panel) -> list[tuple[int, int]]:
    """Place of each line's value from the panel's upper right corner, px: wheels left and right, others above."""
    alone = [line.name for line in panel.lines if line.name[-2:] not in _SIDES]
    axles = sorted({line.name[-2:-1] for line in panel.lines if line.name not in alone})
    places = []
    for line in panel.lines:
        if line.name in alone:
            places.append((12, 6 + 15 * alone.index(line.name)))
        else:
            row = len(alone) + axles.index(line.name[-2:-1])
            places.append((12 if line.name.endswith("L") else 96, 6 + 15 * row))
    return places


_SIDES = frozenset(f"{axle}{side}" for axle in range(1, 7) for side in "LR")


def rule_layer(top: int, bottom: int) -> Spec:
    """The upright line through all panels."""
    at = f"scale('x', {NOW})"
    looks = {"color": look.INK, "strokeWidth": 1.2, "strokeDash": [4, 3], "clip": True}
    return stroke([{}], at, at, str(top), str(bottom), **looks)


def picture_layers(traces: Traces, rows: pd.DataFrame) -> tuple[list[Spec], pd.DataFrame, int]:
    """The vehicle from above, driving to the right, each wheel with its state at the cursor.

    Returns the layers, ``rows`` with a column a wheel, and the width taken (px); nothing without wheels.
    """
    wheels = present(traces.wheels)
    if not wheels:
        return [], rows, 0
    axles = max(int(w[0]) for w in wheels)
    at = rows["time_s"].to_numpy(dtype=float)
    columns = {f"s{w}": wheel_states(traces, w, at) for w in wheels}
    places = [
        {"key": f"s{w}", "wheel": w, "px": _EDGE + _AXLE * (axles - int(w[0])) + 10,
         "py": 64 if w.endswith("L") else 64 + _TRACK, "wy": 42 if w.endswith("L") else 86 + _TRACK}
        for w in wheels
    ]  # fmt: skip
    width = _EDGE + _AXLE * axles
    layers = [*_body(axles, width), *_wheels(list(columns), places)]
    return layers, pd.concat([rows, pd.DataFrame(columns, index=rows.index)], axis=1), width


def _body(axles: int, width: int) -> list[Spec]:
    """Outline, axles, and which way is forward."""
    beams = [{"x": _EDGE + _AXLE * place + 10} for place in range(axles)]
    middle = 64 + _TRACK // 2
    body = {
        "type": "rect", "cornerRadius": 8, "fill": "#f6f8f9", "stroke": look.PLAIN_COLOUR, "clip": False, "opacity": 1,
        "x": 14, "x2": width + 8, "y": 64 + 12, "y2": 64 + _TRACK - 12,
    }  # fmt: skip
    title = [{"text": "Wheels at the cursor, seen from above"}]
    return [
        words(title, "datum.text", "0", "6", fontWeight=600, fontSize=13),
        {"data": {"values": [{}]}, "mark": body},
        stroke(beams, "datum.x", "datum.x", "64", str(64 + _TRACK), color=look.PLAIN_COLOUR, strokeWidth=3),
        words([{"text": "front →"}], "datum.text", str(width + 2), str(middle), align="right", color=look.QUIET),
        words([{"text": "left"}, {"text": "right"}], "datum.text", "0",
              f"datum.text == 'left' ? 64 : {64 + _TRACK}", color=look.QUIET, fontSize=11),
    ]  # fmt: skip


def _wheels(keys: list[str], places: list[Spec]) -> list[Spec]:
    lookup = {
        "lookup": "key",
        "from": {"data": {"values": places}, "key": "key", "fields": ["wheel", "px", "py", "wy"]},
    }
    found = [_nearest(), {"fold": keys, "as": ["key", "state"]}, lookup]
    fill, ink = (
        {"expr": "{" + ", ".join(f"'{word}': '{inks[place]}'" for word, inks in STATES.items()) + "}[datum.state]"}
        for place in (0, 1)
    )
    tyre = {
        "type": "point", "shape": "M-1,-.42H1V.42H-1Z", "size": 2900, "filled": True, "opacity": 1, "fill": fill,
        "stroke": look.INK, "strokeWidth": 1.2, "x": {"expr": "datum.px"}, "y": {"expr": "datum.py"}, "clip": False,
    }  # fmt: skip
    from_cursor = {"data": {"name": "cursor"}, "transform": found}
    label = words([], "datum.wheel", "datum.px", "datum.py", align="center", fontWeight="bold", color=ink)
    state = words([], "datum.state", "datum.px", "datum.wy", align="center", fontSize=11.5)
    return [{"mark": tyre} | from_cursor, label | from_cursor, state | from_cursor]


def margin_layer() -> list[Spec]:
    """An invisible point that keeps the same room for the values, however long they are at the moment."""
    where = {"x": {"expr": f"width + {MARGIN}"}, "y": 0}
    return [{"data": {"values": [{}]}, "mark": {"type": "point", "opacity": 0, "size": 1, "clip": False, **where}}]


def clock_layer(top: int) -> Spec:
    """The cursor's time in figures, beside the picture."""
    text = f"format({NOW}, '.2f') + ' s'"
    return words([{}], f"'at ' + {text}", "width + 12", str(top), fontSize=15, fontWeight=600)

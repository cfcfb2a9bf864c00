"""The judged spans of one event, a row a wheel: lockup, near miss and lost signal above, modulation below."""

from typing import Any

import numpy as np
import pandas as pd

from fleetbrake.core.vocabulary import WHEELS
from fleetbrake.reports import look
from fleetbrake.reports.charts.layers import Spec, records, words

#: Height of a wheel's row of spans and of one bar in it (px).
_ROW, _BAR = 33, 13

#: Width of a letter of the words beside a span, px (cautious).
_LETTER = 6.5


def span_words(spans: pd.DataFrame) -> list[str]:
    """What each span says beside its bar, in words with its figures."""
    said = []
    for span in spans.itertuples(index=False):
        length = float(span.stop_s) - float(span.start_s)
        cycles, hz, slip = (getattr(span, name, np.nan) for name in ("cycles", "hz", "slip"))
        if span.kind == "lockup":
            said.append(f"locked {length:.2f} s")
        elif span.kind == "modulation":
            counted = f"{cycles:.0f} cycles" if pd.notna(cycles) else "modulated"
            said.append(f"{counted}, {hz:.1f} Hz" if pd.notna(hz) else counted)
        elif span.kind == "near_miss":
            said.append(f"slip {slip:.2f}" if pd.notna(slip) else "caught")
        elif span.kind == "lost":
            said.append(f"no signal {length:.2f} s")
        else:
            said.append(f"not known {length:.2f} s")
    return said


def span_layers(spans: pd.DataFrame, x: Spec, top: int) -> tuple[list[Spec], int]:
    """Bars and words under ``top`` (px), and the height they take; nothing and 0 where nothing was judged.

    ``x`` is the time axis that all panels share.
    """
    shown = spans[spans["kind"].isin(look.SPAN_LOOKS)]
    if shown.empty:
        return [], 0
    order = [w for w in (*WHEELS, "vehicle") if w in set(shown["wheel"])]
    placed = _placed(shown, order, top, *x["scale"]["domain"])
    names = [{"name": wheel, "y": top + _ROW * row + _ROW / 2} for row, wheel in enumerate(order)]
    layers = [words(names, "datum.name", "-8", "datum.y", align="right", color=look.QUIET)]
    layers += [_bars(placed[placed["kind"] == kind], kind, x) for kind in look.SPAN_LOOKS if kind in set(shown["kind"])]
    layers += [_inside(placed, x), _after(placed, x), _before(placed, x)]
    return [*layers, *_key(set(shown["kind"]), top)], _ROW * max(
        len(order), (len(set(shown["kind"])) * 15 + 27) // _ROW
    )


def _placed(shown: pd.DataFrame, order: list[str], top: int, first_s: float, last_s: float) -> pd.DataFrame:
    """Spans with their words, their place in px, and the times between which there is room for words around them."""
    rows = [order.index(wheel) for wheel in shown["wheel"]]
    lower = shown["kind"] == "modulation"
    bar = top + _ROW * np.array(rows) + np.where(lower, _ROW - _BAR - 1, 1)
    placed = shown.assign(
        time_s=shown["start_s"].astype(float),
        stop_s=shown["stop_s"].astype(float),
        what=[look.SPAN_LOOKS[kind][0] for kind in shown["kind"]],
        label=span_words(shown),
        top_px=bar,
        bottom_px=bar + _BAR,
        bar=np.where(lower, "lower", "upper"),
    ).sort_values(["wheel", "bar", "time_s"], kind="stable")
    rows_of = placed.groupby(["wheel", "bar"], sort=False)
    return placed.assign(
        since_s=rows_of["stop_s"].shift(1).fillna(first_s),
        until_s=rows_of["time_s"].shift(-1).fillna(last_s),
        need_px=placed["label"].str.len() * _LETTER + 8.0,
        light=placed["kind"] == "lockup",
    )


def _bars(part: pd.DataFrame, kind: str, x: Spec) -> Spec:
    _, fill, outline, dash = look.SPAN_LOOKS[kind]
    mark: dict[str, Any] = {
        "type": "rect", "clip": True, "fill": fill, "stroke": outline, "strokeWidth": 1.3, "strokeDash": list(dash),
        "y": {"expr": "datum.top_px"}, "y2": {"expr": "datum.bottom_px"}, "opacity": 1,
    }  # fmt: skip
    tooltip = [
        {"field": "wheel", "type": "nominal", "title": "wheel"},
        {"field": "what", "type": "nominal", "title": "judged"},
        {"field": "label", "type": "nominal", "title": "span"},
        {"field": "time_s", "type": "quantitative", "format": ".2f", "title": "from (s)"},
        {"field": "stop_s", "type": "quantitative", "format": ".2f", "title": "to (s)"},
    ]
    columns = ["time_s", "stop_s", "wheel", "what", "label", "top_px", "bottom_px"]
    return {
        "data": {"values": records(part[columns])},
        "mark": mark,
        "encoding": {"x": x, "x2": {"field": "stop_s"}, "tooltip": tooltip},
    }


#: Pixels of a span and of the room behind it, at the zoom of the moment.
_LENGTH = "(scale('x', datum.stop_s) - scale('x', datum.time_s))"
_ROOM = "(scale('x', datum.until_s) - scale('x', datum.stop_s))"
_ROOM_BEFORE = "(scale('x', datum.time_s) - scale('x', datum.since_s))"
_TEXT_COLUMNS = ["time_s", "stop_s", "since_s", "until_s", "label", "need_px", "top_px", "bottom_px", "light"]


def _written(placed: pd.DataFrame, x: Spec, field: str, shown: str, colour: object, align: str = "left") -> Spec:
    mark = {
        "type": "text", "align": align, "baseline": "middle", "dx": 5 if align == "left" else -5,
        "fontSize": 10.5, "clip": True,
        "y": {"expr": "(datum.top_px + datum.bottom_px) / 2"}, "text": {"expr": "datum.label"},
        "opacity": {"expr": shown}, "color": colour,
    }  # fmt: skip
    return {"data": {"values": records(placed[_TEXT_COLUMNS])}, "mark": mark, "encoding": {"x": x | {"field": field}}}


def _inside(placed: pd.DataFrame, x: Spec) -> Spec:
    """Words in their bar, where it is long enough at the zoom of the moment."""
    colour = {"expr": f"datum.light ? 'white' : '{look.INK}'"}
    return _written(placed, x, "time_s", f"{_LENGTH} >= datum.need_px ? 1 : 0", colour)


def _after(placed: pd.DataFrame, x: Spec) -> Spec:
    """Words after their bar, where that is too short and there is room."""
    shown = f"{_LENGTH} < datum.need_px && {_ROOM} >= datum.need_px ? 1 : 0"
    return _written(placed, x, "stop_s", shown, look.INK)


def _before(placed: pd.DataFrame, x: Spec) -> Spec:
    """Words before their bar, where there is room nowhere else; without any, the tooltip alone has them."""
    none_else = f"{_LENGTH} < datum.need_px && {_ROOM} < datum.need_px"
    return _written(placed, x, "time_s", f"{none_else} && {_ROOM_BEFORE} >= datum.need_px ? 1 : 0", look.INK, "right")


def _key(kinds: set[str], top: int) -> list[Spec]:
    """What the bars mean, to the right of them."""
    rows = [
        {
            "what": word,
            "y": top + 8 + 15 * place,
            "fill": fill,
            "line": line,
        }
        for place, (word, fill, line, _) in enumerate(
            look.SPAN_LOOKS[kind] for kind in look.SPAN_LOOKS if kind in kinds
        )
    ]
    mark = {
        "type": "point", "shape": "square", "size": 90, "clip": False, "opacity": 1, "strokeWidth": 1.3,
        "x": {"expr": "width + 16"}, "y": {"expr": "datum.y"},
        "fill": {"expr": "datum.fill"}, "stroke": {"expr": "datum.line"},
    }  # fmt: skip
    boxes: Spec = {"data": {"values": rows}, "mark": mark}
    return [boxes, words(rows, "datum.what", "width + 28", "datum.y", fontSize=11)]

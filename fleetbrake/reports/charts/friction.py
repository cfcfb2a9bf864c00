"""One event's braking rate against the slip of its wheels, with the tyre curve that explains it."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from fleetbrake.reports import look
from fleetbrake.reports.charts.layers import Spec, records, stroke, words

#: Braking rate up to which the panel reaches at least, of g.
_LEAST_TOP = 0.3

#: Width and height of the panel's plot, px, and the room left of it and below it for its axes.
WIDTH, HEIGHT = 250, 130
_LEFT, _BELOW = 44, 34


@dataclass(frozen=True)
class Frame:
    """Where the panel's plot lies (px) and the braking rates at its bottom and its top (of g)."""

    left: int
    top: int
    low: float
    high: float

    def x(self, slip: pd.Series) -> npt.NDArray[np.float64]:
        """Slip in px; 0 to 1 fills the width."""
        return self.left + WIDTH * slip.to_numpy(dtype=float)

    def y(self, rate: pd.Series) -> npt.NDArray[np.float64]:
        """Braking rate in px, upward."""
        share = (rate.to_numpy(dtype=float) - self.low) / (self.high - self.low)
        return self.top + HEIGHT * (1.0 - share)


def friction_layers(friction: pd.DataFrame, left: int, top: int, now: str) -> tuple[list[Spec], int, int]:
    """Rings of slip and braking rate, the fitted curve, and a filled dot where the signal ``now`` (s) is.

    ``friction`` as in ``reports.traces.Traces.friction``; ``left`` and ``top`` in px. Returns the layers and how much
    room they take to the right and downward; nothing where there are no pairs.
    """
    pairs, curve = (friction[friction["part"] == part] for part in ("pair", "curve"))
    if pairs.empty:
        return [], 0, 0
    rates = friction["rate"].dropna().astype(float)
    high = max([_LEAST_TOP, *(1.08 * rates.nlargest(1))])
    frame = Frame(left + _LEFT, top + 22, min([0.0, *rates.nsmallest(1)]), high)
    title = [{"title": "Friction: braking rate (of g) against slip"}]
    layers = [
        words(title, "datum.title", str(frame.left), str(top + 6), fontWeight=600, fontSize=13),
        *_axes(frame),
        *([_line(curve, frame)] if len(curve) else []),
        _rings(pairs, frame),
        _at_cursor(pairs, frame, now),
    ]
    return layers, _LEFT + WIDTH + 12, 22 + HEIGHT + _BELOW


def _axes(frame: Frame) -> list[Spec]:
    """Lines and figures at round values; the panel has no scales of its own, so they are placed by hand."""
    step = next(s for s in (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0) if (frame.high - frame.low) / s <= 5)
    rates = pd.Series(np.arange(np.ceil(frame.low / step - 1e-9), np.floor(frame.high / step + 1e-9) + 1) * step)
    across = [
        {"y": float(y), "text": f"{rate:.2f}".rstrip("0").rstrip(".") if rate else "0"}
        for y, rate in zip(frame.y(rates), rates, strict=True)
    ]
    slips = pd.Series([0.0, 0.2, 0.4, 0.6, 0.8, 1.0])
    upward = [{"x": float(x), "text": f"{slip:.1f}"} for x, slip in zip(frame.x(slips), slips, strict=True)]
    right, bottom = frame.left + WIDTH, frame.top + HEIGHT
    return [
        stroke(across, str(frame.left), str(right), "datum.y", "datum.y", color=look.LINE),
        stroke(upward, "datum.x", "datum.x", str(bottom), str(bottom + 4), color=look.QUIET),
        words(across, "datum.text", str(frame.left - 6), "datum.y", align="right", color=look.QUIET, fontSize=11),
        words(upward, "datum.text", "datum.x", str(bottom + 12), align="center", color=look.QUIET, fontSize=11),
        words(
            [{"text": "mean slip of the wheels"}], "datum.text", str(right), str(bottom + 26), align="right",
            color=look.QUIET, fontSize=11,
        ),
    ]  # fmt: skip


def _placed(part: pd.DataFrame, frame: Frame) -> list[Spec]:
    return records(part.assign(px=frame.x(part["slip"]), py=frame.y(part["rate"])).drop(columns="part"))


_THERE = {"x": {"expr": "datum.px"}, "y": {"expr": "datum.py"}, "clip": False}


def _line(curve: pd.DataFrame, frame: Frame) -> Spec:
    mark = {"type": "line", "color": look.AXLE_COLOURS[0], "strokeWidth": 2, **_THERE}
    return {"data": {"values": _placed(curve.sort_values("slip")[["slip", "rate", "part"]], frame)}, "mark": mark}


def _rings(pairs: pd.DataFrame, frame: Frame) -> Spec:
    tooltip = [
        {"field": "slip", "type": "quantitative", "format": ".2f"},
        {"field": "rate", "type": "quantitative", "format": ".2f", "title": "braking rate (of g)"},
        {"field": "start_s", "type": "quantitative", "format": ".2f", "title": "from (s)"},
        {"field": "stop_s", "type": "quantitative", "format": ".2f", "title": "to (s)"},
    ]
    mark = {"type": "point", "color": look.VEHICLE_COLOUR, "size": 26, "opacity": 0.5, "strokeWidth": 1.2, **_THERE}
    return {"data": {"values": _placed(pairs, frame)}, "mark": mark, "encoding": {"tooltip": tooltip}}


def _at_cursor(pairs: pd.DataFrame, frame: Frame, now: str) -> Spec:
    """The pair whose window holds the cursor's time; none while none does."""
    mark = {"type": "point", "filled": True, "color": look.LOCKUP_COLOUR, "size": 110, "opacity": 1, **_THERE}
    held = f"datum.start_s <= {now} && {now} < datum.stop_s"
    return {"data": {"values": _placed(pairs, frame)}, "transform": [{"filter": held}], "mark": mark}

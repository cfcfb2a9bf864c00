"""Pieces of a Vega-Lite layer whose place is given in px, so that one view can hold panels under each other."""

from typing import Any

import numpy as np
import pandas as pd

from fleetbrake.reports.look import INK

Spec = dict[str, Any]

#: Digits behind the point of what is drawn: a thousandth of any unit is finer than a pixel.
_DIGITS = 4


def records(frame: pd.DataFrame) -> list[Spec]:
    """The rows as plain values: numbers rounded, what is missing None."""
    plain = {}
    for name in frame:
        column = frame[name]
        if pd.api.types.is_float_dtype(column.dtype):
            numbers = np.round(column.to_numpy(dtype=float, na_value=np.nan), _DIGITS)
            plain[str(name)] = [None if np.isnan(n) else n for n in numbers.tolist()]
        else:
            plain[str(name)] = [None if pd.isna(v) else v for v in column.tolist()]
    return [dict(zip(plain, row, strict=True)) for row in zip(*plain.values(), strict=True)]


def words(rows: list[Spec], text: str, x: str, y: str, **mark: Any) -> Spec:
    """Text for each row; ``text``, ``x`` (px) and ``y`` (px) are expressions over ``datum``."""
    looks = {"align": "left", "baseline": "middle", "fontSize": 12, "color": INK, "clip": False} | mark
    return {
        "data": {"values": rows},
        "mark": {"type": "text", "text": {"expr": text}, "x": {"expr": x}, "y": {"expr": y}, **looks},
    }


def stroke(rows: list[Spec], x: str, x2: str, y: str, y2: str, **mark: Any) -> Spec:
    """A straight line for each row between two points given in px by expressions over ``datum``."""
    ends = {name: {"value": {"expr": text}} for name, text in (("x", x), ("x2", x2), ("y", y), ("y2", y2))}
    return {"data": {"values": rows}, "mark": {"type": "rule", "clip": False, **mark}, "encoding": ends}

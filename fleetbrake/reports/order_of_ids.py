"""Rows that are alike stand in the order of their ids, and with it aliases would tell whose they are.

Whoever has a roster could read names off the order. Drivers who are alike stand in the order of their aliases instead.
"""

from typing import Final

import numpy as np
import pandas as pd

#: Column of drivers -> by which columns rows are alike; a rank that follows the order is given out anew.
_ALIKE: Final = {"driver_id": "style_score", "id": "events"}


def without_order_of_ids(shown: pd.DataFrame) -> pd.DataFrame:
    """Rows of drivers under aliases, those that are alike in the order of the aliases; the same rows and index.

    Frames of other things come back as they are. Aliases depend on a key that nobody sees, so that their order says
    nothing.
    """
    if {"driver_id", "rank", "style_score"} <= set(shown.columns):
        return _by_alias(shown, "driver_id", keeps=["rank"])
    if {"kind", "id", "events"} <= set(shown.columns):
        drivers = (shown["kind"] == "driver").to_numpy(dtype=bool, na_value=False)
        return _by_alias(shown, "id", keeps=[], only=drivers)
    return shown


def _by_alias(shown: pd.DataFrame, named: str, keeps: list[str], only: np.ndarray | None = None) -> pd.DataFrame:
    """``keeps``: columns that stay in their places while the rest of the row moves."""
    places = np.arange(len(shown)) if only is None else np.flatnonzero(only)
    alike = shown[_ALIKE[named]].iloc[places].astype("float64")
    days = shown["as_of"].iloc[places].astype(str).to_numpy() if "as_of" in shown else np.full(len(places), "")
    order = np.arange(len(shown))
    for _, group in pd.Series(places).groupby([days, alike.to_numpy()], dropna=False, sort=False):
        at = group.to_numpy()
        order[at] = at[np.argsort(shown[named].iloc[at].astype(str).to_numpy(), kind="stable")]
    moved = shown.iloc[order]
    moved.index = shown.index
    return moved.assign(**{name: shown[name].to_numpy() for name in keeps}) if keeps else moved

"""Whoever sits before a page: the store, what they may see, and the units they read in."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from fleetbrake.access.roles import LOCAL_USER, Viewer
from fleetbrake.reports.measures import METRIC, US, Measures

_UNITS = "units"


@dataclass(frozen=True)
class Seat:
    """What a page is drawn for. Frames of the tables go through :meth:`veiled` before anything of them is shown."""

    store: Path
    viewer: Viewer
    measures: Measures

    def veiled(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The frame as this viewer may see it: aliases for drivers, no places, no trips, unless the role has them."""
        return frame

    def veiled_row(self, row: dict[str, Any] | None) -> dict[str, Any] | None:
        """As :meth:`veiled` for one row."""
        return row


def measures_asked() -> Measures:
    """The units that the address asks for, else those chosen before in this session, else metric."""
    asked = st.query_params.get(_UNITS, st.session_state.get("chosen_units", "metric"))
    chosen = US if asked == "us" else METRIC
    st.session_state["chosen_units"] = chosen.system.value
    if chosen is US:
        st.query_params[_UNITS] = "us"
    return chosen


def viewer() -> Viewer:
    """Who looks; nobody but the local user until a sign-in is set up."""
    return replace(LOCAL_USER)

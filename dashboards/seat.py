"""Whoever sits before a page: the store, what they may see, and the units they read in."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st
from sign_in import viewer

from fleetbrake.access.roles import Viewer
from fleetbrake.reports.measures import METRIC, US, Measures, System
from fleetbrake.reports.veil import Veil, veil

__all__ = ["Seat", "measures_asked", "units_in_links", "units_switch", "viewer"]

_UNITS = "units"
_SWITCH = "units_switch"
_UNIT_WORDS = {System.METRIC.value: "Units: metric", System.US.value: "US"}


@dataclass(frozen=True)
class Seat:
    """What a page is drawn for. Frames of the tables go through :meth:`veiled` before anything of them is shown."""

    store: Path
    viewer: Viewer
    measures: Measures

    @property
    def veil(self) -> Veil:
        """What this viewer may see of the store as it is published now."""
        return veil(self.store, self.viewer)

    @property
    def may_act_now(self) -> bool:
        """Whether the viewer may act, asked anew: a form may be sent long after its page was drawn."""
        now = viewer()
        return self.viewer.may_act and now.may_act and now.name == self.viewer.name

    def veiled(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The frame as this viewer may see it: aliases for drivers (inside free text too), no places, no trips, paths
        as folder and file, unless the role has them. The same columns: what is hidden is missing. For frames with the
        tables' own column names, before a page renames them."""
        return self.veil.frame(frame)

    def veiled_row(self, row: dict[str, Any] | None) -> dict[str, Any] | None:
        """As :meth:`veiled` for one row."""
        return self.veil.row(row)

    def veiled_text(self, text: str) -> str:
        """As :meth:`veiled` for one free text."""
        return self.veil.text(text)

    def shown_driver(self, driver_id: str) -> str:
        """What a driver is called before this viewer: the id or the alias. Goes into addresses too."""
        return self.veil.shown_driver(driver_id)

    def driver_from(self, shown: str) -> str | None:
        """The driver's id for what an address or a list calls him; None if there is none of that name. Who sees aliases
        finds drivers by aliases only."""
        return self.veil.driver_from(shown)


def measures_asked() -> Measures:
    """The units that the address asks for, else those chosen before in this session, else metric."""
    asked = st.query_params.get(_UNITS, st.session_state.get("chosen_units", "metric"))
    chosen = US if asked == "us" else METRIC
    st.session_state["chosen_units"] = chosen.system.value
    return chosen


def units_in_links() -> dict[str, str]:
    """What a link to another page says of the units: nothing for metric ones."""
    return {} if measures_asked() is METRIC else {_UNITS: US.system.value}


def units_switch() -> None:
    """The switch between metric and US customary units; the choice stands in the address of every page."""
    st.segmented_control(
        "Units",
        [system.value for system in System],
        default=measures_asked().system.value,
        format_func=_UNIT_WORDS.__getitem__,
        key=_SWITCH,
        on_change=_switched,
        required=True,
        label_visibility="collapsed",
    )


def _switched() -> None:
    chosen = st.session_state.get(_SWITCH) or System.METRIC.value
    st.session_state["chosen_units"] = chosen
    if chosen == System.US.value:
        st.query_params[_UNITS] = chosen
    else:
        st.query_params.pop(_UNITS, None)

"""Who brakes late and hard, as counted and with vehicle, surface and exposure taken out."""

from pathlib import Path

import pandas as pd
import streamlit as st
from page_parts import page, plain

from fleetbrake.reports import charts, look, reads

_HOW = (
    "The counted rate divides a driver's hard stops by the distance driven. The adjusted rate compares them with what "
    "an average driver would have had in the same vehicles, on the same surfaces and over the same distance; the fewer "
    "the events, the more it rests on the fleet. Lower than counted: vehicle or road explain part of the count, or it "
    "rests on few events. Higher than counted: vehicles and roads were kinder than the fleet's, or so few events are "
    "known that the fleet weighs more. It is a ground for a conversation, not a verdict."
)


def draw(store: Path) -> None:
    """Rates with intervals, then every driver in numbers."""
    drivers = reads.drivers(store)
    if drivers.empty:
        st.info("No driver has been scored yet. Drivers come from recordings or trips; then run `fleetbrake score`.")
        return
    st.caption(f"Evidence up to and with {look.day(drivers['as_of'].iloc[0])}. Personal data: for coaching only.")
    st.markdown(_HOW)
    st.altair_chart(charts.driver_rates(drivers), theme=None)
    blind = int(drivers["hard_stops_per_1000km"].isna().sum())
    if blind:
        st.caption(f"{blind} driver(s) without a known distance have no rate.")
    _notes(drivers)
    names = {
        "rank": "Rank", "driver_id": "Driver", "depot": "Depot", "style_score": "Score",
        "score_low": "from", "score_high": "to", "distance_km": "Distance (km)", "hard_stops": "Hard stops",
        "incidents": "Incidents", "hard_stops_per_1000km": "Counted (per 1000 km)",
        "adjusted_hard_stops_per_1000km": "Adjusted (per 1000 km)", "adjusted_low": "low",
        "adjusted_high": "high", "note": "Why they differ",
    }  # fmt: skip
    rates = {name: st.column_config.NumberColumn(format="%.1f") for name in list(names.values())[9:13]}
    scores = {name: st.column_config.NumberColumn(format="%.0f") for name in list(names.values())[3:7]}
    st.dataframe(
        drivers[list(names)].rename(columns=names),
        hide_index=True,
        column_config={**rates, **scores},
        placeholder=look.MISSING,
    )


def _notes(drivers: pd.DataFrame) -> None:
    noted = drivers[drivers["note"].notna()].head(8)
    for row in noted.to_dict("records"):
        st.markdown(f"**{plain(row['driver_id'])}**: {plain(row['note'])}")


page("Drivers", draw)

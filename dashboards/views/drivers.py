"""Who brakes late and hard, as counted and with vehicle, surface and exposure taken out; what to talk about."""

from pathlib import Path

import pandas as pd
import streamlit as st
from page_parts import asked_for, link_to, page, plain
from seat import Seat

from fleetbrake.core.vocabulary import DRIVER_CAUTION
from fleetbrake.reports import charts, driver_reads, look, reads

_HOW = (
    "**What the number means.** The counted rate divides a driver's hard stops by the distance driven. The adjusted "
    "rate compares the driver's incidents (hard stops within a minute are one) with what an average driver would have "
    "had in the same vehicles, on the same roads and over the same distance, as far as a hard stop would have been "
    "recorded there; the fewer the events, the more it rests on the other drivers. Lower than counted: vehicle or road "
    "explain part of the count, or it rests on few events. Higher than counted: vehicles and roads were kinder than "
    "the fleet's, or so few events are known that the other drivers weigh more. Where some drivers keep to one kind of "
    "road and others to another, nobody can tell driver from road: the intervals are wider there, and may still be too "
    "narrow.\n\n"
    "**What it does not mean.** It does not say who was at fault, what the traffic did, or that a stop was wrong: a "
    "hard stop can be the right one. Drivers whose intervals overlap cannot be told apart. Braking by the vehicle "
    "itself, faults of the vehicle and slippery roads are not the driver's; what no register or recording tells is "
    "still in it. It is a ground for a conversation, not a verdict."
)

_MOST_CHARTED = 25

_KINDS = {"talk_about": "Worth talking about", "went_well": "Went well"}

_NAMES = {
    "rank": "Rank", "driver_id": "Driver", "depot": "Depot", "style_score": "Score",
    "score_low": "from", "score_high": "to", "distance_km": "Distance (km)", "observed_km": "Observed (km)",
    "hard_stops": "Hard stops",
    "incidents": "Incidents", "automatic_hard_stops": "By the vehicle itself",
    "hard_stops_per_1000km": "Counted (per 1000 km)", "adjusted_hard_stops_per_1000km": "Adjusted (per 1000 km)",
    "adjusted_low": "low", "adjusted_high": "high",
    "hard_stops_per_1000_applications": "Counted (per 1000 applications)",
    "build_up_jerk_mps3": "Jerk of build-up (m/s³)", "build_up_jerk_of_usual": "Jerk, usual = 1",
    "late_braking_share": "Last second of a stop", "brake_energy_kj_per_km": "Brake energy (kJ/km)",
    "modulation_on_grip_per_1000km": "Modulation with grip (per 1000 km)", "note": "Why they differ",
}  # fmt: skip
_DECIMALS = {
    "%.0f": ("style_score", "score_low", "score_high", "distance_km", "observed_km"),
    "%.1f": ("hard_stops_per_1000km", "adjusted_hard_stops_per_1000km", "adjusted_low", "adjusted_high",
             "hard_stops_per_1000_applications", "build_up_jerk_mps3", "brake_energy_kj_per_km",
             "modulation_on_grip_per_1000km"),
    "%.2f": ("build_up_jerk_of_usual", "late_braking_share"),
}  # fmt: skip


def draw(seat: Seat) -> None:
    """Rates with intervals, every driver in numbers, then one driver's events to talk about."""
    store = seat.store
    drivers = reads.drivers(store)
    if drivers.empty:
        st.info("No driver has been scored yet. Drivers come from recordings or trips; then run `fleetbrake score`.")
        return
    st.caption(f"Evidence up to and with {look.day(drivers['as_of'].iloc[0])}. Personal data: for coaching only.")
    st.warning(DRIVER_CAUTION)
    st.markdown(_HOW)
    st.altair_chart(charts.driver_rates(drivers, _MOST_CHARTED), theme=None)
    for told in (driver_reads.charted(len(drivers), _MOST_CHARTED), driver_reads.unobserved(drivers)):
        if told is not None:
            st.caption(told)
    _blind(store, drivers)
    _table(drivers)
    _one(store, drivers)


def _blind(store: Path, drivers: pd.DataFrame) -> None:
    """What has no rate, and what nobody can be named for."""
    blind = int(drivers["hard_stops_per_1000km"].isna().sum())
    if blind:
        st.caption(f"{blind} driver(s) without a known distance have no rate.")
    unscored = int((drivers["style_score"].isna() & drivers["hard_stops_per_1000km"].notna()).sum())
    if unscored:
        st.caption(
            f"Of {unscored} driver(s) too little driving was observed for a score: their place in the list means "
            "nothing."
        )
    depots = driver_reads.exposure(store)
    if len(depots):
        st.caption(driver_reads.unattributed(depots))


def _table(drivers: pd.DataFrame) -> None:
    shown = {
        _NAMES[name]: st.column_config.NumberColumn(format=form) for form, names in _DECIMALS.items() for name in names
    }
    st.dataframe(
        drivers[list(_NAMES)].rename(columns=_NAMES),
        hide_index=True,
        column_config=shown,
        placeholder=look.MISSING,
    )


def _one(store: Path, drivers: pd.DataFrame) -> None:
    """One driver: why the rates differ, typical events, what went well."""
    ids = [str(d) for d in drivers["driver_id"]]
    asked = asked_for("driver")
    if asked is not None and asked not in ids:
        st.warning("There is no such driver in this store:")
        st.text(asked)
    driver = st.selectbox("Driver", ids, index=ids.index(asked) if asked in ids else 0, width=420)
    row = drivers[drivers["driver_id"] == driver].iloc[0]
    if isinstance(row["note"], str):
        st.markdown(f"**{plain(driver)}**: {plain(row['note'])}")
    found = driver_reads.coaching(store, driver)
    if found.empty:
        st.caption("No event of this driver is worth talking about.")
    for kind, title in _KINDS.items():
        part = found[found["kind"] == kind]
        if len(part):
            st.subheader(title, anchor=False)
        for item in part.to_dict("records"):
            _item(item)
    st.caption(
        "The events are typical of the driver, not the worst ones, and leave out slippery roads and faulty vehicles."
    )


def _item(item: dict[str, object]) -> None:
    st.markdown(plain(item["sentence"]))
    if isinstance(item["event_id"], str):
        link_to("event", "Look at the event", event=item["event_id"])


page("Drivers", draw)

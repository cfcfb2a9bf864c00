"""One brake application: its traces, the marked spans, and its facts in numbers."""

from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st
from page_parts import asked_for, caution, event_table, link_to, page, plain

from fleetbrake.reports import charts, look, reads
from fleetbrake.reports.traces import event_traces


def draw(store: Path) -> None:
    """The event that the address asks for, else the newest ones worth a look."""
    asked = asked_for("event")
    row = reads.event(store, asked) if asked else None
    if row is None or asked is None:
        if asked:
            st.warning("There is no such event in this store:")
            st.text(asked)
        _choose(store)
        return
    _head(row)
    _traces(store, asked)
    left, right = st.columns([1.25, 1])
    with left:
        st.subheader("In numbers", anchor=False)
        st.table(_facts(row), border="horizontal", hide_index=True, hide_header=True)
    with right:
        if row["not_braking"] is None:
            st.subheader("By wheel", anchor=False)
            _wheels(reads.event_wheels(store, asked))
        _origin(row)
    caution()


def _choose(store: Path) -> None:
    notable = reads.notable_events(store)
    if notable.empty:
        st.info(
            "No event yet in which a wheel locked above the cut-off speed or the anti-lock control was at work. "
            "Others: see Vehicle."
        )
        return
    st.caption(
        "The newest events in which a wheel locked above the cut-off speed or the anti-lock control was at work. "
        "Choose a row to open it."
    )
    event_table(notable, key="notable_events")


def _head(row: dict[str, Any]) -> None:
    st.text(row["event_id"])
    with st.container(horizontal=True, vertical_alignment="center"):
        if row["vehicle_id"] is not None:
            link_to("vehicle", row["vehicle_id"], vehicle=str(row["vehicle_id"]))
        driver = plain(row["driver_id"]) if row["driver_id"] is not None else "not known"
        st.caption(f"{look.moment(row['started_at'])} · driver {driver} · {_source(row)}")
    if row["not_braking"] is not None:
        st.info(f"No brake application: {plain(row['not_braking'])}. Hard stop, modulation and lockup do not apply.")
        return
    shows = st.columns(5)
    shows[0].metric("Hard stop", look.yes_no(row["hard_stop"]))
    shows[1].metric("Modulation", look.yes_no(row["modulation"]))
    shows[2].metric("Wheel locked", look.yes_no(row["lockup"]))
    shows[3].metric("Above the cut-off speed", look.yes_no(row["lockup_above_cutoff"]))
    shows[4].metric("Surface", look.SURFACE_TEXT.get(str(row["surface"]), look.text(row["surface"])))


def _source(row: dict[str, Any]) -> str:
    asked = row["brake_source"]
    return "source of the demand not recorded" if asked is None else f"asked for by {plain(asked)}"


def _traces(store: Path, event_id: str) -> None:
    traces = event_traces(store, event_id)
    if traces is None:
        return
    if traces.problem:
        st.info(plain(traces.problem))
        if traces.spans.empty:
            return
    st.altair_chart(charts.event_chart(traces), theme=None, width="content")
    if not traces.problem:
        st.caption("Drag to move along the time axis, turn the wheel to zoom, double-click to see all.")


#: What can be told of an event that is no brake application.
_WITHOUT_BRAKING = ("Initial speed", "Final speed", "Rates: wheels / speed / demand")


def _facts(row: dict[str, Any]) -> pd.DataFrame:
    """Name and value with unit, SI first, everyday unit beside it."""
    cycles = f"{look.whole(row['modulation_cycles'])} cycles, {look.number(row['modulation_hz'])} Hz"
    facts = [
        ("Initial speed", look.kmh(row["initial_speed_mps"])),
        ("Final speed", look.kmh(row["final_speed_mps"])),
        ("Braking time", f"{look.number(row['braking_s'], 2)} s"),
        ("Braking distance", f"{look.number(row['braking_distance_m'])} m"),
        ("Peak deceleration (0.2 s mean)", f"{look.number(row['peak_decel_mps2'], 2)} m/s²"),
        ("Mean deceleration", f"{look.number(row['mean_decel_mps2'], 2)} m/s²"),
        ("Mean fully developed deceleration", f"{look.number(row['mfdd_mps2'], 2)} m/s²"),
        ("Friction used (of g)", look.number(row["friction_used"], 2)),
        ("Brake energy", f"{look.whole(row['brake_energy_kj'])} kJ"),
        ("Longest lockup of a wheel", f"{look.number(row['lockup_s'], 2)} s"),
        ("Modulation of the wheel with most", cycles),
        ("Emergency application", look.yes_no(row["emergency_application"])),
        ("Rates: wheels / speed / demand", " / ".join(
            f"{look.whole(row[c])}" for c in ("wheel_rate_hz", "speed_rate_hz", "demand_rate_hz")) + " Hz"),
    ]  # fmt: skip
    if row["not_braking"] is not None:
        facts = [fact for fact in facts if fact[0] in _WITHOUT_BRAKING]
    return pd.DataFrame([(name, plain(value)) for name, value in facts], columns=["Fact", "Value"])


def _wheels(wheels: pd.DataFrame) -> None:
    if wheels.empty:
        st.info("No wheel speed was recorded: this event has no opinion on lockups.")
        return
    names = {
        "wheel": "Wheel", "peak_slip": "Peak slip", "lockup_s": "Locked (s)", "lockup_onset_s": "from (s)",
        "lockup_onset_speed_mps": "at (m/s)", "slide_m": "Slid (m)", "modulation_cycles": "Cycles",
        "modulation_hz": "Hz",
    }  # fmt: skip
    figures = {name: st.column_config.NumberColumn(format="%.2f") for name in [*list(names.values())[1:6], "Hz"]}
    st.dataframe(
        wheels[list(names)].rename(columns=names), hide_index=True, column_config=figures, placeholder=look.MISSING
    )


def _origin(row: dict[str, Any]) -> None:
    if row["notes"] is not None:
        st.caption(f"Notes: {plain(row['notes'])}")
    if row["source_path"] is not None:
        rows = f"rows {look.whole(row['row_start'])} to {look.whole(row['row_stop'])}"
        st.caption(f"Recording: {plain(row['source_path'])}, {rows}")


page("Event", draw)

"""One vehicle: where it stands and what can be done, what speaks against it since when, and its history."""

from functools import partial
from typing import Any

import address
import pandas as pd
import streamlit as st
from kept import kept
from page_actions import action_buttons, action_panel, told, wished
from page_parts import event_table, model_line, page
from seat import Seat
from vehicle_parts import draw_findings, draw_history, draw_standing, draw_wheels

from fleetbrake.core.vocabulary import NOT_SEEN
from fleetbrake.reports import charts, findings, look, plan_reads, reads


def draw(seat: Seat) -> None:
    """Choose a vehicle, then its facts, flags, indicators, wheels, history and events."""
    ids = kept(reads.vehicle_ids, seat.store)
    if not ids:
        st.info("No vehicle yet: neither a register nor a recording is in.")
        return
    vehicle = address.known("vehicle", ids, "vehicle", look.clipped)
    if vehicle is None:
        return
    listed = kept(plan_reads.work_list, seat.store)
    rows = seat.veiled(listed[listed["vehicle_id"] == vehicle]).to_dict("records")
    standing = rows[0] if rows else None
    register = kept(reads.register_row, seat.store, vehicle)
    told()
    draw_standing(seat, standing, register)
    if standing is not None:
        _do(seat, standing)
    st.download_button(
        "Sheet for the workshop (PDF)",
        partial(_sheet, seat, vehicle),
        file_name=f"workshop-{look.in_file_name(vehicle)}.pdf",
        mime="application/pdf",
        on_click="ignore",
        help="One page: what to look at first and where, what it rests on, room for what was found. No driver.",
    )
    model_line(seat.store)
    indicators = findings.in_units(seat.veiled(kept(reads.indicators_of, seat.store, vehicle)), seat.measures)
    draw_wheels(indicators, register)
    draw_findings(seat, vehicle, indicators, standing and standing["leading_indicator"])
    draw_history(seat, vehicle)
    _not_seen(seat, standing, indicators, kept(reads.observability, seat.store))
    _events(seat, vehicle)


def _do(seat: Seat, row: dict[Any, Any]) -> None:
    """What a planner can do."""
    with st.container(key=f"row_{row['rank']}"):
        action_buttons(seat, row, sum(flag.vehicle_id == row["vehicle_id"] for flag in wished(seat).flags))
        action_panel(seat, row)


def _sheet(seat: Seat, vehicle: str) -> bytes:
    """The printed page, drawn up when somebody asks for it; without drivers, trips and places whoever asks."""
    from fleetbrake.reports.sheets.vehicle_sheet import vehicle_sheets  # the typesetter is loaded only when needed

    return vehicle_sheets(seat.store, [vehicle], seat.measures)


def _not_seen(seat: Seat, standing: dict[Any, Any] | None, indicators: pd.DataFrame, needs: pd.DataFrame) -> None:
    """What recordings of this vehicle cannot say, whatever its score."""
    st.subheader("What the recordings do not say", anchor=False)
    st.markdown(NOT_SEEN)
    if standing is not None:
        st.text(findings.quiet_text(standing, seat.measures))
    missing = findings.unobserved(indicators, needs)
    if len(missing):
        st.caption("Nothing is known of these, and none of them counts as good:")
        st.dataframe(missing, hide_index=True, placeholder=look.MISSING)
    limits = findings.limits(indicators)
    if len(limits):
        with st.expander("Smaller departures than these would not be seen in what is recorded of this vehicle"):
            st.dataframe(limits, hide_index=True, placeholder=look.MISSING)


def _events(seat: Seat, vehicle: str) -> None:
    st.subheader("Brake applications", anchor=False)
    events = seat.veiled(kept(reads.events_of, seat.store, vehicle))
    if events.empty:
        st.info("No brake application of this vehicle is in the store.")
        return
    unseen = int(events["peak_decel_mps2"].isna().sum())
    st.altair_chart(charts.events_over_time(events, measures=seat.measures), theme=None)
    if unseen:
        st.caption(f"{unseen} event(s) without an observable peak deceleration are only in the table.")
    st.caption("Choose a row to open the event.")
    event_table(events, key="vehicle_events", measures=seat.measures)


page("Vehicle", draw)

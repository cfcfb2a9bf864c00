"""The month in figures, and how to have it written down."""

import streamlit as st
from page_parts import caution, page
from seat import Seat

from fleetbrake.reports import charts, look, reads
from fleetbrake.reports.month_data import month_events, month_figures


def draw(seat: Seat) -> None:
    """Figures of one month in UTC."""
    store = seat.store
    months = reads.months(store)
    if not months:
        st.info("No brake application is in the store yet, so there is no month to show.")
        return
    month = st.selectbox("Month (UTC)", months, width=200)
    figures = month_figures(store, month)
    cells = st.columns(6)
    for cell, (name, value) in zip(
        cells,
        (
            ("Brake applications", figures.events),
            ("Hard stops", figures.hard_stops),
            ("With modulation", figures.modulation),
            ("With a locked wheel", figures.lockup),
            ("… above the cut-off", figures.lockup_above_cutoff),
            ("Vehicles", figures.vehicles),
        ),
        strict=True,
    ):
        cell.metric(name, look.whole(value))
    st.caption(
        f"Could not be observed: hard stop in {figures.hard_stop_unknown:,}, modulation in "
        f"{figures.modulation_unknown:,}, lockup in {figures.lockup_unknown:,} of these events."
    )
    st.altair_chart(charts.events_by_day(month_events(store, month), month), theme=None)
    st.subheader("Have it written down", anchor=False)
    st.code(f"fleetbrake report --store DIR --month {month} --out DIR", language=None)
    st.markdown(
        f"- `brakes-{month}.pdf`: summary, vehicles in order with reasons, drivers, rejected recordings, method, "
        "limits\n"
        f"- `brakes-{month}.xlsx`: every table as a sheet with filters, and a sheet that explains every column\n"
        "- `csv/` and `parquet/`: the same tables for other programs\n\n"
        "Drivers appear under stable aliases unless the run has the safety role."
    )
    caution()


page("Month", draw)

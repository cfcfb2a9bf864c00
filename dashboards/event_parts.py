"""Parts of the event page: links to its neighbours, tables of figures, the place, the raw rows."""

from typing import Any

import address
import pandas as pd
import streamlit as st
from page_parts import link_to, plain
from seat import Seat

from fleetbrake.reports import charts, look, reads
from fleetbrake.reports.charts.place import coordinates
from fleetbrake.reports.event_facts import Fact, event_facts, neighbours, reasons
from fleetbrake.reports.measures import Measures
from fleetbrake.reports.raw_rows import raw_csv, raw_rows
from fleetbrake.reports.traces import Traces, Unreadable


def neighbour_links(seat: Seat, row: dict[str, Any]) -> None:
    """To the vehicle's event before and after this one."""
    before, after = neighbours(seat.store, row)
    if before is not None:
        link_to("event", "← event before", event=before)
    if after is not None:
        link_to("event", "event after →", event=after)


def facts_tables(shown: dict[str, Any], seat: Seat) -> None:
    """Every figure by group, in two columns; what is missing is a dash, and below stands why."""
    facts = event_facts(shown, seat.measures, reasons(reads.observability(seat.store)))
    groups: dict[str, list[Fact]] = {}
    for fact in facts:
        groups.setdefault(fact.group, []).append(fact)
    columns = st.columns(2)
    for column, names in zip(columns, _halves(groups), strict=True):
        with column:
            for name in names:
                st.caption(f"**{name}**")
                rows = [(fact.name, plain(fact.text)) for fact in groups[name]]
                table = pd.DataFrame(rows, columns=["Fact", "Value"])
                st.table(table, border="horizontal", hide_index=True, hide_header=True)
    _missing([fact for fact in facts if fact.why])


def _halves(groups: dict[str, list[Fact]]) -> tuple[list[str], list[str]]:
    """The groups' names in two columns of about the same length, in their order."""
    total, seen = sum(len(facts) for facts in groups.values()), 0
    left: list[str] = []
    for name, facts in groups.items():
        if left and seen + len(facts) / 2 > total / 2:
            break
        left.append(name)
        seen += len(facts)
    return left, [name for name in groups if name not in left]


def _missing(facts: list[Fact]) -> None:
    if not facts:
        return
    with st.expander(f"What could not be observed, and why ({len(facts)})"):
        table = pd.DataFrame([(fact.name, plain(fact.why)) for fact in facts], columns=["Fact", "Why it is missing"])
        st.table(table, border="horizontal", hide_index=True)


#: Column -> heading, and the quantity it is read in ("" for one without a unit to choose).
_WHEEL_COLUMNS = {
    "wheel": ("Wheel", ""), "peak_slip": ("Peak slip", ""), "lockup_s": ("Locked (s)", ""),
    "lockup_onset_s": ("from (s)", ""), "lockup_onset_speed_mps": ("at", "speed"), "slide_m": ("Slid", "length"),
    "modulation_cycles": ("Cycles", ""), "modulation_hz": ("Hz", ""), "near_lockups": ("Near misses", ""),
    "near_lockup_slip": ("at slip", ""), "dropout_s": ("Signal lost (s)", ""),
    "peak_pressure_kpa": ("Pressure", "pressure"), "lockup_allowed": ("Allowed new", ""),
}  # fmt: skip
_WHOLE_NUMBERS = ("Cycles", "Near misses", "Wheel", "Allowed new")


def wheels_table(wheels: pd.DataFrame, measures: Measures) -> None:
    """One row a wheel: slip, lockup, modulation, lost signal, in the reader's units."""
    if wheels.empty:
        st.info("No wheel speed was recorded: this event has no opinion on lockups.")
        return
    shown = pd.DataFrame(index=wheels.index)
    for column, (heading, quantity) in _WHEEL_COLUMNS.items():
        if column == "peak_pressure_kpa" and wheels[column].isna().all():
            continue  # hardly a vehicle records it
        name = f"{heading} ({measures.label(quantity)})" if quantity else heading
        shown[name] = measures.of(quantity, wheels[column]) if quantity else wheels[column]
    bound = wheels["peak_slip_is_bound"].astype("boolean").fillna(False).to_numpy(dtype=bool)
    shown["Allowed new"] = shown["Allowed new"].map({True: "yes", False: "no"})
    figures = {
        name: st.column_config.NumberColumn(format="%.1f" if "(" in name and "(s)" not in name else "%.2f")
        for name in shown
        if name not in _WHOLE_NUMBERS
    }
    st.dataframe(shown, hide_index=True, column_config=figures, placeholder=look.MISSING)
    at_least = ", ".join(str(w) for w in wheels["wheel"][bound])
    st.caption(
        "Allowed new: whether the rules for new vehicles allow such a lockup; information, no verdict on a vehicle in "
        "use. A dash: there was none, or it could not be observed."
        + (f" Peak slip of {plain(at_least)}: at least so much, the sensor shows no more." if at_least else "")
    )


def place_sketch(seat: Seat, row: dict[str, Any], traces: Traces | None) -> None:
    """Where it happened, for those only who may see it."""
    if not seat.viewer.sees_positions:
        st.caption("Where it happened is shown to the safety role only.")
        return
    st.subheader("Where", anchor=False)
    where = coordinates(row["latitude_deg"], row["longitude_deg"])
    if where == look.MISSING:
        st.caption("No position was recorded.")
        return
    st.text(f"Braking began at {where}")
    if traces is None or traces.place.empty:
        return
    if len(traces.place.drop_duplicates(["latitude_deg", "longitude_deg"])) < 2:
        st.caption("The recording has one position for the whole event, so there is no track to draw.")
        return
    onset, end = row["onset_s"], row["end_s"]
    braking = (float(onset), float(end)) if onset is not None and end is not None else None
    st.altair_chart(charts.place_chart(traces.place, braking, seat.measures), theme=None, width="content")
    st.caption("A sketch made of the recorded positions alone, north up; thick where it braked.")


def raw_rows_part(seat: Seat, row: dict[str, Any], traces: Traces | None) -> None:
    """The rows of the recording itself, read anew each time, to look at or to take along."""
    if traces is None or traces.problem:
        return
    st.subheader("Raw rows", anchor=False)
    if not address.switch("Show the rows of the recording", "raw"):
        return
    try:
        rows = raw_rows(
            seat.store, row, drivers=seat.viewer.sees_drivers, places=seat.viewer.sees_positions
        )  # columns that tell who or where never leave the file for those who may not see them
    except Unreadable as problem:
        st.info(plain(seat.veiled_text(str(problem))))
        return
    rows = seat.veiled(rows)
    stamps = {
        str(name): st.column_config.DatetimeColumn(format="YYYY-MM-DD HH:mm:ss.SSS", timezone="UTC")
        for name in rows
        if str(rows[name].dtype).startswith("datetime64")
    }
    st.dataframe(rows, hide_index=True, height=320, placeholder=look.MISSING, column_config=stamps)
    st.download_button(
        "Download these rows (CSV)", raw_csv(rows), file_name="event_rows.csv", mime="text/csv", on_click="ignore"
    )
    st.caption(
        "Names and units are the recording's own. Left out are columns that the tool does not use"
        + ("." if seat.viewer.sees_drivers else ", and those that tell who drove or where.")
    )

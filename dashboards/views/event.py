"""One brake application: its replay, the marked spans, its facts in numbers and its raw rows."""

from typing import Any

import address
import pandas as pd
import streamlit as st
from event_parts import facts_tables, neighbour_links, place_sketch, raw_rows_part, wheels_table
from page_parts import asked_for, caution, event_table, link_to, page, plain
from seat import Seat

from fleetbrake.reports import charts, look, reads
from fleetbrake.reports.charts.replay import SLIPPING_FROM
from fleetbrake.reports.event_facts import likelihood
from fleetbrake.reports.traces import Traces, event_traces


def draw(seat: Seat) -> None:
    """The event that the address asks for, else the newest ones worth a look."""
    asked = asked_for("event")
    row = reads.event(seat.store, asked) if asked else None
    if row is None or asked is None:
        if asked:
            st.warning("There is no such event in this store:")
            st.text(asked)
        _choose(seat)
        return
    shown = seat.veiled_row(row) or row
    _head(seat, row, shown)
    traces = event_traces(seat.store, asked)
    _replay(seat, row, traces)
    if row["not_braking"] is None:
        st.subheader("By wheel", anchor=False)
        wheels_table(reads.event_wheels(seat.store, asked), seat.measures)
    st.subheader("In numbers", anchor=False)
    facts_tables(shown, seat)
    place_sketch(seat, row, traces)
    _origin(shown)
    raw_rows_part(seat, row, traces)
    caution()


def _choose(seat: Seat) -> None:
    notable = seat.veiled(reads.notable_events(seat.store))
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
    event_table(notable, key="notable_events", measures=seat.measures)


def _head(seat: Seat, row: dict[str, Any], shown: dict[str, Any]) -> None:
    st.text(row["event_id"])
    with st.container(horizontal=True, vertical_alignment="center"):
        if row["vehicle_id"] is not None:
            link_to("vehicle", row["vehicle_id"], vehicle=str(row["vehicle_id"]))
        driver = plain(shown["driver_id"]) if shown["driver_id"] is not None else "not known"
        st.caption(f"{look.moment(row['started_at'])} · driver {driver} · {_source(row)}")
        neighbour_links(seat, row)
    if row["not_braking"] is not None:
        st.info(f"No brake application: {plain(row['not_braking'])}. Hard stop, modulation and lockup do not apply.")
        return
    says = {
        "Hard stop": look.yes_no(row["hard_stop"]),
        "Modulation": look.yes_no(row["modulation"]),
        "Wheel locked": look.yes_no(row["lockup"]),
        "Above the cut-off speed": look.yes_no(row["lockup_above_cutoff"]),
        "Surface": look.SURFACE_TEXT.get(str(row["surface"]), look.text(row["surface"])),
    }
    with st.container(horizontal=True, gap="large"):
        for name, value in says.items():
            st.metric(name, value, width="content")


def _source(row: dict[str, Any]) -> str:
    asked = row["brake_source"]
    return "source of the demand not recorded" if asked is None else f"asked for by {plain(asked)}"


def _replay(seat: Seat, row: dict[str, Any], traces: Traces | None) -> None:
    if traces is None:
        return
    if traces.problem:
        st.info(plain(seat.veiled_text(traces.problem)))
        if traces.spans.empty:
            return
    stretch = None if traces.problem else _stretch(row, traces)
    spec = charts.event_chart(traces, seat.measures, stretch)
    st.vega_lite_chart(spec, theme=None, width="stretch", key=f"replay_{stretch}_{seat.measures.system}")
    if traces.problem:
        return
    st.caption(
        "Move over the panels, or move the slider with the arrow keys, to read every line at that time; Play runs "
        "through it. Drag to move along the time axis, hold Ctrl and turn the wheel to zoom, double-click to see all."
    )
    st.caption(_rests_on(seat, traces))
    st.caption(_friction(row, traces))


_WHOLE, _BRAKING = "all", "braking"
_STRETCH_WORDS = {
    _WHOLE: "whole recording",
    _BRAKING: "the braking",
    "lockup": "first lockup",
    "modulation": "anti-lock modulation",
}
#: Room left and right of a chosen stretch, s. Own choice: what led to it is still seen.
_ROOM_S = 0.5


def _stretch(row: dict[str, Any], traces: Traces) -> tuple[float, float] | None:
    """The time to look at, chosen by name so that it can be sent as a link; None for all of it."""
    last = float(traces.vehicle["time_s"].max())
    named: dict[str, tuple[float, float]] = {}
    if row["onset_s"] is not None and row["end_s"] is not None and row["end_s"] > row["onset_s"]:
        named[_BRAKING] = (float(row["onset_s"]), float(row["end_s"]))
    for kind in ("lockup", "modulation"):
        spans = traces.spans[traces.spans["kind"] == kind]
        if len(spans) and kind == "lockup":
            first = spans.sort_values(["start_s", "stop_s"]).iloc[0]
            named[kind] = (float(first["start_s"]), float(first["stop_s"]))
        elif len(spans):
            named[kind] = (float(spans["start_s"].min()), float(spans["stop_s"].max()))
    # what is shown is what stands in the address
    worded = {_STRETCH_WORDS[kind]: span for kind, span in named.items()}
    whole = _STRETCH_WORDS[_WHOLE]
    chosen = address.beside(st, "Time shown", [whole, *worded], "show", whole)
    if chosen not in worded:
        return None
    begin, end = worded[chosen]
    return max(begin - _ROOM_S, 0.0), min(end + _ROOM_S, last)


def _rests_on(seat: Seat, traces: Traces) -> str:
    """The band and the speed channel's age in words, and what the vehicle's speed rests on."""
    rests = traces.reference
    if rests is None or not traces.vehicle["speed_mps"].notna().any():
        return "Nothing recorded carries the vehicle's speed here: none is drawn, and what needs one is not judged."
    on = [
        word
        for used, word in (
            (rests.speed_channel, "the speed channel"),
            (rests.accelerometer, "the accelerometer"),
            (rests.wheels, "the wheels while they roll"),
        )
        if used
    ]
    carried = (
        f" It rests on {', '.join(on[:-1])} and {on[-1]}." if len(on) > 1 else f" It rests on {''.join(on)} alone."
    )
    half = ((traces.vehicle["high_mps"] - traces.vehicle["low_mps"]) / 2.0).max()
    wide = "" if pd.isna(half) else f" At its widest it is {seat.measures.text('speed', half, 1)} to either side."
    return (
        f"The vehicle's speed with its band: the true speed lies inside about 19 times in 20.{wide} Where "
        f"nothing carries it, it is left out.{carried if on else ''}{_late(traces)}"
    )


def _late(traces: Traces) -> str:
    """What is known of the speed channel's age, in a sentence."""
    rests = traces.reference
    if rests is None:
        return ""
    if rests.speed_channel and rests.delay_s < 0.005:
        return " The speed channel shows no delay."
    if rests.speed_channel and not pd.isna(rests.delay_s):
        return f" The speed channel is about {look.number(rests.delay_s, 2)} s late, which is made up for."
    if len(traces.channel) and not rests.speed_channel:
        return " The speed channel was recorded but is not independent of the wheels or cannot be trusted: not used."
    return ""


def _friction(row: dict[str, Any], traces: Traces) -> str:
    """What the friction panel shows; what a wheel's state means."""
    states = f"Wheels: slipping from a slip of {SLIPPING_FROM:.2f} on; caught: nearly locked and released in time."
    if not (traces.friction["part"] == "pair").any():
        return states
    ring = "Friction: each ring is a tenth of a second, or one sample where those are farther apart."
    if not (traces.friction["part"] == "curve").any():
        why = "No curve: the sides differ, or friction was not used up far enough to tell the surface."
        return f"{states} {ring} {why}"
    surface = look.SURFACE_TEXT.get(str(row["surface"]), look.text(row["surface"]))
    likely = likelihood(row["surface_probability"])
    return (
        f"{states} {ring} Line: published tyre curve of {surface} ground, fitted to this event{likely}. The curve is "
        "what every single wheel does; rings show their mean, so they lie off it where the wheels slipped differently."
    )


def _origin(shown: dict[str, Any]) -> None:
    if shown["notes"] is not None:
        st.caption(f"Notes: {plain(shown['notes'])}")
    if shown["source_path"] is not None:
        rows = f"rows {look.whole(shown['row_start'])} to {look.whole(shown['row_stop'])}"
        st.caption(f"Recording: {plain(shown['source_path'])}, {rows}")


page("Event", draw)

"""Parts of a vehicle's page: where it stands, its wheels from above, what speaks against it, what was done to it."""

from typing import Any

import pandas as pd
import streamlit as st
from inspections_parts import workshop_words
from kept import kept
from page_actions import wished
from page_parts import link_to, plain
from seat import Seat

from fleetbrake.core.vocabulary import VEHICLE_CAUTION, wheel_words
from fleetbrake.planning.flags import Step, flag_history, flags
from fleetbrake.reports import charts, findings, history_reads, look, plan_reads, reads
from fleetbrake.reports.measures_text import in_units
from fleetbrake.reports.sheets.axles import axle_count, axle_numbers, front_word

#: Findings that are drawn at once; the rest can be chosen.
_DRAWN_AT_ONCE = 4
#: From so many letters on a text scrolls in a box of so many px: some six lines. Own choice.
_LONG, _BOX_PX = 600, 180
_FIGURES = ("Value", "Expected", "Smallest departure seen", "Change in 30 days")


def draw_standing(seat: Seat, row: dict[Any, Any] | None, register: dict[str, Any]) -> None:
    """Reason, rank, score, day in the workshop, and what the registers know."""
    if row is None:
        st.info("This vehicle has no score yet.")
    else:
        in_full(row["reason"])
        with st.container(horizontal=True, vertical_alignment="center"):
            if isinstance(row["suspect_wheel"], str):
                st.markdown(
                    f"Position to look at first: **{plain(wheel_words(row['suspect_wheel']))}**", width="content"
                )
            if isinstance(row["telling_event"], str):
                link_to("event", "Look at its most telling event", event=row["telling_event"])
        a, b, c, d, e = st.columns([0.7, 1.5, 1.6, 1, 2])
        a.metric("Rank", look.whole(row["rank"]))
        b.metric("How soon", look.priority_text(row["priority"]))
        c.metric("Health score", look.score(row["health_score"], row["score_low"], row["score_high"]))
        d.metric("Events looked at", look.whole(row["events_used"]))
        e.caption("Workshop")
        e.markdown("  \n".join(workshop_words(seat, row, wished(seat))))
        if row["priority"] == plan_reads.OUTSIDE:
            st.warning("Before the next trip: outside the plan, and it cannot be deferred.")
        if isinstance(row["open_report"], str):
            st.warning("An open report:")
            in_full(row["open_report"])
        st.warning(VEHICLE_CAUTION)
    st.caption(_register_line(seat, register))


def in_full(text: str) -> None:
    """A foreign text to its last letter; a very long one in a box of limited height that scrolls."""
    if len(text) <= _LONG:
        st.text(text)
    else:
        with st.container(height=_BOX_PX):
            st.text(text)


def _register_line(seat: Seat, register: dict[str, Any]) -> str:
    if not register:
        return "Not in the vehicle register: category and due date are unknown."
    parts = [plain(look.clipped(register.get(name))) for name in ("category", "actuation", "depot")]
    parts.append(f"largest mass {seat.measures.text('mass', register.get('max_mass_kg'))}")
    parts.append(f"odometer {seat.measures.text('distance', register.get('odometer_km'))}")
    done = kept(history_reads.history, seat.store, str(register["vehicle_id"]))
    inspected = history_reads.last_inspection_on(register.get("last_inspection_on"), done)
    parts.append(f"last inspection {look.day(inspected)}")
    return " · ".join(parts)


def draw_wheels(indicators: pd.DataFrame, register: dict[str, Any]) -> None:
    """The vehicle from above and every indicator beside it."""
    if indicators.empty:
        st.info("No indicator has been computed for this vehicle yet.")
        return
    left, right = st.columns([1.4, 2])
    with left:
        st.subheader("Wheels from above", anchor=False)
        plan = charts.wheel_plan(
            indicators,
            axle_count(register),
            lifted=axle_numbers(register.get("lift_axles")),
            twins=axle_numbers(register.get("twin_tyres")),
            front=front_word(register.get("category")),
        )
        st.altair_chart(plan, theme=None, width="content")
        st.caption("Greatest deviation of each wheel, in standard errors; below 2 is within the noise.")
    with right:
        st.subheader("Indicators", anchor=False)
        st.altair_chart(charts.indicator_deviations(indicators), theme=None)
    with st.expander("Indicators in numbers"):
        st.dataframe(
            findings.numbers(indicators),
            hide_index=True,
            placeholder=look.MISSING,
            column_config={
                "Deviation (standard errors)": st.column_config.NumberColumn(format="%+.2f"),
                "Probability of a defect": st.column_config.NumberColumn(format="percent"),
                **{name: st.column_config.NumberColumn(format="%.4g") for name in _FIGURES},
            },
        )


def draw_findings(seat: Seat, vehicle: str, indicators: pd.DataFrame, leading: object) -> None:
    """What stands out, each over time with the day it began and its events; the rest can be chosen."""
    if indicators.empty:
        return
    out = findings.standing_out(indicators, leading, _DRAWN_AT_ONCE)
    rest = indicators.drop(out.index)
    st.subheader("What it rests on", anchor=False)
    if out.empty:
        st.text("No indicator stands out.")
    for row in out.to_dict("records"):
        st.markdown(f"**{plain(_name(row))}**")
        _finding(seat, vehicle, row)
    if len(rest):
        with st.expander(f"The other {len(rest)} findings", expanded=False):
            names = [_name(row) for row in rest.to_dict("records")]
            place = st.selectbox("Finding", range(len(names)), format_func=lambda i: names[i], key=f"finding_{vehicle}")
            _finding(seat, vehicle, rest.iloc[place].to_dict())


def _name(row: dict[Any, Any]) -> str:
    wheel = f", {wheel_words(row['wheel'])}" if isinstance(row["wheel"], str) else ""
    text = look.indicator_text(row["indicator"]) + wheel
    return text[:1].upper() + text[1:]


def _finding(seat: Seat, vehicle: str, row: dict[Any, Any]) -> None:
    """One finding followed down: what each trip shows, and the events that weigh most."""
    st.text(findings.finding_text(row))
    wheel = row["wheel"] if isinstance(row["wheel"], str) else None
    trips = seat.veiled(kept(reads.indicator_trips, seat.store, vehicle, row["indicator"], wheel))
    if len(trips):
        trips = findings.trips_in_units(trips, row["quantity"], seat.measures)
        st.altair_chart(charts.finding_over_time(trips, row), theme=None)
    else:
        st.caption("Within its noise: the trips are not kept one by one.")
    if row["evidence"]:
        with st.container(horizontal=True):
            st.caption("Events that weigh most:", width="content")
            for event_id in row["evidence"]:
                link_to("event", event_id, event=event_id)


def draw_history(seat: Seat, vehicle: str) -> None:
    """Scores by day, flags with who decided what, inspections, work, tests and reports."""
    st.subheader("History", anchor=False)
    scores = kept(history_reads.scores_of, seat.store, vehicle)
    if scores["health_score"].notna().sum() > 1:
        st.altair_chart(charts.score_over_time(scores), theme=None)
    _flag_history(seat, vehicle)
    done = seat.veiled(kept(history_reads.history, seat.store, vehicle))
    if done.empty:
        st.text("No inspection, repair, brake test or report is on file.")
        return
    names = {"on_day": "Day", "kind": "What", "where": "Position", "what": "Result", "severity": "Severity",
             "note": "Note", "known_before": "Told by recordings before", "entered_by": "Entered by"}  # fmt: skip
    # only what a brake test measured is told by us; other notes are foreign text and stay as they are
    tests = done["kind"] == "brake test"
    shown = done.assign(
        where=[wheel_words(wheel) or None for wheel in done["wheel"]],
        note=[measured(seat, n) if t else n for n, t in zip(done["note"], tests, strict=True)],
    )
    st.dataframe(shown[list(names)].rename(columns=names), hide_index=True, placeholder=look.MISSING)


def measured(seat: Seat, note: object) -> object:
    """What a brake test measured, in the reader's units."""
    return in_units(seat.measures, note) if isinstance(note, str) else note


def _flag_history(seat: Seat, vehicle: str) -> None:
    """Every step of the vehicle's flags and of its place in the plan, newest first."""
    steps = kept(flag_history, seat.store, vehicle)
    known = kept(flags, seat.store, vehicle)
    if not steps:
        return
    open_now = sum(flag.closed_on is None for flag in known)
    st.markdown(f"**Flags: {open_now} open, {len(known) - open_now} closed**")
    rows = [(s.made_at, s.made_by, s.told, _about(s), s.reason and seat.veiled_text(s.reason)) for s in reversed(steps)]
    frame = pd.DataFrame(rows, columns=["When (UTC)", "Who", "Step", "About", "Reason"])
    st.dataframe(
        frame,
        hide_index=True,
        placeholder=look.MISSING,
        column_config={"When (UTC)": st.column_config.DatetimeColumn(format="D MMM YYYY HH:mm", timezone="UTC")},
    )


def _about(step: Step) -> str | None:
    """The flag that a step is about, in words; None for what concerns the day of the visit."""
    if step.indicator is None:
        return None
    return _name({"indicator": step.indicator, "wheel": step.wheel}).replace("_", " ")

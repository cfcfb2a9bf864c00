"""One vehicle: where it stands, which indicator and wheel speak against it, and its events."""

from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st
from page_parts import asked_for, event_table, link_to, model_line, page, plain
from seat import Seat

from fleetbrake.core.vocabulary import NOT_SEEN, VEHICLE_CAUTION
from fleetbrake.reports import charts, findings, look, reads


def draw(seat: Seat) -> None:
    """Choose a vehicle, then its facts, indicators, wheels and events."""
    store = seat.store
    ids = reads.vehicle_ids(store)
    if not ids:
        st.info("No vehicle yet: neither a register nor a recording is in.")
        return
    asked = asked_for("vehicle")
    if asked is not None and asked not in ids:
        st.warning("There is no such vehicle in this store:")
        st.text(asked)
    vehicle = st.selectbox(
        "Vehicle", ids, index=ids.index(asked) if asked in ids else 0, label_visibility="collapsed", width=420
    )
    if vehicle != asked:
        st.query_params["vehicle"] = vehicle
    ranked = reads.ranked(store)
    row = ranked[ranked["vehicle_id"] == vehicle]
    register = reads.register_row(store, vehicle)
    standing = row.iloc[0].to_dict() if len(row) else None
    _standing(standing, register)
    model_line(store)
    indicators = reads.indicators_of(store, vehicle)
    _indicators(indicators, _axles(register))
    _rests_on(store, vehicle, indicators)
    _not_seen(standing, indicators, reads.observability(store))
    _events(reads.events_of(store, vehicle))


def _axles(register: dict[str, Any]) -> int:
    known = register.get("axles")
    return min(max(int(known), 1), 6) if known is not None else 2


def _standing(row: dict[Any, Any] | None, register: dict[str, Any]) -> None:
    if row is None:
        st.info("This vehicle has no score yet.")
    else:
        st.text(row["reason"])
        a, b, c, d, e = st.columns([1, 1.5, 1.6, 1, 1.6])
        a.metric("Rank", look.whole(row["rank"]))
        b.metric("How soon", look.priority_text(row["priority"]))
        c.metric("Health score", look.score(row["health_score"], row["score_low"], row["score_high"]))
        d.metric("Events looked at", look.whole(row["events_used"]))
        e.metric("Workshop day", look.day(row["planned_on"]))
        if isinstance(row["open_report"], str):
            st.warning(f"Open report: {plain(row['open_report'])}")
        st.warning(VEHICLE_CAUTION)
    parts = [
        plain(register.get("category")), plain(register.get("actuation")), plain(register.get("depot")),
        f"inspection due {look.day(register.get('inspection_due_on'))}",
    ]  # fmt: skip
    st.caption(" · ".join(parts) if register else "Not in the vehicle register: category and due date are unknown.")


def _indicators(indicators: pd.DataFrame, axles: int) -> None:
    if indicators.empty:
        st.info("No indicator has been computed for this vehicle yet.")
        return
    left, right = st.columns([1, 2.6])
    with left:
        st.subheader("Wheels from above", anchor=False)
        st.altair_chart(charts.wheel_plan(indicators, axles), theme=None, width="content")
        st.caption("Greatest deviation of each wheel, in standard errors.")
    with right:
        st.subheader("Indicators", anchor=False)
        st.altair_chart(charts.indicator_deviations(indicators), theme=None)
    with st.expander("Indicators in numbers"):
        st.dataframe(
            indicators.drop(columns="evidence").assign(means=[look.indicator_text(c) for c in indicators["indicator"]]),
            hide_index=True,
            placeholder=look.MISSING,
            column_config={"deviation": st.column_config.NumberColumn("deviation (standard errors)", format="%+.2f")},
        )


def _rests_on(store: Path, vehicle: str, indicators: pd.DataFrame) -> None:
    """One finding followed down: what each trip shows, and the events that weigh most."""
    if indicators.empty:
        return
    st.subheader("What a finding rests on", anchor=False)
    names = [
        look.indicator_text(code) + (f", wheel {wheel}" if isinstance(wheel, str) else "")
        for code, wheel in zip(indicators["indicator"], indicators["wheel"], strict=True)
    ]
    place = st.selectbox("Finding", range(len(names)), format_func=lambda i: names[i], key=f"finding_{vehicle}")
    row = indicators.iloc[place].to_dict()
    st.text(findings.finding_text(row))
    wheel = row["wheel"] if isinstance(row["wheel"], str) else None
    trips = reads.indicator_trips(store, vehicle, row["indicator"], wheel)
    if len(trips):
        st.altair_chart(charts.finding_over_time(trips, row), theme=None)
    else:
        st.caption("Within its noise: the trips are not kept one by one.")
    if row["evidence"]:
        st.caption("Events that weigh most:")
        with st.container(horizontal=True):
            for event_id in row["evidence"]:
                link_to("event", event_id, event=event_id)


def _not_seen(standing: dict[Any, Any] | None, indicators: pd.DataFrame, needs: pd.DataFrame) -> None:
    """What recordings of this vehicle cannot say, whatever its score."""
    st.subheader("What the recordings do not say", anchor=False)
    st.markdown(NOT_SEEN)
    if standing is not None:
        st.text(findings.quiet_text(standing))
    missing = findings.unobserved(indicators, needs)
    if len(missing):
        st.caption("Nothing is known of these, and none of them counts as good:")
        st.dataframe(missing, hide_index=True, placeholder=look.MISSING)
    limits = findings.limits(indicators)
    if len(limits):
        st.caption("Smaller departures than these would not be seen in what is recorded of this vehicle:")
        st.dataframe(limits, hide_index=True, placeholder=look.MISSING)


def _events(events: pd.DataFrame) -> None:
    st.subheader("Brake applications", anchor=False)
    if events.empty:
        st.info("No brake application of this vehicle is in the store.")
        return
    unseen = int(events["peak_decel_mps2"].isna().sum())
    st.altair_chart(charts.events_over_time(events), theme=None)
    if unseen:
        st.caption(f"{unseen} event(s) without an observable peak deceleration are only in the table.")
    st.caption("Choose a row to open the event.")
    event_table(events, key="vehicle_events")


page("Vehicle", draw)

"""What a planner may do to one vehicle from a page: fix the date, defer, enter findings, decide on its flags.

Buttons and forms are drawn only where the viewer may act; every action asks again before it writes anything.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import partial
from typing import Any

import pandas as pd
import streamlit as st
from finding_form import finding_form
from kept import kept
from page_parts import plain
from refusals import refusal
from seat import Seat

from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.core.vocabulary import INDICATORS, wheel_words
from fleetbrake.planning import wishes as asked
from fleetbrake.planning.flags import SCORES
from fleetbrake.planning.wish_types import Flag, Wishes
from fleetbrake.reports import look, plan_reads
from fleetbrake.reports.plan_data import PlanTold, plan_told
from fleetbrake.store.entered import Entry, entries

#: What can be done: key -> words on the button.
_DOING = {"fix": "Fix the date", "defer": "Defer (reason)", "findings": "Enter findings", "flags": "Flags"}
#: What must not be driven has no day of the plan and cannot be deferred.
_OUTSIDE_DOING = ("findings", "flags")
_OPEN = "acting_on"
_TOLD = "told_once"
#: What the open form showed when it was drawn last: vehicle, what is done, number of the vehicle's newest entry.
_SHOWN = "form_showed"

_DECISIONS = {
    "inspect_now": "inspect now",
    "next_visit": "at the next visit",
    "watch": "watch",
    "reject": "reject: no defect",
}
#: How long a decision stands if nobody says otherwise (days): four weeks, about the rhythm of short services.
_STANDS_DAYS = 28


def told() -> None:
    """What the last action did, once."""
    sentence = st.session_state.pop(_TOLD, None)
    if sentence:
        st.success(plain(sentence))


Act = Callable[..., None]


@dataclass(frozen=True)
class Drawn:
    """What a form rests on: the newest entry about its vehicle when it was drawn (0: none)."""

    vehicle_id: str
    newest: int


def act(seat: Seat, sentence: str, do: Callable[..., object], *given: object, drawn: Drawn | None = None) -> None:
    """Do something that writes and draw the page anew; a refusal is shown as a sentence, and nothing was written.

    Refused as well where somebody entered something about the vehicle since the form was ``drawn``.
    """
    if not seat.may_act_now:
        st.error("Your role may look, not change anything.")
        return
    try:
        meanwhile = None if drawn is None else _newest(seat, drawn.vehicle_id)
        if drawn is not None and meanwhile is not None and meanwhile.entry_id != drawn.newest:
            st.error(plain(meanwhile_words(meanwhile)))
            return
        do(seat.store, *given)
    except FleetbrakeError as error:
        st.error(plain(refusal(error, seat.viewer, seat.store)))
        return
    st.session_state[_TOLD] = sentence
    st.session_state[_OPEN] = None
    st.rerun()


def _newest(seat: Seat, vehicle: str) -> Entry | None:
    """The newest entry about the vehicle, whoever made it."""
    made = entries(seat.store, vehicle_id=vehicle)
    return made[-1] if made else None


def meanwhile_words(entry: Entry) -> str:
    """Why a form is refused that was drawn before ``entry`` was made."""
    by = "new scores" if entry.made_by == SCORES else entry.made_by
    return (
        f"{entry.vehicle_id}: changed meanwhile by {by} at {look.moment(entry.made_at)}. Nothing was entered: look "
        "again, and send the form anew if it still holds."
    )


def wished(seat: Seat) -> Wishes:
    """What planners asked for, as it stands now."""
    return kept(asked.wishes, seat.store)


def action_buttons(seat: Seat, row: dict[Any, Any], flags: int, *, quiet: bool = False) -> None:
    """One button for each thing that can be done; a second press closes what a first opened."""
    if not seat.viewer.may_act:
        return
    vehicle = str(row["vehicle_id"])
    possible = _OUTSIDE_DOING if row["priority"] == plan_reads.OUTSIDE else tuple(_DOING)
    with st.container(horizontal=True, gap="xsmall"):
        for what in possible:
            if what == "flags" and not flags:
                continue
            label = f"Decide on flags ({flags})" if what == "flags" else _DOING[what]
            open_now = st.session_state.get(_OPEN) == (vehicle, what)
            st.button(
                label,
                key=f"do_{what}_{row['rank']}",
                on_click=_turn,
                args=(vehicle, what),
                type="primary" if open_now else ("tertiary" if quiet else "secondary"),
            )


def _turn(vehicle: str, what: str) -> None:
    st.session_state.pop(_SHOWN, None)
    st.session_state[_OPEN] = None if st.session_state.get(_OPEN) == (vehicle, what) else (vehicle, what)


def action_panel(seat: Seat, row: dict[Any, Any]) -> None:
    """The form that is open for this vehicle, if one is."""
    opened = st.session_state.get(_OPEN)
    if not seat.viewer.may_act or opened is None or opened[0] != row["vehicle_id"]:
        return
    with st.container(border=True, key=f"panel_{row['rank']}"):
        _panel(seat, row, opened[1])


@st.fragment
def _panel(seat: Seat, row: dict[Any, Any], what: str) -> None:
    """The form; what is sent with it rests on what its last drawing showed, not on what is newest by now."""
    vehicle = str(row["vehicle_id"])
    newest = _newest(seat, vehicle)
    now = Drawn(vehicle, newest.entry_id if newest else 0)
    before = st.session_state.get(_SHOWN)
    sent = partial(act, drawn=before[1] if before is not None and before[0] == (vehicle, what) else now)
    st.session_state[_SHOWN] = ((vehicle, what), now)
    if what == "findings":
        finding_form(seat, row, sent)
    elif what == "flags":
        _flags(seat, row, sent)
    elif what == "fix":
        _fix(seat, row, sent)
    else:
        _defer(seat, row, sent)


def _fix(seat: Seat, row: dict[Any, Any], act: Act) -> None:
    vehicle, who = str(row["vehicle_id"]), seat.viewer.name
    told_plan = kept(plan_told, seat.store)
    free = _free_days(told_plan, row["depot"])
    fixed = wished(seat).fixed.get(vehicle)
    if fixed is not None:
        st.text(f"Fixed for {look.day(fixed)}.")
        if st.button("Release the date"):
            act(seat, f"{vehicle}: the plan may choose the day again. Plan again to take it in.", asked.release_date,
                vehicle, who)  # fmt: skip
    if not free:
        st.text("No day of the plan has bay hours for this depot. Plan first, or give the depot's capacity.")
        return
    with st.form(f"fix_{row['rank']}", border=False):
        day = st.selectbox("Day with bay hours", list(free), format_func=lambda d: free[d], width=380)
        if st.form_submit_button("Fix the date") and day is not None:
            said = f"{vehicle}: date fixed for {look.day(day)}. Plan again to take it in."
            act(seat, said, asked.fix_date, vehicle, day, who)


def _free_days(told_plan: PlanTold, depot: object) -> dict[date, str]:
    """Days with bay hours of the depot, and how full each is."""
    days = told_plan.days
    own = days[days["depot"] == depot] if isinstance(depot, str) else days[days["depot"].isna()]
    rows = {row["day"]: row for row in own.to_dict("records")}
    return {
        day: f"{pd.Timestamp(day):%a} {look.day(day)}: {_used(rows[day])}" for day in plan_reads.open_days(days, depot)
    }


def _used(row: dict[Any, Any]) -> str:
    used = sum(float(row[name]) for name in ("booked_hours", "held_hours") if pd.notna(row[name]))
    return f"{used:g} of {row['bay_hours']:g} h taken"


def _defer(seat: Seat, row: dict[Any, Any], act: Act) -> None:
    vehicle, who = str(row["vehicle_id"]), seat.viewer.name
    standing = wished(seat).deferred.get(vehicle)
    if standing is not None:
        st.text(
            f"Deferred until {look.day(standing.until)} by {standing.by}: "
            + look.clipped(seat.veiled_text(standing.reason))
        )
        if st.button("End the deferral"):
            act(seat, f"{vehicle}: no longer deferred. Plan again to take it in.", asked.end_deferral, vehicle, who)
    first = (row["as_of"] if isinstance(row["as_of"], date) else datetime.now(UTC).date()) + timedelta(days=2)
    with st.form(f"defer_{row['rank']}", border=False):
        until = st.date_input("No visit before", value=first + timedelta(days=6), min_value=first, width=220)
        reason = st.text_input("Reason", max_chars=2000)
        if st.form_submit_button("Defer"):
            said = f"{vehicle}: deferred until {look.day(until)}. Plan again to take it in."
            act(seat, said, asked.defer, vehicle, until, reason, who)


def _flags(seat: Seat, row: dict[Any, Any], act: Act) -> None:
    vehicle = str(row["vehicle_id"])
    standing = [flag for flag in wished(seat).flags if flag.vehicle_id == vehicle]
    if not standing:
        st.text("No flag is open.")
    for number, flag in enumerate(standing):
        if number:
            st.divider()
        _one_flag(seat, row, flag, number, act)


def _one_flag(seat: Seat, row: dict[Any, Any], flag: Flag, number: int, act: Act) -> None:
    who, key = seat.viewer.name, f"{row['rank']}_{number}"
    possible = ["inspect_now"] if row["priority"] == plan_reads.OUTSIDE else list(_DECISIONS)
    st.text(flag_words(flag))
    if flag.seen_at is None and st.button("Mark as seen", key=f"seen_{key}"):
        act(seat, f"{flag.vehicle_id}: flag marked as seen.", asked.see_flag, flag, who)
    first = row["as_of"] if isinstance(row["as_of"], date) else datetime.now(UTC).date()
    with st.form(f"decide_{key}", border=False):
        left, middle, right = st.columns([1.2, 2.4, 1])
        decision = left.selectbox("Decision", possible, format_func=_DECISIONS.__getitem__)
        reason = middle.text_input("Reason (for all but inspect now)", max_chars=2000)
        expires = right.date_input("Stands until", value=first + timedelta(days=_STANDS_DAYS), min_value=first)
        if st.form_submit_button("Decide"):
            until = None if decision == "inspect_now" else expires
            said = f"{flag.vehicle_id}: {_DECISIONS[decision]}. Plan again to take it in."
            act(seat, said, asked.decide, flag, decision, who, reason.strip() or None, until)


def flag_words(flag: Flag) -> str:
    """A flag as it stands, in a sentence."""
    what = INDICATORS.get(flag.indicator, "open report, finding, failed test or lit lamp")
    wheel = f", {wheel_words(flag.wheel)}" if flag.wheel else ""
    said = f"{what[:1].upper()}{what[1:]}{wheel}: raised {look.day(flag.raised_on)}"
    return f"{said}; {state_words(flag)}."


def state_words(flag: Flag) -> str:
    """Where a flag stands: open, seen, decided with its last day, closed with its result."""
    if flag.closed_on is not None:
        return f"closed {look.day(flag.closed_on)} ({str(flag.result or '').replace('_', ' ')})"
    if flag.decision is not None:
        until = f" until {look.day(flag.expires_on)}" if flag.expires_on else ""
        return f"{_DECISIONS.get(flag.decision, flag.decision)}{until} (decided by {flag.decided_by})"
    return f"seen by {flag.seen_by}" if flag.seen_by else "not seen yet"

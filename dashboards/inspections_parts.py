"""Rows of the ranked list and the same as a table."""

from typing import Any

import pandas as pd
import streamlit as st
from page_actions import action_buttons, action_panel, state_words
from page_parts import interval_bar, link_to, plain
from seat import Seat

from fleetbrake.core.vocabulary import wheel_words
from fleetbrake.planning.wish_types import Wishes
from fleetbrake.reports import look, plan_reads, reads
from fleetbrake.reports.measures import Measures

#: Widths of the list's columns.
_WIDTHS = (0.7, 1.4, 1.5, 4.3, 1.65, 1.7)
#: Letters of a reason in the list: our own sentences are told whole, only foreign ids in them can be longer.
_MOST_REASON = 300
_HEADS = ("Rank", "Vehicle", "How soon", "Why", "Health score (interval)", "Workshop")


def listed_head(key: str) -> None:
    """The names of the columns."""
    with st.container(key=f"head_{key}"):
        for column, head in zip(st.columns(_WIDTHS), _HEADS, strict=True):
            column.markdown(head)


def listed_row(seat: Seat, row: dict[Any, Any], wishes: Wishes, flags: int) -> None:
    """One vehicle: where it ranks, why, what is planned and asked for, and what can be done."""
    rank, vehicle, soon, why, score, workshop = st.columns(_WIDTHS)
    rank.markdown(f"**{row['rank']}**")
    with vehicle:
        link_to("vehicle", row["vehicle_id"], vehicle=str(row["vehicle_id"]))
        st.caption(plain(f"{look.clipped(row['depot'])} · {look.clipped(row['category'])}"))
    with soon:
        st.markdown(look.priority_text(row["priority"]))
        st.caption(look.SOON_DOTS.get(str(row["priority"]), ""))
        for sentence in flag_states(row, wishes):
            st.caption(plain(look.clipped(sentence)))
    with why:
        _why(row)
        action_buttons(seat, row, flags, quiet=True)
    with score:
        st.markdown(look.score(row["health_score"], row["score_low"], row["score_high"]))
        interval_bar(row["score_low"], row["health_score"], row["score_high"], row["priority"])
    with workshop:
        for number, sentence in enumerate(workshop_words(seat, row, wishes)):
            (st.caption if number else st.markdown)(sentence)
    action_panel(seat, row)


def _why(row: dict[Any, Any]) -> None:
    st.text(look.clipped(row["reason"], _MOST_REASON))
    with st.container(horizontal=True, gap="xsmall"):
        evidence = evidence_words(row)
        if evidence:
            st.caption(evidence, width="content")
        if isinstance(row["telling_event"], str):
            link_to("event", "Look at its most telling event", event=row["telling_event"])
    if isinstance(row["open_report"], str):
        st.markdown(f"**Open report:** {plain(look.clipped(row['open_report']))}")


def evidence_words(row: dict[Any, Any]) -> str:
    """Where the fault sits and how many events speak, for a place that reads Markdown."""
    parts = [] if reads.judged_by_date_only(row) else [f"{look.whole(row['events_used'])} events looked at"]
    if isinstance(row["suspect_wheel"], str):
        parts.insert(0, f"position: **{plain(wheel_words(row['suspect_wheel']))}**")
    return " · ".join(parts)


def flag_states(row: dict[Any, Any], wishes: Wishes) -> list[str]:
    """What became of the vehicle's open flags, each state once."""
    own = [flag for flag in wishes.flags if flag.vehicle_id == row["vehicle_id"]]
    return list(dict.fromkeys(f"flag {state_words(flag)}" for flag in own))


def workshop_words(seat: Seat, row: dict[Any, Any], wishes: Wishes) -> list[str]:
    """Planned day, what planners asked for, and the statutory date; the first stands out. Safe for Markdown."""
    said = [_planned(row)]
    fixed, deferred = wishes.fixed.get(row["vehicle_id"]), wishes.deferred.get(row["vehicle_id"])
    if fixed is not None:
        taken_in = _known(row["planned_on"]) and pd.Timestamp(row["planned_on"]) == pd.Timestamp(fixed)
        said.append(f"date fixed: {look.day(fixed)}" + ("" if taken_in else " (plan again to take it in)"))
    if deferred is not None:
        said.append(
            f"deferred until {look.day(deferred.until)}: {plain(look.clipped(seat.veiled_text(deferred.reason)))}"
        )
    if plan_reads.is_true(row["drawn"]):
        said.append("drawn by lot, without a sign")
    said.append(_due(row))
    return said


def _planned(row: dict[Any, Any]) -> str:
    if _known(row["planned_on"]):
        return f"planned {look.day(row['planned_on'])}"
    if row["priority"] == plan_reads.OUTSIDE:
        hours = f"{row['bay_hours']:g} h kept free" if _known(row["bay_hours"]) else "hours kept free"
        return f"{hours} on {look.day(row['held_on'])}" if _known(row["held_on"]) else "no hours kept free"
    return "not planned"


def _due(row: dict[Any, Any]) -> str:
    if not _known(row["inspection_due_on"]):
        return "no due date known"
    return (
        f"**overdue** since {look.day(row['inspection_due_on'])}"
        if reads.overdue(row)
        else f"due {look.day(row['inspection_due_on'])}"
    )


def _known(value: object) -> bool:
    return not pd.isna(value)  # type: ignore[call-overload,no-any-return]


def scores_table(shown: pd.DataFrame, measures: Measures) -> None:
    """Every vehicle with all that the list says of it, to sort and download."""
    distance = f"Since roller test ({measures.label('distance')})"
    table = shown.assign(
        priority=[look.priority_mark(p) for p in shown["priority"]],
        position=[wheel_words(wheel) or None for wheel in shown["suspect_wheel"]],
        km_since_roller_test=measures.of("distance", shown["km_since_roller_test"]),
    )
    names = {
        "rank": "Rank", "vehicle_id": "Vehicle", "priority": "How soon", "reason": "Why", "health_score": "Score",
        "score_low": "from", "score_high": "to", "events_used": "Events", "position": "Position",
        "depot": "Depot", "category": "Category", "inspection_due_on": "Due", "planned_on": "Planned",
        "held_on": "Hours kept free on", "plan_note": "Plan note", "open_report": "Open report",
        "km_since_roller_test": distance,
    }  # fmt: skip
    figures = {name: st.column_config.NumberColumn(format="%.0f") for name in ("Score", "from", "to", distance)}
    st.dataframe(
        table[list(names)].rename(columns=names), hide_index=True, column_config=figures, placeholder=look.MISSING
    )

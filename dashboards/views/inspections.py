"""Which vehicles to look at, in which order, and why."""

from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st
from page_parts import caution, interval_bar, link_to, model_line, page, plain, store_line
from seat import Seat

from fleetbrake.core.vocabulary import PRIORITIES
from fleetbrake.reports import charts, look, model_reads, reads

#: Widths of the list's columns.
_WIDTHS = (0.45, 1.5, 1.55, 3.9, 1.75, 1.5)
_HEADS = ("Rank", "Vehicle", "How soon", "Why", "Health score (interval)", "Workshop")
_FIRST = 10
_LENGTHS: dict[str, int | None] = {"first 10": _FIRST, "first 25": 25, "first 50": 50, "all flagged": None, "all": None}
#: Rows that a browser draws without waiting; the table below has them all.
_MOST_ROWS = 300
_MOST_LINKS = 8


_FLAGGED_MEANS = (
    "All flagged: vehicles with a sign to watch or more, and any with an overdue inspection, an open report or a "
    "planned visit."
)


def draw(seat: Seat) -> None:
    """The ranked list with its filters, then the same as a table and a chart."""
    store = seat.store
    facts = store_line(store)
    ranked = reads.ranked(store)
    if ranked.empty:
        st.info("No vehicle has been scored yet. Run `fleetbrake score` after the first recordings are in.")
        return
    caution()
    model_line(store)
    shown = _filtered(ranked)
    if shown.empty:
        st.info("No vehicle fits these filters.")
        return
    _list(shown)
    with st.expander(f"All {len(shown):,} as a table, to sort and download", expanded=False):
        _table(shown)
    with st.expander("Scores compared", expanded=False):
        st.altair_chart(charts.ranked_scores(shown), theme=None)
    _model(store)
    if facts.assumptions:
        with st.expander("What had to be assumed", expanded=False):
            for sentence in facts.assumptions:
                st.text(sentence)


def _model(store: Path) -> None:
    """How well the probabilities behind the scores were borne out by past inspections."""
    figures = model_reads.model_quality(store)
    if figures.empty:
        return
    with st.expander("How scores compare with what inspections found", expanded=False):
        st.altair_chart(charts.calibration_chart(model_reads.calibration(store)), theme=None)
        names = {"figure": "Figure", "model": "Model", "in_use": "In use", "value": "Value", "low": "from",
                 "high": "to", "n": "Inspections", "note": "Note"}  # fmt: skip
        digits = {name: st.column_config.NumberColumn(format="%.3f") for name in ("Value", "from", "to")}
        st.dataframe(
            figures[list(names)].rename(columns=names), hide_index=True, column_config=digits, placeholder=look.MISSING
        )


def _filtered(ranked: pd.DataFrame) -> pd.DataFrame:
    left, middle, right, far = st.columns([2, 2, 3, 1.2])
    depots = left.multiselect("Depot", sorted(ranked["depot"].dropna().unique()), placeholder="all depots")
    kinds = middle.multiselect("Category", sorted(ranked["category"].dropna().unique()), placeholder="all categories")
    present = [p for p in PRIORITIES if p in set(ranked["priority"])]
    soon = right.multiselect("How soon", present, format_func=look.priority_mark, placeholder="all")
    far.selectbox("List", list(_LENGTHS), key="list_length", help=_FLAGGED_MEANS)
    keep = pd.Series(True, index=ranked.index)
    for column, chosen in (("depot", depots), ("category", kinds), ("priority", soon)):
        if chosen:
            keep &= ranked[column].isin(chosen)
    return ranked[keep]


def _list(shown: pd.DataFrame) -> None:
    every = shown.to_dict("records")
    rows = _of_length(every, str(st.session_state.get("list_length", "first 10")))
    listed = {row["rank"] for row in rows}
    rest = [row for row in every if row["rank"] not in listed]
    with st.container(horizontal=True, vertical_alignment="center"):
        _not_listed("Overdue and not in this list", [row for row in rest if reads.overdue(row)])
        _not_listed("Open report and not in this list", [row for row in rest if isinstance(row["open_report"], str)])
    with st.container(key="head"):
        for column, head in zip(st.columns(_WIDTHS), _HEADS, strict=True):
            column.markdown(head)
    for row in rows:
        with st.container(key=f"row_{row['rank']}"):
            _row(row)
    if rest:
        st.caption(f"{len(rest):,} more: choose a longer list above, or see the table below.")


def _of_length(rows: list[dict[Any, Any]], length: str) -> list[dict[Any, Any]]:
    """The rows to draw, by the choice of :data:`_LENGTHS`."""
    if length == "all flagged":
        rows = [row for row in rows if reads.needs_a_look(row)]
    return rows[: _LENGTHS.get(length, _FIRST) or _MOST_ROWS]


def _not_listed(what: str, rows: list[dict[Any, Any]]) -> None:
    """Links to vehicles that a short list would hide."""
    if not rows:
        return
    st.caption(f"{what} ({len(rows):,}):", width="content")
    for row in rows[:_MOST_LINKS]:
        link_to("vehicle", row["vehicle_id"], vehicle=str(row["vehicle_id"]))
    if len(rows) > _MOST_LINKS:
        st.caption(f"and {len(rows) - _MOST_LINKS:,} more", width="content")


def _row(row: dict[Any, Any]) -> None:
    rank, vehicle, soon, why, score, workshop = st.columns(_WIDTHS)
    rank.markdown(f"**{row['rank']}**")
    with vehicle:
        link_to("vehicle", row["vehicle_id"], vehicle=str(row["vehicle_id"]))
        st.caption(plain(f"{look.text(row['depot'])} · {look.text(row['category'])}"))
    with soon:
        st.markdown(look.priority_text(row["priority"]))
        st.caption(look.SOON_DOTS.get(str(row["priority"]), ""))
    with why:
        st.text(row["reason"])
        evidence = _evidence(row)
        if evidence:
            st.caption(evidence)
        if isinstance(row["open_report"], str):
            st.markdown(f"**Open report:** {plain(row['open_report'])}")
    with score:
        st.markdown(look.score(row["health_score"], row["score_low"], row["score_high"]))
        interval_bar(row["score_low"], row["health_score"], row["score_high"], row["priority"])
    with workshop:
        st.markdown(f"planned {look.day(row['planned_on'])}" if _known(row["planned_on"]) else "not planned")
        st.caption(_due(row))


def _evidence(row: dict[Any, Any]) -> str:
    parts = [] if reads.judged_by_date_only(row) else [f"{look.whole(row['events_used'])} events looked at"]
    if isinstance(row["suspect_wheel"], str):
        parts.insert(0, f"suspect wheel **{plain(row['suspect_wheel'])}**")
    return " · ".join(parts)


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


def _table(shown: pd.DataFrame) -> None:
    table = shown.assign(
        priority=[look.priority_mark(p) for p in shown["priority"]],
        leading_indicator=[look.indicator_text(c) if isinstance(c, str) else None for c in shown["leading_indicator"]],
    )
    names = {
        "rank": "Rank", "vehicle_id": "Vehicle", "priority": "How soon", "reason": "Why", "health_score": "Score",
        "score_low": "from", "score_high": "to", "events_used": "Events", "suspect_wheel": "Suspect wheel",
        "depot": "Depot", "category": "Category", "inspection_due_on": "Due", "planned_on": "Planned",
        "plan_note": "Plan note", "open_report": "Open report",
    }  # fmt: skip
    figures = {name: st.column_config.NumberColumn(format="%.0f") for name in ("Score", "from", "to")}
    st.dataframe(
        table[list(names)].rename(columns=names), hide_index=True, column_config=figures, placeholder=look.MISSING
    )


page("Inspections", draw)

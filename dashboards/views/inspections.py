"""The planner's page: what must not wait, the ranked list with what can be done, the plan of the coming two weeks."""

from collections import Counter
from pathlib import Path
from typing import Any

import address
import pandas as pd
import streamlit as st
from inspections_parts import listed_head, listed_row, scores_table
from kept import kept
from page_actions import told, wished
from page_parts import caution, link_to, model_line, page, store_line
from plan_parts import draw_plan
from seat import Seat

from fleetbrake.core.vocabulary import PRIORITIES, PRIORITY_TEXT
from fleetbrake.planning.wish_types import Wishes
from fleetbrake.reports import charts, look, model_reads, plan_reads, reads

_FIRST = 10
_LENGTHS: dict[str, int | None] = {"first 10": _FIRST, "first 25": 25, "first 50": 50, "all flagged": None, "all": None}
#: Rows that a browser draws without waiting; the table below has them all.
_MOST_ROWS = 100
_MOST_LINKS = 8
_FLAGGED_MEANS = (
    "All flagged: vehicles with a sign to watch or more, and any with an overdue inspection, an open report or a "
    "planned visit."
)
_CODES = {PRIORITY_TEXT[code]: code for code in PRIORITIES}


def draw(seat: Seat) -> None:
    """What must not wait, the ranked list with its filters, the plan, then the same as a table and a chart."""
    facts = store_line(seat.store)
    listed = seat.veiled(kept(plan_reads.work_list, seat.store))
    if listed.empty:
        st.info("No vehicle has been scored yet. Run `fleetbrake score` after the first recordings are in.")
        return
    caution()
    model_line(seat.store)
    told()
    wishes = wished(seat)
    outside = listed["priority"] == plan_reads.OUTSIDE
    depots, kinds, soon = _filters(listed)
    _outside(seat, listed[outside], wishes, depots)
    shown = _fitting(listed[~outside], depots, kinds, soon)
    st.subheader("Ranked list", anchor=False)
    if shown.empty:
        st.info("No vehicle fits these filters.")
    else:
        _list(seat, shown, wishes)
    draw_plan(seat, depots)
    everything = _fitting(listed, depots, kinds, soon)
    with st.expander(f"All {len(everything):,} as a table, to sort and download", expanded=False):
        scores_table(everything, seat.measures)
    compared = st.expander("Scores compared", key="compared", on_change="rerun")
    if compared.open:  # a chart is drawn only for who wants to see it
        compared.altair_chart(charts.ranked_scores(everything), theme=None)
    _model(seat.store)
    if facts.assumptions:
        with st.expander("What had to be assumed", expanded=False):
            for sentence in facts.assumptions:
                st.text(sentence)


def _filters(listed: pd.DataFrame) -> tuple[list[str], list[str], list[str]]:
    """Depots, categories and priorities chosen; all of it stands in the address, so that the view can be sent on."""
    left, middle, right, far = st.columns([2, 2, 3, 1.2])
    depots = address.many(left, "Depot", _present(listed["depot"]), "depot", placeholder="all depots")
    kinds = address.many(middle, "Category", _present(listed["category"]), "category", placeholder="all categories")
    words = [PRIORITY_TEXT[code] for code in PRIORITIES if code in set(listed["priority"]) - {plan_reads.OUTSIDE}]
    soon = address.many(right, "How soon", words, "soon", placeholder="all")
    address.one(far, "List", list(_LENGTHS), "list", next(iter(_LENGTHS)), help=_FLAGGED_MEANS)
    return depots, kinds, [_CODES[word] for word in soon]


def _present(column: pd.Series) -> list[str]:
    return sorted(str(value) for value in column.dropna().unique())


def _fitting(listed: pd.DataFrame, depots: list[str], kinds: list[str], soon: list[str]) -> pd.DataFrame:
    keep = pd.Series(True, index=listed.index)
    for column, chosen in (("depot", depots), ("category", kinds), ("priority", soon)):
        if chosen:
            keep &= listed[column].isin(chosen)
    return listed[keep]


def _outside(seat: Seat, rows: pd.DataFrame, wishes: Wishes, depots: list[str]) -> None:
    """Vehicles that must not wait for a day of the plan. Only the choice of depots narrows them, and it says so."""
    if rows.empty:
        return
    here = _fitting(rows, depots, [], [])
    st.subheader(f"Before the next trip ({len(here):,})", anchor=False)
    st.caption(
        "Outside the plan: a qualified inspector looks at these before they go out again. They cannot be deferred."
    )
    _rows(seat, "outside", here.to_dict("records")[:_MOST_ROWS], wishes)
    _not_listed("In other depots, or not shown", [*rows.drop(here.index).to_dict("records"),
                                                 *here.to_dict("records")[_MOST_ROWS:]])  # fmt: skip


def _list(seat: Seat, shown: pd.DataFrame, wishes: Wishes) -> None:
    every = shown.to_dict("records")
    rows = _of_length(every, str(st.session_state.get("list", "first 10")))
    ranks = {row["rank"] for row in rows}
    rest = [row for row in every if row["rank"] not in ranks]
    with st.container(horizontal=True, vertical_alignment="center"):
        _not_listed("Overdue and not in this list", [row for row in rest if reads.overdue(row)])
        _not_listed("Open report and not in this list", [row for row in rest if isinstance(row["open_report"], str)])
    _rows(seat, "list", rows, wishes)
    if rest:
        st.caption(f"{len(rest):,} more: choose a longer list above, or see the table below.")


def _rows(seat: Seat, key: str, rows: list[dict[Any, Any]], wishes: Wishes) -> None:
    counts = Counter(flag.vehicle_id for flag in wishes.flags)
    if rows:
        listed_head(key)
    for row in rows:
        with st.container(key=f"row_{row['rank']}"):
            listed_row(seat, row, wishes, counts[row["vehicle_id"]])


def _of_length(rows: list[dict[Any, Any]], length: str) -> list[dict[Any, Any]]:
    """The rows to draw, by the choice of :data:`_LENGTHS`."""
    if length == "all flagged":
        rows = [row for row in rows if reads.needs_a_look(row)]
    return rows[: _LENGTHS.get(length, _FIRST) or _MOST_ROWS]


def _not_listed(what: str, rows: list[dict[Any, Any]]) -> None:
    """Links to vehicles that a short list would hide."""
    if not rows:
        return
    with st.container(horizontal=True, vertical_alignment="center"):
        st.caption(f"{what} ({len(rows):,}):", width="content")
        for row in rows[:_MOST_LINKS]:
            link_to("vehicle", row["vehicle_id"], vehicle=str(row["vehicle_id"]))
        if len(rows) > _MOST_LINKS:
            st.caption(f"and {len(rows) - _MOST_LINKS:,} more", width="content")


def _model(store: Path) -> None:
    """How well the probabilities behind the scores were borne out by past inspections."""
    figures = kept(model_reads.model_quality, store)
    if figures.empty:
        return
    with st.expander("How scores compare with what inspections found", expanded=False):
        st.altair_chart(charts.calibration_chart(kept(model_reads.calibration, store)), theme=None)
        names = {"figure": "Figure", "model": "Model", "in_use": "In use", "value": "Value", "low": "from",
                 "high": "to", "n": "Inspections", "note": "Note"}  # fmt: skip
        digits = {name: st.column_config.NumberColumn(format="%.3f") for name in ("Value", "from", "to")}
        st.dataframe(
            figures[list(names)].rename(columns=names), hide_index=True, column_config=digits, placeholder=look.MISSING
        )


page("Inspections", draw)

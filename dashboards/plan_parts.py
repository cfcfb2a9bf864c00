"""The plan of the coming two weeks: what cannot be kept, the board of days, files to take along and to bring back."""

from datetime import UTC, datetime
from typing import Any

import address
import pandas as pd
import streamlit as st
from kept import kept
from page_jobs import job_buttons
from page_parts import link_to, plain
from refusals import refusal
from seat import Seat

from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.reports import charts, look, plan_reads
from fleetbrake.reports.plan_data import PlanTold, early_finds, plan_told
from fleetbrake.store import findings

_NO_DEPOT = "no depot"
#: Days beside each other on the board; two rows of them are the plan.
_DAYS_A_ROW = 7
_MOST_TOLD = 12
_MOST_MB = 2


def draw_plan(seat: Seat, depots: list[str]) -> None:
    """The plan, and what can be done with it; the board shows the depots chosen above, or all."""
    st.subheader("Plan of the coming two weeks", anchor=False)
    plan = kept(plan_told, seat.store)
    if plan.summary.empty and plan.visits.empty:
        st.info("Nothing has been planned yet. Run `fleetbrake plan` after scoring, or use the button.")
        job_buttons(seat)
        return
    _sentences(plan)
    job_buttons(seat)
    _cannot_be_kept(seat, plan)
    if len(plan.days):
        _board(seat, plan, depots)
        full = st.expander("How full every depot is", key="how_full", on_change="rerun")
        if full.open:  # a chart is drawn only for who wants to see it
            full.altair_chart(charts.plan_load(plan.days), theme=None)
    _files(seat, plan)
    _bring_back(seat)


def _sentences(plan: PlanTold) -> None:
    """When the plan runs, what it rests on and how good it is."""
    days = plan.days["day"] if len(plan.days) else plan.visits["planned_on"].dropna()
    if len(days):
        st.text(f"{look.day(days.min())} to {look.day(days.max())}: {len(plan.planned):,} visits.")
    for sentence in plan.rests_on(datetime.now(UTC).date()):
        st.text(sentence)
    finds = early_finds(plan.summary)
    if finds:
        st.text(finds)
    if len(plan.days) and (plan.days["basis"] == "assumed").any():
        depots = plan.days.loc[plan.days["basis"] == "assumed", "depot"].fillna(_NO_DEPOT).unique()
        named = ", ".join(map(str, depots[:_MOST_TOLD])) + (" ..." if len(depots) > _MOST_TOLD else "")
        st.text(f"Capacity assumed, eight bay hours on working days: {named}.")


def _cannot_be_kept(seat: Seat, plan: PlanTold) -> None:
    """Statutory dates that the plan misses, and visits without a day, each with the reason."""
    visits = seat.veiled(plan.visits)
    missed = visits.loc[plan_reads.not_kept(visits).index]
    others = visits[visits["planned_on"].isna() & (visits["priority"] != plan_reads.OUTSIDE)].drop(
        missed.index, errors="ignore"
    )
    for head, rows in (("Statutory dates that cannot be kept", missed), ("Visits that found no day", others)):
        if rows.empty:
            continue
        st.markdown(f"**{head} ({len(rows):,})**")
        for row in rows.head(_MOST_TOLD).to_dict("records"):
            with st.container(horizontal=True, vertical_alignment="top"):
                link_to("vehicle", row["vehicle_id"], vehicle=str(row["vehicle_id"]))
                date_ = row["date_lost"] if pd.notna(row["date_lost"]) else row["due_on"]
                due = f"due {look.day(date_)}: " if pd.notna(date_) else ""
                st.text(due + look.clipped(row["note"], 300))
        if len(rows) > _MOST_TOLD:
            st.caption(f"and {len(rows) - _MOST_TOLD:,} more, in the workbook below")


def _board(seat: Seat, plan: PlanTold, wanted: list[str]) -> None:
    """Days of one depot beside each other, with the visits of each and the hours they take."""
    there = [_NO_DEPOT if pd.isna(name) else str(name) for name in plan.days["depot"].drop_duplicates()]
    depots = [name for name in there if name in wanted] or there
    chosen = address.one(st, "Depot of the board", depots, "board", depots[0], width=320)
    depot = None if chosen == _NO_DEPOT and plan.days["depot"].isna().any() else chosen
    days = _of(plan.days, depot).to_dict("records")
    visits = seat.veiled(_of(plan.visits, depot)).to_dict("records")
    for first in range(0, len(days), _DAYS_A_ROW):
        columns = st.columns(_DAYS_A_ROW, gap="small")
        for number, (column, day) in enumerate(zip(columns, days[first : first + _DAYS_A_ROW], strict=False), first):
            with column, st.container(key=f"day_{number}"):
                _day(day, [v for v in visits if _same(v["planned_on"], day["day"])],
                     [v for v in visits if _same(v["held_on"], day["day"])])  # fmt: skip


def _of(rows: pd.DataFrame, depot: str | None) -> pd.DataFrame:
    return rows[rows["depot"].isna()] if depot is None else rows[rows["depot"] == depot]


def _same(one: object, other: object) -> bool:
    return bool(pd.notna(one) and pd.Timestamp(one) == pd.Timestamp(other))  # type: ignore[call-overload, arg-type]


def _day(day: dict[Any, Any], visits: list[dict[Any, Any]], held: list[dict[Any, Any]]) -> None:
    stamp = pd.Timestamp(day["day"])
    st.markdown(f"**{stamp:%a} {stamp.day} {stamp:%b}**")
    if not day["bay_hours"] > 0:
        st.caption("closed")
    else:
        for sentence in hours_words(day):
            st.caption(sentence)
    for visit in visits:
        link_to("vehicle", visit["vehicle_id"], vehicle=str(visit["vehicle_id"]))
        st.caption(plain(look.clipped(plan_reads.visit_words(visit))))
    for visit in held:
        link_to("vehicle", visit["vehicle_id"], vehicle=str(visit["vehicle_id"]))
        st.caption(plain(f"{_hours(visit['bay_hours'])} h kept free: before the next trip"))


def hours_words(day: dict[Any, Any]) -> list[str]:
    """Hours taken of hours there are: bays, roller tester, inspectors, the last two where they are limited."""
    taken = sum(float(day[name]) for name in ("booked_hours", "held_hours") if pd.notna(day[name]))
    assumed = " (assumed)" if day["basis"] == "assumed" else ""
    said = [f"{_hours(taken)} of {_hours(day['bay_hours'])} h{assumed}"]
    for name, word in (("roller", "roller tester"), ("inspector", "inspectors")):
        if pd.notna(day[f"{name}_hours"]):
            said.append(f"{word} {_hours(day[f'{name}_booked_hours'])} of {_hours(day[f'{name}_hours'])} h")
    if pd.notna(day["min_on_road"]):
        said.append(
            f"{look.whole(day['vehicles'] - day['visits'])} on the road, {look.whole(day['min_on_road'])} needed"
        )
    return said


def _hours(value: object) -> str:
    return look.MISSING if pd.isna(value) else f"{float(value):.4g}"  # type: ignore[call-overload, arg-type]


def _files(seat: Seat, plan: PlanTold) -> None:
    """The plan to take along; each file is made when it is asked for. Without a visit there are no sheets."""
    from fleetbrake.reports import plan_files  # writers of workbooks are loaded only where the plan is drawn

    store, measures = seat.store, seat.measures
    files: list[tuple[str, Any, str, str]] = [
        ("Calendar (.ics)", lambda: plan_files.calendar_bytes(store), "inspections.ics", "text/calendar"),
        ("Workbook (.xlsx)", lambda: plan_files.workbook_bytes(store, measures), "inspections.xlsx",
         "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
        ("Findings sheet (.csv)", lambda: plan_files.findings_sheet_bytes(store), "findings.csv", "text/csv"),
    ]  # fmt: skip
    if len(plan.visits):
        files.append(("Workshop sheets (.pdf)", lambda: _workshop(seat, plan), "workshop.pdf", "application/pdf"))
    with st.container(horizontal=True, vertical_alignment="center"):
        for label, made, name, kind in files:
            st.download_button(label, made, name, kind, key=f"file_{name}", on_click="ignore")


def _workshop(seat: Seat, plan: PlanTold) -> bytes:
    """A page for each vehicle of the plan, in its order; some tenths of a second a page."""
    from fleetbrake.reports.sheets.vehicle_sheet import planned_vehicles, vehicle_sheets  # loads the typesetter

    return vehicle_sheets(seat.store, planned_vehicles(plan), seat.measures)


def _bring_back(seat: Seat) -> None:
    """A findings sheet that the workshop has filled in; read once, on the button."""
    if not seat.viewer.may_act:
        return
    with st.expander("Bring back a filled findings sheet", expanded=False):
        sheet = st.file_uploader("Findings sheet (CSV)", type="csv", max_upload_size=_MOST_MB, key="sheet")
        st.caption(f"Taken is CSV text of {_MOST_MB} MB at most, one sheet at a time; a new one takes its place.")
        if st.button("Take in the findings", disabled=sheet is None) and sheet is not None:
            _take_in(seat, sheet.getvalue())


def _take_in(seat: Seat, content: bytes) -> None:
    if not seat.may_act_now:
        st.error("Your role may look, not change anything.")
        return
    try:
        taken = findings.import_findings(seat.store, content, seat.viewer.name)
    except FleetbrakeError as error:
        st.error(plain(refusal(error, seat.viewer, seat.store)))
        return
    known = f", {taken.known:,} known already" if taken.known else ""
    then = " Score again to take them into the scores." if taken.new else ""
    st.success(f"{taken.new:,} finding(s) taken in{known}.{then}")
    problems = taken.problems
    if problems:
        st.markdown(f"**{len(problems):,} row(s) were not taken in**")
        for problem in problems[:_MOST_TOLD]:
            st.text(look.clipped(problem, 300))
        if len(problems) > _MOST_TOLD:
            st.caption(f"and {len(problems) - _MOST_TOLD:,} more")

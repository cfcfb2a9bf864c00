"""The form for what an inspection found: several findings at once, the work done, the reports and dates it answers."""

from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pandas as pd
import streamlit as st
from kept import kept
from seat import Seat

from fleetbrake.core.vocabulary import INDICATORS, REPAIR_WORK_TEXT, SEVERITY_TEXT, WHEELS, wheel_words
from fleetbrake.recordings.register_rows import Inspection, Repair
from fleetbrake.reports import history_reads, look, reads
from fleetbrake.store import dates_met, findings
from fleetbrake.store.entered_rows import DateMet, ReportAnswered

_FOUND = {"none": "nothing found", **INDICATORS, "other": "something else"}
_MOST_FINDINGS = 8
#: Scores older than this are those of a store at rest: the form then starts at their day instead of today (days).
_AT_REST_DAYS = 7

Act = Callable[..., None]


def finding_form(seat: Seat, row: dict[Any, Any], act: Act) -> None:
    """Fields for date and findings; ``act`` writes them. They feed the next scores."""
    vehicle, rank = str(row["vehicle_id"]), row["rank"]
    wheels = _wheels(kept(reads.register_row, seat.store, vehicle).get("axles"))
    left, right = st.columns([1, 3])
    on = left.date_input("Inspected on", value=_usual_day(row), max_value=datetime.now(UTC).date(), key=f"on_{rank}")
    count = right.number_input("Number of findings", 1, _MOST_FINDINGS, key=f"findings_{rank}", width=180)
    answers = _answers(seat, vehicle, rank)
    statutory = _statutory(seat, vehicle, rank, on)
    filled = [_finding(rank, number, wheels) for number in range(int(count))]
    if not st.button("Enter findings", key=f"enter_{rank}", type="primary"):
        return
    if statutory is not None and statutory[1] is None:
        st.error("When is the next statutory inspection due?")
        return
    said = f"{vehicle}: {len(filled)} finding(s) of {look.day(on)} entered. Score again to take them in."
    act(seat, said, _enter, seat.viewer.name, vehicle, on, filled, answers, statutory)


def _enter(
    store: Any, by: str, vehicle: str, on: date, filled: list[dict[str, Any]], answers: Any, statutory: Any
) -> None:
    met = None if statutory is None else DateMet(kind=statutory[0], done_on=on, next_due_on=statutory[1])
    rows = [_inspection(vehicle, on, one) for one in filled]
    work = [
        Repair(vehicle_id=vehicle, repaired_on=on, wheel=one["wheel"], work=one["work"], note=one["note"] or None)
        for one in filled
        if one["work"]
    ]
    answered = None
    if answers is not None:
        cleared = datetime.combine(on, time(12), UTC)
        reported = pd.Timestamp(answers["reported_at"]).to_pydatetime()
        answered = ReportAnswered(reported_at=reported, text=answers["text"], cleared_at=max(cleared, reported))
    findings.enter_finding(store, by, rows, work, answered, met=met)


def _inspection(vehicle: str, on: date, one: dict[str, Any]) -> Inspection:
    """The row; its id is made from vehicle, day, wheel and finding when it is entered."""
    return Inspection(
        inspection_id="",
        vehicle_id=vehicle,
        inspected_on=on,
        wheel=one["wheel"],
        finding=one["finding"],
        severity=one["severity"],
        note=one["note"] or None,
    )


def _finding(rank: int, number: int, wheels: list[str | None]) -> dict[str, Any]:
    """The fields of one finding."""
    key = f"{rank}_{number}"
    where, what, grave = st.columns([1.1, 2.2, 1])
    done, told = st.columns([1.1, 3.2])
    return {
        "wheel": where.selectbox("Position", wheels, format_func=_where, key=f"wheel_{key}"),
        "finding": what.selectbox("Finding", list(_FOUND), format_func=_FOUND.__getitem__, key=f"what_{key}"),
        "severity": grave.selectbox(
            "Severity", range(len(SEVERITY_TEXT)), format_func=SEVERITY_TEXT.__getitem__, key=f"grave_{key}"
        ),
        "work": done.selectbox(
            "Work done",
            [None, *REPAIR_WORK_TEXT],
            format_func=lambda code: REPAIR_WORK_TEXT.get(code, "none"),
            key=f"work_{key}",
        ),
        "note": told.text_input("Note", max_chars=2000, key=f"note_{key}").strip(),
    }


def _answers(seat: Seat, vehicle: str, rank: int) -> dict[str, Any] | None:
    """The open report that the visit answers, if there is one and it does."""
    told = seat.veiled(kept(history_reads.open_reports, seat.store, vehicle)).to_dict("records")
    if not told:
        return None
    names = ["none", *(f"{look.day(report['reported_at'])}: {look.text(report['text'])}" for report in told)]
    chosen = st.selectbox(
        "Report answered by this visit", range(len(names)), format_func=lambda i: names[i], key=f"report_{rank}"
    )
    raw = kept(history_reads.open_reports, seat.store, vehicle).to_dict("records")
    return {str(k): v for k, v in raw[chosen - 1].items()} if chosen else None


def _statutory(seat: Seat, vehicle: str, rank: int, on: date) -> tuple[str, date | None] | None:
    """Kind of the statutory inspection that the visit was and the next due date; None if it was none."""
    if not st.checkbox("This was a statutory inspection, and it was passed", key=f"statutory_{rank}"):
        return None
    what, when = st.columns([2.2, 2])
    kind = what.selectbox("Kind", kept(dates_met.kinds_of, seat.store, vehicle), key=f"statutory_kind_{rank}")
    following = when.date_input(
        "Next one due on",
        value=None,
        min_value=on + timedelta(days=1),
        max_value=on + timedelta(days=dates_met.MOST_AHEAD),
        key=f"statutory_next_{rank}",
    )
    return kind, following


def _usual_day(row: dict[Any, Any]) -> date:
    """The day that the form starts with: today; of a store at rest the day of its scores."""
    today, as_of = datetime.now(UTC).date(), row["as_of"]
    at_rest = isinstance(as_of, date) and (today - as_of).days > _AT_REST_DAYS
    return as_of if at_rest else today


def _wheels(axles: Any) -> list[str | None]:
    known = int(axles) if axles is not None and not pd.isna(axles) else 2
    return [None, *WHEELS[: 2 * min(max(known, 1), len(WHEELS) // 2)]]


def _where(wheel: str | None) -> str:
    return wheel_words(wheel) or "whole vehicle"

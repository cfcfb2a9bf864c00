"""Typed reads of one vehicle's history: scores by day, inspections, work, tests and reports, entered ones too."""

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from fleetbrake.core.vocabulary import INDICATORS, REPAIR_WORK_TEXT, SEVERITY_TEXT
from fleetbrake.reports.source import frame
from fleetbrake.store.entered import Entry, entries
from fleetbrake.store.entered_rows import DateMet, FindingEntered, ReportAnswered, WorkEntered

#: Columns of :func:`history`.
HISTORY = ("on_day", "kind", "wheel", "what", "severity", "note", "known_before", "entered_by", "key")

_REGISTERED = """
WITH asked AS (SELECT unnest(?::VARCHAR[]) AS vehicle_id),
evidence AS (
    SELECT vehicle_id, inspected_on, any_value(prior_probability) AS probability, any_value(evidence_as_of) AS as_of
    FROM inspection_evidence SEMI JOIN asked USING (vehicle_id) WHERE prior_probability IS NOT NULL GROUP BY ALL
)
SELECT vehicle_id, i.inspected_on AS on_day, 'inspection' AS kind, i.wheel, i.finding AS what, i.severity, i.note,
       e.probability, e.as_of AS evidence_as_of, 'inspection ' || i.inspection_id AS key
FROM inspections AS i SEMI JOIN asked USING (vehicle_id) LEFT JOIN evidence AS e USING (vehicle_id, inspected_on)
UNION ALL BY NAME
SELECT vehicle_id, repaired_on AS on_day, 'work' AS kind, wheel, work AS what, note,
       concat_ws('|', 'work', repaired_on, wheel, work) AS key
FROM repairs SEMI JOIN asked USING (vehicle_id)
UNION ALL BY NAME
SELECT vehicle_id, tested_on AS on_day, 'brake test' AS kind, wheel, method AS what,
       concat_ws(', ', CASE WHEN max_force_n IS NOT NULL THEN printf('greatest force %d N', max_force_n::BIGINT) END,
                 CASE WHEN axle_load_kg IS NOT NULL THEN printf('axle load %d kg', axle_load_kg::BIGINT) END,
                 CASE WHEN residual_drag_n IS NOT NULL THEN printf('residual drag %d N', residual_drag_n::BIGINT) END,
                 CASE WHEN locked THEN 'wheel locked' END) AS note,
       concat_ws('|', 'test', tested_on, method, wheel) AS key
FROM brake_tests SEMI JOIN asked USING (vehicle_id)
UNION ALL BY NAME
SELECT vehicle_id, CAST(reported_at AS DATE) AS on_day, 'defect report' AS kind, text AS what, severity,
       CASE WHEN cleared_at IS NOT NULL THEN 'cleared ' || strftime(cleared_at, '%Y-%m-%d') ELSE 'not cleared' END
           AS note,
       'report ' || CAST(reported_at AS VARCHAR) || coalesce(text, '') AS key
FROM defect_reports SEMI JOIN asked USING (vehicle_id)
"""
_UNCLEARED = """
SELECT vehicle_id, reported_at, text, severity FROM defect_reports
WHERE cleared_at IS NULL AND vehicle_id IN (SELECT unnest(?::VARCHAR[]))
ORDER BY vehicle_id, reported_at DESC, text
"""
_HISTORY_ENTERED = ("finding", "work", "report_answered", "date_met")


def scores_of(store: Path, vehicle_id: str) -> pd.DataFrame:
    """The vehicle's score on every day that was scored: as_of, health_score, score_low, score_high, priority."""
    return frame(
        store,
        "SELECT as_of, health_score, score_low, score_high, priority FROM vehicle_health WHERE vehicle_id = ? "
        "ORDER BY as_of",
        [vehicle_id],
    )


def open_reports(store: Path, vehicle_id: str) -> pd.DataFrame:
    """Defect reports that nobody has cleared or answered, newest first: reported_at, text, severity."""
    return open_reports_of(store, [vehicle_id]).drop(columns="vehicle_id")


def open_reports_of(store: Path, vehicle_ids: Sequence[str]) -> pd.DataFrame:
    """As :func:`open_reports` for several vehicles in one read, with ``vehicle_id``; ordered by it."""
    found = frame(store, _UNCLEARED, [list(vehicle_ids)])
    answered = {
        (entry.vehicle_id, pd.Timestamp(entry.body.reported_at), entry.body.text)
        for entry in _entries_of(store, ("report_answered",), vehicle_ids)
        if isinstance(entry.body, ReportAnswered)
    }
    told = [
        (row["vehicle_id"], pd.Timestamp(row["reported_at"]), row["text"] if isinstance(row["text"], str) else None)
        for row in found.to_dict("records")
    ]
    return found[[key not in answered for key in told]] if len(found) else found


def history(store: Path, vehicle_id: str) -> pd.DataFrame:
    """What was inspected, repaired, tested and reported of a vehicle, newest first; entered ones from the first moment.

    Columns: :data:`HISTORY`. ``known_before`` says what the recordings had told before an inspection; ``entered_by`` is
    NA for rows of the registers.
    """
    return history_of(store, [vehicle_id])[list(HISTORY)]


def history_of(store: Path, vehicle_ids: Sequence[str]) -> pd.DataFrame:
    """As :func:`history` for several vehicles in one read, with ``vehicle_id``; newest first over all of them."""
    columns = ["vehicle_id", *HISTORY]
    found = frame(store, _REGISTERED, [list(vehicle_ids)])
    found["known_before"] = [_known_before(row) for row in found.to_dict("records")]
    said = _entries_of(store, _HISTORY_ENTERED, vehicle_ids)
    rows = [{"vehicle_id": entry.vehicle_id, **row} for entry in said if (row := _entered(entry)) is not None]
    by = {(row["vehicle_id"], row["key"]): row["entered_by"] for row in rows}
    keys = list(zip(found["vehicle_id"], map(str, found["key"]), strict=True))
    found["entered_by"] = pd.Series([by.get(key) for key in keys], index=found.index, dtype=object)
    on_file = set(keys)
    fresh = pd.DataFrame([row for row in rows if (row["vehicle_id"], row["key"]) not in on_file], columns=columns)
    parts = [part[columns] for part in (found, fresh) if len(part)]
    both = pd.concat(parts) if parts else fresh
    both = both.assign(
        what=[_what(row) for row in both.to_dict("records")],
        severity=[_severity(row["severity"]) for row in both.to_dict("records")],
        order=pd.to_datetime(both["on_day"]),
    )
    ordered = both.sort_values(["order", "kind", "key", "vehicle_id"], ascending=[False, True, True, True])
    return ordered[columns].reset_index(drop=True)


def last_inspection_on(registered: object, history: pd.DataFrame) -> date | None:
    """Day of the newest inspection: of the vehicle's ``history``, or as the register of vehicles has it."""
    visits = history.loc[history["kind"].isin(("inspection", "statutory inspection")), "on_day"]
    days = [pd.Timestamp(day).date() for day in (*visits, registered) if pd.notna(day)]
    return max(days, default=None)


def _entries_of(store: Path, kinds: Sequence[str], vehicle_ids: Sequence[str]) -> list[Entry]:
    """Entries about some vehicles; about a single one only its own are read."""
    wanted = set(vehicle_ids)
    only = next(iter(wanted)) if len(wanted) == 1 else None
    return [entry for entry in entries(store, kinds, only) if entry.vehicle_id in wanted]


def _entered(entry: Entry) -> dict[str, Any] | None:
    body = entry.body
    empty = {"severity": None, "known_before": None, "entered_by": entry.made_by}
    if isinstance(body, FindingEntered):
        row = body.row
        return {
            **empty, "on_day": row.inspected_on, "kind": "inspection", "wheel": row.wheel, "what": row.finding,
            "severity": row.severity, "note": row.note, "key": f"inspection {row.inspection_id}",
        }  # fmt: skip
    if isinstance(body, WorkEntered):
        work = body.row
        key = "|".join(str(part) for part in ("work", work.repaired_on, work.wheel, work.work) if part is not None)
        return {
            **empty, "on_day": work.repaired_on, "kind": "work", "wheel": work.wheel, "what": work.work,
            "note": work.note, "key": key,
        }  # fmt: skip
    if isinstance(body, ReportAnswered):
        return {
            **empty, "on_day": body.cleared_at.date(), "kind": "report answered", "wheel": None, "what": body.text,
            "note": f"reported {body.reported_at:%Y-%m-%d}", "key": f"answered {entry.entry_id}",
        }  # fmt: skip
    if isinstance(body, DateMet):
        return {
            **empty, "on_day": body.done_on, "kind": "statutory inspection", "wheel": None, "what": body.kind,
            "note": f"next due {body.next_due_on}", "key": f"met {entry.entry_id}",
        }  # fmt: skip
    return None


def _what(row: dict[Any, Any]) -> str | None:
    """The row in words; what drivers wrote stands as it is."""
    code = row["what"] if isinstance(row["what"], str) else None
    if code is None or row["kind"] in ("defect report", "report answered", "statutory inspection"):
        return code
    return {**INDICATORS, **REPAIR_WORK_TEXT, "none": "nothing found", "other": "something else"}.get(code, code)


def _severity(value: object) -> str | None:
    return None if pd.isna(value) else SEVERITY_TEXT[int(value)]  # type: ignore[call-overload, arg-type]


def _known_before(row: dict[Any, Any]) -> str | None:
    if pd.isna(row.get("probability")):
        return None
    return f"{100 * row['probability']:.0f} % for a defect, by what was recorded until {row['evidence_as_of']}"

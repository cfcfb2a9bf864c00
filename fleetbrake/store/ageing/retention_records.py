"""Which inspections, brake tests, repairs and defect reports have outlived their period, and may go.

They depend on one another: a repair, a clean inspection or a passed test answers a finding. What answers must therefore
never go before what it answers, and nothing of a vehicle with something open. Whether a row goes follows from its
vehicle, day and method alone, so that visits and tests go whole. What errs here errs towards keeping: a dropped answer
would flag a sound vehicle, a dropped finding would clear a bad one.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, Final

import pyarrow as pa

from fleetbrake.store.ageing.retention import RetentionPolicy, cutoff
from fleetbrake.store.finding_rules import NEEDS_REPAIR, Found, Work, found, left_open
from fleetbrake.store.holding.holds import Hold, held_rows

#: Registers with a period of their own, in the order in which they are judged: what is answered before what answers.
RECORDS: Final = ("brake_tests", "inspections", "repairs", "defect_reports")

#: Free text: no part of the fingerprint of a row, since a forgotten name may be taken out of it.
_FREE_TEXT: Final = ("note", "text")

Row = dict[str, Any]


@dataclass(frozen=True)
class Judged:
    """Rows of one register that stay and that go, and how many stay though they are too old.

    ``held``: frozen by a hold, by its id. ``needed``: something open, the newest of its kind, or the answer to what is
    kept.
    """

    kept: list[Row]
    gone: list[Row]
    held: dict[str, int]
    needed: int


@dataclass(frozen=True)
class OnFile:
    """What the scores take for open and failed.

    ``vehicles``: with an open finding or failed test. ``failed``: vehicle and day of every failed test.
    """

    vehicles: frozenset[str]
    failed: frozenset[tuple[str, date]]


def aged_records(
    tables: Mapping[str, pa.Table], rules: RetentionPolicy, today: date, holds: Sequence[Hold], on_file: OnFile
) -> dict[str, Judged]:
    """Judge the registers together; those without a period are not in the result.

    Parameters
    ----------
    tables : the registers of ``RECORDS`` with what was entered merged in.
    today : UTC.
    on_file : what is open by the scores; a finding that only statutory dates hold open counts as well.
    """
    judged: dict[str, Judged] = {}
    kept: dict[str, list[Row]] = {name: tables[name].to_pylist() for name in RECORDS}
    facts = OnFile(on_file.vehicles | _with_open_findings(kept), on_file.failed)
    for name in RECORDS:
        first_kept = cutoff(rules.months_of(name), today)
        if first_kept is None:
            continue
        spared = _SPARED[name](kept, facts)
        judged[name] = _judge(name, tables[name], first_kept, holds, spared)
        kept[name] = judged[name].kept
    return judged


def _with_open_findings(rows: Mapping[str, list[Row]]) -> frozenset[str]:
    """Vehicles with a finding that neither work nor a clean inspection has answered."""
    findings: dict[str, list[Found]] = {}
    work: dict[str, list[Work]] = {}
    for row in rows["inspections"]:
        if row["vehicle_id"] is not None and row["inspected_on"] is not None:
            findings.setdefault(row["vehicle_id"], []).append(_found(row))
    for row in rows["repairs"]:
        if row["vehicle_id"] is not None and row["repaired_on"] is not None:
            done = Work(row["repaired_on"], row["wheel"], row["work"])
            work.setdefault(row["vehicle_id"], []).append(done)
    return frozenset(
        vehicle
        for vehicle, known in findings.items()
        if any(left_open(one, known, work.get(vehicle, [])) for one in known if one.severity >= NEEDS_REPAIR)
    )


def fingerprint(name: str, row: Mapping[str, Any]) -> str:
    """32 hex digits for a row of a register, by all of it but its free text."""
    facts = [[column, _plain(row[column])] for column in sorted(row) if column not in _FREE_TEXT]
    return hashlib.sha256(json.dumps([name, facts]).encode()).hexdigest()[:32]


def day_of(name: str, row: Mapping[str, Any]) -> date | None:
    """The day (UTC) from which the period of a row runs; of a report the day on which it was cleared."""
    if name != "defect_reports":
        day: date | None = row[{"inspections": "inspected_on", "repairs": "repaired_on"}.get(name, "tested_on")]
        return day
    moments = [moment for moment in (row["reported_at"], row["cleared_at"]) if moment is not None]
    return _utc_day(max(moments)) if moments else None


def _utc_day(moment: datetime) -> date:
    return moment.astimezone(UTC).date() if moment.tzinfo is not None else moment.date()


def _judge(
    name: str, table: pa.Table, first_kept: date, holds: Sequence[Hold], spared: Callable[[Row], bool]
) -> Judged:
    rows: list[Row] = table.to_pylist()
    by_hold = {hold.hold_id: held_rows([hold], name, table).to_pylist() for hold in holds}
    frozen = [any(mask[place] for mask in by_hold.values()) for place in range(len(rows))]
    old = [(day := day_of(name, row)) is not None and day < first_kept for row in rows]
    goes = [a and not b and not spared(row) for row, a, b in zip(rows, old, frozen, strict=True)]
    if name == "inspections":
        goes = _answers_stay(rows, goes)
    held = {hold: sum(a and b for a, b in zip(old, mask, strict=True)) for hold, mask in by_hold.items()}
    return Judged(
        kept=[row for row, gone in zip(rows, goes, strict=True) if not gone],
        gone=[row for row, gone in zip(rows, goes, strict=True) if gone],
        held={hold: count for hold, count in held.items() if count},
        needed=sum(a and not b and not gone for a, b, gone in zip(old, frozen, goes, strict=True)),
    )


def _answers_stay(rows: Sequence[Row], goes: Sequence[bool]) -> list[bool]:
    """Visits after a finding that stays, stay: one of them may be what answered it."""
    bad = _first([row for row, gone in zip(rows, goes, strict=True) if not gone and _needs_repair(row)], "inspected_on")
    return [
        gone and bad.get(row["vehicle_id"], date.max) >= row["inspected_on"]
        for row, gone in zip(rows, goes, strict=True)
    ]


def _spared_tests(kept: Mapping[str, list[Row]], on_file: OnFile) -> Callable[[Row], bool]:
    """Tests of vehicles with something open, and the newest of a vehicle and method."""
    newest = _newest(kept["brake_tests"], ("vehicle_id", "method"), "tested_on")

    def spared(row: Row) -> bool:
        return _nobody_or(row, on_file) or row["tested_on"] == newest[row["vehicle_id"], row["method"]]

    return spared


def _spared_inspections(kept: Mapping[str, list[Row]], on_file: OnFile) -> Callable[[Row], bool]:
    """Findings of vehicles with something open, the newest visit, and visits since a failed test that is kept."""
    newest = _newest(kept["inspections"], ("vehicle_id",), "inspected_on")
    failed = _first_failed(kept["brake_tests"], on_file)

    def spared(row: Row) -> bool:
        vehicle, day = row["vehicle_id"], row["inspected_on"]
        return _nobody_or(row, on_file) or day == newest[(vehicle,)] or failed.get(vehicle, date.max) <= day

    return spared


def _spared_repairs(kept: Mapping[str, list[Row]], on_file: OnFile) -> Callable[[Row], bool]:
    """Work on vehicles with something open, and work since the first finding or failed test that is kept."""
    failed = _first_failed(kept["brake_tests"], on_file)
    bad = _first([row for row in kept["inspections"] if _needs_repair(row)], "inspected_on")

    def spared(row: Row) -> bool:
        since = min(failed.get(row["vehicle_id"], date.max), bad.get(row["vehicle_id"], date.max))
        return _nobody_or(row, on_file) or since <= row["repaired_on"]

    return spared


def _spared_reports(_kept: Mapping[str, list[Row]], _on_file: OnFile) -> Callable[[Row], bool]:
    """Reports that nobody has cleared."""
    return lambda row: row["vehicle_id"] is None or row["cleared_at"] is None


_SPARED: Final[Mapping[str, Callable[[Mapping[str, list[Row]], OnFile], Callable[[Row], bool]]]] = {
    "brake_tests": _spared_tests,
    "inspections": _spared_inspections,
    "repairs": _spared_repairs,
    "defect_reports": _spared_reports,
}


def _nobody_or(row: Row, on_file: OnFile) -> bool:
    return row["vehicle_id"] is None or row["vehicle_id"] in on_file.vehicles


def _found(row: Row) -> Found:
    finding = row["finding"] if row["finding"] is not None else "other"
    return found(row["inspection_id"] or "", row["inspected_on"], finding, row["wheel"], row["severity"])


def _needs_repair(row: Row) -> bool:
    return row["inspected_on"] is not None and _found(row).severity >= NEEDS_REPAIR


def _first_failed(tests: Iterable[Row], on_file: OnFile) -> dict[str, date]:
    """The first failed test of each vehicle among those that are kept."""
    return _first([row for row in tests if (row["vehicle_id"], row["tested_on"]) in on_file.failed], "tested_on")


def _newest(rows: Iterable[Row], by: tuple[str, ...], dated_by: str) -> dict[tuple[Any, ...], date]:
    newest: dict[tuple[Any, ...], date] = {}
    for row in rows:
        key, day = tuple(row[column] for column in by), row[dated_by]
        if day is not None and day >= newest.get(key, date.min):
            newest[key] = day
    return newest


def _first(rows: Iterable[Row], dated_by: str) -> dict[str, date]:
    first: dict[str, date] = {}
    for row in rows:
        name, day = row["vehicle_id"], row[dated_by]
        if name is not None and day is not None and day <= first.get(name, date.max):
            first[name] = day
    return first


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat() if value.tzinfo is not None else value.isoformat()
    return value.isoformat() if isinstance(value, date) else value

"""Retention: what has outlived its period leaves the lake, the registers, what was entered and the published file."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa

from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import REGISTER_KEYS
from fleetbrake.scoring.open_on_file import open_on_file
from fleetbrake.scoring.priors import DEFAULT
from fleetbrake.store.ageing.dropped_rows import remember_dropped
from fleetbrake.store.ageing.entered_removed import remove_entries
from fleetbrake.store.ageing.publish_dropped import publish_dropped
from fleetbrake.store.ageing.registers_alone import registers_alone
from fleetbrake.store.ageing.retention import (
    RetentionPolicy,
    aged_register,
    cutoff,
    policy,
    read_state,
    set_policy,
    write_state,
)
from fleetbrake.store.ageing.retention_clock import (
    ageing_day,
    believed,
    given_day,
    look_at_all_again,
    note_refused,
)
from fleetbrake.store.ageing.retention_lake import is_older_lake, mark_swept, sweep
from fleetbrake.store.ageing.retention_law import law_warnings
from fleetbrake.store.ageing.retention_published import (
    BY_DAY,
    is_pending,
    note_pending,
    old_days,
)
from fleetbrake.store.ageing.retention_records import RECORDS, Judged, Row, aged_records
from fleetbrake.store.database import database_path, reading
from fleetbrake.store.entered import Entry, entries
from fleetbrake.store.entered_rows import FindingEntered, ReportAnswered, WorkEntered
from fleetbrake.store.forgetting.erase import erase_forgotten
from fleetbrake.store.holding.holds import Hold, active_holds, held_rows
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.log import IngestLog, read_log
from fleetbrake.store.registers import read_register, write_register
from fleetbrake.store.unfinished import older_lake, refuse_unexplained

#: Mean length of a month of the Gregorian calendar (d): 365.2425 / 12.
_DAYS_A_MONTH = 30.436875


@dataclass
class Retained:
    """What one run of retention did.

    Attributes
    ----------
    today : the day from which ages were counted (UTC).
    first_kept : by table the first day that is kept; tables without a period are not in it.
    emptied : rows that lost driver or position, by table.
    dropped : rows that went, by table.
    held : rows too old that a hold keeps, by hold and table.
    needed : rows too old that stay because something is open, they are the newest, or answer what is kept; by table.
    forgotten : what went because it had to be forgotten and is held no more, by place.
    refused : why nothing was dropped; None if it was.
    refused_since : first day of the machine on which nothing was dropped, while that lasts.
    applied_on : day for which the rules were applied last.
    sentences : what a person should know besides.
    dry_run : only told, nothing changed.
    """

    today: date
    first_kept: dict[str, date] = field(default_factory=dict)
    emptied: dict[str, int] = field(default_factory=dict)
    dropped: dict[str, int] = field(default_factory=dict)
    held: dict[str, dict[str, int]] = field(default_factory=dict)
    needed: dict[str, int] = field(default_factory=dict)
    forgotten: dict[str, int] = field(default_factory=dict)
    refused: str | None = None
    refused_since: date | None = None
    applied_on: date | None = None
    sentences: list[str] = field(default_factory=list)
    dry_run: bool = False

    @property
    def changed(self) -> bool:
        """Whether any row was (or, in a dry run, would be) changed."""
        return any(self.emptied.values()) or any(self.dropped.values())

    def add(self, earlier: "Retained") -> None:
        """Count what an earlier call of the same night did as well."""
        for mine, theirs in ((self.emptied, earlier.emptied), (self.dropped, earlier.dropped)):
            for name, rows in theirs.items():
                mine[name] = mine.get(name, 0) + rows

    def facts(self) -> dict[str, Any]:
        """As JSON holds it."""
        return {
            "today": self.today.isoformat(),
            "first_kept": {name: day.isoformat() for name, day in self.first_kept.items()},
            "emptied": self.emptied,
            "dropped": self.dropped,
            "held": self.held,
            "needed": self.needed,
            "forgotten": self.forgotten,
            "refused": self.refused,
            "refused_since": self.refused_since.isoformat() if self.refused_since else None,
            "applied_on": self.applied_on.isoformat() if self.applied_on else None,
            "sentences": self.sentences,
            "dry_run": self.dry_run,
        }


@dataclass
class _Run:
    """What the steps of one run share. ``begin`` is called before the first change, and does nothing in a dry run."""

    store: Path
    rules: RetentionPolicy
    today: date
    holds: Sequence[Hold]
    told: Retained

    def begin(self) -> None:
        """Note that the published file has to follow, so that a killed run is completed by the next one."""
        if not self.told.dry_run:
            note_pending(self.store)

    def count_held(self, hold_id: str, table: str, rows: int) -> None:
        """Rows of a table that a hold keeps."""
        if rows:
            self.told.held.setdefault(hold_id, {})[table] = rows


def retain(
    store: Path,
    rules: RetentionPolicy | None = None,
    today: date | None = None,
    *,
    dry_run: bool = False,
    publish: bool = True,
) -> Retained:
    """Drop what has outlived its period; what a legal hold freezes stays and is counted.

    What had to be forgotten and was held goes as well, once no hold keeps it any more.

    Parameters
    ----------
    rules : kept in the store from now on; by default those that were kept before.
    today : the day from which ages are counted, believed as it stands unless it is yet to come; by default the present
        day (UTC), which is held against the newest reading first.
    dry_run : change nothing, only tell; ``rules`` are then not kept either.
    publish : False leaves the published file to whoever publishes next: to a run that reads recordings, or to another
        call. It reads the whole lake, and need not be done twice a night.

    Raises
    ------
    InputError
        ``today`` is yet to come by the machine's clock.
    StoreBusyError
        Another run writes the store.
    StoreError
        There is no published database, or a part of the store cannot be read or written.
    """
    if not database_path(store).is_file():
        raise StoreError(f"{store}: there is no published database in this store yet; run `fleetbrake ingest` first.")
    with writer_lock(store, "retain"):
        if not dry_run:
            refuse_unexplained(store)
        told = _apply(store, rules, today, dry_run=dry_run)
        on = read_state(store).get("applied", {}).get("on")
        told.applied_on = date.fromisoformat(on) if on else None
        if publish and not dry_run and is_pending(store):
            publish_dropped(store)
        if not dry_run:
            told.forgotten = dict(erase_forgotten(store).changed)
        return told


def _apply(store: Path, rules: RetentionPolicy | None, today: date | None, *, dry_run: bool) -> Retained:
    wanted, holds = rules or policy(store), active_holds(store)  # a list of holds that is lost is told first
    log = read_log(store)
    given = given_day(today) if today is not None else None  # one that is yet to come changes nothing
    if rules is not None and not dry_run:  # before anything asks what was set: an older copy ends here
        set_policy(store, rules)
    ageing = given or ageing_day(store, log=log)
    day = ageing.day or ageing.today
    told = Retained(today=day, dry_run=dry_run)
    if wanted is None:
        told.sentences.append("No rules of retention are set: everything is kept.")
        return told
    told.sentences += [*filter(None, [older_lake(store)]), *law_warnings(wanted), *_short_for_scores(wanted)]
    if ageing.doubt is not None:
        told.refused = ageing.doubt
        if not dry_run:
            told.refused_since = note_refused(store, ageing.today)
            look_at_all_again(store)
        return told
    run = _Run(store, wanted, day, holds, told)
    told.first_kept = _first_days(wanted, day)
    held_back = _age_rows(run, log)
    _age_trips(run)
    _drop_records(run)
    _old_days(run)
    if not dry_run:
        _note_applied(run, held_back)
    return told


def _short_for_scores(rules: RetentionPolicy) -> list[str]:
    """A sentence where drivers and places go before the scores have done with them."""
    months, needed = rules.positions_and_drivers_months, math.ceil(DEFAULT.lookback_days / _DAYS_A_MONTH)
    if months is None or months >= needed:
        return []
    return [f"Scores look back {needed} months: with drivers and positions of {months} only they know less of drivers."]


def _first_days(rules: RetentionPolicy, today: date) -> dict[str, date]:
    personal = cutoff(rules.positions_and_drivers_months, today)
    names: dict[str, date | None] = dict.fromkeys(("events", "trips", *BY_DAY), personal)
    names.update({name: cutoff(rules.months_of(name), today) for name in RECORDS})
    return {name: day for name, day in names.items() if day is not None}


def _age_rows(run: _Run, log: IngestLog) -> list[str]:
    """Feature rows of the lake; returns the pieces that a hold keeps."""
    applied = believed(read_state(run.store))
    applied = {} if is_older_lake(run.store, applied) else applied
    before = None if run.told.dry_run else run.begin
    done = sweep(run.store, log, run.rules, run.today, run.holds, applied, before=before)
    if done.rows:
        run.told.emptied["events"] = done.rows
    for hold_id, rows in done.held.items():
        run.count_held(hold_id, "events", rows)
    return done.held_back


def _age_trips(run: _Run) -> None:
    trips = read_register(run.store, "trips")
    held = held_rows(run.holds, "trips", trips)
    aged = aged_register("trips", trips, run.rules, run.today, held)
    everything = aged_register("trips", trips, run.rules, run.today)
    emptied = _drivers(trips) - _drivers(aged)
    for hold in run.holds:
        spared = aged_register("trips", trips, run.rules, run.today, held_rows([hold], "trips", trips))
        run.count_held(hold.hold_id, "trips", _drivers(spared) - _drivers(everything))
    if not emptied:
        return
    run.told.emptied["trips"] = emptied
    if not run.told.dry_run:
        run.begin()
        write_register(run.store, "trips", aged)


def _drivers(trips: pa.Table) -> int:
    return trips.num_rows - int(trips.column("driver_id").null_count)


def _drop_records(run: _Run) -> None:
    """Inspections, tests, repairs and reports, from the registers and from what people entered."""
    if all(run.rules.months_of(name) is None for name in RECORDS):
        return
    with registers_alone(run.store) as con:
        tables = {name: con.sql(f"SELECT * FROM {name}").to_arrow_table() for name in RECORDS}  # noqa: S608 - own names
        judged = aged_records(tables, run.rules, run.today, run.holds, open_on_file(con, run.today))
    # what is answered goes before what answers, so that a run that is killed in between flags no sound vehicle
    for name, one in judged.items():
        for hold_id, rows in one.held.items():
            run.count_held(hold_id, name, rows)
        if one.needed:
            run.told.needed[name] = one.needed
        if one.gone:
            run.told.dropped[name] = len(one.gone)
            if not run.told.dry_run:
                run.begin()
                _drop(run.store, name, one)


def _drop(store: Path, name: str, judged: Judged) -> None:
    keys = {_key(name, row) for row in judged.gone}
    register = read_register(store, name)
    rows: list[Row] = register.to_pylist()
    gone = [_key(name, row) in keys for row in rows]
    if any(gone):
        remember_dropped(store, name, [row for row, goes in zip(rows, gone, strict=True) if goes])
        write_register(store, name, register.filter(pa.array([not goes for goes in gone], pa.bool_())))
    kind = {"inspections": "finding", "repairs": "work", "defect_reports": "report_answered"}.get(name)
    if kind is not None:
        made = entries(store, (kind,))
        remove_entries(store, [entry.entry_id for entry in made if _entered_key(entry) in keys])


def _key(name: str, row: Row) -> tuple[Any, ...]:
    return tuple(_moment(row[column]) for column in REGISTER_KEYS[name])


def _entered_key(entry: Entry) -> tuple[Any, ...]:
    body = entry.body
    if isinstance(body, FindingEntered):
        return _key("inspections", body.row.model_dump())
    if isinstance(body, WorkEntered):
        return _key("repairs", body.row.model_dump())
    assert isinstance(body, ReportAnswered)
    return entry.vehicle_id, _moment(body.reported_at), body.text


def _moment(value: Any) -> Any:
    return value.astimezone(UTC) if isinstance(value, datetime) and value.tzinfo is not None else value


def _old_days(run: _Run) -> None:
    """Rows of drivers whose day is too old; they go when the published file is made anew."""
    with reading(run.store) as con:
        counted = old_days(con, run.told.first_kept.get("driver_style"), run.holds)
    if counted:
        run.told.dropped.update(counted)
        run.begin()


def _note_applied(run: _Run, held_back: list[str]) -> None:
    first_kept = run.told.first_kept.get("events")
    state = read_state(run.store)
    earlier = believed(state)
    before = earlier.get("on", "")
    state.pop("refused_since", None)
    at = datetime.now(UTC).isoformat()
    lake = earlier.get("lake", "")
    if run.told.emptied.get("events") or is_pending(run.store) or is_older_lake(run.store, earlier):
        lake = at
        mark_swept(run.store, lake)
    state["applied"] = {
        "lake": lake,
        "cutoff": first_kept.isoformat() if first_kept else None,
        "on": max(before, run.today.isoformat()),  # ISO days: in order as text
        "at": at,
        "held_back": sorted(held_back),
    }
    write_state(run.store, state)

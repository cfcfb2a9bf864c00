"""How long the store keeps what: the rules, the days they mean, and rows without what has become too old.

Positions and driver ids are dropped from rows; inspections, tests, repairs and reports are dropped as whole rows, see
:mod:`fleetbrake.store.ageing.retention_records`.
"""

import json
from collections.abc import Mapping
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Annotated, Any, Final

import pyarrow as pa
import pyarrow.compute as pc
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.store.disk_words import reason_to_read
from fleetbrake.store.files import write_atomically
from fleetbrake.store.remembered import no_copy, remember, remembered, writing_of

RETENTION_NAME: Final = "retention.json"

#: Columns of an event that tell who drove and where.
PERSONAL: Final = ("driver_id", "latitude_deg", "longitude_deg")

#: A hundred years: more is a slip of the pen, and no arithmetic of days may leave the calendar.
Months = Annotated[int, Field(ge=1, le=1200)]


class RetentionPolicy(BaseModel):
    """How many calendar months rows are kept, back from the present day (UTC); None keeps them for good.

    The 13 months are the brief's: a full year and the month in which it is reported.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    positions_and_drivers_months: Months | None = 13
    inspections_months: Months | None = None
    brake_tests_months: Months | None = None
    repairs_months: Months | None = None
    defect_reports_months: Months | None = None

    def months_of(self, register: str) -> int | None:
        """Period of a register of maintenance records; None for those that have none."""
        months: int | None = getattr(self, f"{register}_months", None)
        return months


def policy(store: Path) -> RetentionPolicy | None:
    """The rules that were set for the store; None if none were.

    Raises
    ------
    StoreError
        They cannot be read, are gone or an older copy: it is then not known what may be kept.
    """
    kept = read_state(store).get("policy")
    if kept is None:
        if remembered(store).rules:
            raise StoreError(
                f"The store's rules of retention ({store / RETENTION_NAME}) are gone: put them back from a copy of the "
                "store, or set them again with `fleetbrake retain`."
            )
        return None
    try:
        return RetentionPolicy.model_validate(kept)
    except ValidationError as error:
        raise StoreError(
            f"The store's rules of retention ({store / RETENTION_NAME}) cannot be read: set them again with "
            "`fleetbrake retain`."
        ) from error


def set_policy(store: Path, rules: RetentionPolicy) -> None:
    """Keep the rules in the store, so that reading recordings obeys them. Only for the holder of the writer's lock.

    Other rules than before get the next number, by which an older copy of the file is known.
    """
    state, wanted = _state_there(store), rules.model_dump(mode="json")
    there, noted = writing_of(state), remembered(store).rules_written
    same = there > 0 and there >= noted and state.get("policy") == wanted
    write_state(store, {**state, "policy": wanted, "written": there if same else max(there, noted) + 1})


def checked_policy(values: dict[str, Any]) -> RetentionPolicy:
    """The rules from names and values; InputError with one sentence about all that is wrong."""
    try:
        return RetentionPolicy.model_validate(values)
    except ValidationError as error:
        told = [f"{'.'.join(map(str, item['loc']))}: {item['msg']}" for item in error.errors()]
        raise InputError(f"The rules of retention cannot be used: {'; '.join(told)}.") from error


def months_before(day: date, months: int) -> date:
    """The same day of the month so many calendar months earlier, or that month's last day where it is shorter."""
    count = day.year * 12 + day.month - 1 - months
    year, month = divmod(count, 12)
    for last in (day.day, 30, 29, 28):
        if last <= day.day:
            try:
                return date(year, month + 1, last)
            except ValueError:  # the month has no such day
                continue
    raise ValueError(f"no day {months} months before {day}")


def cutoff(months: int | None, today: date) -> date | None:
    """First day that is kept; None where everything is."""
    return None if months is None else months_before(today, months)


def aged_events(
    table: pa.Table, rules: RetentionPolicy | None, today: date, held: pa.BooleanArray | None = None
) -> pa.Table:
    """Events without the driver and the position of those that began before the cutoff; ``held`` rows stay whole.

    The very table where nothing changes.
    """
    first_kept = cutoff(rules.positions_and_drivers_months, today) if rules is not None else None
    return _without(table, "started_at", PERSONAL, first_kept, held)


def aged_register(
    name: str, table: pa.Table, rules: RetentionPolicy | None, today: date, held: pa.BooleanArray | None = None
) -> pa.Table:
    """Trips without the driver of those that began before the cutoff; every other register as it is.

    A trip that was under way on the cutoff loses its driver as well: it would give him to older events. Maintenance
    records depend on one another (a repair answers a finding) and are aged together after they were merged:
    ``retention_records.aged_records``.
    """
    first_kept = cutoff(rules.positions_and_drivers_months, today) if rules is not None else None
    return table if name != "trips" else _without(table, "started_at", ("driver_id",), first_kept, held)


def shown_bare(store: Path, event: Mapping[str, Any]) -> bool:
    """Whether driver and position of a published event were dropped, so that its recording must not tell them again.

    Events that a hold keeps still have theirs.
    """
    applied = read_state(store).get("applied", {}).get("cutoff")
    started = event.get("started_at")
    if applied is None or started is None:
        return False
    empty = all((value := event.get(name)) is None or value != value for name in PERSONAL)  # noqa: PLR0124 - NaN
    return bool(empty and started < datetime.combine(date.fromisoformat(applied), time(), UTC))


def _without(
    table: pa.Table, dated_by: str, columns: tuple[str, ...], first_kept: date | None, held: pa.BooleanArray | None
) -> pa.Table:
    if first_kept is None or not table.num_rows:
        return table
    start = pa.scalar(datetime.combine(first_kept, time(), UTC), pa.timestamp("us", tz="UTC"))
    old = pc.fill_null(pc.less(table.column(dated_by).cast(pa.timestamp("us", tz="UTC")), start), False)
    if held is not None:
        old = pc.and_not(old, held)
    for name in columns:
        place = table.schema.get_field_index(name)
        if place >= 0 and pc.any(pc.and_(old, pc.is_valid(table.column(name)))).as_py():
            field = table.schema.field(place)
            emptied = pc.if_else(old, pa.scalar(None, field.type), table.column(name))
            table = table.set_column(place, field, emptied)
    return table


def read_state(store: Path) -> dict[str, Any]:
    """What ``retention.json`` holds: the rules and what was applied last; empty without it.

    Raises
    ------
    StoreError
        It is damaged, or an older copy.
    """
    state = _state_there(store)
    if state and writing_of(state) < remembered(store).rules_written:
        raise StoreError(
            f"The store's rules of retention ({store / RETENTION_NAME}) are an older copy than the ones that were "
            "written last: put those back from a copy of the store, or set them again with `fleetbrake retain`. "
            f"{no_copy('rules')}"
        )
    return state


def _state_there(store: Path) -> dict[str, Any]:
    """As :func:`read_state`, however old it is."""
    path = store / RETENTION_NAME
    try:
        state = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise StoreError(f"The store's rules of retention ({path}) cannot be read: {reason_to_read(error)}.") from error
    except ValueError as error:
        raise StoreError(f"The store's rules of retention ({path}) cannot be read. {no_copy('rules')}") from error
    if not isinstance(state, dict):
        raise StoreError(f"The store's rules of retention ({path}) are damaged. {no_copy('rules')}")
    return state


def write_state(store: Path, state: dict[str, Any]) -> None:
    """Put ``retention.json`` in place of the one before."""
    content = json.dumps(state, indent=1, sort_keys=True) + "\n"

    def write(part: Path) -> None:
        part.write_text(content, encoding="utf-8")

    write_atomically(store / RETENTION_NAME, write)
    remember(store)

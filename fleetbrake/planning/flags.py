"""Flags as they stand, replayed from what was entered: raised, seen, decided, open again, closed.

A flag is one reason to look at a vehicle: an indicator (and wheel) or an open report, and the day on which scores
raised it. Its history is the list of entries; nothing of it is ever changed. The table ``flags`` shows where each one
stands.
"""

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields, replace
from datetime import date, datetime
from pathlib import Path

import duckdb
import pyarrow as pa

from fleetbrake.core.tables import FLAGS
from fleetbrake.planning.wish_types import Flag
from fleetbrake.store.arrow import arrow_schema
from fleetbrake.store.database import reading
from fleetbrake.store.entered import Entry, entries
from fleetbrake.store.entered_rows import (
    DateFixed,
    DateMet,
    Deferred,
    FlagClosed,
    FlagDecided,
    FlagRaised,
    FlagReopened,
    FlagSeen,
    OfFlag,
)
from fleetbrake.store.schema import replace_table

URGENT = "before_next_trip"
FLAG_KINDS = ("flag_raised", "flag_seen", "flag_decided", "flag_reopened", "flag_closed")
#: Who enters what follows from scores alone.
SCORES = "scores"

Key = tuple[str, str, str | None, date]


@dataclass(frozen=True)
class Standing:
    """The newest day scored and every vehicle's priority on it: what decisions and deferrals lapse by."""

    as_of: date
    priorities: Mapping[str, str]


@dataclass(frozen=True)
class Step:
    """One step of a vehicle's history: who did what and when. ``day`` is the one that the step names, if any."""

    made_at: datetime
    made_by: str
    kind: str
    told: str
    indicator: str | None = None
    wheel: str | None = None
    raised_on: date | None = None
    decision: str | None = None
    reason: str | None = None
    day: date | None = None
    result: str | None = None


def flags(store: Path, vehicle_id: str | None = None) -> list[Flag]:
    """The flags of a vehicle, or all, as they stand now: closed ones too, with what was entered since the last score.

    In order of vehicle, day raised, indicator and wheel. Empty before anything was scored. Raises ``StoreError``
    without a published database.
    """
    with reading(store) as con:
        standing = read_standing(con)
    return [] if standing is None else flags_as_of(entries(store, FLAG_KINDS, vehicle_id), standing)


def flag_history(store: Path, vehicle_id: str) -> list[Step]:
    """Everything that was entered about the vehicle's flags and its place in the plan, oldest first."""
    made = entries(store, (*FLAG_KINDS, "date_fixed", "deferred", "date_met"), vehicle_id)
    return [_step(entry) for entry in made]


def publish_flags(con: duckdb.DuckDBPyConnection, store: Path, as_of: date) -> None:
    """Replace the table ``flags`` by what stands on ``as_of``; with the same entries the same table."""
    standing = Standing(as_of, _priorities(con, as_of))
    rows = [asdict(flag) for flag in flags_as_of(entries(store, FLAG_KINDS), standing)]
    schema = arrow_schema({column.name: column.type for column in FLAGS})
    replace_table(con, "flags", pa.Table.from_pylist(rows, schema=schema))


def read_standing(con: duckdb.DuckDBPyConnection) -> Standing | None:
    """The newest day scored with its priorities; None if nothing was scored."""
    row = con.execute("SELECT max(as_of) FROM vehicle_health").fetchone()
    return None if row is None or row[0] is None else Standing(row[0], _priorities(con, row[0]))


def flags_as_of(made: Iterable[Entry], standing: Standing) -> list[Flag]:
    """The flags that the entries tell of, with lapsed decisions taken back and their age."""
    found = [_present(flag, standing) for flag in replayed(made).values()]
    return sorted(found, key=lambda flag: (flag.vehicle_id, flag.raised_on, flag.indicator, flag.wheel or ""))


def replayed(made: Iterable[Entry]) -> dict[Key, Flag]:
    """The flags by key after each entry was played in order; what belongs to no open flag changes nothing."""
    found: dict[Key, Flag] = {}
    for entry in made:
        body = entry.body
        if not isinstance(body, OfFlag):
            continue
        key = (entry.vehicle_id, body.indicator, body.wheel, body.raised_on)
        if isinstance(body, FlagRaised):
            if key not in found or found[key].closed_on is not None:  # shown again on the day that it was closed
                found[key] = Flag(flag_id(key), *key, priority=body.priority)
        elif key in found and found[key].closed_on is None:
            found[key] = _played(found[key], entry)
    return found


def flag_id(key: Key) -> str:
    """The key as one text; the vehicle comes first and may hold anything, the other parts hold no bar."""
    vehicle, indicator, wheel, raised_on = key
    return f"{vehicle}|{indicator}|{wheel or ''}|{raised_on.isoformat()}"


def key_of(flag: Flag) -> Key:
    """What makes a flag that flag."""
    return flag.vehicle_id, flag.indicator, flag.wheel, flag.raised_on


def lapse(flag: Flag, standing: Standing) -> str | None:
    """Why the decision on the flag no longer stands; None while it does, and where there is none."""
    if flag.decision is None or flag.closed_on is not None:
        return None
    if flag.expires_on is not None and flag.expires_on < standing.as_of:
        return f"the decision stood until {flag.expires_on}"
    if flag.decision != "inspect_now" and standing.priorities.get(flag.vehicle_id) == URGENT:
        return "the vehicle must be inspected before its next trip"
    return None


def opened_again(flag: Flag) -> Flag:
    """The flag without the decision that lapsed."""
    return replace(flag, state="open", decision=None, decided_by=None, decided_at=None, reason=None, expires_on=None)


def _present(flag: Flag, standing: Standing) -> Flag:
    now = opened_again(flag) if lapse(flag, standing) else flag
    return replace(now, age_days=((flag.closed_on or standing.as_of) - flag.raised_on).days)


def _played(flag: Flag, entry: Entry) -> Flag:
    body = entry.body
    if isinstance(body, FlagSeen):
        first = {} if flag.seen_by else {"seen_by": entry.made_by, "seen_at": entry.made_at}
        return replace(flag, state="seen" if flag.state == "open" else flag.state, **first)  # type: ignore[arg-type]
    if isinstance(body, FlagDecided):
        return replace(
            flag,
            state="decided",
            decision=body.decision,
            decided_by=entry.made_by,
            decided_at=entry.made_at,
            reason=body.reason,
            expires_on=body.expires_on,
        )
    if isinstance(body, FlagReopened):
        return opened_again(flag)
    if isinstance(body, FlagClosed):
        return replace(flag, state="closed", result=body.result, closed_on=body.closed_on)
    return flag


def _step(entry: Entry) -> Step:
    body = entry.body
    kept = {field.name for field in fields(Step)} & set(type(body).model_fields) - {"kind"}
    facts = {name: getattr(body, name) for name in kept}
    facts["reason"] = facts.get("reason") or getattr(body, "because", None)
    return Step(entry.made_at, entry.made_by, entry.kind, _told(body), day=_day(body), **facts)


def _day(body: object) -> date | None:
    for name in ("expires_on", "closed_on", "on", "until", "done_on"):
        day = getattr(body, name, None)
        if isinstance(day, date):
            return day
    return None


def _told(body: object) -> str:
    """The step in a few words, without what anybody wrote."""
    told = _PLAIN_STEPS.get(type(body), "entered")
    match body:
        case FlagDecided():
            until = f", stands until {body.expires_on}" if body.expires_on else ""
            told = f"decided: {body.decision.replace('_', ' ')}{until}"
        case FlagClosed():
            told = f"closed on {body.closed_on}: {body.result.replace('_', ' ')}"
        case DateMet():
            told = f"statutory inspection ({body.kind}) done on {body.done_on}, next due {body.next_due_on}"
        case DateFixed():
            told = f"date fixed: {body.on}" if body.on else "fixed date taken back"
        case Deferred():
            told = f"deferred until {body.until}" if body.until else "deferral ended"
    return told


_PLAIN_STEPS: dict[type, str] = {FlagRaised: "raised", FlagSeen: "seen", FlagReopened: "open again"}


def _priorities(con: duckdb.DuckDBPyConnection, as_of: date) -> dict[str, str]:
    return dict(con.execute("SELECT vehicle_id, priority FROM vehicle_health WHERE as_of = ?", [as_of]).fetchall())

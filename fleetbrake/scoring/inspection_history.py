"""What was known before each inspection: past weeks are scored with the same models, and kept in the store."""

import hashlib
import json
from dataclasses import asdict, dataclass
from datetime import date

import duckdb
import pandas as pd

from fleetbrake import __version__
from fleetbrake.core.tables import TABLES
from fleetbrake.core.vocabulary import INDICATORS
from fleetbrake.scoring import models
from fleetbrake.scoring.evidence import evaluate
from fleetbrake.scoring.learning_priors import LearningPriors
from fleetbrake.scoring.priors import INDICATOR_PRIORS, REPAIR_SCOPE, Priors

LN_LR = tuple(f"{name}_ln_lr" for name in INDICATORS)
NOT_YET = "evidence of that week is not scored yet"
NOT_OVER = "its week is not over: evidence is scored then"
#: What a week's scoring gives for an inspection, kept from run to run.
SNAPSHOT = ("prior_probability", *LN_LR, "events_used", "place", "fleet_vehicles")
#: What the snapshot reads besides the models of :func:`evaluate`.
_BESIDE = ("int_lockups", "int_usable_events")
_KEY = ["vehicle_id", "evidence_as_of"]


@dataclass(frozen=True)
class History:
    """``visits``: a row a vehicle and day of inspection, by day and vehicle, with what was known before it or the
    reason why it is left out. ``weeks_missing``: past weeks still to be scored. ``events_too_many``: events that the
    next of them would make the run score, where these are more than a run may; else none."""

    visits: pd.DataFrame
    weeks_missing: int
    events_too_many: int = 0


def bring_up_to_date(
    con: duckdb.DuckDBPyConnection, day: date, priors: Priors, numbers: LearningPriors, *, all_weeks: bool = False
) -> History:
    """Evidence before every inspection in the register, strictly from before; scores what past weeks are missing.

    What was scored before by the same rules is kept, also if recordings of that time came in since: it is what was
    known then. Weeks that are missing are scored newest first, at most ``weeks_a_run`` of them and ``events_a_run``
    events, and only once the inspections of the week are all in, so that no week is scored night after night; with
    ``all_weeks`` every week is scored anew. With too few inspections to say anything, none is. Replaces what
    :func:`evaluate` left.
    """
    visits = read_visits(con, day, numbers)
    rules = fingerprint(priors)
    kept = pd.DataFrame(columns=[*_KEY, *SNAPSHOT]) if all_weeks else _kept(con, rules)
    usable = visits[visits["left_out_reason"].isna()]
    enough = len(usable) >= numbers.quality_least
    open_rows = usable.merge(kept[_KEY].assign(known=True), on=_KEY, how="left")
    weeks = open_rows.loc[open_rows["known"].isna(), "evidence_as_of"].unique()
    missing = sorted((week for week in weeks if all_weeks or is_over(week, day)), reverse=True)
    now = (missing if all_weeks else _affordable(con, day, missing, priors, numbers)) if enough else []
    fresh = [_week(con, week, priors, usable) for week in now]
    snapshots = pd.concat([part for part in (kept, *fresh) if len(part)] or [kept], ignore_index=True)
    found = visits.merge(snapshots, on=_KEY, how="left").assign(rules=rules)
    _say_why_left_out(found, day, priors)
    waiting = enough and len(now) < min(len(missing), int(numbers.weeks_a_run))
    too_many = _events_of(con, [day, *now, missing[len(now)]], priors) if waiting else 0
    return History(found, len(missing) - len(now), too_many)


def read_visits(con: duckdb.DuckDBPyConnection, day: date, numbers: LearningPriors) -> pd.DataFrame:
    """Rows of ``learn_visits.sql`` as of ``day``, days as Python dates."""
    models.give(con, "learning_run", pd.DataFrame({"as_of": [day], "defect_severity": [int(numbers.defect_severity)]}))
    try:
        visits = con.execute(models.sql_of("learn_visits")).df()
    finally:
        con.execute("drop table temp.learning_run")
    return _with_dates(visits)


def snapshot(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Rows of ``learn_snapshot.sql``, from the models that :func:`evaluate` left: one a vehicle, by vehicle."""
    models.build(con, _BESIDE)
    try:
        return con.execute(models.sql_of("learn_snapshot")).df()
    finally:
        for name in _BESIDE:  # the verdicts build them again
            con.execute(f"drop table temp.{name}")


def publish(con: duckdb.DuckDBPyConnection, visits: pd.DataFrame) -> None:
    """Replace ``inspection_evidence`` by ``visits``, which has its columns."""
    names = [column.name for column in TABLES["inspection_evidence"]]
    models.give(con, "evidence_in", visits[names].round(9))
    listed = ", ".join(f'"{name}"' for name in names)
    con.execute("delete from inspection_evidence")
    con.execute(f"insert into inspection_evidence ({listed}) select {listed} from evidence_in")  # noqa: S608 - own names
    con.execute("drop table temp.evidence_in")


def fingerprint(priors: Priors) -> str:
    """Changes with the version and with every number and every model that evidence rests on."""
    numbers = [__version__, asdict(priors), [asdict(row) for row in INDICATOR_PRIORS], REPAIR_SCOPE, models.MACROS]
    texts = [models.sql_of(name) for name in (*models.OBSERVED, *models.FINDINGS, *models.PROBABILITIES, *_BESIDE)]
    text = json.dumps([numbers, texts, models.sql_of("learn_snapshot")], default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _kept(con: duckdb.DuckDBPyConnection, rules: str) -> pd.DataFrame:
    columns = ", ".join((*_KEY, *SNAPSHOT))
    kept = con.execute(
        f"select distinct on (vehicle_id, evidence_as_of) {columns} from inspection_evidence "  # noqa: S608 - own names
        "where rules = ? and prior_probability is not null order by vehicle_id, evidence_as_of",
        [rules],
    ).df()
    return _with_dates(kept)


def _affordable(
    con: duckdb.DuckDBPyConnection, day: date, missing: list[date], priors: Priors, numbers: LearningPriors
) -> list[date]:
    """The newest of the weeks that a run scores besides ``day``, as many as the budget of events allows."""
    count = min(len(missing), int(numbers.weeks_a_run))
    while count and _events_of(con, [day, *missing[:count]], priors) > numbers.events_a_run:
        count -= 1
    return missing[:count]


def _events_of(con: duckdb.DuckDBPyConnection, days: list[date], priors: Priors) -> int:
    """Events that scoring these days works through: those in each one's look-back, summed."""
    # fetched to the end: a table given next must find no result open
    rows = con.execute(
        "select count(*) from events as e join (select unnest(?::date[]) as until_day) as d "
        "on (e.started_at at time zone 'UTC')::date <= d.until_day "
        "and (e.started_at at time zone 'UTC')::date > d.until_day - ?::integer "
        "where e.vehicle_id is not null and e.not_braking is null",
        [days, int(priors.lookback_days)],
    ).fetchall()
    return int(rows[0][0])


def _week(con: duckdb.DuckDBPyConnection, week: date, priors: Priors, usable: pd.DataFrame) -> pd.DataFrame:
    evaluate(con, week, priors)
    wanted = usable.loc[usable["evidence_as_of"] == week, "vehicle_id"]
    found = snapshot(con).assign(evidence_as_of=week)
    return found[found["vehicle_id"].isin(wanted)][[*_KEY, *SNAPSHOT]]


def is_over(week: date, day: date) -> bool:
    """Whether the inspections that have the evidence of ``week``, a Sunday, were all made by the end of ``day``."""
    return week.toordinal() + 7 <= day.toordinal()


def _say_why_left_out(found: pd.DataFrame, day: date, priors: Priors) -> None:
    """What only the evidence shows; a reason from the register stands."""
    from_register = found["left_out_reason"].notna()
    without = ~from_register & found["prior_probability"].isna()
    over = found["evidence_as_of"].map(lambda week: week is not None and is_over(week, day)).astype(bool)
    found.loc[without, "left_out_reason"] = NOT_YET
    found.loc[without & ~over, "left_out_reason"] = NOT_OVER
    few = ~from_register & (found["events_used"] < priors.least_events)
    found.loc[few, "left_out_reason"] = "too few usable brake applications before it"


def _with_dates(frame: pd.DataFrame) -> pd.DataFrame:
    for name in ("inspected_on", "evidence_as_of"):
        if name in frame:
            frame[name] = frame[name].astype(object).map(lambda at: None if pd.isna(at) else pd.Timestamp(at).date())
    return frame

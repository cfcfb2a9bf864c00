"""The SQL models: their order, their parameters and the runner that makes temporary tables of them."""

import re
from dataclasses import asdict
from datetime import date, datetime, time, timedelta
from functools import cache
from importlib.resources import files

import duckdb
import pandas as pd
import pyarrow as pa

from fleetbrake.core.errors import StoreError
from fleetbrake.core.vocabulary import ANSWERS
from fleetbrake.scoring.priors import EXPLAINS, INDICATOR_PRIORS, PRIORITY_ORDER, REPAIR_SCOPE, Priors

STAGING = (
    "stg_vehicles",
    "stg_trips",
    "stg_units",
    "stg_events",
    "stg_places",
    "stg_wheels",
    "stg_inspections",
    "stg_brake_tests",
    "stg_restarts",
    "int_conditions",
    "stg_context",
    "int_restarted",
    "int_axles",
    "int_uneven",
    "int_locked",
)
OBSERVATIONS = (
    "int_towing",
    "int_slopes",
    "int_outdated",
    "int_effectiveness",
    "int_effectiveness_level",
    "int_pairings",
    "obs_effectiveness",
    "obs_side_imbalance",
    "obs_side_pull",
    "obs_brake_drag",
    "obs_drag_vehicle",
    "obs_slow_response",
    "obs_brake_fade",
    "int_brake_heat",
    "obs_fade_series",
    "obs_lockup",
    "obs_axle_order",
    "obs_light_modulation",
    "obs_tone_ring",
    "obs_dropout",
)
#: Up to one row a series and trip; then what else explains a level is taken out (``evidence``).
OBSERVED = (*STAGING, *OBSERVATIONS, "int_shares", "int_level_observations", "int_trip_levels", "int_level_steps")
#: Built for some measures and vehicles after others, since its aggregates hold all groups in memory: what is of the
#: whole vehicle at once, what is of wheels a measure after the other.
SLICED = ("int_trip_levels",)
#: Applications up to which all is built at once, and those of a slice of vehicles (own choices): its groups then take
#: some 250 MB, and a slice costs little against what it does.
EVENTS_AT_ONCE = 200_000
EVENTS_A_SLICE = 1_200_000
#: Read by one model, too large to be kept.
VIEWS = (*(name for name in OBSERVATIONS if name.startswith("obs_")), "int_level_observations")
FINDINGS = (
    "int_levels",
    "int_noise",
    "int_changes",
    "int_series",
    "int_peers",
    "int_level_findings",
    "int_share_windows",
    "int_share_findings",
    "int_findings",
)
PROBABILITIES = ("int_answered", "int_answered_told", "int_probabilities", "int_explained", "int_vehicle_scores")
VERDICTS = (
    "int_final_scores",
    "int_learned",
    "int_evidence",
    "int_lockups",
    "int_usable_events",
    "int_open_findings",
    "int_open_reports",
    "int_history",
    "int_waiting",
    "int_leading",
    "int_worded",
    "int_reasons",
    "int_verdicts",
)
DRIVERS = (
    "int_flagged_since",
    "int_driver_trips",
    "int_driver_roads",
    "int_driver_events",
    "int_recorded_days",
    "int_driver_exposure",
    "int_driver_cells",
    "int_driver_counts",
)

#: After the drivers' posterior.
STYLE = (
    "int_driver_rates",
    "int_driver_notes",
    "int_driver_manner",
    "int_coaching_events",
    "int_coaching_picks",
    "int_coaching_praise",
)

#: Of the vehicles: made before the drivers' models, so that what they read is gone by then.
VEHICLE_MARTS = ("mart_indicators", "mart_vehicle_health", "mart_indicator_trips")
MARTS = (
    "mart_driver_style",
    "mart_driver_coaching",
    "mart_exposure_summary",
    "mart_predictions",
    "int_inspected",
    "mart_inspection_outcomes",
)
CHECKS = (
    "check_every_vehicle_once",
    "check_driver_ranks",
    "check_coaching_traceable",
    "check_scores_in_range",
    "check_no_nan",
    "check_indicators_traceable",
)
PARAMETERS = (
    "run",
    "priors",
    "indicator_priors",
    "priority_order",
    "repair_scope",
    "answers",
    "explains",
    "factor",
    "level_steps",
    "int_level_effect",
    "discoveries",
    "learned_scores",
    "driver_posterior",
    "made",
)
#: Every model, in the order of building.
MODELS = OBSERVED + FINDINGS + PROBABILITIES + VERDICTS + VEHICLE_MARTS + DRIVERS + STYLE + MARTS

_FOLDERS = {
    "stg": "staging",
    "obs": "intermediate",
    "int": "intermediate",
    "mart": "marts",
    "check": "checks",
    "learn": "learning",
}

#: The number of a measure is its place among the priors: compared once for a whole block of rows of one model.
_NUMBERS = " ".join(
    f"when i = '{row.indicator}' and m = '{row.measure}' then {number}"
    for number, row in enumerate(INDICATOR_PRIORS, start=1)
)

MACROS = (
    "finite(x) as case when isfinite(x) then x end",
    "ln_beta(a, b) as lgamma(a) + lgamma(b) - lgamma(a + b)",
    # ln of N(z; d, 1 + s2) / N(z; 0, 1), held below z = -d / s2 where it would rise again
    "ln_normal_ratio(z, d, s2) as case when z is not null then "
    "(greatest(z, -d / s2) ^ 2 - (greatest(z, -d / s2) - d) ^ 2 / (1 + s2) - ln(1 + s2)) / 2 end",
    "ln_share(k, n, mean, conc) as ln_beta(k + mean * conc, n - k + (1 - mean) * conc) "
    "- ln_beta(mean * conc, (1 - mean) * conc)",
    "ln_share_ratio(k, n, sound, conc, defect, defect_conc) as "
    "ln_share(k, n, defect, defect_conc) - ln_share(k, n, sound, conc)",
    # number of a square of the earth's surface, size in m; 111 195 m is a degree of a circle of 6 371 km (computed)
    "place_cell(lat, lon, size) as case when lat between -89 and 89 and lon between -180 and 180 then "
    "round(lat * 111195 / size)::bigint * 10000000 "
    "+ round(lon * 111195 * cos(radians(round(lat, 1))) / size)::bigint end",
    # a series is a vehicle, measure of an indicator and wheel: one number, since millions of rows are sorted by it
    "series_number(measure, vehicle, wheel) as vehicle::bigint * 65536 + measure * 256 + wheel",
    "series_vehicle(series) as (series >> 16)::integer",
    "series_measure(series) as ((series >> 8) & 255)::integer",
    "series_wheel(series) as (series & 255)::integer",
    f"measure_number(i, m) as case {_NUMBERS} end",
    # 1L is 2, 1R is 3, 2L is 4; 0 is the whole vehicle
    "wheel_number(wheel) as case when wheel = '' then 0 "
    "else 2 * (ascii(wheel) - 48) + (right(wheel, 1) = 'R')::integer end",
    "wheel_name(number) as case when number = 0 then '' else (number // 2) || if(number % 2 = 1, 'R', 'L') end",
    # the measures and vehicles that a sliced model is being built for
    "in_slice(i, m) as true",
    "in_part(vehicle) as true",
    "logit(p) as ln(p / (1 - p))",
    "from_logit(x) as 1 / (1 + exp(-x))",
    # least and greatest pass over NULL, hence the case
    "log_odds(base, ln_lr, lowest) as case when ln_lr is not null then logit(base) + greatest(ln_lr, lowest) end",
    # slope 1 at the knee, then ever flatter towards the top: order is kept, the top never reached
    "bounded(x, knee, top) as case when x > knee then knee + (x - knee) / (1 + (x - knee) / (top - knee)) else x end",
)


@cache
def sql_of(model: str) -> str:
    """Text of a model's SQL file."""
    folder = _FOLDERS[model.split("_", 1)[0]]
    return files("fleetbrake.scoring").joinpath("sql", folder, f"{model}.sql").read_text(encoding="utf-8")


def drop_temporary(con: duckdb.DuckDBPyConnection) -> None:
    """Remove everything that a run leaves in the connection's temporary schema."""
    for name in (*reversed(MODELS), *PARAMETERS):
        con.execute(f"drop {'view' if name in VIEWS else 'table'} if exists temp.{name}")
    for macro in MACROS:
        con.execute(f"drop macro if exists temp.{macro.split('(', 1)[0]}")


def load_parameters(con: duckdb.DuckDBPyConnection, as_of: date, priors: Priors, known_on: date | None = None) -> None:
    """Make the parameter tables and macros that the models import.

    ``as_of`` is the last day whose recordings count, ``known_on`` (at least ``as_of``, its default) that of what people
    wrote: inspections, tests, repairs, reports.
    """
    until = _end_of(as_of)
    known = max(as_of, known_on or as_of)
    back = min(timedelta(days=priors.lookback_days), until - datetime.min)
    con.execute(
        "create temp table run as select ?::date as as_of, ?::timestamp at time zone 'UTC' as since, "
        "?::timestamp at time zone 'UTC' as until, ?::date as known_on, ?::timestamp at time zone 'UTC' as known_until",
        [as_of, until - back, until, known, _end_of(known)],
    )
    for name, table in _numbers(priors).items():
        _table(con, name, table, {f.name for f in table.schema if pa.types.is_floating(f.type)})
    for macro in MACROS:
        con.execute(f"create temp macro {macro}")


@cache
def _numbers(priors: Priors) -> dict[str, pa.Table]:
    """The parameter tables that are the same for every day. Made once: a row of hundreds of columns takes its time."""
    numbered = [{"number": number, **asdict(row)} for number, row in enumerate(INDICATOR_PRIORS, start=1)]
    scope = [(work, indicator) for work, indicators in REPAIR_SCOPE.items() for indicator in indicators]
    fits = [(finding, work) for finding, works in ANSWERS.items() for work in works]
    frames = {
        "priors": pd.DataFrame([asdict(priors)]).astype(float),
        "indicator_priors": pd.DataFrame(numbered),
        "priority_order": pd.DataFrame(PRIORITY_ORDER.items(), columns=["priority", "place"]),
        "repair_scope": pd.DataFrame(scope, columns=["work", "indicator"]),
        "answers": pd.DataFrame(fits, columns=["finding", "work"]),
        "explains": pd.DataFrame(EXPLAINS, columns=["cause", "effect"]),
    }
    return {name: pa.Table.from_pandas(frame, preserve_index=False) for name, frame in frames.items()}


def _end_of(day: date) -> datetime:
    """The first moment after a day; the last day of the calendar has none after it."""
    return datetime.combine(min(day, date.max - timedelta(days=1)) + timedelta(days=1), time())


def build(con: duckdb.DuckDBPyConnection, models: tuple[str, ...], *, free: bool = False) -> None:
    """Make a temporary table of each model, in the order given; ``free``: drop what no later model of a run reads."""
    for model in models:
        try:
            _make(con, model)
        except duckdb.Error as error:
            raise StoreError(f"scoring model {model} failed: {error}") from error
        for name in _last_read_by().get(model, ()) if free else ():
            con.execute(f"drop table if exists temp.{name}")


def _make(con: duckdb.DuckDBPyConnection, model: str) -> None:
    if model in VIEWS:
        con.execute(f"create temp view {model} as {sql_of(model)}")
    elif model in SLICED:
        _make_in_slices(con, model)
    else:
        con.execute(f"create temp table {model} as {sql_of(model)}")


def _make_in_slices(con: duckdb.DuckDBPyConnection, model: str) -> None:
    begin = f"create temp table {model} as"
    for chosen, vehicles in _slices(con):
        con.execute(f"create or replace temp macro in_slice(i, m) as {chosen}")
        con.execute(f"create or replace temp macro in_part(vehicle) as {vehicles}")
        con.execute(f"{begin} {sql_of(model)}")
        begin = f"insert into temp.{model}"
    con.execute("create or replace temp macro in_slice(i, m) as true")
    con.execute("create or replace temp macro in_part(vehicle) as true")


def _slices(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str]]:
    """Conditions of each slice: on indicator and measure (constants, so that other branches are not read), vehicle."""
    events = int(con.execute("select count(*) from stg_events").fetchall()[0][0])
    if events <= EVENTS_AT_ONCE:
        return [("true", "true")]
    levels = [row for row in INDICATOR_PRIORS if row.kind == "level"]
    of_wheels = [[row] for row in levels if row.per_wheel]
    parts = 1 + events // EVENTS_A_SLICE
    return [
        (" or ".join(f"i = '{row.indicator}' and m = '{row.measure}'" for row in rows), f"vehicle % {parts} = {part}")
        for rows in ([row for row in levels if not row.per_wheel], *of_wheels)
        for part in range(parts)
    ]


@cache
def _last_read_by() -> dict[str, tuple[str, ...]]:
    """Model -> the tables that it is the last of a run to read. Large ones make room for others by that."""
    reads = {name: _names_in(sql_of(name)) - {name} for name in (*MODELS, *CHECKS)}
    last: dict[str, str] = {}
    for reader in (*MODELS, *CHECKS):
        if reader in VIEWS:
            continue  # reads nothing itself
        waiting = list(reads[reader])
        while waiting:
            name = waiting.pop()
            if name in VIEWS:
                waiting += reads[name]
            else:
                last[name] = reader
    return {reader: tuple(sorted(name for name in last if last[name] == reader)) for reader in set(last.values())}


def _names_in(sql: str) -> set[str]:
    told = "\n".join(line for line in sql.splitlines() if not line.lstrip().startswith("--"))
    # what is published of a run is read when all is made
    return set(re.findall(r"\w+", told)) & {*(name for name in MODELS if not name.startswith("mart_")), "level_steps"}


def check(con: duckdb.DuckDBPyConnection) -> None:
    """Run the checks; each must return no row."""
    for name in CHECKS:
        rows = con.execute(f"select * from ({sql_of(name)}) limit 3").fetchall()  # noqa: S608 - own files
        if rows:
            raise StoreError(f"scoring check {name} failed, for example: {rows}")


def give(con: duckdb.DuckDBPyConnection, name: str, frame: pd.DataFrame) -> None:
    """Give a table that Python computed to the models, as a temporary table of that name."""
    _frame(con, name, frame)


def _frame(con: duckdb.DuckDBPyConnection, name: str, frame: pd.DataFrame) -> None:
    _table(con, name, frame, {column for column, kind in frame.dtypes.items() if pd.api.types.is_float_dtype(kind)})


def _table(con: duckdb.DuckDBPyConnection, name: str, rows: pd.DataFrame | pa.Table, floats: set[str]) -> None:
    # NaN of a column stays NaN in DuckDB, where NaN > 5 is true: make it NULL
    con.register("frame_in", rows)
    names = rows.column_names if isinstance(rows, pa.Table) else rows.columns
    columns = ", ".join(
        f'case when isfinite("{c}") then "{c}" end as "{c}"' if c in floats else f'"{c}"' for c in names
    )
    con.execute(f"create temp table {name} as select {columns} from frame_in")  # noqa: S608 - own names
    con.unregister("frame_in")

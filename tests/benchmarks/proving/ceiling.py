"""The ranking's ceiling: the same statistics, told the day on which the fault began.

For a sound vehicle the day is drawn from the same distribution. Every level is split on that day instead of where the
change was looked for, every share begins with it and pays nothing for having been picked, and no finding waits for its
third trip or for the fleet's chance finds. What is left is what the recordings themselves allow.
"""

from datetime import date
from pathlib import Path
from typing import Any
from unittest.mock import patch

import duckdb
import numpy as np
import pandas as pd

from fleetbrake.scoring import evidence, models
from fleetbrake.scoring.priors import DEFAULT

#: In place of the models of these names; ``known_days`` has a day for each vehicle.
KNOWN = {
    "int_changes": """
        select l.series, 99.0 as shift, count_if(l.on_day < d.day)::bigint as split
        from int_levels as l
        join stg_units as u on u.vehicle = series_vehicle(l.series)
        join known_days as d using (vehicle_id)
        group by l.series
        having count_if(l.on_day < d.day) > 0 and count_if(l.on_day >= d.day) > 0
    """,
    "int_share_windows": """
        with
        since as (
            select
                s.*, u.vehicle_id,
                s.on_day >= d.day or count_if(s.on_day >= d.day) over (partition by s.series) = 0 as counts
            from int_shares as s
            join stg_units as u on u.vehicle = series_vehicle(s.series)
            join known_days as d using (vehicle_id)
        )
        select
            p.indicator, p.measure, s.vehicle_id, wheel_name(series_wheel(s.series)) as wheel, true as whole,
            max(s.back) as n, coalesce(count_if(s.hit), 0)::bigint as k,
            coalesce(count_if(s.outside_emergency), 0)::bigint as outside_emergency,
            round(max(s.expected_sum) / max(s.back), 9) as e, max(s.trips)::bigint as trips,
            count(distinct s.trip) filter (s.hit) as hit_trips,
            1 + (max(s.back) / max(s.trips) - 1) * any_value(pr.alike_in_trip) as deff,
            min(s.on_day) filter (s.hit) as first_hit
        from since as s
        join indicator_priors as p on p.number = series_measure(s.series)
        cross join priors as pr
        where s.counts
        group by p.indicator, p.measure, s.vehicle_id, s.series
    """,
}


def rank_by_known_day(store: Path, truth: dict[str, Any]) -> pd.Series:
    """Suspicion of every vehicle (index), greater = more suspect, from the published events of ``store``."""
    con = duckdb.connect()
    con.execute("set TimeZone = 'UTC'")
    con.execute(f"attach '{store / 'fleet.duckdb'}' as published (read_only)")
    tables = con.execute("select table_name from duckdb_tables() where database_name = 'published'").fetchall()
    for (name,) in tables:
        con.execute(f'create table "{name}" as select * from published."{name}"')
    names = [v for (v,) in con.execute("select vehicle_id from vehicles order by vehicle_id").fetchall()]
    days = known_days(truth, names)
    con.execute("create table known_days (vehicle_id varchar, day date)")
    con.executemany("insert into known_days values (?, ?)", list(days.items()))
    plain = models.sql_of
    with patch.object(models, "sql_of", lambda name: KNOWN.get(name) or plain(name)):
        evidence.evaluate(con, date.fromisoformat(truth["as_of"]), DEFAULT)
    found = con.execute("select vehicle_id, strength from int_vehicle_scores order by vehicle_id").df()
    con.close()
    return found.set_index("vehicle_id")["strength"]


def known_days(truth: dict[str, Any], names: list[str]) -> dict[str, date]:
    """The day that is known of each vehicle; repaired faults are known from the registers anyway."""
    rng = np.random.default_rng([truth["seed"], 801_000])
    begins = [f["begin"] for f in truth["faults"]]
    days = {name: date.fromisoformat(begins[int(rng.integers(len(begins)))]) for name in names}
    for fault in sorted(truth["faults"], key=lambda f: f["showed"]):
        if fault["vehicle_id"] in days and (fault["end"] is None or fault["end"] > truth["as_of"]):
            days[fault["vehicle_id"]] = date.fromisoformat(fault["begin"])
    return days

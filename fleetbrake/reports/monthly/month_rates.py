"""Rates of a month's report: the fleet over the last twelve months, and the month by depot, category and surface.

Counts come from ``month_figures`` and ``month_surfaces``. A rate is events per 1000 km over the kilometres on which the
class could have been observed, with its exact 90 % Poisson interval: it knows chance only, as if no event brought
another one. What could not be observed is NULL.
"""

from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa

from fleetbrake.core.report_tables import REPORT_TABLES
from fleetbrake.reports.monthly.month_data import Period
from fleetbrake.reports.source import frame
from fleetbrake.scoring.rates import exact_interval
from fleetbrake.store.arrow import arrow_schema

#: What rates are told of, in this order: columns of ``month_figures``. Lockups count above the cut-off speed only.
RATE_MEASURES: Final = ("hard_stops", "modulation", "lockups_above_cutoff")
#: Months told, the reported one among them.
MONTHS_BACK: Final = 12
LEVEL: Final = 0.90
_DIMENSIONS: Final = ("fleet", "depot", "category", "surface")
_KM = 1000.0


def months_up_to(of: Period, back: int = MONTHS_BACK) -> list[str]:
    """The ``back`` months up to and with the reported one, ``YYYY-MM``, oldest first."""
    return [str(p) for p in pd.period_range(end=of.month, periods=back, freq="M")]


def fleet_months(store: Path, of: Period) -> pa.Table:
    """Table ``fleet_months``: three rows for each of twelve months; one without recordings has only NULL."""
    wanted = months_up_to(of)
    found = _long(_grouped(store, "month_figures", "month", wanted), "month")
    found = found[found["events"] > 0]
    full = pd.MultiIndex.from_product([wanted, RATE_MEASURES], names=["month", "measure"]).to_frame(index=False)
    return as_table("fleet_months", with_rates(full.merge(found, on=["month", "measure"], how="left")))


def month_rates(store: Path, of: Period) -> pa.Table:
    """Table ``month_rates``: the month's fleet, its depots, categories and surfaces; parts without events are left out.

    A surface's rate rests on the fleet's observed kilometres, since nobody knows how many were driven on which: the
    surfaces add up to the fleet.
    """
    parts = [_part(store, of, dimension) for dimension in _DIMENSIONS[:3]]
    surface = _part(store, of, "surface").drop(columns="observed_km")
    whole = parts[0][["measure", "observed_km"]]
    parts.append(surface.merge(whole, on="measure", how="left"))
    rows = with_rates(pd.concat([part.assign(place=place) for place, part in enumerate(parts)], ignore_index=True))
    order = rows["measure"].map(RATE_MEASURES.index)
    return as_table(
        "month_rates",
        rows.assign(order=order).sort_values(["place", "part", "order"], na_position="last", kind="stable"),
    )


def with_rates(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with rate and interval from rate_counted and observed_km; what nothing could show is missing, not 0.

    Columns needed: events, not_observed, counted, rate_counted, observed_km.
    """
    km = rows["observed_km"].astype(float)
    km = km.where(km > 0)
    seen = (rows["events"] > rows["not_observed"]).fillna(False).astype(bool)
    counted = rows["counted"].astype("Int64").where(seen)
    on_km = rows["rate_counted"].astype("Int64").where(seen & km.notna())
    low, high = exact_interval(on_km.astype("Float64").to_numpy(dtype=float, na_value=np.nan), level=LEVEL)
    return rows.assign(
        counted=counted,
        rate_counted=on_km,
        observed_km=km,
        rate_per_1000km=on_km.astype("Float64").to_numpy(dtype=float, na_value=np.nan) * _KM / km,
        rate_low_per_1000km=low * _KM / km,
        rate_high_per_1000km=high * _KM / km,
    )


def as_table(name: str, rows: pd.DataFrame) -> pa.Table:
    """A data frame as the report's table of that name: its columns in their types, NULL for what is missing."""
    schema = arrow_schema({column.name: column.type for column in REPORT_TABLES[name]})
    return pa.Table.from_pandas(rows[schema.names], schema=schema, preserve_index=False).replace_schema_metadata()


def _part(store: Path, of: Period, dimension: str) -> pd.DataFrame:
    """The month's counts by one dimension, a row a part and measure; ``fleet`` is one part without a name."""
    source = "month_surfaces" if dimension == "surface" else "month_figures"
    column = {"fleet": "CAST(NULL AS VARCHAR)"}.get(dimension, dimension)
    rows = _long(_grouped(store, source, column, [of.month]), "part")
    return rows[rows["events"] > 0].assign(dimension=dimension)


def _grouped(store: Path, source: str, part: str, months: list[str]) -> pd.DataFrame:
    """Sums of a table of counts by one expression over depots and categories; only our own names come in here."""
    counts = [f"{measure}{more}" for measure in RATE_MEASURES for more in ("", "_unknown", "_on_km")]
    # what is no brake application counts as an event there, and of it no class is told
    braking = {"events": "events - not_braking"} | {n: f"{n} - not_braking" for n in counts if n.endswith("_unknown")}
    names = ("vehicles", "events", "not_braking", *counts)
    whole = ", ".join(f"CAST(sum({braking.get(name, name)}) AS BIGINT) AS {name}" for name in names)
    km = "NULL" if source == "month_surfaces" else "sum({0}_km ORDER BY depot, category)"
    distances = ", ".join(f"CAST({km.format(m)} AS DOUBLE) AS {m}_km" for m in RATE_MEASURES)
    return frame(
        store,
        f"SELECT {part} AS part, {whole}, {distances} FROM {source} WHERE list_contains(?, month) "  # noqa: S608 - own names
        "GROUP BY 1 ORDER BY 1 NULLS LAST",
        [months],
    )


def _long(found: pd.DataFrame, named: str) -> pd.DataFrame:
    """A row a part and measure from a row a part."""

    def of(measure: str) -> dict[str, Any]:
        return {
            "measure": measure,
            "not_observed": found[f"{measure}_unknown"],
            "counted": found[measure],
            "rate_counted": found[f"{measure}_on_km"],
            "observed_km": found[f"{measure}_km"],
        }

    shared = found[["part", "vehicles", "events", "not_braking"]].rename(columns={"part": named})
    return pd.concat([shared.assign(**of(measure)) for measure in RATE_MEASURES], ignore_index=True)

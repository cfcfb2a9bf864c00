"""The figures of a scored proving fleet against its truth: what is counted, and the target of each."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
from benchmarks.proving.ceiling import rank_by_known_day
from scipy.stats import spearmanr
from sklearn.metrics import average_precision_score

#: A fault that showed in fewer recorded events could not be seen: its vehicle is left out of the ranking's figures.
LEAST_SHOWED = 3
FOUND = ("before_next_trip", "this_week", "next_service", "watch")
FIRST_SHARE = 0.15
BINS = (0.0, 0.05, 0.1, 0.2, 0.35, 0.5, 0.7, 0.9, 1.0)


@dataclass(frozen=True)
class Figure:
    """One line of the table. ``better``: high, low, or within (``target`` to ``upper``); NaN target: no target."""

    title: str
    value: float
    target: float = np.nan
    better: str = "high"
    upper: float = np.nan
    digits: int = 3

    @property
    def short(self) -> bool:
        """Whether the target is missed."""
        if np.isnan(self.target) or np.isnan(self.value):
            return False
        if self.better == "within":
            return not self.target <= self.value <= self.upper
        return self.value < self.target if self.better == "high" else self.value > self.target


@dataclass(frozen=True)
class Scored:
    """Published tables of one day and the truth beside them."""

    truth: dict[str, Any]
    health: pd.DataFrame
    indicators: pd.DataFrame
    drivers: pd.DataFrame
    known: pd.Series  # suspicion by vehicle, told the day the fault began


def read(store: Path, truth: dict[str, Any]) -> Scored:
    """Everything that the figures need from a store."""
    day = [truth["as_of"]]
    with duckdb.connect(str(store / "fleet.duckdb"), read_only=True) as con:
        health, indicators, drivers = (
            con.execute(f"select * from {table} where as_of = ?::date", day).df()
            for table in ("vehicle_health", "indicators", "driver_style")
        )
    known = rank_by_known_day(store, truth)
    return Scored(truth, health, indicators, drivers, known)


def vehicles(scored: Scored) -> pd.DataFrame:
    """One row a motor vehicle: rank and verdict, ``faulty`` now, ``shown``, ``judged``, ``left_alone``, ``faults``."""
    truth = scored.truth
    as_of = truth["as_of"]
    present: dict[str, list[dict[str, Any]]] = {}
    for fault in truth["faults"]:
        if fault["begin"] <= as_of and (fault["end"] is None or fault["end"] > as_of):
            present.setdefault(fault["vehicle_id"], []).append(fault)
    table = scored.health[~scored.health["vehicle_id"].str.startswith("TR-")].reset_index(drop=True)
    faults = table["vehicle_id"].map(present)
    table["faults"] = [f if isinstance(f, list) else [] for f in faults]
    table["faulty"] = table["faults"].map(bool)
    shown = [[f for f in fs if f["showed"] >= LEAST_SHOWED] for fs in table["faults"]]
    table["shown"] = ~table["faulty"] | np.array([bool(fs) for fs in shown])
    table["judged"] = ~table["faulty"] | np.array([any(f["recordable"] for f in fs) for fs in shown])
    names = truth["harsh_or_slippery"]
    table["left_alone"] = table["vehicle_id"].isin(set(names["harsh_drivers"]) | set(names["slippery_routes"]))
    table["found"] = table["faulty"] & table["priority"].isin(FOUND)
    table["right"] = [
        code in {f["indicator"] for f in fs}
        for code, fs in zip(table["leading_indicator"], table["faults"], strict=True)
    ]
    table["p"] = 1.0 - table["health_score"] / 100.0
    return table


def wheel_answers(table: pd.DataFrame) -> list[bool]:
    """Of the found vehicles whose leading indicator is right and whose fault has a wheel: is it that wheel?"""
    answers = []
    for row in table[table["found"] & table["right"] & table["judged"]].itertuples():
        wheels = {f["wheel"] for f in row.faults if f["indicator"] == row.leading_indicator and f["wheel"]}
        if wheels:
            answers.append(row.suspect_wheel in wheels)
    return answers


def health_figures(scored: Scored) -> list[Figure]:
    """The ranked list of vehicles."""
    table = vehicles(scored)
    judged, wider = table[table["judged"]], table[table["shown"]]
    found = judged[judged["found"]]
    first = table["rank"].rank() <= FIRST_SHARE * len(table)
    alone = table["left_alone"] & ~table["faulty"]
    ceiling = scored.known.reindex(judged["vehicle_id"]).fillna(0.0)
    wheels = wheel_answers(table)
    return [
        Figure("vehicles judged", len(judged), digits=0),
        Figure("  faulty, showed in three events or more", judged["faulty"].sum(), digits=0),
        Figure("  faulty but shown less: left out", (~table["shown"]).sum(), digits=0),
        Figure("  shown, but no channel records it: left out", (table["shown"] & ~table["judged"]).sum(), digits=0),
        Figure("average precision of the rank", average_precision_score(judged["faulty"], -judged["rank"]), 0.90),
        Figure("  with those that no channel records", average_precision_score(wider["faulty"], -wider["rank"])),
        Figure("  ceiling: the day it began is known", average_precision_score(judged["faulty"], ceiling)),
        Figure("faulty vehicles found (priority watch or sooner)", judged.loc[judged["faulty"], "found"].mean()),
        Figure("healthy vehicles with such a priority", judged.loc[~judged["faulty"], "priority"].isin(FOUND).mean()),
        Figure("right leading indicator, of those found", found["right"].mean(), 0.85),
        Figure("right wheel, of those with the right indicator", float(np.mean(wheels)) if wheels else np.nan, 0.90),
        Figure("healthy with harsh drivers or slippery routes", alone.sum(), digits=0),
        Figure("  of these among the first 15 %", (alone & first).sum() / max(1, alone.sum()), 0.03, "low"),
    ]


def driver_figures(scored: Scored) -> list[Figure]:
    """The rates of the drivers."""
    true = pd.DataFrame(scored.truth["drivers"])
    true = true.rename(columns={name: f"{name}_true" for name in ("hard_stops", "incidents", "distance_km", "depot")})
    table = true.merge(scored.drivers, on="driver_id")
    table = table[table["adjusted_hard_stops_per_1000km"].notna()]
    rate = table["rate_per_1000km"]

    def agrees(values: pd.Series) -> float:
        return float(spearmanr(values, rate).statistic)

    adjusted = agrees(table["adjusted_hard_stops_per_1000km"])
    best = agrees(known_environment(table))
    covers = (table["adjusted_low"] <= rate) & (rate <= table["adjusted_high"])
    counted = table["hard_stops"].sum() / max(1, table["hard_stops_true"].sum())
    raw = agrees(table["hard_stops_per_1000km"])
    return [
        Figure("drivers with a rate", len(table), digits=0),
        Figure("hard stops counted over true ones", counted),
        Figure("Spearman with the true rate: raw rate", raw),
        Figure("  adjusted rate (target: above the raw one)", adjusted, raw),
        Figure("  ceiling: perfect counts, environment known", best),
        Figure("  ceiling less adjusted", best - adjusted, 0.03, "low"),
        Figure("90 % intervals that hold the true rate", covers.mean(), 0.85, "within", 0.95),
        Figure("adjusted over true rate, median", float((table["adjusted_hard_stops_per_1000km"] / rate).median())),
    ]


def known_environment(table: pd.DataFrame) -> pd.Series:
    """Rate of each driver from the true incidents and the true environment, drawn towards the true mean."""
    rate = table["rate_per_1000km"]
    size = table["hard_stops_true"].sum() / table["incidents_true"].sum()  # stops an incident
    exposure = table["exposure_1000km"] / size
    shape = rate.mean() ** 2 / rate.var()
    return (table["incidents_true"] + shape) / (exposure + shape / rate.mean())


def calibration(table: pd.DataFrame) -> pd.DataFrame:
    """By bin of the probability ``1 - health_score / 100``: vehicles, mean probability, share faulty."""
    scored = table[table["p"].notna()]
    place = pd.cut(scored["p"], BINS, include_lowest=True)
    grouped = scored.groupby(place, observed=True).agg(
        vehicles=("p", "size"), said=("p", "mean"), faulty=("faulty", "mean")
    )
    return grouped.reset_index(names="bin")


def calibration_figures(scored: Scored) -> list[Figure]:
    """Brier score, beside that of saying the share of faulty vehicles of everybody."""
    table = vehicles(scored)
    table = table[table["p"].notna()]
    base = table["faulty"].mean()
    return [
        Figure("vehicles with a score, any fault counts", len(table), digits=0),
        Figure("mean probability said", table["p"].mean()),
        Figure("share faulty", base),
        Figure("Brier score", float(((table["p"] - table["faulty"]) ** 2).mean())),
        Figure("  of saying the share of everybody", base * (1.0 - base)),
    ]

"""A ranking that knows the day on which the fault began, from the published tables by simple statistics.

For a sound vehicle the day is drawn from the same distribution. Of each quantity the events after the day are compared
with those before (too few of them: with the vehicles of its category), in standard errors; the greatest of all
quantities, each on the scale of what the fleet shows in it, ranks the vehicle. It is no bound in the strict sense: a
ranking that makes more of the same events can pass it.
"""

from typing import Any

import numpy as np
import pandas as pd

LEAST_BEFORE = 6
#: Spread between sound vehicles that more events do not average out, as a share of the spread of single events.
BETWEEN = 0.25


def observations(events: pd.DataFrame, wheels: pd.DataFrame) -> pd.DataFrame:
    """Long table: ``vehicle_id``, ``quantity``, ``place`` (wheel or axle), ``event_id``, ``on_day``, ``group``, ``x``.

    ``x`` is signed so that greater is worse; an axle's two sides come once with either sign.
    """
    e = events[events["not_braking"].isna()].copy()
    at_limit = e[["friction_used_up", "modulation", "lockup"]].fillna(False).astype(bool).any(axis=1)
    mass = e["gross_mass_kg"] / e["max_mass_kg"]
    log = -np.log(e["effectiveness"].where(e["effectiveness"] > 0) * mass.fillna(1.0))
    light = e["friction_used"] < 0.3
    modulated = e["modulation"].astype("boolean").astype(float).where(light)
    known = (e["surface"] != "snow_or_ice") & (e["surface"] != "split") & (e["surface"] != "loose")
    cycled = e["modulation"].astype("boolean").fillna(False).astype(bool)
    locked = (e["lockup_above_cutoff"].astype("boolean").fillna(False).astype(bool) & ~cycled).astype(float)
    quantities = {
        "effectiveness": log.where(~at_limit),
        "build_up": e["build_up_s"],
        "fade": -e["effectiveness_change"].where(~at_limit),
        "light_modulation": modulated.where(known),
        "lockup": locked.where(e["surface"] != "loose"),
    }
    base = e[["vehicle_id", "event_id", "on_day"]].assign(
        group=e["category"].astype(str) + e["demand_kind"].astype(str) + mass.notna().astype(str), place=""
    )
    pieces = [base.assign(quantity=name, x=values) for name, values in quantities.items()]
    w = wheels.drop(columns="vehicle_id").merge(base.drop(columns="place"), on="event_id")
    w["place"] = w["wheel"]
    pieces += [*_sides(w), *_drag(w), w.assign(quantity="dropout", x=(w["dropout_s"] > 0.1).astype(float))]
    columns = ["vehicle_id", "quantity", "place", "event_id", "on_day", "group", "x"]
    return pd.concat([p[columns] for p in pieces]).dropna(subset=["x"])


def _sides(w: pd.DataFrame) -> list[pd.DataFrame]:
    w = w[w["steady_slip"] > -0.01].assign(axle=w["wheel"].str[0], side=w["wheel"].str[1])
    axle = w.pivot_table(
        index=["event_id", "vehicle_id", "on_day", "group", "axle"], columns="side", values="steady_slip"
    )
    axle = axle.dropna().reset_index()
    level = np.maximum(axle["L"], axle["R"]).clip(lower=0.003)
    x = (axle["R"] - axle["L"]) / level
    made = axle.rename(columns={"axle": "place"})
    return [
        made.assign(quantity="imbalance", x=sign * x, place=made["place"] + side)
        for side, sign in (("L", 1), ("R", -1))
    ]


def _drag(w: pd.DataFrame) -> list[pd.DataFrame]:
    slip = w.dropna(subset=["released_slip"])
    sums = slip.groupby("event_id")["released_slip"].agg(["sum", "size"]).reindex(slip["event_id"]).to_numpy()
    others = (sums[:, 0] - slip["released_slip"]) / (sums[:, 1] - 1).clip(1)
    return [slip.assign(quantity="drag", x=slip["released_slip"] - others)]


def rank_by_known_day(
    truth: dict[str, Any], events: pd.DataFrame, wheels: pd.DataFrame, names: list[str]
) -> np.ndarray:
    """Suspicion of each vehicle of ``names``, greater = more suspect."""
    seen = observations(events, wheels)
    seen["on_day"] = pd.to_datetime(seen["on_day"])
    days, since = _days(truth, names)
    seen = seen[seen["vehicle_id"].isin(names)]
    seen = seen[seen["on_day"] >= seen["vehicle_id"].map(since)]
    after = seen["on_day"] >= seen["vehicle_id"].map(days)
    key = ["quantity", "place", "vehicle_id"]
    a = seen[after].groupby(key)["x"].agg(["mean", "size"])
    b = seen[~after].groupby(key)["x"].agg(["mean", "size"]).reindex(a.index)
    spread = seen.groupby("quantity")["x"].agg(lambda x: _scale(x.to_numpy()))
    peers = seen.groupby(["quantity", "place", "group"])["x"].transform("median")
    level = peers.groupby([seen[k] for k in key]).median().reindex(a.index)
    own = (b["size"] >= LEAST_BEFORE).to_numpy()
    s = spread.reindex(a.index.get_level_values("quantity")).to_numpy()
    doubt = np.where(own, 1.0 / b["size"].fillna(1.0), 1.0)
    z = (a["mean"] - np.where(own, b["mean"], level)) / (s * np.sqrt(1.0 / a["size"] + doubt + BETWEEN**2))
    # each quantity on its own scale: what one vehicle in twenty shows by chance; a kind of fault is rarer than that
    worst = z.groupby(["quantity", "vehicle_id"]).max()
    scale = worst.groupby("quantity").transform(lambda v: max(float(v.quantile(0.93)), 0.5))
    best = (worst / scale).groupby("vehicle_id").max()
    return best.reindex(names).fillna(0.0).to_numpy()


def _scale(x: np.ndarray) -> float:
    """Spread of single events; of yes and no that of a share."""
    if set(np.unique(x)) <= {0.0, 1.0}:
        p = max(float(x.mean()), 0.002)
        return float(np.sqrt(p * (1.0 - p)))
    low, high = np.quantile(x, (0.16, 0.84))
    return max(0.5 * float(high - low), 1e-9)


def _days(truth: dict[str, Any], names: list[str]) -> tuple[dict[str, pd.Timestamp], dict[str, pd.Timestamp]]:
    """By vehicle: the day that is known, and the day of its last repair, before which nothing counts."""
    rng = np.random.default_rng([truth["seed"], 801_000])
    begins = [f["begin"] for f in truth["faults"]]
    first = pd.Timestamp("2000-01-01")
    days = {name: pd.Timestamp(begins[int(rng.integers(len(begins)))]) for name in names}
    since = dict.fromkeys(names, first)
    for fault in sorted(truth["faults"], key=lambda f: f["showed"]):
        name = fault["vehicle_id"]
        if name not in days:
            continue
        if fault["end"] is not None and fault["end"] <= truth["as_of"]:
            since[name] = max(since[name], pd.Timestamp(fault["end"]))
        else:
            days[name] = pd.Timestamp(fault["begin"])
    return days, since

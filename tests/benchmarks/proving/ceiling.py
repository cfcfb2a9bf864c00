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
#: Spread that more events do not average out, as a share of the spread of single events: of one vehicle from time to
#: time, and between vehicles.
BETWEEN, PEER_DOUBT = 0.2, 0.6
YES_NO = ("light_modulation", "lockup", "dropout")
SHARE_WEIGHT = 4.0  # events with the fleet's share, added to a vehicle's own
LEAST_SCALE = 1.5  # standard errors


def observations(events: pd.DataFrame, wheels: pd.DataFrame) -> pd.DataFrame:
    """Long table: ``vehicle_id``, ``quantity``, ``place`` (wheel or axle), ``event_id``, ``on_day``, ``group``, ``x``.

    ``x`` is signed so that greater is worse; an axle's two sides come once with either sign.
    """
    e = events[events["not_braking"].isna()].copy()
    at_limit = e[["friction_used_up", "modulation", "lockup"]].fillna(False).astype(bool).any(axis=1)
    mass = e["gross_mass_kg"] / e["max_mass_kg"]
    log = -np.log(e["effectiveness"].where(e["effectiveness"] > 0) * mass.fillna(1.0))
    e["emergency"] = e["emergency_application"].astype("boolean").fillna(False).astype(bool)
    quantities = {
        "effectiveness": log.where(~at_limit),
        "build_up": e["build_up_s"],
        "fade": -e["effectiveness_change"].where(~at_limit),
        "light_modulation": _lightly(e),
    }
    base = e[["vehicle_id", "event_id", "on_day", "emergency", "surface", "abs_fitted", "cutoff_speed_mps"]].assign(
        group=e["category"].astype(str) + e["demand_kind"].astype(str) + mass.notna().astype(str), place=""
    )
    pieces = [base.assign(quantity=name, x=values) for name, values in quantities.items()]
    w = wheels.drop(columns="vehicle_id").merge(base.drop(columns="place"), on="event_id")
    w["place"] = w["wheel"]
    pieces += [*_sides(w), *_drag(w), _locked(w), w.assign(quantity="dropout", x=(w["dropout_s"] > 0.1).astype(float))]
    columns = ["vehicle_id", "quantity", "place", "event_id", "on_day", "group", "x"]
    return pd.concat([p[columns] for p in pieces]).dropna(subset=["x"])


def _lightly(e: pd.DataFrame) -> pd.Series:
    """Modulation in light braking, over the share that the depot's other vehicles had on the day."""
    light = (e["friction_used"] < 0.3) & ~e["emergency"] & ~e["surface"].isin(["split", "loose"]) & e["abs_fitted"]
    hit = e["modulation"].astype("boolean").astype(float).where(light)
    place = [e["depot"], e["on_day"]]
    all_hits, all_events = hit.groupby(place).transform("sum"), hit.groupby(place).transform("count")
    own = [e["vehicle_id"], e["on_day"]]
    others = all_events - hit.groupby(own).transform("count")
    share = (all_hits - hit.groupby(own).transform("sum")) / others.clip(lower=1)
    return hit.where(share < 0.1)


def _locked(w: pd.DataFrame) -> pd.DataFrame:
    """A wheel locked above the cut-off speed without cycles, in emergency applications of vehicles with control."""
    asked = w[w["abs_fitted"] & (w["surface"] != "loose") & w["emergency"] & w["lockup"].notna()]
    fast = asked["lockup_speed_mps"] > asked["cutoff_speed_mps"]
    hit = asked["lockup"].astype(bool) & fast & ~(asked["modulation_cycles"] >= 2)
    return asked.assign(quantity="lockup", x=hit.astype(float))


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
    since_day = seen["vehicle_id"].map(days)
    best = pd.Series(0.0, index=names)
    # all that came after the day, and its newer half: some faults grow
    for share in (0.0, 0.5):
        begin = since_day + share * (seen["on_day"].max() - since_day)
        best = np.maximum(best, _suspicion(seen, begin, since_day).reindex(names).fillna(0.0))
    return best.to_numpy()


def _suspicion(seen: pd.DataFrame, begin: pd.Series, known: pd.Series) -> pd.Series:
    """By vehicle: the greatest deviation from ``begin`` on, against the time before the ``known`` day or the peers."""
    key = ["quantity", "place", "vehicle_id"]
    a = seen[seen["on_day"] >= begin].groupby(key)["x"].agg(["mean", "size"])
    b = seen[seen["on_day"] < known].groupby(key)["x"].agg(["mean", "size"]).reindex(a.index)
    yes_no = a.index.get_level_values("quantity").isin(YES_NO)
    peers = [seen["quantity"], seen["place"], seen["group"]]
    level = seen["x"].groupby(peers).transform("median").groupby([seen[k] for k in key]).median().reindex(a.index)
    share = seen.groupby("quantity")["x"].mean().reindex(a.index.get_level_values("quantity")).to_numpy()
    level = np.where(yes_no, share, level)
    own = (b["size"] >= LEAST_BEFORE).to_numpy()
    residual = seen["x"] - seen.groupby(key)["x"].transform("median")
    spread = residual.groupby(seen["quantity"]).agg(lambda x: _scale(x.to_numpy()))
    s = spread.reindex(a.index.get_level_values("quantity")).to_numpy()
    whole = seen.groupby(key)["x"].agg(["sum", "size"]).reindex(a.index)
    p = (whole["sum"] + SHARE_WEIGHT * np.maximum(share, 0.002)) / (whole["size"] + SHARE_WEIGHT)
    s = np.where(yes_no, np.sqrt(np.clip(p * (1.0 - p), 0.0, None)), s)
    doubt = np.where(own, 1.0 / b["size"].fillna(1.0), np.where(yes_no, 0.0, PEER_DOUBT**2))
    between = np.where(yes_no, 0.0, BETWEEN**2)
    z = (a["mean"] - np.where(own, b["mean"], level)) / (s * np.sqrt(1.0 / a["size"] + doubt + between))
    # each quantity on its own scale: what one vehicle in twenty shows by chance; a kind of fault is rarer than that
    worst = z.groupby(["quantity", "vehicle_id"]).max()
    scale = worst.groupby("quantity").transform(lambda v: max(float(v.quantile(0.93)), LEAST_SCALE))
    return (worst / scale).groupby("vehicle_id").max()


def _scale(x: np.ndarray) -> float:
    """Spread of single events about their vehicle's median, robust."""
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

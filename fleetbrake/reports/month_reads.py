"""Typed reads of the published monthly figures: one month's sums, its days, and the months before with intervals."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

import pandas as pd

from fleetbrake.reports import look
from fleetbrake.reports.monthly.month_data import period
from fleetbrake.reports.source import frame
from fleetbrake.scoring.rates import exact_interval

#: What a trend is drawn of: column of ``month_figures`` -> words.
MEASURES: Final = {
    "hard_stops": "hard stops",
    "modulation": "applications with modulation",
    "lockups_above_cutoff": "lockups above the cut-off speed",
}
#: By what a trend can be split.
SPLITS: Final = {"depot": "depot", "category": "category"}
MONTHS_BACK: Final = 12
LEVEL: Final = 0.90
_NO_NAME = "not known"
_LOOSE = "on loose ground, where a locked wheel can stop shorter: no sign of a fault by itself."
_SUMMED = (
    "vehicles", "events", "not_braking", "hard_stops", "hard_stops_unknown", "modulation", "modulation_unknown",
    "lockups", "lockups_unknown", "lockups_above_cutoff", "lockups_above_cutoff_unknown",
)  # fmt: skip


@dataclass(frozen=True)
class Chosen:
    """Which part of the fleet: depots and categories, none named = all; "not known" stands for those without one."""

    depots: tuple[str, ...] = ()
    categories: tuple[str, ...] = ()

    def where(self) -> tuple[str, list[object]]:
        """SQL condition on the columns depot and category, and its parameters."""
        parts: list[str] = []
        values: list[object] = []
        for column, names in (("depot", self.depots), ("category", self.categories)):
            if names:
                parts.append(f"list_contains(?, coalesce({column}, '{_NO_NAME}'))")
                values.append(list(names))
        return " AND ".join(parts) or "true", values


ALL: Final = Chosen()


@dataclass(frozen=True)
class MonthSums:
    """Counts of one month for the chosen part; ``*_unknown``: could not be observed, and in no other count."""

    vehicles: int
    events: int
    not_braking: int
    hard_stops: int
    hard_stops_unknown: int
    modulation: int
    modulation_unknown: int
    lockups: int
    lockups_unknown: int
    lockups_above_cutoff: int
    lockups_above_cutoff_unknown: int
    distance_km: float | None


def months(store: Path) -> list[str]:
    """Months in UTC with events, ``YYYY-MM``, newest first."""
    found = frame(store, "SELECT DISTINCT month FROM month_figures WHERE events > 0 ORDER BY month DESC")
    return [str(m) for m in found["month"]]


def newest_begun(months: Sequence[str], today: date) -> str:
    """The newest of some months (newest first, at least one) that has begun; the next to come where none has.

    A recorder's clock that runs ahead makes a month of its own, which nobody asks for.
    """
    return next((month for month in months if month <= f"{today:%Y-%m}"), months[-1])


def parts(store: Path) -> tuple[list[str], list[str]]:
    """Depots and categories that any month knows, "not known" last."""
    names = []
    for column in SPLITS:
        found = frame(
            store,
            f"SELECT DISTINCT coalesce({column}, '{_NO_NAME}') AS name, {column} IS NULL AS open FROM month_figures "  # noqa: S608 - own names
            "ORDER BY open, name",
        )
        names.append([str(n) for n in found["name"]])
    return names[0], names[1]


def sums(store: Path, month: str, chosen: Chosen = ALL) -> MonthSums:
    """The month's counts and kilometres; zeros where the part has no events. InputError for what is no month."""
    where, values = chosen.where()
    listed = ", ".join(f"coalesce(sum({name}), 0) AS {name}" for name in _SUMMED)
    row = frame(
        store,
        f"SELECT {listed}, sum(distance_km ORDER BY depot, category) AS distance_km FROM month_figures "  # noqa: S608 - own names
        f"WHERE month = ? AND {where}",
        [period(month).month, *values],
    ).iloc[0]
    km = row["distance_km"]
    return MonthSums(**{name: int(row[name]) for name in _SUMMED}, distance_km=None if pd.isna(km) else float(km))


def trend(
    store: Path, month: str, measure: str, split: str | None = None, chosen: Chosen = ALL, back: int = MONTHS_BACK
) -> pd.DataFrame:
    """The last ``back`` months up to and with ``month``, a row each (and part, if split).

    The first month is the first of which any part has data; later ones without data are there.

    Columns: month, part ("" unsplit), events, unknown, count, on_km, km, and value, low, high: per 1000 km with its
    exact 90 % Poisson interval where kilometres are known in any of the months of that part (NaN in those without),
    else the count with its own; ``per_distance`` says which. The interval knows chance only, as if no event brought
    another one.
    """
    if measure not in MEASURES or (split is not None and split not in SPLITS):
        raise KeyError(measure if measure not in MEASURES else split)
    where, values = chosen.where()
    part = f"coalesce({split}, '{_NO_NAME}')" if split else "''"
    braking = {"events": "events - not_braking", "unknown": f"{measure}_unknown - not_braking"}
    columns = braking | {"count": measure, "on_km": f"{measure}_on_km"}
    # a sum of whole numbers is wider than they are, and no number any more where a chart reads it
    counts = ", ".join(f"CAST(sum({name}) AS BIGINT) AS {called}" for called, name in columns.items())
    wanted = [str(p) for p in pd.period_range(end=period(month).month, periods=back, freq="M")]
    found = frame(
        store,
        f"SELECT month, {part} AS part, {counts}, sum({measure}_km ORDER BY depot, category) AS km "  # noqa: S608 - own names
        f"FROM month_figures WHERE list_contains(?, month) AND {where} GROUP BY ALL ORDER BY part, month",
        [wanted, *values],
    )
    first = found["month"].min() if len(found) else month
    return _with_rates(_every_month(found, [m for m in wanted if m >= first]))


def _every_month(found: pd.DataFrame, wanted: Sequence[str]) -> pd.DataFrame:
    """A row for every month of every part; without data the counts are missing, not 0."""
    named = sorted(set(found["part"]), key=lambda name: (name == _NO_NAME, name))
    full = pd.MultiIndex.from_product([named, wanted], names=["part", "month"]).to_frame(index=False)
    return full.merge(found, on=["part", "month"], how="left")


def _with_rates(rows: pd.DataFrame) -> pd.DataFrame:
    km = rows["km"].where(rows["km"] > 0)
    known = km.notna().groupby(rows["part"]).transform("any")
    counts = rows["on_km"].where(known, rows["count"]).astype("Float64").to_numpy(dtype=float, na_value=float("nan"))
    # a month in which nothing could be observed has no rate and no count to draw
    seen = (rows["events"] > rows["unknown"]).fillna(False).to_numpy(dtype=bool)
    scale = (1000.0 / km).where(known, 1.0).where(seen)
    low, high = exact_interval(counts, level=LEVEL)
    return rows.assign(value=counts * scale, low=low * scale, high=high * scale, per_distance=known)


def days(store: Path, month: str, chosen: Chosen = ALL) -> pd.DataFrame:
    """Events of each day by class: day (01 to 31), shows (a word of :data:`look.EVENT_SHOWS`), events.

    An event counts in every class that it shows, so that a class adds up to its number of the month.
    """
    of = period(month)
    where, values = chosen.where()
    words = [word for word, _, _ in look.EVENT_SHOWS]
    classes = " UNION ALL ".join(
        f"SELECT day, ? AS shows, count(*) FILTER ({column}) AS events FROM found GROUP BY day"  # noqa: S608 - own names
        for column in look.EVENT_CLASSES
    )
    return frame(
        store,
        "WITH found AS (SELECT *, strftime(started_at, '%d') AS day FROM events "  # noqa: S608 - own names
        f"WHERE started_at >= ? AND started_at < ? AND {where}) "
        f"SELECT * FROM ({classes}) WHERE events > 0 ORDER BY day, shows",
        [of.start, of.stop, *values, *words[: len(look.EVENT_CLASSES)]],
    )


def on_loose_ground(store: Path, month: str, chosen: Chosen = ALL) -> int:
    """Lockups above the cut-off speed on loose ground, where a locked wheel can stop a vehicle shorter."""
    where, values = chosen.where()
    found = frame(
        store,
        "SELECT coalesce(sum(lockups_above_cutoff), 0) AS lockups FROM month_surfaces "  # noqa: S608 - own names
        f"WHERE month = ? AND surface = 'loose' AND {where}",
        [period(month).month, *values],
    )
    return int(found["lockups"].iloc[0])


def loose_words(lockups: int, on_loose: int) -> str:
    """How many of the lockups above the cut-off speed say nothing of a vehicle, in a sentence."""
    if not on_loose:
        return f"None of the {lockups:,} above the cut-off was on loose ground." if lockups else ""
    return f"{on_loose:,} of the {lockups:,} above the cut-off {_LOOSE}"


def unobserved(told: MonthSums) -> str:
    """What could not be observed of the brake applications, and how many other events there are, in a sentence."""
    named: Iterable[tuple[str, int]] = (
        ("hard stop", told.hard_stops_unknown),
        ("modulation", told.modulation_unknown),
        ("lockup", told.lockups_unknown),
        ("whether a lockup was above the cut-off speed", told.lockups_above_cutoff_unknown),
    )
    listed = ", ".join(f"{name} in {count - told.not_braking:,}" for name, count in named)
    said = f"Could not be observed: {listed} of {told.events - told.not_braking:,} brake applications"
    return f"{said}{other_events(told.not_braking)}."


def other_events(count: int) -> str:
    """How many events beside the brake applications there are, as the end of a sentence; nothing without any."""
    if not count:
        return ""
    are = "event is no brake application" if count == 1 else "events are no brake applications"
    return f"; {count:,} more {are} (standstill, test bench, reversing)"

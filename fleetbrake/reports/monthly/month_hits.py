"""What the month's inspections found against what was predicted: the tool's own hit rate, from ``inspection_outcomes``.

Only scores that were made before an inspection count as predictions. Where none was, one worked out afterwards, with
nothing known from its day or later, is told in figures of its own.
"""

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Final

import pandas as pd
import pyarrow as pa

from fleetbrake.reports.monthly.month_data import Period
from fleetbrake.reports.monthly.month_rates import LEVEL, as_table, months_up_to
from fleetbrake.reports.source import frame
from fleetbrake.scoring.learning_quality import share_with_interval

#: Inspections under which a share says hardly anything (own choice: of one half the 90 % interval is 0.25 to 0.75).
FEW: Final = 12
SPANS: Final = ("month", "last_12_months")

_Rule = Callable[[pd.DataFrame], pd.Series]


def _true(rows: pd.DataFrame, column: str) -> pd.Series:
    return rows[column].fillna(False).astype(bool)


def _predicted(rows: pd.DataFrame) -> pd.Series:
    """A list stood at the time."""
    return rows["flagged"].notna() & _true(rows, "made_before")


def _afterwards(rows: pd.DataFrame) -> pd.Series:
    """What the list would have been: worked out after the inspection."""
    return rows["flagged"].notna() & ~_true(rows, "made_before")


def _flagged(rows: pd.DataFrame) -> pd.Series:
    return _predicted(rows) & _true(rows, "flagged")


def _known(rows: pd.DataFrame) -> pd.Series:
    return _predicted(rows) & ~_true(rows, "flagged") & _true(rows, "known_before")


def _quiet(rows: pd.DataFrame) -> pd.Series:
    return _predicted(rows) & ~_true(rows, "flagged") & ~_true(rows, "known_before")


def _quiet_as(priority: str) -> _Rule:
    return lambda rows: _quiet(rows) & (rows["predicted_priority"] == priority)


def _told(column: str) -> _Rule:
    return lambda rows: _predicted(rows) & rows[column].notna()


#: Figure -> which inspections it rests on, the column of what held in them, and the sentence.
_FIGURES: Final[dict[str, tuple[_Rule, str, str]]] = {
    "inspected": (lambda r: r["found"].notna(), "found", "of {n} inspections {k} found a defect that needs repair"),
    "flagged": (
        _flagged,
        "found",
        "of {n} that the recordings had flagged before, {k} had a defect that needs repair",
    ),
    "flagged_known": (
        lambda r: _flagged(r) & _true(r, "known_before"),
        "found",
        "part of these on which something reported or found was open too: {k} of {n} had a defect",
    ),
    "flagged_minor": (
        lambda r: _flagged(r) & ~_true(r, "found"),
        "minor_same_kind",
        "of {n} flagged without a defect that needs repair, {k} had a minor finding of the kind named",
    ),
    "not_flagged": (
        _quiet,
        "found",
        "of {n} that had not been flagged, {k} had a defect that needs repair: missed",
    ),
    "not_flagged_watched": (_quiet_as("watch"), "found", "part of these that were watched only: {k} of {n} missed"),
    "not_flagged_no_sign": (_quiet_as("no_sign"), "found", "part of these without any sign: {k} of {n} missed"),
    "not_flagged_too_little_evidence": (
        _quiet_as("too_little_evidence"),
        "found",
        "part of these with too little evidence for a score: {k} of {n} missed",
    ),
    "defects_flagged": (
        lambda r: _predicted(r) & ~_true(r, "known_before") & _true(r, "found"),
        "flagged",
        "of {n} defects found where a score stood before and nobody knew of one, {k} had been flagged",
    ),
    "right_indicator": (
        _told("right_indicator"),
        "right_indicator",
        "of {n} flagged with a named defect, {k} had the one that the leading indicator names",
    ),
    "right_wheel": (
        _told("right_wheel"),
        "right_wheel",
        "of {n} flagged with a defect where both name a wheel, {k} had it at the wheel named",
    ),
    "known_before": (
        _known,
        "found",
        "of {n} not flagged on which something reported or found was open, {k} had a defect: no merit of the tool",
    ),
    "afterwards_flagged": (
        lambda r: _afterwards(r) & _true(r, "flagged"),
        "found",
        "no predictions: of {n} that scores worked out afterwards flag, {k} had a defect that needs repair",
    ),
    "afterwards_not_flagged": (
        lambda r: _afterwards(r) & ~_true(r, "flagged"),
        "found",
        "no predictions: of {n} that scores worked out afterwards do not flag, {k} had a defect that needs repair",
    ),
    "not_predicted": (
        lambda r: r["flagged"].isna(),
        "found",
        "of {n} without a score from before them, {k} had a defect: neither hit nor miss",
    ),
}
#: Inspections whose rows do not say whether a defect was found: counted, and in no other figure.
_OPEN_FIGURE: Final = "result_not_told"
_OPEN_TEXT: Final = "{n} inspections whose entry does not say what was found: in no other figure"
#: Inspections in the registers that no run of scoring has read yet.
_NOT_JUDGED: Final = "not_judged"
_NOT_JUDGED_TEXT: Final = "{n} inspections on file that are not judged yet (run `fleetbrake score`): in no other figure"
_COLUMNS: Final = ("figure", "inspected", "found", "share", "share_low", "share_high", "meaning")


def hit_rate(store: Path, of: Period) -> pa.Table:
    """Table ``hit_rate``: each figure for the month and for the twelve months up to and with it."""
    rows = outcomes(store, of)
    rows["day"] = pd.to_datetime(rows["inspected_on"])
    since = {"month": of.days[0], "last_12_months": first_day_of_span(of)}
    told = [
        figures_of(
            rows[rows["day"] >= pd.Timestamp(since[span])].reset_index(drop=True),
            not_judged(store, since[span], of.days[1]),
        ).assign(span=span)
        for span in SPANS
    ]
    return as_table("hit_rate", pd.concat(told, ignore_index=True))


def not_judged(store: Path, first: date, stop: date) -> int:
    """Inspections (a vehicle and day) of the registers from ``first`` to before ``stop`` that have no outcome yet."""
    found = frame(
        store,
        "SELECT count(*) AS n FROM (SELECT DISTINCT vehicle_id, inspected_on FROM inspections "
        "WHERE inspected_on >= ? AND inspected_on < ? AND vehicle_id IS NOT NULL) AS i "
        "ANTI JOIN inspection_outcomes AS o ON o.vehicle_id = i.vehicle_id AND o.inspected_on = i.inspected_on",
        [first, stop],
    )
    return int(found["n"].iloc[0])


def outcomes(store: Path, of: Period) -> pd.DataFrame:
    """Inspections of the twelve months up to and with the reported one, by day and vehicle."""
    return frame(
        store,
        "SELECT inspected_on, found, predicted_priority, made_before, flagged, known_before, right_indicator, "
        "right_wheel, minor_same_kind "
        "FROM inspection_outcomes WHERE inspected_on >= ? AND inspected_on < ? ORDER BY inspected_on, vehicle_id",
        [first_day_of_span(of), of.days[1]],
    )


def first_day_of_span(of: Period) -> date:
    """First day of the twelve months up to and with the reported one."""
    return pd.Period(months_up_to(of)[0], "M").start_time.date()


def figures_of(rows: pd.DataFrame, waiting: int = 0) -> pd.DataFrame:
    """A row a figure from inspections as :func:`outcomes` gives them; shares with exact 90 % binomial intervals.

    ``waiting`` : inspections on file that are not judged yet.
    """
    told = rows["found"].notna()
    table = [_figure(name, rows[told]) for name in _FIGURES]
    for name, text, count in (
        (_OPEN_FIGURE, _OPEN_TEXT, int((~told).sum())),
        (_NOT_JUDGED, _NOT_JUDGED_TEXT, waiting),
    ):
        said = text.format(n=f"{count:,}")
        table.append((name, count, None, None, None, None, f"{said}."))
    return pd.DataFrame(table, columns=list(_COLUMNS))


def _figure(name: str, rows: pd.DataFrame) -> tuple[object, ...]:
    chosen, column, text = _FIGURES[name]
    held = rows.loc[chosen(rows), column].fillna(False).astype(bool)
    inspected, found = len(held), int(held.sum())
    share = share_with_interval(found, inspected, LEVEL) if inspected else (None, None, None)
    return (name, inspected, found, *share, _sentence(text, inspected, found))


def _sentence(text: str, inspected: int, found: int) -> str:
    said = text.format(n=f"{inspected:,}", k=f"{found:,}")
    if not inspected:
        return f"{said[:1].upper()}{said[1:]}."
    few = f" Few: fewer than {FEW}, so that the share says hardly anything" if inspected < FEW else ""
    return f"{said[:1].upper()}{said[1:]}.{few}{'.' if few else ''}"

"""What the month's inspections found against what was predicted: the tool's own hit rate, from ``inspection_outcomes``.

Only scores that stood before an inspection, with nothing known from its day or later, count as predictions.
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


def _flagged(rows: pd.DataFrame) -> pd.Series:
    return rows["flagged"].fillna(False).astype(bool)


def _known(rows: pd.DataFrame) -> pd.Series:
    return rows["known_before"].fillna(False).astype(bool)


def _predicted(rows: pd.DataFrame) -> pd.Series:
    return rows["flagged"].notna()


def _quiet(rows: pd.DataFrame) -> pd.Series:
    return _predicted(rows) & ~_flagged(rows) & ~_known(rows)


def _quiet_as(priority: str) -> _Rule:
    return lambda rows: _quiet(rows) & (rows["predicted_priority"] == priority)


def _told(column: str) -> _Rule:
    return lambda rows: rows[column].notna()


#: Figure -> which inspections it rests on, the column of what held in them, and the sentence.
_FIGURES: Final[dict[str, tuple[_Rule, str, str]]] = {
    "inspected": (lambda r: r["found"].notna(), "found", "of {n} inspections {k} found a defect that needs repair"),
    "flagged": (
        _flagged,
        "found",
        "of {n} that the recordings had flagged before, {k} had a defect that needs repair",
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
        lambda r: (_flagged(r) | _quiet(r)) & r["found"].fillna(False).astype(bool),
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
        "of {n} asked for only by what people had already reported or found, {k} had a defect: no merit of the tool",
    ),
    "not_predicted": (
        lambda r: ~_predicted(r),
        "found",
        "of {n} without a score from before them, {k} had a defect: neither hit nor miss",
    ),
}
#: Inspections whose rows do not say whether a defect was found: counted, and in no other figure.
_OPEN_FIGURE: Final = "result_not_told"
_OPEN_TEXT: Final = "{n} inspections whose entry does not say what was found: in no other figure"
_COLUMNS: Final = ("figure", "inspected", "found", "share", "share_low", "share_high", "meaning")


def hit_rate(store: Path, of: Period) -> pa.Table:
    """Table ``hit_rate``: each figure for the month and for the twelve months up to and with it."""
    rows = outcomes(store, of)
    rows["day"] = pd.to_datetime(rows["inspected_on"])
    since = {"month": of.days[0], "last_12_months": first_day_of_span(of)}
    told = [
        figures_of(rows[rows["day"] >= pd.Timestamp(since[span])].reset_index(drop=True)).assign(span=span)
        for span in SPANS
    ]
    return as_table("hit_rate", pd.concat(told, ignore_index=True))


def outcomes(store: Path, of: Period) -> pd.DataFrame:
    """Inspections of the twelve months up to and with the reported one, by day and vehicle."""
    return frame(
        store,
        "SELECT inspected_on, found, predicted_priority, flagged, known_before, right_indicator, right_wheel "
        "FROM inspection_outcomes WHERE inspected_on >= ? AND inspected_on < ? ORDER BY inspected_on, vehicle_id",
        [first_day_of_span(of), of.days[1]],
    )


def first_day_of_span(of: Period) -> date:
    """First day of the twelve months up to and with the reported one."""
    return pd.Period(months_up_to(of)[0], "M").start_time.date()


def figures_of(rows: pd.DataFrame) -> pd.DataFrame:
    """A row a figure from inspections as :func:`outcomes` gives them; shares with exact 90 % binomial intervals."""
    told = rows["found"].notna()
    table = [_figure(name, rows[told]) for name in _FIGURES]
    unknown = int((~told).sum())
    table.append((_OPEN_FIGURE, unknown, None, None, None, None, _sentence(_OPEN_TEXT, unknown, 0)))
    return pd.DataFrame(table, columns=list(_COLUMNS))


def _figure(name: str, rows: pd.DataFrame) -> tuple[object, ...]:
    chosen, column, text = _FIGURES[name]
    held = rows.loc[chosen(rows), column].astype(bool)
    inspected, found = len(held), int(held.sum())
    share = share_with_interval(found, inspected, LEVEL) if inspected else (None, None, None)
    return (name, inspected, found, *share, _sentence(text, inspected, found))


def _sentence(text: str, inspected: int, found: int) -> str:
    said = text.format(n=f"{inspected:,}", k=f"{found:,}")
    if not inspected:
        return f"{said[:1].upper()}{said[1:]}."
    few = f" Few: fewer than {FEW}, so that the share says hardly anything" if inspected < FEW else ""
    return f"{said[:1].upper()}{said[1:]}.{few}{'.' if few else ''}"

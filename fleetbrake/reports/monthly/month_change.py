"""Whether a month's rate differs from that of the months before: the ratio of two Poisson rates with its interval."""

from dataclasses import dataclass
from typing import Final

import pandas as pd
from scipy import stats

#: Level of every interval of a month's report.
LEVEL: Final = 0.90


@dataclass(frozen=True)
class Change:
    """One measure of one month beside the months before it.

    Attributes
    ----------
    months : months before with something observed; 0: nothing to compare with.
    before : events of the class in them.
    ratio : rate of the month over the rate of those months together; None where either cannot be told.
    low, high : its exact 90 % interval; ``high`` None where the months before had no event of the class.
    """

    months: int
    before: float
    ratio: float | None = None
    low: float | None = None
    high: float | None = None


def change(rows: pd.DataFrame) -> Change:
    """Compare the last row with the others.

    ``rows`` are the rows of ``fleet_months`` of one measure in the order of months, with ``on_exposure`` (events of
    the class on what was observed) and ``exposure`` (kilometres or applications observed; NaN where not known).

    The interval is the exact one of a share: given both counts, the month's part of them is binomial (conditional
    method, Przyborowski and Wilenski 1940; from memory). It knows chance only, as if no event brought another one.
    """
    known = rows["exposure"].fillna(0.0).astype(float) > 0
    now, before = rows[known].tail(1), rows[known & (rows.index != rows.index[-1])]
    months, events = len(before), float(before["on_exposure"].sum())
    if not months or now.index[-1] != rows.index[-1]:
        return Change(months, events)
    here, there = float(now["exposure"].iloc[0]), float(before["exposure"].sum())
    mine = float(now["on_exposure"].iloc[0])
    tail = (1.0 - LEVEL) / 2.0
    low = stats.beta.ppf(tail, mine, events + 1) if mine else 0.0
    high = stats.beta.ppf(1.0 - tail, mine + 1, events) if events else 1.0
    odds = there / here
    return Change(
        months,
        events,
        mine / events * odds if events else None,
        float(low / (1.0 - low) * odds),
        float(high / (1.0 - high) * odds) if high < 1.0 else None,
    )

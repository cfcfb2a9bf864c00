"""The ratio of a month's rate to that of the months before, against another library's exact binomial interval."""

import math

import pandas as pd
import pytest
from scipy.stats import binomtest

from fleetbrake.reports.monthly.month_change import Change, change
from fleetbrake.reports.monthly.month_pdf_parts_fleet import change_words

NAN = math.nan


def rows(counts: list[float], exposures: list[float]) -> pd.DataFrame:
    return pd.DataFrame({"on_exposure": counts, "exposure": exposures})


@pytest.mark.parametrize(
    ("counts", "exposures"),
    [([10, 12, 30], [5.0, 7.0, 6.0]), ([3, 0, 1], [900.0, 1100.0, 800.0]), ([7, 0], [2.0, 1.0])],
)
def test_ratio_and_interval_are_those_of_the_months_share(counts: list[float], exposures: list[float]) -> None:
    told = change(rows(counts, exposures))
    mine, before = int(counts[-1]), int(sum(counts[:-1]))
    odds = sum(exposures[:-1]) / exposures[-1]
    ends = binomtest(mine, mine + before).proportion_ci(0.90, method="exact")
    assert told.ratio == pytest.approx(mine / before * odds) and told.months == len(counts) - 1
    # both are the same quantiles of the beta distribution; only rounding differs
    assert told.low == pytest.approx(ends.low / (1 - ends.low) * odds, rel=1e-9)
    assert told.high == pytest.approx(ends.high / (1 - ends.high) * odds, rel=1e-9)


def test_months_without_anything_observed_are_no_months_with_nothing() -> None:
    assert change(rows([4, NAN, 0, 9], [2.0, NAN, 0.0, 3.0])) == change(rows([4, 9], [2.0, 3.0]))
    assert change(rows([4, NAN], [2.0, NAN])) == Change(1, 4.0)
    assert change(rows([9], [3.0])).months == 0


def test_words_say_chance_where_it_may_be_chance() -> None:
    assert change_words(change(rows([100, 100, 300], [1.0, 1.0, 1.0]))).startswith("Higher: 3.00 times")
    assert change_words(change(rows([100, 100, 20], [1.0, 1.0, 1.0]))).startswith("Lower: 0.20 times")
    assert change_words(change(rows([1, 2, 1], [1.0, 1.0, 1.0]))).endswith("few events.")
    assert change_words(change(rows([0, 0, 1], [1.0, 1.0, 1.0]))) == "None in the 2 months before."
    assert change_words(change(rows([3], [1.0]))) == "No month before to compare with."
    assert change_words(change(rows([3, NAN], [1.0, NAN]))) == ""

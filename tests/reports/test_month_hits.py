"""The tool's own hit rate: each inspection in one place only, exact intervals, small numbers said plainly."""

from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pytest
from builders import MONTH, build_store
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from fleetbrake.reports.monthly import month_pdf_parts_inspections as inspected
from fleetbrake.reports.monthly.month_data import period
from fleetbrake.reports.monthly.month_hits import FEW, figures_of, hit_rate
from fleetbrake.store.database import rebuilding, replace_table

#: (how many, found, priority, made before, flagged, known before, right indicator, right wheel, minor of the same kind)
CASES = (
    (9, True, "this_week", True, True, False, True, True, None),
    (2, True, "this_week", True, True, True, True, None, None),
    (1, True, "before_next_trip", True, True, False, None, False, None),
    (4, False, "next_service", True, True, False, None, None, None),
    (1, False, "next_service", True, True, False, None, None, True),
    (2, False, "next_service", True, True, False, None, None, False),
    (3, True, "watch", True, False, False, None, None, None),
    (20, False, "watch", True, False, False, None, None, None),
    (1, True, "no_sign", True, False, False, None, None, None),
    (30, False, "no_sign", True, False, False, None, None, None),
    (2, True, "too_little_evidence", True, False, False, None, None, None),
    (5, True, "watch", True, False, True, None, None, None),
    (7, True, "this_week", False, True, False, True, True, None),
    (1, False, "this_week", False, True, True, None, None, True),
    (4, True, "watch", False, False, False, None, None, None),
    (2, False, "watch", False, False, True, None, None, None),
    (6, False, None, None, None, None, None, None, None),
    (2, True, None, None, None, None, None, None, None),
    (3, None, "this_week", True, True, False, None, None, None),
)  # fmt: skip
NAMES = (
    "found", "predicted_priority", "made_before", "flagged", "known_before", "right_indicator", "right_wheel",
    "minor_same_kind",
)  # fmt: skip


def inspections(days: tuple[date, ...] = (date(2026, 1, 9),)) -> pd.DataFrame:
    rows: list[dict[str, Any]] = []
    for many, *values in CASES:
        rows += [dict(zip(NAMES, values, strict=True)) for _ in range(many)]
    frame = pd.DataFrame(rows)
    for name in NAMES:
        if name != "predicted_priority":
            frame[name] = frame[name].astype("boolean")
    numbers = range(len(frame))
    return frame.assign(
        inspected_on=[days[n % len(days)] for n in numbers],
        inspection_id=[f"i{n}" for n in numbers],
        vehicle_id=[f"v{n:03d}" for n in numbers],
    )


def test_each_figure_counts_what_it_says() -> None:
    told = figures_of(inspections(), 4).set_index("figure")
    counted = {name: (int(told["inspected"][name]), told["found"][name]) for name in told.index}
    nothing = pytest.approx(float("nan"), nan_ok=True)
    assert counted == {
        "inspected": (102, 36),
        "flagged": (19, 12),
        "flagged_known": (2, 2),
        "flagged_minor": (7, 1),
        "not_flagged": (56, 6),
        "not_flagged_watched": (23, 3),
        "not_flagged_no_sign": (31, 1),
        "not_flagged_too_little_evidence": (2, 2),
        "defects_flagged": (16, 10),
        "right_indicator": (11, 11),
        "right_wheel": (10, 9),
        "known_before": (5, 5),
        "afterwards_flagged": (8, 7),
        "afterwards_not_flagged": (6, 4),
        "not_predicted": (8, 2),
        "result_not_told": (3, nothing),
        "not_judged": (4, nothing),
    }
    apart = ("flagged", "not_flagged", "known_before", "afterwards_flagged", "afterwards_not_flagged", "not_predicted")
    assert sum(counted[name][0] for name in apart) == counted["inspected"][0], "each inspection once"
    assert sum(counted[name][1] for name in apart) == counted["inspected"][1]


def test_what_was_worked_out_afterwards_is_never_called_a_prediction() -> None:
    told = figures_of(inspections()).set_index("figure")["meaning"]
    for name in ("afterwards_flagged", "afterwards_not_flagged"):
        assert told[name].startswith("No predictions: ")
    late = inspections().assign(made_before=False)
    figures = figures_of(late).set_index("figure")["inspected"]
    predicted = ["flagged", "flagged_minor", "not_flagged", "known_before", "defects_flagged", "right_wheel"]
    assert not figures[predicted].any() and figures["afterwards_flagged"] > 0


def test_inspections_on_file_that_no_run_has_read_are_counted_and_not_denied(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    late = date(2026, 1, 30)
    on_file = pd.DataFrame(
        {
            "inspection_id": ["a", "b", "c", "d", "e"],
            "vehicle_id": ["v000", "v001", "v001", "v002", None],
            "inspected_on": [date(2026, 1, 9), late, late, date(2025, 7, 1), date(2026, 1, 9)],
            "finding": "brake_drag", "severity": 2,
        }
    )  # fmt: skip
    with rebuilding(store) as con:
        replace_table(con, "inspections", on_file)
        replace_table(con, "inspection_outcomes", inspections().head(1))
    table = hit_rate(store, period(MONTH)).to_pandas().set_index(["span", "figure"])
    waiting = {span: table.loc[(span, "not_judged"), "inspected"] for span in ("month", "last_12_months")}
    assert waiting == {"month": 1, "last_12_months": 2}, "a vehicle and day once; what is judged is not among them"
    nothing = inspected.inspections(hit_rate(store, period(MONTH)), pa.table({}), MONTH)["note"]
    assert nothing == "1 inspection on file not judged yet: run `fleetbrake score`."


def test_intervals_are_exact_and_small_numbers_are_said() -> None:
    told = figures_of(inspections()).set_index("figure")
    for name, row in told.iterrows():
        if name in ("result_not_told", "not_judged"):
            assert pd.isna(row["share"])
            continue
        n, k = int(row["inspected"]), int(row["found"])
        exact = stats.binomtest(k, n).proportion_ci(0.90, method="exact")
        assert (row["share_low"], row["share_high"]) == pytest.approx((exact.low, exact.high), rel=1e-9, abs=1e-12)
        assert (row["share_low"], row["share_high"]) == pytest.approx(
            proportion_confint(k, n, alpha=0.10, method="beta"), rel=1e-9, abs=1e-12
        )
        assert row["share"] == k / n
        assert ("hardly anything" in row["meaning"]) is (n < FEW), name
        assert str(n) in row["meaning"] and str(k) in row["meaning"]


def test_nothing_inspected_has_no_share() -> None:
    told = figures_of(inspections().iloc[:0])
    assert told["inspected"].sum() == 0 and told["share"].isna().all()


def test_the_spans_end_with_the_month_and_reach_twelve_months_back(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    days = (date(2026, 2, 1), date(2026, 1, 31), date(2026, 1, 1), date(2025, 12, 31), date(2025, 2, 1),
            date(2025, 1, 31))  # fmt: skip
    rows = inspections(days)
    with rebuilding(store) as con:
        replace_table(con, "inspection_outcomes", rows)
    table = hit_rate(store, period(MONTH)).to_pandas().set_index(["span", "figure"])
    on = pd.to_datetime(rows["inspected_on"])
    told = rows["found"].notna()
    month = told & (on >= "2026-01-01") & (on <= "2026-01-31")
    year = told & (on >= "2025-02-01") & (on <= "2026-01-31")
    assert table.loc[("month", "inspected"), "inspected"] == month.sum() > 0
    assert table.loc[("last_12_months", "inspected"), "inspected"] == year.sum() > month.sum()
    assert table.loc[("last_12_months", "inspected"), "found"] == rows["found"][year].sum()

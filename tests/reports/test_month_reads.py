"""A month's figures as pages read them: those of the month's report, with exact intervals and nothing made up."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import vl_convert
from builders import MONTH, PLAIN

from fleetbrake.core.errors import InputError
from fleetbrake.reports import charts, look, month_reads
from fleetbrake.reports.measures import US
from fleetbrake.reports.month_reads import ALL, Chosen
from fleetbrake.reports.monthly.month_data import month_events, month_figures
from fleetbrake.store.database import rebuilding, replace_table
from fleetbrake.store.publish import sum_up


@pytest.mark.parametrize("kind", ["store", "hostile_store"])
def test_sums_are_those_of_the_months_report(kind: str, request: pytest.FixtureRequest) -> None:
    store = request.getfixturevalue(kind)
    told, report = month_reads.sums(store, MONTH), month_figures(store, MONTH)
    assert report.events > 0
    assert (told.events, told.vehicles) == (report.events, report.vehicles)
    assert (told.hard_stops, told.hard_stops_unknown) == (report.hard_stops, report.hard_stop_unknown)
    assert (told.modulation, told.modulation_unknown) == (report.modulation, report.modulation_unknown)
    assert (told.lockups, told.lockups_unknown) == (report.lockup, report.lockup_unknown)
    assert told.lockups_above_cutoff == report.lockup_above_cutoff


def test_parts_add_up_to_the_whole(store: Path) -> None:
    depots, categories = month_reads.parts(store)
    assert depots == list(PLAIN.depots) and categories == ["M3", "N1"]
    whole = month_reads.sums(store, MONTH, ALL)
    by_depot = [month_reads.sums(store, MONTH, Chosen((d,))) for d in depots]
    assert sum(part.events for part in by_depot) == whole.events
    assert sum(part.hard_stops for part in by_depot) == whole.hard_stops
    cell = month_reads.sums(store, MONTH, Chosen((depots[0],), (categories[0],)))
    assert 0 < cell.events < by_depot[0].events


def test_days_count_an_event_in_each_class_that_it_shows(store: Path) -> None:
    events = month_events(store, MONTH)
    day = events["started_at"].dt.strftime("%d")
    wanted = {
        (key, word): count
        for column, (word, _, _) in zip(look.EVENT_CLASSES, look.EVENT_SHOWS, strict=False)
        for key, count in day[events[column].fillna(False).astype(bool)].value_counts().items()
    }
    found = month_reads.days(store, MONTH).set_index(["day", "shows"])["events"]
    assert found.to_dict() == wanted and len(found) > 10
    told = month_figures(store, MONTH)
    sums = found.groupby("shows").sum()
    assert [sums[word] for word, _, _ in look.EVENT_SHOWS[:3]] == [
        told.lockup_above_cutoff,
        told.modulation,
        told.hard_stops,
    ]


def test_months_without_distance_are_counted_with_exact_limits(store: Path) -> None:
    rows = month_reads.trend(store, MONTH, "lockups_above_cutoff")
    assert rows["month"].tolist() == [MONTH], "no month before the first one known"
    row = rows.iloc[0]
    assert not row["per_distance"] and row["value"] == row["count"] == month_figures(store, MONTH).lockup_above_cutoff
    assert row["low"] < row["value"] < row["high"]


def _driven(folder: Path) -> Path:
    """Three months: ten hard stops in 5,000 km; none observed; none in 2,000 km. A fourth vehicle has no trips."""

    def event(number: int, month: int, **values: object) -> dict[str, object]:
        return {
            "event_id": f"e{number}", "vehicle_id": "v1", "started_at": datetime(2026, month, 5, tzinfo=UTC),
            "depot": "A", "category": "N1", "hard_stop": True,
        } | values  # fmt: skip

    events = [event(n, 1) for n in range(10)] + [event(20, 2, hard_stop=None)]
    events += [event(30, 3, hard_stop=False), event(31, 3, vehicle_id="v4", depot="B")]
    trips = [
        {"trip_id": f"t{month}", "vehicle_id": "v1", "started_at": datetime(2026, month, 5, tzinfo=UTC),
         "ended_at": datetime(2026, month, 5, tzinfo=UTC) + timedelta(hours=9), "distance_km": km}
        for month, km in ((1, 5000.0), (2, 3000.0), (3, 2000.0))
    ]  # fmt: skip
    with rebuilding(folder) as con:
        replace_table(con, "events", pd.DataFrame(events))
        replace_table(con, "trips", pd.DataFrame(trips))
        sum_up(con)
    return folder


def test_rates_have_exact_poisson_limits_and_what_was_not_seen_is_a_gap(tmp_path: Path) -> None:
    rows = month_reads.trend(_driven(tmp_path), "2026-03", "hard_stops", chosen=Chosen(("A",))).set_index("month")
    # 90 % limits of a count of 10: 5.43 and 16.96; of none: 0 and 3.00 (= -ln 0.05): Garwood's tables, from memory
    assert rows.loc["2026-01", ["value", "low", "high"]].tolist() == pytest.approx(
        [2.0, 5.425 / 5, 16.962 / 5], rel=1e-3
    )
    assert rows.loc["2026-02", ["value", "low", "high"]].isna().all(), "not observed is no zero"
    assert rows.loc["2026-03", ["value", "low", "high"]].tolist() == pytest.approx([0.0, 0.0, -np.log(0.05) / 2])
    assert rows["per_distance"].all()


def test_a_stop_without_known_distance_is_in_no_rate(tmp_path: Path) -> None:
    store = _driven(tmp_path)
    rows = month_reads.trend(store, "2026-03", "hard_stops", "depot")
    assert list(dict.fromkeys(rows["part"])) == ["A", "B"]
    of_b = rows[rows["part"] == "B"].set_index("month")
    assert not of_b["per_distance"].any() and of_b.loc["2026-03", "value"] == 1
    assert np.isnan(of_b.loc["2026-01", "value"]), "a month without data is no zero"
    both = month_reads.trend(store, "2026-03", "hard_stops").set_index("month")
    assert both.loc["2026-03", "count"] == 1 and both.loc["2026-03", "value"] == 0.0
    assert month_reads.sums(store, "2026-03").distance_km == 2000.0


def test_what_is_no_month_or_no_measure_is_told(store: Path) -> None:
    with pytest.raises(InputError):
        month_reads.sums(store, "2026-13")
    with pytest.raises(KeyError):
        month_reads.trend(store, MONTH, "events; DROP TABLE events")
    with pytest.raises(KeyError):
        month_reads.trend(store, MONTH, "hard_stops", "driver_id")


def test_an_empty_store_has_no_months(empty_store: Path) -> None:
    assert month_reads.months(empty_store) == [] and month_reads.parts(empty_store) == ([], [])
    assert month_reads.sums(empty_store, MONTH).events == 0
    assert month_reads.trend(empty_store, MONTH, "hard_stops").empty


def test_the_sentence_tells_every_open_class(store: Path) -> None:
    told = month_reads.unobserved(month_reads.sums(store, MONTH))
    assert told.startswith("Could not be observed: hard stop in ") and told.endswith(" of 156 brake applications.")


def test_the_trend_chart_leaves_a_gap_and_reads_in_the_units_asked_for(tmp_path: Path) -> None:
    rows = month_reads.trend(_driven(tmp_path), "2026-03", "hard_stops", chosen=Chosen(("A",)))
    spec = charts.month_trend(rows, width=300, measures=US).to_dict()
    drawn = next(iter(spec["datasets"].values()))
    assert [row["month"] for row in drawn] == ["2026-01", "2026-03"], "February could not be observed"
    assert drawn[0]["value"] == pytest.approx(2.0 * 1.609344), "per 1000 mi; international mile, exact by definition"
    assert len({row["stretch"] for row in drawn}) == 2, "no line across the gap"
    svg = str(vl_convert.vegalite_to_svg(spec))
    assert svg.startswith("<svg") and "per 1000 mi" in svg and "2026-02" in svg


def test_the_trend_chart_of_nothing_renders(empty_store: Path) -> None:
    spec = charts.month_trend(month_reads.trend(empty_store, MONTH, "hard_stops"), width=300).to_dict()
    assert str(vl_convert.vegalite_to_svg(spec)).startswith("<svg")

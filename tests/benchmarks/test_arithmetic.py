"""The arithmetic of large fleets: round figures in, what follows from them out; what is missing is named."""

import json

import pytest

from tests.benchmarks import arithmetic

ROUND = {
    "samples_per_event": 500.0,
    "recording_bytes_per_sample": 20.0,
    "ingest_ns_per_sample": 1000.0,
    "ingest_peak_mib": 500.0,
    "lake_bytes_per_event": 1000.0,
    "database_bytes_per_event": 1000.0,
    "publish_s_per_1000_new_files": 1.0,
    "publish_s_per_100000_standing_files": 2.0,
    "score_s_per_million_rows": 6.0,
    "score_night_s_per_million_standing": 0.36,
    "score_night_s_per_million_new": 0.0,
    "score_peak_gib": 2.0,
    "page_s_at_million_events": 3.0,
}


def cells(page, name):
    (line,) = [line for line in page.splitlines() if line.startswith(f"| {name} |")]
    return [cell.strip() for cell in line.split("|")[2:-1]]


def test_a_fleet_of_ten_thousand_by_hand():
    """200 000 events of 500 samples: 100 million samples, 2 GB, 100 s of processor; a year has 365 million rows."""
    page = arithmetic.page(arithmetic.Given(ROUND, wheels=4.0))
    assert cells(page, "events a day")[0] == "200,000"
    assert cells(page, "recordings a day (GB)") == ["2", "20", "200"]
    assert cells(page, "ingest a night (hours of processor)") == ["0.028", "0.28", "2.8"]
    assert cells(page, "feature rows looked back over (millions)")[0] == "360"  # 365, two digits
    assert cells(page, "scoring a new day (hours of processor), one store")[0] == "0.037"  # 0.0365
    # 10 s for new files and 2 s for each 100 000 of 3.95 million that stand
    assert cells(page, "log and publishing a night (minutes), one store")[0] == arithmetic.rounded((10 + 79) / 60)


def test_what_breaks_first_stands_first():
    g = arithmetic.Given(ROUND, wheels=4.0)
    lines = arithmetic.page(g).split("what then |")[1].splitlines()[2:6]
    sizes = [float(line.split("|")[2].replace(",", "")) for line in lines]
    assert sizes == sorted(sizes)
    # the disk: a vehicle's 7 900 events of 1 000 bytes three times over in 2 TB
    assert arithmetic.largest_store(g) == pytest.approx(2e12 / (3 * 7900 * 1000))


def test_a_missing_figure_is_named_where_it_would_stand():
    g = arithmetic.Given({k: v for k, v in ROUND.items() if k != "ingest_ns_per_sample"}, wheels=4.0)
    page = arithmetic.page(g)
    assert cells(page, "ingest a night (hours of processor)") == ["{ingest_ns_per_sample}"] * 3
    assert cells(page, "recordings a day (GB)")[0] == "2"


@pytest.mark.parametrize(
    ("value", "text"), [(0.0312, "0.031"), (4.68, "4.7"), (121.0, "120"), (3.0, "3"), (12345.0, "12,000")]
)
def test_two_digits_count(value, text):
    assert arithmetic.rounded(value) == text


def test_figures_come_from_files_and_words(tmp_path):
    path = tmp_path / "figures.json"
    path.write_text(json.dumps({"ingest_ns_per_sample": 900.0, "columns": 15}))
    found = arithmetic.figures([str(path), "score_peak_gib=1.5"])
    assert (found["ingest_ns_per_sample"], found["score_peak_gib"], found["wheels"]) == (900.0, 1.5, 4.0)

"""What the throughput table is drawn up with: costs of a child, slopes, ratios, words of the machine, its data."""

import sys

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.benchmarks.throughput import Measured
from tests.benchmarks.throughput_parts import decode, machine, made, tables
from tests.benchmarks.throughput_parts.spent import ROOT, Slope, Spent, ratio, run, slope

SAMPLE = ROOT / "data_samples" / "recordings" / "van_wet_failed_control.parquet"


def test_a_slope_takes_the_start_up_away():
    """Two sizes on the line 3 s + 2 us a sample; the repeats scatter around it and the median stands on it."""
    found = slope(1_000_000, [5.0, 5.5, 4.5], 10_000_000, [23.0, 22.5, 24.5])
    assert found.each_ns == pytest.approx(2000.0)
    assert found.fixed_s == pytest.approx(3.0)
    assert found.least_ns == pytest.approx(1e9 * 17.0 / 9e6)
    assert found.most_ns == pytest.approx(1e9 * 20.0 / 9e6)


@pytest.mark.parametrize(
    ("small", "of_small", "large", "of_large"), [(2, [1.0], 2, [1.0]), (1, [], 2, []), (1, [1.0], 2, [1.0, 2.0])]
)
def test_a_slope_needs_two_sizes_and_paired_repeats(small, of_small, large, of_large):
    with pytest.raises(ValueError, match="two sizes"):
        slope(small, of_small, large, of_large)


def test_the_ratio_is_of_the_slopes_not_of_the_start_up():
    assert ratio(Slope(300.0, 0.0, 0.0, 9.0), Slope(100.0, 0.0, 0.0, 0.1)) == pytest.approx(3.0)


def test_a_child_is_charged_what_it_used():
    """A child that holds 64 MiB and works for 0.2 s of its own processor time: less would be somebody else's bill."""
    work = "import time; x = b'1' * (64 << 20)\nwhile time.process_time() < 0.2: pass\nprint('done')"
    spent, words = run([sys.executable, "-c", work])
    assert words == "done\n"
    assert spent.processor_s >= 0.2
    assert spent.peak_mib >= 64.0
    assert Spent(1.0, 0.5, 0.25, 10.0).processor_s == 0.75


def test_a_child_that_fails_has_no_cost():
    with pytest.raises(RuntimeError, match="ended with 3"):
        run([sys.executable, "-c", "import sys; print('no'); sys.exit(3)"])


def test_a_value_is_found_in_what_the_system_says():
    text = "processor\t: 0\nmodel name\t: Some  Core 2\nmodel name\t: Other\n"
    assert machine.first_value(text, "model name") == "Some Core 2"
    assert machine.first_value(text, "MemTotal") == "unknown"


def test_recordings_repeat_the_vehicles_under_ids_of_their_own(tmp_path):
    """Five files of one vehicle: whole vehicles until there is enough, no event id twice, all samples as they were."""
    rows = pq.read_table(SAMPLE)
    table = rows.set_column(0, "event_id", pa.array([f"A-{i // 100}" for i in range(rows.num_rows)]))
    done = made.recordings(tmp_path, 4 * table.num_rows + 1, [("A", table)])
    assert (done.files, done.samples) == (5, 5 * table.num_rows)
    found = [pq.read_table(f, partitioning=None) for f in sorted(tmp_path.glob("vehicle_id=A-00?/*.parquet"))]
    ids = [set(t["event_id"].to_pylist()) for t in found]
    assert len(set.union(*ids)) == sum(len(i) for i in ids)
    assert all(t.drop_columns("event_id").equals(table.drop_columns("event_id")) for t in found)


def test_both_ways_decode_every_row():
    assert decode.plain(SAMPLE) == decode.quick(SAMPLE) == pq.read_metadata(SAMPLE).num_rows


def test_the_ratio_is_against_the_quicker_way_of_decoding():
    """Ingest 600 ns a sample, decoding 200 plainly and 100 quickly: 6.0, and 3.0 beside it."""
    found = Measured(data=[made.Made(ROOT, n, 1, 1.0, 15.0) for n in (1_000_000, 2_000_000)])

    def runs(each_ns: float) -> dict[int, list[Spent]]:
        seconds = {data.samples: 1.0 + each_ns * data.samples / 1e9 for data in found.data}
        return {samples: [Spent(took, took, 0.0, 1.0)] for samples, took in seconds.items()}

    found.ingest, found.decode = runs(600.0), {"plain": runs(200.0), "quick": runs(100.0)}
    ingest, quicker, plain = tables.slopes(found, tables.processor)
    assert [line.each_ns for line in (ingest, quicker, plain)] == pytest.approx([600.0, 100.0, 200.0])
    (line,) = [line for line in tables._slopes(found) if line.startswith("| processor")]
    assert [cell.strip() for cell in line.split("|")][5:7] == ["6.00", "3.00"]

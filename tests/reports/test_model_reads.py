"""What the health scores rest on, as pages and the command tell it."""

from pathlib import Path
from typing import Any

import duckdb
import pytest
import vl_convert
from builders import AS_OF

from fleetbrake.reports import charts, model_reads


def test_the_model_in_use_is_told_with_its_reason(store: Path) -> None:
    found = model_reads.model_in_use(store)
    assert found.name == "learned"
    assert "learned from past inspections" in found.sentence
    assert "60 later inspections" in found.sentence
    assert model_reads.model_in_use(store, AS_OF) == found


def test_past_weeks_that_wait_are_told(tmp_path: Path) -> None:
    """As the command prints it: how many, and what to do about it; nothing where none waits."""
    con = duckdb.connect(tmp_path / "fleet.duckdb")
    con.execute("create table vehicle_health (as_of date)")
    con.execute("insert into vehicle_health values ('2026-02-28')")
    con.execute("create table model_quality (as_of date, figure text, model text, value double, note text)")
    con.execute("insert into model_quality values ('2026-02-28', 'in_use', 'prior', null, 'Few.')")
    con.close()
    none = model_reads.model_in_use(tmp_path)
    assert none == model_reads.ModelInUse("prior", none.sentence, "")
    con = duckdb.connect(tmp_path / "fleet.duckdb")
    con.execute(
        "insert into model_quality values ('2026-02-28', 'weeks_not_scored', 'prior', 7, 'score --all-history')"
    )
    con.close()
    found = model_reads.model_in_use(tmp_path)
    assert (found.name, found.sentence) == (none.name, none.sentence)
    assert found.waiting == "Past weeks waiting: 7 (score --all-history)."


def test_figures_of_both_models_in_words(store: Path) -> None:
    figures = model_reads.model_quality(store)
    assert len(figures) == 4
    assert set(figures["model"]) == {"prior", "learned"}
    assert figures["figure"].str.contains("lower is better").any()
    bins = model_reads.calibration(store)
    assert list(bins["predicted"]) == [0.04, 0.12, 0.55] * 2


def test_a_store_without_scores_says_nothing(empty_store: Path) -> None:
    assert model_reads.model_in_use(empty_store) == model_reads.ModelInUse(None, "")
    assert model_reads.model_quality(empty_store).empty
    assert model_reads.calibration(empty_store).empty


@pytest.mark.parametrize("models", [("prior",), ("learned",), ("prior", "learned")])
def test_the_chart_tells_the_models_apart_by_shape_and_colour(store: Path, models: tuple[str, ...]) -> None:
    bins = model_reads.calibration(store)
    spec: dict[str, Any] = charts.calibration_chart(bins[bins["model"].isin(models)], width=500).to_dict()
    points = spec["layer"][2]["encoding"]
    assert len(points["shape"]["scale"]["domain"]) == len(points["color"]["scale"]["range"]) == len(models)
    assert str(vl_convert.vegalite_to_svg(spec)).startswith("<svg")

"""``vehicle-sheet`` and ``driver-sheet``: what they write, what they refuse, and whom they name."""

import json
import re
from pathlib import Path
from typing import Any

import pypdf
import pytest
from builders import HOSTILE, PLAIN, build_store
from click.testing import Result
from typer.testing import CliRunner

from fleetbrake.cli import app
from fleetbrake.reports.aliases import aliases
from fleetbrake.reports.plan_data import plan_told
from fleetbrake.reports.sheets import vehicle_sheet


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_store(tmp_path_factory.mktemp("store"))


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)


def last_line(result: Result) -> dict[str, Any]:
    return json.loads(result.stdout.strip().splitlines()[-1])


def _text(file: Path) -> str:
    return re.sub(r"[\s\u200b]", "", "".join(page.extract_text() for page in pypdf.PdfReader(file).pages))


def _marks(file: Path) -> list[str]:
    return [mark.title for mark in pypdf.PdfReader(file).outline]


def test_named_vehicles_are_printed_in_their_order_in_the_units_asked_for(store: Path, tmp_path: Path) -> None:
    out, ids = tmp_path / "sheets.PDF", (PLAIN.vehicles[2], PLAIN.vehicles[0])
    told = last_line(run("vehicle-sheet", *ids, "--store", store, "--out", out, "--units", "us", "--json"))
    assert told == {"command": "vehicle-sheet", "file": str(out), "pages": 2, "status": 0, "vehicles": list(ids)}
    assert _marks(out) == list(ids) and "mph" in _text(out) and "km/h" not in _text(out)
    assert list(tmp_path.iterdir()) == [out], "nothing half-written is left"


def test_the_plan_is_printed_in_its_order(store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def remembered(_store: Path, ids: list[str], _measures: object) -> bytes:
        asked.extend(ids)
        return b"%PDF"

    monkeypatch.setattr(vehicle_sheet, "vehicle_sheets", remembered)  # setting them is tested with the sheets
    told = last_line(run("vehicle-sheet", "--planned", "--store", store, "--out", tmp_path / "plan.pdf", "--json"))
    assert asked == told["vehicles"] == vehicle_sheet.planned_vehicles(plan_told(store)) and told["pages"] > 2
    assert (tmp_path / "plan.pdf").read_bytes() == b"%PDF"


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["BUS-0111"], "No vehicle of the store has this id: BUS-0111. Near: BUS-011"),
        ([], "one of the two"),
        (["BUS-011", "--planned"], "one of the two"),
    ],
)
def test_what_cannot_be_printed_is_a_sentence_and_leaves_the_old_file(
    store: Path, tmp_path: Path, words: list[str], part: str
) -> None:
    out = tmp_path / "old.pdf"
    out.write_bytes(b"old")
    result = run("vehicle-sheet", *words, "--store", store, "--out", out, "--json")
    assert result.exit_code == 2 and last_line(result)["status"] == 2
    assert part in " ".join(result.stderr.split()) and out.read_bytes() == b"old"


@pytest.mark.parametrize("name", ["sheet.txt", "nowhere/sheet.pdf", "fleet.duckdb"])
@pytest.mark.parametrize("command", ["vehicle-sheet", "driver-sheet"])
def test_a_bad_name_is_told(store: Path, tmp_path: Path, command: str, name: str) -> None:
    result = run(command, "x", "--store", store, "--out", tmp_path / name)
    assert result.exit_code == 2 and ("must end in .pdf" in result.stderr or "there is no folder" in result.stderr)
    assert not list(tmp_path.iterdir())


def test_without_a_plan_or_a_store_it_is_said(tmp_path: Path) -> None:
    empty = build_store(tmp_path / "empty", filled=False)
    result = run("vehicle-sheet", "--planned", "--store", empty, "--out", tmp_path / "a.pdf")
    assert result.exit_code == 2 and "No visit is planned" in result.stderr
    result = run("vehicle-sheet", "BUS-011", "--store", tmp_path / "none", "--out", tmp_path / "a.pdf")
    assert result.exit_code == 2 and "Traceback" not in result.output


def test_a_driver_stands_under_his_alias_however_he_was_named(store: Path, tmp_path: Path) -> None:
    one, two = PLAIN.drivers[:2]
    alias, out = aliases(store), tmp_path / "talks.pdf"
    told = last_line(run("driver-sheet", one, alias(two), "--store", store, "--out", out, "--json"))
    assert told["drivers"] == _marks(out) == [alias(one), alias(two)] and told["pages"] == 2
    assert not [driver for driver in PLAIN.drivers if driver in _text(out)]


def test_names_are_printed_for_who_asks_for_them(store: Path, tmp_path: Path) -> None:
    one, out = PLAIN.drivers[1], tmp_path / "talk.pdf"
    words = ("--store", store, "--out", out, "--with-driver-names", "--units", "us", "--json")
    assert last_line(run("driver-sheet", aliases(store)(one), *words))["drivers"] == [one]
    text = _text(out)
    assert one in text and "per1000mi" in text and not [d for d in PLAIN.drivers if d != one and d in text]
    assert float(pypdf.PdfReader(out).pages[0].mediabox.height) == pytest.approx(792.0), "US letter, 11 inch"


def test_an_unknown_driver_is_told(store: Path, tmp_path: Path) -> None:
    result = run("driver-sheet", "nobody", "--store", store, "--out", tmp_path / "a.pdf", "--json")
    assert result.exit_code == 2 and "id or alias: nobody" in last_line(result)["error"]
    assert not (tmp_path / "a.pdf").exists()


def test_hostile_ids_are_arguments_like_others(tmp_path: Path) -> None:
    hostile, out = build_store(tmp_path / "hostile", hostile=True), tmp_path / "a.pdf"
    ids = HOSTILE.vehicles[1:2]
    result = run("vehicle-sheet", "--store", hostile, "--out", out, "--json", "--", *ids)
    assert result.exit_code == 0 and _marks(out) == list(ids)
    result = run("driver-sheet", "--store", hostile, "--out", out, "--json", "--", HOSTILE.drivers[0])
    assert result.exit_code == 0 and _marks(out)[0].startswith("driver-")

"""The month's PDF read back as text and as pictures, held against the tables that it was made from."""

import re
import shutil
import subprocess
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pypdf
import pytest
from a_few import a_few
from made_month import AS_OF, MEASURES, empty_month, made_month

from fleetbrake.core.vocabulary import CAUTION
from fleetbrake.reports.measures import US
from fleetbrake.reports.monthly.month_pdf import document, write_pdf
from fleetbrake.reports.monthly.month_pdf_words import method
from fleetbrake.reports.monthly.month_told import MonthTold

MILE = 1.609344
HOSTILE = (
    "<script>alert('x')</script>", "'; DROP TABLE events; --", '=HYPERLINK("http://example.org";"x")',
    "../../etc/passwd", "עגלה-שבע 12 \u202eabc", "مركبة-١٢ 7/b", "车辆-七号", "**bold** [x](j) $x^2$ `c` | www.a.org",
    '#set page(fill: red) $ "q" \\ #pagebreak()', "+1 \t@two\nlines", "W" * 10_000, "Ωμέγα-Ж", "e\u0301\u0301\u0301 x",
    "a, \"b\" c;\r\nd", "\x00\x07nul", " ", "", "\u200f\u2066x", "🚚 7",
)  # fmt: skip


def hostile(_: str, number: int) -> str:
    turn, place = divmod(number, len(HOSTILE))
    return HOSTILE[place] + (f" {turn}" if turn else "")


def most_pages(path: Path) -> int:
    """12 with the narrow letters of Liberation Sans; 13 where the machine has DejaVu Sans alone."""
    resources = [page["/Resources"].get_object() for page in pypdf.PdfReader(path).pages]
    names = {str(font.get_object()["/BaseFont"]) for one in resources for font in one.get("/Font", {}).values()}
    return 12 if any("Liberation" in name for name in names) else 13


def squeezed(text: str) -> str:
    """Text without white space and marks of break and direction: those are the typesetter's."""
    return re.sub(r"[\s\u200b\u00ad\u2066-\u2069]", "", text)


@cache
def raw_pages(path: Path) -> tuple[str, ...]:
    return tuple(page.extract_text() for page in pypdf.PdfReader(path).pages)


@cache
def text_of(path: Path) -> str:
    return squeezed("".join(raw_pages(path)))


def pages_of(path: Path) -> int:
    return len(raw_pages(path))


Written = Callable[[str], tuple[MonthTold, Path]]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Written:
    """A made month and its PDF by name, each written once."""
    makers: dict[str, Callable[[], MonthTold]] = {
        "plain": made_month,
        "us": lambda: made_month(measures=US),
        "hostile": lambda: made_month(40, drivers=24, depots=len(HOSTILE), named=hostile),
        "large": lambda: made_month(5000, drivers=3000, depots=120),
        "empty": empty_month,
    }
    folder, known = tmp_path_factory.mktemp("pdf"), {}  # type: Path, dict[str, tuple[MonthTold, Path]]

    def made(kind: str) -> tuple[MonthTold, Path]:
        if kind not in known:
            told, path = makers[kind](), folder / f"{kind}.pdf"
            write_pdf(path, told)
            known[kind] = (told, path)
        return known[kind]

    return made


def rows_of(told: MonthTold, name: str) -> list[dict[str, Any]]:
    return told.tables[name].to_pylist()  # type: ignore[no-any-return]


def figure(value: float, factor: float = 1.0) -> str:
    """A rate as it is to be read: two digits behind the point, one from ten on."""
    return f"{value * factor:,.{1 if value * factor >= 10 else 2}f}"


def interval(row: dict[str, Any], factor: float = 1.0) -> str:
    low, high = (figure(row[f"rate_{end}_per_1000km"], factor) for end in ("low", "high"))
    return f"{figure(row['rate_per_1000km'], factor)}({low}to{high})"


def test_every_rate_of_twelve_months_and_of_every_part_stands_there_to_the_last_digit(written: Written) -> None:
    told, path = written("plain")
    text = text_of(path)
    for row in rows_of(told, "fleet_months"):
        if row["events"] is not None:
            assert f"{interval(row)}·{row['rate_counted']:,}" in text, row
    missing = {r["month"] for r in rows_of(told, "fleet_months") if r["events"] is None}
    recorded = sorted({r["month"] for r in rows_of(told, "fleet_months")} - missing)
    told_missing = {m for m in missing if m > recorded[0]}
    assert told_missing == {"2025-09"} and "2025-09norecordings" in text
    assert text.count("norecordings") == 1
    for row in rows_of(told, "month_rates"):
        if row["rate_per_1000km"] is not None:
            assert f"{interval(row)}{row['rate_counted']}on{row['observed_km']:,.0f}km·7notobserved" in text, row
    assert text.count("notobservedinnoneof400") == 1


def test_rates_stand_beside_the_part_that_they_are_of(written: Written) -> None:
    told, path = written("plain")
    text = text_of(path)
    where = text[text.index("Whereithappens") :]
    by_part = {(r["dimension"], r["part"]): {} for r in rows_of(told, "month_rates")}  # type: dict[Any, dict[str, Any]]
    for row in rows_of(told, "month_rates"):
        by_part[row["dimension"], row["part"]][row["measure"]] = row
    for part in ("depot-0000", "depot-0003", "M3", "N3"):
        rows = next(cells for (_, name), cells in by_part.items() if name == part)
        told_rates = "".join(
            f"{interval(rows[m])}{rows[m]['rate_counted']}on{rows[m]['observed_km']:,.0f}km·7notobserved"
            for m in MEASURES
        )
        assert f"{part}400applications·12vehicles{told_rates}" in where


def test_headlines_compare_with_the_months_before(written: Written) -> None:
    told, path = written("plain")
    first = squeezed(raw_pages(path)[0])
    for measure in MEASURES:
        rows = [r for r in rows_of(told, "fleet_months") if r["measure"] == measure and r["observed_km"]]
        now, before = rows[-1], rows[:-1]
        rate = sum(r["rate_counted"] for r in before) / sum(r["observed_km"] for r in before)
        ratio = now["rate_counted"] / now["observed_km"] / rate
        assert f"{ratio:.2f}timestherateofthe8monthsbefore" in first
        assert f"{figure(now['rate_per_1000km'])}per1000km" in first
        assert f"notobservedin{now['not_observed']}of{now['events']:,}applications" in first
    assert squeezed(CAUTION) in first and "Aremarkonthemonth." in first


def test_flagged_vehicles_stand_in_order_with_reason_wheel_score_and_days(written: Written) -> None:
    told, path = written("plain")
    text = text_of(path)
    listed = text[text.index("Vehiclestoinspect") : text.index("Flagsthatarestillopen")]
    flagged = [r for r in rows_of(told, "vehicle_health") if r["leading_indicator"]]
    places = [listed.index(r["vehicle_id"]) for r in flagged]
    assert len(flagged) == 6 and places == sorted(places)
    for row in flagged:
        digits = 1 if row["health_score"] < 10 else 0
        ends = (row["health_score"], row["score_low"], row["score_high"])
        score = "{:.{d}f}({:.{d}f}to{:.{d}f})".format(*ends, d=digits)
        said = row["reason"].replace("2026-01-09", "9 Jan 2026")  # one style of days in the whole document
        assert squeezed(said) in listed and score in listed
        due = row["inspection_due_on"]
        assert f"due{due.day}{due:%b%Y}" in listed
    assert listed.count("Axle1left(1L)") == sum(r["suspect_wheel"] is not None for r in flagged) == 3
    assert "Reported:Pedalfeelslongafter3km" in listed
    assert "Nosignfoundinwhatwasrecorded:notcleared" in listed
    assert "clear" not in listed.replace("notcleared", "").replace("neverclears", "")  # the foot of a page
    planned = told.plan["planned_on"].iloc[0]
    assert f"planned{planned.day}{planned:%b%Y}" in listed


def test_inspections_say_how_often_predictions_held(written: Written) -> None:
    told, path = written("plain")
    text = text_of(path)
    for row in rows_of(told, "hit_rate"):
        if row["share"] is not None:
            share, low, high = (round(100 * row[c]) for c in ("share", "share_low", "share_high"))
            assert f"{row['found']}of{row['inspected']}{share}%({low}to{high}%)" in text
    assert "few:sayshardlyanything" in text and "missed:adefectwithoutaflag" in text
    assert f"Thefirst15of{told.tables['inspection_outcomes'].num_rows}" in text


def test_drivers_work_and_flags_add_up_to_the_tables(written: Written) -> None:
    told, path = written("plain")
    text = text_of(path)
    months = {row["driver_id"]: row for row in rows_of(told, "month_drivers")}
    for row in rows_of(told, "driver_style")[:20]:
        counted, adjusted = row["hard_stops_per_1000km"], row["adjusted_hard_stops_per_1000km"]
        ends = f"{figure(row['adjusted_low'])}to{figure(row['adjusted_high'])}"
        of_month = months[row["driver_id"]]
        known = of_month["distance_km"] is not None
        mine = f"{of_month['hard_stops']}" + (f"on{of_month['distance_km']:,.0f}" if known else "")
        said = f"{mine}{row['hard_stops']}on{row['distance_km']:,.0f}{figure(counted)}{figure(adjusted)}({ends})"
        assert said in text, row
    assert "Thefirst20of38;theworkbookhasall." in text
    work = told.tables["month_work"].to_pandas()
    for _, part in [("", work), *work.groupby("depot"), *work.groupby("category")]:
        energy, friction, se = (
            part[c].sum() / 1000 for c in ("brake_energy_kj", "friction_brake_kj", "friction_brake_se_kj")
        )
        each = part["brake_energy_kj"].sum() / part["energy_events"].sum()
        counts = [part[c].sum() for c in ("events", "energy_events", "friction_events")]
        assert f"{counts[0]:,}{counts[1]:,}{energy:,.1f}{each:,.0f}{counts[2]:,}{friction:,.1f}±{se:,.1f}" in text
    ages = np.array([r["age_days"] for r in rows_of(told, "open_flags")])
    told_ages = "".join(f"{(ages > d).sum()}formorethan{d}days" for d in (7, 14, 30))
    assert f"{len(ages)}open{told_ages}" in text


def test_what_was_not_recorded_is_told(written: Written) -> None:
    told, path = written("plain")
    text = text_of(path)
    assert "120recordingfilesofthemonth;30rejected,30loadedinpart.Thefirst15of60" in text
    silent = [r for r in rows_of(told, "month_silence") if r["silent"]]
    for row in silent:
        assert f"{row['vehicle_id']}{row['depot']}·{row['category']}" in text
    assert f"{len(silent)}vehicleshavegonesilent" in text and "Notrecordedbythen:3" in text
    assert text.count("brake_pressure_kpa,wheel_speed_1l_mps") == 6


@pytest.mark.parametrize("kind", a_few(["plain", "us", "hostile", "large", "empty"], 0, 2, 4))
def test_nothing_missing_is_printed_as_a_number_and_the_caution_is_on_every_page(written: Written, kind: str) -> None:
    told, path = written(kind)
    for said in raw_pages(path):
        assert not re.search(r"\b(nan|NaN|None|NaT|NA|<NA>|inf)\b", said)
        assert squeezed(CAUTION) in squeezed(said) and f"{told.of.month}" in said


def test_us_units_are_in_every_figure_axis_and_sentence_and_on_letter_paper(written: Written) -> None:
    told, path = written("us")
    text = text_of(path)
    for row in rows_of(told, "month_rates"):
        if row["rate_per_1000km"] is not None:
            km = f"{row['observed_km'] / MILE:,.0f}mi"
            assert f"{interval(row, MILE)}{row['rate_counted']}on{km}" in text
    raw = " ".join(raw_pages(path))
    # what a person reported stays as it was written
    ours = raw.replace("Reported: Pedal feels long after 3 km", "").replace("brake_pressure_kpa", "")
    assert not re.search(r"\b(km|km/h|kJ|MJ|kPa)\b|m/s", ours)
    assert "13.1ft/s²" in text and "9mph" in text and raw.count("per 1000 mi") >= 7
    box = pypdf.PdfReader(path).pages[0].mediabox
    assert (round(box.width), round(box.height)) == (612, 792)
    assert not any("km" in part["text"] for part in method(US))


def test_hostile_ids_neither_end_the_run_nor_turn_into_anything_else(written: Written) -> None:
    _, path = written("hostile")
    text = text_of(path)
    for said in (
        "<script>alert('x')</script>",
        "#setpage(fill:red)",
        '=HYPERLINK("http://example.org";"x")',
        "Ωμέγα-Ж",
    ):
        assert squeezed(said) in text
    assert all(word in text for word in ("עגלה", "مركبة"))
    assert "W" * 20 in text and "W" * 60 not in text
    # letters of other scripts: drawn where the machine has a font, else told by their number, never lost
    assert "车辆" in text or "[8F668F86]" in text
    assert pages_of(path) <= most_pages(path)
    assert not any("/Annots" in page for page in pypdf.PdfReader(path).pages)


def test_five_thousand_vehicles_stay_readable_and_say_how_many_more_there_are(written: Written) -> None:
    _, path = written("large")
    text = text_of(path)
    assert pages_of(path) <= most_pages(path)
    assert "500vehiclesof5,000" in text and "Thefirst40of500;theworkbookhasall." in text
    assert "and44more:seethelistofvehicles" in text and "and4,202more" in text
    assert "Thefirst20of2,998" in text and "Thefirst12of121" in text


def test_an_empty_month_says_that_it_is(written: Written) -> None:
    _, path = written("empty")
    text = text_of(path)
    assert text.count("norecordingsinthemonth") == 3 and "2026-02norecordings" in text
    assert "Nobrakeapplicationbeganin2026-02(UTC).Thestorehasnoeventsatall." in text
    assert "`fleetbrakescore--as-of2026-02-28`" in text and pages_of(path) <= 3


def test_a_single_vehicle_has_its_figures_in_the_singular() -> None:
    told = document(made_month(1, drivers=1, depots=1))
    assert told["subtitle"].startswith("1 vehicle with recordings · 1 driver named in them · 30 brake applications")
    assert [part["count"] for part in told["strip"]] == ["0", "0", "0", "0", "1", "0"]


def test_without_kilometres_there_are_counts_and_no_rates() -> None:
    told = made_month()
    for name in ("fleet_months", "month_rates"):
        table = told.tables[name]
        for column in ("observed_km", "rate_counted", "rate_per_1000km", "rate_low_per_1000km", "rate_high_per_1000km"):
            nothing = pd.Series([None] * table.num_rows, dtype="Float64").to_numpy(dtype=float, na_value=np.nan)
            typed = type(table)
            place = table.column_names.index(column)
            field = table.schema.field(place)
            empty = typed.from_pandas(pd.DataFrame({column: nothing}), preserve_index=False)[column].cast(field.type)
            table = table.set_column(place, field, empty)
        told.tables[name] = table
    said = document(told)
    counted = [r["counted"] for r in rows_of(told, "fleet_months") if r["month"] == "2026-02"]
    assert [h["value"] for h in said["headlines"]] == [f"{n:,}" for n in counted]
    assert all("no distance is known" in h["counted"] for h in said["headlines"])
    assert said["rates"]["splits"][0]["rows"][0]["cells"][0]["rests"].startswith("no distance known")


def test_the_same_month_gives_the_same_bytes(written: Written, tmp_path: Path) -> None:
    told, path = written("plain")
    write_pdf(tmp_path / "again.pdf", told)
    assert (tmp_path / "again.pdf").read_bytes() == path.read_bytes()


def test_the_order_of_rows_changes_nothing() -> None:
    told = made_month()
    turned = {name: table.take(np.arange(table.num_rows)[::-1].copy()) for name, table in told.tables.items()}
    turned["hit_rate"] = told.tables["hit_rate"]  # its figures have an order of their own
    again = made_month()
    again.tables.update(turned)
    assert document(again) == document(told)


def test_the_document_has_a_title_bookmarks_tags_and_the_months_last_day_as_its_date(written: Written) -> None:
    _, path = written("plain")
    reader = pypdf.PdfReader(path)
    assert reader.metadata is not None and reader.metadata.title == "Brakes in February 2026"
    assert str(reader.metadata.get("/CreationDate")).startswith("D:20260228")
    root = reader.trailer["/Root"]
    assert bool(root["/MarkInfo"]["/Marked"]) and root["/Lang"] == "en"
    sections = [
        str(item["/Title"]).replace("\N{NO-BREAK SPACE}", " ")
        for item in reader.outline[1]
        if not isinstance(item, list)
    ]
    assert sections == [
        "What must not wait",
        "Vehicles to inspect",
        "Flags that are still open",
        "What inspections found against what was predicted",
        "The last twelve months",
        "Where it happens",
        "Drivers: scores of 2 Apr 2025 to 27 Feb 2026",
        "Brake work and energy",
        "What was not recorded",
        "Method and limits",
    ]


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="no program that draws pages")
@pytest.mark.parametrize("kind", ["plain", "hostile", "empty"])
def test_every_page_has_ink_and_margins(written: Written, tmp_path: Path, kind: str) -> None:
    _, path = written(kind)
    subprocess.run(["pdftoppm", "-gray", "-r", "24", path, tmp_path / "page"], check=True, capture_output=True)
    drawn = sorted(tmp_path.glob("page*.pgm"))
    assert len(drawn) == pages_of(path)
    for file in drawn:
        _, size, _, pixels = file.read_bytes().split(b"\n", 3)
        width, height = map(int, size.split())
        dark = np.frombuffer(pixels, dtype=np.uint8).reshape(height, width) < 160
        # a page of text at 24 dots an inch has some 2 to 10 % of grey or darker dots, the footer alone 0.4 %
        assert dark.mean() > 0.008, file.name
        # nothing runs over the sides: 17 mm of margin are 16 dots
        assert not dark[:, :12].any() and not dark[:, -12:].any(), file.name


def test_scores_are_of_the_day_that_they_are_of(written: Written) -> None:
    _, path = written("plain")
    assert f"scoresasof{AS_OF.day}{AS_OF:%b%Y}" in text_of(path)

"""The analyst's page: figures from the published table, the months before, the files of the report."""

import io
import zipfile
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pypdf
import pytest
from builders import MONTH, PLAIN, build_store
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

from fleetbrake import cli
from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.core.report_tables import REPORT_TABLES
from fleetbrake.core.tables import TABLES
from fleetbrake.reports.measures import METRIC, US
from fleetbrake.reports.monthly.month_data import month_figures
from fleetbrake.store.database import rebuilding

OpenPage = Callable[..., AppTest]


def _text(app: AppTest) -> str:
    kinds = (app.header, app.subheader, app.markdown, app.caption, app.text, app.info, app.warning, app.metric)
    return "\n".join(str(item.value) for kind in kinds for item in kind).replace("\\", "")


def _charts(app: AppTest) -> int:
    return len(app.get("arrow_vega_lite_chart")) + len(app.get("vega_lite_chart"))


def test_the_figures_are_those_of_the_report(open_page: OpenPage, stores: dict[str, Path]) -> None:
    app = open_page("month", "filled")
    told = month_figures(stores["filled"], MONTH)
    shown = {metric.label: metric.value for metric in app.metric}
    assert shown["Hard stops"] == f"{told.hard_stops:,}" and shown["With modulation"] == f"{told.modulation:,}"
    assert shown["Distance"] == "–", "no trips: no distance, not 0"
    assert f"modulation in {told.modulation_unknown}" in _text(app)
    assert _charts(app) == 4  # three trends and the days


def test_month_and_split_come_from_the_address(open_page: OpenPage) -> None:
    app = open_page("month", "filled", split="depot", figure="applications with modulation", month=MONTH)
    assert [box.value for box in app.selectbox] == [MONTH, "applications with modulation"]
    assert set(PLAIN.depots) <= {text.value for text in app.text}
    assert _charts(app) == 3


def test_a_part_of_the_fleet_has_its_own_figures(open_page: OpenPage) -> None:
    whole = {m.label: m.value for m in open_page("month", "filled").metric}
    app = open_page("month", "filled")
    app.multiselect(key="depot").set_value([PLAIN.depots[0]]).run()
    part = {m.label: m.value for m in app.metric}
    assert int(part["Brake applications"]) < int(whole["Brake applications"]) and part["Vehicles"] == "6"


def test_nonsense_in_the_address_is_left_out(open_page: OpenPage) -> None:
    app = open_page("month", "filled", month="1066-13", depot="<b>x</b>", split="driver_id", figure="; DROP")
    assert not app.exception and app.selectbox[0].value == MONTH


def test_a_store_without_summed_months_says_what_helps(open_page: OpenPage, tmp_path: Path) -> None:
    store = build_store(tmp_path)
    app = open_page("month", store)
    with rebuilding(store) as con:
        con.execute("DELETE FROM month_figures")
    app.run()
    assert not app.exception and "the next `fleetbrake ingest` does that" in _text(app)


def _run_here(command: list[str], **_: Any) -> SimpleNamespace:
    """The words of a command of ours, without a process of its own."""
    assert command[1:4] == ["-P", "-m", "fleetbrake.cli"]
    done = CliRunner().invoke(cli.app, command[4:])
    return SimpleNamespace(returncode=done.exit_code, stderr=done.stderr.encode())


def test_the_button_offers_the_files_of_the_report_under_aliases_unless_the_role_has_names(
    open_page: OpenPage, stores: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the button wrote, for whom names are shown; and what another role and other units get of the same month."""
    monkeypatch.syspath_prepend(str(Path(__file__).resolve().parents[2] / "dashboards"))
    import month_files

    write, offered = month_files.month_archive, list[bytes]()

    def written(seat: Any, month: str) -> bytes:
        assert (seat.viewer.sees_drivers, seat.measures) == (True, METRIC)
        offered.append(write(seat, month))
        return offered[-1]

    with monkeypatch.context() as patch:
        patch.setattr(month_files, "month_archive", written)
        app = open_page("month", "filled")
        assert not app.get("download_button") and not offered
        app.button(key="write_month").click().run()
    assert not app.exception
    (saved,) = app.get("download_button")
    assert saved.proto.label.startswith(f"Save brakes-{MONTH}.zip")

    # the button started the command as a process; the others run it here
    monkeypatch.setattr(month_files.subprocess, "run", _run_here)
    seat = SimpleNamespace(store=stores["filled"], viewer=SimpleNamespace(sees_drivers=False), measures=US)
    told = {}
    for names, measures, content in ((True, METRIC, offered[-1]), (False, US, write(seat, MONTH))):
        archive = zipfile.ZipFile(io.BytesIO(content))
        tables = {f"{kind}/{name}.{kind}" for kind in ("csv", "parquet") for name in REPORT_TABLES | TABLES}
        assert set(archive.namelist()) == {f"brakes-{MONTH}.pdf", f"brakes-{MONTH}.xlsx", *tables}
        told[names] = archive.read("csv/driver_style.csv").decode()
        pages = pypdf.PdfReader(io.BytesIO(archive.read(f"brakes-{MONTH}.pdf"))).pages
        said = "".join(page.extract_text() for page in pages)
        assert ("1000 mi" in said, "1000 km" in said) == (measures is US, measures is METRIC), "the seat's units"
    assert PLAIN.drivers[0] in told[True]
    assert not [driver for driver in PLAIN.drivers if driver in told[False]] and "driver-" in told[False]
    with pytest.raises(FleetbrakeError, match="9998-01 has not begun yet"):
        write(seat, "9998-01")

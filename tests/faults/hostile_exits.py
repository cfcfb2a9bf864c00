"""Every way out of a store whose names are hostile, each as a function that tells what went against what must hold.

Nothing here knows how the product escapes: each way out is read back as its readers would (a CSV reader, a workbook
reader, a calendar reader, the letters of a terminal), and what comes back must be text and nothing else.
"""

import csv
import io
import json
import os
import re
import shutil
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final
from unittest.mock import patch

import openpyxl
import pyarrow.parquet as pq
import pypdf
from faults.hostile_fleet import MONTH, Fleet
from icalendar import Calendar
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

from fleetbrake import pipeline
from fleetbrake.cli import app
from fleetbrake.core.spreadsheet import unprotected
from fleetbrake.core.tables import TABLES
from fleetbrake.reports import plan_files
from fleetbrake.reports.sheets.driver_sheet import driver_sheets, talks_with
from fleetbrake.reports.sheets.vehicle_sheet import vehicle_sheets
from fleetbrake.store.database import reading, rebuilding

ROOT: Final = Path(__file__).resolve().parents[2]
#: Letters of one line on a terminal: what no sentence reaches whose foreign parts are bounded.
MOST_ON_A_LINE: Final = 4_000
#: What a spreadsheet program would read as a formula, wherever such letters are typed.
_FORMULA: Final = tuple("=+-@\t\r\n\N{FULLWIDTH EQUALS SIGN}\N{FULLWIDTH PLUS SIGN}")
_EVENT_PROPERTIES: Final = frozenset(
    {"UID", "DTSTAMP", "SEQUENCE", "DTSTART", "DTEND", "SUMMARY", "LOCATION", "DESCRIPTION", "CATEGORIES", "STATUS"}
    | {"TRANSP"}
)
#: Elements that show text as it is, whatever is in it.
_AS_IT_IS: Final = {"text", "dataframe", "selectbox", "multiselect", "html", "file_uploader"}


#: Control and format characters, ends of lines and paragraphs, halves of characters (names of the Unicode standard).
_DOING: Final = {"Cc", "Cf", "Cs", "Zl", "Zp"}
#: Joiners and plain marks of direction belong to words of some scripts; pages break links with a mark of no width.
_WRITTEN_WITH: Final = re.compile("[\u200c-\u200f\u061c\u2060\t\u2002-\u200a\u202f\u205f\u3000\xa0\u1680]")


def steering(said: str) -> list[str]:
    """Characters other than the end of a line that are not there to be seen but to do something, each once."""
    found = {one for one in said if one != "\n" and unicodedata.category(one) in _DOING}
    return sorted(map(repr, found))


# --- tables --------------------------------------------------------------------------------------------------------


def tables(fleet: Fleet) -> Iterator[str]:
    """The published ids are those that were given, and there are the declared tables, no more and no fewer."""
    with reading(fleet.store) as con:
        there = {row[0] for row in con.execute("SELECT table_name FROM information_schema.tables").fetchall()}
        for table, wanted in (("events", fleet.vehicles), ("vehicles", fleet.vehicles), ("drivers", fleet.drivers)):
            column = "driver_id" if table == "drivers" else "vehicle_id"
            found = {row[0] for row in con.execute(f"SELECT DISTINCT {column} FROM {table}").fetchall()}
            if found != set(wanted):
                yield f"{table}: {sorted(set(wanted) ^ found)!a} differ"
        events = con.execute("SELECT count(*) FROM events").fetchone()
    if events != (2 * len(fleet.vehicles),):
        yield f"{events} events of {len(fleet.vehicles)} vehicles"
    if missing := set(TABLES) - there:
        yield f"tables are gone: {missing}"


# --- terminal ------------------------------------------------------------------------------------------------------


def command(*words: str, status: Iterable[int] = (0, 1, 2)) -> tuple[str, list[str]]:
    """What a command says on standard output, and what went wrong: a traceback, letters that steer, endless lines."""
    done = CliRunner().invoke(app, list(words))
    wrong = []
    shown = ascii(" ".join(words))[:200]
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        wrong.append(f"{shown}: ends with {done.exception!r:.300}")
    elif done.exit_code not in status:
        wrong.append(f"{shown}: status {done.exit_code}: {done.stderr[-300:]!a}")
    told = [*done.stdout.splitlines(), *done.stderr.splitlines()]
    if "--json" in words:
        wrong += _no_object(done.stdout, shown)
        told = [line for line in told if not line.startswith("{")]
    if found := steering(done.stdout + done.stderr):
        wrong.append(f"{shown}: the terminal is sent {', '.join(found)}")
    if (longest := max(map(len, told), default=0)) > MOST_ON_A_LINE:
        wrong.append(f"{shown}: a line of {longest} letters")
    return done.stdout, wrong


def _no_object(said: str, shown: str) -> list[str]:
    lines = said.split("\n")
    try:
        found = json.loads(lines[-2])
    except (ValueError, IndexError):
        return [f"{shown}: the last line is no JSON"]
    return [] if isinstance(found, dict) and "status" in found else [f"{shown}: the last line is no object of ours"]


def terminal(fleet: Fleet) -> Iterator[str]:
    """The lists that commands print."""
    store = ("--store", str(fleet.store))
    for words in (("score", *store), ("plan", *store, "--json"), ("holds", *store)):
        yield from command(*words, status=(0,))[1]


def upkeep(fleet: Fleet, folder: Path) -> Iterator[str]:
    """What is said of a store that is sound, of one that lost pieces and rows, and of what is too old to be kept."""
    yield from command("check", "--store", str(fleet.store), status=(0,))[1]
    store = Path(shutil.copytree(fleet.store, folder / "damaged"))
    given = ("--store", str(store))
    with rebuilding(store) as con:
        con.execute("UPDATE vehicle_health SET health_score = 400")
        con.execute("UPDATE events SET driver_id = vehicle_id")
        con.execute("DELETE FROM events WHERE rowid % 7 = 0")
    told, wrong = command("check", *given, status=(1,))
    yield from wrong
    if " wrong (" not in told:
        yield "check tells nothing of what is wrong, so that nothing is tried"
    yield from command("check", *given, "--json", status=(1,))[1]
    (piece, *_) = sorted((store / "lake").rglob("*.events.parquet"))
    piece.write_bytes(piece.read_bytes()[:100])
    for words in (("check", "--repair"), ("retain", "--months=1", "--dry-run"), ("retain", "--months=1", "--json")):
        yield from command(words[0], *given, *words[1:])[1]


# --- files ---------------------------------------------------------------------------------------------------------


def month(fleet: Fleet, out: Path, *, safety_role: bool) -> Iterator[str]:
    """The month's files: all where they belong, every cell text, CSV that reads back, a PDF that links nowhere."""
    files = pipeline.report(fleet.store, MONTH, out, safety_role=safety_role)
    written = {path for path in out.rglob("*") if path.is_file()}
    if set(files) != written or any(not path.resolve().is_relative_to(out.resolve()) for path in written):
        yield f"files written {len(written)}, told {len(files)}"
    yield from workbook((out / f"brakes-{MONTH}.xlsx").read_bytes())
    yield from document((out / f"brakes-{MONTH}.pdf").read_bytes(), most_pages=40)
    for file in sorted((out / "csv").iterdir()):
        yield from _csv_reads_back(file, out / "parquet" / f"{file.stem}.parquet")


def workbook(made: bytes) -> Iterator[str]:
    """No formula, no link, no strange sheet name; every part of the file is XML that reads."""
    book = openpyxl.load_workbook(io.BytesIO(made))
    for sheet in book:
        if not re.fullmatch(r"[\w ,.]{1,31}", sheet.title):
            yield f"a sheet is called {sheet.title!a}"
        cells = (cell for row in sheet.iter_rows() for cell in row)
        strange = [cell.coordinate for cell in cells if cell.data_type == "f" or cell.hyperlink]
        if strange:
            yield f"{sheet.title}: formulas or links in {strange[:5]}"
    if book.defined_names and any("!" not in name.attr_text for name in book.defined_names.values()):
        yield "a name of the workbook is no place of it"


def document(made: bytes, most_pages: int, *, pages: int | None = None) -> Iterator[str]:
    """A PDF without links, scripts and attached files, of a number of pages that somebody turns."""
    read = pypdf.PdfReader(io.BytesIO(made))
    if len(read.pages) > most_pages or (pages is not None and len(read.pages) != pages):
        yield f"a document of {len(read.pages)} pages"
    for page in read.pages:
        for note in page.get("/Annots", []):
            action = note.get_object().get("/A", {})
            if {"/URI", "/JS", "/F"} & set(action):
                yield f"a document acts: {action!r:.200}"
    if {"/OpenAction", "/AA"} & set(read.trailer["/Root"]) or read.attachments:
        yield "a document acts when it is opened"


def _csv_reads_back(file: Path, same: Path) -> Iterator[str]:
    """The CSV file holds what the Parquet file holds, and no cell of text begins like a formula."""
    with file.open(encoding="utf-8", newline="") as lines:
        header, *rows = list(csv.reader(lines, strict=True))
    table = pq.read_table(same)
    if len(rows) != table.num_rows or header != table.column_names:
        yield f"{file.name}: {len(rows)} rows, {same.name} has {table.num_rows}"
        return
    for place, name in enumerate(header):
        if str(table.schema.field(name).type) != "string":
            continue
        for row, value in zip(rows, table.column(name).to_pylist(), strict=True):
            if row[place].startswith(_FORMULA):
                yield f"{file.name}: {name} has {row[place][:60]!a}"
            if unprotected(row[place]) != (value or "").replace("\0", "\N{REPLACEMENT CHARACTER}"):
                yield f"{file.name}: {name} reads {row[place][:60]!a}, not {value!a:.60}"


def plan(fleet: Fleet) -> Iterator[str]:
    """Calendar, workbook and sheet to fill in: as many visits as there are, and nothing but visits."""
    with reading(fleet.store) as con:
        visits = con.execute("SELECT vehicle_id FROM inspection_plan").fetchall()
    yield from calendar(plan_files.calendar_bytes(fleet.store), len(visits))
    yield from workbook(plan_files.workbook_bytes(fleet.store))
    sheet = plan_files.findings_sheet_bytes(fleet.store).decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(sheet, newline=""), strict=True))
    if sorted(unprotected(row["vehicle_id"]) for row in rows) != sorted(visit for (visit,) in visits):
        yield "the sheet to fill in has other vehicles than the plan"
    if begins := [cell[:40] for row in rows for cell in row.values() if cell and cell.startswith(_FORMULA)]:
        yield f"the sheet to fill in has formulas: {begins[:3]!a}"


def calendar(made: bytes, visits: int) -> Iterator[str]:
    """As many entries as visits, of known properties only, in lines of at most 75 octets."""
    if any(len(line) > 75 for line in made.split(b"\r\n")):
        yield "a line of the calendar is too long"
    read = Calendar.from_ical(made)
    if {part.name for part in read.walk()} != {"VCALENDAR", "VEVENT"}:
        yield f"the calendar has {sorted({part.name for part in read.walk()})}"
    entries = read.walk("VEVENT")
    if len(entries) != visits:
        yield f"the calendar has {len(entries)} entries of {visits} visits"
    if strange := {name for entry in entries for name in entry} - _EVENT_PROPERTIES:
        yield f"an entry of the calendar has {strange}"
    titles = [str(entry[name]) for entry in entries for name in ("SUMMARY", "LOCATION") if name in entry]
    if any(steering(_WRITTEN_WITH.sub("", title)) for title in titles):
        yield "a title of the calendar steers its reader"


def sheets(fleet: Fleet, vehicles: Sequence[str]) -> Iterator[str]:
    """A page a vehicle, a page a driver."""
    made = vehicle_sheets(fleet.store, vehicles)
    yield from document(made, len(vehicles), pages=len(vehicles))
    with reading(fleet.store) as con:
        scored = {row[0] for row in con.execute("SELECT driver_id FROM driver_style").fetchall()}
    drivers = [one for one in fleet.drivers if one in scored][: len(vehicles)]
    for names in (True, False):
        given = drivers if names else [str(talk.row["driver_id"]) for talk in talks_with(fleet.store, drivers)]
        talks = talks_with(fleet.store, given, names=names)
        yield from document(driver_sheets(talks), len(drivers), pages=len(drivers))


# --- pages ---------------------------------------------------------------------------------------------------------


def page(fleet: Fleet, view: str, texts: Sequence[str], **asked: str) -> Iterator[str]:
    """One page: no error, and none of the texts as it stands where the page reads markup."""
    shown = f"{view} {ascii(asked)[:80]}"
    with patch.dict(os.environ, {"FLEETBRAKE_STORE": str(fleet.store)}):
        seen = AppTest.from_file(str(ROOT / "dashboards" / "app.py"), default_timeout=300)
        if view != "inspections":
            seen.switch_page(f"views/{view}.py")
        for name, value in asked.items():
            seen.query_params[name] = value
        seen.run()
    yield from (f"{shown}: {wrong.message[:300]!a}" for wrong in seen.exception)
    marked = [text for text in texts if re.search(r"[<\[*`$|]|:\w+[:\[]|^# |://|\w@\w", text)]
    for kind, words in _marked_up(seen):
        # one that begins with its only mark stands there with a backslash before it
        if found := [text for text in marked if re.search(rf"(?<!\\){re.escape(text)}", words)]:
            yield f"{shown}: {kind} reads {found[0][:60]!a} as markup"
        if found := steering(_WRITTEN_WITH.sub("", words)):
            yield f"{shown}: {kind} holds {', '.join(found)}"


def _marked_up(seen: AppTest) -> Iterator[tuple[str, str]]:
    """Words of all elements of a page that read Markdown in them."""
    for one in _elements(seen._tree):
        if one.type in _AS_IT_IS:
            continue
        proto = getattr(one, "proto", None)
        for name in ("body", "label", "value", "help"):
            words = getattr(proto, name, None)
            if isinstance(words, str) and words:
                yield one.type, words


def _elements(block: Any) -> Iterator[Any]:
    for child in getattr(block, "children", {}).values():
        yield child
        yield from _elements(child)

"""Every way into a store, each as a function that brings hostile text to it and tells what went against what must hold.

What cannot be kept is refused with a sentence, and what came beside it is in; what can be kept comes back letter by
letter.
"""

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq
from faults.hostile_exits import command, steering
from faults.hostile_fleet import Fleet, driver_of, kept_as, write_register
from faults.hostile_texts import BLANK, HALVES, PADDED, UNKEEPABLE, Hostile
from product_run import Stop, recording
from typer.testing import CliRunner

from fleetbrake import pipeline
from fleetbrake.cli_jobs import nightly_app
from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.core.foreign_text import MOST_NOTE
from fleetbrake.core.spreadsheet import protected
from fleetbrake.planning import wishes
from fleetbrake.recordings.register_rows import Inspection, Repair
from fleetbrake.store.database import reading
from fleetbrake.store.entered import entries
from fleetbrake.store.findings import enter_finding, import_findings
from fleetbrake.store.log import read_log
from fleetbrake.upkeep import forget_driver, hold, list_holds, release_hold

GOOD: Final = "good one"
_DAY: Final = date(2026, 1, 5)
#: Flags and vehicles of which something is decided: each looks at the whole store.
_DECIDED: Final = 4


@dataclass(frozen=True)
class Said:
    """What one reading published and told."""

    events: set[tuple[str, str, str | None]]
    problems: list[str]
    store: Path


def read_in(folder: Path, tables: Sequence[pa.Table], mapping: str | None = None) -> Said:
    """Read recordings in, each a file, and give back event, vehicle and driver of what was published."""
    (folder / "in").mkdir(parents=True)
    for number, table in enumerate(tables):
        pq.write_table(table, folder / "in" / f"{number}.parquet")
    done = pipeline.ingest([folder / "in"], folder / "store", mapping=mapping)
    with reading(folder / "store") as con:
        rows = con.execute("SELECT event_id, vehicle_id, driver_id FROM events").fetchall()
    return Said(set(rows), done.problems, folder / "store")


def stop(number: int, **ids: str | None) -> pa.Table:
    """A stop with these ids; a column whose id is None is not there."""
    table = recording(Stop(14.0, 4.0), GOOD, vehicle_id=GOOD, number=number, rate_hz=25.0)
    for name, value in ids.items():
        table = table.drop_columns([name]) if name in table.column_names else table
        if value is not None:
            table = table.append_column(name, pa.array([value] * table.num_rows))
    return table.select(sorted(table.column_names))


# --- recordings ----------------------------------------------------------------------------------------------------


def impossible_ids(folder: Path) -> Iterator[str]:
    """An event or vehicle whose id none can be is rejected alone; such a driver is left out, and the event stays."""
    for column in ("event_id", "vehicle_id"):
        bad = [
            pa.concat_tables(
                [stop(2 * k, **{"event_id": f"bad {k}", column: one.text}), stop(2 * k + 1, event_id=f"good {k}")]
            )
            for k, one in enumerate(UNKEEPABLE)
        ]
        said = read_in(folder / column, bad)
        yield from _in_and_told(said, {(f"good {k}", GOOD, None) for k in range(len(bad))}, len(bad), column)
    drives = [stop(3 * k, event_id=None, vehicle_id=one.text) for k, one in enumerate(UNKEEPABLE)]
    said = read_in(folder / "drives", [*drives, stop(0)])
    yield from _in_and_told(said, {(GOOD, GOOD, None)}, len(drives), "the vehicle of a drive")
    driven = [stop(k, event_id=f"e {k}", driver_id=one.text) for k, one in enumerate(UNKEEPABLE)]
    said = read_in(folder / "driver", driven)
    yield from _in_and_told(said, {(f"e {k}", GOOD, None) for k in range(len(driven))}, 0, "driver_id")


def _in_and_told(said: Said, wanted: set[tuple[str, str, str | None]], told: int, what: str) -> Iterator[str]:
    if said.events != wanted:
        yield f"{what}: {ascii(sorted(map(str, said.events ^ wanted)))[:200]} differ"
    yield from _told(said.problems, what, told)


def _told(problems: Sequence[str], what: str, number: int = 1) -> Iterator[str]:
    if len(problems) != number:
        yield f"{what}: told {len(problems)} times, not {number}"
    for problem in problems:
        if steering(problem) or len(problem) > 600:
            yield f"{what}: told in {len(problem)} letters, {steering(problem)}"


def blanks(folder: Path) -> Iterator[str]:
    """Blanks around an id are no part of it, wherever it stands; an id of blanks alone is none."""
    tables, wanted = [], set()
    for k, one in enumerate(PADDED):
        want = kept_as(one.text)
        tables += [stop(6 * k, event_id=one.text, vehicle_id=one.text, driver_id=one.text)]
        tables += [stop(6 * k + 3, event_id=f"other {k}", vehicle_id=want, driver_id=want)]
        wanted |= {(want, want, want), (f"other {k}", want, want)}
    said = read_in(folder / "padded", tables)
    yield from _in_and_told(said, wanted, 0, "ids with blanks around them")
    register(folder / "registers", "vehicles", [{"vehicle_id": one.text, "category": "M3"} for one in PADDED])
    unknown = pipeline.ingest([], said.store, registers=folder / "registers").unknown_vehicles
    if unknown:
        yield f"the register does not know {unknown!a}"
    both = [stop(0, event_id="one"), stop(2, event_id="two"), stop(1, event_id="one ")]
    said = read_in(folder / "twice", [pa.concat_tables(both)])
    yield from _in_and_told(said, {("two", GOOD, None)}, 1, "an id with and without blanks, apart")
    blank = [
        pa.concat_tables([stop(2 * k, event_id=one.text), stop(2 * k + 1, event_id=f"e{k}")])
        for k, one in enumerate(BLANK)
    ]
    said = read_in(folder / "blank", blank)
    yield from _in_and_told(said, {(f"e{k}", GOOD, None) for k in range(len(blank))}, len(blank), "blank ids")


def register(folder: Path, name: str, rows: list[dict[str, Any]]) -> None:
    """One register in a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    write_register(folder / f"{name}.csv", rows)


def halves(folder: Path) -> Iterator[str]:
    """A file whose texts are no UTF-8 is rejected with a sentence."""
    tables = []
    for one in HALVES:
        table = stop(0)
        broken = pa.array([one.text.encode("utf-8", "surrogatepass")] * table.num_rows, pa.binary()).view(pa.string())
        tables.append(table.drop_columns(["vehicle_id"]).append_column("vehicle_id", broken))
    yield from _in_and_told(
        read_in(folder, [*tables, stop(0)]), {(GOOD, GOOD, None)}, len(tables), "halves of characters"
    )


def mappings(folder: Path, texts: Sequence[str]) -> Iterator[str]:
    """Names of columns and constants of a mapping file, whatever they hold: what is said there is what is read."""
    folder.mkdir(parents=True)
    taken = {"event_id", "speed_mps", "timestamp", "brake_pedal_pct"}
    for place, text in enumerate(texts):
        if text in taken or not text.strip():
            continue
        table = stop(0, vehicle_id=None)
        table = table.append_column(text, table.column("speed_mps")).drop_columns(["speed_mps"])
        columns = {name: {"source": name} for name in ("event_id", "timestamp", "brake_pedal_pct")}
        columns |= {"speed_mps": {"source": text}, "vehicle_id": {"constant": text}}
        lines = [f"{name} = {_toml(entry)}" for name, entry in columns.items()]
        file = folder / f"{place}.toml"
        file.write_text("[columns]\n" + "\n".join(lines) + "\n", encoding="utf-8")
        said = read_in(folder / str(place), [table], str(file))
        if said.events != {(GOOD, kept_as(text), None)} or said.problems:
            yield f"mapping of {text[:60]!a}: {said.problems[:1]!a}"


def _toml(entry: dict[str, str]) -> str:
    """An inline table; TOML and JSON write texts alike but for the delete character (TOML 1.0, from memory)."""
    texts = ", ".join(f"{name} = {json.dumps(value, ensure_ascii=False)}" for name, value in entry.items())
    return "{ " + texts.replace("\x7f", "\\u007f") + " }"


# --- registers -----------------------------------------------------------------------------------------------------


def registers(folder: Path) -> Iterator[str]:
    """A row whose id none can be is told, the others are in; a note that nobody reads to its end is cut and told."""
    texts = [one.text for one in UNKEEPABLE]
    register(
        folder / "r", "vehicles", [{"vehicle_id": GOOD}, *({"vehicle_id": text, "category": "M3"} for text in texts)]
    )
    register(
        folder / "r",
        "drivers",
        [{"driver_id": GOOD}, *({"driver_id": f"d{k}", "depot": text} for k, text in enumerate(texts))],
    )
    found = {"vehicle_id": GOOD, "inspected_on": _DAY, "finding": "other", "severity": 3}
    register(
        folder / "r", "inspections", [found | {"inspection_id": f"i{k}", "note": text} for k, text in enumerate(texts)]
    )
    done = pipeline.ingest([], folder / "store", registers=folder / "r")
    long = sum(len(text.strip()) > MOST_NOTE for text in texts)
    yield from _told(done.problems, "registers", 2 * len(texts) + long)
    with reading(folder / "store") as con:
        rows = con.execute("SELECT vehicle_id FROM vehicles UNION ALL SELECT driver_id FROM drivers").fetchall()
        notes = {row[0] for row in con.execute("SELECT note FROM inspections").fetchall()}
    if rows != [(GOOD,), (GOOD,)]:
        yield f"registers hold {ascii(rows)[:200]}"
    if len(notes) != len(texts) or max(map(len, notes)) > MOST_NOTE:
        yield f"{len(notes)} notes of {len(texts)}"


# --- people --------------------------------------------------------------------------------------------------------


def forms(fleet: Fleet, texts: Sequence[str]) -> Iterator[str]:
    """What people enter comes back letter by letter, or is refused with a sentence; decisions and deferrals too."""
    vehicles = fleet.vehicles
    for place, text in enumerate(texts):
        vehicle, said = vehicles[place % len(vehicles)], f"{text} is why"
        row = Inspection(
            inspection_id=f"{text} f", vehicle_id=vehicle, inspected_on=_DAY, wheel="1R", finding="other", severity=1,
            note=said,
        )  # fmt: skip
        work = Repair(vehicle_id=vehicle, repaired_on=_DAY, work="other", note=said)
        enter_finding(fleet.store, f"{text} by", [row], [work])
        made = entries(fleet.store, ("finding", "work"), vehicle)[-2:]
        if [entry.body.row.note for entry in made] != [said] * 2 or made[0].made_by != f"{text} by":
            yield f"a finding of {text[:60]!a} does not come back"
    for vehicle, text in zip(vehicles[:_DECIDED], texts, strict=False):
        yield from _refused_or_done(wishes.defer, fleet.store, vehicle, _DAY, f"{text} why", f"{text} by")
    last = _DAY + timedelta(days=30)
    for flag, text in zip(wishes.flags(fleet.store)[:_DECIDED], texts, strict=False):
        for decision in ("watch", "inspect_now"):
            yield from _refused_or_done(wishes.decide, fleet.store, flag, decision, f"{text} by", f"{text} why", last)


def _refused_or_done(work: Callable[..., None], *given: Any) -> Iterator[str]:
    try:
        work(*given)
    except FleetbrakeError as error:
        if len(str(error)) > 1_000:
            yield f"a refusal of {len(str(error))} letters: {str(error)[:60]!a}"


def sheet(fleet: Fleet, folder: Path, texts: Sequence[str]) -> Iterator[str]:
    """A sheet of findings as the workshop sends it back."""
    file = folder / "findings.csv"
    rows = [
        {
            "inspection_id": f"s {place}",
            "vehicle_id": protected(vehicle),
            "inspected_on": _DAY,
            "wheel": "",
            "finding": "other",
        }
        | {"severity": 1, "note": protected(text[:2_000])}
        for place, (vehicle, text) in enumerate(zip(fleet.vehicles, texts, strict=False))
    ]
    write_register(file, rows)
    taken = import_findings(fleet.store, file, "w")
    if taken.new != len(rows) or taken.problems:
        yield f"{len(rows)} findings, {taken.new} new: {taken.problems[:2]!a}"
    odd = [
        {"inspection_id": "x", "vehicle_id": text, "inspected_on": text, "finding": text, "severity": text}
        for text in texts
    ]
    write_register(file, odd)
    told = command("findings", str(file), "--store", str(fleet.store), "--json")
    yield from told[1]


def legal_holds(fleet: Fleet, texts: Sequence[str]) -> Iterator[str]:
    """Holds on hostile ids, for hostile reasons; placed, listed, released."""
    for place, text in enumerate(texts):
        vehicle = fleet.vehicles[place % len(fleet.vehicles)]
        made = hold(fleet.store, reason=f"{text} why", by=f"{text} by", vehicle_id=vehicle).hold
        kept = next(one.hold for one in list_holds(fleet.store) if one.hold.hold_id == made.hold_id)
        if (kept.reason, kept.by, kept.vehicle_id) != (f"{text} why", f"{text} by", vehicle):
            yield f"a hold for {text[:60]!a} does not come back"
    yield from command("holds", "--store", str(fleet.store))[1]
    for one in list_holds(fleet.store):
        release_hold(fleet.store, one.hold.hold_id, by="b", reason=one.hold.reason)


def forgotten(fleet: Fleet, texts: Sequence[str]) -> Iterator[str]:
    """Drivers with hostile ids are forgotten as any other: no row names them any more, and others stay."""
    for text in texts:
        driver = driver_of(text)
        with reading(fleet.store) as con:
            before = {row[0] for row in con.execute("SELECT driver_id FROM drivers").fetchall()}
        try:
            done = forget_driver(fleet.store, driver)
        except FleetbrakeError as error:
            if "much alike" not in str(error):
                yield f"{driver[:60]!a} is not forgotten: {str(error)[:200]!a}"
            continue
        with reading(fleet.store) as con:
            after = {row[0] for row in con.execute("SELECT driver_id FROM drivers").fetchall()}
        if before - after != {driver, *done.alike}:
            yield f"{driver[:60]!a}: gone are {ascii(before - after)[:300]}, told {done.alike!a}"


# --- a night -------------------------------------------------------------------------------------------------------


def night(folder: Path, texts: Sequence[str]) -> Iterator[str]:
    """A night over damaged files with hostile names: one line of JSON, a log of objects, a terminal left in peace."""
    (folder / "recordings").mkdir(parents=True)
    for number, text in enumerate(texts):
        name = f"{text}{number}".replace("/", "_").replace("\0", "_").encode()[:180].decode("utf-8", "ignore")
        (folder / "recordings" / f"{name}.parquet").write_bytes(b"PAR1" + text.encode()[:100])
    pq.write_table(stop(0), folder / "recordings" / "good.parquet")
    parts = {"store": 'folder = "store"', "recordings": 'folders = ["recordings"]', "month": 'out = "out"'}
    lines = "".join(f"[{name}]\n{line}\n" for name, line in parts.items())
    (folder / "fleet.toml").write_text(lines + "[heartbeat]\nevery_s = 0.2\n", encoding="utf-8")
    done = CliRunner().invoke(nightly_app, ["--config", str(folder / "fleet.toml")])
    yield from _night_said(done.stdout, done.stderr, folder)
    if len(read_log(folder / "store")) != len(texts) + 1:
        yield f"{len(read_log(folder / 'store'))} files in the log, {len(texts) + 1} there"


def _night_said(out: str, said: str, folder: Path) -> Iterator[str]:
    if out.count("\n") != 1 or not isinstance(json.loads(out), dict):
        yield f"a night says {out.count(chr(10))} lines"
    if found := steering(said):
        yield f"a night sends the terminal {', '.join(found)}"
    files = [*(folder / "store" / "logs").glob("*.jsonl"), *(folder / "store").glob("heartbeat-*.json")]
    for line in (line for file in files for line in file.read_text("utf-8").split("\n") if line):
        if not isinstance(json.loads(line), dict):
            yield f"a line of the log is no object: {line[:80]!a}"
    if len(files) < 2:
        yield "there is no log, or no heartbeat"


# --- arguments -----------------------------------------------------------------------------------------------------

#: Commands in which a text takes each place that a person fills; ``{}`` is the text.
ARGUMENTS: Final = (
    ("{}",),
    ("score", "--store={}"),
    ("score", "--store", "STORE", "--as-of={}"),
    ("score", "--store", "STORE", "{}"),
    ("score", "--{}"),
    ("ingest", "--store", "STORE", "--", "{}"),
    ("ingest", "--store", "STORE", "--mapping={}"),
    ("ingest", "--store", "STORE", "--registers={}"),
    ("plan", "--store", "STORE", "--calendar={}"),
    ("report", "--store", "STORE", "--month={}", "--out", "OUT"),
    ("vehicle-sheet", "--store", "STORE", "--out", "OUT.pdf", "--", "{} unknown"),
    ("driver-sheet", "--store", "STORE", "--out", "OUT.pdf", "--", "{} unknown"),
    ("findings", "--store", "STORE", "--", "{}"),
    ("hold", "--store", "STORE", "--vehicle={} unknown", "--reason={}", "--by={}"),
    ("release-hold", "--store", "STORE", "--by={}", "--reason={}", "--", "{}"),
    ("forget-driver", "--store", "STORE", "--", "{}"),
    ("dashboard", "--store={} nowhere"),
    ("dashboard", "--store", "STORE", "--sign-in={}"),
    ("dashboard", "--store", "STORE", "--address={}"),
)


def arguments(fleet: Fleet, out: Path, one: Hostile) -> Iterator[str]:
    """The text in each place of a command that a person fills: a sentence, and nothing written where it should not."""
    places = {"STORE": str(fleet.store), "OUT": str(out / "o"), "OUT.pdf": str(out / "o.pdf")}
    for words in ARGUMENTS:
        given = [places.get(word, word.replace("{}", one.text)) for word in words]
        if "-h" in given or one.text in (".", "..", "/", ""):
            continue
        yield from command(*given)[1]

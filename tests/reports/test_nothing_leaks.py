"""Nothing in a report's files leads to a driver or a place without the role for it: marks in every column say so."""

import re
import zipfile
from pathlib import Path

import pyarrow.parquet as pq
import pypdf
import pytest
from builders import MONTH, build_store

import fleetbrake.reports.monthly.month as month_files
from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.core.report_tables import REPORT_TABLES
from fleetbrake.core.tables import TABLES, Column
from fleetbrake.reports.monthly.month import write_month
from fleetbrake.reports.monthly.month_data import month_tables
from fleetbrake.store.database import rebuilding

DRIVER, TRIP, FOLDER = "Zqx-D77", "Trip-Zqt-5", "/srv/zqfolder/in"
#: A driver in other letters too; white space is not looked at, the PDF breaks lines where it likes.
_DRIVER_LIKE = re.compile(r"zqx[\W_]*d77", re.IGNORECASE)
#: Degrees by table: no other number of a report looks like them.
_PLACE = 47.123457
_PLACE_LIKE = re.compile(r"47\.12345|38\.58765")

#: Text columns that carry no driver and no place. A new text column is not in it: it gets the marks, and this test
#: holds only if the report takes them out again, or somebody thought about it and wrote it down here and there.
CODES = {
    "vehicle_health": "vehicle_id priority leading_indicator suspect_wheel depot category score_model own_priority",
    "indicators": "vehicle_id indicator wheel unit measure basis evidence",
    "indicator_trips": "vehicle_id indicator wheel event_id",
    "driver_style": "depot",
    "driver_coaching": "kind event_id subject",
    "exposure_summary": "depot",
    "inspection_plan": "depot vehicle_id priority indicator wheel evidence",
    "plan_days": "depot basis",
    "plan_summary": "depot",
    "flags": "flag_id vehicle_id indicator wheel priority state seen_by decision decided_by result",
    "inspection_evidence": "vehicle_id part rules",
    "predictions": "vehicle_id priority own_priority leading_indicator suspect_wheel",
    "inspection_outcomes": "vehicle_id defects wheels minor minor_wheels predicted_priority predicted_indicator "
    "predicted_wheel not_predicted",
    "model_quality": "model figure",
    "events": "event_id vehicle_id brake_source surface wheels_modulated modulation_wheels flag_and_wheels "
    "wheels_locked speed_source demand_kind lockup_rule not_braking category depot",
    "event_wheels": "event_id wheel vehicle_id lockup_rule",
    "ingest_log": "sha256 status channels",
    "observability": "subject channels",
    "unknown_ids": "kind",
    "month_figures": "month depot category",
    "month_surfaces": "month depot category surface",
    "month_work": "month vehicle_id depot category",
    "recording_facts": "vehicle_id depot category",
    "recording_channels": "vehicle_id channel",
}
TRIPS = {("events", "trip_id"), ("indicator_trips", "trip")}
PATHS = {("events", "source_path"), ("ingest_log", "path")}
IDS = {("events", "driver_id"), ("driver_style", "driver_id"), ("driver_coaching", "driver_id"), ("unknown_ids", "id")}
POSITIONS = {("events", "latitude_deg"), ("events", "longitude_deg")}
#: Sentences of ours in which nobody writes: not read for places.
OURS = {"sentence", "statutory", "otherwise_null", "left_out_reason"}
#: Columns whose names sound like a place and are none: an order within a day, a share of the fleet.
NO_PLACES = {("driver_coaching", "position"), ("inspection_plan", "position"), ("inspection_evidence", "place")}

_ANY = {
    "VARCHAR": "'x'", "DOUBLE": "0.5", "BIGINT": "1", "BOOLEAN": "true", "DATE": "DATE '2026-01-28'",
    "TIMESTAMPTZ": "TIMESTAMPTZ '2026-01-20 10:00:00+00'",
}  # fmt: skip


def _marked(table: str, column: Column) -> str | None:
    """The mark of a column as SQL; None where it keeps what it has."""
    at = (table, column.name)
    if at in POSITIONS:
        return str(_PLACE)
    if column.type != "VARCHAR" or column.name in CODES.get(table, "").split():
        return None
    if at in TRIPS:
        return f"'{TRIP}'"
    if at in PATHS:
        return f"'{FOLDER}/driver_id={DRIVER}/zqx_d77 day.parquet'"
    if at in IDS:
        return f"'{DRIVER}'"
    place = "" if column.name in OURS else "; at -38.587654, -20.731234"
    trip = f"; {TRIP}, trip_zqt_5s"
    path = f"{FOLDER}/driver_id={DRIVER}/zqx_d77 day.parquet"
    return f"'{DRIVER} said; zqx d77, ZQX_D77s and Zqx.-D77 ({path}){trip}{place}'"


@pytest.fixture(scope="module")
def marked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    store = build_store(tmp_path_factory.mktemp("marked"))
    empty = [name for name, table in month_tables(store, MONTH, None).items() if not table.num_rows]
    with rebuilding(store) as con:
        for name in empty:
            values = ", ".join(f"'{MONTH}'" if c.name == "month" else _ANY[c.type] for c in TABLES[name])
            con.execute(f'INSERT INTO "{name}" ({", ".join(c.name for c in TABLES[name])}) VALUES ({values})')
        con.execute("UPDATE unknown_ids SET kind = 'driver'")
        for name, columns in TABLES.items():
            told = [f'"{c.name}" = {mark}' for c in columns if (mark := _marked(name, c)) is not None]
            if told:
                con.execute(f'UPDATE "{name}" SET {", ".join(told)}')
    return store


@pytest.fixture(scope="module")
def out(marked: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("told")
    write_month(marked, MONTH, folder)
    return folder


def _content(path: Path) -> str:
    """All that a file says, without white space."""
    if path.suffix == ".pdf":
        said = "".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
    elif path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as book:
            said = "".join(book.read(name).decode("utf-8", "replace") for name in book.namelist())
    elif path.suffix == ".parquet":
        table = pq.read_table(path)
        said = f"{table.to_pylist()} {table.schema.metadata}"
    else:
        said = path.read_text(encoding="utf-8")
    return re.sub(r"[\s\u200b\u00ad]", "", said)


def test_every_column_that_could_tell_is_marked(marked: Path) -> None:
    """With the role all marks are there: else the next test would hold for nothing."""
    for name, table in month_tables(marked, MONTH, None).items():
        for column in TABLES[name]:
            if _marked(name, column) is not None:
                seen = {str(v) for v in table[column.name].to_pylist()}
                assert table.num_rows and any(re.search(r"(?i)zq|47\.1", v) for v in seen), (name, column.name)


def test_no_file_tells_a_driver_a_trip_a_place_or_a_folder(out: Path) -> None:
    files = [path for path in out.rglob("*") if path.is_file()]
    assert len(files) == 2 + 2 * len(REPORT_TABLES | TABLES)
    for path in files:
        said = _content(path)
        found = _DRIVER_LIKE.search(said) or _PLACE_LIKE.search(said)
        assert found is None, (path.name, found)
        assert not re.search(r"(?i)trip[\W_]*zqt", said) and "zqfolder" not in said, path.name
    assert "driver-" in _content(out / "csv" / "flags.csv"), "an alias stands where the id stood"


def test_columns_that_sound_like_places_are_known() -> None:
    sounds = re.compile(r"lat(itude)?_|lon(gitude)?_|_deg$|place|position|address|where|street|site")
    named = {(name, c.name) for name, columns in TABLES.items() for c in columns if sounds.search(c.name)}
    assert named == POSITIONS | NO_PLACES


def test_the_order_of_rows_does_not_tell_which_alias_is_whose(store: Path) -> None:
    """Ids in order become aliases in an order of their own: D-104 -> z, D-118 -> y ..."""
    ids = sorted(month_tables(store, MONTH, None)["driver_coaching"]["driver_id"].to_pylist())
    turned = {one: f"driver-{chr(ord('z') - place)}" for place, one in enumerate(dict.fromkeys(ids))}
    told = month_tables(store, MONTH, lambda one: turned.get(one, "driver-0"))["driver_coaching"]
    names = told["driver_id"].to_pylist()
    assert len(set(names)) > 1 and names == sorted(names)


def test_drivers_without_a_score_are_ranked_in_the_order_of_their_aliases(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    with rebuilding(store) as con:
        con.execute("UPDATE driver_style SET style_score = NULL WHERE rank > 2")
    plain = month_tables(store, MONTH, None)["driver_style"].to_pylist()
    turned = {row["driver_id"]: f"driver-{chr(ord('z') - row['rank'])}" for row in plain}
    told = month_tables(store, MONTH, lambda one: turned.get(one, "driver-0"))["driver_style"].to_pylist()
    assert [row["rank"] for row in told] == [row["rank"] for row in plain] == list(range(1, len(plain) + 1))
    names = [row["driver_id"] for row in told]
    assert names[:2] == [turned[row["driver_id"]] for row in plain[:2]] and names[2:] == sorted(names[2:])
    assert {row["driver_id"]: row["distance_km"] for row in told} == {
        turned[row["driver_id"]]: row["distance_km"] for row in plain
    }


def test_a_character_that_cannot_be_printed_shows_as_a_mark(tmp_path: Path) -> None:
    """Where it reached the pictures it would end the whole program."""
    characters = ("\x07", "\x00", "\ufffe", "\u202e")
    store = build_store(tmp_path / "store")
    with rebuilding(store) as con:
        for rank, character in enumerate(characters, start=1):
            con.execute("UPDATE vehicle_health SET vehicle_id = ? WHERE rank = ?", [f"Bus{rank}{character}7", rank])
            con.execute("UPDATE driver_style SET driver_id = ? WHERE rank = ?", [f"Dri{rank}{character}7", rank])
        drivers = con.execute("SELECT count(*) FROM driver_style WHERE starts_with(driver_id, 'Dri')").fetchall()
    assert drivers == [(len(characters),)]
    write_month(store, MONTH, tmp_path / "out", safety_role=True)
    said = _content(tmp_path / "out" / f"brakes-{MONTH}.pdf")
    ids = pq.read_table(tmp_path / "out" / "parquet" / "vehicle_health.parquet")["vehicle_id"].to_pylist()
    for rank, character in enumerate(characters, start=1):
        assert character not in said and f"Bus{rank}" in said and f"Dri{rank}" in said, repr(character)
        assert ids[rank - 1] == f"Bus{rank}{character}7", "data stay what they are"


def test_a_report_that_fails_leaves_nothing_and_an_earlier_one_as_it_was(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(month_files, "write_workbook", full)
    kept = tmp_path / "earlier"
    kept.mkdir()
    (kept / f"brakes-{MONTH}.pdf").write_text("earlier")
    for folder in (kept, tmp_path / "new"):
        with pytest.raises(FleetbrakeError, match="No space left"):
            write_month(store, MONTH, folder)
    assert not (tmp_path / "new").exists()
    assert [(p.name, p.read_text()) for p in kept.rglob("*")] == [(f"brakes-{MONTH}.pdf", "earlier")]

"""The lake, its log and the registers: what is written is read back, wholly or not at all."""

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st
from store_rows import START, event, ingest, wheel

from fleetbrake.core.errors import StoreError
from fleetbrake.core.event_tables import EVENT_WHEELS, EVENTS
from fleetbrake.core.tables import REGISTER_KEYS, REGISTERS
from fleetbrake.store.arrow import arrow_schema
from fleetbrake.store.files import text_path, write_atomically
from fleetbrake.store.lake import Lake, piece_key
from fleetbrake.store.lake_schema import LAKE_EVENT_WHEELS, LAKE_EVENTS, WORK_PARTS
from fleetbrake.store.log import LogEntry, read_log
from fleetbrake.store.log_writing import commit_log
from fleetbrake.store.registers import merge_registers, read_register

EVENTS_EMPTY = arrow_schema(LAKE_EVENTS).empty_table()
WHEELS_EMPTY = arrow_schema(LAKE_EVENT_WHEELS).empty_table()
ENTRY = LogEntry("a.parquet", "s1", "c1", piece_key("a.parquet", "s1", "c1"), "loaded")


def test_lake_columns_are_the_published_ones_but_for_what_is_decided_later() -> None:
    assert {c.name for c in EVENTS} - set(LAKE_EVENTS) == {
        "hard_stop",
        "modulation_hz",
        "lockup_above_cutoff",
        "emergency_application",
        "cutoff_speed_mps",
        "friction_brake_kj",
        "friction_brake_se_kj",
        "lockup_allowed",
        "lockup_rule",
        "incident",
        "category",
        "depot",
        "trip_id",
    }
    assert set(LAKE_EVENTS) - {c.name for c in EVENTS} == {"modulation_seen_hz", "continuous", *WORK_PARTS}
    assert {c.name for c in EVENT_WHEELS} - set(LAKE_EVENT_WHEELS) == {"modulation_hz", "lockup_allowed", "lockup_rule"}


def test_a_piece_reads_back_with_its_nulls(tmp_path: Path) -> None:
    key = ingest(tmp_path, "a", [event("e", peak_decel_mps2=None, lockup=None)], [wheel("e", "1L", peak_slip=None)])
    events, wheels = Lake(tmp_path).pieces([key])
    row = events.to_table().to_pylist()[0]
    assert (row["event_id"], row["peak_decel_mps2"], row["lockup"], row["piece_key"]) == ("e", None, None, key)
    assert row["started_at"] == START
    assert wheels.to_table().to_pylist()[0]["peak_slip"] is None


def test_pieces_not_named_are_not_read_and_then_removed(tmp_path: Path) -> None:
    kept = ingest(tmp_path, "a", [event("e1")])
    dropped = ingest(tmp_path, "b", [event("e2")])
    lake = Lake(tmp_path)
    (lake.folder / "events" / f".{dropped}.parquet.1.part").write_bytes(b"half")
    assert lake.pieces([kept])[0].to_table().column("event_id").to_pylist() == ["e1"]
    assert lake.remove_unlisted([kept]) == 2
    assert lake.has(kept)
    assert {path.name for path in (lake.folder / "events").iterdir()} == {f"{kept}.parquet"}
    with pytest.raises(StoreError, match="feature rows of 1 recording"):
        lake.pieces([kept, dropped])


def test_no_pieces_are_empty_tables(tmp_path: Path) -> None:
    events, wheels = Lake(tmp_path).pieces([])
    assert events.count_rows() == wheels.count_rows() == 0


@pytest.mark.parametrize("key", ["../../x", "", "A" * 32, "0" * 31, "0" * 32 + "\n"])
def test_only_keys_name_pieces(tmp_path: Path, key: str) -> None:
    with pytest.raises(StoreError, match="no key"):
        Lake(tmp_path).write_piece(key, EVENTS_EMPTY, WHEELS_EMPTY)


def test_two_events_of_one_id_in_a_piece_are_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="one id"):
        ingest(tmp_path, "a", [event("e"), event("e")])


def test_a_column_of_the_wrong_type_is_told(tmp_path: Path) -> None:
    wrong = pa.table({"event_id": ["e"], "samples": ["many"]})
    with pytest.raises(StoreError, match="samples"):
        Lake(tmp_path).write_piece("0" * 32, wrong, WHEELS_EMPTY)


@given(st.lists(st.tuples(st.text(), st.text(), st.text()), min_size=2, max_size=2, unique=True))
def test_keys_differ_where_anything_does(parts: list[tuple[str, str, str]]) -> None:
    assert piece_key(*parts[0]) != piece_key(*parts[1])


def test_an_error_while_writing_leaves_the_old_file(tmp_path: Path) -> None:
    target = tmp_path / "x"
    target.write_text("old")

    def write(part: Path) -> None:
        part.write_text("ne")
        raise OSError(28, "No space left on device")

    with pytest.raises(StoreError, match="No space left"):
        write_atomically(target, write)
    assert [path.name for path in tmp_path.iterdir()] == ["x"]
    assert target.read_text() == "old"


def test_paths_that_are_no_text_can_still_be_logged(tmp_path: Path) -> None:
    name = text_path(b"caf\xe9.parquet".decode("utf-8", "surrogateescape"))
    assert name == "caf\\xe9.parquet"
    assert text_path(Path("עגלה")) == "עגלה"
    commit_log(tmp_path, [replace(ENTRY, path=name)])
    assert read_log(tmp_path).get(name) is not None


def test_the_log_reads_back_and_upserts_by_path(tmp_path: Path) -> None:
    full = LogEntry(
        "b'\"; DROP\n.parquet",
        "s",
        "c",
        None,
        "rejected",
        rows=3,
        events=0,
        events_rejected=2,
        reason="no time stamps",
        loaded_at=datetime(2026, 1, 2, 3, 4, 5, 678901, tzinfo=UTC),
        vehicles=1,
        first_at=START,
        last_at=START,
        channels="speed_mps,grade",
        size=10,
        mtime_ns=1_700_000_000_123_456_789,
    )
    assert len(read_log(tmp_path)) == 0
    commit_log(tmp_path, [ENTRY, full])
    commit_log(tmp_path, [replace(ENTRY, status="partly_loaded", events=4)])
    log = read_log(tmp_path)
    assert log.entries == {full.path: full, "a.parquet": replace(ENTRY, status="partly_loaded", events=4)}
    assert log.keys() == [ENTRY.key]


def test_known_asks_for_the_same_bytes_settings_and_a_piece(tmp_path: Path) -> None:
    key = ingest(tmp_path, "a.parquet", [event("e")])
    rejected = LogEntry("r.parquet", "s", "c", None, "rejected")
    log = commit_log(tmp_path, [rejected])
    entry = log.get("a.parquet")
    assert entry is not None
    assert log.known("a.parquet", entry.sha256, entry.settings) == entry
    assert log.known("a.parquet", "other bytes", entry.settings) is None
    assert log.known("a.parquet", entry.sha256, "other criteria") is None
    assert log.known("b.parquet", entry.sha256, entry.settings) is None
    assert log.known("r.parquet", "s", "c") == rejected
    (Lake(tmp_path).folder / "event_wheels" / f"{key}.parquet").unlink()
    assert log.known("a.parquet", entry.sha256, entry.settings) is None


def test_the_log_keeps_no_other_story() -> None:
    with pytest.raises(ValueError, match="unchanged"):
        replace(ENTRY, status="unchanged")
    with pytest.raises(ValueError, match="no piece"):
        replace(ENTRY, status="rejected")


def test_a_damaged_log_is_told(tmp_path: Path) -> None:
    (tmp_path / "lake").mkdir()
    (tmp_path / "lake" / "log.parquet").write_bytes(b"PAR1")
    with pytest.raises(StoreError, match=r"log of files .*log\.parquet"):
        read_log(tmp_path)


def test_registers_upsert_by_key_with_empty_parts_equal(tmp_path: Path) -> None:
    first = {"vehicle_id": ["v", "v"], "tested_on": [date(2026, 1, 1)] * 2, "method": ["roller"] * 2}
    merge_registers(tmp_path, {"brake_tests": pa.table({**first, "wheel": pa.array([None, "1L"], pa.string())})})
    later = pa.table({"vehicle_id": ["v"], "tested_on": ["2026-01-01"], "method": ["roller"], "locked": [True]})
    merge_registers(tmp_path, {"brake_tests": later})
    found = read_register(tmp_path, "brake_tests").select(["wheel", "locked"]).to_pylist()
    assert sorted(found, key=str) == [{"wheel": "1L", "locked": None}, {"wheel": None, "locked": True}]


def test_the_later_row_wins_within_a_table_too_and_unknown_columns_fall_away(tmp_path: Path) -> None:
    rows = pa.table({"driver_id": ["d", "c", "d"], "depot": ["south", "east", "north"], "shoe_size": [40, 41, 42]})
    merge_registers(tmp_path, {"drivers": rows})
    assert read_register(tmp_path, "drivers").to_pylist() == [
        {"driver_id": "c", "depot": "east"},
        {"driver_id": "d", "depot": "north"},
    ]


def test_nothing_is_written_when_one_register_is_bad(tmp_path: Path) -> None:
    good = pa.table({"driver_id": ["d"]})
    with pytest.raises(StoreError, match=r"register vehicles: column axles"):
        merge_registers(tmp_path, {"drivers": good, "vehicles": pa.table({"vehicle_id": ["v"], "axles": ["two"]})})
    assert read_register(tmp_path, "drivers").num_rows == 0
    with pytest.raises(StoreError, match="no register"):
        merge_registers(tmp_path, {"../drivers": good})


@pytest.mark.parametrize("name", sorted(REGISTERS))
def test_every_register_merges_itself_into_itself(tmp_path: Path, name: str) -> None:
    schema = arrow_schema(dict(REGISTERS[name]))
    row = {column: "x" for column, type_ in REGISTERS[name] if type_ == "VARCHAR"}
    table = pa.Table.from_pylist([row, dict.fromkeys(REGISTER_KEYS[name])], schema=schema)
    merge_registers(tmp_path, {name: table})
    once = read_register(tmp_path, name)
    merge_registers(tmp_path, {name: table})
    assert once.num_rows == 2
    assert read_register(tmp_path, name).equals(once)
    assert pq.read_schema(tmp_path / "registers" / f"{name}.parquet").equals(schema)

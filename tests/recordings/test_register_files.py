"""Registers: good rows become tables of exactly the published columns, bad ones a sentence each."""

import datetime as dt

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from fleetbrake.core.tables import REGISTERS
from fleetbrake.recordings.register_rows import MODELS
from fleetbrake.recordings.registers import read_registers

ROWS = {
    "vehicles": "vehicle_id,category,actuation\nV1,N3,air\n",
    "drivers": "driver_id,depot\nD1,North\n",
    "trips": "trip_id,vehicle_id,driver_id,started_at,ended_at,distance_km\n"
    "T1,V1,D1,2026-01-05T08:00:00+01:00,2026-01-05 09:00:00,41.5\n",
    "capacity": (
        "depot,date,weekday,bay_hours,roller_hours,inspector_hours,min_on_road\n"
        "North,,Mon,8,4,6,20\nNorth,2026-01-06,,0,,,\n"
    ),
    "due_dates": "vehicle_id,kind,due_on,bay_hours\nV1,yearly,2026-03-01,2\nV1,roller,2026-02-01,\n",
    "inspections": "inspection_id,vehicle_id,inspected_on,wheel,finding,severity,note\n"
    'I1,V1,2026-01-05,1l,brake_drag,2,"hot, smells"\n',
    "brake_tests": "vehicle_id,tested_on,method,wheel,max_force_n,locked\nV1,2026-01-05,roller,1L,9000,no\n",
    "repairs": "vehicle_id,repaired_on,wheel,work,note\nV1,2026-01-05,1L,lining,\n",
    "defect_reports": "vehicle_id,reported_at,text,severity,cleared_at\nV1,2026-01-05T08:00:00Z,pulls left,1,\n",
}


def told_of(folder, name, text, encoding="utf-8"):
    (folder / f"{name}.csv").write_bytes(text.encode(encoding))
    tables, problems = read_registers(folder)
    return tables.get(name), problems


def test_models_have_the_published_columns():
    assert {name: tuple(model.model_fields) for name, model in MODELS.items()} == {
        name: tuple(column for column, _ in columns) for name, columns in REGISTERS.items()
    }


def test_every_register(tmp_path):
    for name, text in ROWS.items():
        (tmp_path / f"{name}.csv").write_text(text)
    tables, problems = read_registers(tmp_path)
    assert problems == [] and set(tables) == set(REGISTERS)
    for name, table in tables.items():
        assert table.schema.names == [column for column, _ in REGISTERS[name]]
    trip = tables["trips"].to_pylist()[0]
    assert trip["started_at"] == dt.datetime(2026, 1, 5, 7, tzinfo=dt.UTC)
    assert trip["ended_at"] == dt.datetime(2026, 1, 5, 9, tzinfo=dt.UTC)
    assert tables["inspections"].to_pylist()[0]["wheel"] == "1L"
    assert tables["brake_tests"].to_pylist()[0]["locked"] is False
    assert tables["vehicles"].schema.field("in_service_on").type == pa.date32()
    assert tables["vehicles"].to_pylist()[0]["max_mass_kg"] is None


@pytest.mark.parametrize(
    ("name", "text", "sentence"),
    [
        (
            "vehicles",
            "vehicle_id,max_mass_kg\nV1,heavy\n",
            "vehicles.csv row 2: max_mass_kg = 'heavy': must be a number",
        ),
        ("vehicles", "vehicle_id,category\nV1,N9\n", "vehicles.csv row 2: category = 'N9': must be one of M1, M2"),
        ("vehicles", "vehicle_id,axles\nV1,2.5\n", "vehicles.csv row 2: axles = '2.5': must be a whole number"),
        (
            "vehicles",
            "vehicle_id,abs_fitted\nV1,maybe\n",
            "vehicles.csv row 2: abs_fitted = 'maybe': must be true or false",
        ),
        (
            "vehicles",
            "vehicle_id,in_service_on\nV1,05.01.2026\n",
            "in_service_on = '05.01.2026': must be a date such as",
        ),
        ("vehicles", "vehicle_id,max_mass_kg\nV1,inf\n", "max_mass_kg = 'inf': must be a number"),
        (
            "vehicles",
            "vehicle_id,endurance_brake\nV1,engine+sail\n",
            "endurance_brake = 'engine+sail': must be none, engine",
        ),
        ("vehicles", "vehicle_id,depot\n,North\n", "vehicles.csv row 2: vehicle_id is empty: must be given"),
        (
            "trips",
            "trip_id,vehicle_id,started_at,ended_at\nT,V,soon,2026-01-05\n",
            "started_at = 'soon': must be a time such as",
        ),
        (
            "trips",
            "trip_id,vehicle_id,started_at,ended_at\nT,V,2026-01-06,2026-01-05\n",
            "trips.csv row 2: ended_at is before started_at",
        ),
        ("capacity", "depot,bay_hours\nNorth,8\n", "capacity.csv row 2: give either date or weekday"),
        ("capacity", "depot,weekday,bay_hours\nNorth,Xday,8\n", "weekday = 'Xday': must be a weekday"),
        ("capacity", "depot,weekday,bay_hours,roller_hours\nNorth,Mon,8,-1\n", "roller_hours = '-1'"),
        ("capacity", "depot,weekday,bay_hours,min_on_road\nNorth,Mon,8,2.5\n", "min_on_road = '2.5': must be a whole"),
        ("due_dates", "vehicle_id,kind,due_on\nV1,,2026-03-01\n", "kind is empty: must be given"),
        ("due_dates", "vehicle_id,kind,due_on,bay_hours\nV1,yearly,2026-03-01,0\n", "bay_hours = '0'"),
        (
            "inspections",
            "inspection_id,vehicle_id,inspected_on,finding,severity\nI,V,2026-01-05,other,4\n",
            "inspections.csv row 2: severity = '4': Input should be less than or equal to 3",
        ),
        (
            "inspections",
            "inspection_id,vehicle_id,inspected_on,finding,wheel\nI,V,2026-01-05,other,9X\n",
            "wheel = '9X': must be one of 1L, 1R",
        ),
    ],
)
def test_a_bad_row_is_told(tmp_path, name, text, sentence):
    table, problems = told_of(tmp_path, name, text)
    assert table.num_rows == 0 and len(problems) == 1 and sentence in problems[0]


def test_other_rows_and_other_registers_go_on(tmp_path):
    (tmp_path / "drivers.csv").write_text(ROWS["drivers"])
    (tmp_path / "trips.csv").write_bytes(b"\xff\xfe\x00bad")
    (tmp_path / "capacity.csv").write_text("depot,weekday\nNorth,Mon\n")
    (tmp_path / "repairs.parquet").write_bytes(b"not parquet")
    (tmp_path / "vehicles.csv").write_text("vehicle_id,axles\nV1,2\nV2,two\n\nV3,3\n")
    tables, problems = read_registers(tmp_path)
    assert tables["vehicles"].column("vehicle_id").to_pylist() == ["V1", "V3"]
    assert tables["drivers"].num_rows == 1 and set(tables) == {"vehicles", "drivers"}
    assert problems[0] == "vehicles.csv row 3: axles = 'two': must be a whole number"
    assert problems[1] == "trips.csv: cannot be read as csv (it is not UTF-8 text: save it as UTF-8)"
    assert problems[2] == "capacity.csv: column bay_hours is missing; found depot, weekday"
    assert problems[3].startswith("repairs.parquet: cannot be read as parquet (")


@pytest.mark.parametrize("broken", ["V\r\n1", "V\n1", "V\r1"])
@pytest.mark.parametrize("line", ["\n", "\r\n", "\r"])
def test_an_id_keeps_its_line_breaks(tmp_path, broken, line):
    """Else no recording of the vehicle would join its register row: Parquet keeps them as they are."""
    content = line.join(["vehicle_id,depot", f'"{broken}",North', ""])
    (tmp_path / "vehicles.csv").write_bytes(content.encode())
    tables, problems = read_registers(tmp_path)
    assert not problems and tables["vehicles"].column("vehicle_id").to_pylist() == [broken]
    assert tables["vehicles"].column("depot").to_pylist() == ["North"]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_encodings_and_semicolons(tmp_path, encoding):
    table, problems = told_of(tmp_path, "drivers", "driver_id;depot;colour\r\nD1;Höfe;red\r\n", encoding)
    assert problems == [] and table.to_pylist() == [{"driver_id": "D1", "depot": "Höfe"}]


@pytest.mark.parametrize(("given", "kept"), [("Mon", "Mon"), ("sunday", "Sun"), ("1", "Mon"), ("7", "Sun")])
def test_weekdays(tmp_path, given, kept):
    table, problems = told_of(tmp_path, "capacity", f"depot,weekday,bay_hours\nNorth,{given},8\n")
    assert problems == [] and table.column("weekday").to_pylist() == [kept]


def test_a_later_row_of_the_same_key_replaces(tmp_path):
    table, problems = told_of(tmp_path, "drivers", "driver_id,depot\nD1,North\nD1,South\n")
    assert problems == [] and table.to_pylist() == [{"driver_id": "D1", "depot": "South"}]


def test_parquet_register_with_its_own_types(tmp_path):
    table = pa.table(
        {
            "vehicle_id": [17, 18],
            "axles": pa.array([2.0, None]),
            "in_service_on": pa.array([dt.datetime(2020, 1, 2), None], pa.timestamp("ns")),
            "abs_fitted": [True, None],
        }
    )
    pq.write_table(table, tmp_path / "vehicles.parquet")
    tables, problems = read_registers(tmp_path)
    assert problems == []
    first, second = tables["vehicles"].to_pylist()
    assert (first["vehicle_id"], first["axles"], first["in_service_on"]) == ("17", 2, dt.date(2020, 1, 2))
    assert (second["axles"], second["in_service_on"], second["abs_fitted"]) == (None, None, None)


def test_folders_without_registers(tmp_path):
    assert read_registers(tmp_path)[1] == [f"{tmp_path}: no register found (vehicles.csv, drivers.csv, trips.csv ...)"]
    assert read_registers(tmp_path / "gone")[1] == [f"{tmp_path / 'gone'}: no such folder of registers"]


def test_many_problems_are_counted(tmp_path):
    _, problems = told_of(tmp_path, "vehicles", "vehicle_id,axles\n" + "V,x\n" * 60)
    assert len(problems) == 51 and problems[-1] == "vehicles.csv: and 10 more problems"


TRIP = "trip_id,vehicle_id,started_at,ended_at,distance_km,brake_applications\n"


@pytest.mark.parametrize(
    ("name", "text", "sentence"),
    [
        ("trips", TRIP + "T,V,2026-01-01,2026-01-02,," + "9" * 30, "less than or equal to 1000000000"),
        ("trips", TRIP + "T,V,2026-01-01,2026-01-02,,9223372036854775808", "less than or equal to 1000000000"),
        ("trips", TRIP + "T,V,2026-01-01,2026-01-02,," + "9" * 5000, "must be a whole number of fewer digits"),
        ("trips", TRIP + "T,V,2026-01-01,2026-01-02,1e308,", "distance_km = '1e308': Input should be less than"),
        ("trips", TRIP + "T,V,0001-01-01T00:00:00+05:00,2026-01-02,,", "must lie between the years 1900 and 2200"),
        ("trips", TRIP + "T,V,2026-01-01,9999-12-31T23:59:59-05:00,,", "must lie between the years 1900 and 2200"),
        ("vehicles", "vehicle_id,inspection_due_on\nV,0001-01-01\n", "must lie between the years 1900 and 2200"),
        ("vehicles", "vehicle_id,max_mass_kg\nV,1e9\n", "max_mass_kg = '1e9': Input should be less than"),
        ("vehicles", "vehicle_id,odometer_km\nV,1e9\n", "odometer_km = '1e9': Input should be less than"),
        ("capacity", "depot,weekday,bay_hours\nNorth,²,8\n", "weekday = '²': must be a weekday (Mon to Sun)"),
    ],
)
def test_numbers_and_days_out_of_bounds_are_told(tmp_path, name, text, sentence):
    table, problems = told_of(tmp_path, name, text)
    assert table.num_rows == 0 and len(problems) == 1 and sentence in problems[0]
    assert problems[0].startswith(f"{name}.csv row 2: ")


def huge(kind, number=2**60):
    width = pa.int32() if kind == pa.date32() else pa.int64()
    return pa.array([number], width).cast(kind)


@pytest.mark.parametrize(
    ("column", "value", "sentence"),
    [
        ("in_service_on", huge(pa.timestamp("us")), f"'{2**60} as timestamp[us]': must be a date such as"),
        ("in_service_on", huge(pa.date32(), 2**30), f"'{2**30} as date32[day]': must be a date such as"),
        ("depot", huge(pa.duration("s")), f"'{2**60} as duration[s]': must be text"),
        ("depot", pa.array([b"\xff"]), "must be text"),
        ("axles", pa.array([2**64 - 1], pa.uint64()), "less than or equal to 20"),
    ],
)
def test_parquet_values_that_cannot_be_held_are_told(tmp_path, column, value, sentence):
    pq.write_table(pa.table({"vehicle_id": ["V1"], column: value}), tmp_path / "vehicles.parquet")
    tables, problems = read_registers(tmp_path)
    assert tables["vehicles"].num_rows == 0
    assert problems[0].startswith(f"vehicles.parquet row 1: {column} = ") and sentence in problems[0]


def test_parquet_columns_that_are_not_used_do_no_harm(tmp_path):
    unused = [huge(pa.timestamp("us")), huge(pa.duration("s")), pa.array([1])]
    table = pa.Table.from_arrays([pa.array(["V1"]), *unused], names=["vehicle_id", "a", "b", "b"])
    pq.write_table(table, tmp_path / "vehicles.parquet")
    tables, problems = read_registers(tmp_path)
    assert tables["vehicles"].num_rows == 1 and problems == []


def test_a_column_twice_is_told(tmp_path):
    assert told_of(tmp_path, "drivers", "driver_id,depot,depot\nD,N,S\n") == (
        None,
        ["drivers.csv: column depot is there more than once"],
    )
    table = pa.Table.from_arrays([pa.array(["D"])] * 2, names=["driver_id", "driver_id"])
    pq.write_table(table, tmp_path / "drivers.parquet")
    assert "drivers.parquet: column driver_id is there more than once" in read_registers(tmp_path)[1]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ('driver_id,depot\nD1,N\nD2,"North\nD3,S\n', "after row 2: a quotation mark is opened and not closed"),
        ('driver_id,depot\nD1,"N"orth\n', "after row 1: text after a closing quotation mark"),
        ("driver_id,depot\nD1," + "x" * 200_000 + "\n", "after row 1: field larger than field limit"),
    ],
)
def test_a_slip_with_quotation_marks_is_told(tmp_path, text, reason):
    table, problems = told_of(tmp_path, "drivers", text)
    assert table is None and len(problems) == 1 and f"drivers.csv: cannot be read as csv ({reason}" in problems[0]


@pytest.mark.parametrize("text", ["driver_id\tdepot\nD1\tNorth, old\n", 'driver_id,depot\rD1,"North, old"\r'])
def test_tabs_and_old_line_ends(tmp_path, text):
    table, problems = told_of(tmp_path, "drivers", text)
    assert problems == [] and table.to_pylist() == [{"driver_id": "D1", "depot": "North, old"}]


@pytest.mark.parametrize("encoding", ["utf-16", "latin-1"])
def test_other_encodings_are_told(tmp_path, encoding):
    table, problems = told_of(tmp_path, "drivers", "driver_id,depot\nD1,Höfe\n", encoding)
    assert table is None
    assert problems == ["drivers.csv: cannot be read as csv (it is not UTF-8 text: save it as UTF-8)"]


def test_problems_are_fit_to_be_shown(tmp_path):
    _, problems = told_of(tmp_path, "drivers", "\x1b[31m,depot\nD1,N\n")
    assert problems[0].isprintable() and "column driver_id is missing" in problems[0]
    assert read_registers(tmp_path / ("x" * 5000))[1][0].endswith("no such folder of registers")

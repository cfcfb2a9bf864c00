"""Mapping files: units, constants, codes, differences, and the sentence for every mistake in one."""

import numpy as np
import pyarrow as pa
import pytest

from fleetbrake.core.errors import InputError
from fleetbrake.recordings.conversion import UnitProblem, linear
from fleetbrake.recordings.mapping import identity, load_mapping, parse_mapping, shipped_names
from fleetbrake.recordings.reader import open_recording

BASE = """
[columns]
timestamp = { source = "t", unit = "ms", start = "2026-01-05T09:00:00+01:00" }
vehicle_id = { constant = "V7" }
speed_mps = { source = ["v_kmh", "other"], unit = "km/h" }
"""


def mapping(text):
    return parse_mapping(text.encode(), "m.toml")


def read_one(path, text):
    (batch,) = open_recording(path, mapping(text)).batches()
    return batch


@pytest.fixture
def foreign():
    """Four samples of a drive with names and units of its own."""
    return {"t": [0, 20, 40, 60], "v_kmh": [36.0, 36.0, 18.0, 0.0]}


# The factors are definitions: international mile and pound, standard gravity 9.80665 m/s2, bar 100 kPa (SI brochure,
# NIST SP 811; from memory). Tolerance: rounding of double arithmetic.
@pytest.mark.parametrize(
    ("unit", "target", "value", "expected"),
    [
        ("km/h", "m/s", 36.0, 10.0),
        ("mph", "m/s", 10.0, 4.4704),
        ("bar", "kPa", 8.0, 800.0),
        ("psi", "kPa", 100.0, 689.4757293168),
        ("%", "%", 40.0, 40.0),
        ("1", "%", 0.4, 40.0),
        ("g_0", "m/s**2", 1.0, 9.80665),
        ("m/s2", "m/s**2", 2.0, 2.0),
        ("deg/s", "rad/s", 180.0, np.pi),
        ("deg", "rad", 90.0, np.pi / 2),
        ("degF", "degC", 212.0, 100.0),
        ("K", "degC", 273.15, 0.0),
        ("t", "kg", 18.0, 18000.0),
        ("%", "dimensionless", 6.0, 0.06),
        ("W", "kW", 500.0, 0.5),
    ],
)
def test_units(unit, target, value, expected):
    factor, offset = linear(unit, target)
    assert value * factor + offset == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_angular_wheel_speed_needs_a_radius():
    assert linear("rad/s", "m/s", 0.35)[0] == pytest.approx(0.35)
    assert linear("rpm", "m/s", 0.35)[0] == pytest.approx(2 * np.pi / 60 * 0.35)
    with pytest.raises(UnitProblem, match="rolling_radius_m is needed"):
        linear("rad/s", "m/s")


def test_units_constants_and_seconds_from_a_start(write, foreign):
    text = BASE + 'gross_mass_kg = { constant = 18, unit = "t" }\nroad_surface = { constant = "unpaved" }\n'
    batch = read_one(write(foreign), text)
    assert batch.continuous and batch.vehicle_id.tolist() == ["V7"]
    assert batch.start_us.tolist() == [1_767_600_000_000_000]  # 09:00 at +01:00 is 08:00 UTC
    np.testing.assert_allclose(batch.time_s, [0.0, 0.02, 0.04, 0.06], atol=1e-9)
    np.testing.assert_allclose(batch.channels["speed_mps"], [10.0, 10.0, 5.0, 0.0])
    assert (batch.channels["gross_mass_kg"] == 18_000.0).all() and (batch.road_unpaved == 1.0).all()


def test_factor_and_offset_come_before_the_unit(write, foreign):
    text = BASE + 'air_temp_c = { source = "raw", factor = 0.5, offset = 200.0, unit = "K" }\n'
    batch = read_one(write(foreign | {"raw": [146.3] * 4}), text)
    np.testing.assert_allclose(batch.channels["air_temp_c"], 0.0, atol=1e-9)


def test_wheel_radius_common_and_own(write, foreign):
    text = (
        "rolling_radius_m = 0.3\n"
        + BASE
        + 'wheel_speed_1l_mps = { source = "w1", unit = "rad/s" }\n'
        + 'wheel_speed_1r_mps = { source = "w2", unit = "rad/s", rolling_radius_m = 0.5 }\n'
    )
    batch = read_one(write(foreign | {"w1": [10.0] * 4, "w2": [10.0] * 4}), text)
    np.testing.assert_allclose(batch.wheel_speed_mps[:, 0], [3.0, 5.0])


def test_coded_values(write, foreign):
    text = (
        BASE
        + 'abs_active = { source = "abs", true_values = [1], null_values = [2, 3] }\n'
        + 'brake_switch = { source = "lamp", true_values = ["ON"], null_values = ["n/a"] }\n'
        + 'brake_pedal_pct = { source = "pedal", null_values = [0xFE], null_from = 0xFF, factor = 0.4 }\n'
    )
    columns = foreign | {"abs": [0, 1, 2, 3], "lamp": ["ON", "OFF", "n/a", None], "pedal": [0, 250, 254, 255]}
    batch = read_one(write(columns), text)
    np.testing.assert_array_equal(batch.channels["abs_active"], [0.0, 1.0, np.nan, np.nan])
    np.testing.assert_array_equal(batch.channels["brake_switch"], [1.0, 0.0, np.nan, np.nan])
    np.testing.assert_array_equal(batch.channels["brake_pedal_pct"], [0.0, 100.0, np.nan, np.nan])


@pytest.mark.parametrize("reference", ['"front"', '["missing", "front"]', '{ source = "front" }', '"speed_mps"'])
def test_difference_to_another_column_with_saturation(write, foreign, reference):
    """At the low end the wheel is at most this fast, at the high end nothing is known."""
    text = BASE + (
        f'wheel_speed_1l_mps = {{ source = "d", unit = "km/h", relative_to = {reference}, saturates_at = 7.8125 }}\n'
    )
    columns = foreign | {"d": [-7.8125, -7.75, 7.81, 0.5], "front": foreign["v_kmh"]}
    batch = read_one(write(columns), text)
    expected = np.array([36.0 - 7.8125, 36.0 - 7.75, np.nan, 0.5]) / 3.6
    np.testing.assert_allclose(batch.wheel_speed_mps[0], expected)
    assert batch.wheel_saturated.tolist() == [[True, False, False, False]]


def test_difference_without_its_reference_is_not_there(write, foreign):
    text = BASE + 'wheel_speed_1l_mps = { source = "d", relative_to = "front" }\n'
    batch = read_one(write(foreign | {"d": [0.0] * 4}), text)
    assert batch.wheels == ()


def test_first_alternative_that_holds_values_is_used(write, foreign):
    text = BASE + (
        '[[columns.wheel_speed_1l_mps]]\nsource = "best"\n'
        '[[columns.wheel_speed_1l_mps]]\nsource = "second"\nunit = "km/h"\n'
    )
    best, second = {"best": [1.0, 2.0, 3.0, None]}, {"second": [36.0] * 4}
    nothing = {"best": pa.array([None] * 4, pa.float64())}
    assert read_one(write(foreign | best | second), text).wheel_speed_mps[0, 0] == 1.0
    assert read_one(write(foreign | second), text).wheel_speed_mps[0, 0] == pytest.approx(10.0)
    assert read_one(write(foreign | nothing | second), text).wheel_speed_mps[0, 0] == pytest.approx(10.0)


def test_lowest_of_several_sources(write, foreign):
    text = BASE + 'supply_pressure_kpa = { source = ["p1", "p2", "p3"], take = "lowest", unit = "bar" }\n'
    columns = foreign | {"p1": [8.0, 7.0, np.nan, np.nan], "p2": [7.5, 9.0, 6.0, np.nan]}
    batch = read_one(write(columns), text)
    np.testing.assert_allclose(batch.channels["supply_pressure_kpa"], [750.0, 700.0, 600.0, np.nan])


def test_keys_of_the_whole_file(write, foreign):
    text = 'speed_source = "driveline"\nreads_zero_below_mps = 0.7\nloose_names = true\n' + BASE.replace(
        "v_kmh", "V kmH"
    )
    batch = read_one(write(foreign), text)
    assert batch.speed_source == "driveline" and batch.wheel_floor_mps == 0.7 and batch.has("speed_mps")


def test_columns_that_are_not_mapped_are_not_read(write, foreign):
    batch = read_one(write(foreign | {"brake_pedal_pct": [0.0] * 4}), BASE)
    assert not batch.has("brake_pedal_pct")


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ('speed = "v"', "columns: unknown column speed (allowed: event_id, vehicle_id"),
        ('grade = { sauce = "g" }', "columns.grade.sauce: unknown key (allowed: source, unit, factor, offset"),
        ('grade = { unit = "1" }', "columns.grade: give either source or constant"),
        ('grade = { source = "g", constant = 1.0 }', "columns.grade: give either source or constant"),
        ('grade = { source = "g", unit = "furlongs" }', "columns.grade: unit 'furlongs' cannot become dimensionless"),
        ('grade = { source = "g", unit = "qqqq" }', "columns.grade: unit 'qqqq' is not known"),
        ('accel_long_mps2 = { source = "a", unit = "g" }', "the acceleration of free fall is 'g_0'"),
        ('grade = { source = "g", factor = "big" }', "columns.grade.factor: "),
        ('grade = { constant = "steep" }', "columns.grade: constant 'steep' must be a number"),
        ('grade = { source = "g", start = "2026-01-05" }', "columns.grade: start is for timestamp only"),
        ('grade = { source = "g", relative_to = "h" }', "columns.grade: relative_to is for wheel speeds only"),
        ('grade = { source = "g", saturates_at = 1.0 }', "columns.grade: saturates_at needs relative_to"),
        ('grade = { source = "g", true_values = [1] }', "columns.grade: true_values is for yes/no columns only"),
        ('driver_id = { source = "d", unit = "km" }', "columns.driver_id: a text column has no unit, factor or offset"),
        (
            'wheel_speed_1l_mps = { source = "w", relative_to = "wheel_speed_1l_mps" }',
            "columns.wheel_speed_1l_mps: relative_to names wheel_speed_1l_mps, which is a difference itself",
        ),
        ('event_id = { constant = "E" }', "columns.event_id: an event id cannot be the same for every recording"),
        ('wheel_speed_1l_mps = { source = "w", unit = "rad/s" }', "rolling_radius_m is needed too"),
        ('wheel_speed_1l_mps = { source = "w", relative_to = { sauce = "x" } }', "unknown key (allowed: source, unit"),
    ],
)
def test_a_mistake_in_a_mapping_is_told(line, sentence):
    with pytest.raises(InputError) as told:
        mapping(BASE + line)
    assert str(told.value).startswith("mapping m.toml: ") and sentence in str(told.value)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[columns", "is not TOML"),
        ("colums = 1", "colums: unknown key (allowed: columns, speed_source, reads_zero_below_mps"),
        ("[columns]", "columns: no column is mapped"),
        ('speed_source = "guess"\n' + BASE, "speed_source: "),
        ("[columns]\ntimestamp = { constant = 5 }\n", "columns.timestamp: a time cannot be a constant"),
        ('[columns]\ntimestamp = { source = "t", unit = "km" }\n', "columns.timestamp: unit 'km' cannot become s"),
        ('[columns]\ntimestamp = { source = "t", start = "soon" }\n', "columns.timestamp.start: "),
    ],
)
def test_a_mistake_in_the_whole_file_is_told(text, sentence):
    with pytest.raises(InputError) as told:
        mapping(text)
    assert sentence in str(told.value)


def test_all_mistakes_are_told_at_once():
    with pytest.raises(InputError, match=r"columns\.grade\.sauce: .*; columns\.speed_mps\.factor: "):
        mapping('[columns]\ngrade = { source = "g", sauce = 1 }\nspeed_mps = { source = "v", factor = "x" }\n')


def test_load_by_path_by_name_and_neither(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(BASE)
    assert load_mapping(str(path)).columns["vehicle_id"][0].constant == "V7"
    assert shipped_names() == ("j1939", "j1939_raw")
    assert load_mapping("j1939") == load_mapping("j1939.toml")
    with pytest.raises(InputError, match=r"mapping nowhere: no such file; .* j1939, j1939_raw"):
        load_mapping("nowhere")


def test_fingerprint_follows_the_content_not_the_layout():
    one, same = mapping(BASE), mapping("# a comment\n" + BASE)
    other = mapping(BASE.replace("V7", "V8"))
    assert one.fingerprint() == same.fingerprint() != other.fingerprint()
    assert len(identity().fingerprint()) == 16


def test_a_pedal_as_fraction_comes_in_by_factor(write, foreign):
    text = BASE + 'brake_pedal_pct = { source = "p", factor = 100.0 }\n'
    batch = read_one(write(foreign | {"p": [0.0, 0.25, 0.5, 1.0]}), text)
    np.testing.assert_allclose(batch.channels["brake_pedal_pct"], [0.0, 25.0, 50.0, 100.0])

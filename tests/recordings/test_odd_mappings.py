"""Mapping files with odd contents, and mappings that do not fit the file: each ends in a sentence."""

import numpy as np
import pytest

from fleetbrake.core.errors import InputError
from fleetbrake.recordings.conversion import UnitProblem, linear
from fleetbrake.recordings.mapping import load_mapping, parse_mapping
from fleetbrake.recordings.reader import open_recording

BASE = """
[columns]
event_id = "event_id"
vehicle_id = "vehicle_id"
timestamp = "timestamp"
speed_mps = "speed_mps"
"""


def mapping(text):
    return parse_mapping(text.encode(), "m.toml")


def read(path, text):
    recording = open_recording(path, mapping(text))
    return list(recording.batches()), recording.story


@pytest.mark.parametrize(
    "unit",
    [
        "10**10**10 m/s",
        "9**9**9**9",
        "m**9**9**9/s",
        "m**(9**9**9)",
        "((((9**9)**9)**9)**9)**9",
        "m**99999999999/s",
        "m^9 ^9/s",
        "1e400 m/s",
        "5 m/s",
        "((((",
        "m/s; x",
        "m²²²²²²²/s",
        '__import__("os")',
        "m" * 41,
        "m/s\x1b",
        "*",
        "/s",
    ],
)
def test_a_text_that_is_no_unit(unit):
    """None of them is worked out, which could take for ever."""
    with pytest.raises(UnitProblem, match=r"is not known|cannot become"):
        linear(unit, "m/s")
    with pytest.raises(InputError) as told:
        mapping(BASE + f"grade = {{ source = 'g', unit = '''{unit}''' }}" if unit.isprintable() else "[columns")
    assert "Assertion" not in str(told.value)


@pytest.mark.parametrize(
    ("unit", "target", "factor"),
    [
        ("m s^-1", "m/s", 1.0),
        ("m*s**-1", "m/s", 1.0),
        ("(km)/(h)", "m/s", 1 / 3.6),
        ("m/s²", "m/s**2", 1.0),
        ("m/s^2", "m/s**2", 1.0),
        ("°", "rad", np.pi / 180),
        ("1/s", "rad/s", 1.0),
        ("N/mm**2", "kPa", 1000.0),
        ("g_0", "m/s**2", 9.80665),
    ],
)
def test_units_as_people_write_them(unit, target, factor):
    assert linear(unit, target) == (pytest.approx(factor, rel=1e-9), 0.0)  # rounding of double arithmetic


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ('driver_id = ""', "columns.driver_id.source: a source without a name"),
        ('driver_id = ["a", " "]', "columns.driver_id.source: a source without a name"),
        ("driver_id = []", "columns.driver_id: give either source or constant"),
        ('driver_id = { constant = "  " }', "columns.driver_id: the constant is empty"),
        ('grade = { source = "g", factor = nan }', "factor nan must be a finite number other than 0"),
        ('grade = { source = "g", factor = 0.0 }', "factor 0 must be a finite number other than 0"),
        ('grade = { source = "g", offset = inf }', "offset inf must be a finite number"),
        (f'grade = {{ source = "g", null_values = [{"9" * 400}] }}', "null_values holds a number that is too long"),
        (f'abs_active = {{ source = "a", true_values = [{"9" * 400}] }}', "true_values holds a number that is too"),
        ("grade = { constant = nan }", "columns.grade: the constant must be a finite number"),
        (f"grade = {{ constant = {'9' * 400} }}", "columns.grade: the constant must be a finite number"),
        (f"grade = {{ constant = {'9' * 5000} }}", "is not TOML"),
        ("driver_id = " + "[" * 5000 + "]" * 5000, "brackets lie too deep in one another"),
        ("abs_active = { constant = 7 }", "columns.abs_active: constant '7' must be true or false"),
        ('abs_active = { constant = "maybe" }', "columns.abs_active: constant 'maybe' must be true or false"),
        ('wheel_speed_1l_mps = { source = "w", relative_to = [] }', "relative_to needs a source"),
        ('"\\u001b[31m" = "x"', "unknown column \N{REPLACEMENT CHARACTER}[31m"),
    ],
)
def test_odd_values_are_told(line, sentence):
    with pytest.raises(InputError) as told:
        mapping(BASE + line)
    assert sentence in str(told.value) and str(told.value).isprintable() and len(str(told.value)) < 1500


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ('{ source = "t", start = "0001-01-01T00:00:00+14:00" }', "start must lie between the years 1600 and 2200"),
        ('{ source = "t", start = "9999-12-31T23:59:59-14:00" }', "start must lie between the years 1600 and 2200"),
        ('{ source = "timestamp", factor = 5.0 }', "factor and offset are for seconds from a start; give start too"),
        ('{ source = "timestamp", offset = 3.0 }', "factor and offset are for seconds from a start; give start too"),
    ],
)
def test_odd_times_are_told(line, sentence):
    with pytest.raises(InputError, match=sentence):
        mapping(BASE.replace('timestamp = "timestamp"', f"timestamp = {line}"))


def test_time_stamps_take_no_factor(write, plain_stop):
    text = BASE.replace(
        'timestamp = "timestamp"', 'timestamp = { source = "timestamp", factor = 2, start = "2026-01-05" }'
    )
    with pytest.raises(InputError, match="column timestamp holds time stamps, which take no factor or offset"):
        open_recording(write(plain_stop()), mapping(text))


@pytest.mark.parametrize(
    ("constant", "meaning"),
    [("true", 1.0), ("false", 0.0), ("1", 1.0), ("0", 0.0), ('"yes"', 1.0), ('"No"', 0.0), ('"FALSE"', 0.0)],
)
def test_a_constant_yes_or_no(write, plain_stop, constant, meaning):
    (batch,), _ = read(write(plain_stop()), BASE + f"abs_active = {{ constant = {constant} }}\n")
    assert (batch.channels["abs_active"] == meaning).all()


def test_a_misspelt_source_is_told(write, plain_stop):
    (batch,), story = read(write(plain_stop()), BASE + 'brake_pedal_pct = "brake_pedl"\n')
    assert not batch.has("brake_pedal_pct")
    assert story.reasons == ["brake_pedal_pct: no column brake_pedl in this file"]
    assert story.events_rejected == 0 and story.channels_left_out == []


def test_a_misspelt_speed_is_told_with_what_is_missing(write, plain_stop):
    with pytest.raises(InputError, match=r"neither speed_mps nor .*; speed_mps: no column sped in this file\. Found: "):
        open_recording(write(plain_stop()), mapping(BASE.replace('"speed_mps"', '"sped"')))


@pytest.mark.parametrize(
    "line",
    [
        'brake_pedal_pct = ["pedal", "brake_pedl"]',  # several ways to write one signal
        '[[columns.grade]]\nsource = "a"\n[[columns.grade]]\nsource = "b"',
        'air_temp_c = "air_temp_c"',  # the contract's own name
    ],
)
def test_a_signal_that_may_be_absent_is_not_told(write, plain_stop, line):
    _, story = read(write(plain_stop()), BASE + line)
    assert story.reasons == []


@pytest.mark.parametrize("name", ["j1939", "j1939_raw"])
def test_shipped_mappings_tell_nothing_of_what_is_absent(write, plain_stop, name):
    columns = {k: plain_stop()[k] for k in ("vehicle_id", "timestamp")} | {"SPN84": np.full(300, 80.0)}
    recording = open_recording(write(columns), load_mapping(name))
    assert recording.story.reasons == []


@pytest.mark.parametrize(
    ("reference", "sentence"),
    [('"front"', "no column front in this file"), ('"wheel_speed_2l_mps"', "no wheel_speed_2l_mps in this file")],
)
def test_a_missing_reference_is_told(write, plain_stop, reference, sentence):
    text = BASE + f'wheel_speed_1l_mps = {{ source = "d", relative_to = {reference} }}\n'
    text += 'wheel_speed_2l_mps = ["absent", "too"]\n'
    columns = {name: value for name, value in plain_stop().items() if not name.startswith("wheel")}
    _, story = read(write(columns | {"d": [0.0] * 300}), text)
    assert story.reasons == [f"wheel_speed_1l_mps: {sentence}, to which it is relative"]


def test_a_mapping_name_that_no_file_can_have():
    with pytest.raises(InputError, match="no such file"):
        load_mapping("x" * 5000)

"""Signals of the open heavy-vehicle CAN standard (SAE J1939-71), through the shipped raw mapping and the reader.

The standard's text is not public. Scales, offsets and positions are those on which independent general-purpose open
decoders agree; the status word beside each check says how sure the figure is. The bytes below are unpacked here
(little-endian, as the standard sends them), the counts go to a Parquet file and the product does the rest.
"""

from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from fleetbrake.recordings.mapping import load_mapping
from fleetbrake.recordings.reader import open_recording

KMH = 1.0 / 3.6
ABSENT = 0xFFFF
START_US = 1_767_600_000_000_000  # 2026-01-05T08:00:00Z


@pytest.fixture
def decode(tmp_path):
    """Counts of signals (one value each) -> the batch that the product reads from them."""

    def _decode(mapping: str = "j1939_raw", **signals: Any):
        rows = 4
        columns: dict[str, Any] = {
            "vehicle_id": ["T1"] * rows,
            "timestamp": pa.array(START_US + np.arange(rows) * 100_000, pa.timestamp("us", tz="UTC")),
            "SPN84": [80 * 256 if mapping == "j1939_raw" else 80.0] * rows,
        }
        path = tmp_path / "counts.parquet"
        pq.write_table(pa.table(columns | {name: [value] * rows for name, value in signals.items()}), path)
        (batch,) = open_recording(path, load_mapping(mapping)).batches()
        return batch

    return _decode


def ebc2(data: str) -> dict[str, int]:
    """Signals of PGN 65215 from eight bytes in hex: SPN 904 in bytes 1-2, SPN 905 to 910 in bytes 3 to 8."""
    content = bytes.fromhex(data)
    return {"SPN904": int.from_bytes(content[:2], "little")} | {f"SPN{905 + n}": content[2 + n] for n in range(6)}


def test_p12_ebc2_frame(decode):
    """P12, bytes of a decoder's own test: 904, 905, 907 and n/a of 909/910 verified; 906 and 908 computed."""
    batch = decode(**ebc2("D4 46 7E 7C 76 77 FF FF"))
    front = 70.828125  # verified as 70.828
    expected = np.array([front + 0.0625, front - 0.0625, front - 0.4375, front - 0.375, np.nan, np.nan])
    assert batch.wheels == ("1L", "1R", "2L", "2R", "3L", "3R")
    # exact binary fractions of km/h: only the conversion to m/s rounds
    np.testing.assert_allclose(batch.wheel_speed_mps[:, 0], expected * KMH, rtol=1e-12)
    assert not batch.wheel_saturated.any()


def test_offset_is_the_verified_one_not_the_known_misprint(decode):
    """Zero difference is raw 125 with offset -7.8125 (verified); one open database prints -7.18125 (a typo)."""
    batch = decode(**ebc2("00 50 7D 7D 7D 7D 7D 7D"))
    np.testing.assert_allclose(batch.wheel_speed_mps[:, 0], 80.0 * KMH, rtol=1e-12)


def test_c18_locked_wheel_is_saturated(decode):
    """C18 (computed): front left locked at 80 km/h shows raw 0, -7.8125 km/h: slip at least 9.8 %, no more is known."""
    batch = decode(**ebc2("00 50 00 7D 7D 7D 7D 7D"))
    assert batch.wheel_saturated[0].all() and not batch.wheel_saturated[1:].any()
    slip_at_least = 1.0 - batch.wheel_speed_mps[0] / batch.channels["speed_mps"]
    np.testing.assert_allclose(slip_at_least, 0.098, atol=0.0005)  # the sheet gives one decimal of a per cent


def test_high_end_is_not_observable(decode):
    """Raw 250 is +7.8125 km/h (range verified): at least this fast, so that nothing is known about slip."""
    batch = decode(**ebc2("00 50 FA 7D 7D 7D 7D 7D"))
    assert np.isnan(batch.wheel_speed_mps[0]).all() and not batch.wheel_saturated.any()


def test_missing_front_axle_speed_takes_all_wheels(decode):
    """0xFFFF is not available (from memory): a difference to nothing is nothing."""
    batch = decode(**ebc2("FF FF 00 7D 7D 7D 7D 7D"))
    assert np.isnan(batch.wheel_speed_mps).all() and not batch.wheel_saturated.any()


def test_c16_ebc1(decode):
    """C16 (computed from verified positions): byte 1 = 50 is ABS active 01 and EBS switch 01, byte 2 = 7D is 50.0 %."""
    byte_1, byte_2 = bytes.fromhex("50 7D")
    batch = decode(SPN563=(byte_1 >> 4) & 3, SPN1121=(byte_1 >> 6) & 3, SPN521=byte_2)
    assert (batch.channels["abs_active"] == 1.0).all() and (batch.channels["brake_switch"] == 1.0).all()
    np.testing.assert_allclose(batch.channels["brake_pedal_pct"], 50.0, rtol=1e-12)


def test_c17_wheel_speed_deceleration_and_pressures(decode):
    """C17 (computed): HRW 00 46 is 70.0 km/h, VDC2 80 is -4.5 m/s2, AIR1 100 is 800 kPa, PGN 65274 150 is 600 kPa.

    SPN 1592 verified, SPN 1810 verified, SPN 1087/1088 verified, SPN 116 verified.
    """
    batch = decode(
        SPN1592=int.from_bytes(bytes.fromhex("00 46"), "little"), SPN1810=80, SPN1087=100, SPN1088=110, SPN116=150
    )
    np.testing.assert_allclose(batch.wheel_speed_mps[0], 70.0 * KMH, rtol=1e-12)
    np.testing.assert_allclose(batch.channels["accel_long_mps2"], -4.5, rtol=1e-12)
    np.testing.assert_allclose(batch.channels["supply_pressure_kpa"], 800.0, rtol=1e-12)  # the lower circuit
    np.testing.assert_allclose(batch.channels["brake_pressure_kpa"], 600.0, rtol=1e-12)


@pytest.mark.parametrize(
    ("spn", "count", "column", "value", "status"),
    [
        (84, 0x5000, "speed_mps", 80.0 * KMH, "verified"),
        (521, 250, "brake_pedal_pct", 100.0, "verified"),
        (520, 25, "endurance_torque_pct", -100.0, "verified"),
        (1807, 0, "steering_angle_rad", -31.374, "verified"),
        (1808, 0, "yaw_rate_radps", -3.92, "range verified, position from memory"),
        (1809, 0, "accel_lat_mps2", -15.687, "verified"),
        (1810, 0, "accel_long_mps2", -12.5, "verified"),
        (1585, 1800, "gross_mass_kg", 18_000.0, "verified"),
        (1760, 4000, "gross_mass_kg", 40_000.0, "verified"),
        (117, 200, "supply_pressure_kpa", 800.0, "verified"),
        (597, 1, "brake_switch", 1.0, "verified"),
        (597, 0, "brake_switch", 0.0, "verified"),
        (1243, 1, "abs_operational", 1.0, "verified"),
        (1438, 1, "abs_warning_lamp", 1.0, "verified"),
    ],
)
def test_scale_of_every_mapped_signal(decode, spn, count, column, value, status):
    """Section 7 of the reference sheet; ``status`` is the figure's own."""
    batch = decode(**{f"SPN{spn}": count})
    np.testing.assert_allclose(batch.channels[column], value, rtol=1e-12, err_msg=status)


@pytest.mark.parametrize("spn", [521, 1810, 116, 1087])
@pytest.mark.parametrize("count", [0xFE, 0xFF])
def test_codes_of_one_byte_are_no_values(decode, spn, count):
    """0xFE error, 0xFF not available (from memory)."""
    column = {521: "brake_pedal_pct", 1810: "accel_long_mps2", 116: "brake_pressure_kpa", 1087: "supply_pressure_kpa"}
    assert np.isnan(decode(**{f"SPN{spn}": count}).channels[column[spn]]).all()


@pytest.mark.parametrize("count", [0xFE00, 0xFEFF, ABSENT])
def test_codes_of_two_bytes_are_no_values(decode, count):
    """0xFE00 and up are codes (from memory)."""
    batch = decode(SPN84=count, SPN1592=count)
    assert np.isnan(batch.channels["speed_mps"]).all() and np.isnan(batch.wheel_speed_mps).all()


@pytest.mark.parametrize(("count", "value"), [(0, 0.0), (1, 1.0), (2, np.nan), (3, np.nan)])
def test_two_bit_states(decode, count, value):
    """SPN 563: 00 passive, 01 active, 10 error, 11 not available (verified)."""
    np.testing.assert_array_equal(decode(SPN563=count).channels["abs_active"], value)


def test_absolute_wheel_speeds_go_before_differences(decode):
    """HRW (verified) is not limited, so that a locked wheel is seen as what it is."""
    batch = decode(**ebc2("00 50 00 7D 7D 7D 7D 7D"), SPN1592=0)
    assert (batch.wheel_speed_mps[0] == 0.0).all() and not batch.wheel_saturated[0].any()


@pytest.mark.parametrize(
    ("name", "value", "column", "expected"),
    [
        ("Wheel-Based Vehicle Speed", 36.0, "speed_mps", 10.0),
        ("brake_pedal_position", 50.0, "brake_pedal_pct", 50.0),
        ("Brake Application Pressure", 600.0, "brake_pressure_kpa", 600.0),
        ("spn 1808", 0.1, "yaw_rate_radps", 0.1),
        ("Brake Pedal Position", 101.6, "brake_pedal_pct", np.nan),  # 0xFE scaled: no value (from memory)
    ],
)
def test_physical_values_under_plain_spellings(tmp_path, name, value, column, expected):
    times = pa.array(START_US // 1000 + np.array([0, 100, 200]), pa.timestamp("ms", tz="UTC"))
    columns = {"vehicle_id": ["T"] * 3, "timestamp": times, "Front Axle Speed": [36.0] * 3, name: [value] * 3}
    for wheel in ("Left", "Right"):
        columns[f"Relative Speed; Front Axle, {wheel} Wheel"] = [-7.81] * 3  # as loggers round -7.8125
    path = tmp_path / "physical.parquet"
    pq.write_table(pa.table(columns), path)
    (batch,) = open_recording(path, load_mapping("j1939")).batches()
    np.testing.assert_allclose(batch.channels[column], expected, rtol=1e-12)
    assert batch.wheels == ("1L", "1R") and batch.wheel_saturated.all() and batch.speed_source == "wheel"

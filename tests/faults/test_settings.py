"""The short form of the trials with mapping files and registers, and files that are too large to be one."""

from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from faults import settings_trials
from faults.settings_trials import Wrong, mapping_trials, register_trials, try_mapping, try_register, write_recording

from fleetbrake.core.errors import InputError
from fleetbrake.recordings import registers
from fleetbrake.recordings.mapping import load_mapping
from fleetbrake.recordings.registers import read_registers


def test_changed_mapping_files(tmp_path: Path) -> None:
    tally = mapping_trials(250, 8, tmp_path)
    assert not tally.failures, tally.failures[:3]
    assert tally.trials >= 250 and tally.parts["refused"] > 50 and tally.parts["read"] > 20


def test_changed_registers(tmp_path: Path) -> None:
    for tally in register_trials(300, 8, tmp_path):
        assert not tally.failures, tally.failures[:3]
        assert tally.trials >= 75 and tally.parts["all rows told"] > 5 and tally.parts["refused"] > 20


def test_the_trials_can_fail(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A row that is swallowed, a sentence with a control character, an error of another kind: each is a failure."""
    two_rows = b"driver_id,depot\nD1,North\nD2,North\n"
    assert try_register("drivers", two_rows, tmp_path) == "all in"
    real = registers.check_rows
    with monkeypatch.context() as broken:
        broken.setattr(registers, "check_rows", lambda name, rows, file: real(name, rows[1:], file))
        with pytest.raises(Wrong, match=r"2 keys and bad rows \[\]; 1 in"):
            try_register("drivers", two_rows, tmp_path)
    recording = write_recording(tmp_path / "recording.parquet")

    def refuse(error: Exception) -> Callable[..., None]:
        def parse(content: bytes, name: str) -> None:
            raise error

        return parse

    for error, told in ((InputError("changed.toml: \x1b[2J"), "not printable"), (InputError("bad"), "name the file")):
        monkeypatch.setattr(settings_trials, "parse_mapping", refuse(error))
        with pytest.raises(Wrong, match=told):
            try_mapping(b"", recording)
    monkeypatch.setattr(settings_trials, "parse_mapping", refuse(KeyError("x")))
    assert len(mapping_trials(3, 1, tmp_path).failures) == 3


def test_what_is_too_large_to_be_a_register_or_a_mapping(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A hundred kilobytes of Parquet may hold a hundred million rows."""
    monkeypatch.setattr(registers, "MOST_ROWS", 100_000)
    pq.write_table(pa.table({"driver_id": ["D1"] * 200_000}), tmp_path / "drivers.parquet")
    (tmp_path / "trips.csv").write_text("trip_id,vehicle_id,started_at,ended_at\n" + "T1,V1,,\n" * 100_002)
    monkeypatch.setattr(registers, "MOST_BYTES", 2_000_000)
    (tmp_path / "repairs.csv").write_text("x" * 2_000_001)
    tables, problems = read_registers(tmp_path)
    assert tables == {} and len(problems) == 3
    assert all("give it in parts" in problem for problem in problems), problems
    (tmp_path / "large.toml").write_text("#" * 2_000_000)
    with pytest.raises(InputError, match="larger than a mapping can be"):
        load_mapping(str(tmp_path / "large.toml"))

"""Mapping files and registers with something wrong: each is used, or refused with a sentence that can be read.

What must hold of every one: no other exception than ``InputError``; its sentence names the file, stands in one line and
stays short enough to be read; a mapping that is taken can be fingerprinted and reads a recording into numbers or a
sentence; of a register each row is in or told, and what is in obeys the register's rules.
"""

import csv
import io
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from faults.settings_made import mapping_files, parquet_registers, register_files
from faults.tally import Tally
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from fleetbrake.core.errors import InputError
from fleetbrake.core.tables import REGISTER_KEYS, REGISTERS
from fleetbrake.recordings.mapping import Mapping, parse_mapping
from fleetbrake.recordings.reader import open_recording
from fleetbrake.recordings.register_rows import MODELS
from fleetbrake.recordings.registers import MOST_PROBLEMS, read_registers

#: Own choices: a sentence of this length still stands on a screen, and no file here is larger than 60 kB.
LONGEST_SENTENCE, LONGEST_S = 6_000, 10.0


class Wrong(AssertionError):
    """Something went against what must hold."""


def readable(sentence: str, *names: str) -> None:
    """A sentence in one line, without control characters, not too long, that names what it is about."""
    if not sentence.isprintable():
        raise Wrong(f"not printable: {sentence[:200]!r}")
    if len(sentence) > LONGEST_SENTENCE:
        raise Wrong(f"{len(sentence)} letters: {sentence[:200]!r}")
    if not any(name in sentence for name in names):
        raise Wrong(f"does not name the file: {sentence[:200]!r}")


@contextmanager
def bounded() -> Iterator[None]:
    """Processor time of the block is bounded, so that nothing in a file can keep the product busy for ever."""
    began = time.process_time()
    yield
    if time.process_time() - began > LONGEST_S:
        raise Wrong(f"took {time.process_time() - began:.1f} s of the processor")


def try_mapping(content: bytes, recording: Path) -> str:
    """One mapping file on one recording; how it ended."""
    with bounded():
        try:
            rules = parse_mapping(content, "changed.toml")
        except InputError as error:
            readable(str(error), "changed.toml")
            return "refused"
        return _read_by(rules, recording)


def _read_by(rules: Mapping, recording: Path) -> str:
    if len(rules.fingerprint()) != 16:
        raise Wrong("no fingerprint")
    try:
        opened = open_recording(recording, rules)
        batches = list(opened.batches())
    except InputError as error:
        readable(str(error), recording.name)
        return "recording refused"
    for reason in opened.story.reasons:
        readable(reason, "")  # stands beside the path
    for batch in batches:
        if not bool(np.isfinite(batch.time_s).all()):
            raise Wrong("a time that is no number")
        if any(
            bool(np.isinf(values).any())
            for values in [batch.wheel_speed_mps, batch.wheel_pressure_kpa, *batch.channels.values()]
        ):
            raise Wrong("a channel without end")
    return "read" if batches else "nothing in it"


def try_register(name: str, content: bytes, folder: Path, kind: str = "csv") -> str:
    """One register in a folder of its own; how it ended."""
    (folder / f"{name}.{kind}").write_bytes(content)
    with bounded():
        tables, problems = read_registers(folder)
    for problem in problems:
        readable(problem, f"{name}.{kind}", str(folder), name)
    if name not in tables:
        if not problems:
            raise Wrong("nothing in, nothing told")
        return "refused"
    _check_rules(name, tables[name])
    if kind == "csv":
        _check_all_told(name, tables[name], content, problems)
    elif _rows_held(content) and not problems and not tables[name].num_rows:
        raise Wrong("rows are neither in nor told")
    return "all in" if not problems else "some rows told" if tables[name].num_rows else "all rows told"


def _check_rules(name: str, table: pa.Table) -> None:
    """What is in obeys the register's rules."""
    if table.schema.names != [column for column, _ in REGISTERS[name]]:
        raise Wrong("other columns than the register's")
    for row in table.to_pylist():
        MODELS[name].model_validate(row)  # a ValidationError is a failure of the trial
    if len(set(_keys(name, table))) != table.num_rows:
        raise Wrong("two rows of one key")


def _keys(name: str, table: pa.Table) -> list[tuple[Any, ...]]:
    return [tuple(row[key] for key in REGISTER_KEYS[name]) for row in table.to_pylist()]


def _check_all_told(name: str, table: pa.Table, content: bytes, problems: list[str]) -> None:
    """Every row of a CSV file is in or told, by its number: read a second time, plainly, each row for itself."""
    good, bad = set(), set()
    for number, row in _plainly(content):
        try:
            if any("\0" in (value or "") for column, value in row.items() if column not in ("note", "text")):
                raise ValueError("no id can hold a zero character")
            model = MODELS[name].model_validate(row)
            good.add(tuple(getattr(model, key) for key in REGISTER_KEYS[name]))
        except ValueError:  # a ValidationError is one
            bad.add(number)
    told = {int(part.split(" row ")[1].split(":")[0]) for part in problems if " row " in part}
    if set(_keys(name, table)) != good or (told != bad and len(problems) < MOST_PROBLEMS):
        raise Wrong(f"{len(good)} keys and bad rows {sorted(bad)}; {table.num_rows} in, told {sorted(told)}")


def _plainly(content: bytes) -> list[tuple[int, dict[str, str | None]]]:
    text = content.decode("utf-8-sig")
    mark = max(",;\t", key=io.StringIO(text, newline="").readline().count)
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=mark))
    header = [cell.strip() for cell in rows[0]] if rows else []
    cells = [(number, [cell.strip() or None for cell in row]) for number, row in enumerate(rows[1:], start=2)]
    return [(number, dict(zip(header, row, strict=False))) for number, row in cells if any(row)]


def _rows_held(content: bytes) -> int:
    return int(pq.read_metadata(io.BytesIO(content)).num_rows)


def write_recording(path: Path) -> Path:
    """A stop under the names that the mappings of the project look for, whatever their units."""
    rows = 400
    t = np.arange(rows) / 50.0
    v = np.clip(15.0 - 4.0 * np.clip(t - 3.0, 0.0, None), 0.0, None)
    stamps = pa.array((1_767_600_000_000_000 + t * 1e6).astype(np.int64), pa.timestamp("us", "UTC"))
    columns: dict[str, Any] = {"timestamp": stamps, "time": stamps, "t_s": t, "vehicle_id": ["V1"] * rows}
    columns |= dict.fromkeys(("v_mps", "speed_mps", "WheelBasedVehicleSpeed", "SPN84", "SPN521", "SPN116", "SPN904"), v)
    columns |= dict.fromkeys(
        (f"wheel_{place}_{unit}" for place in ("fl", "fr", "rl", "rr") for unit in ("mps", "radps")), v
    )
    columns |= {
        "brake_pedal_01": (t > 3.0).astype(float),
        "ax_mps2": np.gradient(v, t),
        "SPN597": (t > 3.0).astype(int),
    }
    pq.write_table(pa.table(columns), path)
    return path


def _counted(tally: Tally, number: int, seed_: int, values: st.SearchStrategy[Any], one: Callable[[Any], str]) -> Tally:
    """Try ``number`` drawn values; the first failure of each kind is kept in its smallest form."""

    @settings(max_examples=number, database=None, deadline=None, suppress_health_check=list(HealthCheck),
              phases=[Phase.generate], print_blob=False)  # fmt: skip
    @seed(seed_)
    @given(values)
    def run(value: Any) -> None:
        try:
            tally.add(one(value))
        except Exception as error:  # whatever it is, the trials go on
            tally.add(
                "failed", f"{tally.name}, seed {seed_}: {type(error).__name__}: {str(error)[:300]} of {value!r:.600}"
            )

    with tally.timed():
        run()
    return tally


def mapping_trials(number: int, seed_: int, folder: Path) -> Tally:
    """So many mapping files."""
    recording = write_recording(folder / "recording.parquet")
    return _counted(
        Tally("changed mapping files"), number, seed_, mapping_files(), lambda content: try_mapping(content, recording)
    )


def register_trials(number: int, seed_: int, folder: Path) -> list[Tally]:
    """So many registers as text, and a quarter of that as Parquet."""

    def one(drawn: tuple[str, bytes], kind: str) -> str:
        for left in folder.iterdir():
            left.unlink()
        return try_register(*drawn, folder, kind)

    return [
        _counted(Tally("changed registers (CSV)"), number, seed_, register_files(), lambda drawn: one(drawn, "csv")),
        _counted(
            Tally("changed registers (Parquet)"),
            number // 4,
            seed_,
            parquet_registers(),
            lambda drawn: one(drawn, "parquet"),
        ),
    ]


def _long(seed_: int, minutes: float) -> list[Tally]:
    with tempfile.TemporaryDirectory() as folder:
        mappings, registers = Path(folder, "mappings"), Path(folder, "registers")
        mappings.mkdir()
        registers.mkdir()
        return [mapping_trials(2000, seed_, mappings), *register_trials(2000, seed_, registers)]


LONG = _long

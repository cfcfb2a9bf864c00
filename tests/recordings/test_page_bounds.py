"""What a recording may ask of the machine: told from the file's own words before anything is decoded."""

import base64
import gc
import weakref

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from faults.parquet_bases import (
    BYTES,
    FLOAT64,
    Column,
    as_file,
    bases,
    by_hand,
    contents,
    data_page,
    dictionary_page,
    same_value,
    stop_columns,
    text,
    with_contents,
)
from faults.parquet_far_too_much import bare
from faults.thrift_compact import I32, I64, read

from fleetbrake.core.errors import InputError
from fleetbrake.recordings import bounds, reader
from fleetbrake.recordings.compact import BadStructure, after, fields, unsigned
from fleetbrake.recordings.mapping import parse_mapping
from fleetbrake.recordings.page_headers import DELTA_BYTE_ARRAY, Chunk, chunks_of, page_headers
from fleetbrake.recordings.reader import open_recording


def _facts(data: bytes) -> list[list[dict[int, object]]]:
    """Of each row group's columns, by the tests' own reading of the format."""
    groups = contents(data).of(4)[1]
    return [
        [{number: value for number, _, value in column.of(3).fields} for column in group.of(1)[1]] for group in groups
    ]


def _footer(data: bytes) -> bytes:
    length = int.from_bytes(data[-8:-4], "little")
    return data[-8 - length : -8]


@pytest.mark.parametrize("number", range(len(bases())))
def test_columns_and_pages_as_the_writer_wrote_them(number):
    """Held against another reading of the same bytes, and against what the decoding library says of a sound file."""
    data = bases()[number]
    found, metadata = chunks_of(_footer(data)), pq.ParquetFile(pa.BufferReader(data)).metadata
    for group, (chunks, told) in enumerate(zip(found, _facts(data), strict=True)):
        for place, (chunk, facts) in enumerate(zip(chunks, told, strict=True)):
            column = metadata.row_group(group).column(place)
            assert chunk.unpacked == column.total_uncompressed_size
            assert chunk.length == column.total_compressed_size
            start = facts.get(11) or facts[9]
            assert chunk.start == start
            at = start
            values = 0
            for header in page_headers(pa.BufferReader(data), chunk.start, chunk.start + chunk.length):
                struct, end = read(data, at)
                assert (header.kind, header.uncompressed, header.compressed) == tuple(struct.of(k) for k in (1, 2, 3))
                assert header.length == end - at
                detail = struct.of({0: 5, 2: 7, 3: 8}[header.kind])
                assert header.encoding == detail.of({0: 2, 2: 2, 3: 4}[header.kind])
                values += 0 if header.kind == 2 else detail.of(1)
                at = end + header.compressed
            assert values == column.num_values


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\x15",
        b"\x15\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff",  # a number without end
        b"\x1c" * 200,  # structures within structures
        b"\x19\xfc\xff\xff\xff\xff\x07",  # a list of two milliards
        b"\x1f\0",  # a value of no kind
        b"\x49\x15\x02\0",  # row groups that are numbers
    ],
)
def test_what_is_no_table_of_contents(data):
    with pytest.raises(BadStructure):
        chunks_of(data)


def test_a_walk_through_any_bytes_ends():
    chance = np.random.default_rng(20260105)
    for _ in range(2000):
        data = chance.bytes(60)
        try:
            chunks = chunks_of(data)
        except BadStructure:
            continue
        assert all(isinstance(chunk, Chunk) for group in chunks for chunk in group)


def test_numbers_and_values_are_passed_over_alike():
    """A number passed over ends where the same number ends when it is read."""
    for value in (0, 1, 127, 128, 2**31, 2**62):
        data = b"".join(bytes([value >> 7 * k & 127 | 128]) for k in range((value.bit_length() - 1) // 7)) or b""
        data += bytes([value >> 7 * ((max(value.bit_length(), 1) - 1) // 7)])
        assert unsigned(data, 0) == (value, len(data))
        assert after(data, 0, 6) == len(data)
    end = [0]
    assert [(number, kind) for number, kind, _ in fields(b"\x15\x02\x28\x01x\x11\0", 0, end)] == [
        (1, 5),
        (3, 8),
        (4, 1),
    ]
    assert end == [7]


def _drive(rows: int, **changed: Column) -> list[Column]:
    columns = {
        "vehicle_id": Column(
            "vehicle_id",
            BYTES,
            rows,
            [dictionary_page(text(b"V1"), 1), data_page(same_value(rows), rows, 8)],
            text=True,
        ),
        "timestamp": Column("timestamp", 2, rows, [data_page(_stamps(rows), rows, 0)], time=True),
        "speed_mps": Column("speed_mps", FLOAT64, rows, [data_page(np.full(rows, 5.0).tobytes(), rows, 0)]),
    }
    return list((columns | changed).values())


def _stamps(rows: int) -> bytes:
    return (1_767_600_000_000_000 + 20_000 * np.arange(rows, dtype=np.int64)).tobytes()


def _refused(tmp_path, data: bytes) -> str:
    path = tmp_path / "r.parquet"
    path.write_bytes(data)
    with pytest.raises(InputError) as told:
        list(open_recording(path).batches())
    assert str(told.value).startswith(str(path))
    return str(told.value).removeprefix(f"{path}: ")


def test_a_file_made_by_hand_can_be_read(tmp_path):
    """Else all that follows would be refused for another reason."""
    path = tmp_path / "r.parquet"
    path.write_bytes(by_hand([_drive(300)], [300]))
    (batch,) = open_recording(path).batches()
    assert batch.samples == 300 and batch.vehicle_id.tolist() == ["V1"]


@pytest.mark.parametrize(("field", "value"), [(3, 2**31 - 1), (3, -1), (2, -1), (2, 2**31 - 1)])
def test_a_page_of_a_size_that_cannot_be(tmp_path, field, value):
    page = data_page(np.full(300, 5.0).tobytes(), 300, 0)
    page.header.put(field, I32, value)
    sentence = _refused(tmp_path, by_hand([_drive(300, speed_mps=Column("speed_mps", FLOAT64, 300, [page]))], [300]))
    assert "the file is damaged inside (a page of" in sentence or "of column speed_mps" in sentence


def test_pages_that_become_too_large_together(write, plain_stop, monkeypatch):
    monkeypatch.setattr(bounds, "MOST_PAGES", 20_000)
    with pytest.raises(InputError, match=r"the pages of its columns become 0 MB at once .* those of column timestamp"):
        list(open_recording(write(plain_stop(), use_dictionary=False)).batches())


def test_billions_of_rows_that_say_the_same(tmp_path):
    data = by_hand([_drive(300)], [2**31 - 1])
    assert "rows in" in (said := _refused(tmp_path, data)) and "are no recording: every row says the same" in said


@pytest.mark.parametrize("rows", [299, 0, -1, 2**62])
def test_rows_that_are_not_those_of_the_row_groups(tmp_path, rows):
    data = by_hand([_drive(300)], [300])
    end = contents(data)
    sentence = _refused(tmp_path, with_contents(data, end.put(3, I64, rows)))
    assert sentence == "the file has no rows" if rows < 1 else "row groups 300" in sentence


def test_a_hundred_thousand_columns(tmp_path):
    sentence = _refused(tmp_path, bare(100_000, 1))
    assert sentence == f"its table of contents lists more than {bounds.MOST_LISTED} columns or row groups"


def test_many_doubled_columns_of_long_names_make_a_short_sentence(tmp_path, plain_stop):
    columns = plain_stop()
    names = [f"{'n' * 500}{number}" for number in range(600)] * 2
    table = pa.Table.from_arrays(
        [*map(pa.array, columns.values()), *[pa.nulls(300, pa.float32())] * len(names)], [*columns, *names]
    )
    path = tmp_path / "r.parquet"
    pq.write_table(table, path)
    with pytest.raises(InputError, match="is there more than once") as told:
        open_recording(path)
    assert len(str(told.value)) < 2000


def test_names_of_megabytes_are_not_kept(write, plain_stop):
    """What is known of files with the same columns stays, names and all: sixty times 15 MB were never let go."""
    kept = len(reader._LAYOUTS)
    for letter in "abc":
        open_recording(write(plain_stop() | {letter * 100_000: [1.0] * 300}))
    open_recording(write(plain_stop() | {"lists": [[1.0]] * 300}))
    assert len(reader._LAYOUTS) == kept


def test_an_identifier_of_megabytes(write, plain_stop):
    with pytest.raises(InputError, match=r"r\.parquet: column event_id holds a text of 70000 bytes, more"):
        list(open_recording(write(plain_stop(event_id="x" * 70_000))).batches())
    columns = plain_stop() | {"driver_id": ["d" * 70_000] + ["e"] * 299}
    with pytest.raises(InputError, match="column driver_id holds a text of 70000 bytes"):
        list(open_recording(write(columns)).batches())


def test_a_long_text_in_many_rows_is_read_once(write, plain_stop, monkeypatch):
    """Where many rows point to texts that may be long, they are read as a dictionary, whatever the file's size."""
    asked = []
    own = pq.ParquetFile

    def opened(*args, **how):
        asked.append(how.get("read_dictionary"))
        return own(*args, **how)

    path = write(plain_stop() | {"driver_id": ["d" * 60_000, "e"] * 150})
    monkeypatch.setattr(bounds, "MOST_TEXTS", 10**6)
    monkeypatch.setattr(pq, "ParquetFile", opened)
    (batch,) = open_recording(path).batches()
    assert ["driver_id"] in asked
    assert batch.samples == 300


def test_texts_written_as_differences_are_looked_at_first(write, plain_stop, monkeypatch):
    """Three hundred times 60 kB in a file of some kilobytes; told from the first few of them."""
    monkeypatch.setattr(bounds, "MOST_TEXTS", 10**6)
    columns = plain_stop() | {"driver_id": pa.array(["d" * 60_000] * 300)}
    how = {"use_dictionary": False, "column_encoding": {"driver_id": "DELTA_BYTE_ARRAY"}, "compression": "zstd"}
    path = write(columns, **how)
    assert path.stat().st_size < 100_000
    with pytest.raises(InputError, match="column driver_id holds texts of up to 60000 bytes in 300 rows"):
        list(open_recording(path).batches())


def test_short_texts_written_as_differences_are_read(write, plain_stop, monkeypatch):
    monkeypatch.setattr(bounds, "MOST_TEXTS", 10_000)
    how = {"use_dictionary": False, "column_encoding": {"driver_id": "DELTA_BYTE_ARRAY"}}
    path = write(plain_stop() | {"driver_id": [f"driver-{n // 100}" for n in range(300)]}, **how)
    headers = page_headers(pa.BufferReader(path.read_bytes()), *_span(path, "driver_id"))
    assert [header.encoding for header in headers] == [DELTA_BYTE_ARRAY]
    (batch,) = open_recording(path).batches()
    assert batch.samples == 300


def _span(path, name: str) -> tuple[int, int]:
    metadata = pq.read_metadata(path)
    place = metadata.schema.names.index(name)
    column = metadata.row_group(0).column(place)
    return column.data_page_offset, column.data_page_offset + column.total_compressed_size


def test_words_for_yes_and_no(write, plain_stop):
    rules = parse_mapping(
        b'[columns]\nevent_id = "event_id"\nvehicle_id = "vehicle_id"\ntimestamp = "timestamp"\n'
        b'speed_mps = "speed_mps"\n'
        b'brake_switch = { source = "lamp", true_values = ["on"], null_values = ["?"] }\n',
        "m.toml",
    )
    columns = plain_stop() | {"lamp": ["on", "off", "?", None, ""] * 60}
    (batch,) = open_recording(write(columns), rules).batches()
    np.testing.assert_array_equal(batch.channels["brake_switch"][:5], [1.0, 0.0, np.nan, np.nan, np.nan])


def test_a_page_whose_checksum_is_wrong(write, plain_stop):
    path = write(plain_stop(), compression="none", use_dictionary=False, write_page_checksum=True)
    data = bytearray(path.read_bytes())
    start, stop = _span(path, "speed_mps")
    data[stop - 40] ^= 1  # the last digits of a speed: nothing else would show it
    path.write_bytes(bytes(data))
    with pytest.raises(InputError, match="the file is damaged inside"):
        list(open_recording(path).batches())
    assert stop - start > 2000


@pytest.mark.parametrize(("plain", "sentence"), [(False, "the file is enc"), (True, "column speed_mps is enc")])
def test_an_encrypted_file(tmp_path, plain, sentence):
    encryption = pytest.importorskip("pyarrow.parquet.encryption")

    class Keys(encryption.KmsClient):
        def wrap_key(self, key_bytes, master_key_identifier):
            return base64.b64encode(key_bytes)

        def unwrap_key(self, wrapped_key, master_key_identifier):
            return base64.b64decode(wrapped_key)

    how = encryption.EncryptionConfiguration(footer_key="f", column_keys={"c": ["speed_mps"]}, plaintext_footer=plain)
    factory = encryption.CryptoFactory(lambda _: Keys())
    properties = factory.file_encryption_properties(encryption.KmsConnectionConfig(), how)
    path = tmp_path / "r.parquet"
    path.write_bytes(as_file(stop_columns(), encryption_properties=properties))
    with pytest.raises(InputError, match=rf"r\.parquet: {sentence}rypted"):
        list(open_recording(path).batches())


def test_columns_within_columns_are_counted(write, plain_stop):
    """A channel stands behind them in the file, and only its own pages count."""
    nested = {
        "a": pa.array([{"x": 1.0, "y": [{"z": 2}]}] * 300),
        "b": pa.array([[("k", 1.0)]] * 300, pa.map_(pa.string(), pa.float64())),
        "c": pa.array([b"0123456789abcdef"] * 300, pa.binary(16)).cast(pa.uuid()),
        "d": pa.array([[1.0, 2.0]] * 300, pa.list_(pa.float64(), 2)),
    }
    path = write(nested | plain_stop())
    recording = open_recording(path)
    paths = [column.path for column in pq.read_metadata(path).schema]
    assert all(paths[place] == name for name, place in recording.pages.columns.items() if name not in nested)
    assert len(list(recording.batches())) == 1


def test_nothing_of_a_file_is_kept_until_somebody_collects(write, plain_stop):
    path = write(plain_stop())
    gc.collect()
    gc.disable()
    try:
        list((recording := open_recording(path)).batches())
        gone = weakref.ref(recording.metadata)
        del recording
        assert gone() is None
    finally:
        gc.enable()


def test_single_rows_are_checked_too(write, plain_stop, monkeypatch):
    recording = open_recording(write(plain_stop()))
    monkeypatch.setattr(bounds, "MOST_PAGES", 100)
    for ask in (lambda: recording.rows(10, 100), lambda: recording.table(10, 100, ["speed_mps"])):
        with pytest.raises(InputError, match=r"r\.parquet: the pages of its columns become"):
            ask()


def test_nothing_of_the_decoding_library_that_ends_the_process_is_asked():
    """A column's facts as the library gives them: contradicting ones end the process (tried with pyarrow 26)."""
    import inspect

    for module in (reader, bounds):
        assert ".column(place)" not in inspect.getsource(module).replace("schema.column(place)", "")

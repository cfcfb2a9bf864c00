"""Writing the log, which is the commit of a run, so that an older copy of it, or of the whole lake, is known later.

Each writing has a number, and the list of what it names stands outside of the lake, see ``store.readings``. What a log
lacks that a newer one named is carried on from writing to writing until it is read in again.
"""

from collections.abc import Iterable
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.store import readings
from fleetbrake.store.arrow import write_parquet
from fleetbrake.store.lake import Lake
from fleetbrake.store.lock import check_held
from fleetbrake.store.log import NOT_KNOWN, IngestLog, LogEntry, read_log
from fleetbrake.store.log_mark import LogMark, log_mark, log_path, marked
from fleetbrake.store.remembered import remember_log, remembered


def commit_log(store: Path, entries: Iterable[LogEntry]) -> IngestLog:
    """Put the entries into the log, each in place of the one of its path; all of them or none.

    From here on the pieces they name exist and the replaced ones do not. Only for the holder of the writer's lock.
    Without entries nothing is written.
    """
    check_held(store)
    log, read = read_log(store), list(entries)
    if not read and log_path(store).exists():
        return log
    merged = log.with_entries(read)
    lacking = readings.without_paths(_lacking(store, log.table()), [entry.path for entry in read])
    _write(store, merged.table(), lacking)
    return merged


def replace_log(store: Path, entries: Iterable[LogEntry]) -> None:
    """Write the log anew with just these entries. Only for the holder of the writer's lock."""
    write_log(store, IngestLog(store, {entry.path: entry for entry in entries}).table())


def write_log(store: Path, rows: pa.Table, *, newest: bool = False, made_again: bool = False) -> None:
    """As :func:`replace_log`, of a table in ``LOG_SCHEMA`` without two rows of one path.

    What it does not name any more was taken out on purpose. ``newest``: it lacks nothing from now on, whatever it is.
    ``made_again``: from what is left in other places; it lacks what it does not name of what there was.
    """
    rows = IngestLog(store, rows).table()
    if newest:
        lacking = readings.NONE
    elif made_again or log_mark(store) is None:
        lacking = _lacking_again(store, rows)
    else:
        lacking = _lacking(store, read_log(store).table())
    _write(store, rows, lacking)


def lacks(store: Path) -> int:
    """How many files a newer log named that the one that is there does not; at least one where it is an older copy and
    the list of them is lost. StoreError where the log or the note is damaged."""
    there = log_mark(store)
    if there is None:
        return 0
    if there.number >= _noted(store):
        return there.lacking
    return _lacking(store, read_log(store).table()).num_rows


def is_older_copy(store: Path) -> bool:
    """Whether an older log was put in the place of the newest, and no run has gone on with it since. StoreError as
    above."""
    there = log_mark(store)
    return there is not None and there.number < _noted(store) and lacks(store) > 0


def take_up_log(store: Path) -> None:
    """Before a run: go on from the log that is there, whatever it is. Only for the holder of the writer's lock.

    It may be an older copy, or one that a kill left between the list of what it names, itself and the note of it.
    """
    there = log_mark(store)
    if there is None:
        return
    rows = read_log(store).table()
    if there.number < _noted(store):
        _write(store, rows, _lacking(store, rows))
        return
    if there.number > _noted(store):
        remember_log(store, there)
    known, of_list = readings.listed(store, there.number), readings.writing_of_list(store)
    if not there.number or (known is not None and of_list == there.number):
        return
    lacking = _lacking(store, rows) if known is None else _gone(store, rows, known, carried_on=bool(there.lacking))
    if lacking.num_rows > there.lacking:
        _write(store, rows, lacking)
    else:
        _write_list(store, rows, lacking, there.number)


def _gone(store: Path, rows: pa.Table, known: pa.Table, *, carried_on: bool) -> pa.Table:
    """What a newer list names and is nowhere. Rows that are there are those of a run that was killed before its log was
    written; one that is nowhere was written, and an older lake came since. ``carried_on``: the log lacked some before.
    """
    lacking = readings.not_named(known, rows)
    there = pc.is_in(lacking.column("key"), value_set=pa.array(sorted(Lake(store).all_keys()), pa.string()))
    nothing_in = pc.is_null(lacking.column("key"))
    return lacking.filter(pc.invert(there if carried_on else pc.or_(there, nothing_in)))


def _lacking(store: Path, rows: pa.Table) -> pa.Table:
    """What the log that is there, or what stands in for it (``rows``), does not name of what there was."""
    there = log_mark(store)
    if there is None:
        return _lacking_again(store, rows)
    current = there.number >= _noted(store)
    if current and not there.lacking:
        return readings.NONE
    known = readings.listed(store, max(there.number, _noted(store)))
    if known is not None:
        return readings.not_named(known, rows)
    return readings.NONE if not current and _is_whole(store, rows, by_count=False) else readings.UNKNOWN


def _lacking_again(store: Path, rows: pa.Table) -> pa.Table:
    """The same of a log that is made again."""
    known = readings.listed(store, _noted(store))
    if known is not None:
        return readings.not_named(known, rows)
    return readings.NONE if _is_whole(store, rows, by_count=True) else readings.UNKNOWN


def _is_whole(store: Path, rows: pa.Table, *, by_count: bool) -> bool:
    """Whether a log names what the newest one did, where the list of that is lost. One that is made again may name
    more: rows of a run that was killed, and files that left the log because their rows are gone. ``by_count``: where no
    fingerprint was noted, as many files will do."""
    known = remembered(store)
    if rows.num_rows < known.recordings:
        return False
    if not known.readings:
        return by_count
    as_read = rows.filter(pc.not_equal(rows.column("settings"), NOT_KNOWN))
    if known.readings in map(readings.fingerprint_of, (rows, as_read)):
        return True
    there = pa.array(sorted(Lake(store).all_keys()), pa.string())
    return known.readings == readings.fingerprint_of(rows.filter(pc.is_in(rows.column("key"), value_set=there)))


def _write(store: Path, rows: pa.Table, lacking: pa.Table) -> None:
    """Write the list, the log and the note of it, in this order: what a kill leaves of it is known by the numbers."""
    there = log_mark(store) or LogMark()
    number = max(there.number, _noted(store), readings.writing_of_list(store)) + 1
    left = readings.not_named(lacking, rows)
    mark = LogMark(number, rows.num_rows, readings.fingerprint_of(rows), left.num_rows)
    _write_list(store, rows, left, number)
    write_parquet(log_path(store), marked(rows, mark))
    remember_log(store, mark)


def _write_list(store: Path, rows: pa.Table, lacking: pa.Table, number: int) -> None:
    readings.write_list(store, pa.concat_tables([readings.readings_of(rows), lacking]), number)


def _noted(store: Path) -> int:
    """Number of the log that was written last, by the note."""
    return remembered(store).writings.get("log", 0)

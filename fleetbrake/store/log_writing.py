"""Writing the log, which is the commit of a run, so that an older copy of it, or of the whole lake, is known later.

Each writing has a number, and the list of what it names stands outside of the lake, see ``store.readings``. What a log
lacks that a newer one named is carried on from writing to writing until it is read in again.
"""

from collections.abc import Iterable
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.store import readings
from fleetbrake.store.arrow import in_one, write_parquet
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
    _write(store, merged.table(), _lacking(store, log.table()))
    return merged


def take_off_lacking(store: Path, paths: Iterable[str]) -> None:
    """Files of these paths are in, by whatever reading: those that the log lacked are not lacking any more. Only for
    the holder of the writer's lock."""
    if lacks(store):
        rows = read_log(store).table()
        lacking = _lacking(store, rows)
        left = readings.without_paths(lacking, paths)
        if left.num_rows < lacking.num_rows:
            _write(store, rows, left)


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
    there, noted = log_mark(store), _noted(store)
    if there is None:
        return
    if there.number > noted:
        remember_log(store, there)
    known = readings.listed(store, there.number)
    current = there.number >= noted
    if current and (not there.number or (known is not None and readings.writing_of_list(store) == there.number)):
        return
    rows = read_log(store).table()
    lacking = _lacking(store, rows)
    if current and known is not None:
        lacking = pa.concat_tables([lacking, _gone(store, rows, known)])
    if current and lacking.num_rows <= there.lacking:
        readings.write_list(store, rows, lacking, there.number)
    else:
        _write(store, rows, lacking)


def _gone(store: Path, rows: pa.Table, known: pa.Table) -> pa.Table:
    """What a newer list names for the first time and is nowhere. Rows that are there are those of a run that was killed
    before its log was written; where they are nowhere it was written, and an older lake came since."""
    before = readings.in_state(known, readings.LACKING, readings.CAME_IN).column("key")
    new = readings.not_named(readings.in_state(known, readings.NAMED), rows)
    there = pc.is_in(new.column("key"), value_set=pa.array(sorted(Lake(store).all_keys()), pa.string()))
    return new.filter(pc.invert(pc.or_(there, pc.is_in(new.column("key"), value_set=in_one(before)))))


def _lacking(store: Path, rows: pa.Table) -> pa.Table:
    """What the log that is there, or what stands in for it (``rows``), does not name of what there was."""
    there, noted = log_mark(store), _noted(store)
    if there is None:
        return _lacking_again(store, rows)
    if there.number >= noted:
        return _carried_on(store, rows, there)
    known = readings.listed(store, noted)
    if known is not None:
        return readings.not_named(readings.in_state(known, readings.NAMED, readings.LACKING), rows)
    return readings.NONE if _is_whole(store, rows, by_count=False) else readings.UNKNOWN


def _carried_on(store: Path, rows: pa.Table, there: LogMark) -> pa.Table:
    """What the log of the newest writing lacks, as it says itself."""
    if there.number and not there.readings:  # an earlier version went on with the log, and carried nothing on
        known = readings.listed(store, 1)
        carried = readings.NONE if known is None else readings.in_state(known, readings.LACKING)
        return readings.without_paths(readings.not_named(carried, rows), rows.column("path").to_pylist())
    if not there.lacking:
        return readings.NONE
    known = readings.listed(store, there.number)
    if known is None:
        return readings.UNKNOWN
    newer = readings.writing_of_list(store) > there.number
    states = (readings.LACKING, readings.CAME_IN) if newer else (readings.LACKING,)
    return readings.not_named(readings.in_state(known, *states), rows)


def _lacking_again(store: Path, rows: pa.Table) -> pa.Table:
    """The same of a log that is made again."""
    known = readings.listed(store, _noted(store))
    if known is not None:
        return readings.not_named(readings.in_state(known, readings.NAMED, readings.LACKING), rows)
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
    readings.write_list(store, rows, lacking, number)
    write_parquet(log_path(store), marked(rows, mark))
    remember_log(store, mark)


def _noted(store: Path) -> int:
    """Number of the log that was written last, by the note."""
    return remembered(store).writings.get("log", 0)

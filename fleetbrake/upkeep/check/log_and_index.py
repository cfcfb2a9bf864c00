"""The log of files and the index of the blocks: whether they can be read, and whether they hold together."""

from contextlib import suppress
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import StoreError
from fleetbrake.store.arrow import read_parquet
from fleetbrake.store.lake import KEY_FORM
from fleetbrake.store.lake_blocks import INDEX_SCHEMA, name_of
from fleetbrake.store.log import NOT_KNOWN, IngestLog, read_log
from fleetbrake.store.log_mark import log_mark, log_path
from fleetbrake.store.readings import READINGS_NAME, listed
from fleetbrake.store.remembered import no_copy
from fleetbrake.store.sealed import Seal, seal_of
from fleetbrake.store.unfinished import lost_with_the_log, older_lake, unexplained
from fleetbrake.upkeep.check.outcome import Damage, Outcome

#: What is said of a file that an older version wrote.
OLDER = "no seal (an older version wrote it): a bit that flipped is found where the rows show it"


def broken_seal(path: Path) -> str | None:
    """What is wrong with the bytes of a file; None if nothing can be told from them."""
    try:
        return "it has other bytes than were written" if seal_of(path) is Seal.BROKEN else None
    except OSError as error:
        return f"it cannot be read ({error.strerror or error})"


def check_log(store: Path, out: Outcome, damage: Damage) -> IngestLog | None:
    """The log, None where it cannot be used."""
    path = log_path(store)
    if not path.is_file():
        return _without_file(store, out, damage)
    broken = broken_seal(path)
    try:
        if broken:
            raise StoreError(f"{path}: {broken}.")
        log = read_log(store)
    except StoreError as error:
        out.wrong.add(str(error))
        damage.log = True
        return None
    out.looked_at = f"{len(log)} files"
    if seal_of(path) is Seal.NONE and len(log):
        out.notes.add(f"{path.name}: {OLDER}.")
    rows = log.table()
    unknown = pc.or_(pc.equal(rows.column("sha256"), ""), pc.equal(rows.column("settings"), NOT_KNOWN))
    again = rows.filter(unknown).num_rows
    if again:
        out.notes.add(
            f"{again} files of which it is not known how they were read: the next ingest that names them reads them "
            "again, those of a hold once it is released."
        )
    for sentence in _problems(log.table()):
        out.wrong.add(f"The log of files: {sentence}.")
        damage.log = True
    with suppress(StoreError):  # an index that is damaged is told by whoever looks at it
        unnamed = unexplained(store, log)
        if unnamed and not damage.log:
            out.wrong.add(unnamed)
            damage.log = True
    older = older_lake(store)
    if older and not damage.log:
        out.wrong.add(older)
    there = log_mark(store)
    if there is not None and there.readings and listed(store, there.number) is None:
        damage.readings = True
        out.wrong.add(
            f"{store / READINGS_NAME}, the list of what the newest log names, is gone, damaged or an older copy: the "
            "next ingest, or `fleetbrake check --repair`, makes it anew."
        )
    return None if damage.log else log


def _without_file(store: Path, out: Outcome, damage: Damage) -> IngestLog | None:
    """No log: nothing was read yet, or it is lost."""
    some = any((store / "lake").rglob("*.parquet"))
    try:
        log = read_log(store)
    except StoreError as error:
        out.wrong.add(str(error))
        damage.log = True
        return None
    lost = lost_with_the_log(store, log)
    if not some and lost:
        out.wrong.add(f"{lost} {no_copy('recordings')}")
        return log
    if not some and not len(log):
        out.looked_at = "nothing was read in yet"
        return log
    out.wrong.add(f"{log_path(store)} is gone; published are {len(log)} files.")
    damage.log = True
    return None


def _problems(table: pa.Table) -> list[str]:
    """What no run can have written, beside what refuses the log whenever it is read."""
    told = []
    for name in ("rows", "events", "events_rejected", "vehicles", "size"):
        if pc.any(pc.less(table.column(name), 0), min_count=0).as_py():
            told.append(f"a negative number of {name}")
    keys = table.column("key").drop_null()
    if not pc.all(pc.match_substring_regex(keys, f"^{KEY_FORM}$"), min_count=0).as_py():
        told.append("a key that is none")
    if pc.count_distinct(keys).as_py() != len(keys):
        told.append("two files of one key")
    if pc.any(pc.less(table.column("last_at"), table.column("first_at")), min_count=0).as_py():
        told.append("a last sample before the first")
    return told


def check_index(store: Path, log: IngestLog | None, out: Outcome, damage: Damage) -> pa.Table | None:
    """The index of the blocks, None where it cannot be used; rows whose block has gone are in it."""
    path, folder = store / "lake" / "blocks.parquet", store / "lake" / "blocks"
    there = {one.name.split(".", 1)[0] for one in folder.glob("*.parquet")} if folder.is_dir() else set()
    if not path.is_file():
        lost = bool(there) and _some_missing(store, log)
        if lost:
            out.wrong.add(f"{path} is gone, and {len(there)} blocks hold rows.")
            damage.index = True
        out.looked_at = "no blocks"
        return None if lost else INDEX_SCHEMA.empty_table()
    broken = broken_seal(path)
    try:
        if broken:
            raise StoreError(f"{path}: {broken}.")
        index = read_parquet(path, INDEX_SCHEMA, "the index of the feature rows")
    except StoreError as error:
        out.wrong.add(str(error))
        damage.index = True
        return None
    out.looked_at = f"{index.num_rows} pieces in {pc.count_distinct(index.column('block')).as_py()} blocks"
    for sentence in (*_wrong_index(index), *_not_of_these(store, log, index, there)):
        out.wrong.add(f"{path.name}: {sentence}.")
        damage.index = True
    if seal_of(path) is Seal.NONE and index.num_rows:
        out.notes.add(f"{path.name}: {OLDER}.")
    return None if damage.index else index


def _some_missing(store: Path, log: IngestLog | None) -> bool:
    """Whether a piece that the log names stands nowhere alone."""
    if log is None:
        return True
    alone = {one.stem for one in (store / "lake" / "events").glob("*.parquet")}
    return not alone.issuperset(log.keys())


def _not_of_these(store: Path, log: IngestLog | None, index: pa.Table, there: set[str]) -> list[str]:
    """Whether it is the index of other blocks than are there: an older copy, or the blocks are.

    A run that was killed leaves blocks that the index does not name, too; every piece of the log is there then.
    """
    named = set(index.column("block").to_pylist())
    unnamed = there - named
    if not unnamed:
        return []
    indexed = set(
        index.filter(pc.is_in(index.column("block"), pa.array(sorted(there), pa.string())))["key"].to_pylist()
    )
    alone = {one.stem for one in (store / "lake" / "events").glob("*.parquet")}
    if named <= there and (log is None or indexed | alone >= set(log.keys())):
        return []
    return [f"it is the index of other blocks; {len(unnamed)} that are there are not in it"]


def _wrong_index(index: pa.Table) -> list[str]:
    told = []
    if sum(index.column(name).null_count for name in index.column_names):
        told.append("a row with an empty cell")
    if pc.count_distinct(index.column("key")).as_py() != index.num_rows:
        told.append("a piece stands in it twice")
    for block in sorted(set(index.column("block").drop_null().to_pylist())):
        rows = index.filter(pc.equal(index.column("block"), block))
        if name_of(rows.select(["key", "events_stamp", "wheels_stamp"])) != block:
            told.append(f"the name of block {block} does not follow from its pieces")
    return told

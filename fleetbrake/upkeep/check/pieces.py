"""Every piece of the lake against the log: there, readable to its last page, of one key, with as many rows as told."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import StoreError
from fleetbrake.store.arrow import in_one, read_parquet
from fleetbrake.store.lake import EVENTS_SCHEMA, PIECE_KEY, WHEELS_SCHEMA, Lake
from fleetbrake.store.lake_blocks import EVENTS_HALF, WHEELS_HALF, Blocks
from fleetbrake.store.log import LOG_SCHEMA, IngestLog
from fleetbrake.store.log_copy import published_log
from fleetbrake.store.sealed import Seal, seal_of
from fleetbrake.upkeep.check.log_and_index import OLDER, broken_seal
from fleetbrake.upkeep.check.outcome import Damage, Outcome

_HALVES = ((EVENTS_HALF, EVENTS_SCHEMA), (WHEELS_HALF, WHEELS_SCHEMA))


@dataclass
class Known:
    """What is to be found: events by key of the log, path by key, and which keys stand where."""

    events: dict[str, int]
    paths: dict[str, str]
    alone: dict[str, set[str]]
    blocks: dict[str, dict[str, tuple[int, int]]]
    older: int = 0


def check_pieces(store: Path, log: IngestLog, index: pa.Table, out: Outcome, damage: Damage) -> None:
    """Read every piece that counts, and tell of those that do not."""
    known = _known(store, log, index)
    whole = known.alone[EVENTS_HALF] & known.alone[WHEELS_HALF]
    blocks = Blocks(store / "lake")
    for key in sorted(whole & set(known.events)):
        problem = _alone(Lake(store), key, known)
        if problem:
            out.wrong.add(f"The rows of {known.paths[key]}: {problem}.")
            damage.alone.add(key)
            damage.gone.add(key)
    for block, pieces in sorted(known.blocks.items()):
        wanted = {key: counts for key, counts in pieces.items() if key in known.events and key not in whole}
        problem = _block(blocks, block, pieces, wanted, known) if wanted else None
        if problem:
            out.wrong.add(f"Block {block} with the rows of {len(wanted)} files: {problem}.")
            damage.blocks.add(block)
            damage.gone |= set(wanted)
    somewhere = whole.union(*known.blocks.values())
    for key in sorted(set(known.events) - somewhere):
        out.wrong.add(f"The rows of {known.paths[key]} are nowhere.")
        damage.gone.add(key)
    out.looked_at = f"{len(known.events)} pieces, {sum(known.events.values())} events"
    _tell(out, damage, known, whole, somewhere)


def check_nowhere(store: Path, out: Outcome) -> None:
    """Without a log: name the files that were published and whose rows are nowhere."""
    try:
        published, there = published_log(store, LOG_SCHEMA), Lake(store).stamps().column("key")
    except StoreError:
        return  # told by whoever looks at the published file, or at the index
    keys = published.column("key")
    lost = pc.and_(pc.is_valid(keys), pc.invert(pc.is_in(keys, value_set=in_one(there))))
    for path in published.filter(lost).column("path").to_pylist():
        out.wrong.add(f"The rows of {path} are nowhere.")


def _known(store: Path, log: IngestLog, index: pa.Table) -> Known:
    kept = log.table().filter(pc.is_valid(log.table().column("key"))).select(["key", "path", "events"]).to_pydict()
    alone = {half: {one.stem for one in (store / "lake" / half).glob("*.parquet")} for half, _ in _HALVES}
    blocks: dict[str, dict[str, tuple[int, int]]] = {}
    for row in index.select(["key", "block", "events", "wheels"]).to_pylist():
        blocks.setdefault(row["block"], {})[row["key"]] = row["events"], row["wheels"]
    events = dict(zip(kept["key"], kept["events"], strict=True))
    return Known(events, dict(zip(kept["key"], kept["path"], strict=True)), alone, blocks)


def _alone(lake: Lake, key: str, known: Known) -> str | None:
    tables = []
    for (half, schema), path in zip(_HALVES, lake.files_of(key), strict=True):
        table = _table(path, schema, known)
        if isinstance(table, str):
            return f"{half}/{path.name}: {table}"
        tables.append(table)
    events, wheels = tables
    if not all(_only(table.column(PIECE_KEY), key) for table in tables):
        return "they are those of another file"
    return _rows(events, wheels, {key: known.events[key]})


def _block(
    blocks: Blocks,
    block: str,
    pieces: dict[str, tuple[int, int]],
    wanted: dict[str, tuple[int, int]],
    known: Known,
) -> str | None:
    tables = []
    for half, schema in _HALVES:
        path = blocks.path(block, half)
        if not path.is_file():
            return f"{path.name} is gone"
        table = _table(path, schema, known)
        if isinstance(table, str):
            return f"{path.name}: {table}"
        tables.append(table)
    events, wheels = tables
    told = (
        {key: counts[0] for key, counts in pieces.items() if counts[0]},
        {key: counts[1] for key, counts in pieces.items() if counts[1]},
    )
    if (_counted(events), _counted(wheels)) != told:
        return "the index says other numbers of rows"
    return _rows(events, wheels, {key: known.events[key] for key in wanted})


def _table(path: Path, schema: pa.Schema, known: Known) -> pa.Table | str:
    """All rows of a file, or what is wrong with it."""
    broken = broken_seal(path)
    if broken:
        return broken
    known.older += seal_of(path) is Seal.NONE
    try:
        table = read_parquet(path, schema, "feature rows", few_rows=True)
    except StoreError as error:
        return str(error)
    if table.column(PIECE_KEY).null_count:
        return "rows without the key of their file"
    return table


def _rows(events: pa.Table, wheels: pa.Table, wanted: dict[str, int]) -> str | None:
    """What is wrong with the rows of some pieces; ``wanted``: events by key, as the log has them."""
    counted = _counted(events)
    for key, count in wanted.items():
        if counted.get(key, 0) != count:
            return f"there are {counted.get(key, 0)} events, and the log says {count}"
    ids, of_wheels = _ids(events), _ids(wheels)
    if ids.null_count or pc.count_distinct(ids).as_py() != len(ids):
        return "two events of one id, or one without"
    if not pc.all(pc.is_in(of_wheels, value_set=ids), min_count=0).as_py():
        return "wheels of an event that is not there"
    named = pc.binary_join_element_wise(of_wheels, wheels.column("wheel"), "\x00")
    if named.null_count or pc.count_distinct(named).as_py() != len(named):
        return "a wheel stands twice in an event, or has no name"
    return None


def _ids(table: pa.Table) -> pa.Array:
    """Event ids with the key of their piece: the same id may stand in two pieces."""
    return in_one(pc.binary_join_element_wise(table.column(PIECE_KEY), table.column("event_id"), "\x00"))


def _counted(table: pa.Table) -> dict[str, int]:
    counts = pc.value_counts(in_one(table.column(PIECE_KEY)))
    return {row["values"]: row["counts"] for row in counts.to_pylist()}


def _only(column: pa.ChunkedArray, key: str) -> bool:
    return bool(pc.all(pc.equal(column, key), min_count=0).as_py())


def _tell(out: Outcome, damage: Damage, known: Known, whole: set[str], somewhere: Iterable[str]) -> None:
    """What lies there and does not count: a killed run leaves it, the next one removes it."""
    if known.older:
        out.notes.add(f"{known.older} files: {OLDER}.")
    unnamed = set(somewhere) - set(known.events)
    halves = (known.alone[EVENTS_HALF] ^ known.alone[WHEELS_HALF]) - unnamed
    damage.left |= bool(unnamed or halves)
    if unnamed:
        out.notes.add(f"{len(unnamed)} pieces that the log does not name: of a run that was ended.")
    if halves:
        out.notes.add(f"{len(halves)} halves of pieces: of a run that was ended.")
    twice = whole.intersection(*[set().union(*known.blocks.values())]) & set(known.events)
    if twice:
        out.notes.add(f"{len(twice)} pieces stand alone and in a block: the one alone counts.")

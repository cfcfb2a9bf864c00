"""The published file: whether it opens, whether every table is whole and keeps its rules, and who is shown in it."""

import json
from pathlib import Path
from typing import Any, Final

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.core.table_rules import GIVEN, KEYS, RANGES, RANKED, REFERENCES, SIGNED, TRUE_OF, WORDS, Reference
from fleetbrake.core.tables import REGISTERS, TABLES
from fleetbrake.store.database import database_path, first_line, reading
from fleetbrake.store.forgetting.forgetter import DRIVER_COLUMNS, Forgetter
from fleetbrake.store.forgetting.tombstones import read_tombstones
from fleetbrake.store.log import IngestLog
from fleetbrake.store.publish import made_by
from fleetbrake.store.publishing.state import EVENT_COLUMNS, EVENTS, FILE_COLUMNS, FILES, MADE_BY
from fleetbrake.store.recount import PUBLISHED, RECOUNTED
from fleetbrake.store.schema import SETTINGS, declared_columns, quoted
from fleetbrake.store.scores_lost import Scored, lost_scores
from fleetbrake.store.table_seals import SEALED, SEALS, changed_tables
from fleetbrake.upkeep.check.outcome import Damage, Outcome

#: Tables that only the published file has: scoring and planning make them, and those of days gone by are told once.
ONLY_HERE: Final = frozenset(TABLES) - frozenset(RECOUNTED)
#: Columns of two types that count as one: how DuckDB names them.
_SAME: Final = {"TIMESTAMP WITH TIME ZONE": "TIMESTAMPTZ"}


def check_database(store: Path, log: IngestLog | None, out: Outcome, damage: Damage) -> set[str] | None:
    """Tables that can be read to the end; None where the file cannot be opened."""
    if not database_path(store).is_file():
        if log is None or len(log):
            out.wrong.add(f"There is no {database_path(store).name}. {_scores_gone(store)}".rstrip())
            damage.database = damage.publish = True
        out.looked_at = "nothing was published yet"
        return None
    own = {FILES: FILE_COLUMNS, EVENTS: EVENT_COLUMNS, SETTINGS: {"name": "VARCHAR", "value": "VARCHAR"}}
    try:
        there = _columns(store)
        unreadable = _unreadable(store, there)
    except StoreError as error:
        out.wrong.add(str(error))
        damage.database = damage.publish = True
        return None
    declared = {one: declared_columns(one) for one in (*TABLES, *REGISTERS)}
    whole = set(there) & ({*declared, *own} - set(unreadable))
    older = other_models(_settings(store) if SETTINGS in whole else {})
    for name, columns in {**declared, **own}.items():
        problem = unreadable.get(name)
        damage.tables |= {name} if problem else set()
        missing = _missing(name, columns, there.get(name), needed=name not in own)
        if missing and older:
            out.notes.add(f"{missing} Another version wrote the file: the next run adds what is missing.")
        elif missing or _other_type(columns, there.get(name, {})):
            problem = missing or f"Table {name}: {_other_type(columns, there[name])} is of another type than declared."
            damage.types |= set() if missing else {name}
        if problem:
            out.wrong.add(problem)
            damage.publish = True
        if problem or missing:
            whole.discard(name)
    out.looked_at = f"{len(whole)} tables"
    return whole


def _scores_gone(store: Path) -> str:
    """What is lost with it; nothing where the note of it is damaged, which others tell."""
    try:
        return lost_scores(store, Scored()) or ""
    except StoreError:
        return ""


def _columns(store: Path) -> dict[str, dict[str, str]]:
    """Columns and types of every table that is there."""
    found: dict[str, dict[str, str]] = {}
    with reading(store) as con:
        rows = con.execute(
            "SELECT table_name, column_name, data_type FROM duckdb_columns() WHERE database_name = current_database()"
        ).fetchall()
    for table, column, type_ in rows:
        found.setdefault(table, {})[column] = _SAME.get(type_, type_)
    return found


def _missing(name: str, columns: dict[str, str], there: dict[str, str] | None, *, needed: bool) -> str | None:
    if there is None:
        return f"Table {name} is not there." if needed else None
    gone = [column for column in columns if column not in there]
    return f"Table {name} has no column {', '.join(gone)}." if gone else None


def _other_type(columns: dict[str, str], there: dict[str, str]) -> str:
    return ", ".join(column for column, type_ in columns.items() if there.get(column, type_) != type_)


def _settings(store: Path) -> dict[str, str]:
    with reading(store) as con:
        return dict(con.execute(f"SELECT name, value FROM {SETTINGS}").fetchall())  # noqa: S608 - own name


def other_models(settings: dict[str, str]) -> bool:
    """Whether the file says of itself that other models or thresholds than today's made its rows."""
    try:
        made: dict[str, Any] = json.loads(settings.get(MADE_BY, "{}"))
        if not made:  # taken away where rows were changed by rule; versions before there were seals never noted it
            return bool(settings) and SEALS not in settings
        return made.get("fingerprint") != made_by()
    except (ValueError, AttributeError):
        return False


def _unreadable(store: Path, there: dict[str, dict[str, str]]) -> dict[str, str]:
    """Tables of which a cell cannot be read: what a disk changed fails a checksum of the file's blocks."""
    told: dict[str, str] = {}
    waiting = sorted(there)
    while waiting:  # after some errors a connection is of no more use
        with reading(store) as con:
            try:
                while waiting:
                    columns = ", ".join(quoted(column) for column in there[waiting[0]])
                    _sum_up(con, f"SELECT sum(CAST(hash({columns}) AS HUGEINT)) FROM {quoted(waiting[0])}")  # noqa: S608 - own names
                    waiting.pop(0)
            except duckdb.Error as error:
                name = waiting.pop(0)
                told[name] = f"Table {name} cannot be read: {first_line(error)}."
    return told


def _sum_up(con: duckdb.DuckDBPyConnection, sql: str) -> list[int]:
    return [int(cell or 0) for cell in con.execute(sql).fetchall()[0]]


def check_tables(con: duckdb.DuckDBPyConnection, whole: set[str], out: Outcome, damage: Damage) -> None:
    """Every published row by the rules of ``core.table_rules``."""
    rows = 0
    for name in sorted(whole & {*TABLES, *REGISTERS}):
        rules = _row_rules(name)
        counted = ", ".join(f"count_if({sql})" for _, sql in rules)
        found = _sum_up(con, f"SELECT count(*){', ' if counted else ''}{counted} FROM {_of(name)}")  # noqa: S608 - own names
        rows, before = rows + found[0], out.wrong.count
        for (sentence, _), count in zip(rules, found[1:], strict=True):
            _tell(out, f"{name}: {sentence}", count)
        for sentence, sql in _table_rules(name):
            _tell(out, f"{name}: {sentence}", _sum_up(con, f"SELECT count(*) FROM ({sql})")[0])  # noqa: S608 - own names
        damage.rules |= {name} if out.wrong.count > before else set()
    for one in REFERENCES:
        if {one.table, one.within} <= whole:
            before = out.wrong.count
            astray = _sum_up(con, f"SELECT count(*) FROM ({_astray(one)})")[0]  # noqa: S608 - own names
            _tell(out, f"{one.table}: not in {one.within} ({', '.join(one.columns)})", astray)
            damage.rules |= {one.table} if out.wrong.count > before else set()
    if SETTINGS in whole:
        damage.changed = changed_tables(con, PUBLISHED, whole & set(SEALED))
    for name in sorted(damage.changed - damage.rules):
        out.wrong.add(f"{name}: its rows are not those that a run left; something else changed them.")
    out.looked_at = f"{rows} rows"
    damage.publish |= bool(damage.rules - ONLY_HERE)


def _row_rules(name: str) -> list[tuple[str, str]]:
    """Sentence and SQL condition of the rows that break each rule about one row."""
    rules = [(f"{column} is empty", f"{quoted(column)} IS NULL") for column in GIVEN.get(name, ())]
    for (of, column), words in WORDS.items():
        if of == name:
            listed = ", ".join(f"'{word}'" for word in words)
            rules.append((f"{column} is no word of the list", f"{quoted(column)} NOT IN ({listed})"))
    for column, type_ in declared_columns(name).items():
        wrong = _outside(column, type_)
        if wrong:
            rules.append((f"{column} is out of its range", wrong))
    return rules + [(f"not so: {told}", f"NOT ({true})") for told, true in TRUE_OF.get(name, ())]


def _table_rules(name: str) -> list[tuple[str, str]]:
    """Sentence and SQL of what breaks each rule about rows together."""
    rules = []
    if name in KEYS:
        listed = ", ".join(quoted(column) for column in KEYS[name])
        rules.append(
            (
                f"several rows of one {', '.join(KEYS[name])}",
                f"SELECT count(*) AS n FROM {_of(name)} GROUP BY {listed} HAVING n > 1",  # noqa: S608 - own names
            )
        )
    if name in RANKED:
        rules.append(("ranks of a day have a gap or a tie", _UNRANKED.format(table=_of(name))))
    return rules


_UNRANKED: Final = (
    "SELECT as_of FROM {table} GROUP BY as_of HAVING count(*) <> count(DISTINCT rank) OR max(rank) <> count(*) "
    "OR min(rank) <> 1"
)


def _outside(column: str, type_: str) -> str | None:
    """SQL of what a column of that type never holds."""
    name = quoted(column)
    if column in RANGES:
        low, high = RANGES[column]
        return f"NOT ({name} BETWEEN {low!r} AND {high!r})"
    if type_ == "BIGINT" and column not in SIGNED:
        return f"{name} < 0"
    return f"NOT isfinite({name})" if type_ in ("DOUBLE", "TIMESTAMPTZ", "DATE") else None


def _astray(one: Reference) -> str:
    same = " AND ".join(
        f"o.{quoted(own)} IS NOT DISTINCT FROM w.{quoted(theirs)}"
        for own, theirs in zip(one.columns, one.as_columns, strict=True)
    )
    return f"SELECT 1 FROM {_of(one.table)} AS o ANTI JOIN {_of(one.within)} AS w ON {same}"  # noqa: S608 - own names


def _tell(out: Outcome, sentence: str, count: int) -> None:
    if count:
        out.wrong.add(f"{sentence}: {count}.")


def _of(name: str) -> str:
    return f"{PUBLISHED}.main.{quoted(name)}"


def check_nobody_back(
    con: duckdb.DuckDBPyConnection, store: Path, whole: set[str], out: Outcome, damage: Damage
) -> None:
    """No forgotten driver is in a published column of drivers."""
    try:
        forgetter = Forgetter(read_tombstones(store))
    except StoreError:
        return  # told by the check of the list
    if not forgetter:
        return
    for name in sorted(whole & {*TABLES, *REGISTERS}):
        for column in sorted(DRIVER_COLUMNS & set(declared_columns(name))):
            rows = con.execute(f"SELECT DISTINCT {quoted(column)} FROM {_of(name)}").fetchall()  # noqa: S608 - own names
            back = sum(row[0] is not None and forgetter.knows(row[0]) for row in rows)
            if back:
                out.wrong.add(f"Table {name} shows {back} drivers who were forgotten.")
                damage.forgotten = damage.publish = True

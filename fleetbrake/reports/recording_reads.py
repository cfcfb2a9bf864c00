"""Typed reads of what came in: files and why some did not, what each vehicle records, who has gone silent."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd

from fleetbrake.core.record_criteria import DEFAULT_RECORDS
from fleetbrake.reports import look
from fleetbrake.reports.source import frame

STATUSES: Final = ("rejected", "partly_loaded", "loaded")
#: Files listed at most; the month's files and the log have all.
MOST_FILES: Final = 500
MOST_REASONS: Final = 40

#: Channels that are no measurement of the vehicle: every recording has them.
_IDS = ("event_id", "timestamp", "vehicle_id")

#: What differs from file to file and says nothing of the kind of problem: the event and its rows, paths in brackets,
#: what is quoted, numbers. Pattern (read alike by DuckDB and Python) -> what stands for it.
_DIFFERS = (
    (r"^(event|drive of) .* \(rows [0-9]+ to [0-9]+\) rejected: ", r"\1 rejected: "),
    (r" ?\([^()]*[/\\][^()]*\)", ""),
    (r"'[^']*'", "'…'"),
    (r"[0-9][0-9.,]*[0-9]|[0-9]", "…"),
)

#: One row a kind of problem; a reason holds sentences with "; " between and may begin with the file's own path.
_KINDS = """
WITH told AS (
    SELECT path, status, loaded_at, unnest(string_split(replace(reason, path || ': ', ''), '; ')) AS said
    FROM ingest_log WHERE status <> 'loaded' AND reason IS NOT NULL
),
shaped AS (SELECT *, {shape} AS shape FROM told)
SELECT count(DISTINCT path) AS files, count(DISTINCT path) FILTER (status = 'rejected') AS rejected,
       min(path) AS path, min_by(said, (path, said)) AS example, max(loaded_at) AS loaded_at
FROM shaped GROUP BY shape ORDER BY files DESC, shape LIMIT ?
"""


@dataclass(frozen=True)
class Arrived:
    """Counts over all files seen."""

    files: int
    loaded: int
    partly_loaded: int
    rejected: int
    events: int
    events_rejected: int
    newest_read_at: pd.Timestamp | None


def arrived(store: Path) -> Arrived:
    """What came in, in figures."""
    row = frame(
        store,
        "SELECT count(*) AS files, count_if(status = 'loaded') AS loaded, count_if(status = 'partly_loaded') AS "
        "partly_loaded, count_if(status = 'rejected') AS rejected, coalesce(sum(events), 0) AS events, "
        "coalesce(sum(events_rejected), 0) AS events_rejected, max(loaded_at) AS newest_read_at FROM ingest_log",
    ).iloc[0]
    # an empty table counts to NULL in some of them
    counts = {str(name): int(row[name] or 0) for name in row.index if name != "newest_read_at"}
    newest = row["newest_read_at"]
    return Arrived(**counts, newest_read_at=None if pd.isna(newest) else newest)


def reasons(store: Path, most: int = MOST_REASONS) -> pd.DataFrame:
    """Why files or events were not taken, a row a kind of problem, most files first.

    Columns: files, rejected (of these rejected whole), path and example (the first such file and what it says),
    loaded_at (newest). One file can have several. What the kind is called: :func:`kind_of` of the example, after the
    example was veiled: a driver's id of which the digits are gone would not be known for one.
    """
    shape, values = "said", list[object]()
    for pattern, instead in _DIFFERS:
        shape = f"regexp_replace({shape}, ?, ?, 'gs')"
        values += [pattern, instead]
    return frame(store, _KINDS.format(shape=shape), [*values, most])


def kind_of(sentence: str) -> str:
    """The sentence without what differs from file to file: numbers and quoted words stand as "…"."""
    for pattern, instead in _DIFFERS:
        sentence = re.sub(pattern, instead, sentence, flags=re.DOTALL)
    return sentence


def files(
    store: Path, statuses: tuple[str, ...] = (), vehicle_id: str | None = None, most: int = MOST_FILES
) -> tuple[pd.DataFrame, int]:
    """The log's rows, what was not wholly loaded first, then the newest; and how many there are beyond ``most``.

    ``vehicle_id`` takes the files with an event of that vehicle. Columns: path, status, rows, events,
    events_rejected, reason, first_at, last_at, loaded_at, channels.
    """
    where, values = ["true"], list[object]()
    if statuses:
        where.append("list_contains(?, status)")
        values.append(list(statuses))
    if vehicle_id is not None:
        where.append("path IN (SELECT source_path FROM events WHERE vehicle_id = ?)")
        values.append(vehicle_id)
    kept = " AND ".join(where)
    found = frame(
        store,
        "SELECT path, status, rows, events, events_rejected, reason, first_at, last_at, loaded_at, channels "  # noqa: S608 - own names
        f"FROM ingest_log WHERE {kept} ORDER BY status = 'loaded', last_at DESC NULLS FIRST, path LIMIT ?",
        [*values, most],
    )
    if len(found) < most:
        return found, 0
    total = frame(store, f"SELECT count(*) AS n FROM ingest_log WHERE {kept}", values)["n"].iloc[0]  # noqa: S608 - own names
    return found, int(total) - len(found)


def facts(store: Path, depots: tuple[str, ...] = ()) -> pd.DataFrame:
    """Every column of ``recording_facts``, by vehicle; of the named depots only, if any are."""
    return frame(
        store,
        "SELECT * FROM recording_facts WHERE len(?) = 0 OR list_contains(?, depot) ORDER BY vehicle_id",
        [list(depots), list(depots)],
    )


def silent(found: pd.DataFrame) -> pd.DataFrame:
    """Of :func:`facts`: vehicles that have sent nothing for longer than is usual for them, the longest first."""
    gone = found[found["silent"].fillna(False).astype(bool)]
    return gone.sort_values(["days_silent", "vehicle_id"], ascending=[False, True])


def never_sent(found: pd.DataFrame) -> tuple[list[str], list[str]]:
    """Of :func:`facts`: vehicles of the register without a single event; those with an engine, and trailers.

    Trailers (O1 to O4) rarely record under an id of their own.
    """
    none = found[(found["events"] == 0) & found["in_register"].fillna(False).astype(bool)]
    trailer = none["category"].fillna("").str.startswith("O")
    return [str(v) for v in none.loc[~trailer, "vehicle_id"]], [str(v) for v in none.loc[trailer, "vehicle_id"]]


def lost_channels(store: Path, depots: tuple[str, ...] = ()) -> pd.DataFrame:
    """Channels that most earlier files of a vehicle have and none of its newest: one row a vehicle.

    Columns: vehicle_id, channels (with ", " between), last_at (of the last file that had one of them), newest_files.
    """
    return frame(
        store,
        "SELECT vehicle_id, string_agg(channel, ', ' ORDER BY channel) AS channels, max(last_at) AS last_at, "
        "max(newest_files) AS newest_files FROM recording_channels WHERE lost AND (len(?) = 0 OR vehicle_id IN "
        "(SELECT vehicle_id FROM recording_facts WHERE list_contains(?, depot))) GROUP BY vehicle_id "
        "ORDER BY vehicle_id",
        [list(depots), list(depots)],
    )


def channels_of(store: Path, vehicle_id: str) -> pd.DataFrame:
    """Channels of one vehicle's files: channel, files, files_with, newest_files, newest_with, last_at, lost."""
    return frame(
        store,
        "SELECT channel, files, files_with, newest_files, newest_with, last_at, lost FROM recording_channels "
        "WHERE vehicle_id = ? AND NOT list_contains(?, channel) ORDER BY lost DESC NULLS LAST, channel",
        [vehicle_id, list(_IDS)],
    )


def silence_rule(newest: object) -> str:
    """In words by what a vehicle counts as silent, for the day up to which recordings go."""
    rule = DEFAULT_RECORDS
    return (
        f"Recordings go up to {look.day(newest)}. A vehicle counts as silent when it has sent nothing for longer than "
        f"{rule.silent_usual_gaps:g} times its usual gap between recorded days (nine in ten of its gaps are no "
        f"longer), and at least {rule.silent_least_days:g} days; without a rhythm yet, after "
        f"{rule.silent_no_rhythm_days:g} days."
    )

"""What is unusual about what came in: silent vehicles, more rejected files than usual, channels gone from a category.

All is read from the published tables; the rules stand in :mod:`fleetbrake.core.record_criteria`.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

import pandas as pd

from fleetbrake.core.record_criteria import DEFAULT_RECORDS, RecordCriteria
from fleetbrake.recordings.story import shown_id
from fleetbrake.reports import recording_reads
from fleetbrake.reports.source import frame, one_snapshot

#: Folders looked at one by one, those with the most newly rejected files first; own choice.
_MOST_FOLDERS: Final = 1000

_REJECTS = r"""
WITH told AS (
    SELECT
        regexp_replace(path, '[/\\][^/\\]*$', '') AS folder,
        status = 'rejected' AS rejected,
        loaded_at > (SELECT max(loaded_at) FROM ingest_log) - to_days(CAST(? AS INTEGER)) AS newest
    FROM ingest_log WHERE loaded_at IS NOT NULL
),
counted AS (
    SELECT
        folder,
        count(*) FILTER (NOT newest) AS files_before, count(*) FILTER (NOT newest AND rejected) AS rejected_before,
        count(*) FILTER (newest) AS newest_files, count(*) FILTER (newest AND rejected) AS newest_rejected
    FROM told GROUP BY GROUPING SETS ((folder), ())
)
SELECT * FROM counted ORDER BY folder IS NOT NULL, newest_rejected DESC, folder LIMIT ?
"""

_GONE = """
WITH sent AS (
    SELECT DISTINCT e.vehicle_id, v.category, l.path, l.channels, l.last_at
    FROM events AS e
    JOIN ingest_log AS l ON l.path = e.source_path
    LEFT JOIN vehicles AS v ON v.vehicle_id = e.vehicle_id
    -- a wrong clock's day in the future is not the newest
    WHERE e.vehicle_id IS NOT NULL AND l.channels IS NOT NULL AND l.last_at <= l.loaded_at
),
dated AS (SELECT *, max(last_at) OVER (PARTITION BY category) - last_at AS age FROM sent),
placed AS (
    SELECT *, age < to_days(CAST($1 AS INTEGER)) AS newest
    FROM dated WHERE age < to_days(CAST($1 + $2 AS INTEGER))
),
seen AS (
    SELECT
        category, vehicle_id,
        count(*) FILTER (newest) AS newest_files, count(*) FILTER (NOT newest) AS files_before
    FROM placed GROUP BY category, vehicle_id
),
held AS (
    SELECT
        category, vehicle_id, trim(unnest(list_distinct(string_split(channels, ',')))) AS channel, newest, last_at
    FROM placed
),
by_vehicle AS (
    SELECT
        s.category, s.vehicle_id, h.channel, s.newest_files, s.files_before,
        count(*) FILTER (h.newest) AS newest_with,
        count(*) FILTER (NOT h.newest) AS with_before,
        max(h.last_at) AS last_at
    FROM seen AS s
    JOIN held AS h ON h.vehicle_id = s.vehicle_id AND h.category IS NOT DISTINCT FROM s.category
    WHERE h.channel <> '' AND s.newest_files > 0 AND s.files_before > 0
    GROUP BY ALL
),
had AS (SELECT * FROM by_vehicle WHERE with_before >= $3 * files_before)
SELECT
    category, channel, count(*) AS vehicles, count(*) FILTER (newest_with > 0) AS still,
    sum(newest_files) AS newest_files, sum(files_before) AS files_before,
    max(last_at) FILTER (newest_with = 0) AS last_at
FROM had
GROUP BY category, channel
HAVING vehicles >= $4 AND sum(newest_files) >= $5 AND still <= $6 * vehicles
ORDER BY category NULLS LAST, channel
"""


@dataclass(frozen=True)
class Unusual:
    """What somebody should look at.

    Attributes
    ----------
    silent : see :func:`fleetbrake.reports.recording_reads.silent`.
    rejects : see :func:`rejected_above_usual`.
    gone : see :func:`channels_gone`.
    """

    silent: pd.DataFrame
    rejects: pd.DataFrame
    gone: pd.DataFrame

    def sentences(self, named: Callable[[str], str] = str) -> dict[str, str]:
        """One sentence each, by what stays the same from day to day; foreign text in them is cut, not cleaned.

        ``named`` says how a folder is called, whose path may name a driver.
        """
        folders = [None if pd.isna(folder) else named(str(folder)) for folder in self.rejects["folder"]]
        rejects = zip(folders, self.rejects.itertuples(), strict=True)
        return {
            **{f"silent {row.vehicle_id}": _silent(row) for row in self.silent.itertuples()},
            **{f"rejected {folder or 'all'}": _rejected(row, folder) for folder, row in rejects},
            **{f"gone {row.category} {row.channel}": _gone(row) for row in self.gone.itertuples()},
        }


def unusual(store: Path) -> Unusual:
    """All three, of one publication. Raises ``StoreError`` if nothing was published."""
    with one_snapshot(store):
        silent = recording_reads.silent(recording_reads.facts(store))
        return Unusual(silent, rejected_above_usual(store), channels_gone(store))


def rejected_above_usual(store: Path, rules: RecordCriteria = DEFAULT_RECORDS) -> pd.DataFrame:
    """Where more of the newest files were rejected than its share before lets expect: the whole, then folders.

    The newest files are those of the last day of reading, and of the last ``rejects_newest_days``: the clearer counts.

    Columns: folder (None for the whole), newest_files, newest_rejected, usual_share (0 to 1), chance (of so many or
    more, by a beta-binomial distribution over the files before, with ``rejects_prior_files`` at the whole's share).
    Empty where everything was read so lately: there is nothing to compare with.
    """
    looks = [
        _with_chance(frame(store, _REJECTS, [days, _MOST_FOLDERS]), rules) for days in (1, rules.rejects_newest_days)
    ]
    told = pd.concat(looks, ignore_index=True)
    few = rules.rejects_chance / max(1, len(told) - len(looks))
    clear = told[(told["newest_rejected"] >= rules.rejects_least) & (told["chance"] < few)]
    once = clear.sort_values("chance", kind="stable").drop_duplicates("folder")
    return once.sort_values("folder", na_position="first").reset_index(drop=True)


def _with_chance(found: pd.DataFrame, rules: RecordCriteria) -> pd.DataFrame:
    """The counts with the usual share and the chance of so many; no rows where there was nothing before."""
    from scipy.stats import betabinom  # takes half a second to load

    whole = found[found["folder"].isna()]
    before = int(whole["files_before"].sum())
    if not before:
        return found.iloc[:0].assign(usual_share=0.0, chance=0.0)
    share = (int(whole["rejected_before"].sum()) + 0.5) / (before + 1.0)  # Jeffreys' prior: never 0 or 1
    prior = found["folder"].notna() * rules.rejects_prior_files
    bad = found["rejected_before"].astype(float) + prior * share + 0.5
    good = (found["files_before"] - found["rejected_before"]).astype(float) + prior * (1.0 - share) + 0.5
    chance = betabinom.sf(found["newest_rejected"].astype(float) - 1.0, found["newest_files"].astype(float), bad, good)
    return found.assign(usual_share=bad / (bad + good), chance=chance)


def channels_gone(store: Path, rules: RecordCriteria = DEFAULT_RECORDS) -> pd.DataFrame:
    """Channels that vehicles of a category had and that (nearly) none of them has in its newest recordings.

    Columns: category (None: not in the register), channel, vehicles (that had it and recorded again), still (of these
    have it), newest_files, files_before, last_at (of the last file of one that lost it, UTC).
    """
    values = [
        int(rules.gone_newest_days),
        int(rules.gone_before_days),
        rules.lost_earlier_share,
        int(rules.gone_least_vehicles),
        int(rules.newest_files),
        rules.gone_still_share,
    ]
    return frame(store, _GONE, values)


def _silent(row: object) -> str:
    vehicle, days, last = (getattr(row, name) for name in ("vehicle_id", "days_silent", "last_on"))
    since = f" (the last on {last:%Y-%m-%d})" if isinstance(last, date) and not pd.isna(last) else ""
    return f"Vehicle {shown_id(str(vehicle))} has sent nothing for {int(days)} days{since}."


def _rejected(row: object, folder: str | None) -> str:
    files, rejected, share = (getattr(row, name) for name in ("newest_files", "newest_rejected", "usual_share"))
    where = "" if folder is None else f" of {shown_id(folder, 200)}"
    return (
        f"{int(rejected)} of the newest {int(files)} files{where} were rejected; usual is {100 * float(share):.1f} %."
    )


def _gone(row: object) -> str:
    category, channel, vehicles, still = (getattr(row, name) for name in ("category", "channel", "vehicles", "still"))
    whose = "vehicles that no register knows" if category is None or pd.isna(category) else f"category {category}"
    return (
        f"{channel} is gone from the recordings of {whose}: {int(vehicles)} vehicles had it, {int(still)} have it now. "
        "What needs it is not observed any more."
    )
